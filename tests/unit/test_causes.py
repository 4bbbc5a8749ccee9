"""The cause of a pattern of errors: patterns come from the simulated guitar's own mechanics, which share no formula."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from oscservice.advice.causes import (
    Cause,
    findings,
    misplaced_frets,
    named_causes,
    ranked_causes,
    scatter_finding,
    strings_without_advice,
    suspected_cause,
)
from oscservice.advice.expected_errors import HARMONIC_ROW, Survey, expected_errors, mass_effect
from oscservice.advice.neck_errors import NeckErrors
from oscservice.instrument.fretting import FrettedString, fretted_string
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC as TOUCHED
from oscservice.instrument.pitch import cents_between
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar_builder import SOUND, Faults, rig_of
from oscservice.simulate.uneven_string import Uneven

SIX = load_instrument("six-string-648")
FRETS = (1, 3, 5, 7, 12, 17)


def surveyed(instrument: Instrument, faults: Faults, *, seed: int = 1, saddle_mm: float = 0.0) -> dict[int, Survey]:
    """Return the readings of the simulated guitar: its own errors, 0.4 cents of scatter on each, 0.15 on the open."""
    rng = np.random.default_rng(seed)
    numbers = range(1, len(instrument.strings) + 1)
    rig = rig_of(instrument, saddle_error_mm=[saddle_mm] * len(numbers), faults=faults)
    covariance = 0.4**2 * np.eye(len(FRETS)) + 0.15**2
    found = {}
    for n in numbers:
        heard = [rig.error_cents(n, fret) for fret in FRETS] + rng.multivariate_normal(np.zeros(len(FRETS)), covariance)
        octave = cents_between(rig.place_hz(n, TOUCHED), 2.0 * rig.open_hz(n))
        even = rig_of(instrument, saddle_error_mm=[saddle_mm] * len(numbers), faults=replace(faults, uneven={}))
        explained = cents_between(even.place_hz(n, TOUCHED), 2.0 * even.open_hz(n))
        neck = NeckErrors(FRETS, tuple(heard.tolist()), tuple(map(tuple, covariance.tolist())), (2,) * 6, 0.8)
        # The file has the places of the saddles.
        moved = rig.saddle_mm(n) - instrument.string(n).setback_mm
        found[n] = Survey(neck, moved, float(octave - explained + rng.normal(0.0, 0.25)), 0.25)
    return found


@pytest.mark.parametrize("preset", ["six-string-648", "six-string-628", "seven-string-648", "acoustic-645"])
@pytest.mark.parametrize("saddle_mm", [0.0, 2.0])
def test_sound_guitars_have_nothing_named(preset: str, saddle_mm: float) -> None:
    instrument = load_instrument(preset)
    assert findings(instrument, surveyed(instrument, SOUND, saddle_mm=saddle_mm)) == ()


@pytest.mark.slow
@pytest.mark.parametrize("preset", ["six-string-648", "six-string-628", "seven-string-648"])
@pytest.mark.parametrize("saddle_mm", [-3.0, -1.5, 1.5, 3.0])
def test_saddles_that_all_stand_elsewhere_than_in_the_file_stop_no_advice(preset: str, saddle_mm: float) -> None:
    """All of them too near to the nut look like high action, which saddles can follow: no cause that they can't."""
    instrument = load_instrument(preset)
    heard = surveyed(instrument, SOUND, saddle_mm=saddle_mm)
    found = findings(instrument, {n: replace(survey, position_mm=0.0) for n, survey in heard.items()})
    assert {f.cause for f in found} <= {Cause.ACTION}
    assert strings_without_advice(found) == {}
    assert all(misplaced_frets(found, n) == frozenset() for n in heard)


