"""Properties of every check, for any notes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.check.judge import judge
from oscservice.check.verdicts import Case, CheckFinding, CheckVerdict, Limits, Note, RecordingHeard
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN, Place, note_number
from oscservice.session.quick_check import DRIFT_SD

GUITAR = load_instrument("six-string-648")
CASES = [
    Case(string, place, note_number(GUITAR.string(string).note) + place.semitones)
    for string in (6, 2)
    for place in (OPEN, Place("fret", 12), Place("fret", 5))
]

pluck = st.tuples(st.floats(-30.0, 30.0), st.floats(0.02, 2.0), st.none() | st.floats(-40.0, 0.0))
sets = st.dictionaries(st.sampled_from(CASES), st.lists(pluck, min_size=1, max_size=6), min_size=1)
limits = st.floats(0.2, 10.0)


def heard(plucks: dict[Case, list[tuple[float, float, float | None]]], shift_cents: float = 0.0) -> RecordingHeard:
    found = {}
    for case, some in plucks.items():
        assert case.place is not None
        hz = GUITAR.place_hz(case.string, case.place)
        found[case] = tuple(
            Note(hz * 2.0 ** ((cents + shift_cents) / 1200.0), se_cents, strength_db)
            for cents, se_cents, strength_db in some
        )
    return RecordingHeard(GUITAR, 440.0, found)


def findings(now: RecordingHeard, before: RecordingHeard | None, limit: Limits) -> list[CheckFinding]:
    return [finding for one in judge(now, before, limit)[0] for finding in one.findings]


@given(before=sets, now=sets, limit=limits)
def test_a_difference_smaller_than_the_evidence_or_the_limit_is_never_a_drift(
    before: dict[Case, list[tuple[float, float, float | None]]],
    now: dict[Case, list[tuple[float, float, float | None]]],
    limit: float,
) -> None:
    for finding in findings(heard(now), heard(before), Limits(drift_cents=limit)):
        if finding.cents is None:
            assert finding.verdict is CheckVerdict.UNSURE
            continue
        assert finding.se_cents is not None
        assert math.isfinite(finding.cents)
        assert 0.0 < finding.se_cents < math.inf
        if finding.verdict is CheckVerdict.DRIFTED:
            assert abs(finding.cents) - finding.se_cents > limit
            assert abs(finding.cents) > DRIFT_SD * finding.se_cents
        if finding.verdict is CheckVerdict.HOLDS:
            assert abs(finding.cents) + 2.0 * finding.se_cents <= 2.0 * limit


@given(now=sets, limit=limits)
def test_nothing_drifts_from_itself(now: dict[Case, list[tuple[float, float, float | None]]], limit: float) -> None:
    same = heard(now)
    for finding in findings(same, same, Limits(drift_cents=limit)):
        assert finding.verdict is not CheckVerdict.DRIFTED
        assert finding.cents == pytest.approx(0.0, abs=1e-6)


@given(before=sets, now=sets, shift=st.floats(-20.0, 20.0))
def test_an_equal_shift_of_both_changes_nothing(
    before: dict[Case, list[tuple[float, float, float | None]]],
    now: dict[Case, list[tuple[float, float, float | None]]],
    shift: float,
) -> None:
    limit = Limits(drift_cents=1.0)
    plain = findings(heard(now), heard(before), limit)
    moved = findings(heard(now, shift), heard(before, shift), limit)
    assert [finding.cents is None for finding in plain] == [finding.cents is None for finding in moved]
    for one, other in zip(plain, moved, strict=True):
        if one.cents is not None:
            assert other.cents == pytest.approx(one.cents, abs=1e-5)


@given(now=sets, data=st.data())
def test_the_order_of_notes_does_not_matter(
    now: dict[Case, list[tuple[float, float, float | None]]], data: st.DataObject
) -> None:
    mixed = {case: data.draw(st.permutations(now[case])) for case in data.draw(st.permutations(list(now)))}
    limit = Limits(tuning_cents=3.0, error_cents=2.0)
    plain, other = findings(heard(now), None, limit), findings(heard(mixed), None, limit)
    assert [f.cents for f in other] == pytest.approx([f.cents for f in plain], abs=1e-6)
    assert [f.verdict for f in other] == [f.verdict for f in plain]
