"""``oscservice remains``: a session's record as a table for the player, and refusals in one line."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest
from made_up_session import SCREWS, MadeUpSession, MadeUpTechnician
from oscservice_process import run_command

from oscservice.record.journal import Journal
from oscservice.session import events as ev

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def recorded(folder: Path, *jobs: MadeUpSession) -> Path:
    """A journal with these sessions, the last one the newest."""
    path = folder / "journal.sqlite3"
    with Journal.open(path) as journal:
        for job in jobs:
            name = journal.new_session(job.instrument.name, "made up", NOW)
            journal.append(name, [ev.to_body(event) for event in job.events], "2026-11-25T12:00:00.000+00:00")
    return path


@pytest.fixture(scope="module")
def done() -> tuple[MadeUpSession, MadeUpTechnician]:
    """A made-up guitar set up over several frets."""
    job = MadeUpSession(SCREWS, frets="1 3 5 7 12 17").inspected()
    hands = MadeUpTechnician(job, {n: 2.0 * n for n in job.state.numbers})
    hands.work()
    return job, hands


def cells(line: str) -> Sequence[str]:
    return re.findall(r"[+-]\d+\.\d ± \d+\.\d\*?", line)


def test_a_table_of_every_fret_of_every_string(tmp_path: Path, done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    job, hands = done
    got = run_command("remains", "--journal", recorded(tmp_path, MadeUpSession().tuned(), job))
    assert (got.code, got.err) == (0, "")
    assert got.out.startswith(f"{job.instrument.title}: session 2026-11-25-2, made up")
    rows = {int(line.split()[0]): cells(line) for line in got.out.splitlines() if cells(line)}
    assert list(rows) == list(range(1, job.instrument.frets + 1))
    assert all(len(row) == 6 for row in rows.values())
    assert {fret for fret, row in rows.items() if all(cell.endswith("*") for cell in row)} == {1, 3, 5, 7, 12, 17}
    # String 6 is first, as on the neck; the technician's result is reported.
    for fret in (5, 12, 17):
        error, _, se = rows[fret][0].removesuffix("*").split()
        assert abs(float(error) - hands.error(6, fret)) < 3.5 * float(se) + 0.1
    assert "+ sharp" in got.out


def test_one_json_object_of_a_session_by_name(tmp_path: Path, done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    job, hands = done
    path = recorded(tmp_path, job, MadeUpSession().tuned())
    got = run_command("remains", "2026-11-25-1", "--journal", path, "--json")
    assert (got.code, got.err) == (0, "")
    found = json.loads(got.out)
    assert (found["session"], found["instrument"], found["change"]) == ("2026-11-25-1", SCREWS, {})
    assert [one["string"] for one in found["strings"]] == [1, 2, 3, 4, 5, 6]
    for one in found["strings"]:
        assert one["frets"] == list(range(1, job.instrument.frets + 1))
        assert one["measured"] == [1, 3, 5, 7, 12, 17]
        at = one["frets"].index(12)
        assert abs(one["errors_cents"][at] - hands.error(one["string"])) < 3.5 * one["se_cents"][at]
        assert set(one["terms"]) == set(one["terms_se"]) == {"inverse_cents", "constant_cents", "linear_cents"}


def test_another_tuning_and_a_capo(tmp_path: Path, done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    job, _ = done
    path = recorded(tmp_path, job)

    def found(*words: str) -> dict[int, list[float]]:
        got = run_command("remains", "--journal", path, "--json", *words)
        assert (got.code, got.err) == (0, "")
        return {one["string"]: one["errors_cents"] for one in json.loads(got.out)["strings"]}

    here, down = found(), found("--semitones", "-2")
    # Slacker strings stretch by more of their tension: they fret sharper (Mersenne, and Hooke).
    assert all(down[n][11] > here[n][11] + 0.5 for n in here)
    assert all(len(row) == job.instrument.frets - 3 for row in found("--capo", "3").values())
    table = run_command("remains", "--journal", path, "--capo", "3").out
    assert "capo at fret 3, session" in table
    assert "6 G2" in table


@pytest.mark.parametrize(
    ("words", "code", "complaint"),
    [
        ((), 2, "session 2026-11-25-1: no string was compared"),
        (("nobody",), 5, "there is no session 'nobody'"),
        (("--capo", "40"), 2, "capo: fret 40"),
        (("--tuning", "drop D"), 2, "tuning: found 'drop D', this instrument has none"),
        (("--notes", "E4 B3"), 2, "notes: found 2, expected 6"),
        (("--semitones", "-2", "--notes", "E4"), 2, "--notes and --semitones"),
    ],
)
def test_unknown_remaining_errors_are_refused_in_one_line(
    tmp_path: Path, words: tuple[str, ...], code: int, complaint: str
) -> None:
    got = run_command("remains", *words, "--journal", recorded(tmp_path, MadeUpSession().tuned()))
    assert (got.code, got.out) == (code, "")
    assert complaint in got.complaint


def test_a_journal_without_sessions_or_none_at_all(tmp_path: Path) -> None:
    got = run_command("remains", "--journal", recorded(tmp_path))
    assert (got.code, got.out) == (5, "")
    assert "there is no session in the journal" in got.complaint
    assert run_command("remains", "--journal", tmp_path / "nowhere" / "j").code == 5
    path = recorded(tmp_path)
    with Journal.open(path) as journal:
        name = journal.new_session("x", "y", NOW)
        journal.append(name, [("StringJudged", {"string": 1})], "2026-11-25T12:00:00.000+00:00")
    got = run_command("remains", "--journal", path)
    assert (got.code, got.out) == (5, "")
    assert "can't be read" in got.complaint
