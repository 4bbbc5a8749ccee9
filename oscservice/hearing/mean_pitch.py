"""Mean frequency of one partial over a window.

Several models are fitted to the complex baseband: phases of degree 1 to 3 and a glide, without and with a second
polarisation. They are averaged by their Bayesian information criterion: where the window doesn't decide between them,
their disagreement is part of the standard error.

Frequencies are in Hz, times in seconds, phases in radians; standard errors are 1 sd.

Source: G. Schwarz, Ann. Stat. 6 (1978) 461; J. A. Hoeting et al., Stat. Sci. 14 (1999) 382.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from oscservice.hearing.baseband import Baseband, log_amplitude_fit, unwrapped_phase
from oscservice.hearing.phase_model import GlidePhase, PhaseModel, PolynomialPhase, glide_phase_and_derivative
from oscservice.hearing.resampling import Samples
from oscservice.hearing.tone_fit import (
    WIDEST_SPLIT_CENTS,
    Line,
    Tone,
    bounded_exp,
    fit_tone,
    model_average,
    second_polarisation_starts,
)
from oscservice.instrument.pitch import CENTS_PER_E

FEWEST_VALUES = 8
"""Fewest values of a baseband: the largest model without a second polarisation has seven real parameters."""

_DEGREES = (1, 2, 3)
_BEATS = (-2.2, -1.4, -0.8, -0.4, 0.4, 0.8, 1.4, 2.2)  # beats within the window that a search starts from
_GLIDE_SD_CENTS = 10.0
_LOG_TAU_SD = 0.5  # ln of tau over one partial's decay time, 1 sd: a partial may decay faster or slower than the sound


@dataclass(frozen=True)
class MeanPitch:
    """Mean frequency over a window and its standard error (1 sd), both in Hz."""

    hz: float
    se_hz: float


def mean_pitch(band: Baseband, length_s: float, lines: Sequence[Line] = (), hidden: Sequence[Line] = ()) -> MeanPitch:
    """Return the mean frequency over ``[0, length_s]`` of the signal that ``band`` was made from.

    The mean frequency is the phase gained from end to end over the length. The ends that the low-pass loses are
    extrapolated.

    Parameters
    ----------
    band : Baseband
        The partial's baseband.
    length_s : float
        Length of the window.
    lines : Sequence[Line], optional
        Hum and other strings within the low-pass, which are fitted.
    hidden : Sequence[Line], optional
        Possible hum that the spectrum can't show; it is not fitted, but widens the standard error.

    Returns
    -------
    MeanPitch
        The mean frequency and its standard error.

    Raises
    ------
    ValueError
        The baseband has fewer than ``FEWEST_VALUES`` values.
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
        [_phase_gain(model, tone, length_s) for model, tone in fits],
        [_phase_gain_variance(model, tone, length_s) for model, tone in fits],
    )
    variance += _hidden_hum_variance(band, length_s, [*lines, *hidden])
    turn = 2.0 * math.pi * length_s
    return MeanPitch(band.carrier_hz + mean / turn, math.sqrt(variance) / turn)


def _hidden_hum_variance(band: Baseband, length_s: float, lines: Sequence[Line]) -> float:
    """Return the variance of the phase gain by lines so near the partial that they don't beat within the window.

    A faint tone of r times the partial's amplitude shifts its phase by up to r rad, most where the partial is faintest.
    """
    faintest = max(float(np.abs(band.values[-3:]).mean()), 1e-12)
    near = [line.amplitude for line in lines if abs(line.hz - band.carrier_hz) * length_s < 1.0]
    return sum((0.5 * amplitude / faintest) ** 2 for amplitude in near)


def _glide(band: Baseband, decay_rate: float) -> GlidePhase:
    """Return a glide with tau near the partial's decay time; ``decay_rate`` is the slope of ln amplitude in 1/s."""
    decay_s = min(max(-1.0 / min(decay_rate, -0.05), 0.1), 12.0)
    return GlidePhase(
        band.times_s,
        band.carrier_hz,
        np.array([0.0, math.log(decay_s)]),
        np.diag([_GLIDE_SD_CENTS**-2, _LOG_TAU_SD**-2]),
    )


def _glide_start(glide: GlidePhase, turned: Samples, weight: Samples) -> Samples:
    """Return start parameters of the glide: phase, slope and g by least squares at the prior mean of tau."""
    per_cent, _ = glide_phase_and_derivative(glide.times_s, glide.carrier_hz, glide.mean[1])
    columns = np.stack((np.ones_like(per_cent), glide.times_s, per_cent), axis=1)
    solution, *_ = np.linalg.lstsq(columns * weight[:, None], turned * weight, rcond=None)
    return np.array([*solution.tolist(), glide.mean[1]])


_GRID = np.linspace(-1.0, 1.0, 65)


def _at_ends(model: PhaseModel, length_s: float) -> PhaseModel:
    """Return the phase model for the two ends of the window."""
    if isinstance(model, GlidePhase):
        return replace(model, times_s=np.array([0.0, length_s]))
    assert isinstance(model, PolynomialPhase)
    return replace(model, times=np.array([-1.0, 1.0]))


def _phase_gain(model: PhaseModel, tone: Tone, length_s: float) -> float:
    """Return the phase gained from end to end of the window."""
    start, end = _at_ends(model, length_s).phase(tone.phase).tolist()
    gained = float(end - start)
    if tone.second is not None:
        turned = np.unwrap(np.angle(tone.beat_factor(_GRID)))
        gained += float(turned[-1] - turned[0])
    return gained


def _phase_gain_variance(model: PhaseModel, tone: Tone, length_s: float) -> float:
    """Return the variance of ``_phase_gain``."""
    decays, phases = len(tone.decay), len(tone.phase)
    gradient = np.zeros(len(tone.covariance))
    slopes = _at_ends(model, length_s).jacobian(tone.phase)
    gradient[decays : decays + phases] = slopes[1] - slopes[0]
    if tone.second is not None:
        c, g = tone.second
        ends = np.array([1.0, -1.0])
        # Derivatives of arg(1 + c exp(g t)) by the real and imaginary parts of c and g.
        by_c = bounded_exp(g, ends) / tone.beat_factor(ends)
        by_g = c * ends * by_c
        by = [by_c.imag, by_c.real, by_g.imag, by_g.real]
        gradient[-4:] = [float(part[0] - part[1]) for part in by]
    return float(gradient @ tone.covariance @ gradient)