FAULTS = [
    (Faults(nut_raised_mm={3: 0.5}), Cause.NUT_SLOT, (3,), 0, 0.5),
    (Faults(nut_raised_mm={6: 0.6}), Cause.NUT_SLOT, (6,), 0, 0.6),
    (Faults(nut_shift_mm=2.0), Cause.NUT_PLACE, (1, 2, 3, 4, 5, 6), 0, 2.0),
    (Faults(nut_shift_mm=-2.0), Cause.NUT_PLACE, (1, 2, 3, 4, 5, 6), 0, -2.0),
    (Faults(take_up_mm=0.02), Cause.FINGER, (1, 2, 3, 4, 5, 6), 0, 0.02),
    (Faults(fret_shift_mm={7: 1.2}), Cause.FRET, (1, 2, 3, 4, 5, 6), 7, 1.2),
    (Faults(fret_shift_mm={12: -0.8}), Cause.FRET, (1, 2, 3, 4, 5, 6), 12, -0.8),
    (Faults(groove_mm={(4, 5): 2.5}), Cause.FRET, (4,), 5, 2.5),
    (Faults(action_raised_mm=1.6), Cause.ACTION, (1, 2, 3, 4, 5, 6), 0, 1.6),
    (Faults(uneven={5: Uneven(0.49, 20.0, -0.12)}), Cause.UNEVEN, (5,), 0, None),
    (Faults(uneven={2: Uneven(0.0, 324.0, 0.03)}), Cause.UNEVEN, (2,), 0, None),
]


@pytest.mark.parametrize(("faults", "cause", "strings", "fret", "size"), FAULTS)
def test_each_cause_is_named_where_it_is_and_as_large_as_it_is(
    faults: Faults, cause: Cause, strings: tuple[int, ...], fret: int, size: float | None
) -> None:
    found = findings(SIX, surveyed(SIX, faults))
    assert [(f.cause, f.strings, f.fret) for f in found] == [(cause, strings, fret)]
    only = found[0]
    assert only.probability >= 0.85
    if size is not None:
        assert abs(only.size - size) < 3.0 * only.se + 0.1 * abs(size)
    assert any(character.isdigit() for character in only.evidence)
    assert only.check
    assert only.text.startswith(str(cause))


def test_probabilities_of_all_causes_come_to_one() -> None:
    for faults, some in ((SOUND, 6), (Faults(nut_raised_mm={3: 0.2}), 6), (Faults(nut_shift_mm=1.0), 2), (SOUND, 1)):
        heard = surveyed(SIX, faults)
        ranked = ranked_causes(expected_errors(SIX, {n: heard[n] for n in list(heard)[:some]}))
        assert all(0.0 <= one.probability <= 1.0 for one in ranked)
        assert len({(one.cause, one.strings, one.fret) for one in ranked}) == len(ranked)
        assert sum(one.probability for one in ranked) == pytest.approx(1.0)
        assert list(ranked) == sorted(ranked, key=lambda one: -one.probability)


def test_the_larger_the_fault_the_surer_its_cause() -> None:
    told = []
    for mm in (0.0, 0.15, 0.3, 0.6):
        ranked = ranked_causes(expected_errors(SIX, surveyed(SIX, Faults(nut_raised_mm={5: mm}))))
        told.append(next(r.probability for r in ranked if (r.cause, r.strings) == (Cause.NUT_SLOT, (5,))))
    assert told == sorted(told)
    assert told[0] < 0.05
    assert told[-1] > 0.99


def test_one_string_at_one_fret_shows_no_cause() -> None:
    whole = surveyed(SIX, Faults(nut_shift_mm=2.0, action_raised_mm=1.0))[3]
    at = whole.neck.frets.index(12)
    neck = NeckErrors((12,), (whole.neck.errors_cents[at],), ((whole.neck.covariance[at][at],),), (5,), 0.8)
    assert named_causes(expected_errors(SIX, {3: Survey(neck)})) == ()


def test_two_faults_are_both_named() -> None:
    found = findings(SIX, surveyed(SIX, Faults(nut_raised_mm={3: 0.8}, fret_shift_mm={7: 2.0})))
    assert {(f.cause, f.strings[0], f.fret) for f in found} == {(Cause.NUT_SLOT, 3, 0), (Cause.FRET, 1, 7)}


def test_a_slight_fault_is_suspected_before_it_is_named() -> None:
    sound, _ = suspected_cause(SIX, surveyed(SIX, SOUND))
    slight = surveyed(SIX, Faults(nut_raised_mm={3: 0.25}))
    probability, likeliest = suspected_cause(SIX, slight)
    assert sound < 0.15 < probability
    assert likeliest is not None
    assert likeliest.name == "nut slot high, string 3"


