"""Coarse pitch: onsets and pitch by aubio, spectral peaks, and the choice of the fundamental among candidates.

aubio's pitch is quick and mostly right, but it is sometimes an octave off. So it is one candidate among several. Each
candidate gets a score: how much of the spectrum its partials explain, times how many of its lower partials are there.

Frequencies are in Hz, amplitudes those of the real signal (full scale 1). Signals have the working rate
(``hearing.resampling``).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import aubio
import numpy as np
import numpy.typing as npt

from oscservice.hearing.resampling import Samples

LOWEST_HZ = 20.0
HIGHEST_HZ = 2100.0
"""Range of fundamentals: below B0 of a five-string bass (30.9 Hz) with room to be flat, above fret 24 of E4 (1319 Hz)
with room for high tunings."""

_PITCH_WINDOW = 4096
_PITCH_HOP = 256


def parabolic_peaks(curve: Samples, at: npt.NDArray[np.int64]) -> tuple[Samples, Samples]:
    """Return the peaks of parabolas through local maxima of a sampled curve and their two neighbours.

    Parameters
    ----------
    curve : ndarray of float64, shape (n,)
        The samples.
    at : ndarray of int64, shape (m,)
        Indices of the local maxima, 1 to n - 2.

    Returns
    -------
    tuple[Samples, Samples]
        Offset of each peak from its index, in samples, and its height; both shape (m,).
    """
    left, middle, right = curve[at - 1], curve[at], curve[at + 1]
    shift = 0.5 * (left - right) / np.minimum(left - 2.0 * middle + right, -1e-12)
    return shift, middle - 0.25 * (left - right) * shift


class OnsetDetector:
    """aubio's onset detector. It takes hops of ``hop`` samples at the working rate."""

    hop = 128

    def __init__(self, rate_hz: float) -> None:
        self._onset = aubio.onset("default", 1024, self.hop, round(rate_hz))
        self._onset.set_minioi_ms(60.0)
        self._onset.set_silence(-75.0)

    def feed(self, hop: Samples) -> bool:
        """Return True when aubio reports an onset in the next hop.

        Parameters
        ----------
        hop : ndarray of float64, shape (hop,)
            The samples of the hop, full scale 1.

        Returns
        -------
        bool
            aubio's answer.
        """
        return bool(self._onset(hop.astype(np.float32))[0] > 0)


class CoarsePitchTracker:
    """aubio's pitch detector (yinfft). It takes hops of ``hop`` samples at the working rate."""

    hop = _PITCH_HOP

    def __init__(self, rate_hz: float) -> None:
        self._pitch = aubio.pitch("yinfft", _PITCH_WINDOW, _PITCH_HOP, round(rate_hz))
        self._pitch.set_unit("Hz")
        # aubio takes whole sample rates only: this factor undoes the rounding.
        self._scale = rate_hz / round(rate_hz)

    def feed(self, hop: Samples) -> float:
        """Return the pitch that aubio finds with the next hop.

        Parameters
        ----------
        hop : ndarray of float64, shape (hop,)
            The samples of the hop, full scale 1.

        Returns
        -------
        float
            Pitch in Hz; 0 when there is none from ``LOWEST_HZ`` to ``HIGHEST_HZ``.
        """
        found = float(self._pitch(hop.astype(np.float32))[0]) * self._scale
        return found if LOWEST_HZ <= found <= HIGHEST_HZ else 0.0


def coarse_pitches(signal: Samples, rate_hz: float) -> list[float]:
    """Return the pitches that aubio finds along a note, the most frequent first.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        The note.
    rate_hz : float
        Sample rate.

    Returns
    -------
    list[float]
        Up to three pitches in Hz; may be empty.
    """
    tracker = CoarsePitchTracker(rate_hz)
    lead = _PITCH_WINDOW // _PITCH_HOP
    found = [tracker.feed(signal[i : i + _PITCH_HOP]) for i in range(0, len(signal) - _PITCH_HOP + 1, _PITCH_HOP)]
    pitches = [pitch for pitch in (found[lead:] or found[-1:]) if pitch > 0]
    groups: list[list[float]] = []
    for pitch in sorted(pitches):
        if groups and pitch < groups[-1][-1] * 1.03:
            groups[-1].append(pitch)
        else:
            groups.append([pitch])
    groups.sort(key=len, reverse=True)
    return [float(np.median(group)) for group in groups[:3]]


@dataclass(frozen=True)
class SpectralPeaks:
    """Peaks of a Hann-windowed spectrum.

    Attributes
    ----------
    hz : ndarray of float64, shape (n,)
        Frequencies, rising.
    amplitude : ndarray of float64, shape (n,)
        Amplitude of a sine at each peak.
    bin_hz : float
        Width of a bin without zero padding, 1 over the length of the signal.
    floor : float
        Noise amplitude, a little above the median of the spectrum.
    """

    hz: Samples
    amplitude: Samples
    bin_hz: float
    floor: float


