"""The messages that a subscriber received from a daemon, compared with the daemon's journal after its end."""

from __future__ import annotations

import re
import socket
import struct
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from oscservice_process import PATIENCE_S
from pythonosc.osc_message import OscMessage

from oscservice.api.event_text import sentence
from oscservice.osc.packet import encode
from oscservice.record.journal import Journal
from oscservice.session import events as ev
from oscservice.session.evolve import evolve
from oscservice.session.state import State

Message = tuple[str, tuple[Any, ...]]


class MessageRecorder:
    """A subscriber that keeps all messages in order."""

    def __init__(self, port: int) -> None:
        self.messages: list[Message] = []
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 * 1024 * 1024)
        self._socket.bind(("127.0.0.1", 0))
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._socket.settimeout(PATIENCE_S)
        self._socket.sendto(encode("/bench/subscribe"), ("127.0.0.1", port))
        answer = OscMessage(self._socket.recv(65536)).params
        assert (answer[0], answer[1] > 60) == ("/bench/subscribe", True), "one lease lasts for this test"
        self._socket.settimeout(0.2)
        self._thread.start()

    def _run(self) -> None:
        while True:
            try:
                message = OscMessage(self._socket.recv(65536))
            except TimeoutError:
                if self._ended.is_set():
                    return
                continue
            self.messages.append((message.address.removeprefix("/bench"), tuple(message.params)))

    def end(self) -> list[Message]:
        """Return all messages, including those still on their way."""
        self._ended.set()
        self._thread.join()
        self._socket.close()
        return self.messages


@dataclass
class ExpectedMessages:
    """The messages that follow from the journal's events, and the state after each step by revision."""

    readings: list[tuple[Any, ...]] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    states: dict[int, State] = field(default_factory=lambda: {0: State()})
    state: State = field(default_factory=State)


def as_sent(value: float) -> float:
    """Return a number rounded to 32-bit floating point."""
    return float(struct.unpack(">f", struct.pack(">f", value))[0])


def expected_messages(path: Path) -> ExpectedMessages:
    """Return the messages expected from the journal's one session, which is only read."""
    found = ExpectedMessages()
    with Journal.open(path, readonly=True) as journal:
        (row,) = journal.sessions()
        for _, _, kind, body in journal.events(row.id):
            event = ev.from_body(kind, body)
            found.state = evolve(found.state, event)
            found.states[found.state.revision] = found.state  # of several with one revision the last one stays
            if isinstance(event, ev.ReadingTaken):
                place, _, fret = event.place.partition(" ")
                numbers = (event.f1_hz, event.cents, event.se_cents, event.level_dbfs)
                found.readings.append((event.string, place, int(fret or 0), *map(as_sent, numbers)))
            line = sentence(event)
            if line is not None:
                found.lines.append(line)
    return found


def check_announced(messages: list[Message], journal: ExpectedMessages) -> None:
    """Check that all announced readings, lines, and phases at their revisions are in the journal."""
    readings = [(*v[:3], *v[5:]) for address, v in messages if address == "/reading"]
    assert readings
    assert_in_order(readings, journal.readings)
    assert_in_order([v[0] for address, v in messages if address == "/event"], journal.lines)
    revision, phases = 0, 0
    for address, values in messages:
        if address == "/revision":
            assert revision <= values[0] <= journal.state.revision
            revision = values[0]
        elif address == "/phase":
            assert values[0] == journal.states[revision].phase
            phases += 1
        elif match := re.fullmatch(r"/string/(\d)/status", address):
            assert values[0] == journal.states[revision].string(int(match[1])).status
    assert phases


def assert_in_order(announced: list[Any], recorded: list[Any]) -> None:
    """Check that all of ``announced`` is in ``recorded``, in the same order."""
    rest = iter(recorded)
    missing = [item for item in announced if item not in rest]
    assert not missing, f"{len(missing)} of {len(announced)} announced are not recorded in order, first {missing[0]}"
