#!/bin/sh
# Renew the locks: newest stable releases for Python 3.11 to 3.13 on x86_64 and aarch64, with hashes.
# Needs uv on the path (pip install uv). lock-demo.txt, lock-build.txt and lock-test.txt hold the same versions.
set -eu
cd "$(dirname "$0")/.."

UV_CUSTOM_COMPILE_COMMAND="sh deploy/lock.sh"
export UV_CUSTOM_COMPILE_COMMAND

lock() {
    out=$1
    shift
    uv pip compile --quiet --upgrade --universal --python-version 3.11 --generate-hashes \
        --no-emit-index-url --no-emit-find-links --no-annotate --output-file "$out" "$@"
}

lock deploy/lock.txt pyproject.toml
lock deploy/lock-demo.txt --constraints deploy/lock.txt pyproject.toml deploy/demo-requirements.in
lock deploy/lock-build.txt --constraints deploy/lock-demo.txt deploy/build-requirements.in
lock deploy/lock-test.txt --constraints deploy/lock-demo.txt \
    pyproject.toml deploy/demo-requirements.in deploy/test-requirements.in
lock deploy/lock-axe.txt --no-deps deploy/axe-requirements.in
lock deploy/lock-audit.txt deploy/audit-requirements.in
