"""The pitch of a note while it sounds, from about five periods after its pluck.

The lowest partials of a note over its last few periods, fitted together.

Each partial has an amplitude of its own that changes along a line (or a parabola), so four or five periods are enough
to keep neighbours apart. Frequencies are those of the middle of the stretch: seen from there, a glide pulls as much up
as down. The doubt comes from what is found between the partials.

The momentary pitch of a note while it sounds, from about five periods after its pluck.

Which note it is, is decided from the signal's likeness to itself a period later, and checked against what lies between
the partials that such a note would have: there is nothing there unless the period is really twice or three times as
long. Then the lowest partials are fitted together, each with an amplitude of its own that changes along a straight
line, so that few periods are enough to keep neighbours apart. The value is that of the middle of the stretch: seen from
there, a glide pulls as much up as down.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oscservice.errors import NoNoteError
from oscservice.hearing.baseband import ComplexSamples
from oscservice.hearing.coarse_pitch import HIGHEST_HZ, LOWEST_HZ, parabolic_peaks
from oscservice.hearing.reading import fundamental_in
from oscservice.hearing.resampling import Samples
from oscservice.instrument.pitch import CENTS_PER_E

FEWEST_PERIODS = 4.4
"""Fewer periods than this keep no neighbouring partials apart under a Hann window, two bins wide on either side."""

_LONGEST_PERIODS = 8.0
_LONGEST_S = 0.08
_MANY_PERIODS = 14.0
_MISSING = 3e-4  # partials with less than this share of the power of the others are not there


@dataclass(frozen=True)
class PartialFit:
    """The lowest partials over the last periods of a signal.

    Attributes:
        hz: momentary frequencies at ``at_sample``, shape (K,).
        amplitudes: complex amplitudes there, shape (K,).
        start: first sample used.
        at_sample: the middle of the stretch, in samples from the signal's first.
        noise: power of white noise that would leave as much between the partials, at the rate used.
        freedom: degrees of freedom of that.
        se_gain_hz: standard errors in Hz of partials of amplitude 1 in white noise of power 1, shape (K,).
        between: share of the power that lies half-way between the partials.
    """

    hz: Samples
    amplitudes: ComplexSamples
    start: int
    at_sample: float
    noise: float
    freedom: float
    se_gain_hz: Samples
    between: float

    @property
    def raised(self) -> int:
        """Which partial is the true first one: 2 or 3 when only every second or third is there, else 1."""
        return self.skipped(_MISSING)

    def skipped(self, share: float) -> int:
        """2 or 3 when all but every second or third partial have less than ``share`` of those' power, else 1."""
        power = np.abs(self.amplitudes) ** 2
        for number in (2, 3):
            there = float(power[number - 1 :: number].sum())
            if len(power) >= number and float(power.sum()) - there < share * there:
                return number
        return 1


def fit_present_partials(signal: Samples, rate_hz: float, guess_hz: float) -> PartialFit | None:
    """``fit_partials``, and again an octave or a twelfth higher when only those partials are there."""
    fit = fit_partials(signal, rate_hz, guess_hz)
    if fit is not None and fit.raised > 1:
        return fit_partials(signal, rate_hz, float(fit.hz[fit.raised - 1]))
    return fit


