"""The journal by instrument, and the last sealed session of one."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from made_up_session import FLOATING, SCREWS, MadeUpSession, MadeUpTechnician

from oscservice.daemon.session_service import SessionService
from oscservice.errors import JournalError
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import tuned_by, with_notes
from oscservice.instrument.spec import Instrument
from oscservice.record.journal import Journal
from oscservice.record.recorder import Recorder
from oscservice.record.session_history import last_sealed, sessions_of, state_of
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Refused
from oscservice.session.session_results import summary_of
from oscservice.session.vocabulary import Phase

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
AT_UTC = "2026-11-25T12:00:00.000+00:00"


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


def set_up(instrument: Instrument) -> MadeUpSession:
    job = MadeUpSession(instrument.model_copy(update={"identity": "mine"})).inspected()
    MadeUpTechnician(job, dict.fromkeys(job.state.numbers, 0.3)).work()
    return job


@pytest.fixture(scope="module")
def proved() -> MadeUpSession:
    return set_up(load_instrument(SCREWS))


def put(journal: Journal | Recorder, job: MadeUpSession, *, sealed: bool = True, began: datetime = NOW) -> str:
    name = journal.new_session(job.instrument.name, "made up", began, job.instrument.identity)
    journal.append(name, [ev.to_body(event) for event in job.events], AT_UTC)
    if sealed:
        journal.seal(name, AT_UTC)
    return name


def quick(before: MadeUpSession) -> MadeUpSession:
    """A quick check that was abandoned."""
    job = MadeUpSession(before.instrument)
    job.do(cm.Abandon())
    job.events.clear()
    job.do(cm.Quick(before.instrument, summary_of(before.state, "s").to_json()))
    job.do(cm.Abandon())
    return job


def test_the_last_sealed_set_up_of_the_same_instrument(journal: Journal, proved: MadeUpSession) -> None:
    assert last_sealed(journal, "mine") is None
    first = put(journal, proved)
    found = last_sealed(journal, "mine")
    assert found == summary_of(proved.state, first)
    assert last_sealed(journal, SCREWS) is None, "of that name, but another one"
    second = put(journal, proved)
    abandoned = MadeUpSession(proved.instrument)
    abandoned.do(cm.Abandon())
    put(journal, abandoned)
    put(journal, quick(proved))
    put(journal, MadeUpSession(proved.instrument), sealed=False)
    put(journal, MadeUpSession(FLOATING), sealed=False)
    newest = last_sealed(journal, "mine")
    assert newest is not None
    assert newest.session == second


def test_the_last_sealed_set_up_in_the_same_tuning(journal: Journal, proved: MadeUpSession) -> None:
    first = put(journal, proved)
    low = with_notes(proved.instrument, [*(string.note for string in proved.instrument.strings[:5]), "D2"])
    second = put(journal, set_up(low))
    for instrument, session in ((proved.instrument, first), (low, second), (tuned_by(low, -1), second)):
        found = last_sealed(journal, "mine", instrument)
        assert found is not None
        assert found.session == session


def test_a_quick_check_that_holds_is_no_reference(journal: Journal, proved: MadeUpSession) -> None:
    name = put(journal, proved)
    job = quick(proved)
    closed = [event for event in job.events if not isinstance(event, ev.SessionClosed)]
    job.events = [*closed, ev.SessionClosed("proved")]  # whatever its outcome is called
    put(journal, job)
    found = last_sealed(journal, "mine")
    assert found is not None
    assert found.session == name


def test_sessions_that_cannot_be_read_are_skipped(journal: Journal, proved: MadeUpSession) -> None:
    name = put(journal, proved)
    broken = journal.new_session(SCREWS, "x", NOW, "mine")
    journal.append(broken, [("StringJudged", {"string": 1})], AT_UTC)
    journal.seal(broken, AT_UTC)
    journal.new_session(SCREWS, "empty", NOW, "mine")
    assert [row.id for row, _ in sessions_of(journal, "mine")] == [name]
    with pytest.raises(JournalError, match="can't be read"):
        state_of(journal, broken)


def test_a_service_gives_the_last_summary_and_records_the_check(tmp_path: Path, proved: MadeUpSession) -> None:
    path = tmp_path / "journal.sqlite3"
    with Journal.open(path) as opened:
        name = put(opened, proved)
    with Journal.open(path) as opened:
        service = SessionService(opened)
        left = service.last_sealed(proved.instrument)
        assert left is not None
        assert left.session == name
        service.carry_out(cm.Quick(proved.instrument, left.to_json()))
        check = service.session_id
        row = next(row for row in opened.sessions() if row.id == check)
        assert (row.identity, row.label) == ("mine", f"quick check against session {name}")
        service.carry_out(cm.SetAside(6, "no time"))
        state = service.state
        with pytest.raises(Refused):
            service.carry_out(cm.Finish())
    with Journal.open(path) as opened:  # another process goes on with it
        service = SessionService(opened)
        assert service.resumable() is not None
        service.resume(check)
        assert service.state == state
        assert (service.state.phase, service.state.focus) == (Phase.CHECKING, 5)
        service.carry_out(cm.Undo())
        assert service.state.focus == 6


def test_sessions_in_memory_count_while_the_journal_is_away(tmp_path: Path, proved: MadeUpSession) -> None:
    folder = tmp_path / "away"
    with Recorder.open(folder / "journal.sqlite3") as recorder:
        on_disk = put(recorder, proved)
        assert last_sealed(recorder, "mine") is not None
        recorder.fault = "the disk is away"
        with pytest.raises(JournalError, match="the disk is away"):
            last_sealed(recorder, "mine")
        held = put(recorder, proved, began=NOW + timedelta(hours=1))
        found = last_sealed(recorder, "mine")
        assert found is not None
        assert found.session == held
        recorder.try_again()
        names = [row.id for row in recorder.sessions()]
        assert on_disk in names
        assert len(names) == 2
    shutil.rmtree(folder)
