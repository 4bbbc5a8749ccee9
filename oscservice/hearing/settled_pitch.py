"""The settled pitch of a note: the glide its partials share, and where its first partial comes to rest.

The glide that all partials of a note share, and where each of them settles.

Phases are in radians, times in seconds from the pluck unless said otherwise; a glide is in cents above the settled
pitch. Standard errors are one standard deviation.

The settled pitch of the first partial: the glide gone, two polarisations resolved where the note shows them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from oscservice.hearing.baseband import Baseband, correlation_length, log_amplitude_fit, unwrapped_phase
from oscservice.hearing.resampling import Samples
from oscservice.hearing.tone_fit import (
    WIDEST_SPLIT_CENTS,
    GlidePhase,
    Line,
    Tone,
    TonePrior,
    fit_tone,
    glide_phase,
    glide_phase_and_derivative,
    model_average,
    second_polarisation_starts,
)
from oscservice.instrument.pitch import CENTS_PER_E

_TAU_RANGE_S = (0.1, 12.0)

_LOG_TAU_SD = 0.3
"""How far the glide's time constant may lie from the sound's own decay, 1 sd of its logarithm. Set on recorded notes:
tighter or looser, two takes of one pluck agree less well."""

_LOG_TAU_STEPS = (-2.0, -1.0, 0.0, 1.0, 2.0)

_GLIDE_PRIOR_CENTS = 10.0
"""How far above its settled pitch a string may start, one sd: a hard pluck of the open low E stood 16 cents sharp."""


_BEYOND_CENTS = 0.4
"""How much glide may be left when a long note ends, one sd: what never sounded is not claimed on a curve's word alone.
A short note ends in the middle of its glide: there it may be a good share of the whole."""
_BEYOND_SHARE = 0.5


@dataclass(frozen=True)
class SettledPartials:
    """Where partials come to rest once the glide has gone.

    ``hz`` and ``se_hz`` have one entry a partial; ``glide_cents`` is the glide at time 0 (the pluck), shared by all
    partials in cents; it falls as exp(-2 t / ``tau_s``).
    """

    hz: Samples
    se_hz: Samples
    glide_cents: float
    tau_s: float
    decay_s: float
    glide_covariance: Samples
    """Covariance of the glide (cents) and ln tau, shape (2, 2)."""

    def glide_at_cents(self, time_s: float) -> float:
        """Glide left at a time after the pluck."""
        return self.glide_cents * math.exp(-2.0 * time_s / self.tau_s)


def settled_pitch(bands: Sequence[Baseband], noise_power: float) -> SettledPartials:
    """Fit one glide, shared by all partials in cents, to their phases; the rest is each partial's settled frequency.

    A string's tension, and with it every partial, falls as its vibration dies: the mean stretch goes with the square of
    the amplitude (Legge & Fletcher, J. Acoust. Soc. Am. 76 (1984) 5, cited from memory), so the glide is taken as
    exp(-2 t / tau) with tau near the sound's own decay. Size and tau are fitted together with the partials' phases and
    frequencies by Gauss-Newton on the unwrapped phases. A glide that the note is too short to show costs what it
    should: the standard errors carry what size and tau leave open.

    Args:
        bands: one baseband a partial, the first partial first, cut to the window wanted; time 0 is the pluck.
        noise_power: power of the signal's noise, in squared amplitude.
    """
    rows = [_phase_track(band, noise_power) for band in bands]
    decay_s = _decay_of(bands)
    answer = _fit_glide(rows, bands, decay_s)
    for _ in range(2):  # twice: the second time with each partial's own scatter (beating, straying) in its weight
        rows = [row.reweighted(residual) for row, residual in zip(rows, answer.residuals, strict=True)]
        answer = _fit_glide(rows, bands, decay_s, answer.tau)
    carriers = np.array([band.carrier_hz for band in bands])
    return SettledPartials(
        carriers + answer.slopes / (2.0 * math.pi),
        np.sqrt(answer.slope_variances) / (2.0 * math.pi),
        answer.glide,
        answer.tau,
        decay_s,
        answer.glide_covariance,
    )


def _decay_of(bands: Sequence[Baseband]) -> float:
    """Time constant in seconds of the amplitude's decay, from the power of all partials together, loud parts first."""
    times = max((band.times_s for band in bands), key=len)
    power = np.zeros(len(times))
    for band in bands:
        power[: len(band.values)] += np.abs(band.values) ** 2
    top = float(power.max())
    slope = np.polyfit(times, np.log(np.maximum(power, 1e-12 * top)), 1, w=np.sqrt(power / top))[0]
    return float(np.clip(-2.0 / min(float(slope), -0.05), *_TAU_RANGE_S))


