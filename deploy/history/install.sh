#!/bin/sh
# Installs the agent that keeps history onwards in a database: Node-RED with pg, by their locked versions.
#
#     install.sh FOLDER       such as /opt/probe-agent-history; again = upgrade
#
# Needs Node.js 18.5 or newer and npm (apt-get install nodejs npm). No package's own script is run.
set -eu

[ $# -eq 1 ] || { echo "usage: install.sh FOLDER" >&2; exit 1; }
here=$(cd "$(dirname "$0")" && pwd)
command -v npm > /dev/null || { echo "npm is not installed: apt-get install nodejs npm" >&2; exit 1; }
mkdir -p "$1"
for file in package.json package-lock.json settings.js flow.json; do
    cp "$here/$file" "$1/$file"
done
cd "$1"
npm ci --ignore-scripts --no-audit --no-fund --loglevel=error
