#!/usr/bin/env bash
# Takes a session from idle to closed with liblo's oscsend and oscdump, and nothing else that knows OSC.
#
#   foreign_technician.sh PORT LISTEN_PORT INSTRUMENT
#
# The daemon must run with `--source simulated --stepped`. Prints each phase and status that it is told, then what the
# guitar itself says about each string: open frequency in Hz and error at fret 12 in cents. Ends with 3 when the daemon
# stays silent.
set -euo pipefail
export LC_ALL=C
port=$1 listen=$2 instrument=$3

say() { oscsend 127.0.0.1 "$port" "/bench$1" "${@:2}"; }

coproc DUMP { exec oscdump -L "$listen"; }
dump=$DUMP_PID
trap 'kill "$dump" 2>/dev/null || true' EXIT
declare -A topic

# One printed line: time tag, address, type tags, values. A text stands in quotes.
hear() {
    local address tags value
    read -r -t "$1" -u "${DUMP[0]}" _ address tags value || return 1
    value=${value#\"} value=${value%\"}
    case $address in
        /bench/phase) echo "phase $value" ;;
        /bench/string/*/status) echo "status ${address:14:1} $value" ;;
        /bench/event) echo "event $value" ;;
        /bench/error) echo "error $value" ;;
    esac
    topic[$address]=$value
}

hear_until() {
    topic[$1]=none
    while [ "${topic[$1]}" = none ] || { [ $# -gt 1 ] && [ "${topic[$1]}" != "$2" ]; }; do
        hear 20 || exit 3
    done
}

pass() { # seconds
    say /simulator/wait f "$1"
    hear_until /bench/simulator/done
}

pluck() { # string, place
    say /simulator/pluck isf "$1" "$2" 1.0
    pass 2.4
    say /simulator/damp
    pass 0.25
}

truth() { # string; oscsend never sees a reply, so socat carries the packet, and the two floats stand at the reply's end
    oscsend - /bench/simulator/truth i "$1" | socat -t0.3 - "udp4:127.0.0.1:$port" | tail -c 8 |
        od -An -v -t f4 --endian=big
}

# A saddle moved under a string at pitch takes it far off, and so does slackening: wind it to where it was.
bring_up() { # string, Hz
    local open_hz cents
    for _ in 1 2 3 4 5 6 7 8; do
        read -r open_hz _ < <(truth "$1")
        cents=$(awk -v now="$open_hz" -v was="$2" 'BEGIN {
            cents = 1200 * log(was / now) / log(2)
            if (cents > 1500) cents = 1500
            printf "%.1f", cents
        }')
        case $cents in ? | ?.? | -?.? | ??.? | -??.?) return ;; esac
        say /simulator/peg if "$1" "$cents"
    done
}


# oscdump does not say when it listens, so ask until it prints something.
for _ in $(seq 100); do
    say /subscribe i "$listen"
    if hear 0.2; then break; fi
done
[ -n "${topic[/bench/prompt]-}" ] || hear_until /bench/prompt
echo "prompt ${topic[/bench/prompt]}"

say /session/begin ssf "$instrument" "driven from outside" 2.0
hear_until /bench/prompt inspect
for address in "${!topic[@]}"; do
    case $address in
        /bench/inspect/nut) say /session/inspect sss nut waived "invented guitar" ;;
        /bench/inspect/*) say /session/inspect ss "${address##*/}" passed ;;
    esac
done
hear_until /bench/prompt pluck_open

slack=
for ((step = 0; step < 300; step++)); do
    string=${topic[/bench/focus/string]}
    case ${topic[/bench/prompt]} in
        pluck_open | pluck_again) pluck "$string" open ;;
        bring_up)
            bring_up "$string" "$was_hz"
            pluck "$string" open
            ;;
        pluck_fretted) pluck "$string" "fret ${topic[/bench/focus/fret]}" ;;
        pluck_harmonic) pluck "$string" harmonic ;;
        pluck_softer | pluck_harder)
            case ${topic[/bench/focus/place]} in
                fret) pluck "$string" "fret ${topic[/bench/focus/fret]}" ;;
                *) pluck "$string" "${topic[/bench/focus/place]}" ;;
            esac
            ;;
        tune_up | tune_down)
            open=${topic[/bench/string/$string/open/cents]} target=${topic[/bench/string/$string/tune/target]}
            say /simulator/peg if "$string" "$(awk -v open="$open" -v target="$target" 'BEGIN {print target - open}')"
            pluck "$string" open
            ;;
        check_action) pluck "$string" open ;;
        slacken | let_down)
            if [ "$slack" = "$string" ]; then # let down to about another string's pitch: it can't be told by ear
                say /string/"$string"/slackened
                hear_until /bench/prompt
            else
                read -r was_hz _ < <(truth "$string")
                if [ "${topic[/bench/prompt]}" = slacken ]; then
                    say /simulator/slacken i "$string"
                else
                    say /simulator/peg if "$string" -200.0
                fi
                slack=$string
                pluck "$string" open
            fi
            ;;
        shift_saddle | turn_screw)
            [ "$slack" = "$string" ] || read -r was_hz _ < <(truth "$string")
            slack=
            say /simulator/saddle if "$string" "${topic[/bench/string/$string/saddle/move]}"
            bring_up "$string" "$was_hz"
            pluck "$string" open
            ;;
        hand_over | hand_over_partly)
            for ((n = 1; ; n++)); do
                [ -n "${topic[/bench/string/$n/status]-}" ] || exit 0
                read -r open_hz error_cents < <(truth "$n")
                echo "truth $n $open_hz $error_cents"
            done
            ;;
        *)
            echo "no hand knows what to do at ${topic[/bench/prompt]}"
            exit 2
            ;;
    esac
done
echo "no end in $step steps"
exit 1
