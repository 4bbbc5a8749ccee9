"""``oscservice job``, and job sheets in ``oscservice sessions``. All names are invented."""

from __future__ import annotations

import json
import os
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest
from oscservice_process import run_command

from oscservice.record.journal import Journal

AT = "2026-11-25T09:30:00.250+00:00"
SEALED, OPEN = "2026-11-25-1", "2026-11-25-2"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal with a sealed session and one under way."""
    path = tmp_path / "journal.sqlite3"
    with Journal.open(path) as journal:
        for name in (SEALED, OPEN):
            assert journal.new_session("plank", name, datetime(2026, 11, 25, 9, tzinfo=UTC)) == name
            journal.append(name, [("read", {"n": 1})], AT)
        journal.seal(SEALED, AT)
    return path


def test_a_sheet_is_written_amended_and_shown(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("found.jpg").write_bytes(b"invented")
    Path("sheet.toml").write_text('customer = "An Invented Customer"\ntechnician = "T"\nphotographs = ["found.jpg"]\n')
    shown = run_command("job", SEALED, "--journal", path)
    assert (shown.code, shown.out) == (
        0,
        f"{SEALED}: nothing is written on the job sheet: see `oscservice job --help`\n",
    )
    first = run_command(
        "job", OPEN, "--journal", path, "--sheet", "sheet.toml", "--technician", "U", "--note", "a\nb", "--by", "I"
    )
    assert (first.code, first.err) == (0, "")
    assert first.out.splitlines()[0].startswith(f"{OPEN}: job sheet: entry 1, 20")
    assert first.out.splitlines()[0].endswith(" UTC, by I")
    assert first.out.splitlines()[1:] == [
        "  customer: An Invented Customer",
        "  technician: U",
        "  note: a / b",
        "  photograph: found.jpg",
    ]
    again = run_command("job", OPEN, "--journal", path, "--sheet", "sheet.toml", "--technician", "U")
    assert again.out == f"{OPEN}: job sheet: all of that is on it already\n"
    assert run_command("job", OPEN, "--journal", path, "--customer", "", "--drop-photo", "found.jpg").code == 0
    shown = run_command("job", OPEN, "--journal", path)
    assert "  customer: " not in shown.out.split("entries")[0]
    assert "    customer: cleared" in shown.out.splitlines()
    assert "    photograph taken off: SHA-256 80914f0274ce…" in shown.out.splitlines()
    body = json.loads(run_command("job", OPEN, "--journal", path, "--json").out)
    assert (body["session"], body["sheet"]["technician"], len(body["entries"])) == (OPEN, "U", 2)
    assert body["entries"][0]["by"] == "I"
    assert body["sheet"]["photographs"] == []


@pytest.mark.parametrize(
    ("words", "code", "complaint"),
    [
        (("nobody", "--note", "x"), 5, "there is no session 'nobody'"),
        (("last-7", "--note", "x"), 2, "has 2 sessions"),
        ((SEALED, "--customer", "x" * 121), 2, "customer: 121 characters; expected at most 120"),
        ((SEALED, "--job", "a\nb"), 2, "job number: has the control character U+000A"),
        ((SEALED, "--photo", "none.jpg"), 2, "photograph none.jpg: there is no such file"),
        ((SEALED, "--drop-photo", "none.jpg"), 2, "expected one of: none is attached"),
        ((SEALED, "--sheet", "none.toml"), 2, "none.toml: there is no such job sheet"),
        ((SEALED, "--sheet", os.devnull), 2, "there is no such job sheet"),
        ((SEALED, "--by", "x" * 121, "--note", "x"), 2, "by: 121 characters"),
    ],
)
def test_a_mistake_has_one_line_and_writes_nothing(
    path: Path, words: tuple[str, ...], code: int, complaint: str
) -> None:
    got = run_command("job", *words, "--journal", path)
    assert (got.code, got.out) == (code, "")
    assert complaint in got.complaint
    assert "nothing is written" in run_command("job", SEALED, "--journal", path).out


def test_an_empty_sheet_file_is_told(path: Path, tmp_path: Path) -> None:
    (tmp_path / "empty.toml").write_text("")
    got = run_command("job", SEALED, "--journal", path, "--sheet", tmp_path / "empty.toml")
    assert (got.code, got.complaint) == (2, "there is nothing to write: the job sheet file is empty")


def test_verify_tells_of_job_sheets_and_photographs(path: Path, tmp_path: Path) -> None:
    pictures = [tmp_path / name for name in ("a.jpg", "b.jpg", "c.jpg")]
    for picture in pictures:
        picture.write_bytes(picture.name.encode())
        assert run_command("job", SEALED, "--journal", path, "--photo", picture).code == 0
    got = run_command("sessions", "verify", SEALED, "--journal", path)
    said = f"{SEALED}: job sheet as recorded, 3 entries, 3 of them after the seal; "
    assert (got.code, got.out.splitlines()[1]) == (0, f"{said}3 of 3 photographs as attached")
    pictures[0].unlink()
    got = run_command("sessions", "verify", SEALED, "--journal", path)
    assert (got.code, got.out.splitlines()[1:3]) == (
        0,
        [f"{said}2 of 3 photographs as attached", f"{SEALED}: photograph: {pictures[0]} is missing"],
    )
    pictures[1].write_bytes(b"B.jpg")
    got = run_command("sessions", "verify", SEALED, "--journal", path)
    changed = f"{SEALED}: photograph CHANGED: {pictures[1]} is another file than the one that was attached"
    assert (got.code, got.out.splitlines()[3]) == (1, changed)
    pictures[1].write_bytes(b"b.jpg")
    with sqlite3.connect(path) as database:
        database.execute("UPDATE job_entries SET author = 'somebody else' WHERE seq = 2")
    database.close()
    got = run_command("sessions", "verify", SEALED, "--journal", path)
    assert got.code == 1
    assert f"{SEALED}: job sheet EDITED or damaged: entry 2 does not fit its hash" in got.out.splitlines()
    assert f"{SEALED}: the file of its job sheet DIFFERS from the journal: entry 2 is not the same" in got.out
    assert f"{SEALED}: as recorded, 1 event, sealed" in got.out, "the sealed events are as they were"
    assert "EDITED" in run_command("job", SEALED, "--journal", path).out


def test_a_job_sheet_goes_out_and_in_with_its_session_unless_it_is_left_out(path: Path, tmp_path: Path) -> None:
    for name in (SEALED, OPEN):
        run_command("job", name, "--journal", path, "--customer", f"Invented Customer of {name}")
    out, other = tmp_path / "x.jsonl", tmp_path / "other.sqlite3"
    assert run_command("sessions", "export", "-o", out, "--journal", path).code == 0
    got = run_command("sessions", "import", out, "--journal", other)
    assert got.out.splitlines() == [
        f"{SEALED}: imported, 1 event",
        f"{SEALED}: job sheet: 1 new entry",
        f"{OPEN}: imported, 1 event",
        f"{OPEN}: job sheet: 1 new entry",
    ]
    assert "job sheet: 0 new entries" in run_command("sessions", "import", out, "--journal", other).out
    with Journal.open(path) as one, Journal.open(other) as two:
        for name in (SEALED, OPEN):
            assert one.jobs.record(name) == two.jobs.record(name)
    assert "Invented Customer of" in out.read_text()
    assert run_command("sessions", "export", "--without-job-sheets", "-o", out, "--journal", path).code == 0
    assert "Invented Customer of" not in out.read_text()
    # A name that is taken: the sheet follows its session.
    third = tmp_path / "third.sqlite3"
    with Journal.open(third) as journal:
        journal.new_session("plank", "another", datetime(2026, 11, 25, 8, tzinfo=UTC))
    run_command("sessions", "export", "-o", out, SEALED, "--journal", path)
    got = run_command("sessions", "import", out, "--journal", third)
    assert got.out.splitlines()[1] == f"{OPEN}: job sheet: 1 new entry"
    assert run_command("sessions", "verify", "--journal", third).code == 0
    lines = out.read_text().splitlines()
    out.write_text("\n".join([*lines[:-1], lines[-1].replace(f"Customer of {SEALED}", "Customer of mine")]))
    got = run_command("sessions", "import", out, "--journal", tmp_path / "fourth")
    assert (got.code, got.out) == (2, f"{SEALED}: imported, 1 event\n")
    assert f"{out} line 4: the job sheet of session {SEALED} was changed after it was recorded" in got.complaint
