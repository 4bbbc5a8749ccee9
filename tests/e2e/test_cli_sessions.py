"""``oscservice sessions``: list, verify, export, import."""

from __future__ import annotations

import json
import random
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from oscservice_process import run_command

from oscservice.record.event_chain import edited
from oscservice.record.journal import Journal
from oscservice.record.session_files import SessionFiles

AT = "2026-11-25T09:30:00.250+00:00"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal with a sealed session and one under way."""
    path = tmp_path / "journal.sqlite3"
    with Journal.open(path) as journal:
        for seed, label in enumerate(("first", "Ä [b] \u2028")):
            draw = random.Random(seed)
            session = journal.new_session("plank", label, datetime(2026, 11, 25, 9, seed, tzinfo=UTC))
            journal.append(session, [("read", {"hz": draw.uniform(40, 400), "x": -0.0}) for _ in range(5)], AT)
            if seed == 0:
                journal.seal(session, AT)
    return path


@pytest.fixture
def exported(path: Path, tmp_path: Path) -> Path:
    file = tmp_path / "x.jsonl"
    assert run_command("sessions", "export", "-o", file, "--journal", path).code == 0
    return file


def records(path: Path) -> list[Any]:
    with Journal.open(path, readonly=True) as journal:
        return sorted((journal.record(row.id) for row in journal.sessions()), key=lambda one: one.session.id)


def test_sessions_are_listed(path: Path) -> None:
    got = run_command("sessions", "--journal", path)
    assert (got.code, got.err) == (0, "")
    lines = got.out.splitlines()
    assert [line.split()[0] for line in lines if "2026-11-25-" in line] == ["2026-11-25-2", "2026-11-25-1"]
    assert "sealed" in got.out
    assert "Ä [b]" in got.out


def test_an_empty_journal_and_none_at_all(tmp_path: Path) -> None:
    Journal.open(tmp_path / "j").close()
    assert "there is no session" in run_command("sessions", "--journal", tmp_path / "j").out
    assert run_command("sessions", "--journal", tmp_path / "none").code == 5
    assert run_command("sessions", "export", "--journal", tmp_path / "j").out == ""


def test_out_and_in_again_is_the_same_to_the_last_bit(path: Path, exported: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite3"
    got = run_command("sessions", "import", exported, "--journal", other)
    assert (got.code, got.err) == (0, "")
    assert got.out.splitlines() == ["2026-11-25-1: imported, 5 events", "2026-11-25-2: imported, 5 events"]
    assert records(other) == records(path)
    again = run_command("sessions", "import", exported, "--journal", other)
    assert [line.split(": ")[1] for line in again.out.splitlines()] == ["already here, unchanged, 5 events"] * 2
    assert records(other) == records(path)


def test_single_sessions_go_to_standard_output(path: Path) -> None:
    got = run_command("sessions", "export", "2026-11-25-2", "--journal", path)
    lines = [json.loads(line) for line in got.out.split("\n")[:-1]]
    assert (lines[0]["format"], lines[0]["version"], lines[0]["session"]) == ("oscservice-session", 1, "2026-11-25-2")
    assert [line["seq"] for line in lines[1:]] == [1, 2, 3, 4, 5]
    assert all(len(line["hash"]) == 64 for line in lines[1:])
    assert run_command("sessions", "export", "2026-11-25-9", "--journal", path).code == 5


def test_another_session_of_that_name_gets_a_free_one_and_its_hashes_still_fit(exported: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite3"
    with Journal.open(other) as journal:
        journal.new_session("plank", "another", datetime(2026, 11, 25, 8, tzinfo=UTC))
    got = run_command("sessions", "import", exported, "--journal", other)
    assert got.out.splitlines()[0] == (
        "2026-11-25-1: imported as 2026-11-25-2, since another session has that name, 5 events"
    )
    with Journal.open(other) as journal:
        assert [row.label for row in journal.sessions()] == ["Ä [b] \u2028", "first", "another"]
        assert all(edited(journal.record(row.id)) is None for row in journal.sessions())
    assert "already here" in run_command("sessions", "import", exported, "--journal", other).out


def test_a_session_of_which_the_beginning_is_here_is_continued(path: Path, exported: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite3"
    run_command("sessions", "import", exported, "--journal", other)
    with Journal.open(path) as journal:
        journal.append("2026-11-25-2", [("read", {"hz": 1.0})], AT)
        journal.seal("2026-11-25-2", AT)
    run_command("sessions", "export", "-o", exported, "--journal", path)
    got = run_command("sessions", "import", exported, "--journal", other)
    assert "2026-11-25-2: continued from what was here, 6 events" in got.out
    assert records(other) == records(path)


# --- what is refused ---


def change(line: int, key: str, value: Any) -> Callable[[list[str]], None]:
    def act(lines: list[str]) -> None:
        found = json.loads(lines[line - 1])
        found[key] = value
        lines[line - 1] = json.dumps(found)

    return act


def drop(line: int) -> Callable[[list[str]], None]:
    return lambda lines: lines.pop(line - 1) and None


@pytest.mark.parametrize(
    ("act", "line", "complaint"),
    [
        (change(3, "body", {"hz": 1.0}), 3, "was changed after it was recorded"),
        (change(4, "hash", "0" * 64), 4, "was changed"),
        (change(4, "kind", "heard"), 4, "was changed"),
        (change(4, "at_utc", "later"), 4, "was changed"),
        (change(1, "label", "another"), 6, "was changed"),
        (change(1, "closed_utc", "2026-11-25T09:30:00.251+00:00"), 6, "was changed"),
        (change(1, "origin", "2026-11-25-7"), 2, "was changed"),
        (change(1, "seal", None), 6, "was changed"),
        (change(1, "format", "tape"), 1, "format"),
        (change(1, "version", 2), 1, "version 2 is not known"),
        (change(1, "session", "../../x"), 1, "no name of a session"),
        (change(1, "started_utc", "yesterday"), 1, "no time"),
        (change(1, "label", 3), 1, '"label" is no text'),
        (change(1, "label", "\ud800"), 1, "half a character"),
        (change(1, "events", 6), 1, "should have 6 events and has 5"),
        (change(1, "events", True), 1, "no whole number"),
        (change(3, "seq", "2"), 3, '"seq" is no whole number'),
        (change(3, "body", [1]), 3, "no JSON object"),
        (change(3, "body", {"hz": float("nan")}), 3, "can't be recorded"),
        (drop(3), 3, "event 3 comes where event 2 should"),
        (drop(6), 1, "should have 5 events and has 4"),
        (drop(1), 1, "a session begins with a line"),
        (lambda lines: lines.insert(2, "rubbish"), 3, "no JSON object"),
        (lambda lines: lines.insert(2, "[" * 100_000), 3, "no JSON object"),
    ],
)
def test_a_bad_line_is_named_and_only_its_session_is_left_out(
    exported: Path, tmp_path: Path, act: Callable[[list[str]], None], line: int, complaint: str
) -> None:
    lines = exported.read_text().split("\n")
    act(lines)
    exported.write_text("\n".join(lines))
    other = tmp_path / "other.sqlite3"
    got = run_command("sessions", "import", exported, "--journal", other)
    assert got.code == 2
    assert got.complaint.startswith(f"{exported} line {line}: ")
    assert complaint in got.complaint
    assert [record.session.label for record in records(other)] == ["Ä [b] \u2028"]


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", b"\0" * 1000, b"\n\n", b"{}"])
def test_a_file_that_is_no_export_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "x").write_bytes(content)
    got = run_command("sessions", "import", tmp_path / "x", "--journal", tmp_path / "j")
    assert got.code == 2
    assert str(tmp_path / "x") in got.complaint
    assert run_command("sessions", "import", tmp_path / "none", "--journal", tmp_path / "j").code == 2
    assert run_command("sessions", "import", tmp_path, "--journal", tmp_path / "j").code == 2


def test_a_file_that_cannot_be_written_is_reported(path: Path, tmp_path: Path) -> None:
    for place in (tmp_path / "none" / "x", tmp_path):
        got = run_command("sessions", "export", "-o", place, "--journal", path)
        assert got.code == 2
        assert str(place) in got.complaint
    assert not list(tmp_path.glob("*.part"))


# --- verify ---


def test_verify_says_which_event_was_edited(path: Path) -> None:
    got = run_command("sessions", "verify", "--journal", path)
    assert (got.code, got.out.splitlines()[:2]) == (
        0,
        ["2026-11-25-1: as recorded, 5 events, sealed", "2026-11-25-2: as recorded, 5 events, open, not sealed yet"],
    )
    with sqlite3.connect(path) as database:
        database.execute("UPDATE events SET body = '{\"hz\":1.0}' WHERE session = '2026-11-25-1' AND seq = 3")
    database.close()
    got = run_command("sessions", "verify", "2026-11-25-1", "--journal", path)
    assert got.code == 1
    assert got.out.startswith("2026-11-25-1: EDITED or damaged: event 3 does not fit its hash\n")
    folder = SessionFiles(path).folder
    wanted = f"2026-11-25-1: its file in {folder} DIFFERS from the journal: event 3 is not the same"
    assert got.out.splitlines()[1] == wanted
    assert "no key" in got.out
    assert run_command("sessions", "verify", "2026-11-25-2", "--journal", path).code == 0
    assert "edited or damaged" in run_command("sessions", "--journal", path).out
    assert run_command("sessions", "verify", "nonsense", "--journal", path).code == 5


@pytest.mark.parametrize(
    ("session", "act", "complaint"),
    [
        ("2026-11-25-1", lambda text: text.replace("plank", "planck"), "name, label, times or seal are not the same"),
        ("2026-11-25-1", lambda text: text[: text.index('{"seq": 4')], "the file has 3 good events, the journal 5"),
        ("2026-11-25-2", lambda text: text[: text.index('{"seq": 5')], "the file has 4 good events, the journal 5"),
        ("2026-11-25-2", lambda text: text[:-2], "the file has 4 good events, the journal 5"),
        ("2026-11-25-2", lambda text: "rubbish\n", "the file can't be read"),
    ],
)
def test_verify_says_where_a_session_s_file_differs(
    path: Path, session: str, act: Callable[[str], str], complaint: str
) -> None:
    folder = SessionFiles(path).folder
    (file,) = folder.glob(f"{session}.*")
    file.write_text(act(file.read_text()))
    got = run_command("sessions", "verify", "--journal", path)
    assert got.code == 1
    (line,) = [line for line in got.out.splitlines() if "DIFFERS" in line]
    assert line == f"{session}: its file in {folder} DIFFERS from the journal: {complaint}"
    file.unlink()
    assert run_command("sessions", "verify", "--journal", path).code == 0, (
        "it is copied when the journal is opened next"
    )


def test_a_session_s_own_file_can_be_imported(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite3"
    for file in sorted(SessionFiles(path).folder.iterdir()):
        got = run_command("sessions", "import", file, "--journal", other)
        assert (got.code, got.out.split(": ")[1]) == (0, "imported, 5 events\n")
    assert records(other) == records(path)


def test_import_repairs_the_journal_first_and_reports_it(path: Path, exported: Path) -> None:
    before = records(path)
    path.write_bytes(b"\xff" * 9000)
    got = run_command("sessions", "import", exported, "--journal", path)
    assert (got.code, got.err) == (0, "")
    assert got.out.splitlines()[0].startswith("the journal was damaged and is recovered: 10 events of 2 sessions; ")
    assert got.out.count("already here") == 2
    assert records(path) == before
