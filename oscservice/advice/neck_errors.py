"""One string compared at several frets: its errors with their covariance, and what saddle and nut have to do with them.

With u = 2^(k/12) - 1 and K = 1200/ln 2, a saddle move S > 0 (away from the nut) changes the error of fret k by
-K u S / X0, a nut move N > 0 (away from the saddle) that of every fret by K N / X0 (M. Anderson and R. Beausoleil,
J. Acoust. Soc. Am. 156 (2024) 683, eq. 31). An error of the open string's own pitch looks exactly like the nut: it is
the common term of the covariance, widens what is said of the nut, and leaves the saddle alone where both are fitted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.advice.comparison import Comparison, Flag, PluckReading, all_flags, ambiguity, joint_errors
from oscservice.advice.correction import cents_per_mm, error_after, speaking_lengths_mm
from oscservice.advice.pluck_scatter import PluckScatter
from oscservice.advice.pluck_strength import Slope
from oscservice.instrument.pitch import CENTS_PER_E, OPEN, Place
from oscservice.instrument.spec import StringSpec

Floats = npt.NDArray[np.float64]

UNSURE_NUT_MM = 0.6
"""A nut move less well known than this (1 sd) is not told: it would be larger than any nut is misplaced."""

FRETTED_SCATTER = PluckScatter(0.8, 1.0, ((0.4, 1.0),))
"""A hand whose open plucks scatter 0.4 times as much as freshly fretted ones, these by about a cent (assumed); a dozen
plucks tell it themselves."""

_ROUNDS = 5


@dataclass(frozen=True)
class NeckErrors:
    """Errors of one string at several frets, in cents, + sharp of the open string's equal-tempered place.

    Attributes:
        frets: the frets compared, (n,), rising.
        errors_cents: error of each, (n,).
        covariance: of the errors, cents squared, (n, n); what is not known of the open string stands in every entry.
        plucks: stopped plucks at each fret, (n,).
        scatter_cents: 1 sd of a single stopped pluck; scatter_bound_cents: nine in ten that it is no more.
        flags: what speaks against them.
        ambiguity: by how many cents the string pitches put each fret further sharp, and 1 sd, (n,); empty if any of
            them doesn't tell.
    """

    frets: tuple[int, ...]
    errors_cents: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    plucks: tuple[int, ...]
    scatter_cents: float
    flags: tuple[Flag, ...] = ()
    ambiguity: tuple[tuple[float, float], ...] = ()
    scatter_bound_cents: float = 0.0

    def se_cents(self, fret: int) -> float:
        """Standard error of one fret's error (1 sd). Raises ValueError for a fret that wasn't compared."""
        at = self.frets.index(fret)
        return math.sqrt(self.covariance[at][at])


@dataclass(frozen=True)
class SaddleAndNut:
    """What saddle and nut would have to move to null the errors; mm, the saddle + away from the nut, the nut + away
    from the saddle.

    Attributes:
        alone_mm, alone_se_mm: the saddle's move if only it moves: the least weighted sum of squares over the frets.
        saddle_mm, saddle_se_mm, nut_mm, nut_se_mm: generalised least squares of both; None where they can't be told
            apart.
        untold: what can't be told and why, in words; empty if both are known.
    """

    alone_mm: float
    alone_se_mm: float
    saddle_mm: float | None
    saddle_se_mm: float | None
    nut_mm: float | None
    nut_se_mm: float | None
    untold: str


def compare_frets(
    readings: Sequence[PluckReading], frets: Sequence[int], slope: Slope | None = None
) -> NeckErrors | None:
    """Errors at those of the frets that were plucked; None without any, or without an open reading.

    Args:
        readings: of one string in the order they were plucked, the saddle where it now stands.
        frets: the frets to be compared.
        slope: what was learnt before of the string's pitch against strength.

    Raises:
        ValueError: a reading that isn't finite.
    """
    there = {r.place for r in readings}
    plucked = [fret for fret in sorted(set(frets)) if Place("fret", fret) in there]
    if not plucked or OPEN not in there:
        return None
    targets = {Place("fret", fret): 100.0 * fret for fret in plucked}
    joint = joint_errors(readings, targets, FRETTED_SCATTER, slope)
    apart = [ambiguity(joint.used, Place("fret", fret)) for fret in plucked]
    told = [(cents, se) for cents, se in apart if cents is not None]
    return NeckErrors(
        tuple(plucked),
        tuple(joint.errors.tolist()),
        tuple(tuple(row) for row in joint.covariance.tolist()),
        joint.plucks,
        joint.scatter,
        all_flags(joint.flags, sum(joint.plucks), joint.scatter),
        tuple(told) if len(told) == len(plucked) else (),
        joint.scatter_at_most(0.9),
    )


def combined_neck_errors(first: NeckErrors, second: NeckErrors) -> NeckErrors:
    """Two independent comparisons of the same frets, the saddle not moved between them, weighted by their covariances.

    Raises:
        ValueError: they aren't of the same frets.
    """
    if first.frets != second.frets:
        raise ValueError(f"frets {first.frets} and {second.frets} can't be put together")
    precisions = [np.linalg.inv(np.array(one.covariance)) for one in (first, second)]
    covariance = np.linalg.inv(precisions[0] + precisions[1])
    pulled = precisions[0] @ np.array(first.errors_cents) + precisions[1] @ np.array(second.errors_cents)
    plucks = tuple(a + b for a, b in zip(first.plucks, second.plucks, strict=True))
    squares = sum(first.plucks) * first.scatter_cents**2 + sum(second.plucks) * second.scatter_cents**2
    scatter = math.sqrt(squares / sum(plucks))
    flags = {*first.flags, *second.flags} - {Flag.FEW, Flag.SCATTERED}
    return NeckErrors(
        first.frets,
        tuple((covariance @ pulled).tolist()),
        tuple(tuple(row) for row in covariance.tolist()),
        plucks,
        scatter,
        all_flags(flags, sum(plucks), scatter),
        second.ambiguity or first.ambiguity,
        max(first.scatter_bound_cents, second.scatter_bound_cents),
    )


def equivalent_comparison(
    neck: NeckErrors, weights: Mapping[int, float], string: StringSpec, fret: int, position_mm: float
) -> Comparison:
    """All frets as one comparison at ``fret``: the error there that the saddle has to null so that what is left over
    the frets, weighted by where the player plays, is least.

    Args:
        neck: the errors.
        weights: weight by fret; 1 where it isn't named. 0 leaves a fret out.
        string: the string.
        fret: the fret that the comparison is given for; it need not be one of those compared.
        position_mm: how far the saddle has moved since the start, + away from the nut.

    Raises:
        ValueError: no fret has weight.
    """
    shares, move_mm = _saddle_only(neck, weights, string, position_mm)
    slope = cents_per_mm(speaking_lengths_mm(string, fret, position_mm))
    # error_after(error) = 0 at the move that all frets ask for
    error = -error_after(0.0, speaking_lengths_mm(string, fret, position_mm), move_mm)
    se = abs(slope) * _sd(shares, neck)
    apart: float | None = None
    apart_se = 0.0
    if neck.ambiguity:
        apart = float(slope * -shares @ [cents for cents, _ in neck.ambiguity])
        apart_se = abs(slope) * math.sqrt(sum((s * se) ** 2 for s, (_, se) in zip(shares, neck.ambiguity, strict=True)))
    return Comparison(error, se, sum(neck.plucks), neck.scatter_cents, neck.flags, apart, apart_se)


def saddle_and_nut(
    neck: NeckErrors, string: StringSpec, position_mm: float, weights: Mapping[int, float] | None = None
) -> SaddleAndNut:
    """The moves of saddle and nut that the errors ask for.

    Args:
        neck, string, position_mm: as in ``equivalent_comparison``.
        weights: of the frets, for the saddle alone; equal ones if None.

    Raises:
        ValueError: no fret has weight.
    """
    shares, alone_mm = _saddle_only(neck, weights or {}, string, position_mm)
    alone_se_mm = _sd(shares, neck)
    untold = ""
    if len(neck.frets) < 2:
        untold = "one fret can't tell the nut from the saddle: compare low frets too"
        return SaddleAndNut(alone_mm, alone_se_mm, None, None, None, None, untold)
    lengths = [speaking_lengths_mm(string, fret, position_mm) for fret in neck.frets]
    # A nut further from the saddle lengthens the open string only: every fret stands sharper.
    slopes = np.column_stack([[cents_per_mm(at) for at in lengths], [CENTS_PER_E / at[0] for at in lengths]])
    covariance = np.array(neck.covariance)
    precision = np.linalg.inv(covariance)
    normal = slopes.T @ precision @ slopes
    found = np.linalg.inv(normal)
    saddle_mm, nut_mm = 0.0, 0.0
    for _ in range(_ROUNDS):
        left = np.array([error_after(e, at, saddle_mm) for e, at in zip(neck.errors_cents, lengths, strict=True)])
        step = -found @ slopes.T @ precision @ left
        saddle_mm += float(step[0])
        nut_mm = float(step[1])
        if abs(step[0]) < 1e-6:
            break
    saddle_se_mm, nut_se_mm = float(found[0, 0] ** 0.5), float(found[1, 1] ** 0.5)
    if nut_se_mm > UNSURE_NUT_MM:
        untold = f"the nut's part is known to {nut_se_mm:.1f} mm only: compare low frets too, or pluck more"
        return SaddleAndNut(alone_mm, alone_se_mm, None, None, None, None, untold)
    return SaddleAndNut(alone_mm, alone_se_mm, saddle_mm, saddle_se_mm, nut_mm, nut_se_mm, untold)


def _saddle_only(
    neck: NeckErrors, weights: Mapping[int, float], string: StringSpec, position_mm: float
) -> tuple[Floats, float]:
    """mm of saddle per cent of each fret's error, (n,), and the move that leaves the least weighted sum of squares."""
    weight = np.array([weights.get(fret, 1.0) for fret in neck.frets])
    if not (weight > 0.0).any() or (weight < 0.0).any():
        raise ValueError(f"weights of the frets compared are {weight.tolist()}; expected some above 0, none below")
    lengths = [speaking_lengths_mm(string, fret, position_mm) for fret in neck.frets]
    move_mm = 0.0
    shares = np.zeros(len(lengths))
    for _ in range(_ROUNDS):
        slope = np.array([cents_per_mm((at[0] + move_mm, at[1] + move_mm)) for at in lengths])
        left = np.array([error_after(e, at, move_mm) for e, at in zip(neck.errors_cents, lengths, strict=True)])
        shares = -weight * slope / float(weight @ slope**2)
        step = float(shares @ left)
        # Beyond half of what is left of the string no saddle is the cause; callers refuse such errors.
        move_mm = max(move_mm + step, -0.5 * min(at[1] for at in lengths))
        if abs(step) < 1e-6:
            break
    return shares, move_mm


def _sd(shares: Floats, neck: NeckErrors) -> float:
    return float(math.sqrt(shares @ np.array(neck.covariance) @ shares))
