"""Whether a sound that was read is one plucked string and nothing else.

A plucked string is one series of partials that begins at the pluck, holds its pitch but for a small glide, and keeps
nearly all of the sound. A strum, a struck key, a voice, a string that is let down and a string that only rang on while
something knocked all lack one of these. The limits stand clear of 148 recorded notes: of their sound 94 % and more is
their own partials', and their pitch wanders by at most 15 cents.
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
"""Of the sound's power, what the string's own partials have to hold."""

LEAST_OWN_RINGING, CLEAR_RISE_DB = 0.9, 10.0
"""The same for a string that was ringing already, so that its partials rise by no more than so many dB."""

LEAST_RISE_DB = 3.5
"""By so much the partials have to rise at the pluck: what rises by less was ringing already."""

MOST_WANDER_CENTS = 30.0
"""No plucked string's pitch moves further in its first second, once the pick's noise is over."""

MOST_GROWTH_DB = 6.0
"""By so much a plucked string's partials may be louder later than at first: two polarisations beat."""

FEWEST_PARTIALS = 3

_LOWEST_HZ, _HIGHEST_HZ = 30.0, 7000.0
_PARTIALS = 40
_AFTER_S = (0.05, 1.0)  # from the pluck: the pick's own noise is over, and the string still loud
_RISE_S = 0.14
_RISE_PARTIALS = 12
_LATER = 25  # hundredths of a second
_FOLLOWED_S = 1.3
_FOLLOWED = 10
_AT_FIRST = 3  # pieces, half over one another
_LOUDEST = 5
_SKIPPED = 0.99  # of the partials' power in every second or third: then that is the string's first


