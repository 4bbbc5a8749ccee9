"""A compensated nut: its edge is nearer to the saddle, string by string, and all advice knows it."""

from __future__ import annotations

import numpy as np
import pytest
from bench.silent import set_up
from invented_sessions import out_of_tune

from oscservice.advice.causes import findings
from oscservice.advice.correction import cents_per_mm, speaking_lengths_mm
from oscservice.advice.expected_errors import Survey, expected_errors
from oscservice.advice.neck_errors import NeckErrors
from oscservice.advice.prediction import predict
from oscservice.advice.remaining_errors import remaining_errors
from oscservice.instrument.fretting import fretted_error_cents, fretted_string
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import with_capo, with_strings
from oscservice.instrument.pitch import CENTS_PER_E
from oscservice.instrument.spec import Instrument
from oscservice.simulate.guitar_builder import rig_of
from oscservice.simulate.guitar_mechanics import Rig

FRETS = (1, 3, 5, 7, 12, 17)
OFFSETS_MM = {1: 0.3, 2: 0.8, 3: 1.4, 4: 0.4, 5: 0.6, 6: 1.0}


def compensated(preset: str = "six-string-628-fixed") -> Instrument:
    return with_strings(load_instrument(preset), {n: {"nut_offset_mm": mm} for n, mm in OFFSETS_MM.items()})


def surveys(rig: Rig) -> dict[int, Survey]:
    covariance = tuple(map(tuple, (0.3**2 * np.eye(len(FRETS)) + 0.1**2).tolist()))
    return {
        n: Survey(
            NeckErrors(FRETS, tuple(rig.error_cents(n, f) for f in FRETS), covariance, (2,) * len(FRETS), 0.7),
            rig.saddle_mm(n) - compensated().string(n).setback_mm,
        )
        for n in OFFSETS_MM
    }


def test_a_nut_nearer_to_the_saddle_makes_every_fret_flatter() -> None:
    plain, nearer = load_instrument("six-string-628-fixed"), compensated()
    for n, mm in OFFSETS_MM.items():
        one, other = (fretted_string(i.string(n), i.open_hz(n)) for i in (plain, nearer))
        for fret in (1, 12):
            # K N / X0: M. Anderson and R. Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683, eq. 31
            flatter = fretted_error_cents(one, fret) - fretted_error_cents(other, fret)
            assert flatter == pytest.approx(CENTS_PER_E * mm / one.scale_mm, rel=0.1)


def test_expected_errors_and_saddles_are_those_of_the_simulated_guitar() -> None:
    instrument = compensated()
    rig = rig_of(instrument)
    expected = expected_errors(instrument, surveys(rig))
    assert np.abs(expected.heard - expected.mean).max() < 1.0
    for one in predict(instrument):
        assert one.setback_mm == pytest.approx(rig.find_saddle_in_tune_mm(one.string), abs=one.setback_se_mm)


def test_lengths_run_from_the_edge_of_the_nut() -> None:
    spec = compensated().string(3)
    opened, stopped = speaking_lengths_mm(spec, 12, 0.5)
    assert opened == pytest.approx(spec.scale_mm + spec.setback_mm + 0.5 - 1.4)
    assert stopped == pytest.approx(spec.scale_mm / 2.0 + spec.setback_mm + 0.5)
    rig = rig_of(compensated())
    before = rig.error_cents(3)
    rig_moved = rig_of(with_strings(compensated(), {3: {"setback_mm": spec.setback_mm + 0.5}}))
    assert rig_moved.error_cents(3) - before == pytest.approx(0.5 * cents_per_mm((opened, stopped)), rel=0.05)


def test_it_is_no_misplaced_nut_and_remaining_errors_know_it() -> None:
    instrument = compensated()
    rig = rig_of(instrument, saddle_error_mm=[1.5] * 6)
    assert findings(instrument, surveys(rig)) == ()
    for n, left in remaining_errors(instrument, surveys(rig), {}).items():
        truth = [rig.error_cents(n, fret) for fret in left.frets]
        assert np.abs(np.array(left.errors_cents) - truth).max() < 0.6
    moved = with_strings(instrument, {n: {"nut_offset_mm": -2.5} for n in OFFSETS_MM})
    assert [found.cause for found in findings(instrument, surveys(rig_of(moved)))] == ["nut misplaced"]


def test_a_capo_takes_the_place_of_the_nut() -> None:
    assert {string.nut_offset_mm for string in with_capo(compensated(), 2).strings} == {0.0}


@pytest.mark.slow
def test_a_set_up_with_it_ends_in_tune() -> None:
    instrument = compensated("six-string-628")
    account = set_up(instrument, out_of_tune(instrument, 5, 2.0), 5)
    assert account.outcome == "proved"
    assert all(abs(cents) < 2.0 for cents in account.errors_cents.values())
