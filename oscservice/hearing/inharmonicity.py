"""Inharmonicity: the stiff-string law through a note's partials, and the B that is expected of a string.

The law is f_k = k f0 sqrt(1 + B k^2). On a real string single partials are off this law by a cent or so, because neck
and body move with them; a partial may also be hum or belong to another string. So the fit is robust.

What is known of a string's B is kept as ln B and its standard deviation, since the errors of B are factors.
Frequencies are in Hz; k is the number of a partial.

Source: H. Fletcher, J. Acoust. Soc. Am. 36 (1964) 203.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.hearing.resampling import Samples
from oscservice.hearing.student_t_fit import robust_weight, scattered
from oscservice.instrument.pitch import CENTS_PER_E, OPEN, Place
from oscservice.instrument.spec import Instrument
from oscservice.instrument.string_physics import inharmonicity, tension_n

_SCATTER_PRIOR_CENTS = 0.4
_SCATTER_PRIOR_WEIGHT = 1.0  # the prior counts as this many partials
_SCATTER_GRID = np.geomspace(0.05, 20.0, 40) ** 2  # variances, cents squared
_FAR = 4.0  # a partial that is off by more than this many standard deviations is not used
_STIFFEST = 0.02


WOUND_SD = 0.4
"""ln B of a wound string from its file, 1 sd. Makers publish no core diameters: 10 % of the core is 40 % of B, which is
proportional to its fourth power."""

PLAIN_SD = 0.25
"""ln B of a plain string from its file, 1 sd. One gauge off (.009 for .010) is 20 % of B; the modulus adds 3.5 %."""

STOPPED_SD = 0.1
"""ln B of a stopped string by the law of its length, 1 sd. Measured B at fret 12 is 3.4 to 4.1 times that of the open
string; the law gives 4.
Source: G. Bastas et al., ICASSP 2022, 771: the trained table in the authors' public repository."""

SCATTER_SD = 0.1
"""Scatter of a reading's ln B beyond its standard error, 1 sd: neck and body move single partials. Of 96 recorded notes
of twelve pitches three quarters were within 8 % of their pitch's median; the farthest was 25 % off."""

OUTLIER_SHARE = 0.1
"""Share of readings whose B is not the string's (another string's partials, or the body's; assumed). None of those 96
notes was one, but other strings and players may differ."""

_OUTLIER_RANGE = math.log(1e-2 / 1e-6)  # an outlier's ln B has equal density from B = 1e-6 to 1e-2
_SUREST_SD = 0.05  # smallest standard deviation of a string's ln B


@dataclass(frozen=True)
class StiffString:
    """The stiff-string law fitted to the partials of a note.

    Attributes
    ----------
    f0_hz : float
        Fundamental without stiffness.
    inharmonicity : float
        B, 0 or more.
    inharmonicity_se : float
        Standard error (1 sd) of B; infinite when fewer than three partials were used.
    string_hz : float
        String pitch: the first partial by the law, f0 sqrt(1 + B).
    string_se_cents : float
        Standard error (1 sd) of the string pitch.
    scatter_cents : float
        Scatter of the partials about the law (1 sd).
    partials : tuple[int, ...]
        Numbers of the partials used.
    """

    f0_hz: float
    inharmonicity: float
    inharmonicity_se: float
    string_hz: float
    string_se_cents: float
    scatter_cents: float
    partials: tuple[int, ...]


