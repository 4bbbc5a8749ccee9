"""Fits of a partial's complex baseband: its mean frequency over a window, and where its glide settles.

Phases are in radians, times in seconds from the pluck unless said otherwise; a glide is in cents above the settled
pitch. Standard errors are one standard deviation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oscservice.hearing.baseband import Baseband, Complexes, unwrapped_phase
from oscservice.hearing.resample import Samples

CENTS = 1200.0 / math.log(2.0)

_GLIDE_TIMES_S = (0.2, 0.35, 0.6, 1.0, 1.6, 2.6, 4.2, 7.0)
"""Time constants tried for the decay of the amplitude; its square, and with it the glide, falls twice as fast."""

_GLIDE_PRIOR_CENTS = 10.0
"""How far above its settled pitch a string may start, one sd: a hard pluck of the open low E stood 16 cents sharp."""


@dataclass(frozen=True)
class MeanPitch:
    """Mean frequency over a window and its standard error, both in Hz."""

    hz: float
    se_hz: float


def _model(times: Samples, coefficients: Samples, degree: int) -> Complexes:
    log_amplitude = np.polynomial.polynomial.polyval(times, coefficients[:3])
    phase = np.polynomial.polynomial.polyval(times, coefficients[3 : 4 + degree])
    return np.asarray(np.exp(log_amplitude + 1j * phase))


def _stacked_jacobian(model: Complexes, log_amplitude: Samples, phase: Samples) -> Samples:
    """Derivatives by the coefficients, real parts over imaginary parts; shape (2 n, coefficients)."""
    jacobian = np.hstack((model[:, None] * log_amplitude, 1j * model[:, None] * phase))
    return np.asarray(np.vstack((jacobian.real, jacobian.imag)))


def mean_pitch(band: Baseband, length_s: float) -> MeanPitch:
    """Mean frequency over ``[0, length_s]`` of the signal that ``band`` was made from.

    Gauss-Newton on the complex baseband: log amplitude quadratic in time, phase a polynomial of degree 1 to 3 chosen by
    the Bayesian information criterion (Schwarz, Ann. Stat. 6 (1978) 461). The mean frequency is the phase gained from
    end to end over the time, so the two periods the low-pass loses at either end are extrapolated.

    Raises:
        ValueError: fewer than 8 values.
    """
    if len(band.values) < 8:
        raise ValueError("too few periods for a mean pitch")
    half = length_s / 2.0
    times = (band.times_s - half) / half  # -1 to 1 over the whole window keeps the powers well conditioned
    scale = float(np.abs(band.values).max())
    values = band.values / scale
    phase = unwrapped_phase(values)
    weight = np.abs(values)
    log_amplitude = np.log(np.maximum(weight, 1e-9))
    independent = max(4.0, len(values) * band.step_s / band.memory_s)
    quadratic = np.vander(times, 3, increasing=True)
    best: tuple[float, float, float] | None = None
    for degree in (1, 2, 3):
        theta: Samples = np.concatenate(
            (
                np.polynomial.polynomial.polyfit(times, log_amplitude, 2, w=weight),
                np.polynomial.polynomial.polyfit(times, phase, degree, w=weight),
            ),
            dtype=np.float64,
        )
        powers = np.vander(times, degree + 1, increasing=True)
        for _ in range(8):
            model = _model(times, theta, degree)
            stacked = _stacked_jacobian(model, quadratic, powers)
            residual = values - model
            change, *_ = np.linalg.lstsq(stacked, np.concatenate((residual.real, residual.imag)), rcond=None)
            theta = np.asarray(theta + change, dtype=np.float64)
            if float(np.abs(change).max()) < 1e-10:
                break
        model = _model(times, theta, degree)
        stacked = _stacked_jacobian(model, quadratic, powers)
        residual = values - model
        power = max(float(np.mean(np.abs(residual) ** 2)), 1e-24)
        count = degree + 4
        score = 2.0 * independent * math.log(power) + count * math.log(2.0 * independent)
        if best is None or score < best[0]:
            # The phase gained over the window is twice the sum of the odd coefficients (times run from -1 to 1).
            odd = np.zeros(count)
            odd[4::2] = 2.0
            gained = float(odd @ theta)
            inverse = np.linalg.pinv(stacked.T @ stacked)
            spread = power / 2.0 * len(values) / max(1.0, independent - count / 2.0)
            variance = float(odd @ inverse @ odd) * spread
            best = (score, gained, variance)
    assert best is not None
    turn = 2.0 * math.pi * length_s
    return MeanPitch(band.carrier_hz + best[1] / turn, math.sqrt(max(best[2], 0.0)) / turn)


@dataclass(frozen=True)
class Settled:
    """Where partials come to rest once the glide has gone.

    ``hz`` and ``se_hz`` have one entry a partial; ``glide_cents`` is the glide at time 0 (the pluck), shared by all
    partials in cents, and ``glide_se_cents`` its standard error.
    """

    hz: Samples
    se_hz: Samples
    glide_cents: float
    glide_se_cents: float


def settled_pitch(bands: Sequence[Baseband], pluck_s: float, noise_power: float) -> Settled:
    """Fit one glide, shared by all partials in cents, to their phases; the rest is each partial's settled frequency.

    A string's tension, and with it every partial, falls as its vibration dies: the mean stretch goes with the square of
    the amplitude (Legge & Fletcher, J. Acoust. Soc. Am. 76 (1984) 5, cited from memory), so the glide is taken as
    exp(-2 t / tau). Every tau of a grid is fitted by linear least squares on the unwrapped phases and they are averaged
    by their likelihoods, so that a note too short to show its glide gets the wide standard error it deserves.

    Args:
        bands: one baseband a partial, the first partial first, cut to the window wanted.
        pluck_s: time of the pluck on the bands' clock.
        noise_power: power of the signal's noise, in squared amplitude.
    """
    rows = [_weighted(band, pluck_s, noise_power) for band in bands]
    for _ in range(2):  # twice: the second time with each partial's own scatter (beating, straying) in its weight
        answers = [_with_glide(rows, bands, tau) for tau in _GLIDE_TIMES_S]
        best = min(answers, key=lambda answer: answer.misfit)
        rows = [row.reweighted(residual) for row, residual in zip(rows, best.residuals, strict=True)]
    answers = [_with_glide(rows, bands, tau) for tau in _GLIDE_TIMES_S]
    lowest = min(answer.misfit for answer in answers)
    shares = np.array([math.exp(-0.5 * min(60.0, answer.misfit - lowest)) for answer in answers])
    shares /= shares.sum()
    slopes = np.array([answer.slopes for answer in answers])
    mean = shares @ slopes
    variance = shares @ (np.array([answer.slope_variances for answer in answers]) + (slopes - mean) ** 2)
    glides = np.array([answer.glide for answer in answers])
    glide = float(shares @ glides)
    glide_variance = float(shares @ (np.array([a.glide_variance for a in answers]) + (glides - glide) ** 2))
    carriers = np.array([band.carrier_hz for band in bands])
    return Settled(
        carriers + mean / (2.0 * math.pi), np.sqrt(variance) / (2.0 * math.pi), glide, math.sqrt(glide_variance)
    )


@dataclass(frozen=True)
class _Row:
    """A partial's phase against time since the pluck, with a weight (1 / variance) a value."""

    times: Samples
    phase: Samples
    weight: Samples
    share: float  # independent values a value

    def reweighted(self, residual: Samples) -> _Row:
        """The same with the scatter its residual shows, counted by how long that residual remembers itself."""
        scatter = float(np.average(residual**2, weights=self.weight))
        floor = 1.0 / np.maximum(self.weight, 1e-30) * self.share
        lag = _memory(residual)
        independent = min(self.share, 1.0 / lag)
        return _Row(self.times, self.phase, independent / (floor + scatter), independent)


