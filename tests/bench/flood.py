"""Benchmark: one sender floods a daemon at 20,000 messages a second for ten seconds while a session runs.

    python tests/bench/flood.py [RATE [SECONDS]]

Two rehearsals, each with a daemon in a process of its own. In the first the guitar is heard as fast as the machine can,
and a simulated technician does what the prompts say; how long a prompt takes from being announced to its subscriber. In
the second time is real, the guitar is plucked every other second, and another client changes the prompt again and
again; how long that takes from being sent. No reading may be lost, 99 of 100 prompts must come within 100 ms, and what
was dropped must stand in ``/bench/status``.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))

from oscservice_process import Client, environment
from packet_flood import Arrivals, Counted, Flood, readings_lost

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.instrument.instrument_file import load_instrument
from oscservice.simulate.technician import RehearsalError, Technician

MOST_MS = 100.0
INSTRUMENT = "six-string-648"
PLUCK_EVERY_S = 2.0


def daemon(log: Path, words: list[str]) -> None:
    """The command line with these words, and in ``log`` when each prompt was announced."""
    from oscservice.cli import main as command_line
    from oscservice.osc.server import OscServer

    announced: list[float] = []
    publish = OscServer.publish

    def noted(server: OscServer, values: Any) -> None:
        if "/prompt" in values:
            announced.append(time.monotonic())
        publish(server, values)

    OscServer.publish = noted  # type: ignore[method-assign]
    atexit.register(lambda: log.write_text(json.dumps(announced), encoding="utf-8"))
    sys.argv = ["oscservice", *words]
    command_line()


@contextlib.contextmanager
def served(folder: Path, *words: str) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """A daemon with the simulated guitar in a process of its own, and its port."""
    line = [
        sys.executable,
        str(Path(__file__).resolve()),
        "daemon",
        str(folder / "announced.json"),
        "serve",
        "--port",
        "0",
    ]
    line += ["--journal", str(folder / "j.sqlite3"), "--source", "simulated", "--instrument", INSTRUMENT, *words]
    process = subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment())
    try:
        assert process.stdout is not None
        found = re.search(r" port (\d+),", process.stdout.readline().decode())
        assert found is not None
        threading.Thread(target=process.stdout.read, daemon=True).start()
        yield process, int(found[1])
    finally:
        process.kill()
        process.wait()


def quantiles(what: str, took_s: list[float]) -> bool:
    """Print how long something took; whether 99 of 100 were too slow."""
    ms = np.array(took_s) * 1000.0
    print(f"{what}, ms: {len(ms)} times; 50 % {np.quantile(ms, 0.5):.1f}, 99 % {np.quantile(ms, 0.99):.1f}, ", end="")
    print(f"worst {ms.max():.1f}")
    return bool(np.quantile(ms, 0.99) > MOST_MS)


def technician(folder: Path, rate_hz: float, seconds: float) -> bool:
    """The simulated technician works while the flood lasts; whether something was lost or late."""
    guitar = load_instrument(INSTRUMENT)
    numbers = range(1, len(guitar.strings) + 1)
    with served(folder, "--stepped", "--seed", "4") as (process, port):
        arrivals = Arrivals(port)
        hands = Technician("127.0.0.1", port, seed=1)
        hands.know_nominal({n: guitar.open_hz(n) for n in numbers})
        hands.know_bridge({n: tuple(strings_moved_together(guitar, n)) for n in numbers})
        hands.subscribe()
        faults: list[str] = []

        def work() -> None:
            try:
                hands.begin(INSTRUMENT, "a job in a flood (invented)", 1.0)
                hands.work()
            except RehearsalError as fault:
                faults.append(str(fault))

        working = threading.Thread(target=work, daemon=True)
        working.start()
        arrivals.next("/reading", 0)
        began, before = time.monotonic(), len(arrivals.of("/reading"))
        sent, took_s = Flood(port, rate_hz, seconds).end()
        ended, during = time.monotonic(), len(arrivals.of("/reading")) - before
        stopped_before = faults[:]
        hands.stop()
        working.join()
        process.send_signal(signal.SIGTERM)
        process.wait()
        arrivals.end()
    announced = json.loads((folder / "announced.json").read_text(encoding="utf-8"))
    came = [at for at, _ in arrivals.of("/prompt")][1:]  # the first is the state's
    pairs = list(zip(announced, came, strict=False))
    recorded, lost = readings_lost(folder / "j.sqlite3", arrivals)
    print(f"a technician at work: {sent} packets in {took_s:.1f} s ({sent / took_s:.0f} a second); {during} readings")
    print(f"readings recorded {recorded}, lost {lost}; prompts announced {len(announced)}, arrived {len(came)}")
    late = quantiles("from announced to arrived", [b - a for a, b in pairs if began <= a <= ended])
    if stopped_before:
        print(f"the technician stopped: {stopped_before[0]}")
    return late or bool(lost or stopped_before) or len(came) != len(announced)


def real_time(folder: Path, rate_hz: float, seconds: float) -> bool:
    """Time is real, and a client changes the prompt all the while; whether something was lost, late or miscounted."""
    with served(folder) as (process, port):
        arrivals = Arrivals(port)
        plain = Client(port)
        for address, *values in (("begin", INSTRUMENT, "in a flood", 2.0), ("inspect", "all", "passed")):
            plain.ask(f"/session/{address}", *values)
        client = Counted(plain)
        flood = Flood(port, rate_hz, seconds)
        took_s: list[float] = []
        step = overtaken = 0
        plucked = time.monotonic()
        while flood.running:
            if time.monotonic() - plucked > PLUCK_EVERY_S:
                plucked = time.monotonic()
                client.ask("/simulator/pluck", step % 6 + 1, "open")
            # Another string than the one in focus, which goes on by itself: else the prompt would not change.
            in_focus = int(str(arrivals.of("/focus/string")[-1][1][0]))
            start, at = len(arrivals.came), time.monotonic()
            client.send(f"/string/{in_focus % 6 + 1}/focus")
            came = arrivals.within(1.0, "/prompt/text", start)
            if not came:  # a reading at the same moment took the session on to where the prompt was
                overtaken += 1
                arrivals.next("/reading", start)
            else:
                took_s.append(came - at)
            step += 1
            time.sleep(0.02)
        sent, lasted_s = flood.end()
        counts = client.counted()
        plain.close()
        process.send_signal(signal.SIGTERM)
        process.wait()
        arrivals.end()
    recorded, lost = readings_lost(folder / "j.sqlite3", arrivals)
    dropped_frames = max(int(str(values[0])) for _, values in arrivals.of("/audio/dropped"))
    missing = sent + client.sent - counts["packets"] - counts["lost"]
    print(f"in real time: {sent} packets in {lasted_s:.1f} s ({sent / lasted_s:.0f} a second)")
    print(f"readings recorded {recorded}, lost {lost}; frames of sound lost {dropped_frames}")
    print(f"the daemon counted {counts}; {missing} missing")
    print(f"prompts that a reading overtook: {overtaken}")
    late = quantiles("from sent to the new prompt", took_s)
    return late or bool(lost or dropped_frames or missing)


def main() -> int:
    """Both rehearsals; 1 if something was lost or late."""
    if sys.argv[1:2] == ["daemon"]:
        daemon(Path(sys.argv[2]), sys.argv[3:])
        return 0
    rate_hz, seconds = (*map(float, sys.argv[1:3]), *(20_000.0, 10.0)[len(sys.argv[1:3]) :])
    wrong = False
    for rehearsal in (technician, real_time):
        with tempfile.TemporaryDirectory() as folder:
            wrong |= rehearsal(Path(folder), rate_hz, seconds)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
