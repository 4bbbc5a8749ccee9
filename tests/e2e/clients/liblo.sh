#!/usr/bin/env bash
# liblo's oscsend and oscdump, which know one direction each: liblo.sh udp|tcp
#
# Over UDP the daemon is told where oscdump listens, and socat shows an answer to oscsend. Over TCP oscsend makes a
# connection for each message; socat holds one open and hands on to oscdump what comes over it.
set -euo pipefail
export LC_ALL=C
way=$1 listen=19330 packet=$(mktemp)
case $way in
    udp) daemon=osc.udp://127.0.0.1:9787 dumped=$listen ;;
    tcp) daemon=osc.tcp://127.0.0.1:9787 dumped=osc.tcp://:$listen ;;
esac
coproc DUMP { exec oscdump -L "$dumped"; }
trap 'rm "$packet"; kill $(jobs -p) 2>/dev/null' EXIT

say() { oscsend "$daemon" "/bench/$1" "${@:2}"; }

begin() { say session/begin ss two-strings "liblo $way"; }

framed() { # a packet and its size before it, for a stream
    oscsend - "/bench/$1" "${@:2}" >"$packet"
    printf "\\x00\\x00\\x00\\x$(printf %02x "$(stat -c %s "$packet")")"
    cat "$packet"
}

if [ "$way" = udp ]; then
    for _ in $(seq 50); do # oscdump does not say when it listens
        say subscribe i "$listen"
        read -r -t 0.1 -u "${DUMP[0]}" _ first && break
    done
    echo "$first"
    oscsend - /bench/status | socat -t1 -T0.2 - udp4:127.0.0.1:9787 | tr -cs '[:print:]' ' '
    echo
    begin
else
    { framed subscribe; framed status; exec sleep 20 2>/dev/null; } | socat - tcp4:127.0.0.1:9787 2>/dev/null |
        socat -u - tcp4:127.0.0.1:$listen,retry=50,interval=0.1 2>/dev/null &
fi

heard=
while read -r -t 20 -u "${DUMP[0]}" _ address tags value; do
    case $address in
        /bench/reply | /bench/error | /bench/phase | /bench/reading | /bench/string/2/cents) echo "$address $tags $value" ;;
    esac
    case $address$value in
        '/bench/reply"/bench/status"'*) begin ;;
        '/bench/phase"inspecting"') say session/inspect ss all passed ;;
        '/bench/phase"tuning"')
            say simulator/pluck isf 2 open 1
            say simulator/wait f 4
            ;;
        /bench/reading[0-9]*)
            heard=yes
            say session/abandon
            ;;
        '/bench/phase"closed"')
            [ -z "$heard" ] || break
            ;;
    esac
done
[ "$way" = tcp ] || say unsubscribe i "$listen"
