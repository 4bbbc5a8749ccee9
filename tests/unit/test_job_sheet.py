"""Job sheets in the record: what entries come to, their chain, their copies, and the sealed session, which stays.

All names are invented.
"""

from __future__ import annotations

import json
import os
import sqlite3
import stat
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.errors import InputError, JournalError
from oscservice.record.event_chain import SessionRow, edited
from oscservice.record.job_entries import JobEntry, JobRecord, good_entries, job_fault, job_lines, next_entry, sheet_of
from oscservice.record.job_file import read_job_file
from oscservice.record.job_sheet import LONGEST, MOST_NOTES, JobChange, JobSheet, Photograph, checked_change
from oscservice.record.journal import Journal
from oscservice.record.photographs import check_photographs, photograph
from oscservice.record.recorder import Recorder
from oscservice.record.session_files import records

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
AT, LATER = "2026-11-25T09:30:00.250+00:00", "2026-12-01T08:00:00.000+00:00"
ROW = SessionRow("2026-11-25-1", "plank", "", AT, LATER, 0, origin="2026-11-25-1", seal="5ea1")
FIRST = JobChange({"customer": "An Invented Customer", "job": "2026-117"}, ("rattle at fret 9",))
SECOND = JobChange({"customer": "Another Invented Customer", "job": ""}, ("the rattle was a loose screw",))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite3"


def fill(path: Path, *, sealed: bool = True) -> str:
    """Write a session with one entry before the seal, and one after it."""
    with Journal.open(path) as journal:
        name = journal.new_session("plank", "label", NOW)
        journal.append(name, [("read", {"n": 1}), ("read", {"n": 2})], AT)
        journal.jobs.add(name, FIRST, AT, "one (invented)")
        if sealed:
            journal.seal(name, AT)
            journal.jobs.add(name, SECOND, LATER, "another (invented)")
    return name


def chain(*changes: JobChange) -> list[JobEntry]:
    entries: list[JobEntry] = []
    for change in changes:
        entries.append(next_entry(ROW, entries, change.to_body(), AT, "one", "5ea1" if entries else ""))
    return entries


def change(path: Path, statement: str, *values: Any) -> None:
    with sqlite3.connect(path) as database:
        database.execute(statement, values)
    database.close()


def copy_of(path: Path, session: str) -> Path:
    return path.with_name(f"{path.name}.sessions") / f"{session}.job.jsonl"


# --- what entries come to ---


def test_each_entry_changes_what_it_names_and_keeps_the_rest() -> None:
    sheet = sheet_of(chain(FIRST, JobChange({"number": "INV-1"}), SECOND))
    assert (sheet.customer, sheet.number, sheet.job) == ("Another Invented Customer", "INV-1", "")
    assert [(note.by, note.text) for note in sheet.notes] == [
        ("one", "rattle at fret 9"),
        ("one", "the rattle was a loose screw"),
    ]
    assert sheet.fields() == {"customer": "Another Invented Customer", "number": "INV-1"}


def test_a_photograph_attached_again_is_named_once_and_can_be_taken_off() -> None:
    here, there = (Photograph(place, place, "a" * 64, 5) for place in ("/here/a.jpg", "/there/a.jpg"))
    other = Photograph("b.jpg", "/here/b.jpg", "b" * 64, 5)
    sheet = sheet_of(chain(JobChange(photographs=(here, other)), JobChange(photographs=(there,))))
    assert [one.photograph for one in sheet.photographs] == [other, there]
    assert [one.name for one in (here, other, there)] == ["a.jpg", "b.jpg", "a.jpg"]
    assert [one.photograph for one in sheet.after(JobChange(dropped=("b" * 64,)), AT, "").photographs] == [there]


def test_what_is_on_the_sheet_already_is_not_new() -> None:
    sheet = sheet_of(chain(FIRST))
    assert not sheet.new_in(FIRST)
    assert sheet.new_in(JobChange({"customer": "X", "job": "2026-117"}, ("new", "rattle at fret 9"))) == JobChange(
        {"customer": "X"}, ("new",)
    )


def test_unknown_fields_of_a_newer_version_are_passed_over() -> None:
    assert JobChange.from_body({"fields": {"customer": "X", "colour": "red"}, "sizes": [1]}) == JobChange(
        {"customer": "X"}
    )
    for body in ({"fields": []}, {"photographs": [{"path": "x"}]}, {"notes": 3}):
        with pytest.raises(ValueError, match="no entry"):
            JobChange.from_body(body)


