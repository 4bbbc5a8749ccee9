"""A daemon that is killed outright, again and again, while a job is done: nothing that was announced is lost."""

from __future__ import annotations

import contextlib
import random
import re
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from announced_messages import MessageRecorder, check_announced, expected_messages
from oscservice_process import Client, command, environment

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.instrument.instrument_file import load_instrument
from oscservice.record.journal import Journal
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase, Status
from oscservice.simulate.technician import RehearsalError, Technician

pytestmark = pytest.mark.slow

INSTRUMENT = "six-string-648"
GUITAR = load_instrument(INSTRUMENT)
KILLS = 6
PATIENCE_S = 30.0


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


class AtWork:
    """A technician in a thread of its own, who works until the daemon has ended."""

    def __init__(self, port: int, seed: int, state: State) -> None:
        self._technician = Technician("127.0.0.1", port, seed=seed)
        numbers = range(1, 7)
        self._technician.know_nominal({n: GUITAR.open_hz(n) for n in numbers})
        self._technician.know_bridge({n: tuple(strings_moved_together(GUITAR, n)) for n in numbers})
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
    """The new simulated guitar is at pitch: slacken the strings that are slack in the session."""
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
            recorder = MessageRecorder(child.port)
            if session_id:
                assert child.lines[0] == f"session {session_id} resumed; phase: {state.phase}"
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
        journal = expected_messages(path)
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

    # Without the option to resume, the daemon offers the session and resumes it on request.
    with daemon(path) as child:
        client = Client(child.port)
        try:
            assert child.process.stdout is not None
            assert b"docs/cautions.md" in child.process.stdout.readline()
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
