"""Comparison of stopped notes with the open string: readings, errors, standard errors.

What a comparison rests on: readings of one string in the order they were plucked, and what speaks against them.

How far stopped notes of one string stand from where the open string puts them: all places compared together.

Readings of one string come in the order they were plucked, open and stopped in turn. Four things move them beside
the errors themselves: every pluck scatters, the string drifts, a hard pluck stands higher than a soft one, and the
reading has a doubt of its own. All four are in the model

    y_i = m + e[place of i] + drift t_i + walk(t_i) + slope a_i + scatter_i + reading_i          (cents)

with m and the errors e free (e is 0 on the open string), t the place in the order, a wide prior on the drift, a slow
random walk, a the amplitude of the pluck (``hearing.strength``) and its slope as far as it is known, and scatter of
unknown size. So open and stopped notes are taken to the same strength: unlike ones cost standard error and don't shift
the error, alike ones cost nothing. A stopped note is thereby compared with the open notes on both sides of it; open
notes shared by several places are counted once, and what is not known of the open string stands in all their errors
alike: it is the common term of their covariance. It is generalised least squares; the size of the scatter is averaged
over (restricted likelihood and a scaled inverse chi-squared prior), so that two plucks that happen to agree don't claim
a hundredth of a cent.

How far a stopped note stands from where the open string puts it, and how well that is known: one place at a time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, stdtrit

from oscservice.advice.pluck_scatter import PluckScatter, updated_scatter
from oscservice.advice.pluck_strength import DRIFT_CENTS, Slope, amplitude, slope_for, walk_covariance
from oscservice.hearing.student_t_fit import Scattered, scattered, scattered_unlike
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, cents_between

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


def strength_correction(readings: Sequence[PluckReading], learnt: Slope | None) -> tuple[Floats, Floats]:
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


def strengths_differ(readings: Sequence[PluckReading]) -> bool:
    """Whether one was plucked much harder or softer than the middle one, open and stopped alike."""
    strengths = np.array([r.known_strength_db for r in readings if r.known_strength_db is not None])
    return bool(strengths.size and np.abs(strengths - np.median(strengths)).max() > UNLIKE_DB)


OUTLIER_SD = 4.0
FEWEST_FOR_OUTLIER = 4

_SCATTER_GRID = np.geomspace(0.05, 30.0, 60) ** 2


class Flag(StrEnum):
    """What speaks against a comparison."""

    SCATTERED = "scatter too large"
    FEW = "too few plucks"
    UNBRACKETED = "unbracketed"
    UNLIKE = "strengths unlike"
    OUTLIER = "one pluck discarded"
    CLIPPED = "the input clips"


@dataclass(frozen=True)
class JointErrors:
    """Errors of several places on one string, in cents, + sharp.

    Attributes:
        found: by scatter and open share: solutions (g, 1 + p), the open string's level first; covariances and
            probabilities.
        variances, shares: the scatter of stopped plucks (cents squared) and how much open ones scatter over them, (g,).
        plucks: stopped plucks by place, as many as count.
        used: the readings it rests on.
        flags: what speaks against it.
    """

    found: Scattered
    variances: Floats
    shares: Floats
    plucks: tuple[int, ...]
    used: tuple[PluckReading, ...]
    flags: frozenset[Flag]

    @property
    def scatter(self) -> float:
        """1 sd of a single pluck."""
        return self.found.scatter

    def scatter_at_most(self, confidence: float) -> float:
        """The scatter (1 sd) that it does not exceed with this probability."""
        order = np.argsort(self.variances, kind="stable")
        reached = np.cumsum(self.found.likely[order])
        return float(np.sqrt(self.variances[order[min(int(np.searchsorted(reached, confidence)), len(reached) - 1)]]))

    def hand(self, before: PluckScatter) -> PluckScatter:
        """What is known of the hand after it; ``before`` is what it was made with."""
        return updated_scatter(before, self.variances, self.shares, self.found.likely)

    @property
    def errors(self) -> Floats:
        """Error of each place, (p,)."""
        return np.asarray(self.found.likely @ self.found.solutions[:, 1:])

    @property
    def covariance(self) -> Floats:
        """Their covariance, (p, p), what is not known of the scatter in it."""
        apart = self.found.solutions[:, 1:] - self.errors
        within = np.einsum("g,gij->ij", self.found.likely, self.found.covariances[:, 1:, 1:])
        return np.asarray(within + np.einsum("g,gi,gj->ij", self.found.likely, apart, apart))

    def combined(self, weights: Sequence[float] | Floats) -> tuple[float, float]:
        """A weighted sum of the errors, and its standard error: the half-width that holds 68 of 100."""
        w = np.asarray(weights, dtype=np.float64)
        sums = self.found.solutions[:, 1:] @ w
        middle = float(self.found.likely @ sums)
        sd = np.sqrt(np.einsum("i,gij,j->g", w, self.found.covariances[:, 1:, 1:], w))
        return middle, _half_width(self.found.likely, sums - middle, sd)


def joint_errors(
    readings: Sequence[PluckReading],
    targets: Mapping[Place, float],
    hand: PluckScatter,
    slope: Slope | None = None,
) -> JointErrors:
    """Errors of several places from bracketed readings in the order they were plucked.

    Readings at other places only count as time passing. Where there are four stopped plucks or more, one reading more
    than 4 sd off what the others say is left out and flagged.

    Args:
        readings: of one string, at one position of its saddle.
        targets: cents above the open string at which each place is true.
        hand: what is known of how its plucks scatter.
        slope: what was learnt before of the string's pitch against strength.

    Raises:
        ValueError: no open reading, none at one of the places, or a reading that isn't finite.
    """
    used = [(index, r) for index, r in enumerate(readings) if r.place == OPEN or r.place in targets]
    for _, r in used:
        if not (math.isfinite(r.f1_hz) and r.f1_hz > 0.0 and math.isfinite(r.se_cents) and r.se_cents >= 0.0):
            raise ValueError(f"a reading of {r.f1_hz} Hz +- {r.se_cents} cents can't be compared")
    places = np.array([[float(r.place == place) for place in targets] for _, r in used]).reshape(-1, len(targets))
    missing = [str(place) for place in targets if not any(r.place == place for _, r in used)]
    if missing or not targets or places.any(axis=1).all():
        raise ValueError(f"a comparison needs open readings and readings at {missing[0] if missing else 'a place'}")
    base = next(r.f1_hz for _, r in used if r.place == OPEN)
    target = places @ np.array(list(targets.values()))
    cents = np.array([cents_between(r.f1_hz, base) for _, r in used]) - target
    order = np.array([i for i, _ in used], dtype=float)
    risen, unsure = strength_correction([r for _, r in used], slope)
    doubts = np.array([r.doubt_cents for _, r in used])
    data = _Data(cents - risen, places, order, doubts, unsure)
    flags: set[Flag] = set()
    found, variances, shares = _fit(data, hand)
    if places.sum() >= FEWEST_FOR_OUTLIER:
        suspect = int(np.argmax(np.abs(_leave_one_out_residuals(data, found, shares))))
        kept = data.without(suspect)
        if kept.complete():
            calmer, *grid = _fit(kept, hand)
            # The scatter is itself an estimate: the bar is as unlikely for Student's t as 4 sd is for a normal.
            degrees = hand.weight + len(kept.cents) - 1.0 - len(targets)
            bar = float(stdtrit(degrees, float(ndtr(OUTLIER_SD))))
            if abs(_leave_one_out_residuals(data, calmer, grid[1])[suspect]) > bar:
                data, found, (variances, shares) = kept, calmer, grid
                flags.add(Flag.OUTLIER)
    if unbracketed(data.stopped):
        flags.add(Flag.UNBRACKETED)
    if strengths_differ([r for _, r in used]):
        flags.add(Flag.UNLIKE)
    if any(r.clipped for _, r in used):
        flags.add(Flag.CLIPPED)
    plucks = tuple(int(count) for count in data.places.sum(axis=0))
    return JointErrors(found, variances, shares, plucks, tuple(r for _, r in used), frozenset(flags))


@dataclass(frozen=True)
class _Data:
    """Cents (target and strength taken off), which place, place in the order, each reading's own standard error, and
    1 sd of what was taken off for its strength; shapes (n,), ``places`` (n, p) of 0 and 1, the open string all 0."""

    cents: Floats
    places: Floats
    order: Floats
    se: Floats
    strength: Floats

    @property
    def stopped(self) -> npt.NDArray[np.bool_]:
        return np.asarray(self.places.any(axis=1))

    def without(self, index: int) -> _Data:
        keep = np.arange(len(self.cents)) != index
        kept = (self.cents[keep], self.places[keep], self.order[keep], self.se[keep])
        return _Data(*kept, self.strength[keep])

    def complete(self) -> bool:
        """Whether open string and every place still have a reading."""
        return bool(self.places.any(axis=0).all() and not self.stopped.all())

    def design(self) -> Floats:
        return np.column_stack([np.ones(len(self.cents)), self.places])

    def known_covariance(self) -> Floats:
        """Everything but the scatter: reading errors, drift and strength, (n, n)."""
        t = self.order - self.order.mean()
        drift = DRIFT_CENTS**2 * np.outer(t, t) + walk_covariance(self.order)
        return np.asarray(np.diag(self.se**2) + drift + np.outer(self.strength, self.strength))


def _fit(data: _Data, hand: PluckScatter) -> tuple[Scattered, Floats, Floats]:
    """Level and errors for every open share and scatter variance of a grid; these variances and shares, (g,)."""
    found = [_fit_at_share(data, share, hand) for share, _ in hand.shares]
    count = len(_SCATTER_GRID)
    shares = np.repeat([share for share, _ in hand.shares], count)
    if len(found) == 1:
        return found[0], _SCATTER_GRID, shares
    logs = np.array([f.log_evidence + math.log(p) for f, (_, p) in zip(found, hand.shares, strict=True)])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    likely = np.concatenate([w * f.likely for w, f in zip(weights, found, strict=True)])
    variances = np.tile(_SCATTER_GRID, len(found))
    solutions = np.concatenate([f.solutions for f in found])
    covariances = np.concatenate([f.covariances for f in found])
    return Scattered(likely, solutions, covariances, float((likely / variances).sum() ** -0.5)), variances, shares


def _fit_at_share(data: _Data, open_share: float, hand: PluckScatter) -> Scattered:
    if open_share == 1.0:
        known, axes = np.linalg.eigh(data.known_covariance())
        x, y = axes.T @ data.design(), axes.T @ data.cents
        return scattered(x, y, np.maximum(known, 0.0), _SCATTER_GRID, hand.scatter_cents, hand.weight)
    share = np.where(data.stopped, 1.0, open_share)
    prior = (hand.scatter_cents, hand.weight)
    return scattered_unlike(data.design(), data.cents, data.known_covariance(), share, _SCATTER_GRID, *prior)


def _half_width(weight: Floats, offset: Floats, sd: Floats) -> float:
    """Half-width about 0 that holds as much of a mixture of normals as 1 sd holds of one."""
    share = 2.0 * float(ndtr(1.0)) - 1.0
    low, high = 0.0, float((np.abs(offset) + 5.0 * sd).max())
    for _ in range(40):
        middle = 0.5 * (low + high)
        held = float(weight @ (ndtr((middle - offset) / sd) - ndtr((-middle - offset) / sd)))
        low, high = (middle, high) if held < share else (low, middle)
    return high


def _leave_one_out_residuals(data: _Data, found: Scattered, shares: Floats) -> Floats:
    """Each reading's distance from what all the others say of it, in its own sd, (n,)."""
    squared = np.where(data.stopped, 1.0, float(found.likely @ shares**2))
    weights = np.linalg.inv(data.known_covariance() + found.scatter**2 * np.diag(squared))
    x = data.design()
    projection = weights - weights @ x @ np.linalg.inv(x.T @ weights @ x) @ x.T @ weights
    diagonal = np.diag(projection)
    safe = np.where(diagonal > 1e-9, diagonal, np.inf)  # a reading alone at its place has nothing to be held against
    return np.asarray(projection @ data.cents / np.sqrt(safe))


