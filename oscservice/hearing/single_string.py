"""Check that a note is one plucked string and nothing else.

The partials of a plucked string begin at the pluck, keep their pitch except for a small glide, and hold nearly all of
the sound. A strum, a struck key, a voice, a string that is slackened, or a string that rings on while something knocks
fails one of these tests. The limits leave room beyond 148 recorded notes: 94 % or more of their power is in their own
partials, and their pitch moves by at most 15 cents.

Signals have the working rate; levels are in dB, frequencies in Hz, times in seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from oscservice.hearing.coarse_pitch import parabolic_peaks
from oscservice.hearing.reading import Reading
from oscservice.hearing.resampling import Samples
from oscservice.instrument.pitch import CENTS_PER_E

LEAST_OWN = 0.75
"""Least share of the power in the string's own partials."""

LEAST_OWN_RINGING, CLEAR_RISE_DB = 0.9, 10.0
"""The same for a string that was ringing before: its partials rise at the pluck by no more than this."""

LEAST_RISE_DB = 3.5
"""Least rise of the partials at the pluck: with a smaller one the string was ringing already."""

MOST_WANDER_CENTS = 30.0
"""Largest range of the pitch in the first second, after the noise of the pick."""

MOST_GROWTH_DB = 6.0
"""Largest rise of the partials after the pluck: two polarisations beat."""

FEWEST_PARTIALS = 3
"""Fewest partials on one law: two always fit one."""

_LOWEST_HZ, _HIGHEST_HZ = 30.0, 7000.0
_PARTIALS = 40
_AFTER_S = (0.05, 1.0)  # from the pluck: after the noise of the pick, while the string is loud
_RISE_S = 0.14
_RISE_PARTIALS = 12
_LATER = 25  # hundredths of a second
_TRACKED_S = 1.3
_TRACKED = 10  # partials
_AT_FIRST = 3  # half-overlapping frames
_LOUDEST = 5
_SKIPPED = 0.99  # share of the power in every second or third partial: then that one may be the string's first


def why_not_single_string(signal: Samples, rate_hz: float, reading: Reading) -> str:
    """Return the reason why a note is not one plucked string alone.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        The note and at least 0.15 s before it.
    rate_hz : float
        Sample rate.
    reading : Reading
        Reading of that signal.

    Returns
    -------
    str
        One line; "" if it is one plucked string alone.
    """
    if len(reading.partials) < min(FEWEST_PARTIALS, int(0.4 * rate_hz / reading.f1_hz)):
        return "too few partials for a string"
    rise = rise_db(signal, rate_hz, reading)
    if rise < LEAST_RISE_DB:
        return "nothing was plucked: that string was ringing already"
    own, skipped = partials_power_share(signal, rate_hz, reading)
    if own < (LEAST_OWN if rise > CLEAR_RISE_DB else LEAST_OWN_RINGING):
        return "something else sounds along with the string"
    if "weak first partial" in reading.flags and skipped > _SKIPPED:
        return "the first partial is unclear"
    tracks = track_partials(signal, rate_hz, reading)
    if len(tracks.power) and growth_db(tracks) > MOST_GROWTH_DB:
        return "something else came in after the pluck"
    if len(tracks.power) and wander_cents(tracks) > MOST_WANDER_CENTS:
        return "its pitch wanders as no plucked string's does"
    return ""


def partials_power_share(signal: Samples, rate_hz: float, reading: Reading) -> tuple[float, float]:
    """Return the share of a note's power in its own partials, and the share of that in every second or third one.

    Power is counted from 30 Hz to 7 kHz, above the noise.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        The note.
    rate_hz : float
        Sample rate.
    reading : Reading
        Reading of that signal.

    Returns
    -------
    tuple[float, float]
        Share in the partials; share of the partials' power in every second or every third of them, the larger of the
        two. 1 and 0 when the note is too short.
    """
    note = _cut_from_pluck(signal, rate_hz, reading, *_AFTER_S)
    if len(note) < 0.025 * rate_hz:
        return 1.0, 0.0
    size = 1 << (2 * len(note) - 1).bit_length()
    power = np.abs(np.fft.rfft(note * np.hanning(len(note)), size)) ** 2
    hz = np.arange(len(power)) * rate_hz / size
    # The power of noise in a bin is distributed exponentially: its mean is its median over ln 2. Subtract twice that.
    power = np.maximum(power - 2.0 * float(np.median(power)) / math.log(2.0), 0.0)
    partials = _expected_partials_hz(reading, _HIGHEST_HZ, _PARTIALS)
    half_hz = np.minimum(2.2 * rate_hz / len(note) + 0.004 * partials, 0.3 * reading.f0_hz)
    edges = np.stack((partials - half_hz, partials + half_hz))
    total = np.concatenate(([0.0], np.cumsum(power)))
    at = np.clip(np.round(edges * size / rate_hz).astype(int), 0, len(power))
    own = total[at[1]] - total[at[0]]
    inside = float(power[(hz > _LOWEST_HZ) & (hz < _HIGHEST_HZ)].sum())
    total_own = float(own.sum())
    if inside <= 0.0 or total_own <= 0.0:
        return 1.0, 0.0
    return total_own / inside, max(float(own[m - 1 :: m].sum()) / total_own for m in (2, 3))


