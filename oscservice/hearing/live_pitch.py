"""Live pitch: the pitch of a note while it sounds, from about five periods after its pluck.

``first_pitch`` finds the period of a new note by its autocorrelation. It then looks between the partials of that
period: there is power only if the true period is two or three times as long.

``fit_partials`` fits the lowest partials together over the last few periods. The amplitude of each partial changes
along a line (or a parabola), so four or five periods are enough to separate the partials. The frequencies are those at
the middle of the window, where a glide has no effect to first order. The standard error follows from the noise between
the partials.

``LivePitchTracker`` follows one note with both.

Frequencies are in Hz, times in seconds, positions in samples. Signals have the working rate.
"""

from __future__ import annotations

import functools
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
"""Fewest periods that separate neighbouring partials under a Hann window, whose main lobe is two bins on each side."""

_LONGEST_PERIODS = 8.0  # the window holds this many periods, or
_LONGEST_S = 0.08  # this time if it is longer
_MANY_PERIODS = 14.0
_MISSING = 3e-4  # partials with less than this share of the power of the others are missing


_ATTACK_S = 0.004  # most of the noise of the pluck is over by then
_CORRELATION_NEEDED = 0.8
_NEARLY_AS_HIGH = 0.8  # share of the highest correlation peak
_BETWEEN_CLEAR = 0.01  # share of the power between the partials: a period with less is right,
_BETWEEN_ALLOWED = 0.1  # one with more is wrong,
_BETWEEN_DOUBTED = 1e-3  # with less there is no first partial of a longer period,
_BETWEEN_WAITED_FOR = 2e-3  # and with more no value is given until the longer period can be examined
_STANDS_CLEAR = 10.0  # a first partial of a longer period has this many times the power between the partials
_IN_TUNE = 0.008  # the knock of the body pulls a weak first partial by an eighth of a semitone at most
_HARDLY_THERE = 0.01  # with less power in all but every second or third partial, the period may be shorter
_FIRST_SE_CENTS = 0.5  # largest standard error of the first value at first: a better one comes soon
_SOON_S = 0.03
_SECOND_SE_CENTS = 2.0  # and a little later
_PATIENCE_S = 0.1  # after this time and
_PATIENCE_PERIODS = 6.0  # so many periods a note is late
_UNKNOWN_HZ = 60.0  # pitch assumed for that while none is known
_RECHECKS_S = (0.0, 0.15, 0.3, 0.6)  # times when the whole spectrum of a doubtful late note is examined
_CORRECTED_FROM_S = 0.15  # of a late note: before that, power between the partials may be the body's
_CORRECTED_UNTIL_S = 1.2
_WORST_SE_CENTS = 10.0
_FAINT = 0.05  # a first partial below this share of the loudest is less exact than the others
_SCATTER_CENTS = 1.0  # partials of real strings are off the stiff-string law by about this (neck and body move)
_UNRESOLVED_CENTS = 0.008  # curvature of glide and beat within a window
_NOISE_MEMORY = 48.0  # degrees of freedom of the noise that earlier windows may add