def fit_partials(signal: Samples, rate_hz: float, guess_hz: float) -> PartialFit | None:
    """Least squares under a Hann window over the last periods of a note on about ``guess_hz``, shape (n,).

    Each partial is (p + q u) exp(i w t), u from -1 to 1 over the stretch: p is its amplitude in the middle, and the
    imaginary part of q / p what its frequency there differs by from w.

    Returns:
        None when there are fewer than ``FEWEST_PERIODS`` periods.
    """
    if not LOWEST_HZ * 0.9 < guess_hz < HIGHEST_HZ * 1.1:
        return None
    length = min(len(signal), round(max(_LONGEST_PERIODS / guess_hz, _LONGEST_S) * rate_hz))
    periods = length / rate_hz * guess_hz
    if periods < FEWEST_PERIODS:
        return None
    start = len(signal) - length
    window, rate, delay = _decimated(signal[start:], rate_hz, guess_hz)
    count = len(window)
    highest = max(1, min(7 if periods < 6.5 else 5 if periods < 10.0 else 3, int(0.4 * rate / guess_hz)))
    u = (2.0 * np.arange(count) - (count - 1)) / count
    hann = np.cos(0.5 * np.pi * u) ** 2
    half_s = 0.5 * count / rate
    turns = 2.0 * np.pi * half_s * u
    # Few periods of a low string are a long time: there the glide bends the phase, which takes a term in u squared.
    terms = (np.ones(count), u, u * u)[: 3 if periods < 6.5 else 2]
    hz = guess_hz * np.arange(1, highest + 1)
    for _ in range(4):
        phase = np.outer(hz, turns)
        waves = np.concatenate((np.cos(phase), -np.sin(phase)))
        design = np.concatenate([term * waves for term in terms])
        weighted = hann * design
        normal = weighted @ design.T
        normal[np.diag_indices_from(normal)] *= 1.0 + 1e-9
        inverse = np.linalg.inv(normal)
        theta = inverse @ _matrix_vector(weighted, window)
        p, q = (theta[i : i + highest] + 1j * theta[i + highest : i + 2 * highest] for i in (0, 2 * highest))
        turned = np.imag(q * np.conj(p)) / np.maximum(np.abs(p) ** 2, 1e-30)
        spread = hz - np.concatenate(([0.0], hz[:-1]))
        hz = hz + np.clip(turned, -1.5, 1.5) / (2.0 * np.pi * half_s)
        if abs(turned[0]) < 0.02:
            break
    if not 0.8 * guess_hz < hz[0] < 1.25 * guess_hz:
        return None
    # The noise is seen between the partials, through the window that the frequency of a partial is seen through.
    gaps, below = (np.array([1 / 2]), 6) if periods < _MANY_PERIODS else (np.array([1 / 3, 1 / 2, 2 / 3]), 2)
    phase = np.outer((hz[:below, None] - spread[:below, None] * gaps).ravel(), turns)
    probes = hann * np.concatenate((np.cos(phase), np.sin(phase)))
    left = window - _matrix_vector(design.T, theta)
    between = highest * float(np.mean((_matrix_vector(probes, left) * 2.0 / hann.sum()) ** 2))
    probes *= u
    # What the fit takes of white noise is missing there: what is left of each probe says how much.
    remaining = probes - ((probes @ design.T) @ inverse) @ weighted
    slopes = inverse[3 * highest : 4 * highest] @ weighted
    return PartialFit(
        hz=np.asarray(hz),
        amplitudes=p,
        start=start,
        at_sample=start + delay + 0.5 * (count - 1) * rate_hz / rate,
        noise=float(np.mean(_matrix_vector(probes, left) ** 2 / np.sum(remaining**2, axis=1))),
        freedom=float(len(probes)),
        se_gain_hz=np.sqrt(np.sum(slopes**2, axis=1)) / (2.0 * np.pi * half_s),
        between=between / (between + float(np.sum(np.abs(p) ** 2))),
    )


def _decimated(signal: Samples, rate_hz: float, guess_hz: float) -> tuple[Samples, float, float]:
    """The signal at about 20 samples a period (14 of many periods): samples, rate in Hz, delay in its samples.

    Each sample is a mean under a Hann window four new samples long, whose nulls lie where multiples of the new rate
    would fold down to the lowest partials.
    """
    periods = len(signal) / rate_hz * guess_hz
    step = max(1, int(rate_hz / ((20.0 if periods < _MANY_PERIODS else 14.0) * guess_hz)))
    if step == 1:
        return signal, rate_hz, 0.0
    kernel = np.hanning(4 * step + 1)[1:-1]
    kernel /= kernel.sum()
    windows = np.lib.stride_tricks.sliding_window_view(signal, len(kernel))[::step]
    return _matrix_vector(windows, kernel), rate_hz / step, 2.0 * step - 1.0


