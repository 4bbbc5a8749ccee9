"""The recorder: while the journal can't be written a session goes on in memory, and all of it is written afterwards."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from made_up_session import FLOATING, clock, reading

from oscservice.daemon.record_status import RecordStatus
from oscservice.daemon.session_service import SessionService
from oscservice.errors import JournalError
from oscservice.instrument.instrument_file import load_instrument
from oscservice.record.database import unusable
from oscservice.record.event_chain import edited
from oscservice.record.journal import Journal
from oscservice.record.recorder import Recorder
from oscservice.record.session_files import SessionFiles, records
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.vocabulary import INSPECTION_ITEMS, Phase

GUITAR = load_instrument(FLOATING)
ITEM = next(iter(INSPECTION_ITEMS))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite3"


@pytest.fixture
def recorder(path: Path) -> Iterator[Recorder]:
    with Recorder.open(path) as opened:
        yield opened


def full(recorder: Recorder, pages: int = 0) -> None:
    """Let the file not grow any further, as on a full disk; 0: not even as large as it is."""
    assert recorder._journal is not None
    recorder._journal._database.execute(f"PRAGMA max_page_count = {pages or 1}")


def room(recorder: Recorder) -> None:
    full(recorder, 1_000_000)


def recorded(path: Path, session_id: str) -> State:
    with Journal.open(path, readonly=True) as journal:
        assert edited(journal.record(session_id)) is None
        return fold(ev.from_body(kind, body) for _, _, kind, body in journal.events(session_id))


def work(service: SessionService, *numbers: int) -> None:
    for number in numbers:
        service.carry_out(cm.Hear(reading(GUITAR.open_hz(number))))


def fill_up(service: SessionService, recorder: Recorder) -> None:
    """Work until the disk, which has room for a little only, is full."""
    full(recorder)
    for n in range(400):
        if recorder.fault:
            return
        service.carry_out(cm.Inspect(ITEM, "failed" if n % 2 else "passed", "x" * 200))
    pytest.fail("there was room for everything")


def begun(recorder: Recorder) -> SessionService:
    service = SessionService(recorder, clock)
    service.carry_out(cm.Begin(GUITAR, "made up"))
    return service


# --- a full disk ---


def test_on_a_full_disk_the_session_continues_and_is_written_once_there_is_space(
    path: Path, recorder: Recorder
) -> None:
    service = begun(recorder)
    fill_up(service, recorder)
    assert "make room on the disk" in recorder.fault
    at_fault = service.state.revision
    service.carry_out(cm.Inspect("all", "passed"))
    work(service, 6, 5, 4)
    assert service.state.revision > at_fault
    assert recorded(path, service.session_id).revision < service.state.revision
    assert service.retry_recording()
    assert recorder.fault, "there is still no room"
    assert recorded(path, service.session_id).revision < at_fault
    room(recorder)
    assert service.retry_recording()
    assert recorder.fault == ""
    assert recorded(path, service.session_id) == service.state
    work(service, 3)
    assert recorded(path, service.session_id) == service.state
    assert not service.retry_recording(), "there is nothing to do"


def test_steps_from_before_and_from_memory_can_be_taken_back(path: Path, recorder: Recorder) -> None:
    service = begun(recorder)
    fill_up(service, recorder)
    before = service.state.items
    service.carry_out(cm.Inspect(ITEM, "failed", "y"))
    service.carry_out(cm.Undo())
    assert service.state.items == before
    room(recorder)
    service.retry_recording()
    service.carry_out(cm.Undo())
    assert recorded(path, service.session_id) == service.state


def test_a_command_refused_in_memory_leaves_no_trace(recorder: Recorder) -> None:
    service = begun(recorder)
    fill_up(service, recorder)
    before, count = service.state, recorder.unwritten
    with pytest.raises(cm.Refused):
        service.carry_out(cm.Finish())
    assert (service.state, recorder.unwritten) == (before, count)


def test_sessions_closed_and_begun_in_memory_are_all_written_in_order(path: Path, recorder: Recorder) -> None:
    service = begun(recorder)
    first = service.session_id
    fill_up(service, recorder)
    service.carry_out(cm.Abandon())
    service.carry_out(cm.Begin(GUITAR, "second"))
    second = service.session_id
    service.carry_out(cm.Abandon())
    service.carry_out(cm.Begin(GUITAR, "third"))
    assert len({first, second, service.session_id}) == 3
    room(recorder)
    service.retry_recording()
    with Journal.open(path, readonly=True) as journal:
        rows = {row.label: row for row in journal.sessions()}
        assert [rows[label].closed for label in ("made up", "second", "third")] == [True, True, False]
        assert all(edited(journal.record(row.id)) is None for row in rows.values())
    assert recorded(path, service.session_id) == service.state
    assert recorded(path, first).phase is Phase.CLOSED


# --- other troubles while it runs ---


def test_another_program_in_the_middle_of_writing_is_caught_up_with(path: Path, recorder: Recorder) -> None:
    service = begun(recorder)
    other = sqlite3.connect(path, isolation_level=None)
    try:
        other.execute("BEGIN IMMEDIATE")
        service.carry_out(cm.Inspect("all", "passed"))
        assert "another program holds it" in recorder.fault
        work(service, 6)
        other.execute("ROLLBACK")
    finally:
        other.close()
    service.retry_recording()
    assert recorder.fault == ""
    assert recorded(path, service.session_id) == service.state


def delete(path: Path, files_too: bool) -> None:
    """Delete a journal, and the sessions' files beside it or not."""
    for file in path.parent.glob("journal.sqlite3*"):
        if file.is_file() and not file.name.endswith(".lock"):
            file.unlink()
    if files_too:
        shutil.rmtree(SessionFiles(path).folder)


