"""Comparison of stopped notes with the open string: the error of each place, with its standard error.

The error of a place is its pitch above the open string, less the interval it should have, in cents, + sharp. That is
the interval of equal temperament, and the target that the instrument file may give a fret. Readings of one string come
in the order they were plucked, open and stopped in turn. Besides the errors, four effects move them: every pluck
scatters, the string drifts, a hard pluck is sharper than a soft one, and each reading has its own error. The model is

    y_i = m + e[place of i] + drift t_i + walk(t_i) + slope a_i + scatter_i + reading_i          (cents)

* m is the level of the open string and e the errors, both free; e is 0 on the open string.
* t is the number of the pluck in the order. The drift has a wide prior; the walk is a slow random walk.
* a is the amplitude of the pluck, and slope its effect as far as known (``advice.pluck_strength``).
* The scatter has an unknown size.

So a stopped note is compared with the open notes before and after it, at equal strength. Plucks of unlike strength
widen the standard error and don't shift the error. An open note that several places share counts once: the error of the
open string is the common term of their covariance. The fit is generalised least squares, averaged over the size of the
scatter (restricted likelihood, scaled inverse chi-squared prior): two plucks that agree by chance don't give a tiny
standard error.

``joint_errors`` compares several places of a string together, ``compare`` one fret, ``harmonic_check`` the 12th-fret
harmonic.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from oscservice.advice.compared_frets import intervals_cents
from oscservice.advice.pluck_scatter import PluckScatter, updated_scatter
from oscservice.advice.pluck_strength import DRIFT_CENTS, Slope, amplitude, slope_for, walk_covariance
from oscservice.hearing.student_t_fit import Scattered, scattered, scattered_unlike, t_quantile
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, cents_between
from oscservice.instrument.spec import StringSpec

Floats = npt.NDArray[np.float64]

UNLIKE_DB = 6.0
"""A pluck whose strength is further than this from the median is unlike the others."""

CLIPPED_CENTS = 0.5
"""Error that clipping adds to a reading (1 sd); its strength is unknown. Notes of the simulated guitar that lose 5 dB
of their level by clipping read 0.4 cents wrong (RMS); mildly clipped ones 0.01."""

SCATTER_LIMIT_CENTS = 2.0
"""Largest scatter that advice is given on. One player's re-fretted plucks scatter by 1 to 2 cents; more comes from
careless fretting or a loose part."""

FEWEST_PLUCKS = 3
"""Fewest stopped plucks that advice is given on."""

UNEVEN_CENTS = 1.0
"""A 12th-fret harmonic further than this from the open octave, without the part of stiffness, is an uneven string."""

OUTLIER_SD = 4.0
"""A pluck that is off by more than this many standard deviations is left out."""
FEWEST_FOR_OUTLIER = 4
"""Fewest stopped plucks of which one may be left out."""

EVEN_SCATTER = PluckScatter(0.6, 4.0)
"""Scatter expected before any pluck, the same for open and fretted ones (assumed)."""

_SCATTER_GRID = np.geomspace(0.05, 30.0, 60) ** 2  # variances, cents squared


class Flag(StrEnum):
    """Reasons to doubt a comparison."""

    SCATTERED = "scatter too large"
    FEW = "too few plucks"
    UNBRACKETED = "unbracketed"
    UNLIKE = "strengths unlike"
    OUTLIER = "one pluck discarded"
    CLIPPED = "the input clips"


@dataclass(frozen=True)
class PluckReading:
    """The settled reading of one pluck.

    Attributes
    ----------
    place : Place
        Place where the string was stopped.
    f1_hz, se_cents : float
        First partial and its standard error (1 sd).
    strength_db : float | None
        Strength of the pluck (``Reading.strength_db``); None when not known.
    string_hz, string_se_cents
        String pitch (the first partial by the stiff-string law) and its standard error; None when the note doesn't show
        a difference of the two.
    clipped : bool
        The input clipped.
    """

    place: Place
    f1_hz: float
    se_cents: float
    strength_db: float | None = None
    string_hz: float | None = None
    string_se_cents: float = 0.0
    clipped: bool = False

    @property
    def total_se_cents(self) -> float:
        """Standard error of the first partial, clipping included."""
        return math.hypot(self.se_cents, CLIPPED_CENTS) if self.clipped else self.se_cents

    @property
    def known_strength_db(self) -> float | None:
        """Strength of the pluck; None when not known, not finite, or clipped."""
        strength = None if self.clipped else self.strength_db
        return strength if strength is not None and math.isfinite(strength) else None


def strength_correction(readings: Sequence[PluckReading], learnt: Slope | None) -> tuple[Floats, Floats]:
    """Return the effect of each pluck's strength on its pitch, and the standard error of that.

    The errors of all readings come from the one slope. A pluck of unknown strength counts as an average one.

    Parameters
    ----------
    readings : Sequence[PluckReading]
        Readings of one string.
    learnt : Slope | None
        Effect of strength as learnt before; None for nothing.

    Returns
    -------
    tuple[ndarray of float64, ndarray of float64]
        Cents above a pluck of average amplitude, and standard errors in cents with the sign of their part of the slope;
        a value for each reading, shapes (n,).
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
    """Return the error of ``place`` by the string pitches less that by the first partials, and its standard error.

    String pitch and first partial are from the same pluck, so scatter and drift cancel. The means are weighted; where
    they scatter more than their standard errors, these are widened.
    Source: R. T. Birge, Phys. Rev. 40 (1932) 207.

    Returns
    -------
    tuple[float | None, float]
        Cents and their standard error; None and 0 when open or stopped notes have no string pitch.
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
    """Return True unless every stopped note has open notes before and after it.

    Parameters
    ----------
    stopped : ndarray of bool, shape (n,)
        True for a stopped note, in order of plucks.

    Returns
    -------
    bool
        True when the first or the last note is a stopped one.
    """
    return bool(stopped[0] or stopped[-1])


def strengths_differ(readings: Sequence[PluckReading]) -> bool:
    """Return True when one pluck was much harder or softer than the median of all."""
    strengths = np.array([r.known_strength_db for r in readings if r.known_strength_db is not None])
    return bool(strengths.size and np.abs(strengths - np.median(strengths)).max() > UNLIKE_DB)


@dataclass(frozen=True)
class JointErrors:
    """Errors of p places on one string, in cents, + sharp.

    Attributes
    ----------
    found : Scattered
        Solutions for each scatter and open share, (g, 1 + p), the level of the open string first; their covariances and
        probabilities.
    variances : ndarray of float64, shape (g,)
        Scatter of stopped plucks for each solution, cents squared.
    shares : ndarray of float64, shape (g,)
        Scatter of open plucks over that of stopped ones.
    plucks : tuple[int, ...]
        Number of stopped plucks used at each place.
    used : tuple[PluckReading, ...]
        The readings used.
    flags : frozenset[Flag]
        Reasons to doubt the errors.
    errors, covariance : ndarray of float64
        Error of each place, cents, shape (p,); their covariance, cents squared, shape (p, p), which includes the
        unknown size of the scatter.
    """

    found: Scattered
    variances: Floats
    shares: Floats
    plucks: tuple[int, ...]
    used: tuple[PluckReading, ...]
    flags: frozenset[Flag]

    @property
    def scatter(self) -> float:
        """Scatter of a single pluck (1 sd)."""
        return self.found.scatter

    def scatter_at_most(self, confidence: float) -> float:
        """Return the scatter (1 sd) that is not exceeded with this probability."""
        order = np.argsort(self.variances, kind="stable")
        reached = np.cumsum(self.found.likely[order])
        return float(np.sqrt(self.variances[order[min(int(np.searchsorted(reached, confidence)), len(reached) - 1)]]))

    def scatter_after(self, before: PluckScatter) -> PluckScatter:
        """Return the knowledge of the player's scatter after this fit; ``before`` is the one it was made with."""
        return updated_scatter(before, self.variances, self.shares, self.found.likely)

    @property
    def errors(self) -> Floats:
        return np.asarray(self.found.likely @ self.found.solutions[:, 1:])

    @property
    def covariance(self) -> Floats:
        apart = self.found.solutions[:, 1:] - self.errors
        within = np.einsum("g,gij->ij", self.found.likely, self.found.covariances[:, 1:, 1:])
        return np.asarray(within + np.einsum("g,gi,gj->ij", self.found.likely, apart, apart))

    def combined(self, weights: Sequence[float] | Floats) -> tuple[float, float]:
        """Return a weighted sum of the errors and its standard error, the half-width with a probability of 68 %.

        Parameters
        ----------
        weights : Sequence[float] | ndarray of float64
            Weight of each place, shape (p,).

        Returns
        -------
        tuple[float, float]
            The sum and its standard error, cents.
        """
        w = np.asarray(weights, dtype=np.float64)
        sums = self.found.solutions[:, 1:] @ w
        middle = float(self.found.likely @ sums)
        sd = np.sqrt(np.einsum("i,gij,j->g", w, self.found.covariances[:, 1:, 1:], w))
        return middle, _half_width(self.found.likely, sums - middle, sd)


