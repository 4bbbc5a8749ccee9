"""Stopped strings and their compensation compared with the tables of a paper. Each check names its source.

Anderson and Beausoleil: M. Anderson and R. Beausoleil, "Classical guitar intonation and compensation: the well-tempered
guitar", J. Acoust. Soc. Am. 156 (2024) 683, read in the authors' source text of 22 July 2024. Scale 650 mm, string 1 mm
over the frets at the nut, saddle 4 mm above that, nut and saddle hold the string, saddle pinned and fret clamped. Their
stretch was measured; setback, nut and rms are their own prediction from it, so they test arithmetic and not nature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from fretting_terms import best_setback_and_nut_mm, first_order_terms, terms_error_cents

from oscservice.instrument import string_physics as strings
from oscservice.instrument.fretting import (
    CLAMPED_ENDS,
    CLAMPED_ENDS_SD,
    FrettedString,
    fretted_error_cents,
    fretted_string,
    true_setback_mm,
)
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import with_relief
from oscservice.instrument.setup_targets import relief_at_12_mm

SCALE_MM, NUT_MM, RISE_MM = 650.0, 1.0, 4.0
CENTS = 1200.0 / math.log(2.0)
FRETS = range(1, 13)


@dataclass(frozen=True)
class Nylon:
    """A row of their tables: radius mm, tension N, stretch sensitivity R, kappa, stiffness length over scale length,
    effective modulus GPa; predicted setback mm, nut mm (+ away from the saddle) and rms cents over frets 1 to 12."""

    name: str
    radius_mm: float
    tension_n: float
    r: float
    kappa: float
    b0: float
    gpa: float
    setback_mm: float
    nut_mm: float
    rms_cents: float

    def string(self) -> FrettedString:
        return FrettedString(
            scale_mm=SCALE_MM,
            setback_mm=0.0,
            nut_height_mm=NUT_MM,
            saddle_over_nut_mm=RISE_MM,
            kappa=self.kappa,
            stiffness_mm=self.b0 * SCALE_MM,
            clamped_ends=1.0,
            share=1.0,
        )


NORMAL = (
    Nylon("E4", 0.356, 68.6, 23.6, 48.2, 0.00190, 8.33, 1.48, -0.36, 0.143),
    Nylon("B3", 0.409, 52.0, 23.8, 48.7, 0.00220, 4.82, 1.69, -0.36, 0.145),
    Nylon("G3", 0.512, 54.2, 28.8, 58.6, 0.00301, 3.87, 2.33, -0.43, 0.177),
    Nylon("D3", 0.368, 70.0, 22.5, 46.0, 0.00192, 7.56, 1.49, -0.34, 0.137),
    Nylon("A2", 0.445, 67.3, 23.9, 48.7, 0.00239, 5.28, 1.83, -0.36, 0.146),
    Nylon("E2", 0.546, 62.8, 28.6, 58.2, 0.00321, 3.90, 2.46, -0.43, 0.177),
)
LIGHT_G = Nylon("light G3", 0.504, 52.5, 55.0, 111.1, 0.00409, 7.30, 3.39, -0.82, 0.339)
ALL = (*NORMAL, LIGHT_G)

each = pytest.mark.parametrize("nylon", ALL, ids=lambda nylon: nylon.name)


@each
def test_stretch_sensitivity_and_stiffness_of_nylon_strings(nylon: Nylon) -> None:
    """kappa = E A / T0 and B0 = sqrt(E A s^2 / T) / L with s half the radius (eqs. 22, 23, 39)."""
    diameter_mm, modulus_pa = 2.0 * nylon.radius_mm, nylon.gpa * 1e9
    assert strings.kappa(diameter_mm, nylon.tension_n, modulus_pa) == pytest.approx(nylon.kappa, rel=0.006)
    length_mm = strings.stiffness_length_mm(diameter_mm, nylon.tension_n, modulus_pa)
    assert length_mm / SCALE_MM == pytest.approx(nylon.b0, rel=0.006)


@each
def test_a_stretched_string_sharpens_by_the_measured_sensitivity(nylon: Nylon) -> None:
    """R = (L / f) df/dL of the whole string was measured; where only the tension's part of it is heard, at a sounding
    length that stays, it is R + 1 (eqs. 34, 35: kappa = 2 R + 1)."""
    string = replace(nylon.string(), nut_height_mm=0.0, saddle_over_nut_mm=0.0)
    taken_up_mm = 1e-3
    sharper = fretted_error_cents(replace(string, take_up_mm=taken_up_mm), 12) - fretted_error_cents(string, 12)
    assert sharper / CENTS * SCALE_MM / taken_up_mm == pytest.approx(nylon.r + 1.0, rel=0.006)


@each
def test_setback_nut_and_residual_of_a_linear_fit(nylon: Nylon) -> None:
    """Setback, nut and rms cents of their two-parameter fit over frets 1 to 12, which is linear in both (App. C)."""
    errors = np.array([fretted_error_cents(nylon.string(), fret) for fret in FRETS])
    u = np.array([2.0 ** (fret / 12.0) - 1.0 for fret in FRETS])
    slopes = CENTS / SCALE_MM * np.column_stack([-u, np.ones_like(u)])
    moves = np.linalg.lstsq(slopes, -errors, rcond=None)[0]
    assert moves == pytest.approx([nylon.setback_mm, nylon.nut_mm], abs=0.03)
    assert np.sqrt(np.mean((errors + slopes @ moves) ** 2)) == pytest.approx(nylon.rms_cents, abs=0.01)


@each
def test_best_setback_and_nut(nylon: Nylon) -> None:
    """The same fit by the full model, which isn't linear: 4 % more is left of the light G, whose nut moves most."""
    setback_mm, nut_mm, rms_cents = best_setback_and_nut_mm(nylon.string(), FRETS)
    assert setback_mm == pytest.approx(nylon.setback_mm, abs=0.05)
    assert nut_mm == pytest.approx(nylon.nut_mm, abs=0.01)
    assert rms_cents == pytest.approx(nylon.rms_cents, rel=0.04, abs=0.01)


