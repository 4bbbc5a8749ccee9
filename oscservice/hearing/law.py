"""The stiff-string law through a note's partials: f0, B and the string pitch, robust against partials that stray.

f_k = k f0 sqrt(1 + B k^2) (H. Fletcher, J. Acoust. Soc. Am. 36 (1964) 203). On a real string single partials leave that
law by a cent or so, because neck and body move with them; a partial can also be somebody else's (hum, a neighbour).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from oscservice.hearing.resample import Samples
from oscservice.instrument.pitch import CENTS_PER_E

_STRAY_PRIOR_CENTS = 0.3
_STRAY_PRIOR_WEIGHT = 2.0  # partials' worth of evidence
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
    level, stiffness = _start(k, cents, 1.0 / (se**2 + stray**2))
    used = np.ones(len(k), dtype=bool)
    for turn in range(30):
        before = level, stiffness
        weight = robust * used / (se**2 + stray**2)
        level, stiffness = _step(k, cents, weight, level, stiffness)
        residual = cents - _model(k, level, stiffness)
        stray = _stray(residual, se, robust * used)
        far = residual**2 / (se**2 + stray**2)
        robust = (_DEGREES + 1.0) / (_DEGREES + far)
        if turn >= 3 and np.count_nonzero(far < _FAR**2) >= 3:
            used = far < _FAR**2
        if turn > 4 and abs(level - before[0]) < 1e-7 and abs(stiffness - before[1]) < 1e-11:
            break
    weight = robust * used / (se**2 + stray**2)
    slopes = _slopes(k, stiffness)
    inverse = np.linalg.inv(slopes.T @ (slopes * weight[:, None]))
    # A t fit's own standard errors: the information per partial is (v + 1) / (v + 3) of the normal one.
    inverse *= (_DEGREES + 3.0) / (_DEGREES + 1.0) / float(np.mean(robust[used]) ** -1)
    at_first = np.array([1.0, CENTS_PER_E / 2.0 / (1.0 + stiffness)])
    f0 = math.exp(level / CENTS_PER_E)
    return StiffString(
        f0,
        stiffness,
        math.sqrt(inverse[1, 1]),
        f0 * math.sqrt(1.0 + stiffness),
        math.sqrt(float(at_first @ inverse @ at_first)),
        stray,
        tuple(int(n) for n in k[used]),
    )


def _without_stiffness(k: Samples, cents: Samples, se: Samples) -> StiffString:
    weight = 1.0 / (se**2 + _STRAY_PRIOR_CENTS**2)
    hz = math.exp(float(weight @ cents / weight.sum()) / CENTS_PER_E)
    spread = float(weight.sum()) ** -0.5
    return StiffString(hz, 0.0, math.inf, hz, spread, _STRAY_PRIOR_CENTS, tuple(int(n) for n in k))


def _model(k: Samples, level: float, stiffness: float) -> Samples:
    return np.asarray(level + CENTS_PER_E / 2.0 * np.log1p(stiffness * k * k))


def _slopes(k: Samples, stiffness: float) -> Samples:
    return np.stack([np.ones(len(k)), CENTS_PER_E / 2.0 * k * k / (1.0 + stiffness * k * k)], axis=1)


def _start(k: Samples, cents: Samples, weight: Samples) -> tuple[float, float]:
    """Level and stiffness of the pair of partials that the others agree with best, by absolute values."""
    best = (math.inf, float(np.median(cents)), 0.0)
    root = np.sqrt(weight)
    for i in range(len(k)):
        for j in range(i + 1, len(k)):
            # (f_k / k)^2 = f0^2 (1 + B k^2), exactly through two partials.
            low, high = math.exp(2.0 * cents[i] / CENTS_PER_E), math.exp(2.0 * cents[j] / CENTS_PER_E)
            slope = (high - low) / (k[j] ** 2 - k[i] ** 2)
            square = low - slope * k[i] ** 2
            stiffness = min(max(0.0, slope / square), _STIFFEST) if square > 0.0 else 0.0
            offset = cents - _model(k, 0.0, stiffness)
            level = float(np.median(offset))
            misfit = float(root @ np.abs(offset - level))
            if misfit < best[0]:
                best = (misfit, level, stiffness)
    return best[1], best[2]


def _step(k: Samples, cents: Samples, weight: Samples, level: float, stiffness: float) -> tuple[float, float]:
    """One Gauss-Newton step; a stiffness below 0 stays at 0."""
    slopes = _slopes(k, stiffness)
    normal = slopes.T @ (slopes * weight[:, None])
    change = np.linalg.solve(normal, slopes.T @ (weight * (cents - _model(k, level, stiffness))))
    if stiffness + change[1] < 0.0:
        flat = cents - _model(k, 0.0, 0.0)
        return float(weight @ flat / weight.sum()), 0.0
    return level + float(change[0]), min(stiffness + float(change[1]), _STIFFEST)


def _stray(residual: Samples, se: Samples, weight: Samples) -> float:
    """1 sd of the straying: scatter beyond the partials' own errors, with a prior worth a couple of partials."""
    beyond = float(weight @ np.maximum(0.0, residual**2 - se**2 * 0.5))
    freedom = max(0.0, float(np.count_nonzero(weight)) - 2.0)
    scale = freedom / max(1e-9, float(weight.sum()))
    return math.sqrt((_STRAY_PRIOR_WEIGHT * _STRAY_PRIOR_CENTS**2 + beyond * scale) / (_STRAY_PRIOR_WEIGHT + freedom))