def stiff_string(partials: Mapping[int, tuple[float, float]]) -> StiffString:
    """Return the stiff-string law by robust least squares of ln f_k - ln k on ln f0 + ln(1 + B k^2) / 2.

    The weight of a partial follows from its standard error and from the scatter of all partials. Outliers weigh less
    (Student's t by iterated weights), and far outliers are left out.
    Source: K. L. Lange, R. J. A. Little and J. M. G. Taylor, J. Am. Stat. Assoc. 84 (1989) 881.

    Parameters
    ----------
    partials : Mapping[int, tuple[float, float]]
        Partial number -> (frequency in Hz, standard error in cents).

    Returns
    -------
    StiffString
        The fitted law.

    Raises
    ------
    ValueError
        There is no partial.
    """
    if not partials:
        raise ValueError("a string has at least one partial")
    k = np.array(sorted(partials), dtype=np.float64)
    cents = np.array([CENTS_PER_E * math.log(partials[int(n)][0] / n) for n in k])
    se = np.array([partials[int(n)][1] for n in k])
    if len(k) < 3:
        return _without_stiffness(k, cents, se)
    robust, scatter = np.ones(len(k)), _SCATTER_PRIOR_CENTS
    level, stiffness = _start(k, cents)
    used = np.ones(len(k), dtype=bool)
    for turn in range(20):
        before = level, stiffness
        level, stiffness = _step(k, cents, robust * used / (se**2 + scatter**2), level, stiffness)
        residual = cents - level - stretch_cents(k, stiffness)
        scatter = _scatter(residual, se, used)
        far = residual**2 / (se**2 + scatter**2)
        robust = robust_weight(far)
        if np.count_nonzero(far < _FAR**2) >= 3:
            used = far < _FAR**2
        if turn > 4 and abs(level - before[0]) < 1e-7 and abs(stiffness - before[1]) < 1e-11:
            break
    slopes = _slopes(k[used], stiffness)
    offset, covariance, scatter = _scatter_averaged_step(residual[used], slopes, se[used])
    level += float(offset[0])
    stiffness = min(max(0.0, stiffness + float(offset[1])), _STIFFEST)
    at_first = np.array([1.0, CENTS_PER_E / 2.0 / (1.0 + stiffness)])
    f0 = math.exp(level / CENTS_PER_E)
    return StiffString(
        f0,
        stiffness,
        math.sqrt(covariance[1, 1]),
        f0 * math.sqrt(1.0 + stiffness),
        math.sqrt(float(at_first @ covariance @ at_first)),
        scatter,
        tuple(int(n) for n in k[used]),
    )


def _scatter_averaged_step(residual: Samples, slopes: Samples, se: Samples) -> tuple[Samples, Samples, float]:
    """Return the last step of (level, B), averaged over the unknown size of the scatter.

    So three partials that are on one law by chance don't give a tiny standard error.

    Returns
    -------
    tuple[Samples, Samples, float]
        Step, shape (2,); its covariance, shape (2, 2); the scatter in cents (1 sd).
    """
    found = scattered(slopes, residual, se**2, _SCATTER_GRID, _SCATTER_PRIOR_CENTS, _SCATTER_PRIOR_WEIGHT)
    step = found.likely @ found.solutions
    away = found.solutions - step
    each = found.covariances + away[:, :, None] * away[:, None, :]
    return np.asarray(step), np.einsum("g,gij->ij", found.likely, each), found.scatter


def _without_stiffness(k: Samples, cents: Samples, se: Samples) -> StiffString:
    """Return the weighted mean of one or two partials as a law with B = 0."""
    weight = 1.0 / (se**2 + _SCATTER_PRIOR_CENTS**2)
    hz = math.exp(float(weight @ cents / weight.sum()) / CENTS_PER_E)
    spread = float(weight.sum()) ** -0.5
    return StiffString(hz, 0.0, math.inf, hz, spread, _SCATTER_PRIOR_CENTS, tuple(int(n) for n in k))


def stretch_cents(k: Samples, stiffness: Samples | float) -> Samples:
    """Return the cents of partials above their harmonics k f0 by stiffness.

    Parameters
    ----------
    k : ndarray of float64
        Numbers of partials; any shape.
    stiffness : Samples | float
        B; a shape that broadcasts with ``k``.

    Returns
    -------
    ndarray of float64
        Cents, + above the harmonic; the shape of ``k`` and ``stiffness`` broadcast together.
    """
    return np.asarray(CENTS_PER_E / 2.0 * np.log1p(stiffness * k * k))


def _slopes(k: Samples, stiffness: float) -> Samples:
    """Return the derivatives of each partial's cents by level and B, shape (k, 2)."""
    return np.stack([np.ones(len(k)), CENTS_PER_E / 2.0 * k * k / (1.0 + stiffness * k * k)], axis=1)


