"""A bench that is asked over OSC for a check of recordings, with a stand-in for the program that checks."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from made_up_session import SCREWS, clock
from made_up_session import reading as made_up_reading

from oscservice.daemon.coordinator import Coordinator
from oscservice.daemon.recording_checks import RecordingSets
from oscservice.daemon.session_service import SessionService
from oscservice.hearing.listener import NoteHeard
from oscservice.instrument.instrument_file import load_instrument
from oscservice.osc.packet import encode
from oscservice.osc.peer import Peer
from oscservice.osc.refusal import ErrorCode
from oscservice.record.journal import Journal

GUITAR = load_instrument(SCREWS)
SENDER = Peer("127.0.0.1", 5000)
ROW = {"string": 6, "case": "string 6 open", "verdict": "holds", "what": "pitch drift", "cents": 0.0, "se_cents": 0.2}
RESULT = json.dumps({"verdict": "holds", "strings": [ROW], "cases": [], "refused": []})
WAITS = "import pathlib, sys, time\nwhile not pathlib.Path(sys.argv[1]).exists(): time.sleep(0.01)\n"


class Asked:
    """A coordinator, its messages and answers, and the lines it reported; its check ends once ``finish`` is called."""

    def __init__(self, service: SessionService, folder: Path) -> None:
        self.folder = folder
        self.lines: list[str] = []
        self.sent: list[tuple[str, Any]] = []
        self.answers: list[bytes] = []
        self.service = service
        (folder / "red.toml").write_text("")
        sets = RecordingSets(folder, {"mine": folder / "red.toml"})
        self.coordinator = Coordinator(service, tell=self.lines.append, instrument_folder=folder, sets=sets)
        program = [sys.executable, "-c", f"{WAITS}print({RESULT!r})", str(folder / "finish")]
        self.coordinator.checks._command_line = lambda manifest: program
        self.coordinator.server.publish = lambda values: self.sent.extend(values.items())  # type: ignore[method-assign]
        self.coordinator.server.attach(SENDER.transport, self)

    def send(self, packet: bytes, peer: Peer) -> bool:
        self.answers.append(packet)
        return True

    def close(self) -> None:
        pass

    lost = 0

    def __len__(self) -> int:
        return 0

    def say(self, path: str, *values: int | str) -> bytes:
        """Send a message; gives its answer."""
        self.coordinator.server.receive(encode("/bench" + path, *values), SENDER)
        return self.answers.pop()

    def finish(self) -> None:
        (self.folder / "finish").write_text("")

    async def until(self, address: str, *values: Any) -> None:
        async with asyncio.timeout(30.0):
            while (address, values) not in self.sent:
                await asyncio.sleep(0.01)


def asked(tmp_path: Path, work: Callable[[Asked], Any]) -> Asked:
    async def run() -> Asked:
        with Journal.open(tmp_path / "journal.sqlite3") as journal:
            made = Asked(SessionService(journal, clock), tmp_path)
            try:
                await work(made)
            finally:
                made.coordinator.close()
                await made.coordinator.checks.end()
            return made

    return asyncio.run(run())


def test_a_check_runs_during_the_session_and_is_no_step_of_it(tmp_path: Path) -> None:
    async def work(made: Asked) -> None:
        made.say("/session/begin", SCREWS, "made up")
        made.say("/session/inspect", "all", "passed")
        before = made.service.state
        assert made.say("/check/run", "mine", "id=a1") == encode("/bench/reply", "/bench/check/run", "id=a1")
        assert made.service.state is before
        await made.until("/check/running", "mine")
        made.coordinator.hear(0, [NoteHeard(0.1, made_up_reading(GUITAR.open_hz(6)))])
        assert [values[:2] for address, values in made.sent if address == "/reading"] == [(6, "open")]
        assert made.service.state is not before
        made.finish()
        await made.until("/check/recorded", 6, "holds", "pitch drift", 0.0, 0.2, "string 6 open")
        await made.until("/check/summary", "mine", "holds", 1, 0, 0, 0, "mine: holds: 1 holds")
        await made.until("/event", "mine: holds: 1 holds")
        await made.until("/check/running", "")

    made = asked(tmp_path, work)
    assert [line for line in made.lines if "mine" in line] == ["checking the set 'mine'", "mine: holds: 1 holds"]
    results = [address for address, _ in made.sent if address in ("/check/recorded", "/check/summary")]
    assert results == ["/check/recorded", "/check/summary"]


def test_possible_and_refused_requests(tmp_path: Path) -> None:
    async def work(made: Asked) -> None:
        assert made.say("/check/sets") == encode("/bench/reply", "/bench/check/sets", "mine", "red")
        refused = made.say("/check/run", "../red")
        assert encode("/bench/error", "/bench/check/run", int(ErrorCode.NOT_FOUND), "")[:44] == refused[:44]
        made.say("/check/run", "red")
        assert b"is being checked" in made.say("/check/run", "mine")
        assert made.say("/check/stop") == encode("/bench/reply", "/bench/check/stop")
        await made.until("/check/summary", "red", "stopped", 0, 0, 0, 0, "red: stopped: before it was done")
        assert made.say("/check/stop") == encode("/bench/reply", "/bench/check/stop")

    asked(tmp_path, work)


def test_the_end_of_the_daemon_ends_a_check(tmp_path: Path) -> None:
    async def work(made: Asked) -> None:
        made.say("/check/run", "red")
        await asyncio.sleep(0.3)

    made = asked(tmp_path, work)
    assert made.sent[-1] == ("/check/summary", ("red", "stopped", 0, 0, 0, 0, "red: stopped: before it was done"))


@pytest.mark.parametrize("phase", ["idle", "inspecting", "tuning"])
def test_in_every_phase(tmp_path: Path, phase: str) -> None:
    async def work(made: Asked) -> None:
        if phase != "idle":
            made.say("/session/begin", SCREWS, "made up")
        if phase == "tuning":
            made.say("/session/inspect", "all", "passed")
        assert str(made.service.state.phase) == phase
        assert made.say("/check/run", "red") == encode("/bench/reply", "/bench/check/run")

    asked(tmp_path, work)