SCATTER_LIMIT_CENTS = 2.0
"""Scatter of one player's re-fretted plucks is 1 to 2 cents; beyond it the hand or a loose part is heard."""

FEWEST_PLUCKS = 3
"""Fewer stopped plucks than this are no ground for advice."""

EVEN_SCATTER = PluckScatter(0.6, 4.0)
"""A hand whose open plucks scatter as its fretted ones do, before any is heard (assumed)."""

UNEVEN_CENTS = 1.0
"""A 12th-fret harmonic further than this from the open octave (stiffness allowed for) means an uneven string."""


@dataclass(frozen=True)
class Comparison:
    """Error of one place on one string.

    Attributes:
        error_cents: + sharp of the open string's equal-tempered place; of the first partials.
        se_cents: 1 sd: about 68 of 100 repeats lie within it of the truth.
        plucks: stopped plucks it rests on.
        scatter_cents: 1 sd of a single pluck.
        flags: what speaks against it.
        ambiguity_cents: the error by the string pitches less ``error_cents``; None when the readings don't tell.
        ambiguity_se_cents: its standard error (1 sd).
    """

    error_cents: float
    se_cents: float
    plucks: int
    scatter_cents: float
    flags: tuple[Flag, ...] = ()
    ambiguity_cents: float | None = None
    ambiguity_se_cents: float = 0.0

    @property
    def string_error_cents(self) -> float | None:
        """The error by the string pitches."""
        return None if self.ambiguity_cents is None else self.error_cents + self.ambiguity_cents


