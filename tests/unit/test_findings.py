"""From plucks to a finding in words, on every kind of instrument: simulated ones with a fault, hands that scatter."""

from __future__ import annotations

import random
import re
from dataclasses import replace

import numpy as np
import pytest

from oscservice.advice.causes import (
    _TRAITS,
    CHECKS,
    INCURABLE,
    Cause,
    Finding,
    covariance_of,
    findings,
    misplaced_frets,
    strings_without_advice,
    suspected_cause,
)
from oscservice.advice.comparison import PluckReading, harmonic_check
from oscservice.advice.expected_errors import Survey, expected_errors
from oscservice.advice.neck_errors import compare_frets
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.instrument.spec import Instrument
from oscservice.instrument.string_physics import inharmonicity, tension_n
from oscservice.simulate.guitar_builder import SOUND, Faults, rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.uneven_string import Uneven

FRETS = (1, 3, 5, 7, 12, 17)
SCATTER_CENTS, OPEN_CENTS, READING_CENTS = 0.7, 0.15, 0.1


def readings(rig: Rig, number: int, draw: random.Random) -> list[PluckReading]:
    """Open first and last and after every three; each fret twice, the harmonic three times."""
    stopped = [HARMONIC, *(Place("fret", fret) for fret in FRETS)] * 2 + [HARMONIC]
    order = [OPEN]
    for at in range(0, len(stopped), 3):
        order += [*stopped[at : at + 3], OPEN]
    found = []
    for place in order:
        off = draw.gauss(0.0, SCATTER_CENTS if place.kind == "fret" else OPEN_CENTS)
        found.append(PluckReading(place, rig.place_hz(number, place) * 2.0 ** (off / 1200.0), READING_CENTS))
    return found


def surveys(instrument: Instrument, faults: Faults, seed: int) -> dict[int, Survey]:
    """All strings compared; saddles a little off, and where the file says."""
    draw = random.Random(f"finding {seed}")
    numbers = range(1, len(instrument.strings) + 1)
    rig = rig_of(instrument, saddle_error_mm=[draw.uniform(-1.0, 1.0) for _ in numbers], faults=faults)
    found = {}
    for n in numbers:
        plucks, spec = readings(rig, n, draw), instrument.string(n)
        neck = compare_frets(plucks, FRETS)
        assert neck is not None
        moved_mm = rig.saddle_mm(n) - spec.setback_mm
        length_mm = spec.scale_mm + rig.saddle_mm(n)
        tension = tension_n(spec.unit_weight_kg_m, instrument.open_hz(n), length_mm)
        checked = harmonic_check(plucks, inharmonicity(spec.core_mm, tension, length_mm))
        found[n] = Survey(neck, moved_mm, checked.deviation_cents, checked.se_cents)
    return found


def found_on(preset: str, faults: Faults, seed: int = 1) -> tuple[Finding, ...]:
    instrument = load_instrument(preset)
    return findings(instrument, surveys(instrument, faults, seed))


def strings_of(preset: str) -> tuple[int, ...]:
    return tuple(range(1, len(load_instrument(preset).strings) + 1))


PRESETS = ("seven-string-648", "bass-4-864", "bass-5-864", "acoustic-645")
EVERY: tuple[int, ...] = ()
FAULTS = [
    (Faults(nut_raised_mm={4: 0.7}), Cause.NUT_SLOT, (4,), 0, 0.7),
    (Faults(nut_shift_mm=2.0), Cause.NUT_PLACE, EVERY, 0, 2.0),
    (Faults(take_up_mm=0.03), Cause.FINGER, EVERY, 0, 0.03),
    (Faults(fret_shift_mm={5: -1.3}), Cause.FRET, EVERY, 5, -1.3),
    (Faults(groove_mm={(3, 7): 1.6}), Cause.FRET, (3,), 7, 1.6),
    (Faults(action_raised_mm=2.0), Cause.ACTION, EVERY, 0, 2.0),
    (Faults(uneven={2: Uneven(0.49, 20.0, -0.15)}), Cause.UNEVEN, (2,), 0, None),
    (Faults(uneven={4: Uneven(0.2, 300.0, 0.04)}), Cause.UNEVEN, (4,), 0, None),
]


