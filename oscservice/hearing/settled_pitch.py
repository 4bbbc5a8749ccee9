"""The settled pitch of a note: the glide that its partials share, and the frequency of each partial after it.

``settled_pitch`` fits one glide to the phases of all partials. ``settled_first_partial`` then fits the first partial
alone, with one and with two polarisations.

Phases are in radians, times in seconds from the pluck; a glide is in cents above the settled pitch; standard errors are
1 sd.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from oscservice.hearing.baseband import Baseband, correlation_length, log_amplitude_fit, unwrapped_phase
from oscservice.hearing.least_squares import inverse
from oscservice.hearing.phase_model import GlidePhase, glide_phase, glide_phase_and_derivative
from oscservice.hearing.resampling import Samples
from oscservice.hearing.tone_fit import (
    WIDEST_SPLIT_CENTS,
    Line,
    Tone,
    TonePrior,
    fit_tone,
    model_average,
    second_polarisation_starts,
)
from oscservice.instrument.pitch import CENTS_PER_E

_TAU_RANGE_S = (0.1, 12.0)

_LOG_TAU_SD = 0.3
"""ln of the glide's time constant over the sound's decay time, 1 sd. Chosen on recorded notes: with a smaller or larger
value two takes of one note agree less well."""

_LOG_TAU_STEPS = (-2.0, -1.0, 0.0, 1.0, 2.0)

_GLIDE_PRIOR_CENTS = 10.0
"""Glide at the pluck, 1 sd: a hard pluck of the open low E was 16 cents sharp."""

_BEYOND_CENTS = 0.4
_BEYOND_SHARE = 0.5
"""Glide left when the note ends, 1 sd: in cents, and as a share of the glide prior that is left at that time. It keeps
the fit from extrapolating a large glide that never sounded. A short note ends in the middle of its glide."""


_BEATS = (0.25, 0.5, 0.8, 1.2, 1.7, 2.4, 3.3, 4.5, 6.0, 8.0)  # beats within the note that a search starts from
_TRUSTED_RATIO = (10.0, 100.0)
"""Residual power over noise power at which a fit has full confidence, and none. Synthetic strings give 1 to 8; recorded
ones (with hand, body and other strings) give hundreds and more even with two polarisations."""

LARGEST_SHIFT = 0.06
"""A semitone. A fitted frequency that is further from the peak of the spectrum is not the partial's."""

_CURVED = 0.01  # curvature of the log amplitude over decay_s^-2, 1 sd: a polarisation decays nearly exponentially
_FIRST_STEPS = 30
_HOPELESS = 30.0  # a start is given up when its residual power is this many times the best after the first steps

_SHARE_SD = 0.4  # amplitude of the second polarisation over the first, 1 sd
_SPLIT_SD_CENTS = 1.2  # distance of the two polarisations, 1 sd


@dataclass(frozen=True)
class SettledPartials:
    """Settled frequencies of several partials, and the glide that they share.

    Attributes
    ----------
    hz : ndarray of float64, shape (partials,)
        Settled frequency of each partial.
    se_hz : ndarray of float64, shape (partials,)
        Standard errors.
    glide_cents : float
        Glide at the pluck; it falls as exp(-2 t / tau_s).
    tau_s : float
        Time constant of the amplitude that goes with the glide.
    decay_s : float
        Time constant of the amplitude of the sound.
    glide_covariance : ndarray of float64, shape (2, 2)
        Covariance of the glide (cents) and ln tau.
    """

    hz: Samples
    se_hz: Samples
    glide_cents: float
    tau_s: float
    decay_s: float
    glide_covariance: Samples

    def glide_at_cents(self, time_s: float) -> float:
        """Return the glide left at a time after the pluck, in cents."""
        return self.glide_cents * math.exp(-2.0 * time_s / self.tau_s)