@pytest.mark.parametrize("files_too", [False, True])
def test_a_journal_deleted_under_a_session_is_written_again_whole(
    path: Path, recorder: Recorder, files_too: bool
) -> None:
    service = begun(recorder)
    service.carry_out(cm.Inspect("all", "passed"))
    delete(path, files_too)
    work(service, 6)
    assert "no longer where it was" in recorder.fault
    service.retry_recording()
    assert recorder.fault == ""
    work(service, 5)
    assert recorded(path, service.session_id) == service.state
    with Journal.open(path) as other, pytest.raises(JournalError, match="open in another"):
        other.claim(service.session_id)


def test_a_journal_moved_away_and_back_is_continued(path: Path, recorder: Recorder) -> None:
    service = begun(recorder)
    away = path.with_name("away.sqlite3")
    for end in ("", "-wal"):
        os.rename(f"{path}{end}", f"{away}{end}")
    service.carry_out(cm.Inspect("all", "passed"))
    assert recorder.fault
    for end in ("", "-wal"):
        os.rename(f"{away}{end}", f"{path}{end}")
    service.retry_recording()
    assert recorder.fault == ""
    work(service, 6)
    assert recorded(path, service.session_id) == service.state


def test_a_journal_damaged_under_a_session_is_recovered_and_the_session_is_whole(path: Path) -> None:
    with Recorder.open(path) as recorder:
        service = begun(recorder)
        service.carry_out(cm.Inspect("all", "passed"))
        assert recorder._journal is not None
        recorder._journal._database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        data = bytearray(path.read_bytes())
        data[4096:] = b"\xa5" * (len(data) - 4096)
        path.write_bytes(data)
        recorder._journal._database.execute("PRAGMA shrink_memory")  # what it read before it forgets
        for _ in range(3):
            work(service, 6)
            service.retry_recording()
        assert recorder.fault == ""
        assert any("recovered" in note for note in recorder.take_notes())
        assert recorded(path, service.session_id) == service.state


def test_a_session_with_a_name_taken_meanwhile_gets_another_and_reports_it(path: Path, recorder: Recorder) -> None:
    service = begun(recorder)
    old = service.session_id
    delete(path, files_too=True)
    with Journal.open(path) as other:
        assert other.put(made_by_another(old)) == old
    service.carry_out(cm.Inspect("all", "passed"))
    service.retry_recording()
    assert service.session_id != old
    assert f"session {old} is recorded as {service.session_id}: that name was taken" in recorder.take_notes()
    work(service, 6)
    assert recorded(path, service.session_id) == service.state


