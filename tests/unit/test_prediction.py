"""Saddles foretold: against random builds, the simulator's bent wire, and what the trade knows."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from oscservice.advice.prediction import follow_change, predict
from oscservice.hearing.inharmonicity import Stiffness
from oscservice.instrument.fretting import FrettedString, true_setback_mm
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import (
    NewGauge,
    tuned_by,
    with_action_raised,
    with_capo,
    with_gauges,
    with_nut_height,
    with_reference,
)
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar_builder import rig_of

GUITAR = load_instrument("six-string-648")
SCREWED = load_instrument("six-string-628")
INCH_MM = 25.4
NUMBERS = range(1, 7)
DRAWS = 2000

Change = Callable[[Instrument], Instrument]
CHANGES: dict[str, Change] = {
    "action": lambda i: with_action_raised(i, 0.3),
    "down a tone": lambda i: tuned_by(i, -2),
    "reference": lambda i: with_reference(i, 432.0),
    "nut": lambda i: with_nut_height(i, 0.6),
}


class World:
    """Random truths of one string: everything the prediction may be wrong about, drawn once for before and after."""

    def __init__(self, seed: int) -> None:
        draw = np.random.default_rng(seed).standard_normal
        self.clamped = 1.0 + 0.5 * draw(DRAWS)
        self.share = 0.9 + 0.1 * draw(DRAWS)
        self.action_mm = 0.2 * draw(DRAWS)
        self.modulus_pa = 200e9 + 7e9 * draw(DRAWS)
        self.core = draw(DRAWS)
        self.other_core = draw(DRAWS)

    def setbacks(self, instrument: Instrument, number: int, core: np.ndarray, log_b: float | None = None) -> np.ndarray:
        """True setback of each draw; ``core`` is off by 10 % of a wound string's or 2 % of a plain one's, or, where
        ``log_b`` is given, ln B is off by 0.1 and the core follows from it."""
        spec = instrument.string(number)
        length_m = (spec.scale_mm + spec.setback_mm) * 1e-3
        found = []
        for k in range(DRAWS):
            e = self.modulus_pa[k]
            weight = spec.unit_weight_kg_m
            d = spec.core_mm * 1e-3 * (1.0 + (0.1 if spec.wound else 0.02) * core[k])
            if log_b is not None:
                b = math.exp(log_b + 0.1 * core[k])
                pull = weight * (2.0 * length_m * instrument.open_hz(number)) ** 2
                # B = pi^3 E d^4 / (64 T L^2); of a plain string T goes with d^2
                if spec.wound:
                    d = (64.0 * pull * length_m**2 * b / (math.pi**3 * e)) ** 0.25
                else:
                    d = math.sqrt(64.0 * pull / (spec.core_mm * 1e-3) ** 2 * length_m**2 * b / (math.pi**3 * e))
            if not spec.wound:
                weight *= (d / (spec.core_mm * 1e-3)) ** 2
            pull = weight * (2.0 * length_m * instrument.open_hz(number)) ** 2
            string = FrettedString(
                scale_mm=spec.scale_mm,
                setback_mm=0.0,
                nut_height_mm=spec.nut_height_mm,
                saddle_over_nut_mm=2.0 * (spec.action_12_mm + self.action_mm[k] - spec.nut_height_mm),
                kappa=e * math.pi * d**2 / 4.0 / pull,
                stiffness_mm=math.sqrt(e * math.pi * d**4 / 64.0 / pull) * 1e3,
                clamped_ends=self.clamped[k],
                share=self.share[k],
            )
            found.append(true_setback_mm(string))
        return np.array(found)


@pytest.mark.parametrize("number", [1, 3, 4, 6])
def test_standard_error_is_that_of_random_builds(number: int) -> None:
    foretold = predict(GUITAR)[number - 1]
    world = World(number)
    truths = world.setbacks(GUITAR, number, world.core)
    assert truths.std() == pytest.approx(foretold.setback_se_mm, rel=0.1)
    assert truths.mean() == pytest.approx(foretold.setback_mm, abs=0.1 * foretold.setback_se_mm)


@pytest.mark.parametrize("number", [3, 6])
def test_a_measured_stiffness_replaces_the_core_and_narrows_the_doubt(number: int) -> None:
    b = 1.4 * predict(GUITAR)[number - 1].inharmonicity
    foretold = predict(GUITAR, stiffness={number: Stiffness(math.log(b), 0.1)})[number - 1]
    world = World(number + 10)
    truths = world.setbacks(GUITAR, number, world.core, math.log(b))
    assert foretold.inharmonicity == pytest.approx(b)
    assert truths.std() == pytest.approx(foretold.setback_se_mm, rel=0.1)
    assert truths.mean() == pytest.approx(foretold.setback_mm, abs=0.1 * foretold.setback_se_mm)


def test_measured_stiffness_halves_no_doubt_but_the_cores() -> None:
    """Of a wound string less is left than of its core's 10 %; no other string is touched."""
    plain = predict(GUITAR)
    b = math.log(plain[5].inharmonicity)
    known = predict(GUITAR, stiffness={6: Stiffness(b, 0.05)})
    assert known[5].setback_mm == pytest.approx(plain[5].setback_mm, rel=1e-9)
    assert known[5].setback_se_mm < 0.85 * plain[5].setback_se_mm
    assert known[:5] == plain[:5]


