"""A note's reading: the settled pitch of its first partial, and what stands beside it.

``read_note`` takes a whole note, from before the pluck to its end; ``window_pitch`` a stretch from the middle of one.
Both are pure: the same samples give the same answer to the last bit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from oscservice.errors import NoNoteError
from oscservice.hearing.baseband import Baseband, calm_periods, demodulate, frequency
from oscservice.hearing.fit import CENTS, settled_pitch
from oscservice.hearing.hum import Hum, hum_among, measure_hum
from oscservice.hearing.law import stiff_string
from oscservice.hearing.mean import mean_pitch
from oscservice.hearing.resample import Samples, decimate, decimation
from oscservice.hearing.rough import (
    Peaks,
    choose_fundamental,
    find_partials,
    rough_pitches,
    spectral_peaks,
)
from oscservice.hearing.settled import settled_first
from oscservice.hearing.tone import Glide, Line
from oscservice.instrument.pitch import cents_between

SHORT_S = 0.6
"""A note with less than this after its pluck is flagged ``short``."""

_OWN = 30  # partials that are looked for when hum must be told from the string's own
_HUM_LEFT = 0.3
_GLIDE_TRUST = 30.0
_CLEAR_OF_PLUCK_S = 0.02
_PARTIALS = 10
_LIKENESS_NEEDED = 0.25
_GLIDE_LEFT_CENTS = 0.5
_UNRESOLVED_CENTS = 0.05  # two polarisations that don't beat within three seconds hide about this much,
_UNRESOLVED_MOST = 4.0  # and more in a shorter note, up to so many times
_UNMODELLED_CENTS = 0.3  # two takes of one note by one hand agree no better, however calm each looks (recorded notes)
_ATTACK_SE_CENTS = 5.0
_STRAY_CENTS = 1.0  # partials of real strings leave the stiff-string law by about this much (neck and body move)


@dataclass(frozen=True)
class Reading:
    """One note's settled pitch.

    Attributes:
        f1_hz: settled frequency of the first partial in Hz, the glide gone; estimated on its own, not tied to the law.
        se_cents: its standard error (1 sd) in cents.
        f0_hz, inharmonicity: the stiff string that the good partials follow together; f_k = k f0 sqrt(1 + B k^2).
        inharmonicity_se: standard error (1 sd) of B; infinite when fewer than three partials were good.
        string_hz: the *string pitch* in Hz: where that law puts the first partial.
        string_se_cents: its standard error (1 sd) in cents.
        partials: numbers of the partials that law rests on.
        level_dbfs: level of the first half second after the pluck; a full-scale sine reads 0 dBFS.
        strength_db: how hard the string was plucked: the level at the pluck less 10 log10(f1 / 100 Hz). One plucking
            force gives one strength on a string, open and fretted: it makes pulses of velocity c F / (2 T) whatever
            the sounding length, one train of them a period, so power goes with the pitch.
        beat_cents: how far a second polarisation stands from the first (+ above), 0 when one explains the note.
        attack_cents: how far the first tenth of a second stands above ``f1_hz``; 0 when it can't be told.
        onset_s: time of the pluck, seconds from the first sample.
        window_start_s, window_length_s: the part of the note the first partial was read from.
        flags: ``short`` (less than 0.6 s of sound), ``weak first partial`` (f1 is the string pitch), ``clipped``,
            ``not finite`` (samples that were no numbers were taken as silence), ``gliding`` (over 0.5 cents of glide
            left at the window's end).
    """

    f1_hz: float
    se_cents: float
    f0_hz: float
    inharmonicity: float
    inharmonicity_se: float
    string_hz: float
    string_se_cents: float
    partials: tuple[int, ...]
    level_dbfs: float
    strength_db: float
    beat_cents: float
    attack_cents: float
    onset_s: float
    window_start_s: float
    window_length_s: float
    flags: tuple[str, ...] = ()

    @property
    def ambiguity_cents(self) -> float:
        """Cents by which the string pitch stands above the first partial."""
        return cents_between(self.string_hz, self.f1_hz)


@dataclass(frozen=True)
class WindowPitch:
    """Mean frequency of the first partial over a window, Hz, with its standard error (1 sd) in cents."""

    f1_hz: float
    se_cents: float


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


def is_clipped(samples: npt.NDArray[np.floating]) -> bool:
    """Whether the samples, shape (n,), stand still at their own peak near full scale: three in a row, twice or more."""
    if len(samples) < 4:
        return False
    peak = float(np.abs(samples).max())
    if peak < 0.5:
        return False
    flat = np.abs(samples) > peak * 0.9999
    return int(np.count_nonzero(flat[:-2] & flat[1:-1] & flat[2:])) >= 2


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


def with_flags(reading: Reading, flags: tuple[str, ...]) -> Reading:
    """The reading with more flags."""
    return replace(reading, flags=tuple(sorted({*reading.flags, *flags})))


def window_pitch(samples: npt.ArrayLike, sample_rate_hz: float, expected_hz: float | None = None) -> WindowPitch:
    """Mean pitch of the first partial over exactly ``samples``, shape (n,): a stretch from the middle of a note.

    Raises:
        ValueError: the sample rate or the shape is not usable.
        NoNoteError: silence, noise, or fewer than about ten periods.
    """
    factor = decimation(sample_rate_hz)
    raw, _ = cleaned(samples)
    rate_hz = sample_rate_hz / factor
    signal = decimate(raw, factor)
    peaks, fundamental = _fundamental(signal, rate_hz, () if expected_hz is None else (expected_hz,))
    found = find_partials(peaks, fundamental, _OWN)
    carrier = found[1][0] if 1 in found else fundamental
    length_s = len(raw) / sample_rate_hz  # the decimated samples span one step less than the true window
    periods = calm_periods(fundamental, length_s)
    lines = _lines_among(peaks, found, fundamental, carrier, _reach_hz(fundamental, periods))
    try:
        carrier = frequency(demodulate(signal, rate_hz, carrier, fundamental, periods))[0]
        mean = mean_pitch(demodulate(signal, rate_hz, carrier, fundamental, periods), length_s, lines)
    except ValueError as error:
        raise NoNoteError(f"{length_s:.3f} s is too short to read {fundamental:.1f} Hz") from error
    return WindowPitch(mean.hz, CENTS * mean.se_hz / mean.hz)


def read_decimated(
    signal: Samples,
    rate_hz: float,
    expected_hz: tuple[float, ...] = (),
    onset_within_s: tuple[float, float] = (0.0, math.inf),
    hum: Hum | None = None,
) -> Reading:
    """``read_note`` on a signal already brought to the working rate, its pluck within ``onset_within_s``.

    ``hum`` is what was already taken out of ``signal``: its lines may have left a rest.

    Raises:
        NoNoteError: as ``read_note``.
    """
    onset = find_onset(signal, rate_hz, onset_within_s)
    after = len(signal) / rate_hz - onset
    if after < 0.06:
        raise NoNoteError(f"{after:.3f} s of sound is too short for a note")
    flags = ["short"] if after < SHORT_S else []
    start = onset + min(0.3, 0.3 * after)
    early = _between(signal, rate_hz, onset + min(0.06, 0.1 * after), onset + 1.0)
    peaks, fundamental = _fundamental(early, rate_hz, expected_hz)
    found = find_partials(peaks, fundamental, _PARTIALS)
    noise = peaks.floor**2 * rate_hz / 2.0 / peaks.bin_hz / 3.0  # a bin's power times the bins, Hann's 1.5 and 2 put in
    loudest = max(amplitude for _, amplitude in found.values())
    bands: dict[int, Baseband] = {}
    periods = calm_periods(fundamental, after)
    for k, (hz, amplitude) in sorted(found.items()):
        band = demodulate(signal[int(onset * rate_hz) :], rate_hz, hz, fundamental, periods)
        if amplitude > loudest * 10.0 ** (-50.0 / 20.0) and len(band.values):
            cut = _settled_stretch(band, start - onset, noise)
            if len(cut.values) >= 6:
                bands[k] = cut
    if not bands:
        raise NoNoteError(f"the sound near {fundamental:.1f} Hz is too short or too faint to read")
    used = sorted(bands)
    settled = settled_pitch([bands[k] for k in used], 0.0, noise)
    partials_hz: dict[int, float] = dict(zip(used, settled.hz.tolist(), strict=True))
    errors = {k: CENTS * float(se) / partials_hz[k] for k, se in zip(used, settled.se_hz, strict=True)}
    first = bands[used[0]]
    beat_cents = 0.0
    if 1 in bands:
        glide = _glide_of([bands[k] for k in used[1:]] or [first], noise, first)
        lines = _lines_left(hum, first.carrier_hz, _reach_hz(fundamental, periods))
        own = settled_first(first, glide, settled.decay_s, noise, lines)
        apart = cents_between(own.hz, partials_hz[1])
        # Two answers, mixed by how far the signal model is believed; their distance is part of the doubt.
        between = own.belief * (1.0 - own.belief) * apart**2
        unmodelled = (1.0 - own.belief) * (errors[1] ** 2 + _UNMODELLED_CENTS**2)
        errors[1] = math.sqrt(own.belief * own.se_cents**2 + unmodelled + between)
        partials_hz[1] *= 2.0 ** (own.belief * apart / 1200.0)
        beat_cents = own.beat_cents if own.belief > 0.5 else 0.0
    law = stiff_string({k: (hz, errors[k]) for k, hz in partials_hz.items()})
    if 1 in partials_hz:
        f1, se_cents = partials_hz[1], errors[1]
    else:
        flags.append("weak first partial")
        f1 = law.string_hz
        se_cents = math.hypot(_STRAY_CENTS, law.string_se_cents)
    window_start = float(first.times_s[0]) - first.memory_s
    window_end = float(first.times_s[-1]) + first.memory_s
    unresolved = _UNRESOLVED_CENTS * min(_UNRESOLVED_MOST, max(1.0, 3.0 / max(1e-3, window_end - window_start)))
    tail = _between(signal, rate_hz, onset, onset + 0.5)
    attack = _attack_cents(signal, rate_hz, onset, fundamental, f1)
    if settled.glide_at_cents(window_end) > _GLIDE_LEFT_CENTS:
        flags.append("gliding")
    return Reading(
        f1_hz=f1,
        se_cents=math.hypot(se_cents, unresolved),
        f0_hz=law.f0_hz,
        inharmonicity=law.inharmonicity,
        inharmonicity_se=law.inharmonicity_se,
        string_hz=law.string_hz,
        string_se_cents=law.string_se_cents,
        partials=law.partials,
        level_dbfs=level_dbfs(tail),
        strength_db=_strength_db(signal[int(onset * rate_hz) :], rate_hz, f1),
        beat_cents=beat_cents,
        attack_cents=attack,
        onset_s=onset,
        window_start_s=window_start,
        window_length_s=window_end - window_start,
        flags=tuple(sorted(flags)),
    )


def level_dbfs(samples: npt.NDArray[np.floating]) -> float:
    """RMS level of samples, shape (n,); a sine of full scale reads 0 dBFS. -200 for silence."""
    return power_dbfs(float(np.mean(np.square(samples))) if len(samples) else 0.0)


def power_dbfs(power: float) -> float:
    """Level of a mean square; 1/2, a sine of full scale, reads 0 dBFS. -200 for nothing."""
    return 10.0 * math.log10(max(2.0 * power, 1e-20))


def fundamental_of(signal: Samples, rate_hz: float, expected_hz: tuple[float, ...] = ()) -> float:
    """Rough first partial in Hz of a stretch of a note at the working rate. Raises NoNoteError."""
    return _fundamental(signal, rate_hz, expected_hz)[1]


def find_onset(signal: Samples, rate_hz: float, within_s: tuple[float, float] = (0.0, math.inf)) -> float:
    """Time in seconds of the strongest rise of level in the signal, shape (n,), within ``within_s``: the pluck.

    0 when the signal starts sounding.

    Raises:
        NoNoteError: nothing but silence.
    """
    hop = max(1, round(0.002 * rate_hz))
    count = len(signal) // hop
    if count < 4:
        raise NoNoteError("too few samples for a note")
    power = np.mean(signal[: count * hop].reshape(count, hop) ** 2, axis=1)
    if power.max() < 1e-10:
        raise NoNoteError("silence: nothing above -97 dBFS")
    # Level over the 40 ms after each hop against the 40 ms before; before the first sample there is silence.
    span = 20
    padded = np.concatenate((np.full(span, power.max() * 1e-6), power, np.full(span, power[-1])))
    total = np.concatenate(([0.0], np.cumsum(padded)))
    before = total[span : span + count] - total[:count]
    after = total[2 * span : 2 * span + count] - total[span : span + count]
    floor = max(1e-12, 1e-6 * float(after.max()))
    rise = np.log((after + floor) / (before + floor))
    times_s = np.arange(count) * hop / rate_hz
    inside = (times_s >= within_s[0]) & (times_s < within_s[1])
    loud = inside & (after > 0.05 * after[inside].max()) if inside.any() else after > 0.05 * after.max()
    best = int(np.argmax(np.where(loud, rise, -np.inf)))
    # The 40 ms mean blurs the edge: go to the first hop that stands clear of what was before.
    quiet = max(before[best] / span, floor)
    near = power[best : best + span]
    first = np.flatnonzero(near > quiet + 0.1 * (near.max() - quiet)) if len(near) else np.array([0])
    return (best + (int(first[0]) if len(first) else 0)) * hop / rate_hz


def _between(signal: Samples, rate_hz: float, start_s: float, end_s: float) -> Samples:
    return signal[max(0, round(start_s * rate_hz)) : max(0, round(end_s * rate_hz))]


def _fundamental(signal: Samples, rate_hz: float, expected_hz: tuple[float, ...]) -> tuple[Peaks, float]:
    if len(signal) < 64 or level_dbfs(signal) < -95.0:
        raise NoNoteError("silence, or too little sound for a note")
    peaks = spectral_peaks(signal, rate_hz)
    fundamental, score = choose_fundamental(peaks, rough_pitches(signal, rate_hz), expected_hz)
    if score < _LIKENESS_NEEDED:
        raise NoNoteError("no pitch: the sound has no partials of one string")
    return peaks, fundamental


def _glide_of(bands: Sequence[Baseband], noise_power: float, first: Baseband) -> Glide:
    """What partials say of the glide, as the prior for the first one's own fit."""
    found = settled_pitch(bands, 0.0, noise_power)
    return Glide(
        first.times_s,
        first.carrier_hz,
        np.array([found.glide_cents, math.log(found.tau_s)]),
        np.asarray(np.linalg.inv(_GLIDE_TRUST * found.glide_covariance + np.diag([1e-6, 1e-6]))),
    )


def _lines_left(hum: Hum | None, carrier_hz: float, reach_hz: float) -> list[Line]:
    """What may be left of hum lines within ``reach_hz`` of the carrier once the foretold hum is taken out."""
    if hum is None:
        return []
    lines = zip(hum.multiples, hum.lines_hz, hum.amplitudes, strict=True)
    return [Line(hz, _HUM_LEFT * abs(a), n) for n, hz, a in lines if abs(hz - carrier_hz) < reach_hz]


def _reach_hz(fundamental_hz: float, periods: int) -> float:
    """How far from its carrier a low-pass of that many periods lets anything through: to its first null."""
    return 2.0 * fundamental_hz / periods


def _lines_among(
    peaks: Peaks, found: dict[int, tuple[float, float]], fundamental_hz: float, carrier_hz: float, reach_hz: float
) -> list[Line]:
    """Hum lines within ``reach_hz`` of the carrier, as a spectrum with the note in it shows them."""
    own = np.array([k * fundamental_hz if k not in found else found[k][0] for k in range(1, _OWN + 1)])
    known = peaks.hz < (_OWN + 0.5) * fundamental_hz  # beyond, the string's own partials are not told from hum
    hum = hum_among(peaks.hz[known], peaks.amplitude[known], own, peaks.bin_hz)
    if hum is None:
        return []
    mains_hz, amplitude = hum
    multiples = range(1, int((carrier_hz + reach_hz) / mains_hz) + 1)
    return [Line(n * mains_hz, 2.0 * amplitude, n) for n in multiples if abs(n * mains_hz - carrier_hz) < reach_hz]


def _settled_stretch(band: Baseband, start_s: float, noise_power: float) -> Baseband:
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


def _strength_db(note: Samples, rate_hz: float, f1_hz: float) -> float:
    """Strength of a note that starts at its pluck: its level over the first half second taken back to the pluck."""
    frame = max(1, round(2.0 * rate_hz / f1_hz))
    count = min(len(note), round(0.5 * rate_hz)) // frame
    power = np.mean(note[: count * frame].reshape(count, frame) ** 2, axis=1) if count else np.zeros(0)
    first = min(count, max(1, math.ceil(0.03 * rate_hz / frame)))  # the pick's own noise is over by then
    power = power[first:]
    if not len(power):
        return level_dbfs(note) - 10.0 * math.log10(f1_hz / 100.0)
    log_power = np.log(np.maximum(power, 1e-20))
    times = (first + 0.5 + np.arange(len(power))) * frame / rate_hz
    at_pluck = np.polyfit(times, log_power, 1)[1] if len(power) > 3 else float(log_power[0])
    return power_dbfs(math.exp(float(at_pluck))) - 10.0 * math.log10(f1_hz / 100.0)


def _attack_cents(signal: Samples, rate_hz: float, onset_s: float, fundamental_hz: float, f1_hz: float) -> float:
    """Cents above ``f1_hz`` over the first 0.1 s (or eight periods) after the pluck; 0 when it can't be told."""
    length = max(0.1, 8.0 / fundamental_hz)
    attack = _between(signal, rate_hz, onset_s + 0.01, onset_s + 0.01 + length)
    band = demodulate(attack, rate_hz, f1_hz, fundamental_hz)
    if len(band.values) < 4:
        return 0.0
    hz, se_hz = frequency(band)
    # Handling and the body's own knock can drown the string in its first tenth of a second.
    clear = CENTS * se_hz < _ATTACK_SE_CENTS * f1_hz
    return CENTS * math.log(max(0.5, hz / f1_hz)) if clear else 0.0
