"""Effect of a pickup's magnets on the pitch of the strings: it is one of the causes in ``advice.causes``.

A string that swings toward a pole is pulled harder. Near the pole this is a spring of negative stiffness k. It lowers
partial q of a string of the length L and the tension T, at the distance x from the saddle, by
df/f = -k L sin^2(q pi x / L) / (q^2 pi^2 T) (Rayleigh's principle). A stopped string has another L, so its fall is
another than that of the open string: this difference is what a comparison hears.
Source: Lord Rayleigh, The Theory of Sound, vol. 1, sections 88 to 91, from memory.

k grows with the steel in the string, as the square of its gauge (assumed). It also grows as the string comes nearer: a
string that is stopped higher up runs lower over the pole.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from oscservice.advice.expected_errors import HARMONIC_ROW, ExpectedErrors
from oscservice.instrument.fretting import FrettedString
from oscservice.instrument.string_physics import fret_position_mm

Floats = npt.NDArray[np.float64]

POLE_SHARES = (0.23, 0.25, 0.27)
"""Places of the poles of a pickup near the neck, from the saddle, as shares of the scale (common practice, no source).
Where other pickups are, a string hardly swings."""

GROWTHS = (0.0, 2.0, 4.0)
"""Powers of the gap by which k falls (assumed): from a wide magnet to a narrow pole."""

POLE_DEPTH_MM = 1.5
"""Depth of the poles below the plane of the frets, on a pickup that is too near (assumed)."""


def pull_pattern(string: FrettedString, fret: int, pole_share: float, growth: float) -> float:
    """Return the rise of a fretted note above the open string (or of the harmonic above its octave) that a pole causes,
    per fall of the open string."""
    open_mm = string.scale_mm + string.setback_mm
    pole_mm = pole_share * string.scale_mm + string.setback_mm
    opened = open_mm * _swing(pole_mm, open_mm)
    if fret == HARMONIC_ROW:
        return 1.0 - open_mm * _swing(pole_mm, open_mm, partial=2) / opened
    stopped_mm = open_mm - fret_position_mm(string.scale_mm, fret)
    nearer = _gap_mm(string, pole_mm, open_mm, string.nut_height_mm) / _gap_mm(string, pole_mm, stopped_mm, 0.0)
    return 1.0 - float(nearer**growth) * stopped_mm * _swing(pole_mm, stopped_mm) / opened


def pull_columns(expected: ExpectedErrors, pole_share: float, growth: float) -> Floats:
    """Return the shift of each value by the pull on each string.

    Parameters
    ----------
    expected : ExpectedErrors
        The measured and expected errors, n values of m strings.
    pole_share : float
        Place of the poles from the saddle, as a share of the scale.
    growth : float
        Power of the gap by which the stiffness of the pull falls.

    Returns
    -------
    ndarray of float64, shape (n, m)
        Cents per cent of the fall of the thickest string when it is open.
    """
    falls = open_falls(expected)
    numbers = list(expected.strings)
    found = np.zeros((len(expected.rows), len(numbers)))
    for index, (number, fret) in enumerate(expected.rows):
        rise = pull_pattern(expected.strings[number], fret, pole_share, growth)
        found[index, numbers.index(number)] = falls[number] * rise
    return found


def open_falls(expected: ExpectedErrors) -> dict[int, float]:
    """Return the fall of each open string, relative to that of the thickest, under poles of the same height."""
    # Two numbers of the model give the tension: kappa = E A / T and stiffness^2 = E I / T, and A^2 / I is 4 pi.
    tensions = {n: (s.stiffness_mm / s.kappa) ** 2 for n, s in expected.strings.items()}
    lengths = {n: s.scale_mm + s.setback_mm for n, s in expected.strings.items()}
    falls = {n: expected.gauges_mm[n] ** 2 * lengths[n] / tensions[n] for n in expected.strings}
    thickest = max(falls, key=lambda n: expected.gauges_mm[n])
    return {n: fall / falls[thickest] for n, fall in falls.items()}


def _swing(pole_mm: float, sounding_mm: float, partial: int = 1) -> float:
    """Return the square of a partial's swing at the pole over its largest, by the square of its number."""
    if pole_mm >= sounding_mm:
        return 0.0  # stopped between pole and saddle
    return math.sin(partial * math.pi * pole_mm / sounding_mm) ** 2 / partial**2


def _gap_mm(string: FrettedString, pole_mm: float, sounding_mm: float, start_height_mm: float) -> float:
    """Return the gap between pole and string, which runs straight from the height of its beginning to its saddle."""
    saddle_mm = string.nut_height_mm + string.saddle_over_nut_mm
    along = min(1.0, pole_mm / sounding_mm)
    return POLE_DEPTH_MM + saddle_mm + (start_height_mm - saddle_mm) * along
