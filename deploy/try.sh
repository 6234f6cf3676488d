#!/bin/sh
# Try probe-agent without a single probe: a simulated engine at −12 °C is heated up some ninety times faster
# than real, with its own broker, mail receiver, daemon and page, all on loopback. Ctrl-C ends everything.
#     sh deploy/try.sh [--speed N]
set -eu
root=$(cd "$(dirname "$0")/.." && pwd -P)
name=demo
. "$root/deploy/venv.sh"

open_log
install_missing mosquitto=mosquitto
make_venv "$root/deploy/lock-demo.txt"
trap - INT TERM HUP
exec "$venv/bin/python" "$root/deploy/demo.py" "$@"