def _memory(residual: Samples) -> float:
    """Values over which a residual stays alike: 1 + 2 times the sum of its autocorrelation up to the first negative."""
    centred = residual - residual.mean()
    power = float(centred @ centred)
    if power <= 0.0 or len(centred) < 8:
        return 1.0
    size = 1 << (2 * len(centred)).bit_length()
    correlation = np.fft.irfft(np.abs(np.fft.rfft(centred, size)) ** 2, size)[: len(centred) // 2] / power
    below = np.flatnonzero(correlation <= 0.0)
    until = int(below[0]) if len(below) else len(correlation)
    return float(max(1.0, 1.0 + 2.0 * correlation[1:until].sum()))


def _weighted(band: Baseband, pluck_s: float, noise_power: float) -> _Row:
    power = np.abs(band.values) ** 2
    noise = max(noise_power * band.noise_gain, 1e-8 * float(power.max()))
    share = min(1.0, band.step_s / band.memory_s)
    variance = noise / (2.0 * np.maximum(power, 1e-30))
    return _Row(band.times_s - pluck_s, unwrapped_phase(band.values), share / variance, share)


@dataclass(frozen=True)
class _Answer:
    slopes: Samples
    slope_variances: Samples
    glide: float
    glide_variance: float
    misfit: float
    residuals: list[Samples]


def _with_glide(rows: Sequence[_Row], bands: Sequence[Baseband], tau: float) -> _Answer:
    """Least squares for one tau: a phase and a slope a partial, one glide for all."""
    size = 2 * len(rows) + 1
    normal, right = np.zeros((size, size)), np.zeros(size)
    columns: list[Samples] = []
    for i, (row, band) in enumerate(zip(rows, bands, strict=True)):
        bend = 2.0 * math.pi * band.carrier_hz / CENTS * tau / 2.0 * -np.expm1(-2.0 * row.times / tau)
        block = np.stack((np.ones_like(row.times), row.times, bend), axis=1)
        columns.append(block)
        weighted = block * row.weight[:, None]
        at = np.array([2 * i, 2 * i + 1, size - 1])
        normal[np.ix_(at, at)] += block.T @ weighted
        right[at] += weighted.T @ row.phase
    normal[-1, -1] += 1.0 / _GLIDE_PRIOR_CENTS**2
    scale = 1.0 / np.sqrt(np.diag(normal))
    inverse = np.linalg.pinv(normal * np.outer(scale, scale), hermitian=True) * np.outer(scale, scale)
    theta = inverse @ right
    misfit = float(theta[-1] ** 2) / _GLIDE_PRIOR_CENTS**2
    residuals = []
    for i, (row, block) in enumerate(zip(rows, columns, strict=True)):
        residual = row.phase - block @ theta[[2 * i, 2 * i + 1, size - 1]]
        misfit += float(np.sum(row.weight * residual**2))
        residuals.append(residual)
    # A falling glide only: a string never rises to its pitch. The wrong sign is beating or noise, and says no glide.
    if theta[-1] < 0.0:
        without = inverse[:-1, -1] / inverse[-1, -1]
        held = theta[:-1] - without * theta[-1]
        misfit += float(theta[-1] ** 2 / inverse[-1, -1])
        return _Answer(held[1::2], np.diag(inverse)[1:-1:2], 0.0, float(inverse[-1, -1]), misfit, residuals)
    return _Answer(theta[1:-1:2], np.diag(inverse)[1:-1:2], float(theta[-1]), float(inverse[-1, -1]), misfit, residuals)
