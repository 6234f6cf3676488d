#!/bin/sh
# Makes an authority of your own, and certificates for the broker, the hub's page and boards. Needs openssl only.
#
#     certificates.sh FOLDER SERVER[,OTHER...] [NAME...]     whatever is not there yet
#     certificates.sh FOLDER revoke NAME                     takes one back
#
# SERVER: the name or address by which boards reach the broker, with further ones after commas. NAME: a board's
# broker.device, the certificate's owner at the broker; "hub" is always made. Run again, it leaves what is there
# alone, so a further board is added by naming it.
#
# In FOLDER: ca.pem to everybody; server.pem, server.key, revoked.pem to the broker; NAME.pem, NAME.key to that
# board alone. ca.key makes further certificates: keep it off the broker, best on a stick in a drawer.
# A certificate holds for ten years (DAYS in the environment: for so many days), the authority for twenty.
set -eu
umask 077

fail() { echo "$1" >&2; exit 1; }

[ $# -ge 2 ] || fail "usage: certificates.sh FOLDER SERVER[,OTHER...] [NAME...] | FOLDER revoke NAME"
folder=$1
shift
mkdir -p "$folder"
cd "$folder"

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
: > "$work/index"
: > "$work/none.cnf"
[ -e index ] || : > index
[ -e crlnumber ] || echo 01 > crlnumber

cat > "$work/ca.cnf" <<END
[ca]
default_ca = own
[own]
database = index
crlnumber = crlnumber
certificate = ca.pem
private_key = ca.key
default_md = sha256
default_crl_days = 7300
END

key() { openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:prime256v1 -out "$1" 2> "$work/said" ||
    fail "$(cat "$work/said")"; }

authority() {
    [ ! -e ca.key ] || return 0
    [ ! -e ca.pem ] || fail "ca.pem is there without ca.key. Put the key beside it for as long as this runs."
    key ca.key
    openssl req -config "$work/none.cnf" -x509 -new -key ca.key -sha256 -days 7300 -out ca.pem \
        -subj "/CN=probe-agent authority" -addext "basicConstraints = critical, CA:true, pathlen:0" \
        -addext "keyUsage = critical, keyCertSign, cRLSign" -addext "subjectKeyIdentifier = hash"
    list
    chmod 644 ca.pem
}

list() {
    openssl ca -config "$work/ca.cnf" -gencrl -out revoked.pem 2> "$work/said" || fail "$(cat "$work/said")"
    chmod 644 revoked.pem
}

# certificate FILE NAME USAGE [SUBJECT-ALT-NAMES]
certificate() {
    [ ! -e "$1.pem" ] || return 0
    key "$1.key"
    {
        echo "basicConstraints = critical, CA:false"
        echo "keyUsage = critical, digitalSignature"
        echo "extendedKeyUsage = $3"
        [ $# -lt 4 ] || echo "subjectAltName = $4"
    } > "$work/extensions"
    openssl req -config "$work/none.cnf" -new -key "$1.key" -subj "/CN=$2" -out "$work/request"
    openssl x509 -req -in "$work/request" -CA ca.pem -CAkey ca.key -set_serial "0x$(openssl rand -hex 16)" -sha256 \
        -days "${DAYS:-3650}" -extfile "$work/extensions" -out "$1.pem" 2> "$work/said" || fail "$(cat "$work/said")"
    chmod 644 "$1.pem"
    echo "made: $1.pem, $1.key" >&2
}

# Addresses and names as a certificate lists them.
alternatives() {
    echo "$1" | tr ',' '\n' | while read -r name; do
        case $name in
            *[!0-9.]*) case $name in *:*) echo "IP:$name" ;; *) echo "DNS:$name" ;; esac ;;
            *) echo "IP:$name" ;;
        esac
    done | paste -sd, -
}

if [ "$1" = revoke ]; then
    [ $# -eq 2 ] || fail "usage: certificates.sh FOLDER revoke NAME"
    [ -e "$2.pem" ] || fail "There is no certificate $2.pem in $folder."
    openssl ca -config "$work/ca.cnf" -revoke "$2.pem" 2> "$work/said" || fail "$(cat "$work/said")"
    list
    mv "$2.pem" "$2.revoked.pem"
    rm -f "$2.key"
    echo "Taken back: $2. Give the new revoked.pem to the broker and send it HUP, or start it anew." >&2
    exit
fi

servers=$1
shift
for name in "$@"; do
    case $name in
        *[!a-z0-9-]* | -* | *- | ca | server | revoke | revoked | "")
            fail "$name: a name has a-z, 0-9 and inner hyphens, as broker.device has." ;;
    esac
done
authority
certificate server "${servers%%,*}" serverAuth "$(alternatives "$servers")"
for name in hub "$@"; do
    certificate "$name" "$name" clientAuth
done