@pytest.mark.slow
@pytest.mark.parametrize("preset", PRESETS)
@pytest.mark.parametrize(("faults", "cause", "strings", "fret", "size"), FAULTS)
def test_a_clear_fault_is_named_on_every_kind_of_instrument(
    preset: str, faults: Faults, cause: Cause, strings: tuple[int, ...], fret: int, size: float | None
) -> None:
    found = found_on(preset, faults)
    assert [(f.cause, f.strings, f.fret) for f in found] == [(cause, strings or strings_of(preset), fret)]
    if size is not None:
        assert abs(found[0].size - size) < 3.0 * found[0].se
    assert found[0].stops == (cause in INCURABLE)
    assert found[0].unit == ("cents" if cause is Cause.UNEVEN else "mm")


@pytest.mark.parametrize("preset", [*PRESETS, "six-string-648", "eight-string-multi-scale"])
@pytest.mark.parametrize("seed", range(4))
def test_sound_instruments_have_nothing_named(preset: str, seed: int) -> None:
    assert found_on(preset, SOUND, seed) == ()


@pytest.mark.parametrize("seed", range(3))
def test_the_size_of_an_uneven_string_is_its_largest_shift(seed: int) -> None:
    """Against the simulated string, which has its partials from Galerkin's method."""
    uneven = Faults(uneven={2: Uneven(0.49, 20.0, -0.15)})
    instrument = load_instrument("six-string-648")
    even_rig, uneven_rig = rig_of(instrument), rig_of(instrument, faults=uneven)
    frets = [uneven_rig.error_cents(2, f) - even_rig.error_cents(2, f) for f in FRETS]
    worst = max(frets, key=abs)
    (found,) = found_on("six-string-648", uneven, seed)
    # The harmonic's shift is of that size and sign too; either may be the worst place heard.
    assert found.size == pytest.approx(worst, abs=3.0 * found.se)
    assert abs(found.size) > 4.0


@pytest.mark.parametrize("cause", [one for one in Cause if one not in (Cause.SADDLE, Cause.SCATTER)])
def test_a_cause_with_a_model_has_all_of_its_traits(cause: Cause) -> None:
    traits = _TRAITS[cause]
    assert traits.prior > 0.0
    assert traits.size
    assert traits.ways[0] != traits.ways[1] or "{way}" not in traits.size
    found = Finding(cause, (2,), 5, 0.0, 0.0, traits.unit, 1.0, "", CHECKS[cause], stops=False)
    instrument = load_instrument("six-string-648")
    expected = expected_errors(instrument, surveys(instrument, SOUND, 1))
    variances = np.diag(covariance_of(expected, found))
    rows = np.array([number == 2 and (fret == 5 or cause is not Cause.FRET) for number, fret in expected.rows])
    assert variances[rows].max() > 1.0
    assert not variances[~rows].any()


def test_every_cause_has_traits() -> None:
    assert set(_TRAITS) == set(Cause)


# In words


NUMBER = re.compile(r"[+-]?\d+\.\d+")


