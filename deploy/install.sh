#!/bin/sh
# Puts probe-agent on a board with Debian 12 or 13, and brings a newer version onto it. As root:
#     sh deploy/install.sh                asks six questions at the first time, none later; again: the upgrade
#     sh deploy/install.sh --club         a club's page of many aircraft instead; beside a board's own too. Asks nothing
#     sh deploy/install.sh --back         the version before the last upgrade, and its record where it needs it
#     sh deploy/install.sh --remove       takes it off again; record and settings stay (--with-data: they go too)
# Flags answer questions; --yes takes the defaults for the rest:
#     --name NAME        the aircraft, your own word for it
#     --unit C|F         temperatures in messages
#     --heater KIND      fixed-pad, pads-and-bands, cowl-heater, ducted-air, combustion
#     --watts N          on the heater's plate, all parts together
#     --stands WHERE     outside, unheated, heated
#     --page board|lan   who can reach the page: this board alone, or its network
#     --cylinders N      four unless told otherwise; 6: opposed-6
#     --gpio N           pin of the 1-Wire data line, 4 unless told otherwise; none: leave the boot configuration alone
#     --no-start         starts nothing, as in a chroot
#     --root DIR         (first) a mounted card instead of this machine; starts nothing there
set -eu
PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
export PATH
here=$(cd "$(dirname "$0")" && pwd -P)
root=$(dirname "$here")

base=/opt/probe-agent       # a link to the version in use: units and commands name it
versions=/opt/probe-agent.d # 1, 2, 3 … a virtual environment each; the last two stay
settings=/etc/probe-agent/settings.toml
state=/var/lib/probe-agent
runtime=/run/probe-agent
units=/etc/systemd/system
club_folder=/etc/probe-agent-club
log_file=/var/log/probe-agent-install.log
begin_mark="# probe-agent: begin (install.sh --remove takes this out)"
end_mark="# probe-agent: end"

die() {
    printf '%s\n' "$*" >&2
    exit 1
}

# -- what is asked

yes='' name='' unit='' heater='' watts='' stands='' page='' cylinders='' gpio=4 no_start='' with_data='' work=install
club=''

read_options() {
    while [ $# -gt 0 ]; do
        case $1 in
            --yes) yes=1 ;;
            --no-start) no_start=1 ;;
            --club) club=1 ;;
            --back) work=back ;;
            --remove) work=remove ;;
            --with-data) with_data=1 ;;
            -h | --help)
                sed -n '2,/^set -eu/{/^set/d;s/^# \{0,1\}//;p;}' "$0"
                exit 0
                ;;
            --root) die "--root DIR has to come first." ;;
            --name | --unit | --heater | --watts | --stands | --page | --cylinders | --gpio)
                [ $# -ge 2 ] || die "$1 needs a word after it; --help shows which."
                # shellcheck disable=SC2034 # read by name in ask and below
                eval "${1#--}=\$2"
                shift
                ;;
            *) die "$1 isn't known here. --help shows what is." ;;
        esac
        shift
    done
}

one_of() {
    word=$1
    shift
    case " $* " in *" $word "*) [ -n "$word" ] ;; *) say "One of: $*." && return 1 ;; esac
}
good_name() {
    [ "$(printf %s "$1" | wc -m)" -le 40 ] || { say "At most 40 characters." && return 1; }
}
good_unit() { one_of "$1" C F; }
good_heater() { one_of "$1" fixed-pad pads-and-bands cowl-heater ducted-air combustion; }
good_stands() { one_of "$1" outside unheated heated; }
good_page() { one_of "$1" board lan; }
good_number() {
    case $1 in *[!0-9]* | '' | 0* | ??????*) say "A whole number above 0, without its unit." && return 1 ;; esac
}

# Arguments: a variable, which may have its value from a flag already; the question; the default; the check.
ask() {
    eval "answer=\$$1"
    while :; do
        from_flag=$answer
        if [ -z "$answer" ] && [ -z "$yes" ]; then
            printf '%s [%s] ' "$2" "$3"
            # Nobody there any more: the defaults hold.
            read -r answer || { yes=1 && say; }
        fi
        answer=${answer:-$3}
        if why=$("$4" "$answer"); then break; fi
        [ -z "$from_flag" ] && [ -z "$yes" ] || die "--$1 $answer: $why"
        say "$why"
        answer=
    done
    eval "$1=\$answer"
}