def joint_errors(
    readings: Sequence[PluckReading],
    targets: Mapping[Place, float],
    scatter: PluckScatter,
    slope: Slope | None = None,
) -> JointErrors:
    """Return the errors of several places, from readings in the order they were plucked.

    Readings at other places only take a number in that order. With four stopped plucks or more, one reading that is
    more than 4 sd from the value by the others is left out and flagged.

    Parameters
    ----------
    readings : Sequence[PluckReading]
        Readings of one string, at one position of its saddle.
    targets : Mapping[Place, float]
        Cents above the open string where each place has no error.
    scatter : PluckScatter
        Knowledge of the player's scatter.
    slope : Slope | None, optional
        Effect of strength on the string's pitch as learnt before; None for nothing.

    Raises
    ------
    ValueError
        No open reading, none at one of the places, or a reading that isn't finite.
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
    errors = np.array([r.total_se_cents for _, r in used])
    data = _Data(cents - risen, places, order, errors, unsure)
    flags: set[Flag] = set()
    found, variances, shares = _fit(data, scatter)
    if places.sum() >= FEWEST_FOR_OUTLIER:
        suspect = int(np.argmax(np.abs(_leave_one_out_residuals(data, found, shares))))
        kept = data.without(suspect)
        if kept.complete():
            without, *grid = _fit(kept, scatter)
            # The scatter is an estimate too: the limit has the same probability for Student's t as 4 sd for a normal.
            degrees = scatter.weight + len(kept.cents) - 1.0 - len(targets)
            limit = t_quantile(float(ndtr(OUTLIER_SD)), degrees)
            if abs(_leave_one_out_residuals(data, without, grid[1])[suspect]) > limit:
                data, found, (variances, shares) = kept, without, grid
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
    """Readings as arrays; errors in cents.

    Attributes
    ----------
    cents : ndarray of float64, shape (n,)
        Pitch less the target and the effect of strength.
    places : ndarray of float64, shape (n, p)
        1 at the place of the reading, all 0 for the open string.
    order, se, strength : ndarray of float64, shape (n,)
        Number of the pluck; standard errors of the reading and of the effect of strength.
    """

    cents: Floats
    places: Floats
    order: Floats
    se: Floats
    strength: Floats

    @property
    def stopped(self) -> npt.NDArray[np.bool_]:
        """True for each stopped reading, (n,)."""
        return np.asarray(self.places.any(axis=1))

    def without(self, index: int) -> _Data:
        """Return the data without one reading."""
        keep = np.arange(len(self.cents)) != index
        kept = (self.cents[keep], self.places[keep], self.order[keep], self.se[keep])
        return _Data(*kept, self.strength[keep])

    def complete(self) -> bool:
        """Return True when the open string and every place have a reading."""
        return bool(self.places.any(axis=0).all() and not self.stopped.all())

    def design(self) -> Floats:
        """Return the design matrix of level and errors, (n, 1 + p)."""
        return np.column_stack([np.ones(len(self.cents)), self.places])

    def known_covariance(self) -> Floats:
        """Return the covariance without the scatter: reading errors, drift and strength, (n, n)."""
        t = self.order - self.order.mean()
        drift = DRIFT_CENTS**2 * np.outer(t, t) + walk_covariance(self.order)
        return np.asarray(np.diag(self.se**2) + drift + np.outer(self.strength, self.strength))


def _fit(data: _Data, scatter: PluckScatter) -> tuple[Scattered, Floats, Floats]:
    """Return level and errors for every open share and scatter variance of a grid; the variances and shares, (g,)."""
    found = [_fit_at_share(data, share, scatter) for share, _ in scatter.shares]
    count = len(_SCATTER_GRID)
    shares = np.repeat([share for share, _ in scatter.shares], count)
    if len(found) == 1:
        return found[0], _SCATTER_GRID, shares
    logs = np.array([f.log_evidence + math.log(p) for f, (_, p) in zip(found, scatter.shares, strict=True)])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    likely = np.concatenate([w * f.likely for w, f in zip(weights, found, strict=True)])
    variances = np.tile(_SCATTER_GRID, len(found))
    solutions = np.concatenate([f.solutions for f in found])
    covariances = np.concatenate([f.covariances for f in found])
    return Scattered(likely, solutions, covariances, float((likely / variances).sum() ** -0.5)), variances, shares


def _fit_at_share(data: _Data, open_share: float, scatter: PluckScatter) -> Scattered:
    """Return level and errors for every scatter variance of the grid, at one open share."""
    if open_share == 1.0:
        known, axes = np.linalg.eigh(data.known_covariance())
        x, y = axes.T @ data.design(), axes.T @ data.cents
        return scattered(x, y, np.maximum(known, 0.0), _SCATTER_GRID, scatter.scatter_cents, scatter.weight)
    share = np.where(data.stopped, 1.0, open_share)
    prior = (scatter.scatter_cents, scatter.weight)
    return scattered_unlike(data.design(), data.cents, data.known_covariance(), share, _SCATTER_GRID, *prior)


def _half_width(weight: Floats, offset: Floats, sd: Floats) -> float:
    """Return the half-width about 0 with the same probability in a mixture of g normals as 1 sd of one normal."""
    share = 2.0 * float(ndtr(1.0)) - 1.0
    low, high = 0.0, float((np.abs(offset) + 5.0 * sd).max())
    for _ in range(40):
        middle = 0.5 * (low + high)
        held = float(weight @ (ndtr((middle - offset) / sd) - ndtr((-middle - offset) / sd)))
        low, high = (middle, high) if held < share else (low, middle)
    return high


def _leave_one_out_residuals(data: _Data, found: Scattered, shares: Floats) -> Floats:
    """Return each reading's distance from the value by all others, in its own standard deviation, (n,)."""
    squared = np.where(data.stopped, 1.0, float(found.likely @ shares**2))
    weights = np.linalg.inv(data.known_covariance() + found.scatter**2 * np.diag(squared))
    x = data.design()
    projection = weights - weights @ x @ np.linalg.inv(x.T @ weights @ x) @ x.T @ weights
    diagonal = np.diag(projection)
    safe = np.where(diagonal > 1e-9, diagonal, np.inf)  # a reading alone at its place can't be compared
    return np.asarray(projection @ data.cents / np.sqrt(safe))


