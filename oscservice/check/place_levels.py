"""The pitch level of each place of a string, from its notes in one or two sets of recordings.

One string's notes are fitted together by generalised least squares: a level for each case in each set, and one slope of
pitch against strength for the string, which is known beforehand as in ``advice.pluck_strength``. So hard and soft
plucks are compared at one strength; the standard errors contain the uncertainty of that.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from oscservice.advice.pluck_scatter import UNKNOWN_SCATTER
from oscservice.advice.pluck_strength import PRIOR_CENTS, amplitude
from oscservice.check.verdicts import Case, Note
from oscservice.hearing.student_t_fit import NORMAL_VARIANCE, robust_weight, t_quantile
from oscservice.instrument.pitch import cents_between

Floats = npt.NDArray[np.float64]
Level = tuple[int, Case]
"""A set of recordings (0 the baseline, 1 the checked ones) and a case."""

LEFT_OUT_SD = 4.0
FEWEST_FOR_THAT = 4
"""Of so many notes of a level or more, one that is further than ``LEFT_OUT_SD`` from the others is left out."""

_ROUNDS = 12


@dataclass(frozen=True)
class Scatter:
    """Scatter of single plucks beyond their readings' errors, 1 sd in cents, and its degrees of freedom.

    Attributes
    ----------
    open_cents, stopped_cents : float
        Of open strings and harmonics; of fretted ones.
    open_weight, stopped_weight : float
        Degrees of freedom.
    """

    open_cents: float = UNKNOWN_SCATTER.scatter_cents * UNKNOWN_SCATTER.open_share
    stopped_cents: float = UNKNOWN_SCATTER.scatter_cents
    open_weight: float = UNKNOWN_SCATTER.weight
    stopped_weight: float = UNKNOWN_SCATTER.weight

    def of(self, case: Case) -> float:
        """Return the scatter of a case's plucks."""
        return self.stopped_cents if case.stopped else self.open_cents


@dataclass(frozen=True)
class FittedNote:
    """One note of the fit: its level, cents from the nominal pitch of its case, standard error, and its amplitude as a
    multiple of the reference one, less 1 (0 if it is unknown)."""

    level: Level
    cents: float
    se_cents: float
    drive: float
    note: Note


@dataclass(frozen=True)
class Levels:
    """The levels of one string.

    Attributes
    ----------
    at : dict[Level, int]
        Index of each level.
    cents : ndarray of float64, shape (n,)
        Pitch of each level at the reference strength, + sharp of nominal.
    covariance : ndarray of float64, shape (n + 1, n + 1)
        Covariance of the levels and the slope, cents squared; the slope is the last.
    slope_cents : float
        Rise of the pitch by a pluck of the reference strength.
    counts : tuple[int, ...]
        Notes of each level.
    left_out : tuple[FittedNote, ...]
        Notes that were left out.
    """

    at: dict[Level, int]
    cents: Floats
    covariance: Floats
    slope_cents: float
    counts: tuple[int, ...]
    left_out: tuple[FittedNote, ...] = ()

    def combined(self, weights: Mapping[Level, float], louder: float = 0.0) -> tuple[float, float]:
        """Return a weighted sum of levels and its standard error in cents.

        ``louder``: how much stronger set 1 is than set 0 overall, as amplitude less 1. Either plucks were stronger, and
        the slope counts, or the gain was higher, and it does not. So half of it is corrected, and the other half is
        added to the standard error.
        """
        c = np.zeros(len(self.covariance))
        for level, weight in weights.items():
            c[self.at[level]] = weight
        by_set = sum(weight for (which, _), weight in weights.items() if which == 1)
        half = 0.5 * louder * by_set
        slope_se = float(self.covariance[-1, -1]) ** 0.5
        c[-1] = -half
        value = float(c[:-1] @ self.cents) - half * self.slope_cents
        doubt = abs(half) * math.hypot(self.slope_cents, slope_se)
        return value, math.hypot(float(c @ self.covariance @ c) ** 0.5, doubt)


def sounds_of(
    sets: Sequence[Mapping[Case, Sequence[Note]]], nominal_hz: Mapping[Case, float]
) -> tuple[dict[tuple[object, ...], list[FittedNote]], float]:
    """Return the notes of each string, and how much stronger set 1 is than set 0 overall (amplitude less 1).

    Strengths are relative to the median of their string, with set 1 scaled to the loudness of set 0, so that another
    gain changes nothing.
    """
    shift_db = _shift_db(sets)
    middle: dict[tuple[object, ...], list[float]] = {}
    for which, cases in enumerate(sets):
        for case, notes in cases.items():
            known = [n.strength_db - which * shift_db for n in notes if n.strength_db is not None]
            middle.setdefault(string_of(case), []).extend(known)
    reference = {string: float(np.median(known)) if known else 0.0 for string, known in middle.items()}
    found: dict[tuple[object, ...], list[FittedNote]] = {}
    for which, cases in enumerate(sets):
        for case, notes in cases.items():
            string = string_of(case)
            for note in notes:
                drive = 0.0
                if note.strength_db is not None:
                    drive = amplitude(note.strength_db - which * shift_db, reference[string]) - 1.0
                cents = cents_between(note.hz, nominal_hz[case])
                found.setdefault(string, []).append(FittedNote((which, case), cents, note.se_cents, drive, note))
    return found, amplitude(shift_db, 0.0) - 1.0


def string_of(case: Case) -> tuple[object, ...]:
    """Return the key of notes with one slope: a string, or a note that is known by name only."""
    return (case.string,) if case.string else (0, case.note)


