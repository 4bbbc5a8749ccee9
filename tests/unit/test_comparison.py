"""Comparisons from bracketed plucks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.advice.comparison import Comparison, Flag, PluckReading, combine, compare, harmonic_check
from oscservice.advice.pluck_strength import PRIOR_CENTS, Slope
from oscservice.instrument.pitch import HARMONIC, OPEN, Place

FRET_12 = Place("fret", 12)
FRET_7 = Place("fret", 7)


def pluck(place: Place, cents: float, strength_db: float = -20.0, se_cents: float = 0.05) -> PluckReading:
    """Return a pluck of an A string, ``cents`` from its place in equal temperament over 110 Hz."""
    return PluckReading(place, 110.0 * 2.0 ** ((cents + 100.0 * place.semitones) / 1200.0), se_cents, strength_db)


def turns(opens: list[float], fretted: list[float], place: Place = FRET_12) -> list[PluckReading]:
    """Open and fretted in turn, an open note first."""
    found = [pluck(OPEN, opens[0])]
    for index, cents in enumerate(fretted):
        found.append(pluck(place, cents))
        found += [pluck(OPEN, opens[index + 1])] if index + 1 < len(opens) else []
    return found


@pytest.mark.parametrize("cents", [-11.0, 0.0, 3.3])
def test_a_clean_comparison(cents: float) -> None:
    found = compare(turns([0.0] * 5, [cents] * 4), 12)
    assert found.error_cents == pytest.approx(cents, abs=1e-6)
    assert found.plucks == 4
    assert found.flags == ()


@pytest.mark.parametrize("place", [FRET_7, Place("fret", 1), Place("fret", 24)])
def test_any_fret(place: Place) -> None:
    assert compare(turns([0.0] * 4, [2.0] * 3, place), place.fret).error_cents == pytest.approx(2.0, abs=1e-6)


def test_steady_drift_cancels_in_every_bracket() -> None:
    drifting = [pluck(FRET_12 if i % 2 else OPEN, (4.0 if i % 2 else 0.0) + 0.8 * i) for i in range(9)]
    assert compare(drifting, 12).error_cents == pytest.approx(4.0, abs=1e-6)


def test_one_bracket_is_the_fretted_note_against_the_mean_of_its_open_notes() -> None:
    assert compare(turns([0.0, 1.0], [3.0]), 12).error_cents == pytest.approx(2.5, abs=1e-6)


def test_lucky_equal_plucks_claim_no_hundredth_of_a_cent() -> None:
    assert compare(turns([0.0] * 3, [1.0] * 2), 12).se_cents > 0.3
    assert compare(turns([0.0] * 9, [1.0] * 8), 12).se_cents > 0.08


def test_a_doubtful_reading_counts_less() -> None:
    good = turns([0.0] * 5, [1.0, 1.0, 1.0, 1.0])
    bad = [*good]
    bad[3] = pluck(FRET_12, 4.0, se_cents=5.0)
    assert abs(compare(bad, 12).error_cents - 1.0) < 0.1


def test_without_a_closing_open_note_drift_is_not_known() -> None:
    open_ended = compare(turns([0.0], [1.0, 1.0, 1.0]), 12)
    closed = compare([*turns([0.0], [1.0, 1.0, 1.0]), pluck(OPEN, 0.0)], 12)
    assert Flag.UNBRACKETED in open_ended.flags
    assert Flag.UNBRACKETED not in closed.flags
    assert open_ended.se_cents > 1.5 * closed.se_cents


@pytest.mark.parametrize("where", [3, 4])
def test_one_wild_pluck_is_left_out(where: int) -> None:
    rng = np.random.default_rng(3)
    readings = turns(list(rng.normal(0.0, 0.5, 7)), list(rng.normal(2.0, 0.5, 6)))
    calm = compare(readings, 12)
    wild = [*readings]
    wild[where] = pluck(readings[where].place, 14.0)
    found = compare(wild, 12)
    assert Flag.OUTLIER in found.flags
    assert Flag.OUTLIER not in calm.flags
    assert found.error_cents == pytest.approx(calm.error_cents, abs=0.4)
    assert found.plucks == (5 if where == 3 else 6)


def test_with_three_plucks_nothing_is_left_out() -> None:
    found = compare(turns([0.0] * 4, [0.0, 14.0, 0.0]), 12)
    assert Flag.OUTLIER not in found.flags
    assert found.plucks == 3
    assert Flag.SCATTERED in found.flags


def test_few_plucks_are_flagged() -> None:
    assert Flag.FEW in compare(turns([0.0] * 3, [0.0] * 2), 12).flags
    assert Flag.FEW not in compare(turns([0.0] * 4, [0.0] * 3), 12).flags


def test_wide_scatter_is_flagged_and_measured() -> None:
    rng = np.random.default_rng(1)
    found = compare(turns(list(rng.normal(0, 3.0, 13)), list(rng.normal(0, 3.0, 12))), 12)
    assert Flag.SCATTERED in found.flags
    assert 2.0 < found.scatter_cents < 4.0


def test_a_harder_pluck_is_flagged() -> None:
    readings = turns([0.0] * 4, [0.0] * 3)
    readings[3] = pluck(FRET_12, 0.0, strength_db=-10.0)
    assert compare(readings, 12).flags == (Flag.UNLIKE,)
    # Strength compares open and stopped: a whole side that is plucked harder is seen as well.
    readings = [PluckReading(r.place, r.f1_hz, r.se_cents, -10.0 if r.place == OPEN else -20.0) for r in readings]
    assert compare(readings, 12).flags == (Flag.UNLIKE,)
    readings = [PluckReading(r.place, r.f1_hz, r.se_cents, -22.0 if r.place == OPEN else -20.0) for r in readings]
    assert compare(readings, 12).flags == ()


def test_other_places_only_take_time() -> None:
    readings = turns([0.0] * 4, [1.0] * 3)
    among = [*readings[:3], pluck(HARMONIC, 40.0), pluck(FRET_7, -40.0), *readings[3:]]
    assert compare(among, 12).error_cents == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("readings", [[], [pluck(OPEN, 0)], [pluck(FRET_12, 0)], [pluck(OPEN, 0), pluck(FRET_7, 0)]])
def test_nothing_to_compare(readings: list[PluckReading]) -> None:
    with pytest.raises(ValueError, match="needs open readings"):
        compare(readings, 12)


@pytest.mark.parametrize(("hz", "se"), [(math.nan, 0.1), (0.0, 0.1), (math.inf, 0.1), (220.0, math.nan), (220.0, -1.0)])
def test_a_reading_that_is_no_number(hz: float, se: float) -> None:
    with pytest.raises(ValueError, match="can't be compared"):
        compare([pluck(OPEN, 0.0), PluckReading(FRET_12, hz, se, -20.0), pluck(OPEN, 0.0)], 12)


@pytest.mark.parametrize(("plucks", "slope"), [(3, 0.0), (5, 0.5), (8, 0.0)])
def test_the_standard_error_fits_the_true_error(plucks: int, slope: float) -> None:
    """About 68 of 100 repeats lie within it, 95 within twice it."""
    rng = np.random.default_rng(plucks)
    inside = []
    for _ in range(400):
        cents = rng.normal(0.0, 0.6, 2 * plucks + 1) + slope * np.arange(2 * plucks + 1)
        readings = [pluck(FRET_12 if i % 2 else OPEN, c + (2.0 if i % 2 else 0.0)) for i, c in enumerate(cents)]
        found = compare(readings, 12)
        inside.append(abs(found.error_cents - 2.0) / found.se_cents)
    assert 0.61 < np.mean(np.array(inside) < 1.0) < 0.78
    assert np.mean(np.array(inside) < 2.0) > 0.92


def test_open_notes_shared_by_two_brackets_are_counted_once() -> None:
    """One bad open note between two fretted ones pulls both: the error must be less sure than with four open notes."""
    shared = compare(turns([0.0, 0.0, 0.0], [0.0, 0.0]), 12)
    apart = compare(turns([0.0, 0.0], [0.0]) + turns([0.0, 0.0], [0.0]), 12)
    assert shared.se_cents > apart.se_cents


@settings(max_examples=60, deadline=None)
@given(
    cents=st.floats(-200, 200),
    shift=st.floats(-300, 300),
    noise=st.lists(st.floats(-3, 3), min_size=9, max_size=9),
)
def test_the_error_moves_with_the_fretted_notes_and_not_with_the_tuning(
    cents: float, shift: float, noise: list[float]
) -> None:
    base = compare([pluck(FRET_12 if i % 2 else OPEN, n) for i, n in enumerate(noise)], 12)
    moved = [pluck(FRET_12 if i % 2 else OPEN, n + shift + (cents if i % 2 else 0.0)) for i, n in enumerate(noise)]
    found = compare(moved, 12)
    assert found.error_cents - base.error_cents == pytest.approx(cents, abs=1e-4)
    assert found.se_cents == pytest.approx(base.se_cents, rel=1e-4)
    assert math.isfinite(found.scatter_cents)


def test_two_comparisons_combine_by_their_variances() -> None:
    both = combine(Comparison(1.0, 0.3, 8, 0.6), Comparison(-1.0, 0.6, 2, 0.6, (Flag.FEW,)))
    assert both.error_cents == pytest.approx((1.0 * 4 - 1.0) / 5)
    assert both.se_cents == pytest.approx(0.3 * math.sqrt(4 / 5))
    assert both.plucks == 10
    assert both.flags == ()


def test_a_sound_string_s_harmonic_is_sharp_only_by_stiffness() -> None:
    b = 1.29e-4
    stiff = 600.0 * math.log2((1 + 4 * b) / (1 + b))
    readings = [pluck(OPEN, 0.0), pluck(HARMONIC, stiff), pluck(OPEN, 0.0), pluck(HARMONIC, stiff), pluck(OPEN, 0.0)]
    found = harmonic_check(readings, b)
    assert found.deviation_cents == pytest.approx(0.0, abs=1e-6)
    assert (found.uneven, found.plucks) == (False, 2)


@pytest.mark.parametrize("cents", [-2.7, 1.3])
def test_an_uneven_string_is_found_by_its_harmonic(cents: float) -> None:
    readings = [pluck(OPEN, 0.0), pluck(HARMONIC, cents), pluck(OPEN, 0.0)]
    found = harmonic_check(readings, 0.0)
    assert found.uneven
    assert found.deviation_cents == pytest.approx(cents, abs=1e-6)


def strong(place: Place, cents: float, strength_db: float, slope_cents: float) -> PluckReading:
    """Return a pluck that is sharper by its amplitude: ``slope_cents`` at -20 dB."""
    return pluck(place, cents + slope_cents * 10.0 ** ((strength_db + 20.0) / 20.0), strength_db)


def uneven(opens_db: list[float], fretted_db: list[float], slope_cents: float) -> list[PluckReading]:
    """Open and fretted in turn at these strengths, an open note first, fret 12 sharp by 2 cents."""
    found = [strong(OPEN, 0.0, opens_db[0], slope_cents)]
    for index, strength in enumerate(fretted_db):
        found.append(strong(FRET_12, 2.0, strength, slope_cents))
        found.append(strong(OPEN, 0.0, opens_db[index + 1], slope_cents))
    return found


UNEVEN = ([-20.0, -14.0, -24.0, -18.0, -15.0, -21.0], [-16.0, -12.0, -19.0, -13.0, -14.0])


def test_a_string_that_rises_with_strength_is_compared_at_one_strength() -> None:
    """Fretted plucks harder by 4 dB on a string that rises by 2 cents: 1.6 cents if they were taken as they come."""
    readings = uneven(*UNEVEN, slope_cents=2.0)
    plain = compare([replace(r, strength_db=None) for r in readings], 12)
    found = compare(readings, 12)
    assert plain.error_cents > 2.9
    assert found.error_cents == pytest.approx(2.0, abs=0.35)
    assert abs(found.error_cents - 2.0) < found.se_cents


def test_the_slope_learnt_before_counts() -> None:
    """Once open and once fretted, 6 dB apart: nothing to learn a slope from."""
    readings = uneven([-20.0, -20.0], [-14.0], slope_cents=2.0)
    alone = compare(readings, 12)
    known = compare(readings, 12, slope=Slope(2.0, 0.1, -20.0))
    assert known.error_cents == pytest.approx(2.0, abs=0.05)
    assert alone.error_cents == pytest.approx(4.0, abs=0.05)
    assert alone.se_cents == pytest.approx(math.hypot(known.se_cents, PRIOR_CENTS), rel=0.1), "and it says so"


def test_unequal_strengths_raise_the_standard_error() -> None:
    cents = [0.1, 2.3, -0.2, 1.8, 0.2, 2.1, -0.1]
    without = compare([pluck(FRET_12 if i % 2 else OPEN, c, -20.0) for i, c in enumerate(cents)], 12)
    unknown = [replace(pluck(FRET_12 if i % 2 else OPEN, c), strength_db=None) for i, c in enumerate(cents)]
    assert compare(unknown, 12) == without
    apart = [pluck(FRET_12 if i % 2 else OPEN, c, -16.0 if i % 2 else -20.0) for i, c in enumerate(cents)]
    assert compare(apart, 12).se_cents > 1.5 * without.se_cents
    assert compare(apart, 12).error_cents == pytest.approx(without.error_cents, abs=0.05)


@pytest.mark.parametrize("fretted_db", [0.0, 3.0])
def test_the_standard_error_fits_strings_that_rise(fretted_db: float) -> None:
    """Slopes as they are expected: half-normal, a cent at a middling pluck. Nine tenths within two."""
    rng = np.random.default_rng(9)
    off = []
    for _ in range(250):
        slope = abs(PRIOR_CENTS * rng.standard_normal())
        readings = []
        for index in range(11):
            fretted = bool(index % 2)
            strength = -20.0 + 2.0 * rng.standard_normal() + fretted_db * fretted
            place = FRET_12 if fretted else OPEN
            readings.append(strong(place, 2.0 * fretted + 0.6 * rng.standard_normal(), strength, slope))
        found = compare(readings, 12)
        off.append((found.error_cents - 2.0) / found.se_cents)
    assert 0.75 < np.std(off) < 1.2
    assert np.mean(np.abs(off) < 2.0) > 0.92


@settings(max_examples=40, deadline=None)
@given(gain_db=st.floats(-40.0, 40.0), slope=st.floats(0.0, 4.0))
def test_the_gain_does_not_matter(gain_db: float, slope: float) -> None:
    readings = uneven(*UNEVEN, slope_cents=slope)
    louder = [replace(r, strength_db=(r.strength_db or 0.0) + gain_db) for r in readings]
    found, again = compare(readings, 12), compare(louder, 12)
    assert again.error_cents == pytest.approx(found.error_cents, abs=1e-6)
    assert again.se_cents == pytest.approx(found.se_cents, rel=1e-6)


def test_a_clipped_reading_counts_less_and_is_flagged() -> None:
    readings = turns([0.0] * 5, [1.0, 1.0, 1.0, 2.0])
    clipped = [*readings]
    clipped[7] = replace(readings[7], clipped=True, strength_db=-3.0)
    found = compare(clipped, 12)
    assert found.flags == (Flag.CLIPPED,), "its strength isn't known, so it is not called unlike"
    assert 1.0 < found.error_cents < compare(readings, 12).error_cents


def told(reading: PluckReading, ambiguity_cents: float, se_cents: float = 0.2) -> PluckReading:
    """The reading with a string pitch so far above its first partial."""
    string_hz = reading.f1_hz * 2.0 ** (ambiguity_cents / 1200.0)
    return replace(reading, string_hz=string_hz, string_se_cents=se_cents)


def test_the_error_by_the_string_pitch_is_returned_too() -> None:
    readings = turns([0.0] * 4, [3.0] * 3)
    assert compare(readings, 12).string_error_cents is None
    readings = [told(r, 0.5 if r.place == OPEN else -1.0) for r in readings]
    found = compare(readings, 12)
    assert found.error_cents == pytest.approx(3.0, abs=1e-6)
    assert found.ambiguity_cents == pytest.approx(-1.5, abs=1e-6)
    assert found.string_error_cents == pytest.approx(1.5, abs=1e-6)
    assert found.ambiguity_se_cents == pytest.approx(math.hypot(0.2, 0.05) * math.sqrt(1 / 4 + 1 / 3), rel=1e-3)


def test_scatter_and_drift_are_in_both_pitches_and_do_not_count() -> None:
    rng = np.random.default_rng(2)
    readings = turns(list(rng.normal(0.0, 2.0, 6)), list(rng.normal(3.0, 2.0, 5)))
    found = compare([told(r, 0.0 if r.place == OPEN else 1.0) for r in readings], 12)
    assert found.ambiguity_cents == pytest.approx(1.0, abs=1e-6)
    assert found.ambiguity_se_cents < 0.2 < found.se_cents


def test_string_pitches_that_scatter_more_than_they_say_widen_the_doubt() -> None:
    readings = turns([0.0] * 5, [0.0] * 4)
    even = compare([told(r, 0.0) for r in readings], 12)
    odd = compare([told(r, 1.0 if i % 4 < 2 else -1.0) for i, r in enumerate(readings)], 12)
    assert odd.ambiguity_se_cents > 3.0 * even.ambiguity_se_cents


def test_ambiguities_combine_by_their_variances_where_both_have_one() -> None:
    first = Comparison(1.0, 0.3, 8, 0.6, (), 2.0, 0.1)
    assert combine(first, Comparison(1.0, 0.3, 0, 0.6)).ambiguity_cents == 2.0
    assert combine(Comparison(1.0, 0.3, 8, 0.6), Comparison(1.0, 0.3, 0, 0.6)).ambiguity_cents is None
    both = combine(first, Comparison(1.0, 0.3, 8, 0.6, (), -1.0, 0.2))
    assert both.ambiguity_cents == pytest.approx((2.0 * 4 - 1.0) / 5)
    assert both.ambiguity_se_cents == pytest.approx(0.1 * math.sqrt(4 / 5))