def settled_pitch(bands: Sequence[Baseband], noise_power: float) -> SettledPartials:
    """Return the settled frequency of each partial, by one glide in cents fitted to the phases of all of them.

    A string's tension, and with it every partial, falls as the vibration decays: the mean stretch is proportional to
    the square of the amplitude. So the glide is modelled as exp(-2 t / tau) with tau near the decay time of the sound.
    Glide, tau, phases and frequencies are fitted together by Gauss-Newton steps on the unwrapped phases. The standard
    errors include what is not known of glide and tau, for example when the note is too short to show them.
    Source: K. A. Legge and N. H. Fletcher, J. Acoust. Soc. Am. 76 (1984) 5, from memory.

    Parameters
    ----------
    bands : Sequence[Baseband]
        One baseband for each partial, the first partial first, cut to the window to use; time 0 is the pluck.
    noise_power : float
        Mean square of the noise in the signal.

    Returns
    -------
    SettledPartials
        The settled frequencies and the glide.
    """
    tracks = [_phase_track(band, noise_power) for band in bands]
    decay_s = _decay_of(bands)
    fit = _fit_glide(tracks, bands, decay_s)
    for _ in range(2):  # twice more, with each partial's own scatter (such as beating) in its weight
        tracks = [track.reweighted(residual) for track, residual in zip(tracks, fit.residuals, strict=True)]
        fit = _fit_glide(tracks, bands, decay_s, fit.tau)
    carriers = np.array([band.carrier_hz for band in bands])
    return SettledPartials(
        carriers + fit.slopes / (2.0 * math.pi),
        np.sqrt(fit.slope_variances) / (2.0 * math.pi),
        fit.glide,
        fit.tau,
        decay_s,
        fit.glide_covariance,
    )


def _decay_of(bands: Sequence[Baseband]) -> float:
    """Return the time constant of the amplitude in seconds, from the power of all partials; loud parts weigh more."""
    times = max((band.times_s for band in bands), key=len)
    power = np.zeros(len(times))
    for band in bands:
        power[: len(band.values)] += np.abs(band.values) ** 2
    top = float(power.max())
    slope = np.polyfit(times, np.log(np.maximum(power, 1e-12 * top)), 1, w=np.sqrt(power / top))[0]
    return float(np.clip(-2.0 / min(float(slope), -0.05), *_TAU_RANGE_S))


def _fit_glide(
    tracks: Sequence[_PhaseTrack], bands: Sequence[Baseband], decay_s: float, start_s: float | None = None
) -> _GlideFit:
    """Return the fit with the best tau, by Gauss-Newton steps of ln tau.

    The steps start at ``start_s``, or at the best of a few values around ``decay_s``.
    """
    tried = [decay_s * math.exp(_LOG_TAU_SD * step) for step in _LOG_TAU_STEPS] if start_s is None else [start_s]
    best = min((_fit_at_tau(tracks, bands, tau, decay_s) for tau in tried), key=lambda fit: fit.misfit)
    for moves in range(6):
        if best.glide <= 0.0:
            break
        free = _fit_at_tau(tracks, bands, best.tau, decay_s, best.glide)
        moved = _fit_at_tau(tracks, bands, best.tau * math.exp(max(-0.5, min(0.5, free.log_tau_step))), decay_s)
        if moves == 5 or moved.misfit > best.misfit - 1e-6:
            # With tau free the variances include the error of tau.
            return replace(best, slope_variances=free.slope_variances, glide_covariance=free.glide_covariance)
        best = moved
    return best


@dataclass(frozen=True)
class _PhaseTrack:
    """The unwrapped phase of one partial.

    Attributes
    ----------
    times : ndarray of float64, shape (n,)
        Seconds since the pluck.
    phase : ndarray of float64, shape (n,)
        Radians.
    weight : ndarray of float64, shape (n,)
        Inverse variance of each value.
    share : float
        Number of independent values over the number of values.
    """

    times: Samples
    phase: Samples
    weight: Samples
    share: float

    def reweighted(self, residual: Samples) -> _PhaseTrack:
        """Return the track with weights by the scatter and the correlation length of its residual, shape (n,)."""
        scatter = float(np.average(residual**2, weights=self.weight))
        floor = 1.0 / np.maximum(self.weight, 1e-30) * self.share
        lag = correlation_length(residual - residual.mean())
        independent = min(self.share, 1.0 / lag)
        # The fit took four degrees of freedom out of the slow part of the residual: scale up what is left.
        pieces = len(residual) / lag
        scatter *= pieces / max(1.0, pieces - 4.0)
        return _PhaseTrack(self.times, self.phase, independent / (floor + scatter), independent)


def _phase_track(band: Baseband, noise_power: float) -> _PhaseTrack:
    """Return a partial's phase, weighted by its power over the noise."""
    power = np.abs(band.values) ** 2
    noise = max(noise_power * band.noise_gain, 1e-8 * float(power.max()))
    share = min(1.0, band.step_s / band.memory_s)
    variance = noise / (2.0 * np.maximum(power, 1e-30))
    return _PhaseTrack(band.times_s, unwrapped_phase(band.values), share / variance, share)