def _fit_glide(
    rows: Sequence[_PhaseTrack], bands: Sequence[Baseband], decay_s: float, start_s: float | None = None
) -> _GlideFit:
    """The likeliest tau, by Gauss-Newton on its logarithm from ``start_s`` or the best of a few around ``decay_s``."""
    tried = [decay_s * math.exp(_LOG_TAU_SD * step) for step in _LOG_TAU_STEPS] if start_s is None else [start_s]
    best = min((_fit_at_tau(rows, bands, tau, decay_s) for tau in tried), key=lambda answer: answer.misfit)
    for _ in range(5):
        if best.glide <= 0.0:
            return best
        step = _fit_at_tau(rows, bands, best.tau, decay_s, best.glide).log_tau_step
        moved = _fit_at_tau(rows, bands, best.tau * math.exp(max(-0.5, min(0.5, step))), decay_s)
        if moved.misfit > best.misfit - 1e-6:
            break
        best = moved
    # Once more with tau free, for variances that know it is not known.
    free = _fit_at_tau(rows, bands, best.tau, decay_s, best.glide) if best.glide > 0.0 else best
    return replace(best, slope_variances=free.slope_variances, glide_covariance=free.glide_covariance)


@dataclass(frozen=True)
class _PhaseTrack:
    """A partial's phase against time since the pluck, with a weight (1 / variance) a value."""

    times: Samples
    phase: Samples
    weight: Samples
    share: float  # independent values a value

    def reweighted(self, residual: Samples) -> _PhaseTrack:
        """The same with the scatter its residual shows, counted by how long that residual remembers itself."""
        scatter = float(np.average(residual**2, weights=self.weight))
        floor = 1.0 / np.maximum(self.weight, 1e-30) * self.share
        lag = correlation_length(residual - residual.mean())
        independent = min(self.share, 1.0 / lag)
        # The fit has taken four degrees of freedom out of the slow part of the residual: what is left is too small.
        pieces = len(residual) / lag
        scatter *= pieces / max(1.0, pieces - 4.0)
        return _PhaseTrack(self.times, self.phase, independent / (floor + scatter), independent)


def _phase_track(band: Baseband, noise_power: float) -> _PhaseTrack:
    power = np.abs(band.values) ** 2
    noise = max(noise_power * band.noise_gain, 1e-8 * float(power.max()))
    share = min(1.0, band.step_s / band.memory_s)
    variance = noise / (2.0 * np.maximum(power, 1e-30))
    return _PhaseTrack(band.times_s, unwrapped_phase(band.values), share / variance, share)


@dataclass(frozen=True)
class _GlideFit:
    slopes: Samples
    slope_variances: Samples
    glide: float
    glide_covariance: Samples
    tau: float
    log_tau_step: float
    misfit: float
    residuals: list[Samples]