@dataclass(frozen=True)
class PartialFit:
    """The lowest K partials over the last periods of a signal.

    Attributes
    ----------
    hz : ndarray of float64, shape (K,)
        Frequencies at ``at_sample``.
    amplitudes : ndarray of complex128, shape (K,)
        Complex amplitudes at ``at_sample``.
    start : int
        First sample used.
    at_sample : float
        Middle of the window, in samples (not whole ones) from the first of the signal.
    noise : float
        Power of the white noise that leaves as much between the partials, at the rate of the fit.
    freedom : float
        Degrees of freedom of ``noise``.
    se_gain_hz : ndarray of float64, shape (K,)
        Standard errors in Hz of partials of amplitude 1 in white noise of power 1.
    between : float
        Share of the power half-way between the partials.
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
    def true_first(self) -> int:
        """Number of the partial that is really the first: 2 or 3 when only every second or third is there, else 1."""
        return self.multiple_above(_MISSING)

    def multiple_above(self, share: float) -> int:
        """Return 2 or 3 if the other partials have less than ``share`` of the power of every 2nd or 3rd; else 1."""
        power = np.abs(self.amplitudes) ** 2
        for number in (2, 3):
            multiples = float(power[number - 1 :: number].sum())
            if len(power) >= number and float(power.sum()) - multiples < share * multiples:
                return number
        return 1


def fit_present_partials(signal: Samples, rate_hz: float, guess_hz: float) -> PartialFit | None:
    """Return the fit of ``fit_partials``, an octave or a twelfth higher when only those partials are there.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        The note from its pluck to now, full scale 1.
    rate_hz : float
        Sample rate.
    guess_hz : float
        Estimate of the first partial.

    Returns
    -------
    PartialFit | None
        The fit; None when ``fit_partials`` has none.
    """
    fit = fit_partials(signal, rate_hz, guess_hz)
    if fit is not None and fit.true_first > 1:
        return fit_partials(signal, rate_hz, float(fit.hz[fit.true_first - 1]))
    return fit


def fit_partials(signal: Samples, rate_hz: float, guess_hz: float) -> PartialFit | None:
    """Return the lowest partials over the last periods of a note, by least squares under a Hann window.

    Each partial is (p + q u) exp(i w t) with u from -1 to 1 over the window. p is its amplitude in the middle. The
    imaginary part of q / p is the difference of its frequency there from w, in radians per half window.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        The note from its pluck to now.
    rate_hz : float
        Sample rate.
    guess_hz : float
        Estimate of the first partial.

    Returns
    -------
    PartialFit | None
        The fit; None when there are fewer than ``FEWEST_PERIODS`` periods, or no partial near the estimate.
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
    # Few periods of a low string are a long time: there the glide curves the phase, which needs a term in u squared.
    terms = (np.ones(count), u, u * u)[: 3 if periods < 6.5 else 2]
    hz = guess_hz * np.arange(1, highest + 1)
    for _ in range(4):
        phase = np.outer(hz, turns)
        waves = np.concatenate((np.cos(phase), -np.sin(phase)))
        design = np.concatenate([term * waves for term in terms])
        weighted = hann * design
        normal = weighted @ design.T
        normal.flat[:: len(normal) + 1] *= 1.0 + 1e-9
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
    # Noise is measured between the partials, under the window that a partial's frequency is measured under.
    gaps, below = (np.array([1 / 2]), 6) if periods < _MANY_PERIODS else (np.array([1 / 3, 1 / 2, 2 / 3]), 2)
    phase = np.outer((hz[:below, None] - spread[:below, None] * gaps).ravel(), turns)
    probes = hann * np.concatenate((np.cos(phase), np.sin(phase)))
    left = window - _matrix_vector(design.T, theta)
    between = highest * float(np.mean((_matrix_vector(probes, left) * 2.0 / hann.sum()) ** 2))
    probes *= u
    # The fit takes part of the white noise away: the rest of each probe says how much is left.
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
    """Return the signal at about 20 samples in a period (14 where it has many periods).

    Each sample is the mean under a Hann window of four new samples. Its nulls are where multiples of the new rate would
    alias to the lowest partials.

    Returns
    -------
    tuple[Samples, float, float]
        Samples, shape (m,); their rate in Hz; their delay in samples of ``signal``.
    """
    periods = len(signal) / rate_hz * guess_hz
    step = max(1, int(rate_hz / ((20.0 if periods < _MANY_PERIODS else 14.0) * guess_hz)))
    if step == 1:
        return signal, rate_hz, 0.0
    kernel = _mean_of_four(step)
    windows = np.lib.stride_tricks.sliding_window_view(signal, len(kernel))[::step]
    return _matrix_vector(windows, kernel), rate_hz / step, 2.0 * step - 1.0


@functools.cache
def _mean_of_four(step: int) -> Samples:
    """Return the Hann window of four new samples, scaled to a sum of 1, shape (4 step - 1,)."""
    kernel = np.hanning(4 * step + 1)[1:-1]
    kernel /= kernel.sum()
    kernel.flags.writeable = False
    return kernel


def _matrix_vector(matrix: Samples, vector: Samples) -> Samples:
    """Return the product of a matrix and a vector without BLAS, which would start threads for these small sizes."""
    return np.asarray(np.einsum("ij,j->i", matrix, vector))


@dataclass(frozen=True)
class MomentaryPitch:
    """Instantaneous frequency of the first partial, with the beat of its two polarisations.

    Attributes
    ----------
    hz : float
        Frequency.
    se_cents : float
        Standard error (1 sd).
    at_sample : float
        Time that it is for, in samples (not whole ones) from the first of the signal.
    """

    hz: float
    se_cents: float
    at_sample: float


