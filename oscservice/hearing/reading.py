"""A note's reading: the settled pitch of its first partial, with its standard error, stiffness, level and flags.

``read_note`` reads a whole note, from before the pluck to its end, at any sample rate. ``window_pitch`` reads the mean
pitch of a part of a note. Both are pure functions: the same samples give the same result to the last bit.
``read_decimated`` does the work of ``read_note`` at the working rate.

Frequencies are in Hz, cents + sharp, times in seconds, levels in dBFS (a sine of full scale is 0); standard errors are
1 sd.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from oscservice.errors import NoNoteError
from oscservice.hearing.baseband import Baseband, demodulate, first_null_hz, lowpass_periods, mean_frequency
from oscservice.hearing.coarse_pitch import (
    SpectralPeaks,
    choose_fundamental,
    coarse_pitches,
    find_partials,
    spectral_peaks,
)
from oscservice.hearing.hum import MAINS_HZ, OFF_MAINS, Hum, hum_in_peaks, measure_hum
from oscservice.hearing.level import find_onset, is_clipped, level_dbfs, strength_db
from oscservice.hearing.mean_pitch import FEWEST_VALUES, mean_pitch
from oscservice.hearing.partial_selection import stiff_string_law
from oscservice.hearing.phase_model import GlidePhase
from oscservice.hearing.resampling import Samples, decimate, decimation
from oscservice.hearing.settled_pitch import LARGEST_SHIFT, FirstPartial, settled_first_partial, settled_pitch
from oscservice.hearing.tone_fit import Line
from oscservice.instrument.pitch import CENTS_PER_E, cents_between

SHORT_S = 0.6
"""A note with less sound than this after its pluck is flagged ``short``."""

_SETTLING_S = 0.3
_KNOCK_S = 0.1  # the noise of the attack: a model of the whole note leaves out only this
_FAINTEST = 10.0 ** (-50.0 / 20.0)  # partials have at least this share of the loudest partial's amplitude
_FEWEST_VALUES = 6
_HUM_LEFT = 0.3  # share of a hum line's amplitude left after the predicted hum is subtracted, 1 sd
_GLIDE_TRUST = 30.0  # the other partials beat too: the variance of their glide is raised by this factor
_PARTIALS = 10
_SCORE_NEEDED = 0.25
_GLIDE_LEFT_CENTS = 0.5
_UNRESOLVED_CENTS = 0.05  # two polarisations that don't beat within three seconds hide about this,
_UNRESOLVED_MOST = 4.0  # and more in a shorter note, up to this factor
_UNMODELLED_CENTS = 0.3  # two takes of one note by one player agree no better (recorded notes)
_ATTACK_SE_CENTS = 5.0
_SCATTER_CENTS = 1.0  # partials of real strings are off the stiff-string law by about this (neck and body move)
_CLEAR_OF_PLUCK_S = 0.02
_HIDDEN_HUM = 0.02
"""Amplitude over that of the loudest partial of hum that the note may hide, 1 sd: -34 dB, as of a single-coil pickup
(common practice, no source)."""

_HUM_PARTIALS = 30  # the string's own partials are looked for up to this number, to separate hum from them


@dataclass(frozen=True)
class NoteBasebands:
    """Basebands of a note's partials: partial number -> baseband, times in seconds from the pluck.

    Attributes
    ----------
    start_s : float
        Start of ``settled``.
    whole : dict[int, Baseband]
        Of the whole note.
    settled : dict[int, Baseband]
        From ``start_s`` to where the partial becomes too faint.
    clear : dict[int, Baseband]
        The same from the end of the noise of the attack.
    """

    start_s: float
    whole: dict[int, Baseband] = field(default_factory=dict)
    settled: dict[int, Baseband] = field(default_factory=dict)
    clear: dict[int, Baseband] = field(default_factory=dict)


def note_basebands(
    sound: Samples,
    rate_hz: float,
    found: Mapping[int, tuple[float, float]],
    fundamental_hz: float,
    periods: int,
    noise_power: float,
) -> NoteBasebands:
    """Return the basebands of those partials of a note that are loud and long enough.

    Parameters
    ----------
    sound : ndarray of float64, shape (n,)
        The note from its pluck on.
    rate_hz : float
        Sample rate.
    found : Mapping[int, tuple[float, float]]
        Partial number -> (frequency in Hz, amplitude).
    fundamental_hz : float
        Fundamental of the note.
    periods : int
        Periods of the fundamental in each half of the low-pass.
    noise_power : float
        Mean square of the noise in the signal.

    Returns
    -------
    NoteBasebands
        The basebands; there may be none.
    """
    length_s = len(sound) / rate_hz
    loudest = max(amplitude for _, amplitude in found.values())
    cut = NoteBasebands(min(_SETTLING_S, 0.3 * length_s))
    for k, (hz, amplitude) in sorted(found.items()):
        if amplitude <= loudest * _FAINTEST:
            continue
        band = demodulate(sound, rate_hz, hz, fundamental_hz, periods)
        if len(band.values):
            cut.whole[k] = band
            settled = _audible_part(band, cut.start_s, noise_power)
            if len(settled.values) >= _FEWEST_VALUES:
                clear = _audible_part(band, min(_KNOCK_S, 0.1 * length_s), noise_power)
                cut.settled[k] = settled
                cut.clear[k] = max(clear, settled, key=lambda each: len(each.values))  # a beat may end ``clear`` early
    return cut


def _audible_part(band: Baseband, start_s: float, noise_power: float) -> Baseband:
    """Return a baseband from ``start_s`` to where it falls to 12 dB above the noise or 40 dB below its start."""
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


@dataclass(frozen=True)
class Reading:
    """One note's settled pitch.

    Attributes
    ----------
    f1_hz : float
        Settled frequency of the first partial, without the glide; estimated alone, not by the stiff-string law.
    se_cents : float
        Standard error (1 sd) of ``f1_hz``.
    f0_hz : float
        Fundamental without stiffness by the stiff-string law f_k = k f0 sqrt(1 + B k^2).
    inharmonicity : float
        B of that law.
    inharmonicity_se : float
        Standard error (1 sd) of B; infinite when fewer than three partials were used.
    string_hz : float
        *string pitch*: the first partial by that law.
    string_se_cents : float
        Standard error (1 sd) of the string pitch.
    partials : tuple[int, ...]
        Numbers of the partials that the law is fitted to.
    level_dbfs : float
        Level of the first half second after the pluck.
    strength_db : float
        How hard the string was plucked: the level at the pluck less 10 log10(f1 / 100 Hz). One plucking force gives one
        strength on a string, open or fretted: it makes pulses of velocity c F / (2 T) at any sounding length, one in
        each period, so the power is proportional to the pitch.
    beat_cents : float
        Second polarisation from the first, + above; 0 when one explains the note.
    attack_cents : float
        Mean of the first tenth of a second above ``f1_hz``; 0 when it is unclear.
    onset_s : float
        Time of the pluck, seconds from the first sample.
    window_start_s, window_length_s : float
        The part of the note that the first partial was read from. It starts 0.3 s after the pluck, or right after the
        attack where a model with glide and both polarisations explains the note down to its noise.
    flags : tuple[str, ...]
        ``short`` (less than 0.6 s of sound), ``weak first partial`` (``f1_hz`` is the string pitch), ``clipped``, ``not
        finite`` (samples that are not finite count as silence), ``gliding`` (over 0.5 cents of glide left at the end of
        the window).
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
        """The string pitch above the first partial, in cents."""
        return cents_between(self.string_hz, self.f1_hz)