@pytest.mark.parametrize(("faults", "cause", "strings", "fret", "size"), FAULTS)
def test_a_finding_has_its_evidence_size_and_check(
    faults: Faults, cause: Cause, strings: tuple[int, ...], fret: int, size: float | None
) -> None:
    preset = "seven-string-648"
    (found,) = found_on(preset, faults)
    instrument = load_instrument(preset)
    heard = surveys(instrument, faults, 1)
    assert found.check == CHECKS[cause]
    assert found.text == f"{found.name} ({found.probability:.0%} sure): {found.evidence}"
    assert "\n" not in found.text
    # The value that it names was heard, at the place that it names.
    place = re.search(r"string (\d+), (fret (\d+)|12th-fret harmonic)", found.evidence)
    assert place is not None
    survey = heard[int(place[1])]
    if place[3] is None:
        value = survey.harmonic_cents
    else:
        value = survey.neck.errors_cents[survey.neck.frets.index(int(place[3]))]
    assert value is not None
    assert f"{value:+.1f} cents measured" in found.evidence
    numbers = [float(told) for told in NUMBER.findall(found.evidence)]
    assert abs(numbers[0]) <= abs(value) + 8.0  # its doing, before what the file lets expect
    assert any(abs(told) == pytest.approx(abs(found.size), abs=0.06) for told in numbers)
    assert any(told == pytest.approx(found.se, abs=0.06) for told in numbers)
    if strings:
        assert int(place[1]) in strings


@pytest.mark.parametrize(
    ("faults", "words"),
    [
        (Faults(nut_shift_mm=2.0), "too far from the saddle"),
        (Faults(nut_shift_mm=-2.0), "too close to the saddle"),
        (Faults(fret_shift_mm={5: 1.8}), "too close to the saddle"),
        (Faults(fret_shift_mm={5: -1.8}), "too far from the saddle"),
    ],
)
def test_the_evidence_states_the_direction(faults: Faults, words: str) -> None:
    (found,) = found_on("acoustic-645", faults)
    assert words in found.evidence


@pytest.mark.parametrize("strings", [1, 2])
def test_a_cause_that_needs_more_strings_is_not_named_from_one_or_two(strings: int) -> None:
    """A misplaced nut looks like one string's own pitch; action like its saddle."""
    instrument = load_instrument("six-string-648")
    heard = surveys(instrument, Faults(nut_shift_mm=0.5, action_raised_mm=0.5), 1)
    few = {n: heard[n] for n in list(heard)[:strings]}
    assert findings(instrument, few) == ()


def test_a_high_nut_slot_stops_advice_and_a_misplaced_fret_is_left_out() -> None:
    fret, slot = found_on("bass-4-864", Faults(fret_shift_mm={5: 1.8})), found_on("bass-4-864", FAULTS[0][0])
    assert strings_without_advice(fret) == {}
    assert [misplaced_frets(fret, n) for n in (1, 4)] == [{5}, {5}]
    assert strings_without_advice((*fret, *slot)) == {4: slot[0]}
    assert misplaced_frets(slot, 4) == frozenset()
    first = replace(slot[0], strings=(3, 4))
    assert strings_without_advice((first, *slot))[4] is first


def test_the_suspected_cause_is_the_planted_one() -> None:
    instrument = load_instrument("bass-4-864")
    probability, likeliest = suspected_cause(instrument, surveys(instrument, Faults(nut_raised_mm={4: 0.7}), 1))
    assert likeliest is not None
    assert likeliest.name == "nut slot high, string 4"
    assert probability > 0.85


@pytest.mark.slow
@pytest.mark.parametrize(
    ("faults", "cause", "size"),
    [
        (Faults(nut_shift_mm=2.5), Cause.NUT_PLACE, 2.5),
        (Faults(fret_shift_mm={5: -1.8}), Cause.FRET, -1.8),
        (Faults(groove_mm={(3, 7): 2.5}), Cause.FRET, 2.5),
    ],
)
def test_large_causes_are_not_shrunk_to_usual_sizes(faults: Faults, cause: Cause, size: float) -> None:
    """A size follows from the readings, not from the usual size of such faults: errors scatter about nothing."""
    off = []
    for preset in ("acoustic-645", "six-string-628"):
        for seed in range(4):
            (found,) = found_on(preset, faults, seed)
            assert found.cause == cause
            off.append((found.size - size) / found.se)
    assert abs(sum(off) / len(off)) < 0.8
    assert max(map(abs, off)) < 3.3