@dataclass(frozen=True)
class Comparison:
    """Error of one place on one string.

    Attributes
    ----------
    error_cents : float
        Error of the first partials, + sharp of the interval it should have from the open string.
    se_cents : float
        Standard error (1 sd).
    plucks : int
        Number of stopped plucks used.
    scatter_cents : float
        Scatter of a single pluck (1 sd).
    flags : tuple[Flag, ...]
        Reasons to doubt it.
    ambiguity_cents : float | None
        The error by the string pitches less ``error_cents``; None when the readings don't show it.
    ambiguity_se_cents : float
        Standard error of that (1 sd).
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
        """Error by the string pitches; None when the readings don't show it."""
        return None if self.ambiguity_cents is None else self.error_cents + self.ambiguity_cents


@dataclass(frozen=True)
class HarmonicCheck:
    """12th-fret harmonic compared with the open octave, without the part of stiffness.

    Attributes
    ----------
    deviation_cents : float
        + harmonic sharp.
    se_cents : float
        Standard error (1 sd).
    plucks : int
        Number of harmonics used.
    uneven : bool
        The deviation is above the limit: no saddle position cures this string.
    """

    deviation_cents: float
    se_cents: float
    plucks: int
    uneven: bool


def compare(
    readings: Sequence[PluckReading],
    fret: int,
    scatter: PluckScatter = EVEN_SCATTER,
    slope: Slope | None = None,
    string: StringSpec | None = None,
) -> Comparison:
    """Return the error of ``fret``, from readings in the order they were plucked (see ``joint_errors``).

    Parameters
    ----------
    readings, scatter, slope
        As in ``joint_errors``.
    fret : int
        The fret compared with the open string.
    string : StringSpec | None, optional
        The string, for the target of the fret; None for equal temperament.

    Raises
    ------
    ValueError
        No open reading, none at that fret, or a reading that isn't finite.
    """
    return _compare(readings, intervals_cents(string, [fret]), scatter, slope)


