"""Inharmonicity: the stiff-string law through a note's partials, and the B that a string should show.

The stiff-string law through a note's partials: f0, B and the string pitch, robust against partials that stray.

f_k = k f0 sqrt(1 + B k^2) (H. Fletcher, J. Acoust. Soc. Am. 36 (1964) 203). On a real string single partials leave that
law by a cent or so, because neck and body move with them; a partial can also be somebody else's (hum, a neighbour).

How stiff a string should sound: its B open or stopped, what its build lets expect, and what its readings teach.

Everything is in natural logarithms of B, since what is unknown of B is a factor.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.hearing.resampling import Samples
from oscservice.hearing.student_t_fit import scattered
from oscservice.instrument.pitch import CENTS_PER_E, OPEN, Place
from oscservice.instrument.spec import Instrument
from oscservice.instrument.string_physics import inharmonicity, tension_n

_STRAY_PRIOR_CENTS = 0.4
_STRAY_PRIOR_WEIGHT = 1.0  # partials' worth of evidence
_STRAY_GRID = np.geomspace(0.05, 20.0, 40) ** 2
_DEGREES = 4.0  # Student's t: near enough to normal for most partials, forgiving to a few
_FAR = 4.0  # a partial more than this many of its standard deviations off is not used
_STIFFEST = 0.02


@dataclass(frozen=True)
class StiffString:
    """What the partials say together.

    Attributes:
        f0_hz: fundamental without stiffness, Hz.
        inharmonicity: B, 0 or more.
        inharmonicity_se: its standard error (1 sd); infinite when fewer than three partials could be used.
        string_hz: where the law puts the first partial: f0 sqrt(1 + B), Hz.
        string_se_cents: its standard error (1 sd).
        stray_cents: how far the partials stray from the law, 1 sd.
        partials: numbers of the partials used.
    """

    f0_hz: float
    inharmonicity: float
    inharmonicity_se: float
    string_hz: float
    string_se_cents: float
    stray_cents: float
    partials: tuple[int, ...]


def stiff_string(partials: Mapping[int, tuple[float, float]]) -> StiffString:
    """Robust least squares of ln f_k - ln k on ln f0 + ln(1 + B k^2) / 2.

    Every partial weighs by its own standard error and by how far the partials stray as a whole; outlying ones weigh
    less (Student's t by iterated weights: Lange, Little & Taylor, J. Am. Stat. Assoc. 84 (1989) 881), far ones nothing.

    Args:
        partials: number -> (frequency in Hz, standard error in cents).

    Raises:
        ValueError: no partial at all.
    """
    if not partials:
        raise ValueError("a string has at least one partial")
    k = np.array(sorted(partials), dtype=np.float64)
    cents = np.array([CENTS_PER_E * math.log(partials[int(n)][0] / n) for n in k])
    se = np.array([partials[int(n)][1] for n in k])
    if len(k) < 3:
        return _without_stiffness(k, cents, se)
    robust, stray = np.ones(len(k)), _STRAY_PRIOR_CENTS
    level, stiffness = _start(k, cents)
    used = np.ones(len(k), dtype=bool)
    for turn in range(20):
        before = level, stiffness
        level, stiffness = _step(k, cents, robust * used / (se**2 + stray**2), level, stiffness)
        residual = cents - level - stretch_cents(k, stiffness)
        stray = _scatter(residual, se, used)
        far = residual**2 / (se**2 + stray**2)
        robust = (_DEGREES + 1.0) / (_DEGREES + far)
        if np.count_nonzero(far < _FAR**2) >= 3:
            used = far < _FAR**2
        if turn > 4 and abs(level - before[0]) < 1e-7 and abs(stiffness - before[1]) < 1e-11:
            break
    slopes = _slopes(k[used], stiffness)
    offset, covariance, stray = _scatter_averaged_step(residual[used], slopes, se[used])
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
        stray,
        tuple(int(n) for n in k[used]),
    )


def _scatter_averaged_step(residual: Samples, slopes: Samples, se: Samples) -> tuple[Samples, Samples, float]:
    """Least squares with the size of the straying averaged over: three partials that happen to lie on a law don't claim
    to know it.

    Returns:
        Step of (level, B), its covariance, and the straying's likely size in cents.
    """
    found = scattered(slopes, residual, se**2, _STRAY_GRID, _STRAY_PRIOR_CENTS, _STRAY_PRIOR_WEIGHT)
    step = found.likely @ found.solutions
    away = found.solutions - step
    each = found.covariances + away[:, :, None] * away[:, None, :]
    return np.asarray(step), np.einsum("g,gij->ij", found.likely, each), found.scatter


def _without_stiffness(k: Samples, cents: Samples, se: Samples) -> StiffString:
    weight = 1.0 / (se**2 + _STRAY_PRIOR_CENTS**2)
    hz = math.exp(float(weight @ cents / weight.sum()) / CENTS_PER_E)
    spread = float(weight.sum()) ** -0.5
    return StiffString(hz, 0.0, math.inf, hz, spread, _STRAY_PRIOR_CENTS, tuple(int(n) for n in k))


def stretch_cents(k: Samples, stiffness: Samples | float) -> Samples:
    """Cents by which partials ``k`` of a string stand above their harmonics; shapes go together."""
    return np.asarray(CENTS_PER_E / 2.0 * np.log1p(stiffness * k * k))


def _slopes(k: Samples, stiffness: float) -> Samples:
    return np.stack([np.ones(len(k)), CENTS_PER_E / 2.0 * k * k / (1.0 + stiffness * k * k)], axis=1)


def _start(k: Samples, cents: Samples) -> tuple[float, float]:
    """Level and stiffness of the pair of partials that the others agree with best, by absolute values."""
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
            # Without the farthest fifth: an outlier far away must not decide.
            misfit = float(np.sort(np.abs(offset - level))[: max(3, round(0.8 * len(k)))].sum())
            if misfit < best[0]:
                best = (misfit, level, stiffness)
    return best[1], best[2]


def level_and_stiffness(k: Samples, cents: Samples, weight: Samples, stiffness: float) -> tuple[float, float]:
    """Changes of level (cents) and B, from B = ``stiffness`` on, that go with changes of the partials by ``cents``."""
    slopes = _slopes(k, stiffness)
    normal = slopes.T @ (slopes * weight[:, None])
    change = np.linalg.solve(normal, slopes.T @ (weight * cents))
    return float(change[0]), float(change[1])


def _step(k: Samples, cents: Samples, weight: Samples, level: float, stiffness: float) -> tuple[float, float]:
    """One Gauss-Newton step; a stiffness below 0 stays at 0."""
    change = level_and_stiffness(k, cents - level - stretch_cents(k, stiffness), weight, stiffness)
    if stiffness + change[1] < 0.0:
        return float(weight @ cents / weight.sum()), 0.0
    return level + change[0], min(stiffness + change[1], _STIFFEST)


def _scatter(residual: Samples, se: Samples, used: npt.NDArray[np.bool_]) -> float:
    """How far partials stray, from the middle size of what is left (outliers don't count), and a prior."""
    middle = float(np.median(np.abs(residual))) / 0.6745
    freedom = max(0.0, len(residual) - 2.0)
    beyond = max(0.0, middle**2 * len(residual) / max(1.0, freedom) - float(np.median(se[used] ** 2)))
    return math.sqrt((_STRAY_PRIOR_WEIGHT * _STRAY_PRIOR_CENTS**2 + freedom * beyond) / (_STRAY_PRIOR_WEIGHT + freedom))


WOUND_SD = 0.4
"""Core diameters are in no maker's chart: +-10 % in the core is +-40 % in B, which goes with its fourth power."""

PLAIN_SD = 0.25
"""A plain string one gauge off the profile's (.009 for .010) is 20 % off in B; its modulus is known to 3.5 %."""

STOPPED_SD = 0.1
"""How far a stopped string's B may leave the law. Measured B at fret 12 is 3.4 to 4.1 times the open string's, where
the law says 4 (Bastas et al., ICASSP 2022, 771: the trained table in the authors' public repository)."""

SCATTER_SD = 0.1
"""How far a reading's B strays beyond its standard error, as neck and body pull at single partials: of 96 recorded
notes of twelve pitches three quarters lay within 8 % of their pitch's median, the farthest was 25 % off."""

OUTLIER_SHARE = 0.1
"""Readings whose B is not the string's at all: a neighbour's partials, or a body's. None of those 96 notes was one,
which says little of other strings and other hands."""

_OUTLIER_RANGE = math.log(1e-2 / 1e-6)  # a bad B is anything between one and ten thousand millionths
_SUREST_SD = 0.05  # a string's B is never taken to be better known than this


@dataclass(frozen=True)
class Stiffness:
    """ln B of an open string at its nominal pitch, or of a place on it, and its standard deviation."""

    log_b: float
    sd: float


def expected_stiffness(instrument: Instrument, number: int) -> Stiffness:
    """What a string's build lets expect: Fletcher's B from core, weight, length and nominal pitch."""
    spec = instrument.string(number)
    length_mm = spec.scale_mm + spec.setback_mm
    tension = tension_n(spec.unit_weight_kg_m, instrument.open_hz(number), length_mm)
    b = inharmonicity(spec.core_mm, tension, length_mm)
    return Stiffness(math.log(b), WOUND_SD if spec.wound else PLAIN_SD)


def stiffness_at_place(stiffness: Stiffness, place: Place, cents: float) -> Stiffness:
    """Stiffness of a place on a string that is ``cents`` sharp of its nominal pitch there.

    B = pi^3 E d^4 / (64 T L^2) (see ``inharmonicity``) goes with 1 / L^2 at one tension, so a string stopped at fret k
    has B 2^(k/6) (J. Kemp, SN Appl. Sci. 2 (2020) 636, second-hand); and T goes with the square of the open pitch. A
    12th-fret harmonic sounds the even partials 2k f0 sqrt(1 + 4 B k^2): 4 B in terms of its own first one, as fret 12.
    """
    log_b = stiffness.log_b + math.log(2.0) * (place.semitones / 6.0 - cents / 600.0)
    return Stiffness(log_b, stiffness.sd if place == OPEN else math.hypot(stiffness.sd, STOPPED_SD))


def log_stiffness(inharmonicity: float, inharmonicity_se: float | None) -> Stiffness | None:
    """A reading's B as a logarithm with its standard deviation, straying counted in; None where it is no evidence.

    A B below half its standard error is taken as that half, at a factor of e^2 (1 sd): it says that B is small.
    """
    if inharmonicity_se is None or not 0.0 < inharmonicity_se < math.inf or not math.isfinite(inharmonicity):
        return None
    b = max(inharmonicity, 0.5 * inharmonicity_se)
    return Stiffness(math.log(b), math.hypot(inharmonicity_se / b, SCATTER_SD))


def stiffness_likelihood(heard: Stiffness | None, expected: Stiffness | None) -> float:
    """Density of a heard ln B: normal about what is expected, or anything, one time in ten; 1 where nothing was heard.

    Anything, too, where nothing is expected.
    """
    if heard is None:
        return 1.0
    return (
        _outlier_density()
        if expected is None
        else OUTLIER_SHARE * _outlier_density() + (1.0 - OUTLIER_SHARE) * _normal_density(heard, expected)
    )


def outlier_likelihood(heard: Stiffness | None) -> float:
    """The least that any heard ln B comes to, were it as far as can be from what is expected."""
    return 1.0 if heard is None else OUTLIER_SHARE * _outlier_density()


def updated_stiffness(before: Stiffness, cents: float, heard: Stiffness | None) -> Stiffness:
    """What is known of an open string's stiffness after a reading of it, ``cents`` sharp of its nominal pitch.

    The precision-weighted mean of both, the reading weighing as much as it is likely to be no bad one.
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