def _matrix_vector(matrix: Samples, vector: Samples) -> Samples:
    """Their product without BLAS, which would start threads for so small a thing and spend five times the work."""
    return np.asarray(np.einsum("ij,j->i", matrix, vector))


_ATTACK_S = 0.004  # the pluck's own noise has mostly gone by then
_LIKENESS_NEEDED = 0.8
_NEARLY_AS_LIKE = 0.8
_BETWEEN_CLEAR = 0.01
_BETWEEN_ALLOWED = 0.1
_BETWEEN_DOUBTED = 1e-3  # less than this between the partials is no first partial of a longer period
_BETWEEN_WAITED_FOR = 2e-3  # and with more than this no note is told until the longer period can be looked at
_STANDS_CLEAR = 10.0  # times the power that lies between the partials of the longer period
_IN_TUNE = 0.008  # a weak first partial pulled by the body's knock stands an eighth of a semitone off at the worst
_HARDLY_THERE = 0.01  # share of the power: with less in all but every second or third partial, is the period so long?
_FIRST_SE_CENTS = 0.5  # a value an instant later is better than one that is worth little
_SOON_S = 0.03
_SECOND_SE_CENTS = 2.0
_PATIENCE_S = 0.1
_PATIENCE_PERIODS = 6.0
_UNKNOWN_HZ = 60.0
_LOOKS_S = (0.0, 0.15, 0.3, 0.6)  # after patience has run out: when a doubtful note may be looked at as a whole
_CORRECTED_FROM_S = 0.15  # after patience has run out; what rings beside a note for 0.1 s may be the body
_CORRECTED_UNTIL_S = 1.2
_WORST_SE_CENTS = 10.0
_FAINT = 0.05  # a first partial below this part of the loudest says less than the others
_STRAY_CENTS = 1.0  # partials of real strings leave the stiff-string law by about this much (neck and body move)
_UNRESOLVED_CENTS = 0.008  # bend of glide and beat within a stretch, beyond a straight line
_NOISE_MEMORY = 48.0


@dataclass(frozen=True)
class MomentaryPitch:
    """Momentary frequency of the first partial as heard, the beat of its two polarisations in it.

    Attributes:
        hz: in Hz.
        se_cents: its standard error (1 sd) in cents.
        at_sample: where it holds, in samples (not whole ones) from the first sample given.
    """

    hz: float
    se_cents: float
    at_sample: float


