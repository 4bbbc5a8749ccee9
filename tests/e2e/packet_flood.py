"""A sender that floods a daemon, and a subscriber that notes when things arrive; for a test and a benchmark.

python packet_flood.py PORT RATE SECONDS      floods, and prints how many packets it sent and in how many seconds
"""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

from announced_messages import expected_messages
from oscservice_process import PATIENCE_S, Client, environment
from packets import STEPS_BACK, bundle, message

from oscservice.osc.packet import Decoded, decode, encode

PING = encode("/bench/ping")
MIXTURE = (
    *(PING, encode("/bench/status"), encode("/bench/nonsense", 1), encode("/bench/string/1/moved", "far")),
    *(message(b"/bench/{ping,version}", b""), bundle(PING, PING), STEPS_BACK, b"rubbish"),
)
_MORE_AT_ONCE = 64


def flood(port: int, rate_hz: float, seconds: float) -> tuple[int, float]:
    """Send a mixture of packets from one socket at a steady rate; gives how many were sent, and in what time."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.connect(("127.0.0.1", port))
        began = now = time.perf_counter()
        sent = 0
        while now - began < seconds:
            for _ in range(min(_MORE_AT_ONCE, int((now - began) * rate_hz) - sent)):
                sender.send(MIXTURE[sent % len(MIXTURE)])
                sent += 1
            time.sleep(0.0002)
            now = time.perf_counter()
        return sent, now - began


class Flood:
    """A flood from a process of its own."""

    def __init__(self, port: int, rate_hz: float, seconds: float) -> None:
        words = [sys.executable, str(Path(__file__)), str(port), str(rate_hz), str(seconds)]
        own = str(Path(__file__).parents[1])
        self._process = subprocess.Popen(words, stdout=subprocess.PIPE, env=environment(first_path=own))

    @property
    def running(self) -> bool:
        """Return whether it still floods."""
        return self._process.poll() is None

    def end(self) -> tuple[int, float]:
        """Wait until it ends; return the number of packets it sent, and the seconds."""
        out, _ = self._process.communicate(timeout=60)
        sent, seconds = out.split()
        return int(sent), float(seconds)


class Arrivals:
    """A subscriber that notes what comes and when, by a clock that all processes of this machine share."""

    def __init__(self, port: int) -> None:
        self.came: list[tuple[float, str, tuple[Decoded, ...]]] = []
        self._new = threading.Condition()
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 * 1024 * 1024)
        self._socket.bind(("127.0.0.1", 0))
        self._socket.settimeout(0.2)
        self._socket.sendto(encode("/bench/subscribe"), ("127.0.0.1", port))
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        self.next("/prompt", 0)

    def _run(self) -> None:
        while True:
            try:
                packet = self._socket.recv(65536)
            except TimeoutError:
                if self._ended.is_set():
                    return
                continue
            at = time.monotonic()
            message = decode(packet)[0].message
            with self._new:
                self.came.append((at, message.address.removeprefix("/bench"), message.args))
                self._new.notify_all()

    def next(self, address: str, start: int) -> float:
        """Return the time of the next message of an address, the ``start``-th of all messages or later."""
        found = self.within(PATIENCE_S, address, start)
        assert found, (address, start, self.came[start - 20 : start + 20])
        return found

    def within(self, seconds: float, address: str, start: int) -> float:
        """Return the same, or 0 if none comes in this time."""
        with self._new:
            return float(self._new.wait_for(lambda: self._first(address, start), seconds))

    def _first(self, address: str, start: int) -> float:
        return next((at for at, found, _ in self.came[start:] if found == address), 0.0)

    def of(self, address: str) -> list[tuple[float, tuple[Decoded, ...]]]:
        """Return the time of each message of an address, and its values."""
        return [(at, values) for at, found, values in self.came if found == address]

    def end(self) -> None:
        """Listen until nothing comes any more."""
        self._ended.set()
        self._thread.join()
        self._socket.close()


def readings_lost(journal: Path, arrivals: Arrivals) -> tuple[int, int]:
    """Return the number of readings in the journal, and of those that did not arrive unchanged."""
    recorded = expected_messages(journal).readings
    arrived = [(*values[:3], *values[5:9]) for _, values in arrivals.of("/reading")]
    rest = iter(arrived)
    return len(recorded), sum(reading not in rest for reading in recorded)


class Counted:
    """A client that counts its packets, and what the daemon has counted meanwhile."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._before = self._status()
        self.sent = 0

    def send(self, address: str, *values: float | str) -> None:
        """Send a message."""
        self.sent += 1
        self._client.send(address, *values)

    def ask(self, address: str, *values: float | str) -> tuple[object, ...]:
        """Send a message and wait for its answer."""
        self.sent += 1
        return self._client.ask(address, *values)

    def counted(self) -> dict[str, int]:
        """Return the daemon's counts since the start, including this request."""
        time.sleep(0.3)  # packets lost by the system are counted ten times a second
        self.sent += 1
        now = self._status()
        return {name: now[name] - self._before[name] for name in now}

    def _status(self) -> dict[str, int]:
        names = ("packets", "bad", "dropped", "refused", "unsent", "lost")
        return dict(zip(names, map(int, self._client.ask("/status")[4:10]), strict=True))


if __name__ == "__main__":
    print(*flood(int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])))