def test_the_consequences_of_a_finding() -> None:
    found = findings(SIX, surveyed(SIX, Faults(fret_shift_mm={7: 1.2})))
    assert strings_without_advice(found) == {}
    assert misplaced_frets(found, 4) == {7}
    slot = findings(SIX, surveyed(SIX, Faults(nut_raised_mm={3: 0.5})))
    assert set(strings_without_advice(slot)) == {3}
    assert misplaced_frets(slot, 3) == set()
    scattered = scatter_finding(2, 3.4, 2.0)
    assert set(strings_without_advice((scattered,))) == {2}
    assert "3.4" in scattered.text


# Mass along the string


def string_of(preset: str, number: int) -> tuple[FrettedString, np.ndarray]:
    """A string's model, and where its cells begin and end, mm from the nut."""
    instrument = load_instrument(preset)
    string = fretted_string(instrument.string(number), instrument.open_hz(number))
    return string, np.linspace(0.0, string.scale_mm + string.setback_mm, len(mass_effect(string, 5)) + 1)


@pytest.mark.parametrize(
    ("preset", "number"),
    [
        ("six-string-648", 1),
        ("six-string-648", 3),
        ("six-string-648", 6),
        ("seven-string-648", 7),
        ("bass-5-864", 5),
        ("acoustic-645", 4),
    ],
)
@pytest.mark.parametrize("part", [(0.1, 30.0, 0.01), (0.49, 20.0, -0.01), (0.75, 160.0, 0.004), (0.0, 324.0, 0.004)])
def test_uneven_mass_has_the_effect_of_the_simulated_string(
    preset: str, number: int, part: tuple[float, float, float]
) -> None:
    start, length_mm, mass = part
    instrument = load_instrument(preset)
    even = rig_of(instrument)
    uneven = rig_of(instrument, faults=Faults(uneven={number: Uneven(*part)}))
    string, edges = string_of(preset, number)
    begin, end = start * string.scale_mm, start * string.scale_mm + length_mm
    covered = np.clip(np.minimum(edges[1:], end) - np.maximum(edges[:-1], begin), 0.0, None) / np.diff(edges)
    for fret in (1, 5, 12, 17):
        true = uneven.error_cents(number, fret) - even.error_cents(number, fret)
        assert float(mass_effect(string, fret) @ covered) * mass == pytest.approx(true, abs=0.2)
    touched = [cents_between(rig.place_hz(number, TOUCHED), 2.0 * rig.open_hz(number)) for rig in (uneven, even)]
    assert float(mass_effect(string, HARMONIC_ROW) @ covered) * mass == pytest.approx(touched[0] - touched[1], abs=0.2)


@pytest.mark.parametrize(("preset", "number"), [("six-string-648", 4), ("bass-5-864", 5), ("seven-string-648", 7)])
def test_half_a_string_that_is_heavier_by_symmetry(preset: str, number: int) -> None:
    """Each mode of an even string has as much of its motion in either half. A half heavier by a share e lowers every
    partial by e/4, and by e/2 sounding alone: the harmonic stays at the octave, fret 12 goes by K e/4 either way."""
    string, edges = string_of(preset, number)
    behind = (edges[1:] <= (string.scale_mm + string.setback_mm) / 2.0 + 1e-9).astype(float)
    k_cents = 1200.0 / np.log(2.0)
    assert float(mass_effect(string, HARMONIC_ROW) @ behind) == pytest.approx(0.0, abs=1e-6)
    assert float(mass_effect(string, HARMONIC_ROW) @ (1.0 - behind)) == pytest.approx(0.0, abs=1e-6)
    assert 0.01 * float(mass_effect(string, 12) @ behind) == pytest.approx(0.01 * k_cents / 4.0, abs=0.1)
    assert 0.01 * float(mass_effect(string, 12) @ (1.0 - behind)) == pytest.approx(-0.01 * k_cents / 4.0, abs=0.1)


@pytest.mark.parametrize(("preset", "number"), [("six-string-648", 4), ("bass-5-864", 1), ("seven-string-648", 7)])
def test_mass_that_is_more_everywhere_changes_nothing(preset: str, number: int) -> None:
    string, _ = string_of(preset, number)
    for fret in (HARMONIC_ROW, 1, 7, 12, 20):
        assert float(mass_effect(string, fret).sum()) == pytest.approx(0.0, abs=1e-6)
