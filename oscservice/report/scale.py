"""How far drawings reach, what in them is marked, and numbers as they stand in them."""

from __future__ import annotations

import math

_STEPS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)

MARKED_SD = 2.0
"""An error is marked as too large once it is that many standard errors beyond the tolerance."""


def nice_above(value: float) -> float:
    """A round number at or above a positive value."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in _STEPS if step * power >= value * (1.0 - 1e-9))


def nice_below(value: float) -> float:
    """The number of the kind 1, 2, 5, 10 at or below a positive value."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (5.0, 2.0, 1.0) if step * power <= value * (1.0 + 1e-9))


def marked(cents: float, se: float, tolerance_cents: float) -> bool:
    """Whether an error is surely beyond the tolerance."""
    return abs(cents) - MARKED_SD * se > tolerance_cents


def signed(value: float, digits: int = 1) -> str:
    """A number with its sign, and no sign where it is nothing: ``+1.2``, ``−0.3``, ``0.0``."""
    rounded = round(value, digits) + 0.0
    sign = "+" if rounded > 0.0 else "−" if rounded < 0.0 else ""
    return f"{sign}{abs(rounded):.{digits}f}"


def in_cents(cents: float) -> str:
    """A round number of cents with its unit: ``1 cent``, ``2.5 cents``."""
    return f"{cents:g} {'cent' if cents == 1.0 else 'cents'}"