ask_all() {
    cylinders=${cylinders:-4}
    one_of "$cylinders" 4 6 >/dev/null || die "--cylinders 4 or 6; another engine's places are written in $settings."
    [ "$gpio" = none ] || good_number "$gpio" >/dev/null || die "--gpio $gpio: the number of the pin, or none."
    [ -n "$yes" ] || say "Six questions; Enter takes what stands in brackets. Everything can be changed later in $settings."
    ask name "The aircraft, your own word for it" Aircraft good_name
    ask unit "Temperatures in messages: C or F" C good_unit
    ask heater "Heater: fixed-pad, pads-and-bands, cowl-heater, ducted-air or combustion" pads-and-bands good_heater
    ask watts "Its watts, all parts together" 500 good_number
    ask stands "It stands: outside, or in a hangar unheated or heated" outside good_stands
    ask page "Who can reach the page: this board alone (board) or its network (lan)" board good_page
}

# -- the first settings

quoted() { printf %s "$1" | tr -d '\000-\037\177' | sed 's/[\\"]/\\&/g; s/^/"/; s/$/"/'; }

# Name; 1: readiness waits for it; 1: the heater is beside it.
place() {
    printf '\n[[places]]\nname = "%s"\n' "$1"
    [ -z "${2-}" ] || echo "required = true"
    [ -z "${3-}" ] || echo "near_heater = true"
}

first_settings() {
    cat <<TOML
# Written by install.sh. probe-agent example prints every other key, each explained.

[aircraft]
name = $(quoted "$name")
layout = "opposed-$cylinders"

# required: nothing is called above target or ready while it isn't measured. Delete what you don't measure, but
# keep at least one place where heat arrives last (hardware.md).
TOML
    # Where the heater is a pad, a probe at the sump reads the pad; hot air reaches the sump last.
    case $heater in fixed-pad | pads-and-bands) place sump '' 1 ;; *) place sump 1 ;; esac
    n=1
    while [ "$n" -le "$cylinders" ]; do
        place "cyl-$n" 1
        n=$((n + 1))
    done
    place case-top 1
    place case-nose 1
    place ambient
    cat <<TOML

# Which probe sits where is said by probe-agent bind, and kept in the record.

[[setups]]
name = "winter"
heater = "$heater"
watts = $watts
stands = "$stands"
cover = true
cowl_plugs = true

[messages]
unit = "$unit"

[page]
listen = "$([ "$page" = lan ] && echo 0.0.0.0 || echo 127.0.0.1)"
TOML
}

# -- parts of the work

# What is installed, or to be: a board's daemon and page, a club's page, or all. What is there goes on being brought
# along, whatever the flags; a machine with a club's page alone stays without a board.
choose_parts() {
    board=1 services=
    if [ -e "$units/probe-agent-club.service" ]; then club=1; fi
    if [ -n "$club" ] && [ ! -e "$units/probe-agent.service" ]; then board=; fi
    if [ -n "$board" ]; then services="probe-agent.service probe-agent-web.service"; fi
    if [ -n "$club" ]; then services="$services probe-agent-club.service"; fi
}

booted() { [ -d /run/systemd/system ] && [ -z "$no_start" ]; }

# As the daemon's user, so that what is written is the daemon's.
as_daemon() { (cd / && umask 0007 && setpriv --reuid probe-agent --regid probe-agent --clear-groups "$@"); }

current() { basename "$(readlink "$base" 2>/dev/null)" 2>/dev/null || true; }

use_version() {
    ln -sfn "$versions/$1" "$base.new"
    mv -T "$base.new" "$base"
}

ask_club() {
    "$1/bin/python" -P -c 'import sys
from pathlib import Path
from probe_agent.config import SettingsError, load_settings
try:
    settings = load_settings(Path(sys.argv[1]))
except SettingsError as err:
    sys.exit(str(err))
if settings.club is None:
    sys.exit(f"{sys.argv[1]}: without a table [club] this is no club\x27s page.")' "$club_folder/club.toml"
}