def spectral_peaks(signal: Samples, rate_hz: float, depth_db: float = 65.0) -> SpectralPeaks:
    """Return the spectral peaks that are above the noise and at most ``depth_db`` below the highest.

    Frequencies are refined by a parabola through the log magnitudes (common practice, no source).

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        A stretch of a note.
    rate_hz : float
        Sample rate.
    depth_db : float, optional
        Range of levels below the highest peak.

    Returns
    -------
    SpectralPeaks
        The peaks, in order of frequency; there may be none.
    """
    size = 1 << (2 * len(signal) - 1).bit_length()
    window = np.hanning(len(signal) + 2)[1:-1]
    spectrum = np.abs(np.fft.rfft(signal * window, size)) * 2.0 / window.sum()
    floor = float(np.median(spectrum)) * 1.2
    bin_hz = rate_hz / size
    log = np.log(np.maximum(spectrum, 1e-30))
    inner = np.arange(1, len(spectrum) - 1)
    lowest = max(float(spectrum.max()) * 10.0 ** (-depth_db / 20.0), 4.0 * floor)
    is_peak = (log[inner] > log[inner - 1]) & (log[inner] >= log[inner + 1]) & (spectrum[inner] > lowest)
    at = inner[is_peak & (inner * bin_hz > 0.7 * LOWEST_HZ)]
    shift, _ = parabolic_peaks(log, at)
    hz, amplitude = (at + shift) * bin_hz, np.exp(log[at])
    # A peak within four bins of a much louder one may be its side lobe: leave it out.
    main_lobe_hz = 4.0 * rate_hz / len(signal)
    keep = [
        i for i in range(len(hz)) if not np.any((np.abs(hz - hz[i]) < main_lobe_hz) & (amplitude > 8.0 * amplitude[i]))
    ]
    return SpectralPeaks(hz[keep], amplitude[keep], rate_hz / len(signal), floor)


def find_partials(peaks: SpectralPeaks, fundamental_hz: float, count: int) -> dict[int, tuple[float, float]]:
    """Return the peaks that are partials of a string with a fundamental of about ``fundamental_hz``.

    Stiffness stretches the partials: f_k = k f0 sqrt(1 + B k^2). So the search goes upward from partial 1, and fits f0
    and B to the partials found so far.
    Source: H. Fletcher, J. Acoust. Soc. Am. 36 (1964) 203.

    Parameters
    ----------
    peaks : SpectralPeaks
        The spectral peaks.
    fundamental_hz : float
        Estimate of the fundamental.
    count : int
        Highest partial to look for.

    Returns
    -------
    dict[int, tuple[float, float]]
        Partial number -> (frequency in Hz, amplitude); partials that were not found are missing.
    """
    found: dict[int, tuple[float, float]] = {}
    base, stiffness = fundamental_hz, 0.0
    for k in range(1, count + 1):
        if not len(peaks.hz):
            break
        guess = k * base * math.sqrt(1.0 + stiffness * k * k)
        # The room allows for a stiffness that is not known yet: between neighbouring partials B = 3e-4 moves the ratio
        # f_k / k by 3e-4 k. It is at most a fifth of the way to the next partial, or a wrong peak would be taken.
        room = min(max(1.5 * peaks.bin_hz, guess * 0.012), 0.2 * base)
        distance = np.abs(peaks.hz - guess)
        near = distance < room
        if not near.any():
            continue
        best = int(np.argmax(np.where(near, peaks.amplitude, 0.0)))
        found[k] = (float(peaks.hz[best]), float(peaks.amplitude[best]))
        base, stiffness = fit_stiffness({n: hz for n, (hz, _) in found.items()}, base)
    return found


def fit_stiffness(partials_hz: dict[int, float], fallback_hz: float) -> tuple[float, float]:
    """Return f0 in Hz and B (0 or more) by least squares on (f_k / k)^2 = f0^2 (1 + B k^2).

    Parameters
    ----------
    partials_hz : dict[int, float]
        Partial number -> frequency in Hz. With fewer than three partials B is 0.
    fallback_hz : float
        F0 to return when there is no partial.
    """
    if not partials_hz:
        return fallback_hz, 0.0
    if len(partials_hz) < 3:
        return sum(hz / k for k, hz in partials_hz.items()) / len(partials_hz), 0.0
    k = np.array(sorted(partials_hz), dtype=float)
    ratio = np.array([partials_hz[int(n)] for n in k]) / k
    # Weighted straight line of ratio^2 over k^2, in closed form for speed: this runs a thousand times a note.
    x, y = k * k, ratio * ratio
    total = float(k.sum())
    x_mean, y_mean = float(k @ x) / total, float(k @ y) / total
    slope = float(k @ ((x - x_mean) * (y - y_mean))) / float(k @ (x - x_mean) ** 2)
    intercept = y_mean - slope * x_mean
    if slope <= 0.0 or intercept <= 0.0:
        return float(np.median(ratio)), 0.0
    return math.sqrt(intercept), slope / intercept