class LivePitchTracker:
    """Follows one note from its pluck on.

    Args:
        rate_hz: working rate.
        expected_hz: pitches that are asked for; they decide near ties between octaves, nothing more.
    """

    def __init__(self, rate_hz: float, expected_hz: Sequence[float] = ()) -> None:
        self._rate_hz = rate_hz
        self._expected_hz = tuple(expected_hz)
        self._guess_hz = 0.0
        self._told = False
        self._late = False
        self._looks = 0
        self._noise = 0.0
        self._freedom = 0.0

    def follow(self, signal: Samples, quiet_power: float) -> MomentaryPitch | None:
        """The pitch now, or None while it can't be told.

        Args:
            signal: from shortly before the pluck to now, shape (n,).
            quiet_power: mean square of the signal before the pluck.
        """
        start = pluck_sample(signal, self._rate_hz, quiet_power) + round(_ATTACK_S * self._rate_hz)
        sound = signal[start:]
        self._late = len(sound) / self._rate_hz > _PATIENCE_S + _PATIENCE_PERIODS / (self._guess_hz or _UNKNOWN_HZ)
        looking = self._late and self._looks < len(_LOOKS_S)
        guess_hz = self._guess_hz or (0.0 if looking else first_pitch(sound, self._rate_hz))
        fit = fit_present_partials(sound, self._rate_hz, guess_hz)
        found_hz = self._look_again(sound, fit)
        if found_hz:
            fit = fit_present_partials(sound, self._rate_hz, found_hz)
        if fit is None or (fit.between > _BETWEEN_ALLOWED and not self._told and not found_hz):
            self._guess_hz = 0.0
            return None
        hz, se_cents = self._first_partial(fit, new=fit.start < round(0.02 * self._rate_hz))
        settled = self._told or (self._late and abs(self._guess_hz / hz - 1.0) < 0.02)
        soon = len(sound) / self._rate_hz < _SOON_S + _PATIENCE_PERIODS / hz
        if se_cents > (_WORST_SE_CENTS if settled else _FIRST_SE_CENTS if soon else _SECOND_SE_CENTS):
            self._guess_hz = hz if self._late else self._guess_hz
            return None
        self._guess_hz, self._told = hz, True
        return MomentaryPitch(hz, se_cents, start + fit.at_sample)

    @property
    def hurried(self) -> bool:
        """Whether the first value is still to come and may be there with the next few samples."""
        return not self._told and not self._late

    def _look_again(self, sound: Samples, fit: PartialFit | None) -> float:
        """The note by its whole spectrum in Hz; 0 when there is none, when it's not time for that, or no need."""
        age_s = len(sound) / self._rate_hz - _PATIENCE_S
        if not self._late or self._looks == len(_LOOKS_S) or age_s <= _LOOKS_S[self._looks]:
            return 0.0
        if fit is None or fit.between > _BETWEEN_ALLOWED:
            # A note known for long is not another one now: what has come up beside it is a neighbour ringing on.
            needed = not self._told or age_s < _LOOKS_S[-1]
        else:
            needed = not self._told or _CORRECTED_FROM_S < age_s < _CORRECTED_UNTIL_S
            needed = needed and (fit.skipped(_HARDLY_THERE) > 1 or has_longer_period(sound, self._rate_hz, fit))
        if not needed:
            return 0.0
        self._looks = sum(age_s > at_s for at_s in _LOOKS_S)
        try:
            return fundamental_in(sound[-round(0.5 * self._rate_hz) :], self._rate_hz, self._expected_hz)[1]
        except NoNoteError:
            return 0.0

    def _first_partial(self, fit: PartialFit, *, new: bool) -> tuple[float, float]:
        """Frequency of the first partial in Hz and its standard error in cents."""
        noise, freedom = fit.noise, fit.freedom
        if not new:
            # Away from the pluck the noise stays the same: what earlier stretches said of it counts too.
            freedom += self._freedom
            self._noise = noise = (self._freedom * self._noise + fit.freedom * fit.noise) / freedom
            self._freedom = min(freedom, _NOISE_MEMORY)
        amplitudes = np.abs(fit.amplitudes)
        # Divided by a deviation known from few values, an error scatters as Student's t does.
        spread = math.sqrt(noise * freedom / (freedom - 2.0))
        se = CENTS_PER_E * spread * fit.se_gain_hz / np.maximum(amplitudes, 1e-30) / fit.hz
        k = 1
        if amplitudes[0] < _FAINT * amplitudes.max():
            # The first partial is all but missing: the one that says most of the others, doubted for its stiffness.
            k = 1 + int(np.argmin(np.hypot(se, _STRAY_CENTS * np.arange(1, len(se) + 1))[1:])) + 1
        stray = _STRAY_CENTS * k if k > 1 else 0.0
        return float(fit.hz[k - 1]) / k, math.hypot(float(se[k - 1]), stray, _UNRESOLVED_CENTS)


def pluck_sample(signal: Samples, rate_hz: float, quiet_power: float) -> int:
    """First sample of the first millisecond that stands clear of what was before, in a signal of shape (n,)."""
    width = max(1, round(0.001 * rate_hz))
    count = min(len(signal), round(0.15 * rate_hz)) // width
    power = np.mean(signal[: count * width].reshape(count, width) ** 2, axis=1)
    if not count:
        return 0
    above = np.flatnonzero(power > quiet_power + 0.1 * max(0.0, float(power.max()) - quiet_power))
    return int(above[0]) * width if len(above) else 0


