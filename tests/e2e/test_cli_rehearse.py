"""``oscservice rehearse``: the whole job, its outcome, and the same run for the same seed."""

from __future__ import annotations

import json
import re
import unittest.mock
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pytest
from oscservice_process import CommandResult, run_command
from procedure_examples import example_of, steps_of
from small_instruments import cut_preset

from oscservice.daemon import rehearsal
from oscservice.instrument.instrument_file import load_instrument, preset_names
from oscservice.simulate.mistakes import MISTAKE_TEXTS, Mistake

TOLERANCE_CENTS = 2.0
MISTAKES = (Mistake.NUT_CLAMP, Mistake.WRONG_PEG, Mistake.SLACKENING)


@pytest.mark.slow
def test_a_rehearsal_ends_within_a_cent_in_at_most_three_moves() -> None:
    """By the simulated guitar's own geometry, which shares no formula with the advice."""
    got = run_command("rehearse", "--seed", "1", "--json", "--prompts")
    assert got.code == 0
    result = json.loads(got.out)
    assert (result["seed"], result["instrument"]) == (1, "six-string-648-locking")
    assert (result["prompt"], result["nut_locked"], result["notices"]) == ("hand_over", True, [])
    strings = result["strings"]
    assert [(s["string"], s["note"]) for s in strings] == list(enumerate(("E4", "B3", "G3", "D3", "A2", "E2"), start=1))
    assert max(abs(s["before_cents"]) for s in strings) > 5.0
    for s in strings:
        assert abs(s["after_cents"]) <= 1.0, s
        assert len(s["moves_mm"]) <= 3, s
        assert s["plucks"] >= 8, s  # tuned, compared over several brackets, proved
    assert steps_of(got.err) == steps_of(example_of("rehearse --seed 1 --prompts")), "docs/procedure.md is out of date"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("preset", "strings", "tolerance_cents"),
    [
        ("six-string-648-spring", (3, 4), TOLERANCE_CENTS),
        ("six-string-648-paired", (3, 4), TOLERANCE_CENTS),
        ("six-string-628-bar", (1, 6), TOLERANCE_CENTS),
        ("acoustic-645", (3,), 1.0),  # its crowns can't be more than 1.3 cents off
    ],
)
def test_every_bridge_is_set_up_through_sound(
    tmp_path: Path, preset: str, strings: tuple[int, ...], tolerance_cents: float
) -> None:
    file = cut_preset(tmp_path, preset, strings)
    words = ("--seed", "1", "--tolerance", str(tolerance_cents), "--instrument", file)
    got = run_command("rehearse", *words, "--json")
    assert (got.code, got.err) == (0, "")
    result = json.loads(got.out)
    assert (result["prompt"], result["nut_locked"]) == ("hand_over", None)
    assert max(abs(s["before_cents"]) for s in result["strings"]) > tolerance_cents
    assert any(s["moves_mm"] for s in result["strings"])
    for s in result["strings"]:
        assert abs(s["after_cents"]) <= tolerance_cents, s


REHEARSED = {
    ("spring-balanced", "clamped", "locking"): "the default, above",
    ("spring-balanced", "clamped", "plain"): "test_serve_thorough.py",
    ("spring-balanced", "screw-driven", "plain"): "above",
    ("fixed", "screw-driven", "plain"): "test_serve_quick.py",
    ("fixed", "screw-driven", "zero fret"): "test_example_grid.py",
    ("fixed", "screw-driven", "compensated"): "test_serve_foreign.py",
    ("fixed", "paired", "plain"): "above",
    ("fixed", "two-screw bar", "plain"): "above",
    ("fixed", "shaped", "plain"): "above",
}
"""Balance of the bridge, saddles and nut of the presets: the test that sets such a guitar up through sound."""


def test_every_combination_of_the_presets_is_set_up_through_sound() -> None:
    guitars = [load_instrument(name) for name in preset_names()]
    assert {(one.bridge.balance, one.bridge.saddle, one.nut.kind) for one in guitars} == set(REHEARSED)


