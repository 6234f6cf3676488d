#!/bin/sh
# On the hub, needed only where boards come over bridges: says Homie's `lost` of a board whose line has broken.
#
#     lines.sh FOLDER HUB [PORT]     FOLDER has ca.pem, lines.pem and lines.key; HUB: a name in the hub's certificate
#
# A board's will lies with its own broker, which can say nothing while the line is down. Its bridge leaves
# probe-agent/<board>/line = 0 at the hub instead. Ends when the hub ends; started again by probe-agent-lines.service.
# Needs mosquitto_sub and mosquitto_pub.
set -eu
[ $# -ge 2 ] || { echo "usage: lines.sh FOLDER HUB [PORT]" >&2; exit 1; }
at() { "$@" -V mqttv5 -h "$hub" -p "$port" --cafile "$folder/ca.pem" --cert "$folder/lines.pem" --key "$folder/lines.key"; }
folder=$1 hub=$2 port=${3:-8883}

at mosquitto_sub -q 1 -t 'probe-agent/+/line' -F '%t %p' | while read -r topic line; do
    [ "$line" = 0 ] || continue
    # After a restart of the hub many come at once, and boards may be back before their turn is.
    now=$(at mosquitto_sub -C 1 -W 5 -q 1 -t "$topic" </dev/null) || now=unknown
    [ "$now" != 1 ] || continue
    device=${topic#probe-agent/}
    device=${device%/line}
    at mosquitto_pub -q 1 -r -t "homie/5/$device/\$state" -m lost </dev/null || echo "$device: not said" >&2
    echo "$device: the line has broken" >&2
done
