#!/bin/sh
# Install what the tests need and run every check; arguments go to pytest.
#     sh deploy/test.sh            the ordinary suite
#     sh deploy/test.sh -m long    the long runs
set -eu
root=$(cd "$(dirname "$0")/.." && pwd -P)
name=test
. "$root/deploy/venv.sh"

open_log
install_missing mosquitto=mosquitto mosquitto_sub=mosquitto-clients nginx=nginx-light chromium=chromium \
    chromedriver=chromium-driver strace=strace openssl=openssl certutil=libnss3-tools \
    mkfs.ext4=e2fsprogs losetup=mount unshare=util-linux faketime=faketime systemd-analyze=systemd
make_venv "$root/deploy/lock-test.txt" "$root/deploy/lock-axe.txt"
trap - INT TERM HUP
cd "$root"
PATH="$venv/bin:$PATH"
# Hundreds of interpreters are started: each would compile anew what none may keep.
unset PYTHONDONTWRITEBYTECODE

failed=
check() {
    say "== $*"
    "$@" || failed="$failed; $*"
}
check ruff format --check .
check ruff check .
# The tests are compiled on another processor meanwhile, or each worker does it by itself.
python -m pytest --collect-only -q >>"$log" 2>&1 &
compiling=$!
check mypy
check mypy --strict deploy/demo.py deploy/mail_receiver.py deploy/advisories.py
wait "$compiling" || true  # what is wrong is said when they run
[ -z "$failed" ] || say "FAILED before the tests: ${failed#; }"
say "== pytest $*"
# Two workers a processor: many tests wait for real time.
python -m pytest -n "$(($(nproc) * 2))" --dist worksteal "$@" || failed="$failed; pytest"
[ -z "$failed" ]
