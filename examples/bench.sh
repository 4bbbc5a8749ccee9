#!/bin/bash
# Shows prompts and a meter in a shell, with liblo's tools (Debian: liblo-tools), and sends typed commands.
#
#   bash bench.sh [port [listen-port]]
#
# A typed line is a command, the types of its arguments, and the arguments: session/begin ss six-string-648 "first set-up"
# One command alone, from a script or a key: oscsend 127.0.0.1 9787 /bench/session/undo
# oscsend receives no answer: a refused command has no visible effect.
port=${1:-9787} listen=${2:-9000}
export LC_ALL=C # numbers with a decimal point

show() {
    while read -r _ address _ value; do
        case $address in
            /bench/prompt/text) echo "> $value" ;;
            /bench/prompt/caution) [ "$value" = '""' ] || echo "! $value" ;;
            /bench/string/*/cents) echo "string ${address:14:-6} $value cents" ;;
            /bench/reading | /bench/event | /bench/alive) echo "${address#/bench/}: $value" ;;
        esac
    done
}

oscdump -L "$listen" > >(show) &
trap "kill $!; oscsend 127.0.0.1 $port /bench/unsubscribe i $listen" EXIT
sleep 0.5 # until it listens
subscribed=
while :; do
    if [ -z "$subscribed" ] || ((SECONDS - subscribed >= 50)); then # a subscription lasts two minutes
        oscsend 127.0.0.1 "$port" /bench/subscribe i "$listen"
        subscribed=$SECONDS
    fi
    if read -r -t 50 command arguments; then
        xargs oscsend 127.0.0.1 "$port" "/bench/$command" <<<"$arguments"
    elif (($? <= 128)); then
        break # end of input
    fi
done