ask_settings() {
    "$1/bin/python" -P -c 'import sys
from pathlib import Path
from probe_agent.config import SettingsError, load_settings, refuse_unwatched
try:
    settings = load_settings(Path(sys.argv[1]))
    refuse_unwatched(settings, sys.argv[1])
except SettingsError as err:
    sys.exit(str(err))
print(settings.store.file)' "$settings"
}

schema_of() {
    as_daemon "$1/bin/python" -P -c 'import sqlite3, sys
print(sqlite3.connect(sys.argv[1]).execute("PRAGMA user_version").fetchone()[0])' "$2"
}

make_users() {
    if [ -n "$board" ]; then make_boards_users; fi
    if [ -n "$club" ]; then make_clubs_user; fi
}

# It shares nothing with a board's: neither settings nor secrets nor the record.
make_clubs_user() {
    install -D -m 644 "$here/systemd/probe-agent-club.sysusers" /usr/lib/sysusers.d/probe-agent-club.conf
    quietly systemd-sysusers probe-agent-club.conf || fail "The user could not be made."
    install -d -o root -g probe-agent-club -m 750 "$club_folder"
}

make_boards_users() {
    install -D -m 644 "$here/systemd/probe-agent.sysusers" /usr/lib/sysusers.d/probe-agent.conf
    quietly systemd-sysusers probe-agent.conf || fail "The users could not be made."
    install -d -o root -g probe-agent -m 750 /etc/probe-agent
    install -d -o probe-agent -g probe-agent -m 770 "$state" "$runtime"
    install -d -o probe-agent -g probe-agent -m 700 /etc/probe-agent/secrets
}