def harmonic_check(
    readings: Sequence[PluckReading],
    inharmonicity: float,
    limit_cents: float = UNEVEN_CENTS,
    scatter_prior_cents: float = 0.35,
) -> HarmonicCheck:
    """Return the 12th-fret harmonic above the open octave, less the part of stiffness.

    That part is 1200 log2 sqrt((1 + 4B) / (1 + B)): the harmonic is the second partial of f_k = k f0 sqrt(1 + B k^2),
    the open reading is the first.
    Source: H. Fletcher, J. Acoust. Soc. Am. 36 (1964) 203.

    Parameters
    ----------
    readings : Sequence[PluckReading]
        Open and harmonic, in the order they were plucked.
    inharmonicity : float
        B of the open string.
    limit_cents : float, optional
        Deviation above which the string is uneven.
    scatter_prior_cents : float, optional
        Scatter of single plucks expected beforehand (1 sd); nothing is fretted here.

    Raises
    ------
    ValueError
        No open or no harmonic reading, or a reading that isn't finite.
    """
    target_cents = 1200.0 + harmonic_rise_cents(inharmonicity)
    found = _compare(readings, {HARMONIC: target_cents}, PluckScatter(scatter_prior_cents, 4.0), None)
    return HarmonicCheck(found.error_cents, found.se_cents, found.plucks, abs(found.error_cents) > limit_cents)