def _fit_at_tau(
    rows: Sequence[_PhaseTrack],
    bands: Sequence[Baseband],
    tau: float,
    decay_s: float,
    glide_for_tau: float | None = None,
) -> _GlideFit:
    """Least squares for one tau: a phase and a slope a partial, one glide for all; tau is likeliest at ``decay_s``.

    With ``glide_for_tau`` (the glide that tau's own change acts on) the logarithm of tau is one more unknown.
    """
    shared = 1 if glide_for_tau is None else 2
    size = 2 * len(rows) + shared
    normal, right = np.zeros((size, size)), np.zeros(size)
    columns: list[Samples] = []
    places: list[npt.NDArray[np.int64]] = []
    log_tau = math.log(tau)
    for i, (row, band) in enumerate(zip(rows, bands, strict=True)):
        block = np.empty((len(row.times), 2 + shared))
        block[:, 0], block[:, 1] = 1.0, row.times
        if glide_for_tau is None:
            block[:, 2] = glide_phase(row.times, band.carrier_hz, log_tau)
        else:
            block[:, 2], by_log_tau = glide_phase_and_derivative(row.times, band.carrier_hz, log_tau)
            block[:, 3] = glide_for_tau * by_log_tau
        weighted = block * row.weight[:, None]
        at = np.array([2 * i, 2 * i + 1, *range(size - shared, size)])
        normal[at[:, None], at] += block.T @ weighted
        right[at] += weighted.T @ row.phase
        columns.append(block)
        places.append(at)
    normal[2 * len(rows), 2 * len(rows)] += 1.0 / _GLIDE_PRIOR_CENTS**2
    end_s = max(float(row.times[-1]) for row in rows)
    left = math.exp(-2.0 * end_s / tau)
    beyond = np.array([left, (glide_for_tau or 0.0) * left * 2.0 * end_s / tau][:shared])
    allowed = math.hypot(_BEYOND_CENTS, _BEYOND_SHARE * _GLIDE_PRIOR_CENTS * left)
    normal[-shared:, -shared:] += np.outer(beyond, beyond) / allowed**2
    if glide_for_tau is not None:
        normal[-1, -1] += 1.0 / _LOG_TAU_SD**2
        right[-1] -= math.log(tau / decay_s) / _LOG_TAU_SD**2
    unit = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    inverse = np.linalg.pinv(normal * np.outer(unit, unit), hermitian=True) * np.outer(unit, unit)
    theta = inverse @ right
    at_glide = 2 * len(rows)
    if theta[at_glide] < 0.0:
        # A falling glide only: a string never rises to its pitch. The wrong sign is beating or noise: no glide.
        theta = theta - inverse[:, at_glide] / inverse[at_glide, at_glide] * theta[at_glide]
        theta[at_glide] = 0.0
    residuals = [row.phase - block @ theta[at] for row, block, at in zip(rows, columns, places, strict=True)]
    misfit = float(theta[at_glide] ** 2) * (_GLIDE_PRIOR_CENTS**-2 + (left / allowed) ** 2)
    misfit += (math.log(tau / decay_s) / _LOG_TAU_SD) ** 2
    misfit += sum(float(np.sum(row.weight * r**2)) for row, r in zip(rows, residuals, strict=True))
    variances = np.diag(inverse)
    covariance = np.diag([variances[at_glide], _LOG_TAU_SD**2])
    if glide_for_tau is not None:
        covariance = inverse[at_glide:, at_glide:]
    return _GlideFit(
        theta[1:at_glide:2],
        variances[1:at_glide:2],
        float(theta[at_glide]),
        covariance,
        tau,
        float(theta[-1]) if glide_for_tau is not None else 0.0,
        misfit,
        residuals,
    )


_BEATS = (0.25, 0.5, 0.8, 1.2, 1.7, 2.4, 3.3, 4.5, 6.0, 8.0)  # beats within the note that a search starts from
_TRUSTED_RATIO = (10.0, 100.0)
"""A fit that leaves this many times the noise's power is wholly believed, and not at all. Synthetic strings come out at
1 to 8; on recorded ones (hands, bodies, neighbours) even two polarisations leave hundreds and more."""

LARGEST_SHIFT = 0.06
"""A semitone: a frequency fitted so far from the spectrum's peak that it began at is of no partial."""

_CURVED = 0.01  # each polarisation dies exponentially, or nearly so
_FIRST_STEPS = 30
_HOPELESS = 30.0  # a start that after its first steps leaves so many times more than the best is given up

_SHARE_SD = 0.4
_SPLIT_SD_CENTS = 1.2


@dataclass(frozen=True)
class FirstPartial:
    """Where the first partial comes to rest.

    Attributes:
        hz: of the stronger polarisation at the pluck.
        se_cents: 1 sd.
        beat_cents: how far the second polarisation stands from the first, 0 when one explains the note.
        belief: 0 to 1, whether the model is the note: 1 when it leaves hardly more than noise.
    """

    hz: float
    se_cents: float
    beat_cents: float
    belief: float