@pytest.mark.parametrize("number", [3, 6])
@pytest.mark.parametrize("what", ["action", "down a tone"])
def test_errors_common_to_before_and_after_cancel(what: str, number: int) -> None:
    after = CHANGES[what](GUITAR)
    followed = follow_change(GUITAR, after)[number - 1]
    world = World(number + 20)
    truths = world.setbacks(after, number, world.core) - world.setbacks(GUITAR, number, world.core)
    assert truths.std() == pytest.approx(followed.change_se_mm, rel=0.2)
    assert truths.mean() == pytest.approx(followed.change_mm, abs=0.3 * followed.change_se_mm)
    assert followed.change_se_mm < 0.2 * predict(GUITAR)[number - 1].setback_se_mm


def test_another_wound_string_has_a_core_of_its_own() -> None:
    after = with_gauges(GUITAR, {6: NewGauge(0.052 * INCH_MM)})
    followed = follow_change(GUITAR, after)
    world = World(31)
    truths = world.setbacks(after, 6, world.other_core) - world.setbacks(GUITAR, 6, world.core)
    assert truths.std() == pytest.approx(followed[5].change_se_mm, rel=0.15)
    assert all(f.change_mm == f.change_se_mm == 0.0 for f in followed[:5])


def test_a_stiffness_measured_before_is_the_cores_after() -> None:
    """Tuned down a tone: the B that this core has there, put in as if measured there, foretells the same saddle."""
    after = tuned_by(GUITAR, -2)
    b = 1.3 * predict(GUITAR)[5].inharmonicity
    followed = follow_change(GUITAR, after, stiffness={6: Stiffness(math.log(b), 0.1)})[5]
    # B goes with 1/T at one length, and T with the square of the pitch
    again = predict(after, stiffness={6: Stiffness(math.log(b * 2.0 ** (4.0 / 12.0)), 0.1)})[5]
    assert followed.after_mm == pytest.approx(again.setback_mm, rel=1e-9)
    assert followed.change_mm > 1.1 * follow_change(GUITAR, after)[5].change_mm


@pytest.mark.parametrize("name", ["six-string-628", "acoustic-645", "bass-5-864", "seven-string-648"])
def test_the_simulators_bent_wire_wants_its_saddles_there(name: str) -> None:
    """It shares no formula with the prediction. Its finger takes up a little of the string, which asks for more."""
    instrument = load_instrument(name)
    rig = rig_of(instrument)
    for foretold in predict(instrument):
        wanted_mm = rig.find_saddle_in_tune_mm(foretold.string)
        assert wanted_mm == pytest.approx(foretold.setback_mm, rel=0.05, abs=0.1)
        assert abs(wanted_mm - foretold.setback_mm) < 0.3 * foretold.setback_se_mm