def finite_or_none(number: float) -> float | None:
    """Return the number, or None for NaN and infinity: JSON and journals hold finite numbers only."""
    return number if math.isfinite(number) else None


def with_flags(reading: Reading, flags: tuple[str, ...]) -> Reading:
    """Return the reading with more flags."""
    return replace(reading, flags=tuple(sorted({*reading.flags, *flags})))


def read_decimated(
    signal: Samples,
    rate_hz: float,
    expected_hz: tuple[float, ...] = (),
    onset_within_s: tuple[float, float] = (0.0, math.inf),
    hum: Hum | None = None,
) -> Reading:
    """Return the reading of one whole note at the working rate.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        From before the pluck to the end of the note, hum subtracted.
    rate_hz : float
        Sample rate.
    expected_hz : tuple[float, ...], optional
        Pitches that the technician was asked for; they only decide near ties between octaves.
    onset_within_s : tuple[float, float], optional
        Earliest and latest time of the pluck.
    hum : Hum | None, optional
        The hum that was subtracted; a part of its lines may be left.

    Returns
    -------
    Reading
        The reading.

    Raises
    ------
    NoNoteError
        Silence, noise, or too little sound to read a pitch.
    """
    onset = find_onset(signal, rate_hz, onset_within_s)
    after = len(signal) / rate_hz - onset
    if after < 0.06:
        raise NoNoteError(f"{after:.3f} s of sound is too short for a note")
    flags = ["short"] if after < SHORT_S else []
    early = _cut(signal, rate_hz, onset + min(0.06, 0.1 * after), onset + 1.0)
    peaks, fundamental = fundamental_in(early, rate_hz, expected_hz)
    found = find_partials(peaks, fundamental, _PARTIALS)
    noise = peaks.floor**2 * rate_hz / 2.0 / peaks.bin_hz / 3.0  # power of a bin times bins; 3 = 2 times Hann's 1.5
    periods = lowpass_periods(fundamental, after)
    parts = note_basebands(signal[int(onset * rate_hz) :], rate_hz, found, fundamental, periods, noise)
    bands = parts.settled
    if not bands:
        raise NoNoteError(f"the sound near {fundamental:.1f} Hz is too short or too faint to read")
    used = sorted(bands)
    settled = settled_pitch([bands[k] for k in used], noise)
    each = zip(used, settled.hz.tolist(), settled.se_hz.tolist(), strict=True)
    rested = {k: (hz, se) for k, hz, se in each if abs(hz / found[k][0] - 1.0) < LARGEST_SHIFT}
    if not rested:
        raise NoNoteError(f"no steady pitch near {fundamental:.1f} Hz")
    partials_hz = {k: hz for k, (hz, _) in rested.items()}
    errors = {k: CENTS_PER_E * se / hz for k, (hz, se) in rested.items()}
    first = bands[used[0]]
    beat_cents = 0.0
    if 1 in rested:
        others = [parts.clear[k] for k in used[1:]] or [parts.clear[1]]
        glide = _glide_prior(others, noise, parts.clear[1])
        lines = _hum_residue(hum, first.carrier_hz, first_null_hz(fundamental, periods))
        own = settled_first_partial(parts.clear[1], glide, settled.decay_s, noise, lines)
        partials_hz[1], errors[1] = _combined_first_partial(own, partials_hz[1], errors[1])
        if own.confidence > 0.5:
            first, beat_cents = parts.clear[1], own.beat_cents
    fitted = {k: (hz, errors[k]) for k, hz in partials_hz.items()}
    law = stiff_string_law(parts.whole, parts.start_s, settled, fitted)
    if 1 in partials_hz:
        f1, se_cents = partials_hz[1], errors[1]
    else:
        flags.append("weak first partial")
        f1 = law.string_hz
        se_cents = math.hypot(_SCATTER_CENTS, law.string_se_cents)
    window_start = float(first.times_s[0]) - first.memory_s
    window_end = float(first.times_s[-1]) + first.memory_s
    unresolved = _UNRESOLVED_CENTS * min(_UNRESOLVED_MOST, max(1.0, 3.0 / max(1e-3, window_end - window_start)))
    tail = _cut(signal, rate_hz, onset, onset + 0.5)
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
        strength_db=strength_db(signal[int(onset * rate_hz) :], rate_hz, f1),
        beat_cents=beat_cents,
        attack_cents=attack,
        onset_s=onset,
        window_start_s=window_start,
        window_length_s=window_end - window_start,
        flags=tuple(sorted(flags)),
    )


