"""A daemon killed at a hundred random moments of rehearsals loses nothing that was announced.

Each daemon is a process of its own (`forked_daemons`). The guitar outlives them all. One technician continues where the
last daemon stopped, as a person would. A kill follows a random number of packets and a random part of a second: before
a commit, during it, between commit and announcement, and after it.
"""

from __future__ import annotations

import os
import random
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import forked_daemons
import pytest
from announced_messages import Message, as_sent, assert_in_order
from oscservice_process import environment
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder
from small_instruments import SCREWS, STRINGS, THIRD, instrument_file

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.api.event_text import sentence
from oscservice.api.topics import topics
from oscservice.instrument.instrument_file import load_instrument
from oscservice.record.event_chain import edited
from oscservice.record.journal import Journal
from oscservice.record.session_files import SessionFiles
from oscservice.session import events as ev
from oscservice.session.evolve import evolve
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase
from oscservice.simulate.technician import RehearsalError, Technician

pytestmark = pytest.mark.slow

RATE_HZ = 16000
KILLS = 100
PATIENCE_S = 30.0


class RepluckingTechnician(Technician):
    """A technician who remembers the actions begun under earlier daemons, and does none of them twice.

    The last readings of a killed daemon are unknown. Where a peg was turned, the string is plucked first.
    """

    begun: set[tuple[object, ...]]

    def _step(self, code: str, string: int) -> None:
        if code in ("tune_up", "tune_down"):
            turn = ("peg", string, self._topics["/revision"][0])
            if turn in self.begun:
                self._pluck(string, "open", 1.3)
                return
            self.begun.add(turn)
        super()._step(code, string)

    def _move_saddle(self, string: int) -> None:
        root = f"/string/{string}/saddle"
        move = ("saddle", string, *(self._topics[f"{root}/{what}"][0] for what in ("move", "moved")))
        if move not in self.begun:
            self.begun.add(move)
            super()._move_saddle(string)


class AtWork:
    """A technician in a thread, who works until the daemon has ended or the session is done."""

    def __init__(self, port: int, instrument: str, seed: int, begun: set[tuple[object, ...]]) -> None:
        self._hands = RepluckingTechnician("127.0.0.1", port, seed=seed)
        self._hands.begun = begun
        self._instrument = instrument
        guitar = load_instrument(instrument)
        numbers = range(1, len(guitar.strings) + 1)
        self._hands.know_nominal({n: guitar.open_hz(n) for n in numbers})
        self._hands.know_bridge({n: tuple(strings_moved_together(guitar, n)) for n in numbers})
        self.fault: RehearsalError | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._hands.subscribe()
            if self._hands._topics["/phase"][0] == "idle":
                self._hands._ask("/session/begin", self._instrument, "a job with accidents (invented)", 1.0)
            if self._hands._topics["/phase"][0] in ("idle", "inspecting"):
                self._hands._ask("/session/inspect", "all", "passed")
                self._hands._pause(0.3)
            self._hands.work()
        except RehearsalError as fault:
            self.fault = fault

    @property
    def ended(self) -> bool:
        return not self._thread.is_alive()

    def stop(self) -> None:
        self._hands.stop()
        self._thread.join()
        self._hands.close()


class Subscriber:
    """A subscriber that keeps all messages, in order."""

    def __init__(self, port: int) -> None:
        self.messages: list[Message] = []
        self._daemon = ("127.0.0.1", port)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 * 1024 * 1024)
        self._socket.bind(("127.0.0.1", 0))
        self._send("/bench/subscribe")

    def _send(self, address: str) -> None:
        self._socket.sendto(OscMessageBuilder(address).build().dgram, self._daemon)
        self._renewed_s = time.monotonic()

    def take(self, wait_s: float) -> bool:
        """Take the next message, if one comes in time. Renew the lease: a daemon may run longer than it."""
        if time.monotonic() > self._renewed_s + PATIENCE_S:
            self._send("/bench/ping")
        self._socket.settimeout(wait_s)
        try:
            message = OscMessage(self._socket.recv(65536))
        except (TimeoutError, BlockingIOError):
            return False
        self.messages.append((message.address.removeprefix("/bench"), tuple(message.params)))
        return True

    def end(self) -> list[Message]:
        """All that came; the daemon is dead, so all of it is here."""
        while self.take(0.0):
            pass
        self._socket.close()
        return self.messages