def _start(k: Samples, cents: Samples) -> tuple[float, float]:
    """Return level and B of the law through two partials that has the least absolute misfit of the others."""
    best = (math.inf, float(np.median(cents)), 0.0)
    for i in range(len(k)):
        for j in range(i + 1, len(k)):
            # (f_k / k)^2 = f0^2 (1 + B k^2), exactly through two partials.
            low, high = math.exp(2.0 * cents[i] / CENTS_PER_E), math.exp(2.0 * cents[j] / CENTS_PER_E)
            slope = (high - low) / (k[j] ** 2 - k[i] ** 2)
            square = low - slope * k[i] ** 2
            stiffness = min(max(0.0, slope / square), _STIFFEST) if square > 0.0 else 0.0
            offset = cents - stretch_cents(k, stiffness)
            level = float(np.median(offset))
            # Leave out the farthest fifth: a far outlier must not decide.
            misfit = float(np.sort(np.abs(offset - level))[: max(3, round(0.8 * len(k)))].sum())
            if misfit < best[0]:
                best = (misfit, level, stiffness)
    return best[1], best[2]


def level_and_stiffness(k: Samples, cents: Samples, weight: Samples, stiffness: float) -> tuple[float, float]:
    """Return the changes of level and B for changes of the partials, by linearised least squares.

    Parameters
    ----------
    k : ndarray of float64, shape (n,)
        Numbers of the partials, two or more different ones.
    cents : ndarray of float64, shape (n,)
        Change of each in cents, + sharp.
    weight : ndarray of float64, shape (n,)
        Weight of each: its inverse variance, up to a common factor.
    stiffness : float
        B that the law is linearised at.

    Returns
    -------
    tuple[float, float]
        Change of the level 1200 log2 f0 in cents; change of B.
    """
    slopes = _slopes(k, stiffness)
    normal = slopes.T @ (slopes * weight[:, None])
    change = np.linalg.solve(normal, slopes.T @ (weight * cents))
    return float(change[0]), float(change[1])


def _step(k: Samples, cents: Samples, weight: Samples, level: float, stiffness: float) -> tuple[float, float]:
    """Return level and B after one Gauss-Newton step; B stays in 0 to ``_STIFFEST``."""
    change = level_and_stiffness(k, cents - level - stretch_cents(k, stiffness), weight, stiffness)
    if stiffness + change[1] < 0.0:
        return float(weight @ cents / weight.sum()), 0.0
    return level + change[0], min(stiffness + change[1], _STIFFEST)


def _scatter(residual: Samples, se: Samples, used: npt.NDArray[np.bool_]) -> float:
    """Return the scatter of partials in cents (1 sd): the median size of the residual (robust), with the prior."""
    middle = float(np.median(np.abs(residual))) / 0.6745
    freedom = max(0.0, len(residual) - 2.0)
    beyond = max(0.0, middle**2 * len(residual) / max(1.0, freedom) - float(np.median(se[used] ** 2)))
    prior = _SCATTER_PRIOR_WEIGHT * _SCATTER_PRIOR_CENTS**2
    return math.sqrt((prior + freedom * beyond) / (_SCATTER_PRIOR_WEIGHT + freedom))


@dataclass(frozen=True)
class Stiffness:
    """ln B of an open string at its nominal pitch, or of a place on it, and its standard deviation (1 sd)."""

    log_b: float
    sd: float


def expected_stiffness(instrument: Instrument, number: int) -> Stiffness:
    """Return ln B that the instrument file gives for a string: from core, mass, length and nominal pitch."""
    spec = instrument.string(number)
    length_mm = spec.open_run_mm()
    tension = tension_n(spec.unit_weight_kg_m, instrument.open_hz(number), length_mm)
    b = inharmonicity(spec.core_mm, tension, length_mm)
    return Stiffness(math.log(b), WOUND_SD if spec.wound else PLAIN_SD)


