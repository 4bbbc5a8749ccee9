"""One partial at a time: demodulation to a slow complex signal.

A partial near ``carrier_hz`` is multiplied down to zero frequency and low-passed with a Hann window convolved with a
Hann window, each two or more whole periods of the fundamental long. The nulls of that filter fall on every multiple of
the fundamental, so the neighbouring partials vanish (twice over) while the partial's own glide and beating pass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import upfirdn

from oscservice.hearing.resampling import Samples

ComplexSamples = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class Baseband:
    """A partial's complex envelope.

    ``values[i]`` belongs to the time ``times_s[i]`` (seconds from the first sample of the signal); the momentary
    frequency is ``carrier_hz`` plus the slope of the phase over 2 pi. ``noise_gain`` is the share of the power of
    white noise in the signal that the low-pass leaves in ``values``; ``step_s`` the time between values, and
    ``memory_s`` the time over which neighbouring values share the same samples; ``taps`` the low-pass at ``rate_hz``.
    """

    carrier_hz: float
    times_s: Samples
    values: ComplexSamples
    step_s: float
    memory_s: float
    noise_gain: float
    taps: Samples
    rate_hz: float


_FEWEST = 40  # values that even a short signal is given, down to an eighth of the low-pass's half apart


def lowpass(period_samples: float, periods: int = 2) -> Samples:
    """Taps (sum 1) of the low-pass for a fundamental of that period: a Hann window of ``periods`` twice, convolved."""
    half = max(4, round(periods * period_samples))
    hann = np.hanning(half + 2)[1:-1]
    taps = np.convolve(hann, hann)
    return np.asarray(taps / taps.sum())


def lowpass_periods(fundamental_hz: float, length_s: float) -> int:
    """Periods in each half of a low-pass for a note read over ``length_s``: a sixtieth of it, or two periods if longer.

    High notes have periods to spare: a longer low-pass keeps more hum and noise out, and leaves fewer values to fit.
    """
    return max(2, round(min(0.012, length_s / 60.0) * fundamental_hz))


def first_null_hz(fundamental_hz: float, periods: int) -> float:
    """How far from its carrier a low-pass of that many periods lets anything through: to its first null."""
    return 2.0 * fundamental_hz / periods


def demodulate(signal: Samples, rate_hz: float, carrier_hz: float, fundamental_hz: float, periods: int = 2) -> Baseband:
    """Demodulate the partial near ``carrier_hz`` of a note on ``fundamental_hz``.

    Args:
        signal: shape (n,).
        rate_hz: its sample rate.
        periods: length of either half of the low-pass.

    Returns:
        The baseband, two values in ``periods`` (more from a short signal), ``periods`` short at either end. Empty when
        the signal is too short.
    """
    period = rate_hz / fundamental_hz
    taps = lowpass(period, periods)
    room = max(0, len(signal) - len(taps))
    step = max(1, round(min(period * periods / 2.0, max(room / _FEWEST, period * periods / 8.0))))
    turns = np.exp(-2j * np.pi * carrier_hz / rate_hz * np.arange(len(signal)))
    half = (len(taps) - 1) // 2
    # Only outputs whose whole filter lies inside the signal: index of the first, then every ``step``.
    count = max(0, (len(signal) - len(taps)) // step + 1)
    skip = (len(taps) - 1) % step
    full = upfirdn(taps, np.concatenate((np.zeros((step - skip) % step, dtype=complex), signal * turns)), 1, step)
    first = -(-(len(taps) - 1) // step)
    values: ComplexSamples = np.asarray(2.0 * full[first : first + count], dtype=np.complex128)
    times = (np.arange(count) * step + half) / rate_hz
    memory_s, noise_gain = len(taps) / rate_hz / 2.0, 4.0 * float(np.sum(taps**2))
    return Baseband(carrier_hz, times, values, step / rate_hz, memory_s, noise_gain, taps, rate_hz)


def lowpass_gain(band: Baseband, offset_hz: float) -> float:
    """What the low-pass leaves of a tone ``offset_hz`` away from the carrier, as a factor of its amplitude."""
    at = np.arange(len(band.taps)) - (len(band.taps) - 1) / 2.0
    return float(band.taps @ np.cos(2.0 * np.pi * offset_hz / band.rate_hz * at))


def mean_frequency(band: Baseband) -> tuple[float, float]:
    """Mean frequency of a short baseband and its standard error, both in Hz: the slope of its phase, loud values first.

    Raises:
        ValueError: fewer than three values.
    """
    if len(band.values) < 3:
        raise ValueError("too few values for a frequency")
    phase = unwrapped_phase(band.values)
    slope, start = np.polyfit(band.times_s, phase, 1, w=np.abs(band.values))
    residual = phase - slope * band.times_s - start
    spread = band.times_s - band.times_s.mean()
    alike = max(1.0, band.memory_s / band.step_s)  # neighbouring values share their samples
    variance = float(residual @ residual) / max(1, len(phase) - 2) * alike / float(spread @ spread)
    return band.carrier_hz + float(slope) / (2.0 * np.pi), float(np.sqrt(variance)) / (2.0 * np.pi)


def correlation_length(residual: npt.NDArray[np.inexact]) -> float:
    """Values over which a residual stays alike: 1 + 2 times the sum of its autocorrelation up to the first negative."""
    power = float(np.sum(np.abs(residual) ** 2))
    if power <= 0.0 or len(residual) < 8:
        return 1.0
    size = 1 << (2 * len(residual)).bit_length()
    correlation = np.fft.ifft(np.abs(np.fft.fft(residual, size)) ** 2)[: len(residual) // 2].real / power
    below = np.flatnonzero(correlation <= 0.0)
    until = int(below[0]) if len(below) else len(correlation)
    return float(max(1.0, 1.0 + 2.0 * correlation[1:until].sum()))


def unwrapped_phase(values: ComplexSamples) -> Samples:
    """Continuous phase in radians of a baseband, shape (n,)."""
    return np.asarray(np.unwrap(np.angle(values)))


def log_amplitude_fit(band: Baseband, times: Samples) -> Samples:
    """Parabola through a baseband's log amplitude over ``times``, loud values first: coefficients, ascending, (3,)."""
    weight = np.abs(band.values)
    loud = np.log(np.maximum(weight, 1e-9 * weight.max()))
    return np.asarray(np.polynomial.polynomial.polyfit(times, loud, 2, w=weight), dtype=np.float64)
