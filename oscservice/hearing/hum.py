"""Mains hum: measured in the silence before a note, and predicted while the note sounds so that it can be subtracted.

Single-coil pickups hum at the mains frequency, 50 or 60 Hz, and its multiples (IEC 60038 names the two frequencies;
the strength of the multiples is common practice, no source). A low string is close to one of these lines, so filtering
is not enough.

Frequencies are in Hz. Samples are counted from the start of the stream, at the working rate.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, replace

import numpy as np

from oscservice.hearing.baseband import ComplexSamples
from oscservice.hearing.resampling import Samples

MAINS_HZ = (50.0, 60.0)
SHORTEST_S = 0.15
"""Shortest quiet that hum is measured in."""

_HIGHEST_HZ = 1500.0
OFF_MAINS = 0.006  # grids keep within 0.2 %, generators within half a per cent (common practice, no source)
_MOST_LINES = 8
_CLEAR_OF_NOISE = 5.0  # a line has at least this many times the amplitude of the noise in its bin


@dataclass(frozen=True)
class Hum:
    """Hum lines at multiples of the mains frequency.

    Attributes
    ----------
    mains_hz : float
        Mains frequency.
    mains_se_hz : float
        Its standard error (1 sd).
    multiples : tuple[int, ...]
        Multiples that were found, rising.
    amplitudes : tuple[complex, ...]
        Complex amplitude of each multiple at sample 0 of the stream: sample n holds the real part of amplitude * exp(2
        pi i multiple mains_hz n / rate_hz).
    rate_hz : float
        Sample rate.
    middle_sample : float
        Number of the sample in the middle of the stretch that the hum was measured in.
    """

    mains_hz: float
    mains_se_hz: float
    multiples: tuple[int, ...]
    amplitudes: tuple[complex, ...]
    rate_hz: float
    middle_sample: float

    @property
    def lines_hz(self) -> tuple[float, ...]:
        """Frequencies of the lines in Hz."""
        return tuple(n * self.mains_hz for n in self.multiples)

    def after(self, samples: int) -> Hum:
        """Return the same hum with sample 0 moved to ``samples`` later in the stream."""
        turn = -2j * math.pi * self.mains_hz / self.rate_hz * samples
        moved = tuple(a * cmath.exp(-n * turn) for n, a in zip(self.multiples, self.amplitudes, strict=True))
        return replace(self, amplitudes=moved, middle_sample=self.middle_sample - samples)

    def signal(self, first_sample: int, count: int) -> Samples:
        """Return the hum expected in ``count`` samples from ``first_sample`` of the stream on.

        The phase is less certain further from the stretch that was measured. So the prediction is the mean over the
        possible phases, which fades with that distance: subtracting it never adds hum on average.

        Returns
        -------
        ndarray of float64
            Samples, shape (count,).
        """
        at = first_sample + np.arange(count)
        away_s = (at - self.middle_sample) / self.rate_hz
        turn = 2.0 * math.pi * self.mains_hz / self.rate_hz * at
        unsure = 2.0 * math.pi * self.mains_se_hz * away_s
        answer = np.zeros(count)
        for n, amplitude in zip(self.multiples, self.amplitudes, strict=True):
            faded = np.exp(-0.5 * (n * unsure) ** 2)
            answer += faded * (amplitude.real * np.cos(n * turn) - amplitude.imag * np.sin(n * turn))
        return answer


def measure_hum(quiet: Samples, rate_hz: float, first_sample: int = 0) -> Hum | None:
    """Return the hum in a stretch that holds only hum and noise.

    Parameters
    ----------
    quiet : ndarray of float64, shape (n,)
        The stretch, at least ``SHORTEST_S`` long; of a longer one the last second is used.
    rate_hz : float
        Sample rate.
    first_sample : int, optional
        Number of its first sample in the stream.

    Returns
    -------
    Hum | None
        The hum; None when no line is clear of the noise, or the stretch is too short.
    """
    longest = round(rate_hz)
    if len(quiet) > longest:
        first_sample += len(quiet) - longest
        quiet = quiet[-longest:]
    if len(quiet) < SHORTEST_S * rate_hz:
        return None
    nominal_hz, lines = max(
        ((mains, _lines(quiet, rate_hz, mains)) for mains in MAINS_HZ),
        key=lambda found: sum(amplitude**2 for amplitude, _ in found[1].values()),
    )
    if not lines:
        return None
    mains_hz, se_hz, multiples, amplitudes = _fit_lines(quiet, rate_hz, lines)
    if abs(mains_hz / nominal_hz - 1.0) > OFF_MAINS:
        return None
    back = np.exp(-2j * np.pi * mains_hz / rate_hz * first_sample * multiples)
    moved = tuple((amplitudes * back).tolist())
    numbers = tuple(int(n) for n in multiples)
    return Hum(mains_hz, se_hz, numbers, moved, rate_hz, first_sample + 0.5 * (len(quiet) - 1))


def hum_in_peaks(
    peaks_hz: Samples, amplitudes: Samples, partials_hz: Samples, bin_hz: float
) -> tuple[float, float] | None:
    """Return the mains frequency and the amplitude of the strongest hum line in the spectrum of a note.

    Parameters
    ----------
    peaks_hz, amplitudes : ndarray of float64, shape (n,)
        Peaks of a Hann-windowed spectrum.
    partials_hz : ndarray of float64, shape (m,)
        The note's own partials; peaks within three bins of one are ignored.
    bin_hz : float
        Width of a bin, 1 over the length of the window.

    Returns
    -------
    tuple[float, float] | None
        Mains frequency in Hz and amplitude; None when no peak is hum.
    """
    best: tuple[float, float, float] | None = None
    own = np.abs(peaks_hz[:, None] - partials_hz[None, :]).min(axis=1) < 3.0 * bin_hz
    for nominal_hz in MAINS_HZ:
        n = np.maximum(1.0, np.round(peaks_hz / nominal_hz))
        room = n * nominal_hz * 0.003 + 0.15 * bin_hz
        ours = (np.abs(peaks_hz - n * nominal_hz) < room) & ~own & (peaks_hz < _HIGHEST_HZ)
        if not ours.any():
            continue
        weight = (n * amplitudes)[ours] ** 2
        mains_hz = float(np.sum(weight * (peaks_hz / n)[ours]) / weight.sum())
        power = float(np.sum(amplitudes[ours] ** 2))
        if best is None or power > best[0]:
            best = (power, mains_hz, float(amplitudes[ours].max()))
    return None if best is None else best[1:]


def _lines(quiet: Samples, rate_hz: float, nominal_hz: float) -> dict[int, tuple[float, float]]:
    """Return the multiples of a mains frequency that are clear of the noise: number -> (amplitude, frequency in Hz)."""
    count = len(quiet)
    window = np.hanning(count + 2)[1:-1]
    size = 1 << (4 * count - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(quiet * window, size)) * 2.0 / window.sum()
    noise = float(np.median(spectrum[: round(_HIGHEST_HZ / rate_hz * size)])) / 0.83  # a Rayleigh median is 1.18 sd
    lines: dict[int, tuple[float, float]] = {}
    for n in range(1, int(min(_HIGHEST_HZ, 0.4 * rate_hz) / nominal_hz) + 1):
        # The peak must be where a multiple of the mains can be: a string near it has its peak elsewhere.
        room = n * nominal_hz * OFF_MAINS + 0.25 * rate_hz / count
        low, high = (round((n * nominal_hz + side * room) * size / rate_hz) for side in (-1.0, 1.0))
        at = low + int(np.argmax(spectrum[low : high + 1]))
        inside = spectrum[at] >= spectrum[at - 1] and spectrum[at] >= spectrum[at + 1]
        if inside and spectrum[at] > _CLEAR_OF_NOISE * noise:
            lines[n] = (float(spectrum[at]), at * rate_hz / size)
    return lines


def _fit_lines(
    quiet: Samples, rate_hz: float, lines: dict[int, tuple[float, float]]
) -> tuple[float, float, Samples, ComplexSamples]:
    """Fit the frequency and the amplitudes of the strongest lines by least squares.

    Returns
    -------
    tuple[float, float, Samples, ComplexSamples]
        Mains frequency and its standard error in Hz; the multiples, shape (m,); their complex amplitudes at the first
        sample, shape (m,).
    """
    count = len(quiet)
    multiples = np.array(sorted(sorted(lines, key=lambda n: -lines[n][0])[:_MOST_LINES]), dtype=np.float64)
    strength, peaks = np.array([lines[int(n)] for n in multiples], dtype=np.float64).T
    time = (np.arange(count) - 0.5 * (count - 1)) / rate_hz
    mains_hz = float(np.sum(strength**2 * multiples * peaks) / np.sum(strength**2 * multiples**2))
    for _ in range(2):  # Gauss-Newton steps of the frequency; the amplitudes are linear
        base = np.exp(2j * np.pi * mains_hz * time)
        turns = np.stack([base ** int(n) for n in multiples], axis=1)
        columns = np.hstack((turns.real, -turns.imag))
        normal = columns.T @ columns
        solution = np.linalg.solve(normal, columns.T @ quiet)
        amplitudes = solution[: len(multiples)] + 1j * solution[len(multiples) :]
        slope = (2j * np.pi * time[:, None] * multiples * turns * amplitudes).real.sum(axis=1)
        slope -= columns @ np.linalg.solve(normal, columns.T @ slope)
        left = quiet - columns @ solution
        mains_hz += float(slope @ left / (slope @ slope))
    amplitudes = amplitudes * np.exp(2j * np.pi * mains_hz * multiples * time[0])
    se_hz = max(1e-4, math.sqrt(float(np.mean(left**2)) / float(slope @ slope)))
    return mains_hz, se_hz, multiples, amplitudes