def normalised_autocorrelation(signal: Samples, longest: int) -> Samples:
    """Likeness of a signal, shape (n,), to itself 0 to ``longest`` samples later, -1 to 1; shape (longest + 1,).

    2 sum x(t) x(t + lag) / sum (x(t)^2 + x(t + lag)^2), over the samples that overlap: the difference function of
    de Cheveigné and Kawahara (J. Acoust. Soc. Am. 111 (2002) 1917) over the power it can have, taken from 1.
    """
    count = len(signal)
    size = 1 << (count + longest).bit_length()
    spectrum = np.fft.rfft(signal, size)
    product = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[: longest + 1]
    power = np.concatenate(([0.0], np.cumsum(signal**2)))
    lags = np.arange(longest + 1)
    both = power[count - lags] + power[count] - power[lags]
    return np.asarray(2.0 * product / np.maximum(both, 1e-30))


def has_longer_period(sound: Samples, rate_hz: float, fit: PartialFit) -> bool:
    """Whether what lies between a note's partials is, or may yet be, partials of a period twice or thrice as long.

    A string plucked or picked up near its middle can have a second partial ten times its first: power alone does not
    tell such a first partial from noise. But it stands clear of what lies between the partials of the longer period,
    and in tune with them.
    """
    if fit.between < _BETWEEN_DOUBTED:
        return False
    for number in (2, 3):
        longer_hz = float(fit.hz[0]) / number
        if longer_hz < LOWEST_HZ:
            break
        if len(sound) / rate_hz * longer_hz < FEWEST_PERIODS:
            return number == 2 and fit.between > _BETWEEN_WAITED_FOR
        lower = fit_partials(sound, rate_hz, longer_hz)
        if lower is None:
            continue
        power = np.abs(lower.amplitudes) ** 2
        own = np.arange(1, len(power) + 1) % number > 0
        loudest = int(np.argmax(own * power))
        in_tune = float(lower.hz[loudest]) * number / (loudest + 1) / float(fit.hz[0])
        between = lower.between / (1.0 - lower.between) * float(power.sum())
        if abs(in_tune - 1.0) < _IN_TUNE and float(own @ power) > _STANDS_CLEAR * between:
            return True
    return False


def first_pitch(sound: Samples, rate_hz: float) -> float:
    """Pitch in Hz of a note that has just begun, shape (n,), or 0 while it isn't clear.

    The shortest period that is nearly as good as the best one, unless there is something between its partials: then
    the next longer one.
    """
    # Only so much as the lowest string needs; and only the lower partials, for stiffness puts the others out of step.
    sound = sound[-round(5.0 / LOWEST_HZ * rate_hz) :]
    reach = max(1, int(rate_hz / 3000.0))
    kernel = np.hanning(2 * reach + 1)[1:-1]
    if len(sound) < 8 * len(kernel) or not sound.any():
        return 0.0
    smooth = np.convolve(sound, kernel / kernel.sum(), "valid")
    like = normalised_autocorrelation(smooth, len(smooth) // 2)
    falls = np.flatnonzero(like < 0.0)
    if not len(falls):
        return 0.0
    lags = np.arange(max(int(falls[0]), int(rate_hz / HIGHEST_HZ), 1), len(like) - 1)
    lags = lags[(like[lags] >= like[lags - 1]) & (like[lags] > like[lags + 1])]
    shift, peaks = parabolic_peaks(like, lags)
    if not len(peaks) or peaks.max() < _LIKENESS_NEEDED:
        return 0.0
    good = peaks >= _NEARLY_AS_LIKE * peaks.max()
    for lag, peak in zip((lags + shift)[good], peaks[good], strict=True):
        fit = fit_partials(sound, rate_hz, rate_hz / float(lag))
        if fit is None:
            return 0.0
        # A knock or the neighbours put something between the partials too, but don't make longer periods fit better.
        allowed = _BETWEEN_ALLOWED if peak > peaks[lags > 1.5 * lag].max(initial=-1.0) + 0.01 else _BETWEEN_CLEAR
        if fit.between < allowed and fit.raised == 1 and not has_longer_period(sound, rate_hz, fit):
            return float(fit.hz[0]) if abs(fit.hz[0] * lag / rate_hz - 1.0) < 0.05 else rate_hz / float(lag)
    return 0.0
