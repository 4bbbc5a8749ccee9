"""Mean frequency of one partial over a window.

Several models are fitted to its complex baseband: phases of degree 1 to 3, each with and without a second polarisation.
They are averaged by their Bayesian information criterion (Schwarz, Ann. Stat. 6 (1978) 461; Hoeting et al., Stat. Sci.
14 (1999) 382): where the window can't tell them apart, their disagreement is part of the standard error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from oscservice.hearing.baseband import Baseband, unwrapped_phase
from oscservice.hearing.resample import Samples
from oscservice.hearing.tone import Line, Polynomial, Tone, fit_tone

_DEGREES = (1, 2, 3)
_BEATS = (-2.2, -1.4, -0.8, -0.4, 0.4, 0.8, 1.4, 2.2)  # beats within the window that a search starts from
_FASTEST_CENTS = 6.0  # two polarisations further apart than this were never seen (common practice, no source)


@dataclass(frozen=True)
class MeanPitch:
    """Mean frequency over a window and its standard error, both in Hz."""

    hz: float
    se_hz: float


def mean_pitch(band: Baseband, length_s: float, lines: Sequence[Line] = ()) -> MeanPitch:
    """Mean frequency over ``[0, length_s]`` of the signal that ``band`` was made from.

    The mean frequency is the phase gained from end to end over the time, so the two periods the low-pass loses at
    either end are extrapolated.

    Args:
        band: the partial's baseband.
        length_s: length of the window.
        lines: hum and neighbours within the low-pass.

    Raises:
        ValueError: fewer than 8 values.
    """
    if len(band.values) < 8:
        raise ValueError("too few periods for a mean pitch")
    half = length_s / 2.0
    times = (band.times_s - half) / half  # -1 to 1 over the whole window keeps the powers well conditioned
    weight = np.abs(band.values)
    decay = np.polynomial.polynomial.polyfit(times, np.log(np.maximum(weight, 1e-9 * weight.max())), 2, w=weight)
    turned = unwrapped_phase(band.values)
    fits = []
    for degree in _DEGREES:
        phase = np.polynomial.polynomial.polyfit(times, turned, degree, w=weight)
        fits.append((degree, fit_tone(band, times, Tone(decay, phase), Polynomial(times, degree), lines)))
    if len(band.values) >= 24:
        for degree, start in _with_second(band, times, half, fits):
            fits.append((degree, fit_tone(band, times, start, Polynomial(times, degree), lines)))
    best = min(tone.score for _, tone in fits)
    likely = np.array([math.exp(-0.5 * min(tone.score - best, 700.0)) for _, tone in fits])
    likely /= likely.sum()
    gained = np.array([_gained(tone) for _, tone in fits])
    spread = np.array([_variance(tone) for _, tone in fits])
    mean = float(likely @ gained)
    variance = float(likely @ (spread + (gained - mean) ** 2))
    turn = 2.0 * math.pi * length_s
    return MeanPitch(band.carrier_hz + mean / turn, math.sqrt(max(variance, 0.0)) / turn)


def _with_second(
    band: Baseband, times: Samples, half_s: float, fits: Sequence[tuple[int, Tone]]
) -> list[tuple[int, Tone]]:
    """Starts with a second polarisation: the two beats that explain most of what the single tones leave."""
    starts = []
    fastest = math.pi * half_s * band.carrier_hz * _FASTEST_CENTS / 1731.0
    for degree, tone in fits[:2]:
        model = Polynomial(times, degree)
        decay = tone.decay[:2]
        envelope = np.exp(np.vander(times, 3, increasing=True) @ tone.decay + 1j * model.phase(tone.phase))
        tried = []
        for beats in _BEATS:
            g = 1j * math.pi * beats
            if abs(g) > fastest:
                continue
            columns = np.stack((envelope, envelope * np.exp(g * times)), axis=1)
            solution, *_ = np.linalg.lstsq(columns, band.values, rcond=None)
            left = float(np.sum(np.abs(band.values - columns @ solution) ** 2))
            a, b = solution
            if abs(b) > abs(a):  # the stronger one is the first
                a, b, g = b, a, -g
                shift = np.concatenate(([0.0, -g.imag], np.zeros(degree - 1)))
            else:
                shift = np.zeros(degree + 1)
            phase = tone.phase + shift
            phase[0] += float(np.angle(a))
            grown = decay.copy()
            grown[0] += math.log(max(abs(a), 1e-6))
            tried.append((left, replace(tone, decay=grown, phase=phase, second=(complex(b / a), g))))
        tried.sort(key=lambda found: found[0])
        starts += [(degree, start) for _, start in tried[:2]]
    return starts


_GRID = np.linspace(-1.0, 1.0, 65)


def _gained(tone: Tone) -> float:
    """Phase gained from end to end of the window: twice the sum of the odd coefficients (times run from -1 to 1)."""
    gained = 2.0 * float(tone.phase[1::2].sum())
    if tone.second is not None:
        turned = np.unwrap(np.angle(tone.beating(_GRID)))
        gained += float(turned[-1] - turned[0])
    return gained


def _variance(tone: Tone) -> float:
    """Variance of ``_gained``."""
    decays = len(tone.decay)
    gradient = np.zeros(len(tone.covariance))
    gradient[decays + 1 : decays + len(tone.phase) : 2] = 2.0
    if tone.second is not None:
        c, g = tone.second
        ends = np.array([1.0, -1.0])
        both = tone.beating(ends)
        # d arg(1 + c exp(g t)) for steps of c and of g, real and imaginary.
        by_c = np.exp(g * ends) / both
        by_g = c * ends * by_c
        gradient[-4:] = [
            by_c[0].imag - by_c[1].imag,
            by_c[0].real - by_c[1].real,
            by_g[0].imag - by_g[1].imag,
            by_g[0].real - by_g[1].real,
        ]
    return float(gradient @ tone.covariance @ gradient)
