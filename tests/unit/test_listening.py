"""The switch for listening: it belongs to the daemon and works in every phase, also with sessions of older journals."""

from __future__ import annotations

import asyncio
import unittest.mock
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from made_up_session import SCREWS, clock
from made_up_session import reading as made_up_reading

from oscservice.daemon.coordinator import Coordinator
from oscservice.daemon.session_service import SessionService
from oscservice.hearing.listener import NoteHeard
from oscservice.instrument.instrument_file import load_instrument
from oscservice.osc.packet import encode
from oscservice.osc.peer import Peer
from oscservice.record.journal import Journal
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.vocabulary import Phase

GUITAR = load_instrument(SCREWS)
SENDER = Peer("127.0.0.1", 5000)


@pytest.fixture
def journal(tmp_path: Path) -> Any:
    with Journal.open(tmp_path / "journal.sqlite3") as journal:
        yield journal


def test_a_line_is_said_once(journal: Journal) -> None:
    service = SessionService(journal, clock)
    assert service.listening
    assert [service.listen(on) for on in (True, False, False, True)] == ["", "not listening", "", "listening"]
    assert service.listening
    service.carry_out(cm.Begin(GUITAR, "made up"))
    service.carry_out(cm.Inspect("all", "passed"))
    service.carry_out(cm.Listen(False))
    assert not service.listening
    assert service.listen(True) == "listening"
    assert service.listening
    assert service.listen(True) == ""


def at_work(
    service: SessionService,
    folder: Path,
    work: Callable[[Callable[..., None], Callable[[], None], dict[str, Any]], None],
) -> list[str]:
    """Return the lines of a daemon that gets commands and hears string 6."""
    lines: list[str] = []

    async def run() -> None:
        coordinator = Coordinator(service, tell=lines.append, instrument_folder=folder)
        sent: dict[str, Any] = {}

        def say(path: str, *values: int | str) -> None:
            coordinator.server.receive(encode("/bench" + path, *values), SENDER)

        def pluck() -> None:
            coordinator.hear(0, [NoteHeard(0.1, made_up_reading(GUITAR.open_hz(6)))])

        with unittest.mock.patch.object(coordinator.server, "publish", sent.update):
            work(say, pluck, sent)
            await asyncio.sleep(0)
        assert coordinator.snapshot()["/listening"] == sent.get("/listening", (1,))

    asyncio.run(run())
    return lines


def test_it_holds_before_a_session_and_is_no_step(journal: Journal, tmp_path: Path) -> None:
    service = SessionService(journal, clock)

    def work(say: Callable[..., None], pluck: Callable[[], None], sent: dict[str, Any]) -> None:
        say("/listen", 0)
        say("/session/begin", SCREWS, "made up")
        say("/session/inspect", "all", "passed")
        pluck()
        assert sent.pop("/reading/ignored") == ("not listening",)
        assert "/reading" not in sent
        before = service.state
        say("/listen", 1)
        assert service.state is before
        pluck()
        assert sent["/reading"][:2] == (6, "open")
        say("/listen", 0)
        say("/session/undo")
        assert service.state.phase is Phase.TUNING
        assert service.state.string(6).open_cents is None

    lines = at_work(service, tmp_path, work)
    assert [line for line in lines if "listening" in line] == ["not listening", "listening", "not listening"]
    kinds = {kind for _, _, kind, _ in journal.events(service.session_id)}
    assert ev.ListeningSet.__name__ not in kinds


def test_a_session_of_an_older_journal_that_did_not_listen_can_be_made_to(journal: Journal, tmp_path: Path) -> None:
    service = SessionService(journal, clock)
    for command in (cm.Begin(GUITAR, "made up"), cm.Inspect("all", "passed"), cm.Listen(False)):
        service.carry_out(command)

    def work(say: Callable[..., None], pluck: Callable[[], None], sent: dict[str, Any]) -> None:
        pluck()
        assert sent["/reading/ignored"] == ("not listening",)
        say("/listen", 1)
        pluck()
        assert sent["/reading"][:2] == (6, "open")

    assert "listening" in at_work(service, tmp_path, work)
    assert service.state.listening
