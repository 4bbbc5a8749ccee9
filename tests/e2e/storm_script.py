"""Run by test_serve_storm in a network namespace of its own: storms on a daemon in a process of its own, over UDP and
TCP, and after each a third-party client uses it. Prints the results as JSON.

    python storm_script.py FOLDER INSTRUMENT
"""

from __future__ import annotations

import contextlib
import json
import queue
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from grammar import Grammar
from oscservice_process import DaemonProcess, running_daemon

from oscservice.osc.framing import counted, slip

LISTEN_PORT = 19301
STORM = 2000
AT_ONCE = 400
"""Packets sent from one source."""
PATIENCE_S = 30.0


def packets(seed: int) -> Iterator[bytes]:
    """A storm. The guitar is left alone: time that passes for it takes time here."""
    grammar, found = Grammar(seed), 0
    while found < STORM:
        packet = grammar.packet()
        if b"simulator" not in packet:
            found += 1
            yield packet


def over_udp(daemon: DaemonProcess, seed: int) -> int:
    """Send a storm over UDP, from new ports as they use up what one may send; gives how many packets were sent."""
    storm, asker = list(packets(seed)), daemon.client()
    for start in range(0, STORM, AT_ONCE):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for packet in storm[start : start + AT_ONCE]:
                sender.sendto(packet, ("127.0.0.1", daemon.port))
            for _ in range(AT_ONCE):  # each has its turn: for every ping answered, one of the storm's was carried out
                assert asker.ask("/ping") == ()
    asker.close()
    return 2 * len(storm)


def over_tcp(daemon: DaemonProcess, seed: int) -> int:
    """Send a storm over connections, SLIP and size-count in turn, and rubbish over others; gives the packets sent."""
    storm = [packet for packet in packets(seed) if packet and len(packet) % 4 == 0]
    for start in range(0, len(storm), AT_ONCE):
        framed = slip if start // AT_ONCE % 2 else counted
        _send(daemon.port, b"".join(map(framed, storm[start : start + AT_ONCE])))
        for first in (b"\xc0\xdb", b"\0\0\0\x07", b"\x7f\xff\xff\xfc", b"\0\0\xff\xfc", b"\xff", b""):
            _send(daemon.port, first + storm[start])
    return len(storm)


def _send(port: int, stream: bytes) -> None:
    """Send a stream over a connection of its own, and read what comes until the daemon has closed it."""
    with socket.create_connection(("127.0.0.1", port), PATIENCE_S) as connection, contextlib.suppress(ConnectionError):
        connection.sendall(stream)
        connection.shutdown(socket.SHUT_WR)
        while connection.recv(65536):
            pass


def resident_kb(pid: int) -> int:
    """Memory of a process that is not paged out."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    return int(next(line for line in lines if line.startswith("VmRSS:")).split()[1])


class Foreign:
    """liblo's oscsend and oscdump."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._dump = subprocess.Popen(
            ["oscdump", "-L", str(LISTEN_PORT)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        self._heard: queue.SimpleQueue[str] = queue.SimpleQueue()
        threading.Thread(target=self._listen, daemon=True).start()

    def send(self, *words: str) -> None:
        subprocess.run(["oscsend", "127.0.0.1", str(self._port), *words], check=True)

    def subscribe(self) -> None:
        """oscdump says nothing once it listens, so it is asked until it prints something."""
        for _ in range(100):
            self.send("/bench/subscribe", "i", str(LISTEN_PORT))
            with contextlib.suppress(queue.Empty):
                self._heard.put(self._heard.get(timeout=0.3))
                return
        raise AssertionError("oscdump hears nothing")

    def until(self, line: str) -> None:
        heard = [""]
        ends = time.monotonic() + PATIENCE_S  # the heartbeat alone would keep the wait going
        while heard[-1] != line:
            assert time.monotonic() < ends, (line, heard[-40:])
            with contextlib.suppress(queue.Empty):
                heard.append(self._heard.get(timeout=1.0))

    def _listen(self) -> None:
        assert self._dump.stdout is not None
        for line in self._dump.stdout:
            self._heard.put(line.split(" ", 1)[1].strip())

    def close(self) -> None:
        self._dump.terminate()
        self._dump.wait()


def main() -> None:
    """Storm, look, and drive."""
    folder, instrument = Path(sys.argv[1]), sys.argv[2]
    seen: dict[str, Any] = {"rss_kb": [], "sent": []}
    words = ("--source", "simulated", "--stepped", "--instrument", instrument)
    with running_daemon(folder / "j.sqlite3", *words) as daemon:
        foreign = Foreign(daemon.port)
        try:
            foreign.subscribe()
            for seed, storm in enumerate((over_udp, over_tcp) * 2):
                seen["sent"].append(storm(daemon, seed))
                seen["rss_kb"].append(resident_kb(daemon.process.pid))
                foreign.send("/bench/subscribe", "i", str(LISTEN_PORT))
                foreign.send("/bench/session/abandon")  # the storm may have been anywhere
                foreign.send("/bench/session/begin", "ss", instrument, "after a storm")
                foreign.until('/bench/prompt s "inspect"')
                foreign.send("/bench/session/inspect", "ss", "all", "passed")
                foreign.until('/bench/prompt s "pluck_open"')
                foreign.send("/bench/string/1/focus")
                foreign.until("/bench/focus/string i 1")
            asking = daemon.client()
            seen["status"] = asking.ask("/status")
            seen["ended"] = daemon.end()
        finally:
            foreign.close()
    print(json.dumps(seen))


if __name__ == "__main__":
    main()