class LivePitchTracker:
    """Follows the pitch of one note from its pluck on.

    Parameters
    ----------
    rate_hz : float
        Working rate.
    expected_hz : Sequence[float], optional
        Pitches that the technician was asked for; they only decide near ties between octaves.
    """

    def __init__(self, rate_hz: float, expected_hz: Sequence[float] = ()) -> None:
        self._rate_hz = rate_hz
        self._expected_hz = tuple(expected_hz)
        self._guess_hz = 0.0
        self._has_value = False
        self._late = False
        self._rechecks = 0
        self._noise = 0.0
        self._freedom = 0.0

    def update(self, signal: Samples, quiet_power: float) -> MomentaryPitch | None:
        """Return the pitch now.

        Parameters
        ----------
        signal : ndarray of float64, shape (n,)
            From shortly before the pluck to now, full scale 1.
        quiet_power : float
            Mean square of the signal before the pluck.

        Returns
        -------
        MomentaryPitch | None
            The pitch; its time counts from the first sample of ``signal``. None while the pitch is unclear.
        """
        start = pluck_sample(signal, self._rate_hz, quiet_power) + round(_ATTACK_S * self._rate_hz)
        sound = signal[start:]
        self._late = len(sound) / self._rate_hz > _PATIENCE_S + _PATIENCE_PERIODS / (self._guess_hz or _UNKNOWN_HZ)
        rechecking = self._late and self._rechecks < len(_RECHECKS_S)
        guess_hz = self._guess_hz or (0.0 if rechecking else first_pitch(sound, self._rate_hz))
        fit = fit_present_partials(sound, self._rate_hz, guess_hz)
        found_hz = self._recheck(sound, fit)
        if found_hz:
            fit = fit_present_partials(sound, self._rate_hz, found_hz)
        if fit is None or (fit.between > _BETWEEN_ALLOWED and not self._has_value and not found_hz):
            self._guess_hz = 0.0
            return None
        hz, se_cents = self._first_partial(fit, new=fit.start < round(0.02 * self._rate_hz))
        settled = self._has_value or (self._late and abs(self._guess_hz / hz - 1.0) < 0.02)
        soon = len(sound) / self._rate_hz < _SOON_S + _PATIENCE_PERIODS / hz
        if se_cents > (_WORST_SE_CENTS if settled else _FIRST_SE_CENTS if soon else _SECOND_SE_CENTS):
            self._guess_hz = hz if self._late else self._guess_hz
            return None
        self._guess_hz, self._has_value = hz, True
        return MomentaryPitch(hz, se_cents, start + fit.at_sample)

    @property
    def first_value_pending(self) -> bool:
        """True while the first value has not come and may come with the next few samples."""
        return not self._has_value and not self._late

    def _recheck(self, sound: Samples, fit: PartialFit | None) -> float:
        """Return the pitch in Hz by the note's whole spectrum; 0 if there is none, or it is not time or not needed."""
        age_s = len(sound) / self._rate_hz - _PATIENCE_S
        if not self._late or self._rechecks == len(_RECHECKS_S) or age_s <= _RECHECKS_S[self._rechecks]:
            return 0.0
        if fit is None or fit.between > _BETWEEN_ALLOWED:
            # A note that has been known for some time is still the same: the new sound is another string that rings.
            needed = not self._has_value or age_s < _RECHECKS_S[-1]
        else:
            needed = not self._has_value or _CORRECTED_FROM_S < age_s < _CORRECTED_UNTIL_S
            needed = needed and (fit.multiple_above(_HARDLY_THERE) > 1 or has_longer_period(sound, self._rate_hz, fit))
        if not needed:
            return 0.0
        self._rechecks = sum(age_s > at_s for at_s in _RECHECKS_S)
        try:
            return fundamental_in(sound[-round(0.5 * self._rate_hz) :], self._rate_hz, self._expected_hz)[1]
        except NoNoteError:
            return 0.0

    def _first_partial(self, fit: PartialFit, *, new: bool) -> tuple[float, float]:
        """Return the frequency of the first partial in Hz and its standard error in cents.

        Parameters
        ----------
        fit : PartialFit
            The partials.
        new : bool
            True near the pluck, where the noise still falls.
        """
        noise, freedom = fit.noise, fit.freedom
        if not new:
            # Away from the pluck the noise stays the same: the noise of earlier windows counts too.
            freedom += self._freedom
            self._noise = noise = (self._freedom * self._noise + fit.freedom * fit.noise) / freedom
            self._freedom = min(freedom, _NOISE_MEMORY)
        amplitudes = np.abs(fit.amplitudes)
        # The noise is known from few values, so errors are distributed as Student's t: use its standard deviation.
        spread = math.sqrt(noise * freedom / (freedom - 2.0))
        se = CENTS_PER_E * spread * fit.se_gain_hz / np.maximum(amplitudes, 1e-30) / fit.hz
        k = 1
        if amplitudes[0] < _FAINT * amplitudes.max():
            # The first partial is nearly missing: use the most exact other one, and allow for its stretch by stiffness.
            k = 1 + int(np.argmin(np.hypot(se, _SCATTER_CENTS * np.arange(1, len(se) + 1))[1:])) + 1
        scatter = _SCATTER_CENTS * k if k > 1 else 0.0
        return float(fit.hz[k - 1]) / k, math.hypot(float(se[k - 1]), scatter, _UNRESOLVED_CENTS)


