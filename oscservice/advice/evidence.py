"""What a comparison rests on: readings of one string in the order they were plucked, and what speaks against them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.hearing.strength import Slope, amplitude, slope_for
from oscservice.instrument.pitch import OPEN, Place, cents_between

Floats = npt.NDArray[np.float64]

UNLIKE_DB = 6.0
"""A pluck this far from the middle one of a comparison is unlike the others in strength."""

CLIPPED_CENTS = 0.5
"""A clipped reading counts as this much less sure (1 sd), and how hard it was plucked is not known. Notes of the
simulated guitar clipped so hard that 5 dB of their level are lost read 0.4 cents wrong (RMS); mildly clipped, 0.01."""


@dataclass(frozen=True)
class PluckReading:
    """One settled reading.

    Attributes:
        place: where the string was stopped.
        f1_hz, se_cents: first partial and its standard error (1 sd).
        strength_db: how hard it was plucked, in the measure that compares open and stopped; None when not known.
        string_hz, string_se_cents: string pitch (the first partial by the law of all of them) and its standard error;
            None when the note doesn't tell the two apart.
        clipped: the input clipped.
    """

    place: Place
    f1_hz: float
    se_cents: float
    strength_db: float | None = None
    string_hz: float | None = None
    string_se_cents: float = 0.0
    clipped: bool = False

    @property
    def doubt_cents(self) -> float:
        """Standard error with which it counts."""
        return math.hypot(self.se_cents, CLIPPED_CENTS) if self.clipped else self.se_cents

    @property
    def known_strength_db(self) -> float | None:
        """How hard it was plucked, if that is known and a number."""
        strength = None if self.clipped else self.strength_db
        return strength if strength is not None and math.isfinite(strength) else None


def rise(readings: Sequence[PluckReading], learnt: Slope | None) -> tuple[Floats, Floats]:
    """Cents by which each reading's strength has raised it, and 1 sd of that (all of one slope), shapes (n,).

    A pluck whose strength isn't known counts as an average one.
    """
    strengths = [r.known_strength_db for r in readings]
    known = [strength for strength in strengths if strength is not None]
    if not known:
        return np.zeros(len(readings)), np.zeros(len(readings))
    slope = slope_for(known, learnt)
    average = float(np.mean([amplitude(strength, slope.reference_db) for strength in known]))
    drive = np.array([average if s is None else amplitude(s, slope.reference_db) for s in strengths]) - average
    return slope.cents * drive, slope.se_cents * drive


def ambiguity(readings: Sequence[PluckReading], place: Place) -> tuple[float | None, float]:
    """How much further sharp the string pitches put ``place`` than the first partials do, and 1 sd of it; None when it
    can't be told.

    String pitch and first partial are of the same pluck: scatter and drift are in both, and don't count. Weighted
    means; where they scatter more than their standard errors say, these are widened (R. T. Birge, Phys. Rev. 40 (1932)
    207).
    """
    sides = [[r for r in readings if r.place == at and r.string_hz is not None] for at in (OPEN, place)]
    if not all(sides):
        return None, 0.0
    means, variances, misfit = [], [], 0.0
    for side in sides:
        apart = np.array([cents_between(r.string_hz or r.f1_hz, r.f1_hz) for r in side])
        weights = np.array([1.0 / max(math.hypot(r.string_se_cents, r.se_cents), 1e-3) ** 2 for r in side])
        means.append(float(weights @ apart / weights.sum()))
        variances.append(1.0 / float(weights.sum()))
        misfit += float(weights @ (apart - means[-1]) ** 2)
    spare = sum(len(side) - 1 for side in sides)
    widened = max(1.0, misfit / spare) if spare else 1.0
    return means[1] - means[0], math.sqrt(widened * sum(variances))


def unbracketed(stopped: npt.NDArray[np.bool_]) -> bool:
    """True unless every stopped note has an open note somewhere before it and after it."""
    return bool(stopped[0] or stopped[-1])


def unlike(readings: Sequence[PluckReading]) -> bool:
    """Whether one was plucked much harder or softer than the middle one, open and stopped alike."""
    strengths = np.array([r.known_strength_db for r in readings if r.known_strength_db is not None])
    return bool(strengths.size and np.abs(strengths - np.median(strengths)).max() > UNLIKE_DB)