@each
@pytest.mark.parametrize("fret", [1, 3, 5, 7, 12, 17, 19])
def test_the_first_order_is_the_papers_linear_form(nylon: Nylon, fret: int) -> None:
    """Eq. 31, e = K [(gamma - 1)(B0 - S/X0) + N/X0 + kappa Q/2], with eq. 19, Q = [gamma b + (gamma - 1) c]^2 /
    (2 (gamma - 1) X0^2) for a finger at the fret."""
    gamma = 2.0 ** (fret / 12.0)
    q = (gamma * NUT_MM + (gamma - 1.0) * RISE_MM) ** 2 / (2.0 * (gamma - 1.0) * SCALE_MM**2)
    for setback_mm, shift_mm in ((0.0, 0.0), (nylon.setback_mm, nylon.nut_mm)):
        printed = CENTS * (
            (gamma - 1.0) * (nylon.b0 - setback_mm / SCALE_MM) + shift_mm / SCALE_MM + nylon.kappa * q / 2.0
        )
        string = replace(nylon.string(), setback_mm=setback_mm, nut_shift_mm=shift_mm)
        assert terms_error_cents(first_order_terms(string), fret) == pytest.approx(printed, abs=1e-9)


@each
def test_the_closed_form_of_setback_and_nut_puts_the_12th_fret_in_tune(nylon: Nylon) -> None:
    """Eq. 42: S = B0 X0 + kappa/(4 X0) [(b + c)^2 - 7 b^2], N = -kappa/(2 X0) (5 b + c) b."""
    bent = nylon.kappa / (4.0 * SCALE_MM)
    setback_mm = nylon.b0 * SCALE_MM + bent * ((NUT_MM + RISE_MM) ** 2 - 7.0 * NUT_MM**2)
    nut_mm = -2.0 * bent * (5.0 * NUT_MM + RISE_MM) * NUT_MM
    string = replace(nylon.string(), setback_mm=setback_mm, nut_shift_mm=nut_mm)
    assert fretted_error_cents(string, 12) == pytest.approx(0.0, abs=0.25)
    assert terms_error_cents(first_order_terms(string), 12) == pytest.approx(0.0, abs=1e-9)
    assert max(abs(fretted_error_cents(string, fret)) for fret in range(2, 13)) < 0.5


