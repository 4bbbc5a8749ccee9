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

from oscservice.hearing.baseband import Baseband, log_amplitude_fit, unwrapped_phase
from oscservice.hearing.resampling import Samples
from oscservice.hearing.tone_fit import (
    WIDEST_SPLIT_CENTS,
    GlidePhase,
    Line,
    PhaseModel,
    PolynomialPhase,
    Tone,
    bounded_exp,
    fit_tone,
    glide_phase_and_derivative,
    model_average,
    second_polarisation_starts,
)
from oscservice.instrument.pitch import CENTS_PER_E

FEWEST_VALUES = 8

_DEGREES = (1, 2, 3)
_BEATS = (-2.2, -1.4, -0.8, -0.4, 0.4, 0.8, 1.4, 2.2)  # beats within the window that a search starts from
_GLIDE_SD_CENTS = 10.0
_LOG_TAU_SD = 0.5  # how far tau may lie from one partial's decay: it dies faster than the whole sound, or slower


@dataclass(frozen=True)
class MeanPitch:
    """Mean frequency over a window and its standard error, both in Hz."""

    hz: float
    se_hz: float


def mean_pitch(band: Baseband, length_s: float, lines: Sequence[Line] = (), hidden: Sequence[Line] = ()) -> MeanPitch:
    """Mean frequency over ``[0, length_s]`` of the signal that ``band`` was made from.

    The mean frequency is the phase gained from end to end over the time, so the two periods the low-pass loses at
    either end are extrapolated.

    Args:
        band: the partial's baseband.
        length_s: length of the window.
        lines: hum and neighbours within the low-pass.
        hidden: hum that nobody has heard and that may be there all the same: doubted, not fitted.

    Raises:
        ValueError: fewer than ``FEWEST_VALUES`` values.
    """
    if len(band.values) < FEWEST_VALUES:
        raise ValueError("too few periods for a mean pitch")
    half = length_s / 2.0
    times = (band.times_s - half) / half  # -1 to 1 over the whole window keeps the powers well conditioned
    weight = np.abs(band.values)
    decay = log_amplitude_fit(band, times)
    turned = unwrapped_phase(band.values)
    fastest = length_s * band.carrier_hz * WIDEST_SPLIT_CENTS / CENTS_PER_E
    fits: list[tuple[PhaseModel, Tone]] = []
    for degree in _DEGREES:
        phase = np.asarray(np.polynomial.polynomial.polyfit(times, turned, degree, w=weight), dtype=np.float64)
        model: PhaseModel = PolynomialPhase(times, degree)
        fits.append((model, fit_tone(band, times, Tone(decay, phase), model, lines)))
    glide = _glide(band, float(decay[1]) / half)
    fits.append((glide, fit_tone(band, times, Tone(decay, _glide_start(glide, turned, weight)), glide, lines)))
    rates = [1j * math.pi * beats for beats in _BEATS if abs(beats) < fastest]
    if len(band.values) >= 24 and rates:
        for model, tone in sorted(fits[1:], key=lambda fit: fit[1].score)[:2]:
            for start in second_polarisation_starts(band, times, model, tone, rates):
                fits.append((model, fit_tone(band, times, start, model, lines)))
    mean, variance = model_average(
        [tone.score for _, tone in fits],
        [_gained(model, tone, length_s) for model, tone in fits],
        [_variance(model, tone, length_s) for model, tone in fits],
    )
    variance += _hidden(band, length_s, [*lines, *hidden])
    turn = 2.0 * math.pi * length_s
    return MeanPitch(band.carrier_hz + mean / turn, math.sqrt(variance) / turn)


def _hidden(band: Baseband, length_s: float, lines: Sequence[Line]) -> float:
    """Variance of the phase gained that lines so near the partial leave open that they never turn against it.

    A faint tone at a fraction r of the partial's amplitude turns its phase by up to r, most where the partial has died
    away most.
    """
    faintest = max(float(np.abs(band.values[-3:]).mean()), 1e-12)
    near = [line.amplitude for line in lines if abs(line.hz - band.carrier_hz) * length_s < 1.0]
    return sum((0.5 * amplitude / faintest) ** 2 for amplitude in near)


def _glide(band: Baseband, decay_rate: float) -> GlidePhase:
    """A glide whose tau lies near the partial's own decay: its amplitude's ``decay_rate`` a second, below 0."""
    decay_s = min(max(-1.0 / min(decay_rate, -0.05), 0.1), 12.0)
    return GlidePhase(
        band.times_s,
        band.carrier_hz,
        np.array([0.0, math.log(decay_s)]),
        np.diag([_GLIDE_SD_CENTS**-2, _LOG_TAU_SD**-2]),
    )


def _glide_start(glide: GlidePhase, turned: Samples, weight: Samples) -> Samples:
    """Phase, slope and glide by least squares for the likeliest tau."""
    bend, _ = glide_phase_and_derivative(glide.times_s, glide.carrier_hz, glide.mean[1])
    columns = np.stack((np.ones_like(bend), glide.times_s, bend), axis=1)
    solution, *_ = np.linalg.lstsq(columns * weight[:, None], turned * weight, rcond=None)
    return np.array([*solution.tolist(), glide.mean[1]])


_GRID = np.linspace(-1.0, 1.0, 65)


def _at_ends(model: PhaseModel, length_s: float) -> PhaseModel:
    """The same phase model at the window's two ends."""
    if isinstance(model, GlidePhase):
        return replace(model, times_s=np.array([0.0, length_s]))
    assert isinstance(model, PolynomialPhase)
    return replace(model, times=np.array([-1.0, 1.0]))


def _gained(model: PhaseModel, tone: Tone, length_s: float) -> float:
    """Phase gained from end to end of the window."""
    start, end = _at_ends(model, length_s).phase(tone.phase).tolist()
    gained = float(end - start)
    if tone.second is not None:
        turned = np.unwrap(np.angle(tone.beating(_GRID)))
        gained += float(turned[-1] - turned[0])
    return gained


def _variance(model: PhaseModel, tone: Tone, length_s: float) -> float:
    """Variance of ``_gained``."""
    decays, phases = len(tone.decay), len(tone.phase)
    gradient = np.zeros(len(tone.covariance))
    slopes = _at_ends(model, length_s).slopes(tone.phase)
    gradient[decays : decays + phases] = slopes[1] - slopes[0]
    if tone.second is not None:
        c, g = tone.second
        ends = np.array([1.0, -1.0])
        # d arg(1 + c exp(g t)) for steps of c and of g, real and imaginary.
        by_c = bounded_exp(g, ends) / tone.beating(ends)
        by_g = c * ends * by_c
        by = [by_c.imag, by_c.real, by_g.imag, by_g.real]
        gradient[-4:] = [float(part[0] - part[1]) for part in by]
    return float(gradient @ tone.covariance @ gradient)