def made_by_another(session_id: str) -> Any:
    with tempfile.TemporaryDirectory() as folder, Journal.open(Path(folder) / "j") as journal:
        assert journal.new_session("plank", "another's", datetime(2026, 11, 25, 8, tzinfo=UTC)) == session_id
        journal.append(session_id, [("read", {"hz": 1.0})], "now")
        return journal.record(session_id)


# --- from the start ---


@pytest.fixture
def closed_folder(tmp_path: Path) -> Iterator[tuple[Path, pytest.MonkeyPatch]]:
    """A folder that can't be made until the patch is undone, not even by root, who can write everywhere."""
    folder = tmp_path / "folder"
    real = Path.mkdir

    def refuses(self: Path, *arguments: Any, **more: Any) -> None:
        if self == folder:
            raise PermissionError(13, "Permission denied", str(self))
        real(self, *arguments, **more)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(Path, "mkdir", refuses)
        yield folder, patched


def test_a_folder_that_cannot_be_written_at_the_start(closed_folder: tuple[Path, pytest.MonkeyPatch]) -> None:
    folder, patched = closed_folder
    path = folder / "journal.sqlite3"
    with Recorder.open(path) as recorder:
        assert "Permission denied" in recorder.fault
        service = begun(recorder)
        assert service.resumable() is None
        service.carry_out(cm.Inspect("all", "passed"))
        work(service, 6, 5)
        service.retry_recording()
        assert recorder.fault
        assert not folder.exists()
        patched.undo()
        service.retry_recording()
        assert recorder.fault == ""
        assert recorded(path, service.session_id) == service.state
        assert service.session_id == "2026-11-25-1"


@pytest.mark.parametrize("what", ["newer", "another program's", "a folder", "under a file"])
def test_a_lasting_fault_of_the_journal_is_refused(path: Path, what: str) -> None:
    if what == "newer":
        Journal.open(path).close()
    if what in ("newer", "another program's"):
        with sqlite3.connect(path) as database:
            database.execute("PRAGMA user_version = 99" if what == "newer" else "CREATE TABLE cats (name TEXT)")
        database.close()
    if what == "a folder":
        path.mkdir()
    if what == "under a file":
        path.write_text("a file")
        path /= "j"
    with pytest.raises(JournalError) as error:
        Recorder.open(path)
    assert "\n" not in str(error.value)


def test_faults_that_may_pass() -> None:
    kinds = {number: type(unusable(Path("j"), OSError(number, "x"))).__name__ for number in (13, 28, 30, 20, 2)}
    assert kinds == {
        **dict.fromkeys((13, 28, 30), "JournalUnavailableError"),  # denied, no space, read-only
        **dict.fromkeys((20, 2), "JournalError"),  # under a file, in a folder that can't be made
    }


# --- at the end ---


def test_unwritten_events_are_kept_for_import_at_the_end(
    path: Path, recorder: Recorder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    service = begun(recorder)
    fill_up(service, recorder)
    service.carry_out(cm.Inspect("all", "passed"))
    line = recorder.rescued()
    (file,) = tmp_path.glob("*.jsonl")
    assert f"oscservice sessions import {file}" in line
    recorder.close()
    with Journal.open(path) as journal:
        (found,) = records(file.read_text().splitlines(), "f")
        assert not isinstance(found, Exception)
        assert journal.import_session(found).how == "continued"
    assert recorded(path, service.session_id) == service.state


# --- reports ---

WELL = {"/record/state": ("recording",), "/record/fault": ("",)}


def test_the_warning_is_shown_until_the_fault_is_over(recorder: Recorder) -> None:
    told = RecordStatus(recorder)
    assert told.topics() == {**WELL, "/record/sound": ("off",)}
    assert told.new_lines() == []
    service = begun(recorder)
    fill_up(service, recorder)
    assert told.topics()["/record/state"] == ("in memory",)
    assert "make room" in str(told.topics()["/record/fault"][0])
    (line,) = told.new_lines()
    assert line.startswith("recording in memory only")
    assert told.new_lines() == []
    assert told.unsent_lines(has_subscribers=False) == []
    assert told.unsent_lines(has_subscribers=True) == [line]
    assert told.unsent_lines(has_subscribers=True) == []
    room(recorder)
    service.retry_recording()
    assert told.new_lines() == ["recording again: everything in memory is written"]
    assert told.topics() == {**WELL, "/record/sound": ("off",)}