@dataclass(frozen=True)
class HarmonicCheck:
    """12th-fret harmonic against the open octave, stiffness allowed for.

    Attributes:
        deviation_cents: + harmonic sharp.
        se_cents: 1 sd.
        plucks: harmonics it rests on.
        uneven: the deviation is larger than the limit: no saddle will cure this string.
    """

    deviation_cents: float
    se_cents: float
    plucks: int
    uneven: bool


def compare(
    readings: Sequence[PluckReading],
    fret: int,
    hand: PluckScatter = EVEN_SCATTER,
    slope: Slope | None = None,
) -> Comparison:
    """Error of ``fret`` from bracketed readings in the order they were plucked.

    Readings at other places only count as time passing. Where there are four stopped plucks or more, one reading more
    than 4 sd off what the others say is left out and flagged.

    Args:
        readings: of one string, at one position of its saddle.
        fret: the fret compared with the open string.
        hand: what is known of how its plucks scatter.
        slope: what was learnt before of the string's pitch against strength.

    Raises:
        ValueError: no open reading, none at that fret, or a reading that isn't finite.
    """
    return _compare(readings, Place("fret", fret), 100.0 * fret, hand, slope)


def harmonic_check(
    readings: Sequence[PluckReading],
    inharmonicity: float,
    limit_cents: float = UNEVEN_CENTS,
    scatter_prior_cents: float = 0.35,
) -> HarmonicCheck:
    """Harmonic minus open octave minus what stiffness explains: 1200 log2 sqrt((1 + 4B) / (1 + B)).

    The touched harmonic is the second partial of f_k = k f0 sqrt(1 + B k^2), the open reading the first (H. Fletcher,
    J. Acoust. Soc. Am. 36 (1964) 203).

    Args:
        readings: open and harmonic, in the order they were plucked.
        inharmonicity: B of the open string.
        limit_cents: deviation beyond which the string is uneven.
        scatter_prior_cents: scatter of single plucks expected before any is heard, 1 sd; nothing is fretted here.

    Raises:
        ValueError: no open or no harmonic reading, or a reading that isn't finite.
    """
    target_cents = 1200.0 + harmonic_rise_cents(inharmonicity)
    found = _compare(readings, HARMONIC, target_cents, PluckScatter(scatter_prior_cents, 4.0), None)
    return HarmonicCheck(found.error_cents, found.se_cents, found.plucks, abs(found.error_cents) > limit_cents)


