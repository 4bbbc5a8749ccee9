"""The top of a sampled curve between its samples.

Rough pitch and onsets by aubio, and the choice of the right octave.

aubio's estimators are quick and rarely far off, but any of them takes an octave for the note now and then. So its
answer is one candidate among several; which one is the note is decided by how well each explains the partials seen in
the spectrum, and how many of its own partials are there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import aubio
import numpy as np
import numpy.typing as npt

from oscservice.hearing.resampling import Samples


def parabolic_peaks(curve: Samples, at: npt.NDArray[np.int64]) -> tuple[Samples, Samples]:
    """Tops of parabolas through the samples at local maxima ``at``, shape (m,), and their neighbours.

    Returns:
        How far each top lies after its sample, in samples, and its height; both (m,).
    """
    left, middle, right = curve[at - 1], curve[at], curve[at + 1]
    shift = 0.5 * (left - right) / np.minimum(left - 2.0 * middle + right, -1e-12)
    return shift, middle - 0.25 * (left - right) * shift


LOWEST_HZ = 20.0
HIGHEST_HZ = 2100.0

_PITCH_WINDOW = 4096
_PITCH_HOP = 256


class OnsetDetector:
    """aubio's onset detector on hops of ``hop`` samples of the decimated signal."""

    hop = 128

    def __init__(self, rate_hz: float) -> None:
        self._onset = aubio.onset("default", 1024, self.hop, round(rate_hz))
        self._onset.set_minioi_ms(60.0)
        self._onset.set_silence(-75.0)

    def feed(self, hop: Samples) -> bool:
        """Whether an onset has been found in the last few hops."""
        return bool(self._onset(hop.astype(np.float32))[0] > 0)


class CoarsePitchTracker:
    """aubio's rough pitch (yinfft) on hops of ``hop`` samples of the decimated signal."""

    hop = _PITCH_HOP

    def __init__(self, rate_hz: float) -> None:
        self._pitch = aubio.pitch("yinfft", _PITCH_WINDOW, _PITCH_HOP, round(rate_hz))
        self._pitch.set_unit("Hz")
        # aubio takes whole sample rates only; what rounding it off did is put right here.
        self._scale = rate_hz / round(rate_hz)

    def feed(self, hop: Samples) -> float:
        """Rough pitch in Hz, 0 when there is none."""
        found = float(self._pitch(hop.astype(np.float32))[0]) * self._scale
        return found if LOWEST_HZ <= found <= HIGHEST_HZ else 0.0


def coarse_pitches(signal: Samples, rate_hz: float) -> list[float]:
    """Pitches in Hz that aubio finds along a note, shape (n,), the commonest first; may be empty."""
    follower = CoarsePitchTracker(rate_hz)
    lead = _PITCH_WINDOW // _PITCH_HOP
    found = [follower.feed(signal[i : i + _PITCH_HOP]) for i in range(0, len(signal) - _PITCH_HOP + 1, _PITCH_HOP)]
    heard = [pitch for pitch in (found[lead:] or found[-1:]) if pitch > 0]
    groups: list[list[float]] = []
    for pitch in sorted(heard):
        if groups and pitch < groups[-1][-1] * 1.03:
            groups[-1].append(pitch)
        else:
            groups.append([pitch])
    groups.sort(key=len, reverse=True)
    return [float(np.median(group)) for group in groups[:3]]


@dataclass(frozen=True)
class SpectralPeaks:
    """Peaks of a Hann-windowed spectrum: frequencies in Hz, amplitudes, the width of a bin and the noise amplitude."""

    hz: Samples
    amplitude: Samples
    bin_hz: float
    floor: float