@given(
    st.dictionaries(st.sampled_from(sorted(LONGEST)), st.text(max_size=40)),
    st.lists(st.text(max_size=20), max_size=3),
)
def test_any_change_is_read_back_as_it_was(fields: dict[str, str], notes: list[str]) -> None:
    change = JobChange(fields, tuple(notes))
    assert JobChange.from_body(json.loads(json.dumps(change.to_body()))) == change


@pytest.mark.parametrize(
    ("fields", "complaint"),
    [
        ({"customer": "x" * 121}, "customer: 121 characters; expected at most 120"),
        ({"job": "one\ntwo"}, r"job number: has the control character U\+000A; expected text in one line"),
        ({"number": "\udce9"}, r"instrument number: has the control character U\+DCE9"),
        ({"technician": "a\u202eb"}, r"U\+202E"),
        ({"message": "a\x00b"}, r"message to the customer: has the control character U\+0000; expected text$"),
    ],
)
def test_texts_have_limits(fields: dict[str, str], complaint: str) -> None:
    with pytest.raises(InputError, match=complaint) as error:
        checked_change(fields)
    assert "\n" not in str(error.value)


def test_names_of_all_scripts_are_taken() -> None:
    given = {"customer": "  Ангелина О’Нил, 山田\u3000花子, क\u200dष  ", "message": "one\ntwo"}
    assert checked_change(given, ["  ", " a\nb "]) == JobChange(
        {"customer": given["customer"].strip(), "message": "one\ntwo"}, ("a\nb",)
    )


# --- the chain ---


def test_an_edit_of_any_part_of_an_entry_is_found() -> None:
    entries = chain(FIRST, SECOND)
    assert job_fault(ROW, entries) is None
    for part in ("at_utc", "by", "seal", "hash"):
        changed = [replace(entries[0], **{part: "5ea2"}), entries[1]]
        assert job_fault(ROW, changed).what == "entry 1 does not fit its hash"
    body = entries[0].body.replace("2026-117", "2026-118")
    assert job_fault(ROW, [replace(entries[0], body=body), entries[1]]).seq == 1
    assert job_fault(ROW, [replace(entries[0], body="{"), entries[1]]).what == "entry 1 can't be read"
    assert job_fault(ROW, entries[1:]).what == "entry 1 is missing"
    assert job_fault(replace(ROW, origin="2026-11-25-2"), entries).seq == 1
    assert job_fault(replace(ROW, seal="other"), entries).what == "entry 2 names another seal than the session's"
    assert good_entries(ROW, [entries[0], replace(entries[1], by="x")]) == (entries[0],)


def exported() -> tuple[JobRecord, list[str]]:
    record = JobRecord(ROW.id, ROW.origin, ROW.started_utc, tuple(chain(FIRST, SECOND)))
    return record, list(job_lines(record))


def test_lines_are_read_back() -> None:
    record, lines = exported()
    assert list(records(lines, "x")) == [record]
    assert list(job_lines(replace(record, entries=()))) == []


@pytest.mark.parametrize(
    ("line", "old", "new", "complaint"),
    [
        (
            2,
            "2026-117",
            "2026-118",
            "x line 2: the job sheet of session 2026-11-25-1 was changed after it was recorded",
        ),
        (1, '"version": 1', '"version": 2', "x line 1: version 2 is not known here"),
        (1, '"entries": 2', '"entries": 3', "x line 1: the job sheet of session 2026-11-25-1 should have 3 entries"),
        (1, '"session": "2026', '"session": "../2026', "x line 1: a job sheet names its session"),
        (3, '"entry": 2', '"entry": "2"', 'x line 3: "entry" is no whole number'),
        (2, '"by": "one"', '"by": 1', 'x line 2: "at_utc", "by", "seal" and "hash" are texts'),
        (3, '"body": {', '"body": [{', "x line 3: no JSON object"),
    ],
)
def test_a_bad_line_is_named(line: int, old: str, new: str, complaint: str) -> None:
    _, lines = exported()
    assert old in lines[line - 1]
    lines[line - 1] = lines[line - 1].replace(old, new)
    (mistake,) = records(lines, "x")
    assert isinstance(mistake, InputError)
    assert str(mistake).startswith(complaint)


# --- in the journal ---