def harmonic_rise_cents(inharmonicity: float) -> float:
    """Cents by which stiffness raises the 12th-fret harmonic over the open octave, for B of the open string (as in
    ``harmonic_check``)."""
    return 600.0 * math.log2((1.0 + 4.0 * inharmonicity) / (1.0 + inharmonicity))


def combine(first: Comparison, second: Comparison) -> Comparison:
    """Two independent comparisons of one saddle position as one, weighted by their variances."""
    weights = np.array([first.se_cents**-2, second.se_cents**-2])
    error = float(weights @ [first.error_cents, second.error_cents] / weights.sum())
    plucks = first.plucks + second.plucks
    squares = first.plucks * first.scatter_cents**2 + second.plucks * second.scatter_cents**2
    scatter = math.sqrt(squares / plucks)
    flags = {*first.flags, *second.flags} - {Flag.FEW, Flag.SCATTERED}
    apart, apart_se = _combined_ambiguity(first, second)
    se = float(weights.sum() ** -0.5)
    return Comparison(error, se, plucks, scatter, all_flags(flags, plucks, scatter), apart, apart_se)


def _combined_ambiguity(first: Comparison, second: Comparison) -> tuple[float | None, float]:
    told = [c for c in (first, second) if c.ambiguity_cents is not None]
    if len(told) < 2:
        return (told[0].ambiguity_cents, told[0].ambiguity_se_cents) if told else (None, 0.0)
    weights = np.array([max(c.ambiguity_se_cents, 1e-6) ** -2 for c in told])
    mean = float(weights @ [c.ambiguity_cents for c in told] / weights.sum())
    return mean, float(weights.sum() ** -0.5)


def _compare(
    readings: Sequence[PluckReading],
    place: Place,
    target_cents: float,
    hand: PluckScatter,
    slope: Slope | None,
) -> Comparison:
    joint = joint_errors(readings, {place: target_cents}, hand, slope)
    error, se = joint.combined([1.0])
    plucks = joint.plucks[0]
    apart, apart_se = ambiguity(joint.used, place)
    return Comparison(error, se, plucks, joint.scatter, all_flags(joint.flags, plucks, joint.scatter), apart, apart_se)


def all_flags(flags: Iterable[Flag], plucks: int, scatter_cents: float) -> tuple[Flag, ...]:
    """The flags, and those that number of plucks and their scatter add, in the order of ``Flag``."""
    flags = set(flags)
    if plucks < FEWEST_PLUCKS:
        flags.add(Flag.FEW)
    if scatter_cents > SCATTER_LIMIT_CENTS:
        flags.add(Flag.SCATTERED)
    return tuple(flag for flag in Flag if flag in flags)