@dataclass(frozen=True)
class Rehearsed:
    """A rehearsal run twice: printed as JSON, and shown to a person, with the result that is shown."""

    as_json: CommandResult
    shown: CommandResult
    file: Path
    result: rehearsal.Rehearsed


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> Rehearsed:
    """The same seed, instrument, tolerance and mistakes, both times."""
    file = cut_preset(tmp_path_factory.mktemp("rehearsed"), "six-string-648-locking", (3, 4))
    words = ["rehearse", "--seed", "2", "--tolerance", str(TOLERANCE_CENTS), "--instrument", file]
    words += [word for mistake in MISTAKES for word in ("--forget", str(mistake))]
    results = []
    run = rehearsal.rehearse

    def watched(*given: Any, **more: Any) -> rehearsal.Rehearsed:
        results.append(run(*given, **more))
        return results[-1]

    with unittest.mock.patch.object(rehearsal, "rehearse", watched):
        as_json, shown = run_command(*words, "--json"), run_command(*words)
    return Rehearsed(as_json, shown, file, results[1])


@pytest.mark.slow
def test_the_same_seed_is_the_same_run(twice: Rehearsed) -> None:
    """To the last bit: JSON holds each number in full."""
    assert (twice.as_json.code, twice.as_json.err) == (0, "")
    got = json.loads(twice.as_json.out)
    again = json.loads(json.dumps(asdict(twice.result)))
    assert got == {"seed": 2, "instrument": str(twice.file), **again}
    for s in got["strings"]:
        assert abs(s["after_cents"]) <= TOLERANCE_CENTS, s
        assert len(s["moves_mm"]) <= 3, s


@pytest.mark.slow
def test_forgotten_steps_are_noticed(twice: Rehearsed) -> None:
    """Each by the next note of its string, and none but those that were forgotten."""
    got = twice.result
    assert [one.what for one in got.mistakes] == list(MISTAKES)
    assert [one.what for one in got.notices] == ["nut_still_closed", "wrong_peg", "not_slack"]
    shown = " ".join(twice.shown.out.split())
    places = [shown.index(f"mistake: {MISTAKE_TEXTS[mistake]}") for mistake in MISTAKES]
    told = [shown.index(f"noticed: {notice.text}") for notice in got.notices]
    assert sorted([*places, *told]) == [place for pair in zip(places, told, strict=True) for place in pair]
    assert "3 mistakes on purpose, 3 notices of the session." in shown
    assert got.nut_locked


@pytest.mark.slow
def test_a_person_sees_each_step_and_the_outcome(twice: Rehearsed) -> None:
    assert (twice.shown.code, twice.shown.err) == (0, "")
    for word in ("invented", "phase: tuning", "phase: comparing", "session closed: proved", "before", "after", "G3"):
        assert word in twice.shown.out
    for s in twice.result.strings:
        row = next(line.split() for line in twice.shown.out.splitlines() if line.split()[:2] == [str(s.string), s.note])
        assert row[2:5] == [f"{s.before_cents:+.1f}", f"{s.after_cents:+.2f}", str(len(s.moves_mm))]


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--instrument", "no-such-one"], "is neither a preset nor a readable file"),
        (["--tolerance", "0.01"], "--tolerance"),
        (["--tuning", "drop D"], "tuning: found 'drop D', this instrument has none; add [[tuning]] entries"),
        (["--frets", "0 99"], "frets: fret 0; this instrument has 1 to"),
        (
            ["--forget", "nut-clamp", "--instrument", "six-string-628"],
            "--forget nut-clamp: six-string-628 does not have a locking nut",
        ),
        (["--forget", "tuning"], "'tuning' is not one of 'fine-tuners'"),
    ],
)
def test_a_rehearsal_that_cannot_be_ends_with_2(words: list[str], complaint: str) -> None:
    got = run_command("rehearse", *words)
    assert (got.code, got.out) == (2, "")
    assert complaint in got.complaint


def test_moves_and_prompts_are_told_in_inches() -> None:
    def rehearsed(*_: Any, tell: Any, watch: Any, **__: Any) -> rehearsal.Rehearsed:
        tell("string 6: saddle moved +0.5 mm, as advised")
        string = rehearsal.RehearsedString(6, "E2", -8.0, 0.1, (0.5, -0.1), 9)
        return rehearsal.Rehearsed((string,), 60.0)

    with unittest.mock.patch.object(rehearsal, "rehearse", rehearsed):
        got = run_command("rehearse", "--lengths", "in")
    assert (got.code, got.err) == (0, "")
    assert "string 6: saddle moved +0.020 in, as advised" in got.out
    assert "+0.020 -0.004" in got.out
    assert "saddle in inches: + is away from the nut" in " ".join(got.out.split())
    assert not re.search(r"\bmm\b", got.out)