def stiffness_at_place(stiffness: Stiffness, place: Place, cents: float) -> Stiffness:
    """Return ln B of a string stopped at ``place``.

    B = pi^3 E d^4 / (64 T L^2) (see ``string_physics.inharmonicity``). At one tension it is proportional to 1 / L^2, so
    a string stopped at fret k has B 2^(k/6). T is proportional to the square of the open pitch. A 12th-fret harmonic
    sounds the even partials 2k f0 sqrt(1 + 4 B k^2), which is 4 B from its own first partial, as at fret 12.
    Source: J. Kemp, SN Appl. Sci. 2 (2020) 636, second-hand.

    Parameters
    ----------
    stiffness : Stiffness
        Of the open string at its nominal pitch.
    place : Place
        Where the string is stopped.
    cents : float
        Pitch of the note above the nominal pitch of the place, + sharp.
    """
    log_b = stiffness.log_b + math.log(2.0) * (place.semitones / 6.0 - cents / 600.0)
    return Stiffness(log_b, stiffness.sd if place == OPEN else math.hypot(stiffness.sd, STOPPED_SD))


def log_stiffness(inharmonicity: float, inharmonicity_se: float | None) -> Stiffness | None:
    """Return a reading's ln B with its standard deviation, scatter included; None when the error of B is not finite.

    A B below half its standard error counts as that half, with a standard deviation of 2 in ln B: it only says that B
    is small.

    Parameters
    ----------
    inharmonicity : float
        B of the reading.
    inharmonicity_se : float | None
        Its standard error (1 sd); None or infinite when unknown.
    """
    if inharmonicity_se is None or not 0.0 < inharmonicity_se < math.inf or not math.isfinite(inharmonicity):
        return None
    b = max(inharmonicity, 0.5 * inharmonicity_se)
    return Stiffness(math.log(b), math.hypot(inharmonicity_se / b, SCATTER_SD))


def stiffness_likelihood(heard: Stiffness | None, expected: Stiffness | None) -> float:
    """Return the density of a reading's ln B: normal about the expected one, or an outlier with ``OUTLIER_SHARE``.

    Parameters
    ----------
    heard : Stiffness | None
        Ln B of the reading; None (unknown) gives 1.
    expected : Stiffness | None
        Ln B expected; None (unknown) gives the density of an outlier.
    """
    if heard is None:
        return 1.0
    if expected is None:
        return _outlier_density()
    return OUTLIER_SHARE * _outlier_density() + (1.0 - OUTLIER_SHARE) * _normal_density(heard, expected)


def outlier_likelihood(heard: Stiffness | None) -> float:
    """Return the smallest ``stiffness_likelihood``: that of an ln B far from the expected one; 1 for an unknown one."""
    return 1.0 if heard is None else OUTLIER_SHARE * _outlier_density()


def updated_stiffness(before: Stiffness, cents: float, heard: Stiffness | None) -> Stiffness:
    """Return the knowledge of an open string's stiffness after a reading of it.

    It is the precision-weighted mean of both. The weight of the reading is scaled by the probability that it is no
    outlier.

    Parameters
    ----------
    before : Stiffness
        Of the open string at its nominal pitch.
    cents : float
        Pitch of the reading above the nominal pitch, + sharp.
    heard : Stiffness | None
        Ln B of the reading; None (unknown) changes nothing.
    """
    if heard is None:
        return before
    good = (1.0 - OUTLIER_SHARE) * _normal_density(heard, stiffness_at_place(before, OPEN, cents))
    weight = good / (good + OUTLIER_SHARE * _outlier_density()) / heard.sd**2
    at_nominal = heard.log_b + math.log(2.0) * cents / 600.0
    precision = before.sd**-2 + weight
    log_b = (before.log_b * before.sd**-2 + at_nominal * weight) / precision
    return Stiffness(log_b, max(_SUREST_SD, precision**-0.5))


def _normal_density(heard: Stiffness, expected: Stiffness) -> float:
    sd = math.hypot(heard.sd, expected.sd)
    return math.exp(-0.5 * ((heard.log_b - expected.log_b) / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi))


def _outlier_density() -> float:
    return 1.0 / _OUTLIER_RANGE