@dataclass(frozen=True)
class _GlideFit:
    """Least squares of one glide for all partials.

    Attributes
    ----------
    slopes, slope_variances : ndarray of float64, shape (partials,)
        Settled slope of each partial's phase over its carrier, rad/s.
    glide : float
        Glide at the pluck, cents.
    glide_covariance : ndarray of float64, shape (2, 2)
        Of the glide and ln tau.
    tau : float
        Seconds.
    log_tau_step : float
        Step of ln tau toward a better fit; 0 where tau was held.
    misfit : float
        -2 log of the posterior up to a constant.
    residuals : list[Samples]
        Of each partial's phase, radians; each shape (n,).
    """

    slopes: Samples
    slope_variances: Samples
    glide: float
    glide_covariance: Samples
    tau: float
    log_tau_step: float
    misfit: float
    residuals: list[Samples]


def _fit_at_tau(
    tracks: Sequence[_PhaseTrack],
    bands: Sequence[Baseband],
    tau: float,
    decay_s: float,
    glide_for_tau: float | None = None,
) -> _GlideFit:
    """Return the least squares for one tau: a phase and a slope for each partial, and one glide for all.

    The prior of ln tau is centred on ``decay_s``. With ``glide_for_tau``, the glide that a change of tau acts on, a
    step of ln tau is one more unknown.
    """
    shared = 1 if glide_for_tau is None else 2
    size = 2 * len(tracks) + shared
    normal, right = np.zeros((size, size)), np.zeros(size)
    columns: list[Samples] = []
    log_tau = math.log(tau)
    for i, (track, band) in enumerate(zip(tracks, bands, strict=True)):
        block = np.empty((len(track.times), 2 + shared))
        block[:, 0], block[:, 1] = 1.0, track.times
        if glide_for_tau is None:
            block[:, 2] = glide_phase(track.times, band.carrier_hz, log_tau)
        else:
            block[:, 2], by_log_tau = glide_phase_and_derivative(track.times, band.carrier_hz, log_tau)
            block[:, 3] = glide_for_tau * by_log_tau
        weighted = block * track.weight[:, None]
        gram, slope, own = block.T @ weighted, weighted.T @ track.phase, slice(2 * i, 2 * i + 2)
        normal[own, own] += gram[:2, :2]
        normal[own, -shared:] += gram[:2, 2:]
        normal[-shared:, own] += gram[2:, :2]
        normal[-shared:, -shared:] += gram[2:, 2:]
        right[own] += slope[:2]
        right[-shared:] += slope[2:]
        columns.append(block)
    normal[2 * len(tracks), 2 * len(tracks)] += 1.0 / _GLIDE_PRIOR_CENTS**2
    end_s = max(float(track.times[-1]) for track in tracks)
    left = math.exp(-2.0 * end_s / tau)
    beyond = np.array([left, (glide_for_tau or 0.0) * left * 2.0 * end_s / tau][:shared])
    allowed = math.hypot(_BEYOND_CENTS, _BEYOND_SHARE * _GLIDE_PRIOR_CENTS * left)
    normal[-shared:, -shared:] += np.outer(beyond, beyond) / allowed**2
    if glide_for_tau is not None:
        normal[-1, -1] += 1.0 / _LOG_TAU_SD**2
        right[-1] -= math.log(tau / decay_s) / _LOG_TAU_SD**2
    covariances = inverse(normal, 1e-15)
    theta = covariances @ right
    at_glide = 2 * len(tracks)
    if theta[at_glide] < 0.0:
        # A string never rises to its pitch: a negative glide is beating or noise, so it is set to 0.
        theta = theta - covariances[:, at_glide] / covariances[at_glide, at_glide] * theta[at_glide]
        theta[at_glide] = 0.0
    residuals = [
        track.phase - block @ np.concatenate((theta[2 * i : 2 * i + 2], theta[-shared:]))
        for i, (track, block) in enumerate(zip(tracks, columns, strict=True))
    ]
    misfit = float(theta[at_glide] ** 2) * (_GLIDE_PRIOR_CENTS**-2 + (left / allowed) ** 2)
    misfit += (math.log(tau / decay_s) / _LOG_TAU_SD) ** 2
    misfit += sum(float(np.sum(track.weight * r**2)) for track, r in zip(tracks, residuals, strict=True))
    variances = np.diag(covariances)
    covariance = np.diag([variances[at_glide], _LOG_TAU_SD**2])
    if glide_for_tau is not None:
        covariance = covariances[at_glide:, at_glide:]
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


