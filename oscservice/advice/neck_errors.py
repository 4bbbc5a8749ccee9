"""Errors of one string at several frets, and the moves of saddle and nut that would null them.

Errors are in cents, + sharp of where a fret is wanted (``comparison``); moves in mm, the saddle + away from the nut,
the nut + away from the saddle. X0 is the scale length.

With u = 2^(k/12) - 1 and K = 1200/ln 2, a saddle move S changes the error of fret k by -K u S / X0, and a nut move N
that of every fret by K N / X0. An error of the open string's own pitch looks exactly like one of the nut. It is the
common term of the covariance: it widens the standard error of the nut's move, but not that of the saddle's move where
both are fitted.

Source: M. Anderson and R. Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683, eq. 31.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.advice.compared_frets import intervals_cents
from oscservice.advice.comparison import Comparison, Flag, PluckReading, all_flags, ambiguity, joint_errors
from oscservice.advice.correction import cents_per_mm, error_after, speaking_lengths_mm
from oscservice.advice.pluck_scatter import PluckScatter
from oscservice.advice.pluck_strength import Slope
from oscservice.instrument.pitch import CENTS_PER_E, OPEN, Place
from oscservice.instrument.spec import StringSpec

Floats = npt.NDArray[np.float64]

UNSURE_NUT_MM = 0.6
"""A nut move with a larger standard error than this is not reported: no nut is misplaced by so much."""

FRETTED_SCATTER = PluckScatter(0.8, 1.0, ((0.4, 1.0),))
"""Scatter expected before any pluck: about a cent for freshly fretted plucks, 0.4 times that for open ones (assumed). A
dozen plucks outweigh it."""

_ROUNDS = 5


@dataclass(frozen=True)
class NeckErrors:
    """Errors of one string at several frets, in cents, + sharp of where they are wanted above the open string.

    Attributes:
        frets: the frets compared, (n,), rising.
        errors_cents: error of each, (n,).
        covariance: of the errors, cents squared, (n, n); the error of the open string is in every entry.
        plucks: number of stopped plucks at each fret, (n,).
        scatter_cents: scatter of a single stopped pluck (1 sd).
        flags: reasons to doubt the errors.
        ambiguity: error of each fret by the string pitches less that by the first partials, and its standard error,
            (n,); empty if any fret doesn't show it.
        scatter_bound_cents: the scatter is below this with a probability of 0.9.
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
        """Return the standard error of one fret's error (1 sd). Raises ValueError for a fret that wasn't compared."""
        at = self.frets.index(fret)
        return math.sqrt(self.covariance[at][at])


@dataclass(frozen=True)
class SaddleAndNut:
    """Moves of saddle and nut that null the errors.

    Attributes:
        saddle_only_mm, saddle_only_se_mm: move of the saddle if the nut stays: least weighted sum of squares over the
            frets.
        saddle_mm, saddle_se_mm, nut_mm, nut_se_mm: moves of both by generalised least squares; None where the errors
            don't separate them.
        untold: the reason why they are not separated, in words; empty if they are.
    """

    saddle_only_mm: float
    saddle_only_se_mm: float
    saddle_mm: float | None
    saddle_se_mm: float | None
    nut_mm: float | None
    nut_se_mm: float | None
    untold: str


def compare_frets(
    readings: Sequence[PluckReading],
    frets: Sequence[int],
    slope: Slope | None = None,
    string: StringSpec | None = None,
) -> NeckErrors | None:
    """Return the errors at those of the frets that were plucked; None without any, or without an open reading.

    Args:
        readings: of one string in the order they were plucked, at one position of its saddle.
        frets: the frets to compare.
        slope: effect of strength on the string's pitch as learnt before; None for nothing.
        string: the string, for the targets of its frets; None for equal temperament.

    Raises:
        ValueError: a reading that isn't finite.
    """
    there = {r.place for r in readings}
    plucked = [fret for fret in sorted(set(frets)) if Place("fret", fret) in there]
    if not plucked or OPEN not in there:
        return None
    joint = joint_errors(readings, intervals_cents(string, plucked), FRETTED_SCATTER, slope)
    apart = [ambiguity(joint.used, Place("fret", fret)) for fret in plucked]
    known = [(cents, se) for cents, se in apart if cents is not None]
    return NeckErrors(
        tuple(plucked),
        tuple(joint.errors.tolist()),
        tuple(tuple(row) for row in joint.covariance.tolist()),
        joint.plucks,
        joint.scatter,
        all_flags(joint.flags, sum(joint.plucks), joint.scatter),
        tuple(known) if len(known) == len(plucked) else (),
        joint.scatter_at_most(0.9),
    )


def combined_neck_errors(first: NeckErrors, second: NeckErrors) -> NeckErrors:
    """Return two independent comparisons of the same frets at one saddle position as one, weighted by covariance.

    Raises:
        ValueError: they are not of the same frets.
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
    """Return all frets as one comparison at ``fret``.

    Its error is the one that the best saddle move would null at ``fret``. The best move leaves the least weighted sum
    of squared errors over all frets.

    Args:
        neck: the errors.
        weights: fret -> weight, by where the player plays; 1 for a missing fret, 0 leaves a fret out.
        string: the string.
        fret: the fret of the comparison; it need not be one of those compared.
        position_mm: the saddle's move since the start, + away from the nut.

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
    """Return the moves of saddle and nut that null the errors.

    Args:
        neck, string, position_mm: as in ``equivalent_comparison``.
        weights: fret -> weight, for the saddle alone; all equal if None.

    Raises:
        ValueError: no fret has weight.
    """
    shares, saddle_only_mm = _saddle_only(neck, weights or {}, string, position_mm)
    saddle_only_se_mm = _sd(shares, neck)
    untold = ""
    if len(neck.frets) < 2:
        untold = "one fret can't separate nut and saddle: compare low frets too"
        return SaddleAndNut(saddle_only_mm, saddle_only_se_mm, None, None, None, None, untold)
    lengths = [speaking_lengths_mm(string, fret, position_mm) for fret in neck.frets]
    # A nut further from the saddle lengthens the open string only: every fret is sharper.
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
        return SaddleAndNut(saddle_only_mm, saddle_only_se_mm, None, None, None, None, untold)
    return SaddleAndNut(saddle_only_mm, saddle_only_se_mm, saddle_mm, saddle_se_mm, nut_mm, nut_se_mm, untold)


def _saddle_only(
    neck: NeckErrors, weights: Mapping[int, float], string: StringSpec, position_mm: float
) -> tuple[Floats, float]:
    """Return the mm of saddle per cent of each fret's error, (n,), and the best move in mm."""
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
        # Limit the search to half of the shortest stopped string; callers refuse such errors.
        move_mm = max(move_mm + step, -0.5 * min(at[1] for at in lengths))
        if abs(step) < 1e-6:
            break
    return shares, move_mm


def _sd(shares: Floats, neck: NeckErrors) -> float:
    """Return the standard error of a weighted sum of the errors."""
    return float(math.sqrt(shares @ np.array(neck.covariance) @ shares))
