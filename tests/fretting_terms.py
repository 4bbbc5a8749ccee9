"""The three-term form of the fretting model, and the setback and nut that leave the least error over frets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from oscservice.instrument.fretting import FrettedString, Terms, fret_12_setback_mm, fretted_error_cents
from oscservice.instrument.pitch import CENTS_PER_E

Floats = npt.NDArray[np.float64]

_ROUNDS = 20
_STEP_MM = 0.01
_SETTLED_MM = 1e-9


def first_order_terms(string: FrettedString) -> Terms:
    """The model to first order in stretch, stiffness, setback and nut shift: eq. 31 with the stretch of eq. 19 written
    out in powers of u."""
    scale, nut_height = string.scale_mm, string.nut_height_mm
    saddle_height = nut_height + string.saddle_over_nut_mm
    stretched = string.kappa * string.share / (4.0 * scale**2)
    shift = (string.nut_shift_mm + string.kappa * string.share * string.take_up_mm / 2.0) / scale
    flat = (string.clamped_ends * string.stiffness_mm - string.setback_mm) / scale
    return Terms(
        inverse_cents=CENTS_PER_E * stretched * nut_height**2,
        constant_cents=CENTS_PER_E * (shift + stretched * 2.0 * nut_height * saddle_height),
        linear_cents=CENTS_PER_E * (flat + stretched * saddle_height**2),
    )


def three_terms(string: FrettedString) -> Terms:
    """The model in three terms: within 0.3 cents of all of it up to fret 19, the saddle near its right place.

    The first order, and what setback, stiffness, height and stretch add in the next one. Of that, what grows as u^2
    stands as 2.06 u - 0.59, which is within half of one of it from fret 1 to 19.
    """
    first, scale = first_order_terms(string), string.scale_mm
    risen = (string.nut_height_mm + string.saddle_over_nut_mm) / scale
    flat = (string.clamped_ends * string.stiffness_mm - string.setback_mm) / scale
    bowed = string.kappa * string.share / 4.0 * risen**2
    # gamma^2 - 1 = u^2 + 2 u of the squares of lengths and stiffness, and of what its rise adds to a string's length;
    # gamma^2 of a stretch over a shorter length
    squares = (flat**2 + (math.pi * string.stiffness_mm / scale) ** 2 - risen**2) / 2.0
    shortened = bowed * string.setback_mm / scale
    growing = squares - shortened - bowed**2
    return Terms(
        inverse_cents=first.inverse_cents,
        constant_cents=first.constant_cents - CENTS_PER_E * (shortened + 0.59 * growing),
        linear_cents=first.linear_cents + CENTS_PER_E * (2.0 * (squares - shortened) + 2.06 * growing),
    )


def terms_error_cents(terms: Terms, fret: int) -> float:
    """Error of a fret in cents, + sharp, by its three terms. Raises ValueError for a fret below 1."""
    if fret < 1:
        raise ValueError(f"fret {fret} isn't there; expected 1 or more")
    u = 2.0 ** (fret / 12.0) - 1.0
    return terms.inverse_cents / u + terms.constant_cents + terms.linear_cents * u


def best_setback_and_nut_mm(string: FrettedString, frets: Sequence[int]) -> tuple[float, float, float]:
    """Setback (+ away from the nut) and nut shift (+ away from the saddle) with the least squares of error over
    ``frets``, and the root mean square in cents that is left. Full model; the linear solution is iterated.

    Raises:
        ValueError: fewer than two frets, or one below 1.
    """
    if len(set(frets)) < 2:
        raise ValueError(f"setback and nut need at least two frets, got {len(set(frets))}")

    def errors(setback_mm: float, nut_mm: float) -> Floats:
        moved = replace(string, setback_mm=setback_mm, nut_shift_mm=nut_mm)
        return np.array([fretted_error_cents(moved, fret) for fret in frets])

    place = np.array([fret_12_setback_mm(string), 0.0])
    for _ in range(_ROUNDS):
        slopes = np.column_stack(
            [(errors(*(place + step)) - errors(*(place - step))) / (2.0 * _STEP_MM) for step in _STEP_MM * np.eye(2)]
        )
        step = -np.linalg.lstsq(slopes, errors(*place), rcond=None)[0]
        place = place + step
        if np.abs(step).max() < _SETTLED_MM:
            break
    return float(place[0]), float(place[1]), float(np.sqrt(np.mean(errors(*place) ** 2)))