def settled_first_partial(
    band: Baseband, glide: GlidePhase, decay_s: float, noise_power: float, lines: Sequence[Line] = ()
) -> FirstPartial:
    """Fit the first partial's baseband with one and with two polarisations, and average by their evidence.

    Args:
        band: the first partial, times in seconds from the pluck, cut to the stretch to be used.
        glide: the phase model with what the other partials say of the glide as its prior.
        decay_s: decay of the whole sound, seconds to 1/e of amplitude.
        noise_power: of the signal, in squared amplitude.
        lines: hum and neighbours within the low-pass.
    """
    times = band.times_s
    weight = np.abs(band.values)
    beforehand = TonePrior(
        decay=(math.inf, math.inf, _CURVED / decay_s**2),
        second=(_SHARE_SD, 0.5 / decay_s, 2.0 * math.pi * band.carrier_hz * _SPLIT_SD_CENTS / CENTS_PER_E),
    )
    single = fit_tone(
        band, times, Tone(log_amplitude_fit(band, times), _start(glide, band, weight)), glide, lines, beforehand
    )
    fits = [single]
    length_s = float(times[-1] - times[0])
    fastest = length_s * band.carrier_hz * WIDEST_SPLIT_CENTS / CENTS_PER_E
    rates = [2j * math.pi * sign * beats / length_s for beats in _BEATS if beats < fastest for sign in (-1.0, 1.0)]
    if len(times) >= 24 and rates:
        for start in second_polarisation_starts(band, times, glide, single, rates):
            fits.append(fit_tone(band, times, start, glide, lines, beforehand, steps=_FIRST_STEPS))
    # Once more, every value counted for what the best fit's residual says it is worth.
    closest = min(fits, key=lambda fit: fit.power)
    fits = [fit for fit in fits if fit.second is None or fit.power < _HOPELESS * closest.power]
    fits = [fit_tone(band, times, fit, glide, lines, beforehand, closest.independent) for fit in fits]
    evidence, slopes, variances = zip(*((fit.evidence, _slope(fit), _variance(fit)) for fit in fits), strict=True)
    mean, variance = model_average(evidence, slopes, variances)
    winner = min(fits, key=lambda fit: fit.evidence)
    if not (math.isfinite(variance) and abs(mean) < 2.0 * math.pi * LARGEST_SHIFT * band.carrier_hz):
        return FirstPartial(band.carrier_hz, 0.0, 0.0, 0.0)
    hz = band.carrier_hz + mean / (2.0 * math.pi)
    return FirstPartial(
        hz,
        CENTS_PER_E * math.sqrt(variance) / (2.0 * math.pi * hz),
        0.0 if winner.second is None else CENTS_PER_E * winner.second[1].imag / (2.0 * math.pi * hz),
        _confidence(winner.power / max(noise_power * band.noise_gain, 1e-30)),
    )


def _confidence(left: float) -> float:
    """How far a fit is believed that leaves ``left`` times the power of the noise."""
    whole, none = _TRUSTED_RATIO
    return min(1.0, max(0.0, math.log(none / max(left, 1e-9)) / math.log(none / whole)))


def _start(glide: GlidePhase, band: Baseband, weight: Samples) -> Samples:
    """Phase and slope by least squares for the likeliest glide."""
    bend, _ = glide_phase_and_derivative(glide.times_s, glide.carrier_hz, float(glide.mean[1]))
    straight = unwrapped_phase(band.values) - glide.mean[0] * bend
    start, slope = np.polynomial.polynomial.polyfit(glide.times_s, straight, 1, w=weight)
    return np.array([start, slope, *glide.mean])


def _stronger_is_second(tone: Tone) -> bool:
    return tone.second is not None and abs(tone.second[0]) > 1.0


def _slope(tone: Tone) -> float:
    """Settled slope of the stronger polarisation's phase, rad/s over the carrier."""
    slope = float(tone.phase[1])
    if tone.second is not None and _stronger_is_second(tone):
        slope += tone.second[1].imag
    return slope


def _variance(tone: Tone) -> float:
    gradient = np.zeros(len(tone.covariance))
    gradient[len(tone.decay) + 1] = 1.0
    if _stronger_is_second(tone):
        gradient[-1] = 1.0
    return float(gradient @ tone.covariance @ gradient)
