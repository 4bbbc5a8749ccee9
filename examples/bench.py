"""Shows prompts and a meter in a terminal, and sends typed commands. Needs python-osc 1.9 or later.

    python3 bench.py [host [port]]

A typed line is a command and its arguments, for instance: session/begin six-string-648 "first set-up"
"""

import shlex
import sys
import threading

from pythonosc.udp_client import SimpleUDPClient

host = sys.argv[1] if len(sys.argv) > 1 else "127.0.0.1"
bench = SimpleUDPClient(host, int(sys.argv[2]) if len(sys.argv) > 2 else 9787)


def show(name: str, values: list) -> None:
    match name.split("/"):
        case ["prompt", "text" | "caution" as what] if values[0]:
            print(f"\n{'>' if what == 'text' else '!'} {values[0]}", flush=True)
        case ["string", string, "cents"]:
            at = round(min(25, max(-25, values[0]))) + 25
            print(f"\rstring {string} {values[0]:+7.1f} cents  {'-' * at}|{'-' * (50 - at)}", end="", flush=True)
        case ["reading" | "event" | "reply" | "error" as what]:
            print(f"\n{what}:", *values, flush=True)
        case ["alive"] if values[0] % 60 == 0:
            bench.send_message("/bench/ping", [])  # keeps the subscription


def listen() -> None:
    while True:  # the daemon may have started later, or again: subscribe again
        bench.send_message("/bench/subscribe", [])
        bench.send_message("/bench/status", [])
        for message in bench.get_messages(5):
            show(message.address.removeprefix("/bench/"), message.params)


def value(word: str) -> int | float | str:
    for kind in (int, float):
        try:
            return kind(word)
        except ValueError:
            pass
    return word


threading.Thread(target=listen, daemon=True).start()
for line in sys.stdin:
    if words := shlex.split(line):
        bench.send_message(f"/bench/{words[0]}", [value(word) for word in words[1:]])
bench.send_message("/bench/unsubscribe", [])
