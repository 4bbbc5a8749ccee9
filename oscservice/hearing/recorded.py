"""Reading from recorded samples at any sample rate.

``read_note`` takes a whole note, from before the pluck to its end; ``window_pitch`` a stretch from the middle of one.
Both are pure: the same samples give the same answer to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from oscservice.errors import NoNoteError
from oscservice.hearing.baseband import calm_periods, demodulate, frequency, reach_hz
from oscservice.hearing.clipping import is_clipped
from oscservice.hearing.hum import MAINS_HZ, OFF_MAINS, hum_among, measure_hum
from oscservice.hearing.level import find_onset
from oscservice.hearing.mean import FEWEST_VALUES, mean_pitch
from oscservice.hearing.reading import Reading, fundamental_in, read_decimated, with_flags
from oscservice.hearing.resample import Samples, decimate, decimation
from oscservice.hearing.rough import Peaks, find_partials
from oscservice.hearing.settled import RUN_AWAY
from oscservice.hearing.tone import Line
from oscservice.instrument.pitch import CENTS_PER_E

_CLEAR_OF_PLUCK_S = 0.02
_HIDDEN_HUM = 0.02
"""Hum that can't be told from the note may have this share of its loudest partial's amplitude, 1 sd: -34 dB, what a
single-coil pickup hears (common practice, no source)."""

_OWN = 30  # partials that are looked for when hum must be told from the string's own


@dataclass(frozen=True)
class WindowPitch:
    """Mean frequency of the first partial over a window, Hz, with its standard error (1 sd) in cents."""

    f1_hz: float
    se_cents: float


def read_note(samples: npt.ArrayLike, sample_rate_hz: float, expected_hz: float | None = None) -> Reading:
    """Read one whole note: ``samples`` of one channel, shape (n,), from before its pluck to its end.

    Args:
        samples: real numbers, full scale 1.
        sample_rate_hz: 8000 to 192000.
        expected_hz: pitch that was asked for, if any; it only decides near ties between octaves.

    Raises:
        ValueError: the sample rate or the shape is not usable.
        NoNoteError: silence, noise or too little sound to read a pitch.
    """
    factor = decimation(sample_rate_hz)
    raw, flags = cleaned(samples)
    raw = raw[: len(np.trim_zeros(raw, "b"))]  # digital silence behind a note is no part of it
    expected = () if expected_hz is None else (expected_hz,)
    signal, rate_hz = decimate(raw, factor), sample_rate_hz / factor
    onset = find_onset(signal, rate_hz)
    hum = measure_hum(signal[: max(0, int((onset - _CLEAR_OF_PLUCK_S) * rate_hz))], rate_hz)
    if hum is not None:
        signal = signal - hum.signal(0, len(signal))
    return with_flags(read_decimated(signal, rate_hz, expected, hum=hum), flags)


def window_pitch(samples: npt.ArrayLike, sample_rate_hz: float, expected_hz: float | None = None) -> WindowPitch:
    """Mean pitch of the first partial over exactly ``samples``, shape (n,): a stretch from the middle of a note.

    Raises:
        ValueError: the sample rate or the shape is not usable.
        NoNoteError: silence, noise, or fewer than about five periods.
    """
    factor = decimation(sample_rate_hz)
    raw, _ = cleaned(samples)
    rate_hz = sample_rate_hz / factor
    signal = decimate(raw, factor)
    peaks, fundamental = fundamental_in(signal, rate_hz, () if expected_hz is None else (expected_hz,))
    found = find_partials(peaks, fundamental, _OWN)
    carrier = found[1][0] if 1 in found else fundamental
    length_s = len(raw) / sample_rate_hz  # the decimated samples span one step less than the true window
    periods = calm_periods(fundamental, length_s)
    lines, hidden = _hum_in(peaks, found, fundamental, carrier, reach_hz(fundamental, periods))
    band = demodulate(signal, rate_hz, carrier, fundamental, periods)
    if len(band.values) < FEWEST_VALUES:
        raise NoNoteError(f"{length_s:.3f} s is too short to read {fundamental:.1f} Hz")
    near = frequency(band)[0]
    if abs(near / carrier - 1.0) < RUN_AWAY:
        mean = mean_pitch(demodulate(signal, rate_hz, near, fundamental, periods), length_s, lines, hidden)
        near = mean.hz
    if not abs(near / carrier - 1.0) < RUN_AWAY:
        raise NoNoteError(f"no steady pitch near {carrier:.1f} Hz over these {length_s:.3f} s")
    return WindowPitch(mean.hz, CENTS_PER_E * mean.se_hz / mean.hz)


def cleaned(samples: npt.ArrayLike) -> tuple[Samples, tuple[str, ...]]:
    """One channel as float64, shape (n,): numbers that are none become silence and are flagged, and so is clipping.

    Raises:
        ValueError: the samples are not one-dimensional.
    """
    raw = np.asarray(samples, dtype=np.float64)
    if raw.ndim != 1:
        raise ValueError(f"samples of one channel have one dimension, these have {raw.ndim}")
    flags = []
    finite = np.isfinite(raw)
    if not finite.all():
        raw = np.where(finite, raw, 0.0)
        flags.append("not finite")
    if is_clipped(raw):
        flags.append("clipped")
    return raw, tuple(flags)


def _hum_in(
    peaks: Peaks, found: dict[int, tuple[float, float]], fundamental_hz: float, carrier_hz: float, reach: float
) -> tuple[list[Line], list[Line]]:
    """Hum lines within ``reach`` Hz of the carrier that a spectrum with the note in it shows, and those it may hide."""
    own = np.array([k * fundamental_hz if k not in found else found[k][0] for k in range(1, _OWN + 1)])
    known = peaks.hz < (_OWN + 0.5) * fundamental_hz  # beyond, the string's own partials are not told from hum
    hum = hum_among(peaks.hz[known], peaks.amplitude[known], own, peaks.bin_hz)
    # A string on a multiple of the mains has its partials on all others too, and hides whatever hum there is.
    unseen = [mains_hz for mains_hz in MAINS_HZ if hum is None or abs(mains_hz / hum[0] - 1.0) > OFF_MAINS]
    largest = _HIDDEN_HUM * max((amplitude for _, amplitude in found.values()), default=0.0)
    hidden = [line for mains_hz in unseen for line in _multiples(mains_hz, largest, carrier_hz, peaks.bin_hz)]
    return [] if hum is None else _multiples(hum[0], 2.0 * hum[1], carrier_hz, reach), hidden


def _multiples(mains_hz: float, amplitude: float, carrier_hz: float, within_hz: float) -> list[Line]:
    numbers = range(1, int((carrier_hz + within_hz) / mains_hz) + 1)
    return [Line(n * mains_hz, amplitude, n) for n in numbers if abs(n * mains_hz - carrier_hz) < within_hz]