def spectral_peaks(signal: Samples, rate_hz: float, depth_db: float = 65.0) -> SpectralPeaks:
    """Peaks of ``signal``, shape (n,), down to ``depth_db`` under the highest and clear of the noise.

    Frequencies are refined by a parabola through the log magnitudes (common practice, no source).
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
    # A loud partial's side lobes are no partials: a peak within four bins of a much louder one is dropped.
    main_lobe_hz = 4.0 * rate_hz / len(signal)
    keep = [
        i for i in range(len(hz)) if not np.any((np.abs(hz - hz[i]) < main_lobe_hz) & (amplitude > 8.0 * amplitude[i]))
    ]
    return SpectralPeaks(hz[keep], amplitude[keep], rate_hz / len(signal), floor)


def find_partials(peaks: SpectralPeaks, fundamental_hz: float, count: int) -> dict[int, tuple[float, float]]:
    """Peaks that are partials of a string on about ``fundamental_hz``: number -> (frequency in Hz, amplitude).

    Stiffness spreads the partials (f_k = k f0 sqrt(1 + B k^2); Fletcher, J. Acoust. Soc. Am. 36 (1964) 203), so the
    search starts at the lowest ones and carries what they say of f0 and B upward.
    """
    found: dict[int, tuple[float, float]] = {}
    base, stiffness = fundamental_hz, 0.0
    for k in range(1, count + 1):
        if not len(peaks.hz):
            break
        guess = k * base * np.sqrt(1.0 + stiffness * k * k)
        # Room for a stiffness not yet known: two more numbers up, B = 3e-4 sharpens partial k by 4.5e-4 k cents per k.
        # Never more than a fifth of the way to the next partial: a wider net would catch the wrong one.
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
    """f0 in Hz and B (0 or more) by least squares on (f_k / k)^2 = f0^2 (1 + B k^2); B needs three partials."""
    if not partials_hz:
        return fallback_hz, 0.0
    k = np.array(sorted(partials_hz), dtype=float)
    ratio = np.array([partials_hz[int(n)] for n in k]) / k
    if len(k) < 3:
        return float(np.median(ratio)), 0.0
    # Weighted straight line of ratio^2 over k^2, in closed form: this runs a thousand times a note.
    x, y = k * k, ratio * ratio
    total = float(k.sum())
    x_mean, y_mean = float(k @ x) / total, float(k @ y) / total
    slope = float(k @ ((x - x_mean) * (y - y_mean))) / float(k @ (x - x_mean) ** 2)
    intercept = y_mean - slope * x_mean
    if slope <= 0.0 or intercept <= 0.0:
        return float(np.median(ratio)), 0.0
    return float(np.sqrt(intercept)), float(slope / intercept)


def fundamental_score(peaks: SpectralPeaks, fundamental_hz: float, count: int = 8) -> float:
    """How well a fundamental explains the peaks, 0 to 1: the share of the sound it explains times the share of its
    own lower partials that are there. An octave too low explains all but misses every second partial; an octave too
    high is complete but leaves half the sound unexplained."""
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
    # The sound left of what lies beyond the last partial looked at counts too: it tells 2 f from f / 2.
    beyond = total / float(weight.sum())
    # A string's own partials hold its loudest one, or nearly: hum is complete too, and faint beside the note.
    loud = min(1.0, max(amplitude for _, amplitude in found.values()) / (0.3 * loudest))
    return float(min(1.0, explained) * filled * beyond**0.25 * loud**0.5)


def _weight(amplitude: Samples, loudest: float) -> Samples:
    """What peaks count for: by the root of their amplitude, but nothing below -40 dB of the loudest.

    On a microphone a dozen faint peaks of room, body and neighbours would otherwise outweigh the string.
    """
    return np.asarray(np.sqrt(np.maximum(amplitude / loudest - 0.01, 0.0)))


def choose_fundamental(
    peaks: SpectralPeaks, rough_hz: Iterable[float], expected_hz: Iterable[float]
) -> tuple[float, float]:
    """Fundamental in Hz and its likeness (0 to 1), from the rough pitches, the loudest peaks and what is expected.

    A candidate within 1.2 semitones of an expected pitch is favoured by a fifth: enough to decide a near tie, not
    enough to make a wrong string into the right one.
    """
    expected = [hz for hz in expected_hz if LOWEST_HZ <= hz <= HIGHEST_HZ]
    raw: list[float] = list(rough_hz) + expected
    order = np.argsort(peaks.amplitude)[::-1][:5]
    raw += [float(peaks.hz[i]) / n for i in order for n in (1, 2, 3, 4, 5)]
    raw += [hz * ratio for hz in list(rough_hz) for ratio in (0.5, 2.0, 1.0 / 3.0, 3.0)]
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