# The wheel is made with locked tools beside the environment, which keeps nothing of them.
make_version() {
    tools="$venv.tools"
    rm -rf "$venv" "$tools"
    make_locked_venv "$here/lock.txt"
    pip_quietly install --target "$tools" --require-hashes --only-binary=:all: --requirement "$here/lock-build.txt" ||
        fail "pip could not fetch the locked build tools."
    wheel="$tools/wheel"
    quietly env PYTHONPATH="$tools" "$venv/bin/python" -m pip wheel --no-input --disable-pip-version-check \
        --no-deps --no-build-isolation --wheel-dir "$wheel" "$root" || fail "The package could not be built."
    pip_quietly install --no-deps --no-index "$wheel"/probe_agent-*.whl || fail "pip could not install the package."
    rm -rf "$tools"
    install -d "$venv/share/systemd"
    cp "$root/README.md" "$root/hardware.md" "$here/install.sh" "$here/venv.sh" "$here/club.toml" "$venv/share/"
    cp "$here"/systemd/* "$venv/share/systemd/"
    chmod -R go+rX "$venv"
}

write_settings() {
    if [ -n "$board" ] && [ ! -e "$settings" ]; then write_boards_settings; fi
    if [ -n "$club" ] && [ ! -e "$club_folder/club.toml" ]; then
        install -o root -g probe-agent-club -m 640 "$here/club.toml" "$club_folder/club.toml"
    fi
}

write_boards_settings() {
    umask 0027
    first_settings >"$settings.new"
    umask 0022
    chgrp probe-agent "$settings.new"
    mv "$settings.new" "$settings"
}

stop_services() {
    # shellcheck disable=SC2086 # names
    if booted; then systemctl stop $services >>"$log" 2>&1 || true; fi
}

start_services() {
    booted || return 0
    systemctl daemon-reload >>"$log" 2>&1
    # shellcheck disable=SC2086
    systemctl restart $services >>"$log" 2>&1
}

install_units() {
    from="$base/share/systemd"
    for unit_file in $services; do
        # A version from before the club's page, on the way back.
        [ -f "$from/$unit_file" ] || continue
        install -m 644 "$from/$unit_file" "$units/$unit_file"
    done
    if [ -n "$board" ]; then install -D -m 644 "$from/60-probe-agent.rules" /etc/udev/rules.d/60-probe-agent.rules; fi
    if [ -n "$board" ] && [ -n "$(boot_config)" ]; then
        install -D -m 644 "$from/probe-agent-watchdog.conf" /etc/systemd/system.conf.d/probe-agent-watchdog.conf
    fi
    for command in probe-agent probe-agent-web; do
        ln -sfn "$base/bin/$command" "/usr/local/bin/$command"
    done
    # shellcheck disable=SC2086
    systemctl enable $services >>"$log" 2>&1 || fail "The units could not be enabled."
    if [ -n "$board" ] && booted && command -v udevadm >/dev/null; then
        udevadm control --reload >>"$log" 2>&1 || true
        udevadm trigger --action=add --subsystem-match=w1 >>"$log" 2>&1 || true
    fi
}

# The boot configuration of the boards' own flavour; nothing on others.
boot_config() {
    for file in /boot/firmware/config.txt /boot/config.txt; do
        if [ -f "$file" ]; then
            echo "$file"
            return
        fi
    done
}

switch_bus_on() {
    config=$(boot_config)
    if ls -d /sys/bus/w1/devices/w1_bus_master* >/dev/null 2>&1; then
        say "The 1-Wire bus is there."
    elif [ "$gpio" = none ]; then
        say "The boot configuration is left alone, as asked for."
    elif [ -z "$config" ]; then
        say "Yours to do: this board's boot configuration isn't one known here. Enable its device-tree overlay w1-gpio" \
            "on the pin you used, and restart the board; ls /sys/bus/w1/devices then shows the probes."
    elif grep -q '^[[:space:]]*dtoverlay=w1-gpio' "$config"; then
        say "The 1-Wire bus is switched on in $config; it appears when the board is restarted."
    else
        cp "$config" "$config.new"
        printf '%s\n[all]\ndtoverlay=w1-gpio,gpiopin=%s\n%s\n' "$begin_mark" "$gpio" "$end_mark" >>"$config.new"
        mv "$config.new" "$config"
        say "The 1-Wire bus on pin $gpio was written into $config. Yours to do: restart the board."
    fi
}

# -- the record, before and after

# Whether nothing has the record open: a daemon that systemd didn't start is not stopped by it.
is_alone() {
    as_daemon "$1/bin/python" -P -c 'import sys
from pathlib import Path
from probe_agent.carrying import alone
from probe_agent.config import load_settings
from probe_agent.store import StoreError
try:
    with alone(Path(load_settings(Path(sys.argv[1])).store.runtime_dir)):
        pass
except StoreError as err:
    sys.exit(str(err))' "$settings" >>"$log" 2>&1
}

# The record as it was, beside the record, checked. Says where on standard output.
back_up_record() {
    kept="$(dirname "$2")/before-version-$3"
    rm -rf "$kept"
    as_daemon "$1/bin/probe-agent" backup --settings "$settings" "$kept" >>"$log" 2>&1 || return 1
    echo "$kept"
}

bring_record_back() {
    install -d -o probe-agent -g probe-agent -m 770 "$runtime"
    as_daemon "$1/bin/probe-agent" restore --settings "$settings" "$2" >>"$log" 2>&1
}

# Nothing of the new version stays; the one before goes on.
give_up() {
    say "$1 Nothing has changed${before:+: the version before goes on}." >&2
    rm -rf "$venv"
    start_services || true
    fail "The upgrade was given up."
}

upgrade_record() {
    is_alone "$venv" || give_up "The record is in use."
    say "Keeping a copy of the record and bringing it to this version …"
    kept=$(back_up_record "$venv" "$store" "$number") || give_up "The record could not be backed up (is there room?)."
    schema_of "$venv" "$kept/probe-agent.db" >"$venv/share/schema-before"
    echo "$kept" >"$venv/share/record-before"
    if ! as_daemon "$venv/bin/python" -P -m probe_agent.migrations "$store" >>"$log" 2>&1; then
        bring_record_back "$venv" "$kept" || fail "The record was half brought along. The one before lies in $kept."
        give_up "The record could not be brought to this version."
    fi
}

forget_older() {
    for folder in "$versions"/*; do
        case $(basename "$folder") in
            "$number" | "$before" | previous) ;;
            *)
                old=$(cat "$folder/share/record-before" 2>/dev/null || true)
                [ -z "$old" ] || rm -rf "$old"
                rm -rf "$folder"
                ;;
        esac
    done
}

# -- the three works

# What os-release(5) says of a system, if it isn't one of those this was tried on.
look_at_system() {
    [ "$(getconf LONG_BIT)" = 64 ] ||
        die "This is a 32-bit system, for which the locked packages don't exist. Write the 64-bit image onto the card."
    command -v apt-get >/dev/null || die "There is no apt-get here: this installs on Debian 12 or 13 and what is made from it."
    # shellcheck disable=SC1090,SC1091
    seen=$(for file in /etc/os-release /usr/lib/os-release; do
        if [ -r "$file" ]; then . "$file" && break; fi
    done
    printf '%s\n' " ${ID-} ${ID_LIKE-} |${VERSION_ID-}|${PRETTY_NAME-an unnamed system}" | tr -d '\000-\011\013-\037\177')
    case ${seen%|*} in
        *" debian "*"|12" | *" debian "*"|12."* | *" debian "*"|13" | *" debian "*"|13."*) ;;
        *) say "Tried on Debian 12 and 13 and what is made from them; this is ${seen##*|}. Going on." ;;
    esac
}

prepare() {
    [ "$(id -u)" -eq 0 ] || die "This has to be done as root: sudo sh $0"
    . "$here/venv.sh"
    log=$log_file
    mkdir -p "$versions"
    : >"$log"
    trap 'stop_child 130' INT
    trap 'stop_child 143' TERM HUP
}

install_version() {
    [ -f "$here/lock.txt" ] || die "This copy only goes --back or --remove. A new version is installed from its own folder."
    [ ! -e "$base" ] || [ -L "$base" ] || die "$base is there and wasn't made here. Move it away first."
    look_at_system
    choose_parts
    [ -z "$board" ] || [ -e "$settings" ] || ask_all
    before=$(current)
    number=1
    while [ -e "$versions/$number" ]; do number=$((number + 1)); done
    venv="$versions/$number"
    install_missing systemctl=systemd systemd-sysusers=systemd setpriv=util-linux update-ca-certificates=ca-certificates
    make_users
    say "Making the environment in $venv from the lock (some minutes on a board) …"
    make_version
    write_settings
    look_at_settings
    trap 'start_services || true; stop_child 130' INT
    trap 'start_services || true; stop_child 143' TERM HUP
    stop_services
    if [ -n "$store" ] && [ -e "$store" ]; then upgrade_record; fi
    use_version "$number"
    earlier=$(cat "$versions/previous" 2>/dev/null || true)
    echo "$before" >"$versions/previous"
    install_units
    if [ -n "$board" ]; then switch_bus_on; fi
    start_services || undo_upgrade
    forget_older
    tell_next
}

# Refused ones end it. The place of the record stays in `store`, empty without one.
look_at_settings() {
    store=
    if [ -n "$club" ] && ! ask_club "$venv" 2>>"$log"; then
        rm -rf "$venv"
        fail "The settings of the club's page were refused; the version before, if any, goes on."
    fi
    if [ -n "$board" ] && ! store=$(ask_settings "$venv" 2>>"$log"); then
        rm -rf "$venv"
        [ -n "$before" ] || mv "$settings" "$settings.refused"
        fail "The settings were refused; the version before, if any, goes on."
    fi
}

# A version that can't start leaves nothing behind but its log, and the way back is the one that was there before.
undo_upgrade() {
    [ -n "$before" ] || fail "What was installed did not start."
    for unit_file in $services; do
        say "-- $unit_file" && journalctl --unit "$unit_file" --lines 6 --no-pager --output cat
    done >>"$log" 2>&1 || true
    say "This version did not start; going back." >&2
    go_back
    echo "$earlier" >"$versions/previous"
    old=$(cat "$versions/$number/share/record-before" 2>/dev/null || true)
    rm -rf "${versions:?}/$number" ${old:+"$old"}
    fail "The upgrade was given up."
}

tell_next() {
    say "$("$base/bin/probe-agent" --version) is installed. What was done: $log."
    if [ -n "$club" ]; then
        say "The club's page: $(page_address "$club_folder/club.toml")." \
            "Name its broker in $club_folder/club.toml, then: sudo systemctl restart probe-agent-club"
    fi
    [ -n "$board" ] || return 0
    say "Settings: $settings."
    if ! booted; then
        say "Nothing was started here: daemon and page start with the board. Then: sudo probe-agent pair"
        return
    fi
    say "The page: $(page_address "$settings"). Which probe sits where: sudo probe-agent identify"
    [ -n "$before" ] || as_daemon "$base/bin/probe-agent" pair --settings "$settings" ||
        say "No code yet. Later: sudo probe-agent pair"
}

page_address() {
    "$base/bin/python" -P -c 'import socket, sys
from pathlib import Path
from probe_agent.config import load_settings
page = load_settings(Path(sys.argv[1])).page
here = page.listen == "localhost" or page.listen.startswith("127.") or page.listen == "::1"
host = "localhost" if here else socket.gethostname()
print(f"http://{host}:{page.port}/" + (" on this machine itself" if here else ""))' "$1"
}

# The record goes back too where the version before can't read it as it is now.
go_back() {
    now=$(current)
    previous=$(cat "$versions/previous" 2>/dev/null || true)
    [ -n "$now" ] && [ -n "$previous" ] && [ -d "$versions/$previous" ] || die "There is no version before this one here."
    choose_parts
    stop_services
    if [ -n "$board" ]; then bring_that_record_back; fi
    use_version "$previous"
    : >"$versions/previous"
    install_units
    start_services || fail "The version before did not start."
    say "Back at $("$base/bin/probe-agent" --version)."
}

bring_that_record_back() {
    store=$(ask_settings "$versions/$now")
    kept=$(cat "$versions/$now/share/record-before" 2>/dev/null || true)
    if [ -n "$kept" ] && [ "$(schema_of "$base" "$store")" != "$(cat "$versions/$now/share/schema-before")" ]; then
        bring_record_back "$base" "$kept" || fail "The record of then could not be put in place. Nothing has changed."
        say "The record is the one from before the upgrade. What came since is kept beside it in $(dirname "$store")."
    fi
}

remove_bus() {
    config=$(boot_config)
    if [ -n "$config" ] && grep -qxF "$begin_mark" "$config"; then
        awk -v b="$begin_mark" -v e="$end_mark" '$0 == b { out = 1 } !out { print } $0 == e { out = 0 }' \
            "$config" >"$config.new"
        mv "$config.new" "$config"
    fi
}

remove_all() {
    choose_parts
    # shellcheck disable=SC2086
    if command -v systemctl >/dev/null; then
        stop_services
        systemctl disable $services >>"$log" 2>&1 || true
    fi
    for unit_file in $services; do rm -f "$units/$unit_file"; done
    rm -f /etc/udev/rules.d/60-probe-agent.rules /etc/systemd/system.conf.d/probe-agent-watchdog.conf \
        /usr/local/bin/probe-agent /usr/local/bin/probe-agent-web
    remove_bus
    if booted; then systemctl daemon-reload >>"$log" 2>&1 || true; fi
    rm -rf "$base" "$versions" "$runtime"
    if [ -z "$with_data" ]; then
        say "Removed. Record and settings stay in${board:+ $state, /etc/probe-agent}${club:+ $club_folder};" \
            "--remove --with-data deletes them."
        return
    fi
    rm -rf "$state" /etc/probe-agent "$club_folder" /usr/lib/sysusers.d/probe-agent*.conf
    for user in probe-agent-web probe-agent probe-agent-club; do userdel "$user" >>"$log" 2>&1 || true; done
    groupdel probe-agent >>"$log" 2>&1 || true
    say "Removed, with record and settings."
}

# A card that isn't this machine's: the same script, in there.
into_card() {
    card=$1
    shift
    [ -x "$card/bin/sh" ] && [ -f "$card/etc/debian_version" ] || die "$card holds no Debian."
    inside=/var/tmp/probe-agent-source
    rm -rf "$card$inside"
    mkdir -p "$card$inside"
    trap 'rm -rf "$card$inside"; [ -z "${proc-}" ] || umount "$card/proc"' EXIT
    (cd "$root" && cp -R deploy probe_agent web pyproject.toml README.md hardware.md "$card$inside/")
    if [ ! -e "$card/proc/self" ]; then mount -t proc proc "$card/proc" && proc=1; fi
    chroot "$card" sh "$inside/deploy/install.sh" --no-start "$@"
}

say() { printf '%s\n' "$*"; }

if [ "${1-}" = --root ]; then
    [ $# -ge 2 ] || die "--root needs the folder where the card is mounted."
    [ "$(id -u)" -eq 0 ] || die "This has to be done as root: sudo sh $0"
    shift
    into_card "$@"
    exit
fi
read_options "$@"
prepare
case $work in
    install) install_version ;;
    back) go_back ;;
    remove) remove_all ;;
esac