def _cut(signal: Samples, rate_hz: float, start_s: float, end_s: float) -> Samples:
    """Return the signal between two times from its first sample."""
    return signal[max(0, round(start_s * rate_hz)) : max(0, round(end_s * rate_hz))]


def fundamental_in(signal: Samples, rate_hz: float, expected_hz: tuple[float, ...] = ()) -> tuple[SpectralPeaks, float]:
    """Return the spectral peaks and the fundamental of a stretch of a note.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        At the working rate.
    rate_hz : float
        Sample rate.
    expected_hz : tuple[float, ...], optional
        Pitches that the technician was asked for.

    Returns
    -------
    tuple[SpectralPeaks, float]
        The peaks; the fundamental in Hz, to about a percent.

    Raises
    ------
    NoNoteError
        Silence, or a sound without the partials of one string.
    """
    if len(signal) < 64 or level_dbfs(signal) < -95.0:
        raise NoNoteError("silence, or too little sound for a note")
    peaks = spectral_peaks(signal, rate_hz)
    fundamental, score = choose_fundamental(peaks, coarse_pitches(signal, rate_hz), expected_hz)
    if score < _SCORE_NEEDED:
        raise NoNoteError("no pitch: the sound has no partials of one string")
    return peaks, fundamental


def _glide_prior(bands: Sequence[Baseband], noise_power: float, first: Baseband) -> GlidePhase:
    """Return the glide of the given partials as the prior for the first partial's own fit."""
    found = settled_pitch(bands, noise_power)
    return GlidePhase(
        first.times_s,
        first.carrier_hz,
        np.array([found.glide_cents, math.log(found.tau_s)]),
        np.asarray(np.linalg.inv(_GLIDE_TRUST * found.glide_covariance + np.diag([1e-6, 1e-6]))),
    )