def rise_db(signal: Samples, rate_hz: float, reading: Reading) -> float:
    """Return the rise of the power of a note's lower partials at its pluck.

    The power after is the smaller of that right after the pluck and that a quarter of a second later, when a muted
    strum is over.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        The note and what was before it.
    rate_hz : float
        Sample rate.
    reading : Reading
        Reading of that signal.

    Returns
    -------
    float
        Rise in dB, + louder after; infinite if the signal holds too little from before or after the pluck.
    """
    count, at = round(_RISE_S * rate_hz), round(reading.onset_s * rate_hz)
    clear = round(0.01 * rate_hz)
    before = signal[max(0, at - clear - count) : max(0, at - clear)]
    after = signal[at + 3 * clear :][:count]
    if min(len(before), len(after)) < count // 2:
        return math.inf
    later = signal[at + _LATER * clear :][:count]
    partials = _expected_partials_hz(reading, 4000.0, _RISE_PARTIALS)
    was, *now = (
        _power_at_partials(part, rate_hz, partials) for part in (before, after, later) if len(part) >= count // 2
    )
    return 10.0 * math.log10(max(min(now), 1e-30) / max(was, 1e-14))


def wander_cents(tracks: PartialTracks) -> float:
    """Return the range of a note's pitch over its first second in cents: the median of its loudest partials."""
    cents, power = tracks.cents, tracks.power
    loudest = np.argsort(-power.max(axis=0))[:_LOUDEST]
    loudest = loudest[power.max(axis=0)[loudest] > 1e-3 * power.max()]
    level = power[:, loudest].sum(axis=1)
    audible = level > 10.0**-2.5 * level.max()  # ignore frames that are 25 dB down
    if not audible.any():
        return 0.0
    # All partials share a glide; a single one may jump where its two polarisations cancel.
    pitch = np.median(cents[np.ix_(audible, loudest)], axis=1)
    return float(pitch.max() - pitch.min())


def growth_db(tracks: PartialTracks) -> float:
    """Return the dB by which the odd partials of a note, or all of them, are louder later than at first.

    A string stopped at its middle lacks the odd partials: they grow when a string an octave lower starts to sound.
    """
    power = tracks.power
    if len(power) <= _AT_FIRST:
        return 0.0
    sums = (power.sum(axis=1), power[:, ::2].sum(axis=1))
    return max(10.0 * math.log10(one[_AT_FIRST:].max() / max(1e-30, one[:_AT_FIRST].max())) for one in sums)


@dataclass(frozen=True)
class PartialTracks:
    """Partials of a note in frames of its first second.

    Attributes
    ----------
    cents : ndarray of float64, shape (frames, partials)
        Frequencies above the reading's stiff-string law.
    power : ndarray of float64, shape (frames, partials)
        Powers.
    """

    cents: Samples
    power: Samples


def track_partials(signal: Samples, rate_hz: float, reading: Reading) -> PartialTracks:
    """Return the tracks of a note's lower partials after the noise of the pick.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        The note.
    rate_hz : float
        Sample rate.
    reading : Reading
        Reading of that signal.

    Returns
    -------
    PartialTracks
        The tracks; without frames when the note is too short.
    """
    count = round(max(0.1, 6.0 / reading.f0_hz) * rate_hz)
    note = _cut_from_pluck(signal, rate_hz, reading, _AFTER_S[0], _TRACKED_S)
    partials = _expected_partials_hz(reading, 3000.0, _TRACKED)
    starts = range(0, len(note) - count + 1, count // 2)
    cents, power = np.zeros((2, len(starts), len(partials)))
    if not len(starts):
        return PartialTracks(cents, power)
    frames = np.stack([note[at : at + count] for at in starts])
    size = 1 << (4 * count).bit_length()
    spectra = np.abs(np.fft.rfft(frames * np.hanning(count + 2)[1:-1], size, axis=1))
    rows = np.arange(len(frames))
    for k, hz in enumerate(partials.tolist()):
        half_hz = min(0.06 * hz, 0.4 * reading.f0_hz)
        low, high = (round((hz + way * half_hz) * size / rate_hz) for way in (-1.0, 1.0))
        low = max(1, low)
        top = low + np.argmax(spectra[:, low : high + 1], axis=1)
        around = np.log(np.stack([spectra[rows, top + way] for way in (-1, 0, 1)], axis=1) + 1e-20)
        shift, _ = parabolic_peaks(around.ravel(), 3 * rows + 1)
        # The maximum may be at the edge of the range, without a peak.
        cents[:, k] = CENTS_PER_E * np.log((top + np.clip(shift, -1.0, 1.0)) * rate_hz / size / hz)
        power[:, k] = spectra[rows, top] ** 2
    return PartialTracks(cents, power)


def _expected_partials_hz(reading: Reading, highest_hz: float, most: int) -> Samples:
    """Return the partials in Hz by a reading's law, at most ``most`` and up to ``highest_hz``; always the first."""
    k = np.arange(1, most + 1, dtype=np.float64)
    hz = k * reading.f0_hz * np.sqrt(1.0 + max(0.0, reading.inharmonicity) * k * k)
    return np.asarray(hz[(hz < highest_hz) | (k == 1.0)])


def _cut_from_pluck(signal: Samples, rate_hz: float, reading: Reading, start_s: float, end_s: float) -> Samples:
    """Return the signal between two times after the pluck."""
    return signal[round((reading.onset_s + start_s) * rate_hz) : round((reading.onset_s + end_s) * rate_hz)]


def _power_at_partials(signal: Samples, rate_hz: float, hz: Samples) -> float:
    """Return the sum of the squared amplitudes at the frequencies ``hz``, under a Hann window."""
    window = np.hanning(len(signal) + 2)[1:-1]
    turns = np.exp(-2j * math.pi * np.multiply.outer(hz, np.arange(len(signal)) / rate_hz))
    amplitudes = np.abs(np.einsum("kn,n->k", turns, signal * window)) * 2.0 / window.sum()
    return float(amplitudes @ amplitudes)
