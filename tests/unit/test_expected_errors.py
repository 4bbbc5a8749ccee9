"""Expected errors of a guitar and of each change, compared with the simulated guitar's own mechanics."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from oscservice.advice.expected_errors import (
    ACTION_SD_MM,
    FRET_SD_MM,
    GROOVE_SD_MM,
    HARMONIC_ROW,
    NUT_HEIGHT_SD_MM,
    NUT_PLACE_SD_MM,
    TAKE_UP_SD_MM,
    ExpectedErrors,
    Survey,
    expected_errors,
    with_higher_action,
    with_higher_nut,
    with_more_take_up,
)
from oscservice.advice.neck_errors import NeckErrors
from oscservice.hearing.inharmonicity import Stiffness, expected_stiffness
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import cents_between
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar_builder import SOUND, Faults, rig_of
from oscservice.simulate.guitar_mechanics import Rig

PRESETS = ("six-string-648", "six-string-628", "seven-string-648", "acoustic-645", "bass-5-864")
FRETS = (1, 3, 5, 7, 12, 17)
Shift = Callable[[ExpectedErrors], np.ndarray]


def numbers(instrument: Instrument) -> range:
    return range(1, len(instrument.strings) + 1)


def expected_of(
    instrument: Instrument, errors: dict[int, list[float]] | None = None, sd: float = 0.4
) -> ExpectedErrors:
    """Of all strings at once, each with a harmonic."""
    rows = tuple(map(tuple, (sd**2 * np.eye(len(FRETS))).tolist()))
    found = {}
    for n in numbers(instrument):
        heard = tuple((errors or {}).get(n, [0.0] * len(FRETS)))
        found[n] = Survey(NeckErrors(FRETS, heard, rows, (2,) * len(FRETS), 0.8), 0.0, 0.0, 0.2)
    return expected_errors(instrument, found)


def of_string(expected: ExpectedErrors, values: np.ndarray, number: int) -> np.ndarray:
    """Those of the values that are of a string's frets."""
    return np.array([v for (n, f), v in zip(expected.rows, values, strict=True) if n == number and f != HARMONIC_ROW])


def errors(rig: Rig, number: int) -> np.ndarray:
    return np.array([rig.error_cents(number, fret) for fret in FRETS])


# Expected errors by the file


@pytest.mark.parametrize("preset", PRESETS)
def test_errors_expected_from_the_file_equal_those_of_the_simulated_guitar(preset: str) -> None:
    instrument = load_instrument(preset)
    expected = expected_of(instrument)
    rig = rig_of(instrument)
    for n in numbers(instrument):
        doubt = np.sqrt(of_string(expected, np.diag(expected.covariance), n))
        assert np.abs(errors(rig, n) - of_string(expected, expected.mean, n)).max() < 1.5
        assert (np.abs(errors(rig, n) - of_string(expected, expected.mean, n)) < 0.5 * doubt).all()


def test_expected_errors_follow_the_saddle() -> None:
    instrument = load_instrument("six-string-628")
    far, near = rig_of(instrument), rig_of(instrument)
    for n in numbers(instrument):
        far.move_saddle(n, 2.0)
        for _ in range(5):  # and brought back to pitch
            far.turn_peg(n, cents_between(instrument.open_hz(n), far.open_hz(n)))
    survey = Survey(NeckErrors(FRETS, (0.0,) * 6, tuple(map(tuple, np.eye(6).tolist())), (2,) * 6, 0.8))
    start, moved = (
        expected_errors(instrument, {n: replace(survey, position_mm=mm) for n in numbers(instrument)})
        for mm in (0.0, 2.0)
    )
    for n in numbers(instrument):
        told = of_string(start, moved.mean - start.mean, n)
        assert told == pytest.approx(errors(far, n) - errors(near, n), abs=0.25)
        # Cents a millimetre of each string's own saddle, of no other string's.
        own = start.saddle[:, n - 1]
        assert 2.0 * of_string(start, own, n) == pytest.approx(told, abs=0.1)
        assert all(own[i] == 0.0 for i, (string, _) in enumerate(start.rows) if string != n)


# The effect of each change

CHANGES: list[tuple[Faults, Shift]] = [
    (Faults(nut_raised_mm={2: 0.4}), lambda e: e.shift(lambda s: with_higher_nut(s, 0.4), 2)),
    (Faults(nut_shift_mm=0.8), lambda e: e.shift(lambda s: replace(s, nut_shift_mm=0.8))),
    (Faults(nut_shift_mm=-0.8), lambda e: e.shift(lambda s: replace(s, nut_shift_mm=-0.8))),
    (Faults(take_up_mm=0.01), lambda e: e.shift(lambda s: with_more_take_up(s, 0.01))),
    (Faults(action_raised_mm=0.5), lambda e: e.shift(lambda s: with_higher_action(s, 0.5))),
    (Faults(fret_shift_mm={5: 0.5}), lambda e: 0.5 * e.fret(5)),
    (Faults(groove_mm={(3, 12): 0.5}), lambda e: 0.5 * e.fret(12, 3)),
]