def _combined_first_partial(own: FirstPartial, shared_hz: float, shared_se_cents: float) -> tuple[float, float]:
    """Return the mean of the first partial by its own fit and by the shared glide, weighted by the fit's confidence.

    Returns
    -------
    tuple[float, float]
        Frequency in Hz, and its standard error in cents, which includes the difference of the two.
    """
    apart = cents_between(own.hz, shared_hz)
    between = own.confidence * (1.0 - own.confidence) * apart**2
    unmodelled = (1.0 - own.confidence) * (shared_se_cents**2 + _UNMODELLED_CENTS**2)
    se_cents = math.sqrt(own.confidence * own.se_cents**2 + unmodelled + between)
    return shared_hz * 2.0 ** (own.confidence * apart / 1200.0), se_cents


def _hum_residue(hum: Hum | None, carrier_hz: float, reach: float) -> list[Line]:
    """Return the lines within ``reach`` Hz of the carrier that may be left after the predicted hum is subtracted."""
    if hum is None:
        return []
    lines = zip(hum.multiples, hum.lines_hz, hum.amplitudes, strict=True)
    return [Line(hz, _HUM_LEFT * abs(a), n) for n, hz, a in lines if abs(hz - carrier_hz) < reach]


def _attack_cents(signal: Samples, rate_hz: float, onset_s: float, fundamental_hz: float, f1_hz: float) -> float:
    """Return the mean of the first 0.1 s (or eight periods) in cents above ``f1_hz``; 0 when it is unclear."""
    length = max(0.1, 8.0 / fundamental_hz)
    attack = _cut(signal, rate_hz, onset_s + 0.01, onset_s + 0.01 + length)
    band = demodulate(attack, rate_hz, f1_hz, fundamental_hz)
    if len(band.values) < 4 or not band.values.any():
        return 0.0
    hz, se_hz = mean_frequency(band)
    # Handling noise and the knock of the body can mask the string in its first tenth of a second.
    clear = CENTS_PER_E * se_hz < _ATTACK_SE_CENTS * f1_hz
    return CENTS_PER_E * math.log(max(0.5, hz / f1_hz)) if clear else 0.0


@dataclass(frozen=True)
class WindowPitch:
    """Mean pitch of the first partial over a window.

    Attributes
    ----------
    f1_hz : float
        Mean frequency.
    se_cents : float
        Standard error (1 sd).
    """

    f1_hz: float
    se_cents: float


def read_note(samples: npt.ArrayLike, sample_rate_hz: float, expected_hz: float | None = None) -> Reading:
    """Return the reading of one whole note, from before its pluck to its end.

    Parameters
    ----------
    samples : array_like, shape (n,)
        One channel, real, full scale 1.
    sample_rate_hz : float
        8000 to 192000.
    expected_hz : float | None, optional
        Pitch that was asked for, if any; it only decides near ties between octaves.

    Returns
    -------
    Reading
        The reading.

    Raises
    ------
    ValueError
        The sample rate or the shape is not usable.
    NoNoteError
        Silence, noise, or too little sound to read a pitch.
    """
    factor = decimation(sample_rate_hz)
    raw, flags = clean_samples(samples)
    raw = raw[: len(np.trim_zeros(raw, "b"))]  # digital silence after a note is not part of it
    expected = () if expected_hz is None else (expected_hz,)
    signal, rate_hz = decimate(raw, factor), sample_rate_hz / factor
    onset = find_onset(signal, rate_hz)
    hum = measure_hum(signal[: max(0, int((onset - _CLEAR_OF_PLUCK_S) * rate_hz))], rate_hz)
    if hum is not None:
        signal = signal - hum.signal(0, len(signal))
    return with_flags(read_decimated(signal, rate_hz, expected, hum=hum), flags)