def test_amendments_after_sealing_are_further_entries_and_the_sealed_chain_stays(path: Path) -> None:
    name = fill(path, sealed=False)
    with Journal.open(path) as journal:
        journal.seal(name, AT)
        before = journal.record(name)
        journal.jobs.add(name, SECOND, LATER, "another (invented)")
        assert journal.record(name) == before
        assert edited(before) is None
        entries = journal.jobs.entries(name)
        assert [(one.seq, one.at_utc, one.by, one.seal) for one in entries] == [
            (1, AT, "one (invented)", ""),
            (2, LATER, "another (invented)", before.session.seal),
        ]
        assert job_fault(before.session, entries) is None
        assert journal.jobs.difference(before.session) == ""


def test_a_session_that_is_open_elsewhere_takes_entries_and_both_go_on(path: Path) -> None:
    with Journal.open(path) as daemon:
        name = daemon.new_session("plank", "label", NOW)
        daemon.append(name, [("read", {"n": 1})], AT)
        with Journal.open_repaired(path) as other:
            other.jobs.add(name, FIRST, AT, "one")
            with pytest.raises(JournalError, match="is open in another"):
                other.claim(name)
        daemon.append(name, [("read", {"n": 2})], AT)
        daemon.jobs.add(name, SECOND, AT, "two")
        daemon.seal(name, AT)
        assert edited(daemon.record(name)) is None
        assert job_fault(daemon.row(name), daemon.jobs.entries(name)) is None
        assert len(daemon.jobs.entries(name)) == 2


def test_entries_of_several_processes_at_once_are_all_in_the_copy(path: Path) -> None:
    name = fill(path)

    def write(author: str) -> None:
        with Journal.open(path, wait_s=20.0) as journal:
            for n in range(5):
                journal.jobs.add(name, JobChange(notes=(f"{author} {n}",)), LATER, author)
                assert journal.notes == []

    with ThreadPoolExecutor(3) as pool:
        list(pool.map(write, ("one", "two", "three")))
    with Journal.open(path, readonly=True) as journal:
        row, entries = journal.row(name), journal.jobs.entries(name)
        assert len(entries) == 2 + 15
        assert job_fault(row, entries) is None
        assert journal.jobs.difference(row) == ""
    assert not list(copy_of(path, name).parent.glob("*aside*"))


def test_only_the_owner_can_read_what_has_a_job_sheet(path: Path) -> None:
    with Journal.open(path) as journal:
        name = journal.new_session("plank", "label", NOW)
        os.chmod(path, 0o644)
        assert not copy_of(path, name).exists()
        journal.jobs.add(name, FIRST, AT, "one")
        files = [path, *path.parent.glob(f"{path.name}-*"), copy_of(path, name)]
        assert len(files) == 4
        assert {stat.S_IMODE(file.stat().st_mode) for file in files} == {0o600}


