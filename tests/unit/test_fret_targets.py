"""Targets of frets: an error counts from where the fret is wanted; a cause is a matter of the instrument alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bench.silent import SilentBench, quick_check, set_up
from instrument_tunings import tuned_instrument
from invented_sessions import out_of_tune, still_open

from oscservice.advice.causes import findings, ranked_causes
from oscservice.advice.comparison import PluckReading, compare
from oscservice.advice.expected_errors import Survey, expected_errors
from oscservice.advice.instrument_changes import instrument_changes
from oscservice.advice.neck_errors import NeckErrors, compare_frets
from oscservice.advice.prediction import follow_change, predict
from oscservice.advice.remaining_errors import remaining_errors, remaining_errors_after
from oscservice.instrument.fretting import fretted_error_cents, fretted_string
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import with_capo, with_fret_targets, with_tuning
from oscservice.instrument.pitch import OPEN, Place
from oscservice.instrument.tunings import in_tuning
from oscservice.report.page import page
from oscservice.report.report_text import scale_text, targets_text
from oscservice.session.session_results import summary_of
from oscservice.session.setup_changes import changes
from oscservice.session.setup_summary import SetupSummary
from oscservice.simulate.guitar_builder import Faults, rig_of

GUITAR = tuned_instrument()
FRETS = (1, 3, 5, 7, 12, 17)
TARGETS = {n: {1: -2.0, 3: 1.5, 12: 1.0 + n / 2.0} for n in range(1, 7)}
AIMED = with_fret_targets(GUITAR, TARGETS)
FLAT_FIFTH_FRET = Faults(fret_shift_mm={5: 0.4})


def readings(places: dict[int, float]) -> list[PluckReading]:
    """Plucks of a string: open, and each fret so many cents sharp of equal temperament, three times."""
    found = [PluckReading(OPEN, 196.0, 0.1)]
    for _ in range(3):
        for fret, cents in places.items():
            found.append(PluckReading(Place("fret", fret), 196.0 * 2.0 ** ((100.0 * fret + cents) / 1200.0), 0.1))
        found.append(PluckReading(OPEN, 196.0, 0.1))
    return found


def surveys(faults: Faults, targets_cents: dict[int, dict[int, float]]) -> dict[int, Survey]:
    """Surveys of a simulated guitar, its errors counted from these targets."""
    rig = rig_of(GUITAR, faults=faults)
    covariance = tuple(map(tuple, (0.3**2 * np.eye(len(FRETS)) + 0.1**2).tolist()))
    found = {}
    for n in range(1, 7):
        heard = tuple(rig.error_cents(n, fret) - targets_cents.get(n, {}).get(fret, 0.0) for fret in FRETS)
        found[n] = Survey(NeckErrors(FRETS, heard, covariance, (2,) * len(FRETS), 0.7))
    return found


def test_an_error_counts_from_the_target_of_its_fret() -> None:
    plucks, string = readings({12: 3.0}), AIMED.string(4)  # wanted 3 cents sharp
    tempered, found = compare(plucks, 12), compare(plucks, 12, string=string)
    assert tempered.error_cents == pytest.approx(3.0, abs=1e-6)
    assert found.error_cents == pytest.approx(0.0, abs=1e-6)
    assert (found.se_cents, found.plucks) == pytest.approx((tempered.se_cents, tempered.plucks))
    assert compare(plucks, 12, string=GUITAR.string(4)) == tempered
    several = compare_frets(readings({3: 0.0, 5: 0.5, 12: 0.0}), (3, 5, 12), string=string)
    assert several is not None
    assert several.errors_cents == pytest.approx((-1.5, 0.5, -3.0), abs=1e-6)


@pytest.mark.parametrize("faults", [Faults(), FLAT_FIFTH_FRET, Faults(nut_raised_mm={3: 0.3})])
def test_causes_are_those_of_the_instrument_whatever_is_wanted(faults: Faults) -> None:
    plain, aimed = surveys(faults, {}), surveys(faults, TARGETS)
    before, after = (ranked_causes(expected_errors(*of)) for of in ((GUITAR, plain), (AIMED, aimed)))
    assert [(one.cause, one.strings, one.fret) for one in before] == [(o.cause, o.strings, o.fret) for o in after]
    for one, other in zip(before, after, strict=True):
        assert (one.probability, one.size) == pytest.approx((other.probability, other.size), rel=1e-6, abs=1e-9)


def test_a_players_own_offset_is_no_misplaced_fret() -> None:
    own = {n: {5: 6.0} for n in range(1, 7)}
    misplaced = surveys(Faults(fret_shift_mm={5: 1.2}), {})
    assert [found.fret for found in findings(GUITAR, misplaced)] == [5]
    # Heard in tune at fret 5, where it is wanted 6 cents sharp: the fret is sound, the error is the saddle's affair.
    sound = surveys(Faults(), own)
    assert sound[1].neck.errors_cents[FRETS.index(5)] < -5.0
    assert findings(with_fret_targets(GUITAR, own), sound) == ()


def test_remaining_errors_count_from_the_targets_at_every_fret() -> None:
    plain = remaining_errors(GUITAR, surveys(Faults(), {}), {})
    aimed = remaining_errors(AIMED, surveys(Faults(), TARGETS), {})
    for n, one in aimed.items():
        tempered = [cents + AIMED.string(n).target_cents(fret) for fret, cents in enumerate(one.errors_cents, start=1)]
        assert tempered == pytest.approx(plain[n].errors_cents, abs=1e-6)
        assert one.se_cents == pytest.approx(plain[n].se_cents, abs=1e-6)
        assert one.terms.linear_cents == pytest.approx(plain[n].terms.linear_cents, abs=1e-6)


@pytest.mark.parametrize("change", ["tuning", "capo"])
def test_remaining_errors_after_a_change_count_from_the_targets_then(change: str) -> None:
    changed = [
        with_tuning(one, "whole tone down") if change == "tuning" else with_capo(one, 3) for one in (GUITAR, AIMED)
    ]
    plain = remaining_errors_after(GUITAR, changed[0], surveys(Faults(), {}), {})
    aimed = remaining_errors_after(AIMED, changed[1], surveys(Faults(), TARGETS), {})
    for n, one in aimed.items():
        wanted = changed[1].string(n)
        tempered = [cents + wanted.target_cents(fret) for fret, cents in enumerate(one.errors_cents, start=1)]
        assert tempered == pytest.approx(plain[n].errors_cents, abs=1e-6)
    assert remaining_errors_after(AIMED, AIMED, surveys(Faults(), TARGETS), {})[2].errors_cents == pytest.approx(
        remaining_errors(AIMED, surveys(Faults(), TARGETS), {})[2].errors_cents, abs=1e-6
    )


def test_a_saddle_is_predicted_where_fret_12_has_its_target() -> None:
    for one in predict(AIMED):
        string = fretted_string(AIMED.string(one.string), AIMED.open_hz(one.string))
        moved = replace(string, setback_mm=one.setback_mm)
        assert fretted_error_cents(moved, 12) == pytest.approx(AIMED.string(one.string).target_cents(12), abs=1e-6)
    for one in follow_change(GUITAR, AIMED):
        assert one.change_mm < 0.0  # sharper is nearer to the nut
        assert one.stays_cents == pytest.approx(-AIMED.string(one.string).target_cents(12), abs=1e-6)


def test_new_targets_are_a_change_of_the_instrument() -> None:
    (change, *_) = instrument_changes(GUITAR, GUITAR, with_fret_targets(GUITAR, {2: {12: 2.0, 3: -1.0}}))
    assert change.what == "string/2"
    assert "wanted errors of frets (none) → (3: -1.0, 12: +2.0 cents)" in change.text
    *_, sixth = instrument_changes(GUITAR, GUITAR, in_tuning(GUITAR, "standard + drop D"))
    assert "wanted errors of frets (none) → (22 frets, -3.2 to -0.3 cents)" in sixth.text


def test_a_report_says_where_errors_count_from() -> None:
    facts = still_open().facts
    assert facts.instrument is not None
    assert facts.string_set is not None
    assert (scale_text(facts), targets_text(facts)) == ("equal temperament", "")
    first, *others = facts.instrument.strings
    aimed = replace(first, fret_targets_cents={12: 1.0, 3: -2.0})
    facts = replace(facts, instrument=replace(facts.instrument, strings=(aimed, *others)))
    assert scale_text(facts) == "equal temperament, from the target of each fret that has one"
    assert targets_text(facts) == "string 1: fret 3 −2.0, fret 12 +1.0 (cents, + sharp)"
    both = replace(facts, string_set=replace(facts.string_set, tuning="standard + drop D"))
    assert targets_text(both) == "chosen so that the saddles serve both tunings alike"
    text = page(both)
    assert "<dt>Tuning</dt><dd>standard + drop D</dd>" in text
    assert "<dt>Targets of frets</dt><dd>chosen so that" in text


@pytest.mark.slow
@pytest.mark.parametrize(("preset", "frets"), [("six-string-628", ""), ("six-string-648", "1 3 5 12 17")])
def test_a_set_up_ends_at_the_targets(preset: str, frets: str) -> None:
    """With one fret compared it comes to its target; with several, the sum of squares from their targets is least."""
    plain = load_instrument(preset)
    aimed = with_fret_targets(
        plain, {n: {fret: 4.0 * (2.0 ** (fret / 12.0) - 1.0) for fret in range(1, 22)} for n in range(1, 7)}
    )
    account = set_up(aimed, out_of_tune(aimed, 5, 2.0), 5, frets=frets)
    assert account.outcome == "proved"
    assert account.state.findings == ()
    assert all(abs(cents - 4.0) < 2.0 for cents in account.errors_cents.values())


@pytest.mark.slow
def test_a_change_of_targets_is_no_drift_and_no_change_of_the_guitar() -> None:
    rig = out_of_tune(AIMED, 3, 2.0)
    account = set_up(AIMED, rig, 3)
    left = summary_of(account.state, "2026-11-25-1")
    error = left.strings[3].errors[0]
    assert error.target_cents == 3.0
    assert error.tempered_cents == error.error_cents + 3.0
    assert SetupSummary.from_json(left.to_json()) == left
    assert (
        '"target_cents"' not in replace(left, strings=tuple(replace(one, errors=()) for one in left.strings)).to_json()
    )
    plain = replace(
        left,
        strings=tuple(
            replace(one, errors=tuple(replace(e, error_cents=e.tempered_cents, target_cents=0.0) for e in one.errors))
            for one in left.strings
        ),
    )
    checked, _ = quick_check(GUITAR, left, SilentBench(rig, 4))
    assert checked.outcome == "holds"
    for cell in changes(left, plain).cells:
        if cell.what == "error":
            assert cell.change is not None
            assert cell.change.value == pytest.approx(0.0, abs=1e-9)
