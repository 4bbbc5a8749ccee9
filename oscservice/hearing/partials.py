"""The lowest partials of a note over its last few periods, fitted together.

Each partial has an amplitude of its own that changes along a line (or a parabola), so four or five periods are enough
to keep neighbours apart. Frequencies are those of the middle of the stretch: seen from there, a glide pulls as much up
as down. The doubt comes from what is found between the partials.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oscservice.hearing.baseband import Complexes
from oscservice.hearing.resample import Samples
from oscservice.hearing.rough import HIGHEST_HZ, LOWEST_HZ

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
    amplitudes: Complexes
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


def raised_fit(signal: Samples, rate_hz: float, guess_hz: float) -> PartialFit | None:
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
    window, rate, delay = _lowered(signal[start:], rate_hz, guess_hz)
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
        theta = inverse @ _times(weighted, window)
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
    left = window - _times(design.T, theta)
    between = highest * float(np.mean((_times(probes, left) * 2.0 / hann.sum()) ** 2))
    probes *= u
    # What the fit takes of white noise is missing there: what is left of each probe says how much.
    remaining = probes - ((probes @ design.T) @ inverse) @ weighted
    slopes = inverse[3 * highest : 4 * highest] @ weighted
    return PartialFit(
        hz=np.asarray(hz),
        amplitudes=p,
        start=start,
        at_sample=start + delay + 0.5 * (count - 1) * rate_hz / rate,
        noise=float(np.mean(_times(probes, left) ** 2 / np.sum(remaining**2, axis=1))),
        freedom=float(len(probes)),
        se_gain_hz=np.sqrt(np.sum(slopes**2, axis=1)) / (2.0 * np.pi * half_s),
        between=between / (between + float(np.sum(np.abs(p) ** 2))),
    )


def _lowered(signal: Samples, rate_hz: float, guess_hz: float) -> tuple[Samples, float, float]:
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
    return _times(windows, kernel), rate_hz / step, 2.0 * step - 1.0


def _times(matrix: Samples, vector: Samples) -> Samples:
    """Their product without BLAS, which would start threads for so small a thing and spend five times the work."""
    return np.asarray(np.einsum("ij,j->i", matrix, vector))