@pytest.mark.parametrize("what", CHANGES)
def test_the_simulators_saddles_need_the_predicted_moves(what: str) -> None:
    after = CHANGES[what](SCREWED)
    old, new = rig_of(SCREWED), rig_of(after)
    for followed in follow_change(SCREWED, after):
        change_mm = new.find_saddle_in_tune_mm(followed.string) - old.find_saddle_in_tune_mm(followed.string)
        assert change_mm == pytest.approx(followed.change_mm, abs=0.06)


@pytest.mark.parametrize("what", CHANGES)
def test_cents_if_the_saddle_stays_are_the_geometrys(what: str) -> None:
    """The exact null move the other way round: only the ratio of the two lengths changes."""
    for followed in follow_change(GUITAR, CHANGES[what](GUITAR)):
        whole, half = 648.0 + followed.before_mm, 324.0 + followed.before_mm
        moved = followed.change_mm
        cents = 1200.0 * math.log2((half + moved) * whole / (half * (whole + moved)))
        assert followed.stays_cents == pytest.approx(cents, rel=0.04, abs=0.01)


def test_predicted_setbacks_are_in_the_usual_order() -> None:
    # common practice, no source: plain strings go further back the thicker they are, the wound D comes forward of the
    # plain G, wound ones again go back; a wound G needs far less than a plain one.
    e, b, g, d, a, low = (foretold.setback_mm for foretold in predict(GUITAR))
    assert e < b < g
    assert d < g
    assert d < a < low
    wound = predict(with_gauges(GUITAR, {3: NewGauge(0.020 * INCH_MM, 0.305)}))[2].setback_mm
    assert wound < 0.6 * g


def test_the_direction_in_which_saddles_follow() -> None:
    # common practice, no source: back for higher action, lower tuning and thicker plain strings, forward for thinner.
    thicker = with_gauges(GUITAR, {1: NewGauge(0.011 * INCH_MM)})
    thinner = with_gauges(GUITAR, {1: NewGauge(0.009 * INCH_MM)})
    assert all(f.change_mm > 0.1 for f in follow_change(GUITAR, with_action_raised(GUITAR, 0.3)))
    assert all(f.change_mm > 0.1 for f in follow_change(GUITAR, tuned_by(GUITAR, -2)))
    assert follow_change(GUITAR, thicker)[0].change_mm > 0.0 > follow_change(GUITAR, thinner)[0].change_mm


def test_a_capo_changes_little() -> None:
    """The part of stiffness stays in mm, and a string that lies lower makes up for a shorter scale, up to a point."""
    for fret in (2, 5):
        followed = follow_change(GUITAR, with_capo(GUITAR, fret))
        assert [f.after_note for f in followed] == [s.note for s in with_capo(GUITAR, fret).strings]
        assert all(abs(f.change_mm) < 0.25 for f in followed)


def test_tension_and_strength() -> None:
    """Published string tension chart: .010 at E4 on 25.5 inches pulls 16.2 lbf; 2450 MPa is the ASTM A228 data sheet's
    tensile strength."""
    foretold = predict(GUITAR)[0]
    assert foretold.tension_n == pytest.approx(16.2 * 4.448, rel=0.01)
    area_mm2 = math.pi * 0.254**2 / 4.0
    assert foretold.strength_share == pytest.approx(16.2 * 4.448 / area_mm2 / 2450.0, rel=0.01)


def test_the_first_move_goes_to_the_predicted_setback() -> None:
    for foretold in predict(GUITAR):
        assert foretold.move_mm == pytest.approx(foretold.setback_mm - GUITAR.string(foretold.string).setback_mm)
        assert not foretold.worth_moving
    astray = GUITAR.model_copy(
        update={"strings": tuple(s.model_copy(update={"setback_mm": -2.0}) for s in GUITAR.strings)}
    )
    assert all(foretold.worth_moving and foretold.move_mm > 3.0 for foretold in predict(astray))


def test_strings_that_are_not_there() -> None:
    fewer = GUITAR.model_copy(update={"strings": GUITAR.strings[:5]})
    with pytest.raises(ValueError, match="5 strings can't follow 6"):
        follow_change(GUITAR, fewer)