def test_setback_in_radii_and_nut_of_a_set() -> None:
    """Means of five sets: setback (4.4 +- 0.2) radii, nut -0.38 +- 0.03 mm."""
    found = [best_setback_and_nut_mm(nylon.string(), FRETS) for nylon in NORMAL]
    radii = [setback_mm / nylon.radius_mm for nylon, (setback_mm, _, _) in zip(NORMAL, found, strict=True)]
    assert sum(radii) / len(radii) == pytest.approx(4.4, abs=0.2)
    assert sum(nut_mm for _, nut_mm, _ in found) / len(found) == pytest.approx(-0.38, abs=0.03)


def test_clamped_ends_are_those_measured() -> None:
    """Stiffness coefficient at fret 12 on five guitars: 1.1 +- 0.2, where 1 is one clamped end and 2 both."""
    assert abs(CLAMPED_ENDS - 1.1) <= 0.2
    assert CLAMPED_ENDS_SD >= 0.2


@each
def test_clamping_both_ends_would_nearly_double_the_setback(nylon: Nylon) -> None:
    """They state that the form with both ends clamped gives setbacks about twice what makers use."""
    both, _, _ = best_setback_and_nut_mm(replace(nylon.string(), clamped_ends=2.0), FRETS)
    assert 1.6 < both / nylon.setback_mm < 2.1


def test_radius_of_gyration_of_a_core() -> None:
    """Stiffness length over sqrt(kappa) radii: 1/2 of a round core, 0.47 +- 0.15 as measured on wound nylon."""
    tension, core_mm = 80.0, 0.4
    radii = math.sqrt(strings.kappa(core_mm, tension)) * core_mm / 2.0
    factor = strings.stiffness_length_mm(core_mm, tension) / radii
    assert factor == pytest.approx(0.5, rel=1e-12)
    assert factor == pytest.approx(0.47, abs=0.15)


def test_a_straight_saddle_of_a_steel_string_acoustic() -> None:
    """A maker's published rule: 1/16 in behind the scale length on the treble side, 5/32 in on the bass side. Core,
    action and clamping are assumed, and the prediction is good to about 30 %."""
    guitar = load_instrument("acoustic-645")
    for number, inches in ((1, 1 / 16), (6, 5 / 32)):
        predicted_mm = true_setback_mm(fretted_string(guitar.string(number), guitar.open_hz(number)))
        assert inches * 25.4 == pytest.approx(predicted_mm, rel=0.3)


@pytest.mark.parametrize("relief_12_mm", [-0.1, 0.2, 0.4])
def test_relief_adds_twice_its_part_at_fret_12_to_the_saddles_height(relief_12_mm: float) -> None:
    """Their section on relief, read second-hand: c, the saddle's height over the nut, becomes c + 2 relief_12. A neck
    bent under saddles that stay as high as they are must come out so in what the model is given."""
    guitar = with_relief(load_instrument("six-string-648"), 0.0, heights_stay=False)
    deepest_mm = relief_12_mm / relief_at_12_mm(1.0, guitar.frets)
    bent = with_relief(guitar, deepest_mm, heights_stay=True)
    for number in range(1, 7):
        before, after = (fretted_string(one.string(number), one.open_hz(number)) for one in (guitar, bent))
        assert after.saddle_over_nut_mm == pytest.approx(before.saddle_over_nut_mm + 2.0 * relief_12_mm, abs=1e-9)
        assert replace(after, saddle_over_nut_mm=before.saddle_over_nut_mm) == before