def pluck_sample(signal: Samples, rate_hz: float, quiet_power: float) -> int:
    """Return the index of the pluck: the start of the first millisecond that is clearly louder than the quiet before.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        From shortly before the pluck on.
    rate_hz : float
        Sample rate.
    quiet_power : float
        Mean square before the pluck.

    Returns
    -------
    int
        Index of the sample; 0 when no millisecond is louder.
    """
    width = max(1, round(0.001 * rate_hz))
    count = min(len(signal), round(0.15 * rate_hz)) // width
    power = np.mean(signal[: count * width].reshape(count, width) ** 2, axis=1)
    if not count:
        return 0
    above = np.flatnonzero(power > quiet_power + 0.1 * max(0.0, float(power.max()) - quiet_power))
    return int(above[0]) * width if len(above) else 0


def normalised_autocorrelation(signal: Samples, longest: int) -> Samples:
    """Return the normalised autocorrelation of a signal: 2 sum x(t) x(t + lag) / sum (x(t)^2 + x(t + lag)^2).

    The sums are over the samples that overlap. This is 1 minus the normalised difference function.
    Source: A. de Cheveigné and H. Kawahara, J. Acoust. Soc. Am. 111 (2002) 1917.

    Parameters
    ----------
    signal : ndarray of float64, shape (n,)
        The signal; its scale has no effect.
    longest : int
        Longest lag in samples, n or less.

    Returns
    -------
    ndarray of float64
        Values from -1 to 1 for lags 0 to ``longest``, shape (longest + 1,).
    """
    count = len(signal)
    size = 1 << (count + longest).bit_length()
    spectrum = np.fft.rfft(signal, size)
    product = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[: longest + 1]
    power = np.concatenate(([0.0], np.cumsum(signal**2)))
    lags = np.arange(longest + 1)
    sum_of_powers = power[count - lags] + power[count] - power[lags]
    return np.asarray(2.0 * product / np.maximum(sum_of_powers, 1e-30))


def has_longer_period(sound: Samples, rate_hz: float, fit: PartialFit) -> bool:
    """Return True when the true period is, or may be, two or three times as long as the fitted one.

    A string that is plucked or picked up near its middle can have a second partial ten times its first. Power alone
    doesn't separate such a first partial from noise. But it is clear of the noise between the partials of the longer
    period, and in tune with them.

    Parameters
    ----------
    sound : ndarray of float64, shape (n,)
        The note from its pluck to now.
    rate_hz : float
        Sample rate.
    fit : PartialFit
        Its partials by the shorter period.

    Returns
    -------
    bool
        True also when the note is too short to decide, and there is power between the partials.
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
    """Return the pitch of a note that has just begun.

    It is that of the shortest period whose correlation is nearly as high as the best, unless there is power between
    its partials: then that of the next longer period.

    Parameters
    ----------
    sound : ndarray of float64, shape (n,)
        The note from its pluck to now.
    rate_hz : float
        Sample rate.

    Returns
    -------
    float
        Pitch in Hz; 0 while it is unclear.
    """
    # Only as long as the lowest string needs, and only the lower partials: stiffness makes the others inharmonic.
    sound = sound[-round(5.0 / LOWEST_HZ * rate_hz) :]
    reach = max(1, int(rate_hz / 3000.0))
    kernel = np.hanning(2 * reach + 1)[1:-1]
    if len(sound) < 8 * len(kernel) or not sound.any():
        return 0.0
    smooth = np.convolve(sound, kernel / kernel.sum(), "valid")
    correlation = normalised_autocorrelation(smooth, len(smooth) // 2)
    negative = np.flatnonzero(correlation < 0.0)
    if not len(negative):
        return 0.0
    lags = np.arange(max(int(negative[0]), int(rate_hz / HIGHEST_HZ), 1), len(correlation) - 1)
    lags = lags[(correlation[lags] >= correlation[lags - 1]) & (correlation[lags] > correlation[lags + 1])]
    shift, peaks = parabolic_peaks(correlation, lags)
    if not len(peaks) or peaks.max() < _CORRELATION_NEEDED:
        return 0.0
    good = peaks >= _NEARLY_AS_HIGH * peaks.max()
    for lag, peak in zip((lags + shift)[good], peaks[good], strict=True):
        fit = fit_partials(sound, rate_hz, rate_hz / float(lag))
        if fit is None:
            return 0.0
        # A knock or another string also gives power between the partials, but doesn't make longer periods fit better.
        allowed = _BETWEEN_ALLOWED if peak > peaks[lags > 1.5 * lag].max(initial=-1.0) + 0.01 else _BETWEEN_CLEAR
        if fit.between < allowed and fit.true_first == 1 and not has_longer_period(sound, rate_hz, fit):
            return float(fit.hz[0]) if abs(fit.hz[0] * lag / rate_hz - 1.0) < 0.05 else rate_hz / float(lag)
    return 0.0
