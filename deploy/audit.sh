#!/bin/sh
# Hold the locks against the known vulnerabilities of the packages in them; arguments go to pip-audit.
#     sh deploy/audit.sh            asks PyPI
#     sh deploy/audit.sh -s osv     asks OSV (api.osv.dev)
#     sh deploy/audit.sh --database FOLDER
#                                   asks nobody: FOLDER holds advisories in the OSV form, JSON or YAML, fetched
#                                   before, such as a checkout of github.com/pypa/advisory-database
# What could not be looked up counts as a failure: pip-audit alone would call that clean.
set -eu
root=$(cd "$(dirname "$0")/.." && pwd -P)
name=audit
. "$root/deploy/venv.sh"

open_log
find_python || fail "No Python 3.11 to 3.13 with venv and ensurepip."
[ -x "$venv/bin/pip-audit" ] && cmp -s "$root/deploy/lock-audit.txt" "$venv/lock.txt" || {
    say "Making the virtual environment in .venv/$name …"
    rm -rf "$venv"
    quietly "$python" -m venv "$venv" || fail "The virtual environment could not be made."
    quietly "$venv/bin/python" -m pip install --no-input --disable-pip-version-check \
        --root-user-action=ignore --require-hashes --only-binary=:all: \
        --requirement "$root/deploy/lock-audit.txt" || fail "pip could not install pip-audit."
    cp "$root/deploy/lock-audit.txt" "$venv/lock.txt"
}
trap - INT TERM HUP

if [ "${1-}" = --database ]; then
    [ $# -eq 2 ] || { say "usage: audit.sh --database FOLDER" >&2; exit 2; }
    set -- "$2" "$root"/deploy/lock*.txt
    exec "$venv/bin/python" "$root/deploy/advisories.py" "$@"
fi

failed=
for lock in lock.txt lock-audit.txt lock-axe.txt lock-build.txt lock-demo.txt lock-test.txt; do
    say "== $lock"
    "$venv/bin/pip-audit" --strict --progress-spinner off --disable-pip --require-hashes \
        --requirement "$root/deploy/$lock" "$@" || failed="$failed $lock"
done
[ -z "$failed" ] || { say "Not clean, or not looked up:$failed"; exit 1; }
say "No known vulnerability in any lock."