def test_a_journal_without_job_sheets_has_no_table_of_them(path: Path) -> None:
    with Journal.open(path) as journal:
        name = journal.new_session("plank", "label", NOW)
        assert journal.jobs.entries(name) == ()
    with sqlite3.connect(path) as database:
        tables = {name for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    database.close()
    assert tables == {"sessions", "events"}


@pytest.mark.parametrize("damage", [b"\xff" * 9000, b""])
def test_a_damaged_journal_built_again_has_the_job_sheets(path: Path, damage: bytes) -> None:
    name = fill(path)
    with Journal.open(path, readonly=True) as journal:
        before = journal.jobs.record(name)
    for end in ("-wal", "-shm"):
        path.with_name(f"{path.name}{end}").unlink(missing_ok=True)
    path.write_bytes(damage)
    with Journal.open_repaired(path) as journal:
        assert journal.jobs.record(name) == before
        assert "2 entries of 1 job sheet were missing and are restored from their files" in journal.notes
        assert job_fault(journal.row(name), journal.jobs.entries(name)) is None
    with Journal.open_repaired(path) as journal:
        assert journal.notes == []


@pytest.mark.parametrize("statement", ["DELETE FROM job_entries WHERE seq = 2", "UPDATE job_entries SET body = '{'"])
def test_entries_that_are_lost_are_restored_from_the_copy(path: Path, statement: str) -> None:
    name = fill(path)
    with Journal.open(path, readonly=True) as journal:
        before = journal.jobs.entries(name)
    change(path, statement)
    with Journal.open_repaired(path) as journal:
        assert journal.jobs.entries(name) == before
        assert len(journal.notes) == 1


def test_an_edited_entry_stays_and_its_good_copy_too(path: Path) -> None:
    name = fill(path)
    good = copy_of(path, name).read_bytes()
    change(path, "UPDATE job_entries SET body = replace(body, '2026-117', '2026-118')")
    with Journal.open_repaired(path) as journal:
        row = journal.row(name)
        assert job_fault(row, journal.jobs.entries(name)).what == "entry 1 does not fit its hash"
        assert journal.jobs.difference(row) == "entry 1 is not the same"
        journal.jobs.add(name, JobChange(notes=("further",)), LATER, "one")
        assert copy_of(path, name).read_bytes() == good


def test_a_copy_that_is_missing_is_written_again(path: Path) -> None:
    name = fill(path)
    good = copy_of(path, name).read_bytes()
    copy_of(path, name).unlink()
    with Journal.open_repaired(path) as journal:
        assert copy_of(path, name).read_bytes() == good
        assert journal.notes == []


def test_the_copy_of_another_session_is_put_aside(path: Path) -> None:
    name = fill(path)
    foreign = copy_of(path, name).read_text().replace(AT, LATER)
    copy_of(path, name).write_text(foreign)
    change(path, "DELETE FROM job_entries")
    with Journal.open_repaired(path) as journal:
        assert journal.jobs.entries(name) == ()
        journal.jobs.add(name, FIRST, AT, "one")
        assert journal.jobs.difference(journal.row(name)) == ""
    (aside,) = copy_of(path, name).parent.glob("*.aside*")
    assert aside.read_text() == foreign


def test_a_copy_that_can_not_be_written_is_told_and_the_entry_is_in_the_journal(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = fill(path)

    def fails(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("oscservice.record.job_book.replace_file", fails)
    with Journal.open(path) as journal:
        journal.jobs.add(name, JobChange(notes=("further",)), LATER, "one")
        assert len(journal.jobs.entries(name)) == 3
        assert [note.rpartition(": ")[2] for note in journal.notes] == ["No space left on device"]


def test_a_sheet_has_limits_and_an_unknown_session_none(path: Path) -> None:
    name = fill(path)
    with Journal.open(path) as journal:
        with pytest.raises(InputError, match=f"would have {MOST_NOTES + 2} notes; expected at most {MOST_NOTES}"):
            journal.jobs.add(name, JobChange(notes=tuple(map(str, range(MOST_NOTES)))), AT, "one")
        with pytest.raises(JournalError, match="there is no session"):
            journal.jobs.add("2026-11-25-9", FIRST, AT, "one")
        assert len(journal.jobs.entries(name)) == 2
    with Journal.open(path, readonly=True) as journal, pytest.raises(JournalError, match="reading only"):
        journal.jobs.add(name, FIRST, AT, "one")


def test_entries_from_elsewhere_are_added_once(path: Path, tmp_path: Path) -> None:
    name = fill(path)
    with Journal.open(path) as journal:
        record, exported = journal.record(name), journal.jobs.record(name)
        assert journal.jobs.take(exported) == (name, 0)
    with Journal.open(tmp_path / "other") as other:
        with pytest.raises(InputError, match="that session is not in the journal"):
            other.jobs.take(exported)
        assert other.new_session("plank", "its name is taken", NOW) == name
        here = other.put(record)
        assert other.jobs.take(exported) == (here, 2)
        assert other.jobs.entries(here) == exported.entries
        assert job_fault(other.row(here), other.jobs.entries(here)) is None
        # Both sheets are amended: the entries that are new follow those that were here.
        other.jobs.add(here, JobChange(notes=("here",)), LATER, "one")
    with Journal.open(path) as journal:
        journal.jobs.add(name, JobChange(notes=("there",)), LATER, "one")
        exported = journal.jobs.record(name)
    with Journal.open(tmp_path / "other") as other:
        assert other.jobs.take(exported) == (here, 1)
        assert other.jobs.take(exported) == (here, 0)
        entries = other.jobs.entries(here)
        assert [note.text for note in sheet_of(entries).notes][-2:] == ["here", "there"]
        assert job_fault(other.row(here), entries) is None


# --- while the journal can't be written ---


def test_entries_wait_in_memory_and_are_written_before_the_seal(path: Path) -> None:
    with Recorder.open(path) as recorder:
        assert recorder._journal is not None
        recorder._journal.database.execute("PRAGMA max_page_count = 1")
        for _ in range(100):
            recorder.new_session("plank", "x" * 500, NOW)
            if recorder.fault:
                break
        name = recorder.new_session("plank", "label", NOW)
        recorder.append(name, [("read", {"n": 1})], AT)
        recorder.add_to_job(name, FIRST, AT, "one")
        recorder.seal(name, LATER)
        kept = Path(recorder.rescued().partition("in memory is in ")[2].partition(":")[0])
        rescued = [one for one in records(kept.read_text().splitlines(), "x") if isinstance(one, JobRecord)]
        kept.unlink()
        assert [sheet_of(one.entries).customer for one in rescued] == ["An Invented Customer"]
        recorder._journal.database.execute("PRAGMA max_page_count = 100000")
        name = recorder.try_again().get(name, name)
        assert not recorder.fault
        (entry,) = recorder._journal.jobs.entries(name)
        assert (entry.seal, entry.by) == ("", "one")
        assert job_fault(recorder._journal.row(name), [entry]) is None


# --- files that a technician gives ---


def test_a_job_sheet_file_gives_fields_a_note_and_photographs(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"invented")
    file = tmp_path / "sheet.toml"
    file.write_text('customer = "An Invented Customer"\njob = ""\nnote = "a"\nphotographs = ["a.jpg"]\n')
    change = read_job_file(file)
    assert (change.fields, change.notes) == ({"customer": "An Invented Customer", "job": ""}, ("a",))
    (one,) = change.photographs
    assert (one.path, one.place, one.size) == ("a.jpg", str(tmp_path / "a.jpg"), 8)
    # `printf invented | sha256sum`
    assert one.sha256 == "80914f0274ced542b3c64fd18666296efc1be86f90fc57f02ac5b46ed46d4489"


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ('custmer = "x"', "line 1: custmer: unknown key; did you mean customer?"),
        ("customer = 3", "line 1: customer: found 3, expected a name in quotes, at most 120 characters"),
        ('\ncustomer = "' + "x" * 121 + '"', "line 2: customer: found"),
        ('photographs = ["none.jpg"]', "photograph none.jpg: there is no such file"),
        ('technician = "a\\u0007"', "technician: has the control character U+0007"),
    ],
)
def test_a_mistake_in_the_file_has_one_line(tmp_path: Path, text: str, complaint: str) -> None:
    file = tmp_path / "sheet.toml"
    file.write_text(text)
    with pytest.raises(InputError) as error:
        read_job_file(file)
    assert str(error.value).startswith(f"{file}: {complaint}")
    assert "\n" not in str(error.value)
    with pytest.raises(InputError, match="there is no such job sheet"):
        read_job_file(tmp_path / "none.toml")


def test_photographs_are_compared_with_their_hashes(tmp_path: Path) -> None:
    found = []
    for name in ("a.jpg", "b.jpg", "c.jpg"):
        (tmp_path / name).write_bytes(name.encode())
        found.append(photograph(name, tmp_path))
    (tmp_path / "b.jpg").write_bytes(b"other")
    (tmp_path / "c.jpg").unlink()
    check = check_photographs(found)
    assert check.kept == 1
    assert check.changed == (f"{tmp_path / 'b.jpg'} is another file than the one that was attached",)
    assert check.missing == (f"{tmp_path / 'c.jpg'} is missing",)


def test_what_is_no_photograph_is_refused(tmp_path: Path) -> None:
    (tmp_path / "empty.jpg").touch()
    for name, complaint in (("empty.jpg", "0 bytes"), ("none", "no such file"), (".", "no such file"), ("a\nb", "U+")):
        with pytest.raises(InputError) as error:
            photograph(name, tmp_path)
        assert complaint in str(error.value)


def test_the_file_in_the_document_is_a_job_sheet(tmp_path: Path) -> None:
    document = (Path(__file__).parents[2] / "docs" / "record.md").read_text(encoding="utf-8")
    text = document.partition("```toml\n# sheet.toml, invented\n")[2].partition("```")[0]
    (tmp_path / "sheet.toml").write_text(text)
    (tmp_path / "found.jpg").write_bytes(b"invented")
    change = read_job_file(tmp_path / "sheet.toml")
    assert set(change.fields) == {"customer", "number", "job", "technician", "string_set"}
    assert (change.notes, len(change.photographs)) == (("rattle at fret 9",), 1)


def test_an_empty_sheet_is_empty() -> None:
    assert sheet_of([]) == JobSheet()
    assert not JobChange()