@dataclass
class Moment:
    """The moment of a kill: so many packets after the beginning or after the whole state, and a time after that."""

    from_start: bool
    packets: int
    delay_s: float

    @classmethod
    def drawn(cls, draw: random.Random) -> Moment:
        from_start = draw.random() < 0.15
        packets = draw.randrange(150) if from_start else draw.randrange(36)
        return cls(
            from_start, packets, draw.choice([0.0, draw.uniform(0, 3e-4), draw.uniform(0, 5e-3), draw.random() / 20])
        )


@dataclass
class JournalReader:
    """A journal, of which each call reads the new events."""

    path: Path
    states: dict[str, State] = field(default_factory=dict)
    hashes: dict[str, list[str]] = field(default_factory=dict)

    def read(self) -> tuple[str, list[ev.Event], dict[int, State]]:
        """The newest session, its new events, and the state after each of its steps since, by revision.

        An event that the session's file lacks is left out: it must not have been announced.
        """
        with Journal.open(self.path, readonly=True) as journal:
            rows = journal.sessions()
            if not rows:
                return "", [], {0: State()}
            record = journal.record(rows[0].id)
        assert edited(record) is None
        known = self.hashes.setdefault(rows[0].id, [])
        assert [row.hash for row in record.events[: len(known)]] == known, "earlier events are unchanged"
        copy = SessionFiles(self.path).read(rows[0].id)
        in_file = () if copy is None else copy.events
        assert [row.hash for row in in_file] == [row.hash for row in record.events[: len(in_file)]]
        state = self.states.get(rows[0].id, State())
        states, new = {0: State(), state.revision: state}, []
        with Journal.open(self.path, readonly=True) as journal:
            for seq, _, kind, body in journal.events(rows[0].id)[len(known) :]:
                event = ev.from_body(kind, body)
                state = evolve(state, event)
                if seq <= len(in_file):
                    states[state.revision] = state
                    new.append(event)
        self.states[rows[0].id] = state
        self.hashes[rows[0].id] = [row.hash for row in record.events]
        return rows[0].id, new, states


def check(messages: list[Message], new: list[ev.Event], states: dict[int, State]) -> int:
    """Check that the journal has everything that one daemon announced, and return the number of readings."""
    readings = []
    for event in new:
        if isinstance(event, ev.ReadingTaken):
            place, _, fret = event.place.partition(" ")
            numbers = (event.f1_hz, event.cents, event.se_cents, event.level_dbfs)
            readings.append((event.string, place, int(fret or 0), *map(as_sent, numbers)))
    heard = [(*v[:3], *v[5:]) for address, v in messages if address == "/reading"]
    assert_in_order(heard, readings)
    lines = [line for line in map(sentence, new) if line is not None]
    assert_in_order([v[0] for address, v in messages if address == "/event"], lines)
    revision, last = 0, {}
    for address, values in messages:
        if address == "/revision":
            assert revision <= values[0] <= max(states)
            revision = values[0]
        elif address == "/phase":
            assert values[0] == states[revision].phase
        elif match := re.fullmatch(r"/string/(\d)/status", address):
            assert values[0] == states[revision].string(int(match[1])).status
        last[address] = (revision, values)
    # The subscriber's last values are in the state of their revision.
    by_revision: dict[int, dict[str, tuple[Any, ...]]] = {}
    for address, (at, values) in last.items():
        if at and at not in by_revision:
            by_revision[at] = topics(states[at])
        wanted = by_revision.get(at, {}).get(address)
        if wanted is not None:
            assert values == tuple(as_sent(v) if isinstance(v, float) else v for v in wanted), address
    return len(heard)


