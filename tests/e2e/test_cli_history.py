"""``oscservice history`` and ``compare``: an instrument's sessions, and what changed between two of them."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from made_up_session import FLOATING, SCREWS, MadeUpSession, MadeUpTechnician
from oscservice_process import run_command

from oscservice.instrument.instrument_file import load_instrument, preset_toml
from oscservice.record.journal import Journal
from oscservice.session import commands as cm
from oscservice.session import events as ev

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
AT_UTC = "2026-11-25T12:00:00.000+00:00"
RED = "the red one"


def set_up(errors_cents: float, seed: int, frets: str = "12", identity: str = RED) -> MadeUpSession:
    """A made-up guitar set up."""
    job = MadeUpSession(load_instrument(SCREWS).model_copy(update={"identity": identity}), frets=frets).inspected()
    MadeUpTechnician(job, dict.fromkeys(job.state.numbers, errors_cents), seed=seed).work()
    return job


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two set-ups of one guitar, one of another of its kind, and one that is still open."""
    folder = tmp_path_factory.mktemp("history")
    open_job = MadeUpSession(load_instrument(SCREWS).model_copy(update={"identity": RED})).tuned()
    jobs = (set_up(0.2, 1, "5 12"), set_up(0.1, 2, identity="the blue one"), set_up(0.3, 3), open_job)
    path = folder / "journal.sqlite3"
    with Journal.open(path) as opened:
        for job in jobs:
            name = opened.new_session(job.instrument.name, "made up", NOW, job.instrument.identity)
            opened.append(name, [ev.to_body(event) for event in job.events], AT_UTC)
            if job.state.outcome:
                opened.seal(name, AT_UTC)
    return path


def test_a_table_of_the_sessions_the_newest_first(journal: Path) -> None:
    got = run_command("history", RED, "--journal", journal)
    assert (got.code, got.err) == (0, "")
    lines = got.out.splitlines()
    assert lines[0] == "the red one: 3 sessions, the newest first"
    assert max(map(len, lines)) <= 80
    rows = [line.split() for line in lines if line.strip().startswith("2026-11-25-")]
    assert [row[0] for row in rows] == ["2026-11-25-4", "2026-11-25-3", "2026-11-25-1"]
    assert "open," in lines[4]
    assert "proved" in " ".join(rows[1])
    assert re.search(r"[+-]\d\.\d ± \d\.\d \(\d, (5|12)\)", got.out)


def test_by_identity_name_or_file(journal: Path, tmp_path: Path) -> None:
    def found(instrument: str | Path) -> list[str]:
        got = run_command("history", instrument, "--journal", journal, "--json")
        assert (got.code, got.err) == (0, "")
        return [row["session"].rpartition("-")[2] for row in json.loads(got.out)]

    assert found(RED) == ["4", "3", "1"]
    assert found("the blue one") == ["2"]
    assert found(SCREWS) == ["4", "3", "2", "1"], "every instrument of that name"
    file = tmp_path / "mine.toml"
    file.write_text(preset_toml(SCREWS).replace('name = "', f'identity = "{RED}"\nname = "', 1), encoding="utf-8")
    assert found(file) == ["4", "3", "1"]


def test_a_session_as_an_object(journal: Path) -> None:
    newest, last, first = json.loads(run_command("history", RED, "--journal", journal, "--json").out)
    assert (newest["outcome"], newest["closed_utc"], newest["worst"]) == ("open, comparing", None, None)
    assert (last["outcome"], last["kind"], last["tolerance_cents"]) == ("proved", "set-up", 2.0)
    assert (first["identity"], first["instrument"], first["started_utc"]) == (RED, SCREWS, AT_UTC)
    assert first["worst"]["fret"] in (5, 12)
    assert abs(first["worst"]["error_cents"]) < 2.0


def test_the_drawn_values_as_numbers(journal: Path) -> None:
    newest, last, first = json.loads(run_command("history", RED, "--journal", journal, "--json").out)
    for one in (newest, last, first):
        assert [string["string"] for string in one["strings"]] == [1, 2, 3, 4, 5, 6]
        assert one["fret"] == 12
    assert newest["strings"][0]["error_left"] is None
    for string in last["strings"]:
        assert abs(string["open_left"]["cents"]) < 5.0
        assert string["open_found"] is not None
        assert string["error_left"]["se_cents"] > 0.0
        assert string["inharmonicity"] is None, "these made-up readings say nothing of it"
    assert last["worst"]["error_cents"] in [string["error_left"]["cents"] for string in last["strings"]]


@pytest.mark.parametrize("form", ["svg", "png", "pdf"])
def test_drawn_over_months(journal: Path, tmp_path: Path, form: str) -> None:
    file = tmp_path / f"red.{form}"
    got = run_command("history", RED, "--journal", journal, "--plot", file)
    assert (got.code, got.out, got.err) == (0, f"{RED}: 3 sessions drawn in {file}\n", "")
    assert file.stat().st_size > 10_000
    both = run_command("history", RED, "--journal", journal, "--plot", file, "--json")
    assert len(json.loads(both.out)) == 3


def test_an_impossible_drawing_is_one_line(journal: Path, tmp_path: Path) -> None:
    got = run_command("history", RED, "--journal", journal, "--plot", tmp_path / "red.bmp")
    assert (got.code, got.out) == (2, "")
    assert got.complaint == f"--plot {tmp_path / 'red.bmp'}: the name has to end in .svg, .png or .pdf"
    nobody = run_command("history", "the green one", "--journal", journal, "--plot", tmp_path / "green.svg")
    assert nobody.code == 2
    assert "no session of 'the green one'" in nobody.complaint