def window_pitch(samples: npt.ArrayLike, sample_rate_hz: float, expected_hz: float | None = None) -> WindowPitch:
    """Return the mean pitch of the first partial over exactly ``samples``, a part of a note after its attack.

    Parameters
    ----------
    samples : array_like, shape (n,)
        One channel, real, full scale 1.
    sample_rate_hz : float
        8000 to 192000.
    expected_hz : float | None, optional
        Pitch that was asked for, if any; it only decides near ties between octaves.

    Returns
    -------
    WindowPitch
        The mean pitch.

    Raises
    ------
    ValueError
        The sample rate or the shape is not usable.
    NoNoteError
        Silence, noise, or fewer than about five periods.
    """
    factor = decimation(sample_rate_hz)
    raw, _ = clean_samples(samples)
    rate_hz = sample_rate_hz / factor
    signal = decimate(raw, factor)
    peaks, fundamental = fundamental_in(signal, rate_hz, () if expected_hz is None else (expected_hz,))
    found = find_partials(peaks, fundamental, _HUM_PARTIALS)
    carrier = found[1][0] if 1 in found else fundamental
    length_s = len(raw) / sample_rate_hz  # the decimated samples are up to one step shorter than the true window
    periods = lowpass_periods(fundamental, length_s)
    lines, hidden = _hum_in(peaks, found, fundamental, carrier, first_null_hz(fundamental, periods))
    band = demodulate(signal, rate_hz, carrier, fundamental, periods)
    if len(band.values) < FEWEST_VALUES:
        raise NoNoteError(f"{length_s:.3f} s is too short to read {fundamental:.1f} Hz")
    near = mean_frequency(band)[0]
    if abs(near / carrier - 1.0) < LARGEST_SHIFT:
        mean = mean_pitch(demodulate(signal, rate_hz, near, fundamental, periods), length_s, lines, hidden)
        near = mean.hz
    if not abs(near / carrier - 1.0) < LARGEST_SHIFT:
        raise NoNoteError(f"no steady pitch near {carrier:.1f} Hz over these {length_s:.3f} s")
    return WindowPitch(mean.hz, CENTS_PER_E * mean.se_hz / mean.hz)


def clean_samples(samples: npt.ArrayLike) -> tuple[Samples, tuple[str, ...]]:
    """Return one channel as float64 with values that are not finite replaced by 0, and its flags.

    Parameters
    ----------
    samples : array_like
        Shape (n,).

    Returns
    -------
    tuple[Samples, tuple[str, ...]]
        Samples, shape (n,); ``not finite`` and ``clipped`` as far as they apply.

    Raises
    ------
    ValueError
        The samples are not one-dimensional.
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
    peaks: SpectralPeaks, found: dict[int, tuple[float, float]], fundamental_hz: float, carrier_hz: float, reach: float
) -> tuple[list[Line], list[Line]]:
    """Return the hum lines near the carrier that a note's spectrum shows, and those that the note may hide.

    Parameters
    ----------
    peaks : SpectralPeaks
        Spectral peaks of the note.
    found : dict[int, tuple[float, float]]
        Its partials: number -> (frequency in Hz, amplitude).
    fundamental_hz : float
        Its fundamental.
    carrier_hz : float
        Carrier of the first partial.
    reach : float
        Largest distance of the lines from the carrier in Hz.
    """
    own = np.array([k * fundamental_hz if k not in found else found[k][0] for k in range(1, _HUM_PARTIALS + 1)])
    known = peaks.hz < (_HUM_PARTIALS + 0.5) * fundamental_hz  # above, a peak may be the string's own or hum
    hum = hum_in_peaks(peaks.hz[known], peaks.amplitude[known], own, peaks.bin_hz)
    # The partials of a string at a multiple of the mains are at all its other multiples: they hide the hum.
    unseen = [mains_hz for mains_hz in MAINS_HZ if hum is None or abs(mains_hz / hum[0] - 1.0) > OFF_MAINS]
    largest = _HIDDEN_HUM * max((amplitude for _, amplitude in found.values()), default=0.0)
    hidden = [line for mains_hz in unseen for line in _multiples(mains_hz, largest, carrier_hz, peaks.bin_hz)]
    return [] if hum is None else _multiples(hum[0], 2.0 * hum[1], carrier_hz, reach), hidden


def _multiples(mains_hz: float, amplitude: float, carrier_hz: float, within_hz: float) -> list[Line]:
    """Return the multiples of the mains frequency within ``within_hz`` of the carrier."""
    numbers = range(1, int((carrier_hz + within_hz) / mains_hz) + 1)
    return [Line(n * mains_hz, amplitude, n) for n in numbers if abs(n * mains_hz - carrier_hz) < within_hz]