class DaemonParent:
    """The process that daemons are forked from."""

    def __init__(self, journal: Path, instrument: str) -> None:
        self.instrument = instrument
        self._guitar = str(journal.with_name(forked_daemons.GUITAR))
        words = [sys.executable, forked_daemons.__file__, str(journal), instrument, "4", str(RATE_HZ)]
        alone = environment(
            OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1"
        )  # forking wants no threads
        self.process = subprocess.Popen(
            words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1, env=alone
        )
        self._pid = 0
        self._killed = False

    def another(self) -> tuple[int, list[str]]:
        """Start a daemon. Return its port, and its lines before it listened."""
        assert self.process.stdin is not None
        self.process.stdin.write("live\n")
        port, lines = 0, []
        while not (self._pid and port):
            line = self._line()
            pid, found = (
                re.fullmatch(r"pid (\d+)", line),
                re.match(r"listening for OSC on 127\.0\.0\.1 port (\d+),", line),
            )
            if pid:
                self._pid = int(pid[1])
            elif found:
                port = int(found[1])
            else:
                lines.append(line)
        return port, lines

    def _line(self) -> str:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the parent of the daemons has ended"
        assert line != f"gone {self._pid}\n" or self._killed, "the daemon ended by itself"
        return line.rstrip("\n")

    def kill(self) -> None:
        """Kill the daemon, and wait until it has ended."""
        self._killed = True
        os.kill(self._pid, signal.SIGKILL)
        while self._line() != f"gone {self._pid}":
            pass
        self._pid, self._killed = 0, False

    def new_guitar(self, seed: int) -> None:
        """Between two jobs, with no daemon alive."""
        forked_daemons.RemoteGuitar(self._guitar).ask(forked_daemons.RESET, seed)

    def close(self) -> None:
        if self._pid:
            with suppress(ProcessLookupError):
                os.kill(self._pid, signal.SIGKILL)
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait(PATIENCE_S)
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextmanager
def daemon_parent(journal: Path, instrument: str) -> Iterator[DaemonParent]:
    made = DaemonParent(journal, instrument)
    guard = threading.Timer(900, made.process.kill)
    guard.start()
    try:
        yield made
    finally:
        guard.cancel()
        made.close()


def run_until_killed(
    parent: DaemonParent, seed: int, begun: set[tuple[object, ...]], moment: Moment | None
) -> tuple[list[str], list[Message]]:
    """Run a daemon until its kill or the end of the job. Return its first lines and the messages it sent."""
    port, lines = parent.another()
    subscriber = Subscriber(port)
    work = AtWork(port, parent.instrument, seed, begun)
    left = moment.packets if moment is not None and moment.from_start else None
    deadline = time.monotonic() + PATIENCE_S
    while left != 0 and not work.ended:
        if not subscriber.take(0.05):
            assert time.monotonic() < deadline, work.fault
            continue
        deadline = time.monotonic() + PATIENCE_S
        if left is not None:
            left -= 1
        elif moment is not None and subscriber.messages[-1][0] == "/prompt":  # the last of the whole state
            left = moment.packets
    if moment is not None:
        time.sleep(moment.delay_s)
    assert work.fault is None
    parent.kill()
    work.stop()
    return lines, subscriber.end()


def check_taken_up(lines: list[str], messages: list[Message], session_id: str, state: State) -> None:
    """A daemon begins at the last step in the journal."""
    first = dict(reversed(messages))
    if session_id and state.phase not in (Phase.IDLE, Phase.CLOSED):
        assert lines[0] == f"session {session_id} resumed; phase: {state.phase}"
        for address, wanted in ("/session/id", session_id), ("/revision", state.revision), ("/phase", state.phase):
            assert first.get(address, (wanted,)) == (wanted,)
    else:
        assert first.get("/phase", ("idle",)) == ("idle",)


def test_a_hundred_accidents_lose_nothing_that_was_announced(tmp_path: Path) -> None:
    path, draw = tmp_path / "journal.sqlite3", random.Random(20261125)
    reader = JournalReader(path)
    begun: set[tuple[object, ...]] = set()
    kills = readings = jobs = unannounced = 0
    session_id, state = "", State()
    with daemon_parent(path, str(instrument_file(tmp_path, SCREWS, THIRD + STRINGS))) as parent:
        while kills < KILLS or state.phase is not Phase.CLOSED:
            moment = Moment.drawn(draw) if kills < KILLS else None
            lines, messages = run_until_killed(parent, 1000 + kills, begun, moment)
            kills += moment is not None
            check_taken_up(lines, messages, session_id, state)
            session_id, new, states = reader.read()
            readings += check(messages, new, states)
            state = reader.states.get(session_id, State())
            told = max((values[0] for address, values in messages if address == "/revision"), default=0)
            unannounced += told < state.revision
            if state.phase is Phase.CLOSED:
                jobs += 1
                if kills < KILLS:
                    parent.new_guitar(kills)
                    begun.clear()
    assert readings > KILLS / 4, "there was something to lose"
    assert jobs, "a job was finished"
    with Journal.open(path, readonly=True) as journal:
        assert not [row.id for row in journal.open_sessions() if row.events]
        records = [journal.record(row.id) for row in journal.sessions()]
    assert all(edited(record) is None for record in records)
    path.write_bytes(b"\xff" * path.stat().st_size)
    Path(f"{path}-wal").unlink(missing_ok=True)
    with Journal.open_repaired(path) as journal:
        assert [journal.record(row.id) for row in journal.sessions()] == records
    print(f"{kills} kills, {jobs} jobs, {readings} readings announced, {unannounced} kills before an announcement")