def why_not_single_string(signal: Samples, rate_hz: float, reading: Reading) -> str:
    """Why a note is not one plucked string alone, "" if it is.

    Args:
        signal: the note and at least 0.15 s from before it, at the working rate, shape (n,).
        rate_hz: the working rate.
        reading: of that signal.
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
        return "it can't be told which partial is the first"
    tracks = track_partials(signal, rate_hz, reading)
    if len(tracks.power) and growth_db(tracks) > MOST_GROWTH_DB:
        return "something else came in after the pluck"
    if len(tracks.power) and wander_cents(tracks) > MOST_WANDER_CENTS:
        return "its pitch wanders as no plucked string's does"
    return ""


def partials_power_share(signal: Samples, rate_hz: float, reading: Reading) -> tuple[float, float]:
    """The share of a note's power, from 30 Hz to 7 kHz and over the noise, that lies at its own partials; and the
    larger of what every second and every third of these hold of theirs. 1 and 0 when there is too little to tell."""
    note = _cut_from_pluck(signal, rate_hz, reading, *_AFTER_S)
    if len(note) < 0.025 * rate_hz:
        return 1.0, 0.0
    size = 1 << (2 * len(note) - 1).bit_length()
    power = np.abs(np.fft.rfft(note * np.hanning(len(note)), size)) ** 2
    hz = np.arange(len(power)) * rate_hz / size
    # Noise has an exponential power in each bin: its mean is its median over ln 2. Twice that is taken off.
    power = np.maximum(power - 2.0 * float(np.median(power)) / math.log(2.0), 0.0)
    partials = _expected_partials_hz(reading, _HIGHEST_HZ, _PARTIALS)
    half_hz = np.minimum(2.2 * rate_hz / len(note) + 0.004 * partials, 0.3 * reading.f0_hz)
    edges = np.stack((partials - half_hz, partials + half_hz))
    total = np.concatenate(([0.0], np.cumsum(power)))
    at = np.clip(np.round(edges * size / rate_hz).astype(int), 0, len(power))
    own = total[at[1]] - total[at[0]]
    inside = float(power[(hz > _LOWEST_HZ) & (hz < _HIGHEST_HZ)].sum())
    held = float(own.sum())
    if inside <= 0.0 or held <= 0.0:
        return 1.0, 0.0
    return held / inside, max(float(own[m - 1 :: m].sum()) / held for m in (2, 3))


def rise_db(signal: Samples, rate_hz: float, reading: Reading) -> float:
    """By how many dB the power of a note's lower partials is greater after its pluck than right before it, right after
    and a quarter of a second later (a muted strum is over by then); infinite if too little was kept from before it."""
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
    """How far the pitch of a note moves over its first second, in cents, as its loudest partials say together."""
    cents, power = tracks.cents, tracks.power
    loudest = np.argsort(-power.max(axis=0))[:_LOUDEST]
    loudest = loudest[power.max(axis=0)[loudest] > 1e-3 * power.max()]
    level = power[:, loudest].sum(axis=1)
    heard = level > 10.0**-2.5 * level.max()  # what has sunk by 25 dB may be anything
    if not heard.any():
        return 0.0
    # A glide is all partials'; one alone may jump where its two polarisations cancel.
    way = np.median(cents[np.ix_(heard, loudest)], axis=1)
    return float(way.max() - way.min())


def growth_db(tracks: PartialTracks) -> float:
    """By how many dB the odd partials of a note, or all of them, are louder later than at first. A string that is
    stopped in its middle has none of the odd ones: where another string an octave lower comes in, they grow."""
    power = tracks.power
    if len(power) <= _AT_FIRST:
        return 0.0
    both = (power.sum(axis=1), power[:, ::2].sum(axis=1))
    return max(10.0 * math.log10(part[_AT_FIRST:].max() / max(1e-30, part[:_AT_FIRST].max())) for part in both)


@dataclass(frozen=True)
class PartialTracks:
    """Partials in pieces of a note's first second: cents above the reading's law, and power; (pieces, partials)."""

    cents: Samples
    power: Samples


def track_partials(signal: Samples, rate_hz: float, reading: Reading) -> PartialTracks:
    """Follow the lower partials of a note, once the pick's noise is over. No pieces where it is too short."""
    count = round(max(0.1, 6.0 / reading.f0_hz) * rate_hz)
    note = _cut_from_pluck(signal, rate_hz, reading, _AFTER_S[0], _FOLLOWED_S)
    partials = _expected_partials_hz(reading, 3000.0, _FOLLOWED)
    starts = range(0, len(note) - count + 1, count // 2)
    cents, power = np.zeros((2, len(starts), len(partials)))
    if not len(starts):
        return PartialTracks(cents, power)
    pieces = np.stack([note[at : at + count] for at in starts])
    size = 1 << (4 * count).bit_length()
    spectra = np.abs(np.fft.rfft(pieces * np.hanning(count + 2)[1:-1], size, axis=1))
    rows = np.arange(len(pieces))
    for k, hz in enumerate(partials.tolist()):
        half_hz = min(0.06 * hz, 0.4 * reading.f0_hz)
        low, high = (round((hz + way * half_hz) * size / rate_hz) for way in (-1.0, 1.0))
        low = max(1, low)
        top = low + np.argmax(spectra[:, low : high + 1], axis=1)
        around = np.log(np.stack([spectra[rows, top + way] for way in (-1, 0, 1)], axis=1) + 1e-20)
        shift, _ = parabolic_peaks(around.ravel(), 3 * rows + 1)
        # At the edge of what is looked at there may be no top at all.
        cents[:, k] = CENTS_PER_E * np.log((top + np.clip(shift, -1.0, 1.0)) * rate_hz / size / hz)
        power[:, k] = spectra[rows, top] ** 2
    return PartialTracks(cents, power)


def _expected_partials_hz(reading: Reading, highest_hz: float, most: int) -> Samples:
    """The partials that a reading's law lets expect, in Hz, up to ``highest_hz`` but for the first."""
    k = np.arange(1, most + 1, dtype=np.float64)
    hz = k * reading.f0_hz * np.sqrt(1.0 + max(0.0, reading.inharmonicity) * k * k)
    return np.asarray(hz[(hz < highest_hz) | (k == 1.0)])


def _cut_from_pluck(signal: Samples, rate_hz: float, reading: Reading, start_s: float, end_s: float) -> Samples:
    return signal[round((reading.onset_s + start_s) * rate_hz) : round((reading.onset_s + end_s) * rate_hz)]


def _power_at_partials(signal: Samples, rate_hz: float, hz: Samples) -> float:
    window = np.hanning(len(signal) + 2)[1:-1]
    turns = np.exp(-2j * math.pi * np.multiply.outer(hz, np.arange(len(signal)) / rate_hz))
    amplitudes = np.abs(np.einsum("kn,n->k", turns, signal * window)) * 2.0 / window.sum()
    return float(amplitudes @ amplitudes)
