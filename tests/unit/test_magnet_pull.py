"""The pull of a pickup's magnets: its pattern against a string cut into cells, and whether it is named."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import eigh_tridiagonal

from oscservice.advice.causes import Cause, findings, ranked_causes
from oscservice.advice.expected_errors import HARMONIC_ROW, Survey, expected_errors
from oscservice.advice.magnet_pull import POLE_DEPTH_MM, open_falls, pull_columns, pull_pattern
from oscservice.advice.neck_errors import NeckErrors
from oscservice.instrument.fretting import fretted_string
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.instrument.string_physics import fret_position_mm, tension_n
from oscservice.simulate.guitar_builder import SOUND, Faults, rig_of
from oscservice.simulate.pickup_magnet import PickupMagnet

FRETS = (1, 3, 5, 7, 12, 17)
CELLS = 400
SIX = load_instrument("six-string-648")


def pulled_cents(n_per_mm: float, tension: float, length_mm: float, pole_mm: float) -> tuple[float, float]:
    """The cents by which a spring of negative stiffness moves partials 1 and 2: eigenvalues of a string in cells."""
    cell_mm = length_mm / CELLS
    beside = np.full(CELLS - 2, -tension / cell_mm)

    def squares(stiffness: float) -> np.ndarray:
        middle = np.full(CELLS - 1, 2.0 * tension / cell_mm)
        at = pole_mm / cell_mm
        low = math.floor(at)
        for joint, share in ((low, 1.0 - (at - low)), (low + 1, at - low)):
            if 1 <= joint < CELLS:
                middle[joint - 1] -= stiffness * share
        return np.asarray(eigh_tridiagonal(middle, beside, eigvals_only=True, select="i", select_range=(0, 1)))

    first, second = 600.0 * np.log2(squares(n_per_mm) / squares(0.0))
    return float(first), float(second)


@pytest.mark.parametrize(("number", "share"), [(6, 0.25), (6, 0.17), (4, 0.27), (1, 0.07)])
def test_the_pattern_is_that_of_a_string_in_cells(number: int, share: float) -> None:
    spec = SIX.string(number)
    string = fretted_string(spec, SIX.open_hz(number), setback_mm=0.0)
    tension = tension_n(spec.unit_weight_kg_m, SIX.open_hz(number), spec.scale_mm)
    pole_mm = share * spec.scale_mm
    opened, octave = pulled_cents(2e-4, tension, spec.scale_mm, pole_mm)
    assert opened < 0.0
    for fret in (*FRETS, 22):
        length_mm = spec.scale_mm - fret_position_mm(spec.scale_mm, fret)
        stopped, _ = pulled_cents(2e-4, tension, length_mm, pole_mm)
        assert pull_pattern(string, fret, share, 0.0) == pytest.approx((stopped - opened) / -opened, abs=0.02)
    harmonic = pull_pattern(string, HARMONIC_ROW, share, 0.0)
    assert harmonic == pytest.approx((octave - opened) / -opened, abs=0.02)


def test_a_string_stopped_over_the_pole_is_not_pulled() -> None:
    string = fretted_string(SIX.string(6), SIX.open_hz(6), setback_mm=0.0)
    assert pull_pattern(string, 24, 0.26, 2.0) == 1.0


def test_a_pull_that_grows_takes_more_off_where_the_string_runs_lower() -> None:
    string = fretted_string(SIX.string(6), SIX.open_hz(6), setback_mm=0.0)
    steady = [1.0 - pull_pattern(string, fret, 0.25, 0.0) for fret in FRETS]
    growing = [1.0 - pull_pattern(string, fret, 0.25, 2.0) for fret in FRETS]
    ratios = [b / a for a, b in zip(steady, growing, strict=True)]
    assert ratios == sorted(ratios)
    # By hand: over the pole, the string runs a quarter of the way down from saddle to nut, at fret 12 half to the fret.
    saddle_mm = string.nut_height_mm + string.saddle_over_nut_mm
    opened_mm = POLE_DEPTH_MM + 0.75 * saddle_mm + 0.25 * string.nut_height_mm
    assert ratios[4] == pytest.approx((opened_mm / (POLE_DEPTH_MM + 0.5 * saddle_mm)) ** 2)


def surveys(instrument: Instrument, faults: Faults, seed: int) -> dict[int, Survey]:
    """Readings of the simulated guitar, 0.4 cents of scatter on each, 0.15 on the open string."""
    rng = np.random.default_rng(seed)
    rig = rig_of(instrument, saddle_error_mm=[0.0] * len(instrument.strings), faults=faults)
    sound = rig_of(instrument)
    covariance = 0.4**2 * np.eye(len(FRETS)) + 0.15**2
    found = {}
    for n, spec in enumerate(instrument.strings, start=1):
        scatter = rng.multivariate_normal(np.zeros(len(FRETS)), covariance)
        errors = [rig.error_cents(n, fret) for fret in FRETS] + scatter
        neck = NeckErrors(FRETS, tuple(errors.tolist()), tuple(map(tuple, covariance.tolist())), (2,) * 6, 0.8)
        octaves = [cents_between(one.place_hz(n, HARMONIC), 2.0 * one.open_hz(n)) for one in (rig, sound)]
        harmonic_cents = octaves[0] - octaves[1] + float(rng.normal(0.0, 0.25))
        found[n] = Survey(neck, rig.saddle_mm(n) - spec.setback_mm, harmonic_cents, 0.25)
    return found


def with_cells(
    instrument: Instrument, heard: dict[int, Survey], n_per_mm: float, growth: float = 0.0
) -> dict[int, Survey]:
    """The same readings with a pickup near the neck: its pull goes with the gauge squared."""
    thickest_mm = max(spec.gauge_mm for spec in instrument.strings)
    found = {}
    for n, survey in heard.items():
        spec = instrument.string(n)
        length_mm, pole_mm = spec.scale_mm + spec.setback_mm + survey.position_mm, 0.255 * spec.scale_mm
        tension = tension_n(spec.unit_weight_kg_m, instrument.open_hz(n), length_mm)
        stiffness = n_per_mm * (spec.gauge_mm / thickest_mm) ** 2
        saddle_mm = 2.0 * spec.action_12_mm - spec.nut_height_mm

        def gap_mm(
            sounding_mm: float, start_mm: float, saddle_mm: float = saddle_mm, pole_mm: float = pole_mm
        ) -> float:
            return 2.0 + saddle_mm + (start_mm - saddle_mm) * pole_mm / sounding_mm

        opened, octave = pulled_cents(stiffness, tension, length_mm, pole_mm)
        errors = []
        for fret, error in zip(FRETS, survey.neck.errors_cents, strict=True):
            stopped_mm = length_mm - fret_position_mm(spec.scale_mm, fret)
            nearer = gap_mm(length_mm, spec.nut_height_mm) / gap_mm(stopped_mm, 0.0)
            stopped, _ = pulled_cents(stiffness * nearer**growth, tension, stopped_mm, pole_mm)
            errors.append(error + stopped - opened)
        assert survey.harmonic_cents is not None
        neck = replace(survey.neck, errors_cents=tuple(errors))
        found[n] = replace(survey, neck=neck, harmonic_cents=survey.harmonic_cents + octave - opened)
    return found


@pytest.mark.parametrize(
    ("preset", "n_per_mm", "growth", "strings"),
    [
        ("six-string-648", 0.006, 0.0, (4, 5, 6)),
        ("six-string-648", 0.006, 3.0, (4, 5, 6)),
        ("six-string-628", 0.02, 1.0, (4, 5, 6)),
        ("bass-4-864", 0.02, 3.0, (2, 3, 4)),
    ],
)
def test_a_pull_is_named_on_the_strings_that_it_pulls_most(
    preset: str, n_per_mm: float, growth: float, strings: tuple[int, ...]
) -> None:
    instrument = load_instrument(preset)
    last = len(instrument.strings)
    spec = instrument.string(last)
    tension = tension_n(spec.unit_weight_kg_m, instrument.open_hz(last), spec.scale_mm)
    fall, _ = pulled_cents(n_per_mm, tension, spec.scale_mm, 0.255 * spec.scale_mm)
    (found,) = findings(instrument, with_cells(instrument, surveys(instrument, SOUND, 1), n_per_mm, growth))
    assert (found.cause, found.strings, found.fret, found.unit) == (Cause.MAGNET, strings, 0, "cents")
    assert found.size == pytest.approx(-fall, abs=2.0 * found.se)
    assert found.stops
    assert "farthest from the neck" in found.check
    assert f"{found.size:.1f} ± {found.se:.1f} cents down" in found.evidence


def test_the_pull_of_the_simulated_guitar_is_named() -> None:
    thickest_mm = SIX.string(6).gauge_mm
    pull = {n: PickupMagnet(165.0, 8.0 * (s.gauge_mm / thickest_mm) ** 2, 2.5) for n, s in enumerate(SIX.strings, 1)}
    heard = surveys(SIX, Faults(pickup_pull=pull), 1)
    assert [(one.cause, one.strings) for one in findings(SIX, heard)] == [(Cause.MAGNET, (4, 5, 6))]


def test_what_pushes_a_string_up_is_no_magnet() -> None:
    heard = with_cells(SIX, surveys(SIX, SOUND, 1), -0.006)
    ranked = ranked_causes(expected_errors(SIX, heard))
    assert next(one.probability for one in ranked if one.cause is Cause.MAGNET) < 0.01


def test_a_thin_string_falls_less_and_a_slack_one_more() -> None:
    expected = expected_errors(SIX, surveys(SIX, SOUND, 1))
    falls = open_falls(expected)
    for n, fall in falls.items():
        spec, thickest = SIX.string(n), SIX.string(6)
        steel = (spec.gauge_mm / thickest.gauge_mm) ** 2
        mersenne = [s.unit_weight_kg_m * SIX.open_hz(k) ** 2 for k, s in ((n, spec), (6, thickest))]
        assert fall == pytest.approx(steel * mersenne[1] / mersenne[0], rel=0.02)
    columns = pull_columns(expected, 0.25, 2.0)
    assert columns.shape == (len(expected.rows), 6)
    for index, (number, _) in enumerate(expected.rows):
        assert np.flatnonzero(columns[index]).tolist() in ([], [number - 1])