def test_the_table_of_changes(journal: Path) -> None:
    got = run_command("compare", "2026-11-25-1", "last-1", "--instrument", RED, "--journal", journal)
    assert (got.code, got.err) == (0, "")
    lines = got.out.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0] == "first: session 2026-11-25-1 of the red one, made up (proved)"
    assert lines[1] == "second: session 2026-11-25-3 of the red one, made up (proved)"
    names = [name for line in lines if (name := line[1:7].strip()) and re.fullmatch(r"\d [A-G]\d", name)]
    assert names == ["6 E2", "5 A2", "4 D3", "3 G3", "2 B3", "1 E4"]
    assert sum("fret 12, cents" in line for line in lines) == 6
    assert sum("fret 5, cents" in line and "not comparable (1)" in line for line in lines) == 6
    assert "(1) not comparable: not heard in the second" in lines
    assert "of the" in got.out
    assert "by chance" in got.out
    in_inches = run_command(
        "compare", "2026-11-25-1", "last-1", "--instrument", RED, "--journal", journal, "--lengths", "in"
    )
    rows = [line for line in in_inches.out.splitlines() if re.search(r"saddle, in +[+]\d\.\d{3} ± \d\.\d{3} ", line)]
    assert len(rows) == sum("saddle, mm" in line for line in lines) == 6
    assert "inches + away from the nut" in " ".join(in_inches.out.split())


def test_the_changes_as_an_object(journal: Path) -> None:
    got = run_command("compare", "2026-11-25-1", "2026-11-25-2", "--journal", journal, "--json")
    assert (got.code, got.err) == (0, "")
    found = json.loads(got.out)
    assert found["remarks"] == ["two instruments: the red one and the blue one"]
    assert (found["first"]["session"], found["second"]["session"]) == ("2026-11-25-1", "2026-11-25-2")
    for cell in found["cells"]:
        assert (cell["change"] is None) == bool(cell["why"])
        if cell["change"] is not None:
            assert cell["change"]["value"] == pytest.approx(cell["after"]["value"] - cell["before"]["value"])
            squares = cell["before"]["se"] ** 2 + cell["after"]["se"] ** 2
            assert cell["change"]["se"] == pytest.approx(squares**0.5)
            assert (cell["mark"] != "") == (abs(cell["z"]) > 2.0)
    assert found["heard"] == sum(c["z"] is not None and c["what"] != "saddle" for c in found["cells"])


def test_without_an_instrument_last_is_of_all(journal: Path) -> None:
    got = run_command("compare", "last-2", "last-1", "--journal", journal, "--json")
    assert [json.loads(got.out)[side]["session"][-1] for side in ("first", "second")] == ["2", "3"]


@pytest.mark.parametrize(
    ("words", "code", "complaint"),
    [
        (("history", "nobody's"), 2, 'no session of "nobody\'s"'),
        (("history", "nowhere.toml"), 2, "neither a preset nor a readable file"),
        (("compare", "2026-11-25-1", "nobody"), 5, "there is no session 'nobody'"),
        (("compare", "last", "last-4"), 2, "last-4: the journal"),
        (("compare", "last", "last-3", "--instrument", RED), 2, "has 3 sessions of 'the red one'"),
        (("compare", "last", "last", "--instrument", "nobody's"), 2, "has 0 sessions of"),
    ],
)
def test_a_missing_session_or_file_is_reported_in_one_line(
    journal: Path, words: tuple[str, ...], code: int, complaint: str
) -> None:
    got = run_command(*words, "--journal", journal)
    assert (got.code, got.out) == (code, "")
    assert complaint in got.complaint


def test_a_journal_that_is_not_there_and_a_session_that_holds_nothing(journal: Path, tmp_path: Path) -> None:
    for words in (("history", RED), ("compare", "last", "last")):
        got = run_command(*words, "--journal", tmp_path / "none")
        assert (got.code, got.out) == (5, "")
        assert "there is no journal" in got.complaint
    path = tmp_path / "journal.sqlite3"
    with Journal.open(path) as opened:
        empty = opened.new_session(FLOATING, "x", NOW)
        broken = opened.new_session(FLOATING, "y", NOW)
        opened.append(broken, [("StringJudged", {"string": 1})], AT_UTC)
    assert "nothing was begun in it" in run_command("compare", empty, empty, "--journal", path).complaint
    assert "can't be read" in run_command("compare", broken, broken, "--journal", path).complaint
    assert run_command("history", FLOATING, "--journal", path).code == 2


def test_strings_changed_between_are_said(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite3"
    before = set_up(0.2, 1)
    job = MadeUpSession(before.instrument)
    job.do(cm.Abandon())
    bass = MadeUpSession("bass-4-864")
    bass.do(cm.Abandon())
    with Journal.open(path) as opened:
        for one in (before, bass):
            name = opened.new_session(one.instrument.name, "made up", NOW, one.instrument.identity)
            opened.append(name, [ev.to_body(event) for event in one.events], AT_UTC)
    got = run_command("compare", "last-1", "last", "--journal", path)
    assert (got.code, got.err) == (0, "")
    assert f"two instruments: {RED} and bass-4-864" in got.out
    assert "6 strings and 4: only those of both are compared" in got.out
    assert "string 1: another scale length (628 and 864 mm)" in got.out
