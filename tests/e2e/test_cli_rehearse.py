"""``oscservice rehearse``: the whole job, its outcome, and the same run for the same seed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from served import told
from small import CLAMPS, SCREWS, instrument_file


@pytest.mark.slow
def test_a_rehearsal_ends_within_a_cent_in_at_most_three_moves() -> None:
    """By the simulated guitar's own geometry, which shares no formula with the advice."""
    got = told("rehearse", "--seed", "3", "--json")
    assert (got.code, got.err) == (0, "")
    result = json.loads(got.out)
    assert (result["seed"], result["instrument"]) == (3, "six-string-648")
    strings = result["strings"]
    assert [(s["string"], s["note"]) for s in strings] == list(enumerate(("E4", "B3", "G3", "D3", "A2", "E2"), start=1))
    assert max(abs(s["before_cents"]) for s in strings) > 5.0
    for s in strings:
        assert abs(s["after_cents"]) <= 1.0, s
        assert len(s["moves_mm"]) <= 3, s
        assert s["plucks"] >= 8, s  # tuned, compared over several brackets, proved


@pytest.mark.slow
def test_the_same_seed_is_the_same_run(tmp_path: Path) -> None:
    words = ["--seed", "3", "--tolerance", "2", "--instrument", instrument_file(tmp_path, SCREWS)]
    first, second = (told("rehearse", "--json", *words) for _ in range(2))
    assert (first.code, first.err) == (0, "")
    assert first.out == second.out
    for s in json.loads(first.out)["strings"]:
        assert abs(s["after_cents"]) <= 2.0, s
        assert len(s["moves_mm"]) <= 3, s


def test_a_person_sees_each_step_and_the_outcome(tmp_path: Path) -> None:
    got = told("rehearse", "--seed", "2", "--tolerance", "3", "--instrument", instrument_file(tmp_path, CLAMPS))
    assert (got.code, got.err) == (0, "")
    for word in ("invented", "phase: tuning", "phase: comparing", "session closed: proved", "before", "after", "G3"):
        assert word in got.out


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--instrument", "no-such-one"], "is neither a preset nor a readable file"),
        (["--tolerance", "0.01"], "--tolerance"),
        (["--frets", "0 99"], "frets: fret 0; this instrument has 1 to"),
    ],
)
def test_a_rehearsal_that_cannot_be_ends_with_2(words: list[str], complaint: str) -> None:
    got = told("rehearse", *words)
    assert (got.code, got.out) == (2, "")
    assert complaint in got.complaint
