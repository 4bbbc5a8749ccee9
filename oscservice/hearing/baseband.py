"""Complex demodulation of one partial to its baseband, and basic measurements of a baseband.

The signal is shifted so that ``carrier_hz`` becomes 0 Hz, and then low-passed. The low-pass is a Hann window convolved
with itself, each window a whole number of periods of the fundamental long (two or more). Its nulls are at every
multiple of the fundamental, so it removes the other partials and passes the partial's own glide and beating.

Frequencies are in Hz, times in seconds, phases in radians. Amplitudes are those of the real signal (full scale 1).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.hearing.fir_filter import filtered
from oscservice.hearing.resampling import Samples

ComplexSamples = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class Baseband:
    """A partial's complex envelope.

    The instantaneous frequency is ``carrier_hz`` plus the slope of the phase over 2 pi.

    Attributes
    ----------
    carrier_hz : float
        Frequency that became 0 Hz.
    times_s : ndarray of float64, shape (n,)
        Time of each value in seconds from the first sample of the signal.
    values : ndarray of complex128, shape (n,)
        Complex amplitudes.
    step_s : float
        Time between values.
    memory_s : float
        Time over which neighbouring values share the same samples: half the length of the low-pass.
    noise_gain : float
        Power of white noise in ``values`` over its power in the signal.
    taps : ndarray of float64, shape (m,)
        The low-pass at ``rate_hz``.
    rate_hz : float
        Sample rate of the signal.
    """

    carrier_hz: float
    times_s: Samples
    values: ComplexSamples
    step_s: float
    memory_s: float
    noise_gain: float
    taps: Samples
    rate_hz: float


_FEWEST = 40  # a short signal gets closer values to have this many, but never closer than 1/8 of half the low-pass


def lowpass(period_samples: float, periods: int = 2) -> Samples:
    """Return the taps of the low-pass: a Hann window convolved with itself, scaled to a sum of 1.

    Parameters
    ----------
    period_samples : float
        Period of the fundamental in samples.
    periods : int, optional
        Periods of the fundamental in each Hann window.

    Returns
    -------
    ndarray of float64
        Taps, shape (m,).
    """
    half = max(4, round(periods * period_samples))
    hann = np.hanning(half + 2)[1:-1]
    taps = np.convolve(hann, hann)
    return np.asarray(taps / taps.sum())


def lowpass_periods(fundamental_hz: float, length_s: float) -> int:
    """Return the periods in each half of the low-pass for a note of ``length_s``: 1/60 of the note, but 2 or more.

    A high note has many periods. A longer low-pass keeps more hum and noise out, and leaves fewer values to fit.
    """
    return max(2, round(min(0.012, length_s / 60.0) * fundamental_hz))


def first_null_hz(fundamental_hz: float, periods: int) -> float:
    """Return the distance in Hz from the carrier to the first null of a low-pass with ``periods`` in each half."""
    return 2.0 * fundamental_hz / periods


def demodulate(signal: Samples, rate_hz: float, carrier_hz: float, fundamental_hz: float, periods: int = 2) -> Baseband:
    """Return the baseband of the partial near ``carrier_hz`` of a note with the fundamental ``fundamental_hz``.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        Real samples.
    rate_hz : float
        Sample rate of the signal.
    carrier_hz : float
        Frequency that becomes 0 Hz.
    fundamental_hz : float
        Fundamental of the note, which sets the nulls of the low-pass.
    periods : int, optional
        Periods of the fundamental in each half of the low-pass.

    Returns
    -------
    Baseband
        The baseband. It has two values in ``periods`` (more from a short signal) and is ``periods`` shorter than the
        signal at each end. It is empty when the signal is too short.
    """
    period = rate_hz / fundamental_hz
    taps = lowpass(period, periods)
    room = max(0, len(signal) - len(taps))
    step = max(1, round(min(period * periods / 2.0, max(room / _FEWEST, period * periods / 8.0))))
    turns: ComplexSamples = np.exp(-2j * np.pi * carrier_hz / rate_hz * np.arange(len(signal)))
    half = (len(taps) - 1) // 2
    values = 2.0 * filtered(signal * turns, taps, step)
    times = (np.arange(len(values)) * step + half) / rate_hz
    memory_s, noise_gain = len(taps) / rate_hz / 2.0, 4.0 * float(np.sum(taps**2))
    return Baseband(carrier_hz, times, values, step / rate_hz, memory_s, noise_gain, taps, rate_hz)


def lowpass_gain(band: Baseband, offset_hz: float) -> float:
    """Return the gain (an amplitude ratio) of a baseband's low-pass at ``offset_hz`` from the carrier."""
    at = np.arange(len(band.taps)) - (len(band.taps) - 1) / 2.0
    return float(band.taps @ np.cos(2.0 * np.pi * offset_hz / band.rate_hz * at))


def mean_frequency(band: Baseband) -> tuple[float, float]:
    """Return the mean frequency of a short baseband and its standard error, by a weighted line through its phase.

    Returns
    -------
    tuple[float, float]
        Frequency and its standard error (1 sd), both in Hz. Loud values weigh more.

    Raises
    ------
    ValueError
        The baseband has fewer than three values.
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
    """Return the correlation length of a residual in values: 1 + 2 times the sum of its autocorrelation.

    The sum ends before the first value that is not positive. ``len(residual)`` over this is about the number of
    independent values.

    Parameters
    ----------
    residual : ndarray of float or complex, shape (n,)
        With a mean of about 0.

    Returns
    -------
    float
        Correlation length, 1 or more; 1 for fewer than eight values.
    """
    power = float(np.sum(np.abs(residual) ** 2))
    if power <= 0.0 or len(residual) < 8:
        return 1.0
    size = 1 << (2 * len(residual)).bit_length()
    correlation = np.fft.ifft(np.abs(np.fft.fft(residual, size)) ** 2)[: len(residual) // 2].real / power
    below = np.flatnonzero(correlation <= 0.0)
    until = int(below[0]) if len(below) else len(correlation)
    return float(max(1.0, 1.0 + 2.0 * correlation[1:until].sum()))


def unwrapped_phase(values: ComplexSamples) -> Samples:
    """Return the continuous phase of a baseband.

    Parameters
    ----------
    values : ndarray of complex128, shape (n,)
        Values of the baseband.

    Returns
    -------
    ndarray of float64
        Radians, shape (n,); neighbours differ by pi at most.
    """
    return np.asarray(np.unwrap(np.angle(values)))


def log_amplitude_fit(band: Baseband, times: Samples) -> Samples:
    """Return the parabola that fits a baseband's log amplitude; loud values weigh more.

    Parameters
    ----------
    band : Baseband
        The baseband.
    times : ndarray of float64, shape (n,)
        Time of each value on the scale that the coefficients are for.

    Returns
    -------
    ndarray of float64
        Coefficients of powers 0, 1 and 2 of ``times``, shape (3,).
    """
    weight = np.abs(band.values)
    loud = np.log(np.maximum(weight, 1e-9 * weight.max()))
    return np.asarray(np.polynomial.polynomial.polyfit(times, loud, 2, w=weight), dtype=np.float64)
