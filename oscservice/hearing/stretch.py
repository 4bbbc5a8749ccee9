"""Which part of each partial of a note is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from oscservice.hearing.baseband import Baseband, demodulate
from oscservice.hearing.resample import Samples

_SETTLING_S = 0.3
_KNOCK_S = 0.1  # a model that holds for the whole note may use all but this: the attack's own noise
_FAINTEST = 10.0 ** (-50.0 / 20.0)  # of the loudest partial's amplitude
_FEWEST_VALUES = 6


@dataclass(frozen=True)
class Stretches:
    """Basebands by number of the partial, times in seconds from the pluck.

    Attributes:
        whole: of the whole note.
        settled: from where the note has begun to settle to where the partial sinks away.
        clear: the same from where the attack's own noise is over.
        start_s: where ``settled`` starts.
    """

    start_s: float
    whole: dict[int, Baseband] = field(default_factory=dict)
    settled: dict[int, Baseband] = field(default_factory=dict)
    clear: dict[int, Baseband] = field(default_factory=dict)


def stretches(
    sound: Samples,
    rate_hz: float,
    found: Mapping[int, tuple[float, float]],
    fundamental_hz: float,
    periods: int,
    noise_power: float,
) -> Stretches:
    """Demodulate the partials of a note that are loud and long enough.

    Args:
        sound: the note from its pluck on, shape (n,).
        found: number -> (frequency in Hz, amplitude).
        periods: of the fundamental in each half of the low-pass.
        noise_power: of the signal, in squared amplitude.
    """
    length_s = len(sound) / rate_hz
    loudest = max(amplitude for _, amplitude in found.values())
    cut = Stretches(min(_SETTLING_S, 0.3 * length_s))
    for k, (hz, amplitude) in sorted(found.items()):
        band = demodulate(sound, rate_hz, hz, fundamental_hz, periods)
        if amplitude > loudest * _FAINTEST and len(band.values):
            cut.whole[k] = band
            settled = _sounding(band, cut.start_s, noise_power)
            if len(settled.values) >= _FEWEST_VALUES:
                clear = _sounding(band, min(_KNOCK_S, 0.1 * length_s), noise_power)
                cut.settled[k] = settled
                cut.clear[k] = max(clear, settled, key=lambda each: len(each.values))  # a beat may end it early
    return cut


def _sounding(band: Baseband, start_s: float, noise_power: float) -> Baseband:
    """The part of a baseband from ``start_s`` to where it sinks to 12 dB over the noise or 40 dB below its start."""
    power = np.abs(band.values) ** 2
    inside = band.times_s - band.memory_s >= start_s
    if not inside.any():
        return replace(band, times_s=band.times_s[:0], values=band.values[:0])
    first = int(np.argmax(inside))
    top = float(np.median(power[first : first + 8]))
    enough = max(16.0 * noise_power * band.noise_gain, 1e-4 * top)
    low = np.flatnonzero(power[first:] < enough)
    last = first + int(low[0]) if len(low) else len(power)
    return replace(band, times_s=band.times_s[first:last], values=band.values[first:last])
