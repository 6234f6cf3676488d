# Read by try.sh, test.sh and install.sh: Debian's packages where they are missing, and a virtual environment from a lock.
# The caller sets root (the checkout) and name (demo or test), or afterwards venv and log themselves. What apt
# and pip print goes to $log.
# shellcheck shell=sh

venv="$root/.venv/$name"
log="$root/.venv/$name.log"
PATH="$PATH:/usr/local/sbin:/usr/sbin:/sbin"
export PATH
unset PYTHONPATH PYTHONHOME
child=

say() { printf '%s\n' "$*"; }

fail() {
    say "$* The end of $log:" >&2
    tail -n 15 "$log" | sed 's#[a-z]*://[^ ]*#(address)#g' >&2
    exit 1
}

# A command whose output goes to the log and which ends when this script is told to end.
quietly() {
    "$@" >>"$log" 2>&1 &
    child=$!
    wait "$child"
}

stop_child() {
    trap - INT TERM HUP
    [ -z "$child" ] || kill "$child" 2>/dev/null || true
    exit "$1"
}

open_log() {
    mkdir -p "$root/.venv"
    : >"$log"
    trap 'stop_child 130' INT
    trap 'stop_child 143' TERM HUP
}

find_python() {
    for python in python3 /usr/bin/python3 python3.13 python3.12 python3.11; do
        if "$python" -c 'import ensurepip, sqlite3, ssl, sys, venv
sys.exit(not (3, 11) <= sys.version_info[:2] < (3, 14))' 2>/dev/null; then
            return 0
        fi
    done
    return 1
}

# Arguments: command=package. Installs the packages whose command isn't there, and a Python if none will do.
install_missing() {
    missing=
    for pair in "$@"; do
        command -v "${pair%%=*}" >/dev/null || missing="$missing ${pair#*=}"
    done
    find_python || missing="$missing python3 python3-venv"
    [ -n "$missing" ] || return 0
    sudo=
    if [ "$(id -u)" -ne 0 ]; then
        sudo=sudo
        # It may ask for a password, which the log would hide: ask here.
        sudo true || { say "Neither root nor sudo. As root: apt-get install$missing" >&2; exit 1; }
    fi
    say "Installing Debian's$missing (a minute or more) …"
    # shellcheck disable=SC2086 # an empty $sudo is no argument, and the list is split on purpose
    quietly $sudo apt-get -o DPkg::Lock::Timeout=120 update || fail "apt-get update failed."
    # shellcheck disable=SC2086
    quietly $sudo env DEBIAN_FRONTEND=noninteractive apt-get -o DPkg::Lock::Timeout=300 \
        install --yes --no-install-recommends $missing || fail "apt-get install failed."
    find_python || fail "No Python 3.11 to 3.13 with venv and ensurepip."
}

# Arguments: what pip is to do, and with what. Output goes to the log.
pip_quietly() {
    task=$1
    shift
    quietly "$venv/bin/python" -m pip "$task" --no-input --disable-pip-version-check --root-user-action=ignore "$@"
}

# Argument: the lock. A fresh environment with what it holds, each file by its hash.
make_locked_venv() {
    rm -rf "$venv"
    quietly "$python" -m venv "$venv" || fail "The virtual environment could not be made."
    pip_quietly install --require-hashes --only-binary=:all: --requirement "$1" ||
        fail "pip could not install the locked packages."
}

# Arguments: the lock; a second one, if any, of packages put in without what they need. The environment is made
# anew when a lock, the project's metadata, the checkout's place or the Python has changed; this checkout is put
# into it as it lies here, so its code is always what runs.
make_venv() {
    alone=${2-}
    wanted=$({ cat "$1" ${alone:+"$alone"} "$root/pyproject.toml"; say "$root"; "$python" -VV; } | sha256sum)
    if [ "$(cat "$venv/lock.sha256" 2>/dev/null)" = "$wanted" ]; then
        return 0
    fi
    say "Making the virtual environment in .venv/$name (half a minute or more) …"
    make_locked_venv "$1"
    if [ -n "$alone" ]; then
        pip_quietly install --no-deps --require-hashes --only-binary=:all: --requirement "$alone" ||
            fail "pip could not install the packages of $alone."
    fi
    pip_quietly install --no-deps --no-build-isolation --editable "$root" ||
        fail "pip could not install this checkout."
    say "$wanted" >"$venv/lock.sha256"
}
