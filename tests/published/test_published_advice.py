"""The basis of the advice, compared with published values. Each check names its source."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from oscservice.advice.comparison import UNEVEN_CENTS, Comparison
from oscservice.advice.correction import refusal
from oscservice.advice.neck_errors import NeckErrors, saddle_and_nut
from oscservice.instrument.fretting import fretted_error_cents, fretted_string
from oscservice.instrument.instrument_file import load_instrument

GUITAR = load_instrument("six-string-648")
K = 1200.0 / math.log(2.0)
FRETS = tuple(range(1, 13))


@pytest.mark.parametrize("fret", [1, 5, 12])
def test_nut_and_saddle_columns(fret: int) -> None:
    """Anderson and Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683, eq. 31: e changes by K N / X0 with the nut and by
    -K (gamma - 1) S / X0 with the saddle, to first order; stretch and stiffness that go along are small."""
    string = fretted_string(GUITAR.string(1), GUITAR.open_hz(1))
    at = fretted_error_cents(string, fret)
    nut = fretted_error_cents(replace(string, nut_shift_mm=0.1), fret) - at
    saddle = fretted_error_cents(replace(string, setback_mm=string.setback_mm + 0.1), fret) - at
    u = 2.0 ** (fret / 12.0) - 1.0
    assert nut == pytest.approx(K * 0.1 / 648.0, rel=0.03)
    assert saddle == pytest.approx(-K * u * 0.1 / 648.0, rel=0.03)


def test_two_parameter_least_squares() -> None:
    """Anderson and Beausoleil, appendix C: least squares of saddle and nut over frets 1 to 12 in closed form, with
    g_k = sum (gamma - 1)^k."""
    u = 2.0 ** (np.array(FRETS) / 12.0) - 1.0
    errors = np.array([2.1, 1.4, 1.1, 0.9, 0.5, 0.6, 0.2, 0.1, -0.3, -0.2, -0.6, -0.9])
    g0, g1, g2 = (float(np.sum(u**k)) for k in (0, 1, 2))
    e0, e1 = float(errors.sum()), float(errors @ u)
    saddle_mm = 648.0 / K * (g0 * e1 - g1 * e0) / (g0 * g2 - g1**2)
    nut_mm = 648.0 / K * (g1 * e1 - g2 * e0) / (g0 * g2 - g1**2)
    spec = GUITAR.string(1).model_copy(update={"setback_mm": 0.0})
    alike = NeckErrors(FRETS, tuple(errors.tolist()), tuple(map(tuple, np.eye(12).tolist())), (3,) * 12, 0.6)
    found = saddle_and_nut(alike, spec, 0.0)
    assert found.saddle_mm == pytest.approx(saddle_mm, abs=0.01)
    assert found.nut_mm == pytest.approx(nut_mm, abs=0.01)


def test_scatter_that_is_refused() -> None:
    """L. Mottola, Savart Journal (second-hand): ten players, 20 notes each at frets 1, 5 and 12 of one string, 1 sd of
    2 cents; plucks of one player that scatter by more are not all of the hand."""
    assert refusal(Comparison(5.0, 0.5, 12, 1.9)) is None
    told = refusal(Comparison(5.0, 0.5, 12, 2.1))
    assert told is not None
    assert "2.1 cents, more than 2" in told


@pytest.mark.parametrize("number", range(1, 7))
def test_the_harmonics_rise_by_stiffness_is_below_the_limit_of_an_uneven_string(number: int) -> None:
    """H. Fletcher, J. Acoust. Soc. Am. 36 (1964) 203: f_k = k f0 sqrt(1 + B k^2), so a sound string's octave harmonic
    is sharp by 600 log2((1 + 4 B) / (1 + B)): less than what is called uneven, even if it were not allowed for."""
    string = fretted_string(GUITAR.string(number), GUITAR.open_hz(number))
    b = (math.pi * string.stiffness_mm / string.scale_mm) ** 2
    assert 0.0 < 600.0 * math.log2((1.0 + 4.0 * b) / (1.0 + b)) < UNEVEN_CENTS