def _shift_db(sets: Sequence[Mapping[Case, Sequence[Note]]]) -> float:
    """Return the dB by which set 1 is stronger than set 0: the median over the cases in both."""
    if len(sets) < 2:
        return 0.0
    apart = []
    for case in sets[0].keys() & sets[1].keys():
        both = [[n.strength_db for n in cases[case] if n.strength_db is not None] for cases in sets]
        if all(both):
            apart.append(float(np.median(both[1]) - np.median(both[0])))
    return float(np.median(apart)) if apart else 0.0


def levels_of(sounds: Sequence[FittedNote], scatter: Scatter) -> Levels:
    """Return the levels of one string from its notes, with the scatter of all strings' notes."""
    used, left_out = list(sounds), list[FittedNote]()
    while True:
        fitted = _fit(used, scatter)
        worst = _outlier(used, fitted, scatter)
        if worst is None:
            return replace(fitted, left_out=tuple(left_out))
        left_out.append(worst)
        used.remove(worst)


def _fit(sounds: Sequence[FittedNote], scatter: Scatter) -> Levels:
    at: dict[Level, int] = {}
    for sound in sounds:
        at.setdefault(sound.level, len(at))
    x = np.zeros((len(sounds), len(at) + 1))
    x[np.arange(len(sounds)), [at[sound.level] for sound in sounds]] = 1.0
    x[:, -1] = [sound.drive for sound in sounds]
    y = np.array([sound.cents for sound in sounds])
    weight = np.array([1.0 / (sound.se_cents**2 + scatter.of(sound.level[1]) ** 2) for sound in sounds])
    precision = (x.T * weight) @ x
    precision[-1, -1] += PRIOR_CENTS**-2
    covariance = np.linalg.inv(precision)
    best = covariance @ (x.T @ (weight * y))
    counts = np.bincount([at[sound.level] for sound in sounds], minlength=len(at))
    return Levels(at, best[:-1], covariance, float(best[-1]), tuple(int(n) for n in counts))


def _residuals(sounds: Sequence[FittedNote], fitted: Levels) -> Floats:
    expected = [fitted.cents[fitted.at[s.level]] + fitted.slope_cents * s.drive for s in sounds]
    return np.asarray([s.cents for s in sounds], dtype=np.float64) - np.asarray(expected, dtype=np.float64)


def _outlier(sounds: Sequence[FittedNote], fitted: Levels, scatter: Scatter) -> FittedNote | None:
    """Return the note furthest from the others of its level, if it is too far."""
    left = _residuals(sounds, fitted)
    worst, found = LEFT_OUT_SD, None
    for sound, residual in zip(sounds, left, strict=True):
        count = fitted.counts[fitted.at[sound.level]]
        if count < FEWEST_FOR_THAT:
            continue
        sd = math.hypot(sound.se_cents, scatter.of(sound.level[1]))
        # The mean includes the note itself: from the others it is further by n / (n - 1).
        off = abs(residual) * math.sqrt(count / (count - 1.0)) / sd
        if off > worst:
            worst, found = off, sound
    return found


def scatter_of(strings: Sequence[Sequence[FittedNote]]) -> Scatter:
    """Return the scatter of plucks from the differences between notes of one level, over all strings together.

    Robust weights give an outlier little influence.
    """
    repeated = [sounds for sounds in map(_repeated, strings) if sounds]
    scatter = Scatter()
    if not repeated:
        return scatter
    for _ in range(_ROUNDS):
        before, sums, degrees = scatter, {True: 0.0, False: 0.0}, {True: 0.0, False: 0.0}
        for sounds in repeated:
            fitted = _fit(sounds, scatter)
            for sound, residual in zip(sounds, _residuals(sounds, fitted), strict=True):
                stopped = sound.level[1].stopped
                count = fitted.counts[fitted.at[sound.level]]
                variance = sound.se_cents**2 + scatter.of(sound.level[1]) ** 2
                square = residual**2 * count / (count - 1.0)
                counted = robust_weight(square / variance)
                share = (count - 1.0) / count
                sums[stopped] += share * max(counted * square / NORMAL_VARIANCE - sound.se_cents**2, 0.0)
                degrees[stopped] += share
        prior, weight = Scatter(), UNKNOWN_SCATTER.weight
        scatter = Scatter(
            math.sqrt((weight * prior.open_cents**2 + sums[False]) / (weight + degrees[False])),
            math.sqrt((weight * prior.stopped_cents**2 + sums[True]) / (weight + degrees[True])),
            weight + degrees[False],
            weight + degrees[True],
        )
        if abs(scatter.stopped_cents - before.stopped_cents) + abs(scatter.open_cents - before.open_cents) < 1e-4:
            break
    return scatter


def _repeated(sounds: Sequence[FittedNote]) -> list[FittedNote]:
    counts: dict[Level, int] = {}
    for sound in sounds:
        counts[sound.level] = counts.get(sound.level, 0) + 1
    return [sound for sound in sounds if counts[sound.level] > 1]


def degrees_of(weights: Mapping[Level, float], levels: Levels, scatter: Scatter, se_cents: float) -> float:
    """Return the degrees of freedom of a sum's standard error: the scatter is estimated, the readings' errors are
    known.

    Source: F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110; B. L. Welch, Biometrika 34 (1947) 28.
    """
    variances = {True: 0.0, False: 0.0}
    for (which, case), weight in weights.items():
        count = levels.counts[levels.at[which, case]]
        variances[case.stopped] += weight**2 * scatter.of(case) ** 2 / count
    unknown = variances[True] ** 2 / scatter.stopped_weight + variances[False] ** 2 / scatter.open_weight
    return max(se_cents**4, (variances[True] + variances[False]) ** 2) / unknown


def limit_sd(chance: float, degrees: float) -> float:
    """Return the number of standard errors that chance exceeds with this probability, either way (Student's t)."""
    return -t_quantile(chance / 2.0, degrees)
