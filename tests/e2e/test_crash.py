"""A daemon that is killed outright, again and again, while a job is done: nothing that was announced is lost."""

from __future__ import annotations

import contextlib
import random
import re
import socket
import struct
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from pythonosc.osc_message import OscMessage
from served import Client, command, environment

from oscservice.daemon.telling import sentence
from oscservice.instrument.profile import load_instrument
from oscservice.record.journal import Journal
from oscservice.session import events as ev
from oscservice.session.evolve import evolve
from oscservice.session.judging import sharing
from oscservice.session.state import State
from oscservice.session.words import Phase, Status
from oscservice.simulate.technician import RehearsalError, Technician

INSTRUMENT = "six-string-648"
GUITAR = load_instrument(INSTRUMENT)
KILLS = 6
PATIENCE_S = 30.0

Message = tuple[str, tuple[Any, ...]]


@dataclass
class Child:
    """A daemon in a process of its own, and the lines it printed until it was ready."""

    process: subprocess.Popen[bytes]
    port: int
    lines: list[str]


@contextlib.contextmanager
def daemon(journal: Path, *words: str) -> Iterator[Child]:
    source = ("--source", "simulated", "--stepped", "--seed", "4", "--instrument", INSTRUMENT, "--tolerance", "1.0")
    process = subprocess.Popen(
        command("serve", "--port", "0", "--journal", journal, *source, *words),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(),
    )
    guard = threading.Timer(60, process.kill)  # a line that never comes ends the wait for it
    guard.start()
    try:
        lines: list[str] = []
        port = None
        assert process.stdout is not None
        while port is None:
            raw = process.stdout.readline()
            assert raw, (lines, process.communicate())
            lines.append(raw.decode().rstrip("\n"))
            port = re.search(r"listening for OSC on 127\.0\.0\.1 port (\d+),", lines[-1])
        yield Child(process, int(port[1]), lines)
    finally:
        guard.cancel()
        process.kill()
        process.communicate()


class Recorder:
    """A subscriber that keeps all it gets, in order."""

    def __init__(self, port: int) -> None:
        self.messages: list[Message] = []
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 * 1024 * 1024)
        self._socket.bind(("127.0.0.1", 0))
        self._socket.settimeout(0.2)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        client = Client(port)
        try:
            assert client.ask("/subscribe", self._socket.getsockname()[1])[0] > 60, "one lease lasts for this test"
        finally:
            client.close()
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
        """All that came, what was still under way included."""
        self._ended.set()
        self._thread.join()
        self._socket.close()
        return self.messages


@dataclass
class Told:
    """What the journal's events say should have been announced, and the state after each step by revision."""

    readings: list[tuple[Any, ...]] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    states: dict[int, State] = field(default_factory=lambda: {0: State()})
    state: State = field(default_factory=State)


def as_sent(value: float) -> float:
    """A number as 32-bit floating point carries it."""
    return float(struct.unpack(">f", struct.pack(">f", value))[0])


def told(path: Path) -> Told:
    """The journal's one session. Read only, as a report would read it."""
    found = Told()
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


def check_announced(messages: list[Message], journal: Told) -> None:
    """Everything that was announced stands in the journal: readings, lines, and phases at their revisions."""
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
    """All of ``announced`` stands in ``recorded``, in the same order."""
    rest = iter(recorded)
    missing = [item for item in announced if item not in rest]
    assert not missing, f"{len(missing)} of {len(announced)} announced are not recorded in order, first {missing[0]}"


class AtWork:
    """A technician in a thread of its own, who works until the daemon is gone."""

    def __init__(self, port: int, seed: int, state: State) -> None:
        self._technician = Technician("127.0.0.1", port, seed=seed)
        numbers = range(1, 7)
        self._technician.know_nominal({n: GUITAR.open_hz(n) for n in numbers})
        self._technician.know_bridge({n: tuple(sharing(GUITAR, n)) for n in numbers})
        self._technician.subscribe()
        self._begin = state.phase is Phase.IDLE
        self.fault: RehearsalError | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            if self._begin:
                self._technician.begin(INSTRUMENT, "a job with accidents (invented)", 1.0)
            self._technician.work()
        except RehearsalError as fault:
            self.fault = fault

    def stop(self) -> None:
        self._technician.stop()
        self._thread.join()
        self._technician.close()


def let_down_again(port: int, state: State) -> None:
    """The new simulated guitar stands at pitch: let down on it what is let down in the session."""
    client = Client(port)
    try:
        for number in state.numbers:
            if state.string(number).status is Status.SLACK:
                assert client.ask("/simulator/slacken", number) == ()
    finally:
        client.close()


@pytest.mark.parametrize("seed", [20261125])
def test_killed_at_any_moment_it_loses_nothing_that_was_announced(tmp_path: Path, seed: int) -> None:
    path, moment = tmp_path / "journal.sqlite3", random.Random(seed)
    state, session_id, seen = State(), "", 0
    for kill in range(KILLS):
        with daemon(path, "--resume") as child:
            recorder = Recorder(child.port)
            if session_id:
                assert child.lines[0] == f"session {session_id} taken up again; phase: {state.phase}"
                let_down_again(child.port, state)
            work = AtWork(child.port, seed + kill, state)
            # At least one reading, then anywhere in the work: between notes, in a note, in the middle of writing.
            deadline = time.monotonic() + PATIENCE_S
            while not any(address == "/reading" for address, _ in list(recorder.messages)):
                assert time.monotonic() < deadline, work.fault
                time.sleep(0.01)
            time.sleep(moment.uniform(0.1, 3.0))
            assert work.fault is None
            child.process.kill()
            child.process.wait()
            work.stop()
            messages = recorder.end()
        journal = told(path)
        check_announced(messages, journal)
        if session_id:
            start = dict(reversed([m for m in messages if m[0] in ("/session/id", "/phase", "/revision", "/prompt")]))
            assert start["/session/id"] == (session_id,)
            assert start["/phase"] == (str(state.phase),)
            assert start["/revision"] == (state.revision,)
        assert len(journal.readings) > seen, "work went on"
        state, seen = journal.state, len(journal.readings)
        with Journal.open(path, readonly=True) as book:
            (row,) = book.open_sessions()
            session_id = row.id

    # Without being told to resume, the daemon offers the session and takes it up when asked.
    with daemon(path) as child:
        client = Client(child.port)
        try:
            assert child.process.stdout is not None
            offer = child.process.stdout.readline().decode()
            assert offer.startswith(f"session {session_id} (a job with accidents (invented)) is still open")
            client.ask("/subscribe")
            client.until("/prompt")
            assert client.topics["/phase"] == ("idle",)
            assert client.topics["/session/offered"] == (session_id,)
            assert client.ask("/session/resume", session_id) == (session_id,)
            while client.topics["/prompt"] == ("begin",):
                client.next()
            assert client.topics["/phase"] == (str(state.phase),)
            assert client.topics["/revision"] == (state.revision,)
            assert client.topics["/session/id"] == (session_id,)
            assert client.topics["/session/offered"] == ("",)
            assert client.ask("/session/undo") == (), "steps from before the accidents can be taken back"
        finally:
            client.close()
