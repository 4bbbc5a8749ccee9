"""The session service: what is announced is on the disk, and a session can be taken up again."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from made_up_session import FLOATING, PAIRED, MadeUpSession, MadeUpTechnician, clock, reading

from oscservice.daemon.session_service import SessionService
from oscservice.errors import JournalError
from oscservice.instrument.instrument_file import load_instrument
from oscservice.record.journal import Journal
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Ignored, Refused
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase

GUITAR = load_instrument(FLOATING)


def offered(service: SessionService) -> str:
    """Name of the session a service offers, or an empty text."""
    row = service.resumable()
    return "" if row is None else row.id


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite3"


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    with Journal.open(path) as opened:
        yield opened


def begun(journal: Journal) -> SessionService:
    service = SessionService(journal, clock)
    service.carry_out(cm.Begin(GUITAR, "made up"))
    return service


def tuned(journal: Journal) -> SessionService:
    service = begun(journal)
    service.carry_out(cm.Inspect("all", "passed"))
    for number in (6, 5, 4, 3, 2, 1):
        service.carry_out(cm.Hear(reading(GUITAR.open_hz(number))))
    assert service.state.phase is Phase.COMPARING
    return service


def recorded(journal: Journal, session_id: str) -> State:
    return fold(ev.from_body(kind, body) for _, _, kind, body in journal.events(session_id))


class Failing(Journal):
    """A journal whose disk is full, or whose file goes away, from some moment on."""

    failing: frozenset[str] = frozenset()

    def append(self, session_id: str, events: Sequence[tuple[str, dict[str, Any]]], at_utc: str) -> int:
        if "append" in self.failing:
            raise JournalError("the journal can't be used (database or disk is full): make room on the disk")
        return super().append(session_id, events, at_utc)

    def seal(self, session_id: str, at_utc: str) -> None:
        if "seal" in self.failing:
            raise JournalError("the journal can't be used (database or disk is full): make room on the disk")
        super().seal(session_id, at_utc)


# Commit, then change


def test_every_step_is_on_the_disk_when_it_is_known(journal: Journal, path: Path) -> None:
    service = begun(journal)
    commands: list[cm.Command] = [
        cm.Inspect("all", "passed"),
        cm.Hear(reading(GUITAR.open_hz(6))),
        cm.Next(),
        cm.Undo(),
        cm.SetAside(1, "worn"),
    ]
    for command in commands:
        service.carry_out(command)
        with Journal.open(path, readonly=True) as other:
            assert recorded(other, service.session_id) == service.state


def test_an_unwritable_event_does_not_happen(path: Path) -> None:
    with Failing.open(path) as journal:
        service = tuned(journal)
        before, events = service.state, len(journal.events(service.session_id))
        journal.failing = frozenset({"append"})
        for command in (cm.Hear(reading(GUITAR.open_hz(6))), cm.Undo(), cm.SetAside(6, "x"), cm.Abandon()):
            with pytest.raises(JournalError, match="make room"):
                service.carry_out(command)
            assert service.state is before
        journal.failing = frozenset()
        assert len(journal.events(service.session_id)) == events
        service.carry_out(cm.Hear(reading(GUITAR.open_hz(6))))
        assert recorded(journal, service.session_id) == service.state


def test_a_file_that_another_program_holds_is_a_journal_error(journal: Journal, path: Path) -> None:
    service = tuned(journal)
    before = service.state
    journal._database.execute("PRAGMA busy_timeout = 10")
    other = sqlite3.connect(path, isolation_level=None)
    try:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(JournalError):
            service.carry_out(cm.SetAside(6, "x"))
        assert service.state is before
        other.execute("ROLLBACK")
    finally:
        other.close()
    service.carry_out(cm.SetAside(6, "x"))
    assert recorded(journal, service.session_id) == service.state


def test_a_session_that_could_not_be_written_is_neither_begun_nor_offered(path: Path) -> None:
    with Failing.open(path) as journal:
        service = SessionService(journal, clock)
        journal.failing = frozenset({"append"})
        with pytest.raises(JournalError):
            service.carry_out(cm.Begin(GUITAR, "lost"))
        assert (service.session_id, service.state.phase) == ("", Phase.IDLE)
        journal.failing = frozenset()
        assert offered(service) == ""
        (empty,) = journal.open_sessions()
        with pytest.raises(Refused) as refusal:
            service.resume(empty.id)
        assert refusal.value.code == "missing"
        service.carry_out(cm.Begin(GUITAR, "found"))
        assert service.state.label == "found"


def test_refused_and_ignored_leave_no_trace(journal: Journal) -> None:
    service = tuned(journal)
    before, events = service.state, journal.events(service.session_id)
    with pytest.raises(Refused):
        service.carry_out(cm.Finish())
    with pytest.raises(Ignored):
        service.carry_out(cm.Hear(reading(3000.0)))
    assert service.carry_out(cm.Listen(True)) == []
    assert service.state is before
    assert journal.events(service.session_id) == events


def test_before_a_session_nothing_is_written(journal: Journal) -> None:
    service = SessionService(journal, clock)
    for command in (cm.Listen(False), cm.Next(), cm.Undo(), cm.Abandon()):
        with pytest.raises(Refused):
            service.carry_out(command)
    assert journal.sessions() == []


# Closing


def test_a_closed_session_is_sealed_and_the_next_can_begin(journal: Journal) -> None:
    service = begun(journal)
    first = service.session_id
    service.carry_out(cm.Abandon())
    (row,) = journal.sessions()
    assert row.closed
    service.carry_out(cm.Begin(load_instrument(PAIRED), "next"))
    assert service.session_id != first
    assert recorded(journal, service.session_id) == service.state
    assert service.state.revision == 1


def test_closed_but_not_marked_so_is_closed_all_the_same(path: Path) -> None:
    with Failing.open(path) as journal:
        service = begun(journal)
        journal.failing = frozenset({"seal"})
        service.carry_out(cm.Abandon())
        assert service.state.phase is Phase.CLOSED
        assert not journal.sessions()[0].closed
    with Journal.open(path) as journal:
        again = SessionService(journal, clock)
        assert offered(again) == ""
        assert journal.sessions()[0].closed


# Taking up again


def test_a_resumed_session_has_the_same_state(path: Path) -> None:
    with Journal.open(path) as journal:
        service = tuned(journal)
        service.carry_out(cm.Hear(reading(GUITAR.open_hz(6))))
        service.carry_out(cm.Undo())
        service.carry_out(cm.Slackened(4))
        session_id, state = service.session_id, service.state
    with Journal.open(path) as journal:
        again = SessionService(journal, clock)
        assert offered(again) == session_id
        again.resume(session_id)
        assert (again.session_id, again.state) == (session_id, state)
        assert offered(again) == ""
        past = state.past
        assert past is not None
        again.carry_out(cm.Undo())
        assert again.state.strings == past.strings, "steps from before can still be taken back"
        assert recorded(journal, session_id) == again.state


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_a_whole_job_in_pieces_is_the_same_job(path: Path, seed: int) -> None:
    job = MadeUpSession().inspected()
    MadeUpTechnician(job, {1: 6.0, 2: 0.1, 3: -3.0, 4: -0.1, 5: 9.0, 6: -0.2}, seed=seed).work()
    heard = iter([e for e in job.events if isinstance(e, ev.ReadingTaken | ev.StringSlackened)])
    session_id = ""
    done = False
    while not done:
        with Journal.open(path) as journal:
            service = SessionService(journal, clock)
            if session_id:
                service.resume(session_id)
            else:
                service.carry_out(cm.Begin(GUITAR, "made up"))
                service.carry_out(cm.Inspect("all", "passed"))
                session_id = service.session_id
            for _ in range(17):
                event = next(heard, None)
                if event is None:
                    done = True
                    break
                hz = (
                    event.f1_hz
                    if isinstance(event, ev.ReadingTaken)
                    else GUITAR.open_hz(event.string) * 2 ** (-700 / 1200)
                )
                service.carry_out(cm.Hear(reading(hz)))
    assert service.state == job.state
    assert service.state.phase is Phase.CLOSED


def test_resume_is_refused_while_a_session_is_under_way(journal: Journal) -> None:
    service = begun(journal)
    before = service.state
    for name in (service.session_id, "2026-11-25-9"):
        with pytest.raises(Refused) as refusal:
            service.resume(name)
        assert refusal.value.code == "phase"
    assert service.state is before


@pytest.mark.parametrize("name", ["", "2026-11-25-9", "../../etc/passwd", "a\nb"])
def test_an_unknown_session_is_refused(journal: Journal, name: str) -> None:
    service = SessionService(journal, clock)
    with pytest.raises(Refused) as refusal:
        service.resume(name)
    assert refusal.value.code == "missing"
    assert "\n" not in refusal.value.text


def test_a_closed_session_is_not_resumed(journal: Journal) -> None:
    service = begun(journal)
    service.carry_out(cm.Abandon())
    with pytest.raises(Refused) as refusal:
        service.resume(service.session_id)
    assert refusal.value.code == "missing"


def test_a_session_of_another_process_is_not_resumed(journal: Journal, path: Path) -> None:
    service = tuned(journal)
    with Journal.open(path) as second:
        other = SessionService(second, clock)
        assert offered(other) == "", "what can't be had is not offered"
        with pytest.raises(JournalError, match="open in another"):
            other.resume(service.session_id)
        assert (other.session_id, other.state.phase) == ("", Phase.IDLE)
        other.carry_out(cm.Begin(GUITAR, "its own"))
        assert offered(other) == ""
    service.carry_out(cm.SetAside(6, "x"))
    assert recorded(journal, service.session_id) == service.state


def test_a_session_is_offered_once_its_process_has_ended(journal: Journal, path: Path) -> None:
    service = tuned(journal)
    with Journal.open(path) as second:
        other = SessionService(second, clock)
        assert offered(other) == ""
        journal.release(service.session_id)
        assert offered(other) == service.session_id


def test_a_lock_file_left_behind_by_a_reboot_is_no_hindrance(path: Path) -> None:
    with Journal.open(path) as journal:
        session_id = tuned(journal).session_id
    path.with_name(f"{path.name}.{session_id}.lock").write_text("12345")
    with Journal.open(path) as journal:
        service = SessionService(journal, clock)
        assert offered(service) == session_id
        service.resume(session_id)
        service.carry_out(cm.SetAside(6, "x"))


def test_the_newest_open_session_is_offered(path: Path) -> None:
    names = []
    for _ in range(2):
        with Journal.open(path) as journal:
            service = begun(journal)
            names.append(service.session_id)
    with Journal.open(path) as journal:
        service = SessionService(journal, clock)
        assert offered(service) == names[1]
        service.resume(names[1])
        assert offered(service) == names[0]
        service.carry_out(cm.Abandon())
        service.resume(names[0])
        assert service.state.phase is Phase.INSPECTING


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("Unheard", {}),
        ("PhaseEntered", {"phase": "dancing"}),
        ("PhaseEntered", {}),
        ("Focused", {"string": 9, "place": ""}),
        ("Focused", {"string": "six", "place": ""}),
        ("SaddleMoved", {"string": 6, "mm": "far", "told": True}),
        ("SessionBegun", {"instrument": "{}", "label": "", "tolerance_cents": 2.0, "fret": 12}),
    ],
)
def test_events_that_can_not_be_read_are_a_journal_error_and_stay(path: Path, kind: str, body: dict[str, Any]) -> None:
    with Journal.open(path) as journal:
        service = tuned(journal)
        session_id = service.session_id
        journal.append(session_id, [(kind, body)], "later")
        count = len(journal.events(session_id))
    with Journal.open(path) as journal:
        again = SessionService(journal, clock)
        with pytest.raises(JournalError) as error:
            again.resume(session_id)
        assert "\n" not in str(error.value)
        assert (again.session_id, again.state.phase) == ("", Phase.IDLE)
        assert len(journal.events(session_id)) == count
        with Journal.open(path) as other:
            other.claim(session_id)  # it was given up again


def test_events_and_their_bodies_are_the_same_thing() -> None:
    for instrument in (FLOATING, PAIRED):
        job = MadeUpSession(instrument).inspected()
        MadeUpTechnician(job, {1: 6.0, 2: 0.1, 3: -3.0, 4: -0.1, 5: 9.0, 6: 30.0}).work()
        bodies = [json.loads(json.dumps(ev.to_body(event), allow_nan=False)) for event in job.events]
        assert [ev.from_body(kind, body) for kind, body in bodies] == job.events
        assert fold(ev.from_body(kind, body) for kind, body in bodies) == job.state
    with pytest.raises(ValueError, match="unknown"):
        ev.from_body("Unheard", {})
    with pytest.raises(ValueError, match="does not fit"):
        ev.from_body("Focused", {"string": 1})