@dataclass(frozen=True)
class FirstPartial:
    """Settled frequency of the first partial by its own fit.

    Attributes
    ----------
    hz : float
        Settled frequency of the polarisation that is stronger at the pluck.
    se_cents : float
        Standard error (1 sd).
    beat_cents : float
        Second polarisation from the first, + above; 0 when one explains the note.
    confidence : float
        0 to 1; 1 when the model leaves hardly more than noise.
    """

    hz: float
    se_cents: float
    beat_cents: float
    confidence: float


def settled_first_partial(
    band: Baseband, glide: GlidePhase, decay_s: float, noise_power: float, lines: Sequence[Line] = ()
) -> FirstPartial:
    """Return the settled frequency of the first partial: fits with one and two polarisations, averaged by evidence.

    Parameters
    ----------
    band : Baseband
        The first partial, times in seconds from the pluck, cut to the window to use.
    glide : GlidePhase
        The phase model; its prior is the glide of the other partials.
    decay_s : float
        Time constant of the amplitude of the whole sound.
    noise_power : float
        Mean square of the noise in the signal.
    lines : Sequence[Line], optional
        Hum and other strings within the low-pass.

    Returns
    -------
    FirstPartial
        The first partial; with a confidence of 0 when no fit is usable.
    """
    times = band.times_s
    weight = np.abs(band.values)
    prior = TonePrior(
        decay=(math.inf, math.inf, _CURVED / decay_s**2),
        second=(_SHARE_SD, 0.5 / decay_s, 2.0 * math.pi * band.carrier_hz * _SPLIT_SD_CENTS / CENTS_PER_E),
    )
    single = fit_tone(
        band, times, Tone(log_amplitude_fit(band, times), _start(glide, band, weight)), glide, lines, prior
    )
    fits = [single]
    length_s = float(times[-1] - times[0])
    fastest = length_s * band.carrier_hz * WIDEST_SPLIT_CENTS / CENTS_PER_E
    rates = [2j * math.pi * sign * beats / length_s for beats in _BEATS if beats < fastest for sign in (-1.0, 1.0)]
    if len(times) >= 24 and rates:
        for start in second_polarisation_starts(band, times, glide, single, rates):
            fits.append(fit_tone(band, times, start, glide, lines, prior, steps=_FIRST_STEPS))
    # Once more, with the number of independent values that the best fit's residual shows.
    closest = min(fits, key=lambda fit: fit.power)
    fits = [fit for fit in fits if fit.second is None or fit.power < _HOPELESS * closest.power]
    fits = [fit_tone(band, times, fit, glide, lines, prior, closest.independent) for fit in fits]
    evidence, slopes, variances = zip(
        *((fit.evidence, _settled_slope(fit), _settled_slope_variance(fit)) for fit in fits), strict=True
    )
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


def _confidence(ratio: float) -> float:
    """Return the confidence in a fit, 0 to 1, whose residual has ``ratio`` times the power of the noise."""
    full, none = _TRUSTED_RATIO
    return min(1.0, max(0.0, math.log(none / max(ratio, 1e-9)) / math.log(none / full)))


def _start(glide: GlidePhase, band: Baseband, weight: Samples) -> Samples:
    """Return start parameters: the prior mean of the glide, and phase and slope by least squares."""
    per_cent, _ = glide_phase_and_derivative(glide.times_s, glide.carrier_hz, float(glide.mean[1]))
    straight = unwrapped_phase(band.values) - glide.mean[0] * per_cent
    start, slope = np.polynomial.polynomial.polyfit(glide.times_s, straight, 1, w=weight)
    return np.array([start, slope, *glide.mean])


def _stronger_is_second(tone: Tone) -> bool:
    return tone.second is not None and abs(tone.second[0]) > 1.0


def _settled_slope(tone: Tone) -> float:
    """Return the settled slope of the stronger polarisation's phase, rad/s over the carrier."""
    slope = float(tone.phase[1])
    if tone.second is not None and _stronger_is_second(tone):
        slope += tone.second[1].imag
    return slope


def _settled_slope_variance(tone: Tone) -> float:
    """Return the variance of ``_settled_slope``."""
    gradient = np.zeros(len(tone.covariance))
    gradient[len(tone.decay) + 1] = 1.0
    if _stronger_is_second(tone):
        gradient[-1] = 1.0
    return float(gradient @ tone.covariance @ gradient)
