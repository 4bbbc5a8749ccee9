"""The settled pitch of the first partial: the glide gone, two polarisations resolved where the note shows them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oscservice.hearing.baseband import Baseband, fading, unwrapped_phase
from oscservice.hearing.beat import FASTEST_CENTS, second_starts
from oscservice.hearing.least import fit_tone
from oscservice.hearing.resample import Samples
from oscservice.hearing.tone import Beforehand, Glide, Line, Tone, averaged, bend_of
from oscservice.instrument.pitch import CENTS_PER_E

_BEATS = (0.25, 0.5, 0.8, 1.2, 1.7, 2.4, 3.3, 4.5, 6.0, 8.0)  # beats within the note that a search starts from
_BELIEVED = (10.0, 100.0)
"""A fit that leaves this many times the noise's power is wholly believed, and not at all. Synthetic strings come out at
1 to 8; on recorded ones (hands, bodies, neighbours) even two polarisations leave hundreds and more."""

RUN_AWAY = 0.06
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


def settled_first(
    band: Baseband, glide: Glide, decay_s: float, noise_power: float, lines: Sequence[Line] = ()
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
    beforehand = Beforehand(
        decay=(math.inf, math.inf, _CURVED / decay_s**2),
        second=(_SHARE_SD, 0.5 / decay_s, 2.0 * math.pi * band.carrier_hz * _SPLIT_SD_CENTS / CENTS_PER_E),
    )
    single = fit_tone(band, times, Tone(fading(band, times), _start(glide, band, weight)), glide, lines, beforehand)
    fits = [single]
    length_s = float(times[-1] - times[0])
    fastest = length_s * band.carrier_hz * FASTEST_CENTS / CENTS_PER_E
    rates = [2j * math.pi * sign * beats / length_s for beats in _BEATS if beats < fastest for sign in (-1.0, 1.0)]
    if len(times) >= 24 and rates:
        for start in second_starts(band, times, glide, single, rates):
            fits.append(fit_tone(band, times, start, glide, lines, beforehand, steps=_FIRST_STEPS))
    # Once more, every value counted for what the best fit's residual says it is worth.
    closest = min(fits, key=lambda fit: fit.power)
    fits = [fit for fit in fits if fit.second is None or fit.power < _HOPELESS * closest.power]
    fits = [fit_tone(band, times, fit, glide, lines, beforehand, closest.independent) for fit in fits]
    evidence, slopes, variances = zip(*((fit.evidence, _slope(fit), _variance(fit)) for fit in fits), strict=True)
    mean, variance = averaged(evidence, slopes, variances)
    winner = min(fits, key=lambda fit: fit.evidence)
    if not (math.isfinite(variance) and abs(mean) < 2.0 * math.pi * RUN_AWAY * band.carrier_hz):
        return FirstPartial(band.carrier_hz, 0.0, 0.0, 0.0)
    hz = band.carrier_hz + mean / (2.0 * math.pi)
    return FirstPartial(
        hz,
        CENTS_PER_E * math.sqrt(variance) / (2.0 * math.pi * hz),
        0.0 if winner.second is None else CENTS_PER_E * winner.second[1].imag / (2.0 * math.pi * hz),
        _belief(winner.power / max(noise_power * band.noise_gain, 1e-30)),
    )


def _belief(left: float) -> float:
    """How far a fit is believed that leaves ``left`` times the power of the noise."""
    whole, none = _BELIEVED
    return min(1.0, max(0.0, math.log(none / max(left, 1e-9)) / math.log(none / whole)))


def _start(glide: Glide, band: Baseband, weight: Samples) -> Samples:
    """Phase and slope by least squares for the likeliest glide."""
    bend, _ = bend_of(glide.times_s, glide.carrier_hz, float(glide.mean[1]))
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
