"""Verdicts: drifted, holds, unsure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from oscservice.check.check_output import table_cells
from oscservice.check.judge import default_limits, judge
from oscservice.check.verdicts import (
    Case,
    CaseFound,
    CheckedQuantity,
    CheckFinding,
    CheckResult,
    CheckVerdict,
    Limits,
    Note,
    RecordingHeard,
    Refusal,
)
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, note_hz, note_number

GUITAR = load_instrument("six-string-648")
FRET_12 = Place("fret", 12)
SPREAD = (0.0, 0.2, -0.2, 0.1, -0.1, 0.15, -0.15, 0.05)
DRIFT = Limits(drift_cents=1.0)


def case(string: int, place: Place = OPEN) -> Case:
    return Case(string, place, note_number(GUITAR.string(string).note) + place.semitones)


def notes(string: int, place: Place, cents: float, spread: Sequence[float] = SPREAD) -> tuple[Note, ...]:
    hz = GUITAR.place_hz(string, place)
    return tuple(Note(hz * 2.0 ** ((cents + off) / 1200.0), 0.1, -20.0, 1e-4, 1e-6, "a.wav", 0.5) for off in spread)


def heard(**cents: float) -> RecordingHeard:
    """All strings, open and at fret 12, these so many cents off: ``o6=2.0``, ``f6=-1.0`` against the open one."""
    found = {}
    for string in range(1, 7):
        opened = cents.get(f"o{string}", 0.0)
        found[case(string)] = notes(string, OPEN, opened)
        found[case(string, FRET_12)] = notes(string, FRET_12, opened + cents.get(f"f{string}", 0.0))
    return RecordingHeard(GUITAR, 440.0, found)


def by_name(found: list[CaseFound]) -> dict[str, CheckFinding]:
    return {str(one.case): one.findings[-1] for one in found if one.findings}


def test_the_same_notes_hold() -> None:
    found, remarks = judge(heard(), heard(), DRIFT)
    assert [str(one.case) for one in found[:2]] == ["string 6 open", "string 6 fret 12"]
    assert {one.verdict for one in found} == {CheckVerdict.HOLDS}
    assert remarks == []
    assert {f.what for one in found for f in one.findings} == {CheckedQuantity.PITCH_DRIFT, CheckedQuantity.ERROR_DRIFT}


def test_a_peg_that_slipped_is_a_drift_of_the_open_string_and_not_of_its_fret() -> None:
    found = by_name(judge(heard(o3=-2.0), heard(), DRIFT)[0])
    assert found.pop("string 3 open").verdict is CheckVerdict.DRIFTED
    assert {one.verdict for one in found.values()} == {CheckVerdict.HOLDS}


def test_a_saddle_that_slipped_is_a_drift_of_the_fret_and_not_of_the_open_string() -> None:
    found = by_name(judge(heard(f3=2.0), heard(), DRIFT)[0])
    slipped = found.pop("string 3 fret 12")
    assert (slipped.what, slipped.verdict) == (CheckedQuantity.ERROR_DRIFT, CheckVerdict.DRIFTED)
    assert slipped.cents == pytest.approx(2.0, abs=1e-6)
    assert {one.verdict for one in found.values()} == {CheckVerdict.HOLDS}


def test_an_earlier_error_is_no_drift() -> None:
    assert {one.verdict for one in judge(heard(o1=9.0, f2=5.0), heard(o1=9.0, f2=5.0), DRIFT)[0]} == {
        CheckVerdict.HOLDS
    }


def test_thin_evidence_is_unsure_and_says_how_many_notes_would_tell() -> None:
    single = {one: found[:1] for one, found in heard().notes.items()}
    thin = RecordingHeard(GUITAR, 440.0, single)
    moved = {**single, case(6): notes(6, OPEN, 2.0, (0.0,))}
    finding = by_name(judge(RecordingHeard(GUITAR, 440.0, moved), thin, DRIFT)[0])["string 6 open"]
    assert finding.verdict is CheckVerdict.UNSURE
    assert finding.why == "over the limit, but not clearly"
    assert 2 <= finding.wanted <= 30
    assert by_name(judge(thin, thin, DRIFT)[0])["string 6 fret 12"].verdict is CheckVerdict.UNSURE
    assert by_name(judge(thin, thin, Limits(drift_cents=5.0))[0])["string 6 fret 12"].verdict is CheckVerdict.HOLDS


def test_missing_or_new_notes_cannot_be_judged() -> None:
    fewer = RecordingHeard(
        GUITAR, 440.0, {one: found for one, found in heard().notes.items() if one != case(4, FRET_12)}
    )
    gone = by_name(judge(fewer, heard(), DRIFT)[0])["string 4 fret 12"]
    assert (gone.verdict, gone.what, gone.why) == (
        CheckVerdict.UNSURE,
        CheckedQuantity.PRESENCE,
        "in the baseline, but not heard here",
    )
    new = by_name(judge(heard(), fewer, DRIFT)[0])["string 4 fret 12"]
    assert (new.verdict, new.why) == (CheckVerdict.UNSURE, "not in the baseline; accept a new one")


def test_a_string_of_another_gauge_is_not_compared_and_the_others_are() -> None:
    thicker = GUITAR.strings[5].model_copy(update={"gauge_mm": GUITAR.strings[5].gauge_mm + 0.1})
    other = GUITAR.model_copy(update={"strings": (*GUITAR.strings[:5], thicker)})
    found = by_name(judge(replace(heard(), instrument=other), heard(), DRIFT)[0])
    assert found["string 6 open"].verdict is CheckVerdict.UNSURE
    assert found["string 6 open"].why.startswith("not the same string as in the baseline: another string")
    assert found["string 5 open"].verdict is CheckVerdict.HOLDS


def test_tolerances_are_judged_without_a_baseline() -> None:
    limits = default_limits(GUITAR, baseline=False)
    assert (limits.tuning_cents, limits.error_cents, limits.drift_cents) == (3.0, 2.0, None)
    found = by_name(judge(heard(o6=5.0, f5=4.0), None, limits)[0])
    assert found["string 6 open"].verdict is CheckVerdict.OUT
    assert found["string 6 fret 12"].verdict is CheckVerdict.HOLDS
    assert (found["string 5 fret 12"].verdict, found["string 5 fret 12"].what) == (
        CheckVerdict.OUT,
        CheckedQuantity.ERROR,
    )
    assert found["string 5 open"].verdict is CheckVerdict.HOLDS


def test_a_fret_without_its_open_string_goes_by_its_pitch_and_has_no_error() -> None:
    alone = RecordingHeard(GUITAR, 440.0, {case(2, FRET_12): notes(2, FRET_12, 1.0)})
    assert by_name(judge(alone, alone, DRIFT)[0])["string 2 fret 12"].what is CheckedQuantity.PITCH_DRIFT
    finding = by_name(judge(alone, None, default_limits(GUITAR, baseline=False))[0])["string 2 fret 12"]
    assert (finding.verdict, finding.why) == (CheckVerdict.UNSURE, "its open string was not heard")


def test_after_retuning_only_errors_are_compared_with_the_baseline() -> None:
    limits = replace(DRIFT, retuned=True)
    found = by_name(judge(heard(o3=-2.5, f4=2.0), heard(), limits)[0])
    assert {name for name in found if name.endswith("open")} == set()
    assert found.pop("string 4 fret 12").verdict is CheckVerdict.DRIFTED
    assert {one.verdict for one in found.values()} == {CheckVerdict.HOLDS}
    alone = RecordingHeard(GUITAR, 440.0, {case(2, FRET_12): notes(2, FRET_12, 1.0)})
    assert by_name(judge(alone, alone, limits)[0])["string 2 fret 12"].why.startswith("retuned")


def test_a_harmonic_is_judged_less_its_rise_by_stiffness() -> None:
    """600 log2((1 + 4B) / (1 + B)) is 0.26 cents at B = 1e-4 (H. Fletcher, J. Acoust. Soc. Am. 36 (1964) 203)."""
    both = {case(6): notes(6, OPEN, 0.0), case(6, HARMONIC): notes(6, HARMONIC, 0.26)}
    finding = by_name(judge(RecordingHeard(GUITAR, 440.0, both), None, Limits(error_cents=1.0))[0])["string 6 harmonic"]
    assert finding.cents == pytest.approx(0.0, abs=0.01)


def test_a_string_far_off_its_pitch_is_not_blamed_for_how_it_frets() -> None:
    found = by_name(judge(heard(o2=-60.0, f2=3.0), heard(), DRIFT)[0])
    assert found["string 2 open"].verdict is CheckVerdict.DRIFTED
    assert found["string 2 fret 12"].verdict is CheckVerdict.UNSURE
    assert found["string 2 fret 12"].why == "the string is too far out of tune to judge this"


def test_notes_with_labels_are_compared_with_their_own_open_string() -> None:
    def labelled(dynamic: str, cents: float) -> dict[Case, tuple[Note, ...]]:
        return {
            replace(case(6, place), labels=(("dynamic", dynamic),)): notes(6, place, cents) for place in (OPEN, FRET_12)
        }

    both = RecordingHeard(GUITAR, 440.0, {**labelled("hard", 6.0), **labelled("soft", 0.0)})
    found = judge(both, None, Limits(error_cents=1.0))[0]
    errors = [one.findings[0] for one in found if one.case.place == FRET_12]
    assert [finding.cents for finding in errors] == pytest.approx([0.0, 0.0], abs=1e-6)


def test_notes_known_only_by_name_are_compared_only_with_a_baseline() -> None:
    name = Case(0, None, 45)
    sung = RecordingHeard(None, 440.0, {name: tuple(Note(note_hz(45) * (1.0 + 1e-5 * k), 0.1) for k in range(6))})
    assert judge(sung, sung, DRIFT)[0][0].verdict is CheckVerdict.HOLDS
    assert judge(sung, None, Limits())[0][0].verdict is CheckVerdict.UNSURE


def test_a_result_is_as_good_as_its_worst_case_and_a_refusal_leaves_it_unsure() -> None:
    def result(*verdicts: CheckVerdict, refused: bool = False) -> CheckResult:
        found = tuple(
            CaseFound(case(1), 1, (CheckFinding(CheckedQuantity.TUNING, 0.0, 0.1, 1.0, verdict),))
            for verdict in verdicts
        )
        return CheckResult("", "", "", DRIFT, found, (Refusal("a.wav", "is silent"),) if refused else ())

    def codes(*verdicts: CheckVerdict, refused: bool = False) -> int:
        return result(*verdicts, refused=refused).verdict.exit_code

    assert codes(CheckVerdict.HOLDS, CheckVerdict.HOLDS) == 0
    assert codes(CheckVerdict.HOLDS, refused=True) == 2
    assert codes(CheckVerdict.HOLDS, CheckVerdict.UNSURE) == 2
    assert codes(CheckVerdict.UNSURE, CheckVerdict.OUT) == 1
    assert codes(CheckVerdict.DRIFTED, CheckVerdict.OUT, refused=True) == 1
    assert codes() == 2, "nothing was judged"


@pytest.mark.parametrize(
    ("finding", "cells"),
    [
        (
            CheckFinding(CheckedQuantity.TUNING, -3.26, 0.01, 3.0, CheckVerdict.OUT),
            ["tuning", "-3.3", "0.1", "3", "out"],
        ),
        (
            CheckFinding(CheckedQuantity.ERROR_DRIFT, -0.04, 0.44, 1.5, CheckVerdict.UNSURE, "too few [notes]", 4),
            ["error drift", "+0.0", "0.4", "1.5", "unsure: too few [notes], about 4 notes would be enough"],
        ),
        (
            CheckFinding(CheckedQuantity.PRESENCE, None, None, 1.0, CheckVerdict.UNSURE, "missing"),
            ["presence", "", "", "", "unsure: missing"],
        ),
    ],
)
def test_a_finding_is_plain_cells_of_a_table(finding: CheckFinding, cells: list[str]) -> None:
    assert table_cells(finding) == cells