def fundamental_score(peaks: SpectralPeaks, fundamental_hz: float, count: int = 8) -> float:
    """Return the score of a fundamental, 0 to 1: larger when it explains the peaks better.

    The score is the share of the sound that its partials explain, times the share of its lower partials that are there.
    A candidate an octave too low explains everything, but lacks every second partial. A candidate an octave too high
    has all its partials, but leaves half of the sound unexplained.

    Parameters
    ----------
    peaks : SpectralPeaks
        The spectral peaks.
    fundamental_hz : float
        The candidate.
    count : int, optional
        Highest partial to count.
    """
    found = find_partials(peaks, fundamental_hz, count)
    if not found:
        return 0.0
    loudest = float(peaks.amplitude.max())
    weight = _weight(peaks.amplitude, loudest)
    inside = peaks.hz < (count + 0.5) * fundamental_hz
    total = float(weight[inside].sum())
    own = float(_weight(np.array([amplitude for _, amplitude in found.values()]), loudest).sum())
    explained = own / total if total > 0 else 0.0
    highest = float(peaks.hz.max()) if len(peaks.hz) else 0.0
    slots = [k for k in range(1, 7) if k * fundamental_hz < max(highest * 1.02, 2.5 * fundamental_hz)]
    share = {k: min(1.0, 0.25 + 0.75 * np.sqrt(a / loudest) * 3.0) for k, (_, a) in found.items()}
    filled = sum(share.get(k, 0.0) / np.sqrt(k) for k in slots) / sum(1.0 / np.sqrt(k) for k in slots)
    # A candidate far too low leaves sound above the highest partial counted: that lowers its score.
    beyond = total / float(weight.sum())
    # The loudest peak, or one nearly as loud, is a partial of the string. Hum has all its partials too, but is faint.
    loud = min(1.0, max(amplitude for _, amplitude in found.values()) / (0.3 * loudest))
    return float(min(1.0, explained) * filled * beyond**0.25 * loud**0.5)


def _weight(amplitude: Samples, loudest: float) -> Samples:
    """Return the weight of each peak: the root of its amplitude; 0 at -40 dB of the loudest and below.

    With a microphone a dozen faint peaks of the room, the body and other strings would otherwise outweigh the string.
    """
    return np.asarray(np.sqrt(np.maximum(amplitude / loudest - 0.01, 0.0)))


def choose_fundamental(
    peaks: SpectralPeaks, coarse_hz: Iterable[float], expected_hz: Iterable[float]
) -> tuple[float, float]:
    """Return the candidate with the best score, and the score (see ``fundamental_score``).

    Candidates come from the coarse pitches, the loudest peaks and the expected pitches. The score of a candidate within
    1.2 semitones of an expected pitch is raised by a fifth: this decides between nearly equal scores, but does not turn
    a wrong string into the right one.

    Parameters
    ----------
    peaks : SpectralPeaks
        The spectral peaks.
    coarse_hz : Iterable[float]
        Pitches by ``coarse_pitches``.
    expected_hz : Iterable[float]
        Pitches that the technician was asked for.

    Returns
    -------
    tuple[float, float]
        Fundamental in Hz and its score; both 0 when there is no candidate.
    """
    expected = [hz for hz in expected_hz if LOWEST_HZ <= hz <= HIGHEST_HZ]
    raw: list[float] = list(coarse_hz) + expected
    order = np.argsort(peaks.amplitude)[::-1][:5]
    raw += [float(peaks.hz[i]) / n for i in order for n in (1, 2, 3, 4, 5)]
    raw += [hz * ratio for hz in list(coarse_hz) for ratio in (0.5, 2.0, 1.0 / 3.0, 3.0)]
    best_hz, best = 0.0, 0.0
    seen: list[float] = []
    for start in raw:
        if not LOWEST_HZ <= start <= HIGHEST_HZ or any(abs(start / other - 1.0) < 0.004 for other in seen):
            continue
        seen.append(start)
        score = fundamental_score(peaks, start)
        if any(abs(np.log2(start / hz)) < 0.1 for hz in expected):
            score *= 1.2
        if score > best:
            best_hz, best = start, score
    return best_hz, best