def harmonic_rise_cents(inharmonicity: float) -> float:
    """Return the cents of the 12th-fret harmonic above the open octave by stiffness, for B of the open string."""
    return 600.0 * math.log2((1.0 + 4.0 * inharmonicity) / (1.0 + inharmonicity))


def combine(first: Comparison, second: Comparison) -> Comparison:
    """Return two independent comparisons at one saddle position as one, weighted by their inverse variances."""
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
    """Return the weighted mean of two ambiguities and its standard error, as far as they are known."""
    known = [c for c in (first, second) if c.ambiguity_cents is not None]
    if len(known) < 2:
        return (known[0].ambiguity_cents, known[0].ambiguity_se_cents) if known else (None, 0.0)
    weights = np.array([max(c.ambiguity_se_cents, 1e-6) ** -2 for c in known])
    mean = float(weights @ [c.ambiguity_cents for c in known] / weights.sum())
    return mean, float(weights.sum() ** -0.5)


def _compare(
    readings: Sequence[PluckReading], target_cents: Mapping[Place, float], scatter: PluckScatter, slope: Slope | None
) -> Comparison:
    """Return the error of the one place in ``target_cents``."""
    (place,) = target_cents
    joint = joint_errors(readings, target_cents, scatter, slope)
    (error, se), plucks = joint.combined([1.0]), joint.plucks[0]
    apart, apart_se = ambiguity(joint.used, place)
    return Comparison(error, se, plucks, joint.scatter, all_flags(joint.flags, plucks, joint.scatter), apart, apart_se)


def all_flags(flags: Iterable[Flag], plucks: int, scatter_cents: float) -> tuple[Flag, ...]:
    """Return the flags, with those for few plucks and a large scatter, in the order of ``Flag``."""
    flags = set(flags)
    if plucks < FEWEST_PLUCKS:
        flags.add(Flag.FEW)
    if scatter_cents > SCATTER_LIMIT_CENTS:
        flags.add(Flag.SCATTERED)
    return tuple(flag for flag in Flag if flag in flags)
