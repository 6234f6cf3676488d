#!/bin/sh
# Makes all that a hub and its boards need of a broker, in folders ready to copy. Needs openssl only.
#
#     club.sh FOLDER SERVER[,OTHER...] BOARD...     whatever is not there yet; named boards are added
#     club.sh FOLDER circuit BOARD BOARD...         these share a circuit: the bridge of each hears the others
#     club.sh FOLDER reader NAME                    whatever else shows Homie devices: it reads all boards, writes nothing
#     club.sh FOLDER revoke NAME                    takes the certificate of a board or reader back
#
# SERVER: the name or IPv4 address by which boards reach the hub, with further ones after commas; bridges and the
# settings below use the first. BOARD: its broker.device. What is there already is left alone, edited or not.
#
#     FOLDER/keys       the authority and every key: keep it off every machine of these, best on a stick in a drawer
#     FOLDER/hub        for the hub: mosquitto's settings, access rules, certificates
#     FOLDER/page       for whoever shows all boards: the club page, what takes the history
#     FOLDER/BOARD      for that board: certificates, and settings for either way, direct or over a bridge
#     FOLDER/NAME       for that reader: certificates
#
# COPY in each says what goes where.
set -eu
umask 077

fail() { echo "$1" >&2; exit 1; }
usage="usage: club.sh FOLDER SERVER[,OTHER...] BOARD... | FOLDER circuit BOARD BOARD... | FOLDER reader NAME | FOLDER revoke NAME"
here=$(cd "$(dirname "$0")" && pwd -P)
[ $# -ge 3 ] || fail "$usage"
mkdir -p "$1/keys"
cd "$1"
shift

# put FILE: from standard input, where it isn't there yet
put() {
    if [ -e "$1" ]; then cat > /dev/null; else cat > "$1.new" && mv "$1.new" "$1" && echo "made: $1" >&2; fi
}

# give NAME FOLDER: the certificate of that name, and what it trusts
give() {
    mkdir -p "$2"
    cp keys/ca.pem "keys/$1.pem" "keys/$1.key" "$2/"
}

# words FILE: one of this folder's, with the names of board and hub in it
words() { sed -e "s/@BOARD@/$board/g" -e "s/@HUB@/$hub/g" "$here/$1"; }

make_hub() {
    give server hub/certs
    give lines hub/certs
    cp keys/revoked.pem hub/certs/
    for file in mosquitto.conf acl limits.conf lines.sh probe-agent-lines.service; do
        words "$file" | put "hub/$file"
    done
    put hub/COPY <<END
On the hub, in this folder, with mosquitto 2 (and mosquitto-clients, where boards come over bridges):

    sudo install -d -o mosquitto -m 700 /etc/mosquitto/certs
    sudo install -o mosquitto -m 600 certs/* /etc/mosquitto/certs/
    sudo install -o mosquitto -m 600 acl /etc/mosquitto/acl
    sudo install -m 644 mosquitto.conf /etc/mosquitto/conf.d/hub.conf
    sudo install -D -m 644 limits.conf /etc/systemd/system/mosquitto.service.d/limits.conf
    sudo systemctl daemon-reload
    sudo systemctl restart mosquitto

and where boards come over bridges:

    sudo install -m 755 lines.sh /etc/mosquitto/lines.sh
    sudo install -m 644 probe-agent-lines.service /etc/systemd/system/
    sudo systemctl enable --now probe-agent-lines

After "club.sh FOLDER revoke BOARD" copy certs/revoked.pem again and restart mosquitto: it reads the list at its
start, and a connection that stands is ended only so.
END
}

make_page() {
    give hub page
    put page/broker.toml << END
[broker]
host = "$hub"
port = 8883
tls = true
ca_file = "/etc/probe-agent-club/ca.pem"
cert_file = "/etc/probe-agent-club/hub.pem"
key_file = "/etc/probe-agent-club/hub.key"
END
    put page/COPY << END
This certificate sees every board and writes nothing but what has arrived. For the club's page, on the machine where
"install.sh --club" has put it, in this folder:

    sudo install -o root -g probe-agent-club -m 644 ca.pem hub.pem /etc/probe-agent-club/
    sudo install -o probe-agent-club -g probe-agent-club -m 600 hub.key /etc/probe-agent-club/

and the lines of broker.toml into /etc/probe-agent-club/club.toml, in place of its [broker]. Then: sudo systemctl
restart probe-agent-club. What takes the history has a folder and a user of its own: /etc/probe-agent-history.
END
}

make_board() {
    give "$board" "$board"
    put "$board/direct.toml" << END
[broker]
host = "$hub"
port = 8883
tls = true
ca_file = "/etc/probe-agent/ca.pem"
cert_file = "/etc/probe-agent/$board.pem"
key_file = "/etc/probe-agent/$board.key"
device = "$board"
END
    put "$board/bridged.toml" << END
[broker]
host = "127.0.0.1"
port = 1883
device = "$board"
END
    words bridge.conf | put "$board/bridge.conf"
    put "$board/COPY" << END
For board $board, one of two ways. In this folder:

1. Direct: the daemon speaks to the hub itself. Simplest, where this board has no plug and no probes on a broker.

    sudo install -o root -g probe-agent -m 644 ca.pem $board.pem /etc/probe-agent/
    sudo install -o probe-agent -g probe-agent -m 600 $board.key /etc/probe-agent/

   and the lines of direct.toml into /etc/probe-agent/settings.toml.

2. Over a bridge: the board has a mosquitto 2 of its own, which goes on without the hub. A plug must never hang on
   a broker far away, so a board with one takes this way.

    sudo install -d -o mosquitto -m 700 /etc/mosquitto/certs
    sudo install -o mosquitto -m 600 ca.pem $board.pem $board.key /etc/mosquitto/certs/
    sudo install -m 644 bridge.conf /etc/mosquitto/conf.d/bridge.conf
    sudo systemctl restart mosquitto

   and the lines of bridged.toml into /etc/probe-agent/settings.toml.

Then: sudo systemctl restart probe-agent, and sudo probe-agent check. Delete this folder on the board afterwards.
END
}

if [ "$1" = revoke ]; then
    [ $# -eq 2 ] || fail "$usage"
    sh "$here/certificates.sh" keys revoke "$2"
    [ ! -d hub/certs ] || cp keys/revoked.pem hub/certs/
    [ ! -e "$2/bridge.conf" ] || rm -r -- "./$2"
    exit
fi

# A name that the rules know is no board's, and a board's is no reader's.
is_named() { grep -qx "user $1" hub/acl 2> /dev/null; }

if [ "$1" = reader ]; then
    [ $# -eq 2 ] || fail "$usage"
    [ -e hub/acl ] && [ -e keys/server.pem ] || fail "There is no hub in this folder yet, or its keys are elsewhere."
    case $2 in hub | page | keys | lines) fail "$2: this name is taken; give the reader another." ;; esac
    [ ! -e "$2/bridge.conf" ] || fail "$2 is a board; give the reader another name."
    [ -e "$2" ] || ! is_named "$2" || fail "$2: this name is taken; give the reader another."
    sh "$here/certificates.sh" keys - "$2"
    give "$2" "$2"
    is_named "$2" || printf '%s\n' "" "# Reads what boards tell by Homie; writes nothing, nor as a board of its name." "user $2" \
        "topic deny homie/5/$2/#" "topic deny probe-agent/$2/#" "topic deny plug/$2/#" \
        "topic read homie/5/#" >> hub/acl
    echo "Copy hub/acl to the hub again and restart mosquitto; $2/ca.pem, $2.pem and $2.key to the reader." >&2
    exit
fi

if [ "$1" = circuit ]; then
    shift
    for board in "$@"; do
        [ -e "$board/bridge.conf" ] || fail "There is no board $board in this folder yet."
    done
    for board in "$@"; do
        for other in "$@"; do
            line="topic probe-agent/$other/circuit in 1"
            [ "$other" = "$board" ] || grep -qxF "$line" "$board/bridge.conf" || echo "$line" >> "$board/bridge.conf"
        done
    done
    echo "Copy bridge.conf to each of them again." >&2
    exit
fi

servers=$1 hub=${1%%,*} board=
shift
case $hub in *[!A-Za-z0-9.-]* | "") fail "$hub: the first server has to be a name or an IPv4 address." ;; esac
for board in "$@"; do
    case $board in hub | page | keys | lines) fail "$board: this name is taken; give the board another." ;; esac
    ! is_named "$board" || fail "$board: this name is taken by a reader; give the board another."
done
sh "$here/certificates.sh" keys "$servers" lines "$@"
make_hub
make_page
for board in "$@"; do
    make_board
done