@pytest.mark.parametrize("preset", PRESETS)
@pytest.mark.parametrize(("faults", "shift"), CHANGES)
def test_a_predicted_change_equals_that_of_the_simulated_guitar(preset: str, faults: Faults, shift: Shift) -> None:
    instrument = load_instrument(preset)
    expected = expected_of(instrument)
    sound, faulty = rig_of(instrument), rig_of(instrument, faults=faults)
    told = shift(expected)
    for n in numbers(instrument):
        true = errors(faulty, n) - errors(sound, n)
        # A spring-balanced bridge gives way a little as a string is pressed down; the model's doesn't.
        assert np.abs(of_string(expected, told, n) - true).max() < 0.25 + 0.15 * np.abs(true).max()
    harmonics = [value for (_, fret), value in zip(expected.rows, told, strict=True) if fret == HARMONIC_ROW]
    assert harmonics == [0.0] * len(harmonics)  # where it is touched nothing is pressed down


def test_uneven_mass_is_the_one_thing_that_shifts_the_harmonic() -> None:
    expected = expected_of(load_instrument("six-string-648"))
    added = np.diag(expected.uneven(3, 0.03, 40.0))
    for (n, fret), variance in zip(expected.rows, added, strict=True):
        assert (variance > 0.0) == (n == 3), (n, fret)
    assert added[expected.rows.index((3, HARMONIC_ROW))] > 0.5**2


# The errors of a sound guitar


def strayed(instrument: Instrument, draw: random.Random) -> Faults:
    """A sound guitar's faults: drawn as large as they are taken to be."""
    return Faults(
        nut_raised_mm={n: draw.gauss(0.0, NUT_HEIGHT_SD_MM) for n in numbers(instrument)},
        nut_shift_mm=draw.gauss(0.0, NUT_PLACE_SD_MM),
        take_up_mm=draw.gauss(0.0, TAKE_UP_SD_MM),
        fret_shift_mm={fret: draw.gauss(0.0, FRET_SD_MM) for fret in FRETS},
        groove_mm={(n, fret): draw.gauss(0.0, GROOVE_SD_MM) for n in numbers(instrument) for fret in FRETS},
        action_raised_mm=draw.gauss(0.0, ACTION_SD_MM),
        core_factor={n: draw.gauss(1.0, expected_stiffness(instrument, n).sd / 4.0) for n in numbers(instrument)},
    )


@pytest.mark.parametrize("preset", ["six-string-648", "bass-4-864"])
def test_random_sound_guitars_are_within_the_stated_scatter(preset: str) -> None:
    """The expected standard errors are compared with random guitars. They also contain what these don't vary (plucking,
    clamped ends, mass along a string), so the scatter of these is at most as large."""
    instrument = load_instrument(preset)
    base, draw = rig_of(instrument), random.Random(5)
    expected = expected_of(instrument)
    told = np.sqrt(np.diag(expected.covariance))
    all_off, misfits = [], []
    for _ in range(40):
        rig = rig_of(instrument, faults=strayed(instrument, draw))
        off = {n: errors(rig, n) - errors(base, n) for n in numbers(instrument)}
        all_off.append(np.concatenate([off[n] for n in numbers(instrument)]))
        heard = {n: (off[n] + of_string(expected, expected.mean, n)).tolist() for n in numbers(instrument)}
        this = expected_of(instrument, heard)
        misfits.append((this.heard - this.mean) @ np.linalg.solve(this.covariance, this.heard - this.mean))
    frets = np.array([fret != HARMONIC_ROW for _, fret in expected.rows])
    spread = np.sqrt(np.mean(np.square(all_off), axis=0))
    assert (spread < 1.3 * told[frets]).all()
    assert (spread > 0.2 * told[frets]).all()
    assert np.mean(misfits) < len(expected.rows)


def test_covariances_are_valid_and_less_exact_readings_never_lower_them() -> None:
    for preset in PRESETS:
        good, bad = (expected_of(load_instrument(preset), sd=sd) for sd in (0.2, 1.0))
        assert good.covariance == pytest.approx(good.covariance.T)
        assert np.linalg.eigvalsh(good.covariance).min() > 0.0
        assert np.linalg.eigvalsh(bad.covariance - good.covariance).min() > -1e-9


def test_a_stiffness_that_was_heard_leaves_less_doubt() -> None:
    instrument = load_instrument("six-string-648")
    neck = NeckErrors((12,), (0.0,), ((0.01,),), (6,), 0.6)
    guessed = expected_stiffness(instrument, 6)
    unheard = expected_errors(instrument, {6: Survey(neck)})
    heard = expected_errors(instrument, {6: Survey(neck, stiffness=Stiffness(guessed.log_b, 0.05))})
    assert heard.mean == pytest.approx(unheard.mean, abs=1e-9)
    assert heard.covariance[0, 0] < unheard.covariance[0, 0]
    stiffer = expected_errors(instrument, {6: Survey(neck, stiffness=Stiffness(guessed.log_b + 0.4, 0.05))})
    # B goes with the core's fourth power: a tenth more core.
    thicker = rig_of(instrument, faults=Faults(core_factor={6: np.exp(0.1)}))
    change = thicker.error_cents(6, 12) - rig_of(instrument, faults=SOUND).error_cents(6, 12)
    assert stiffer.mean[0] - heard.mean[0] == pytest.approx(change, rel=0.2)


def test_strings_that_are_not_there() -> None:
    instrument = load_instrument("six-string-648")
    with pytest.raises(ValueError, match="no string"):
        expected_errors(instrument, {})
    with pytest.raises(ValueError, match="7"):
        expected_errors(instrument, {7: Survey(NeckErrors((12,), (0.0,), ((1.0,),), (3,), 0.6))})
