"""Selection of a string's free partials among the spectral lines near each of them.

A hard pluck also makes sums of lower partials ("phantom partials"), which are often louder than the free partial beside
them. On a stiff string a sum of partials is below the free partial of the same number and not below the harmonic. So
there are two families of lines: one on the stiff-string law, and one between this law and the harmonics. Without the
glide, lines a hertz or two apart are separate. The law that makes all lines most probable decides which are free.

Frequencies are in Hz; cents are counted from the harmonic k times a reference pitch; standard errors are 1 sd.

Source: phantom partials: H. A. Conklin, J. Acoust. Soc. Am. 105 (1999) 536, from memory; stiff string: H. Fletcher,
J. Acoust. Soc. Am. 36 (1964) 203.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from oscservice.hearing.baseband import Baseband, ComplexSamples
from oscservice.hearing.coarse_pitch import parabolic_peaks
from oscservice.hearing.inharmonicity import StiffString, level_and_stiffness, stiff_string, stretch_cents
from oscservice.hearing.phase_model import glide_phase_and_derivative
from oscservice.hearing.resampling import Samples
from oscservice.hearing.settled_pitch import SettledPartials
from oscservice.instrument.pitch import CENTS_PER_E

_LINES = 5  # number of a partial's loudest lines that are used
_FAINTEST = 0.1  # lines have at least this share of the amplitude of the loudest near that partial
_BELOW_CENTS, _ABOVE_CENTS = 15.0, 130.0  # range of one partial's lines, from its harmonic
_SOUNDING = 0.995  # the spectrum ends when this share of a partial's energy has sounded
_SHORTEST_S = 0.6  # but it has at least this length
_SCATTERS_CENTS = 1.0, 3.0  # scatter of free partials about the law as neck and body move (1 sd): small, or large
_PRESENT = 0.8  # probability that a partial's free line is among its lines
_STRAY_SHARES = 0.1, 0.3  # share of stray lines among those that are not free: of the loudest, of the faintest
_AT_HARMONIC = 0.5  # share of sums at the harmonic itself: sums of the lowest partials are hardly stretched
_LEVELS_CENTS = np.arange(-6.0, 8.1, 0.5)  # grid of the law's level above the reference pitch
_LEVEL_SD_CENTS = 3.0  # level about the first partial, which scatters most (1 sd)
_STIFFNESS = np.concatenate(([0.0], np.geomspace(5e-6, 2.5e-3, 64)))  # grid of B
_LOUD = 1.0  # the prior probability of a line to be free is proportional to this power of its amplitude
_APART_CENTS = 1.5  # two polarisations are closer than this
_APART_WIDTHS = 2.5  # a Hann window doesn't separate lines that are closer than this many bins
_BESIDE = 0.2  # a line beside a louder one has at least this share of its amplitude: fainter ones may be side lobes
_SURE = 0.5  # a line is the free one when that is more probable than not
_AGREE = 3.0  # frequencies agree within this many standard errors
_CLEAN = 0.1  # other lines below this share of the free line's amplitude don't disturb the fit of its phase


@dataclass(frozen=True)
class SpectralLine:
    """A line in the spectrum of one partial's baseband, without the glide.

    Lines that are too close to separate are one line.

    Attributes
    ----------
    cents : float
        Settled frequency above the harmonic of the reference pitch; of several close lines the weighted mean.
    se_cents : float
        Standard error (1 sd).
    amplitude : float
        Amplitude.
    upper_cents : float
        The highest of several close lines.
    """

    cents: float
    se_cents: float
    amplitude: float
    upper_cents: float


def stiff_string_law(
    bands: Mapping[int, Baseband], start_s: float, settled: SettledPartials, fitted: Mapping[int, tuple[float, float]]
) -> StiffString:
    """Return the stiff-string law through a note's free partials.

    Parameters
    ----------
    bands : Mapping[int, Baseband]
        Partial number -> baseband of the whole note; times as in ``settled``.
    start_s : float
        End of the noise of the pluck.
    settled : SettledPartials
        The glide of all partials, which is removed.
    fitted : Mapping[int, tuple[float, float]]
        Partial number -> (settled frequency in Hz, standard error in cents) by the phase of the whole baseband. It is
        right where one line is by far the loudest. The first partial is always taken from here.

    Raises
    ------
    ValueError
        There is no partial.
    """
    own, above = free_partials(bands, start_s, settled, fitted)
    law = stiff_string(own)
    used = [k for k in law.partials if k in above]
    if len(used) < 3 or not math.isfinite(law.inharmonicity_se):
        return law
    # Two lines that are too close to separate are two polarisations, or a sum below its free partial. In the first case
    # the upper lines give the same B as their means, in the second a larger one. The difference widens the error.
    shift, slope = level_and_stiffness(
        np.array(used, dtype=np.float64),
        np.array([above[k] for k in used]),
        np.array([own[k][1] ** 2 + law.scatter_cents**2 for k in used]) ** -1.0,
        law.inharmonicity,
    )
    return replace(
        law,
        inharmonicity_se=math.hypot(law.inharmonicity_se, slope),
        string_se_cents=math.hypot(law.string_se_cents, shift + CENTS_PER_E / 2.0 * slope),
    )


def free_partials(
    bands: Mapping[int, Baseband], start_s: float, settled: SettledPartials, fitted: Mapping[int, tuple[float, float]]
) -> tuple[dict[int, tuple[float, float]], dict[int, float]]:
    """Return a note's free partials; the arguments are those of ``stiff_string_law``.

    Returns
    -------
    tuple[dict[int, tuple[float, float]], dict[int, float]]
        Partial number -> (settled frequency in Hz, standard error in cents); partial number -> cents of the upper one
        of close lines above that frequency.
    """
    lowest = min(fitted)
    level = CENTS_PER_E * math.log(fitted[lowest][0] / lowest)
    base_hz = math.exp(level / CENTS_PER_E)
    lines = {k: spectral_lines(band, k, base_hz, start_s, settled) for k, band in bands.items() if k > 1}
    lines = {k: found for k, found in lines.items() if found}
    own = {k: value for k, value in fitted.items() if k not in lines}
    if not lines:
        return own, {}
    probability, stiffness = free_line_probabilities(lines, 0.0 if 1 in fitted else None)
    chosen = _free_lines(lines, probability)
    other = {k: _loudest_other_ratio(lines[k], line) for k, (line, _) in chosen.items()}
    beside = [other[k] for k in chosen if k > 4]
    ratio = float(np.median(beside)) if beside else 0.0
    for k, (line, doubt) in chosen.items():
        # Sums beside the low partials are too close to be seen; those of the higher partials show how loud they are.
        shift = float(stretch_cents(np.array(float(k)), stiffness))
        hidden = 0.5 * shift * min(1.0, ratio) if other[k] < _CLEAN else 0.0
        hz, se = k * math.exp((level + line.cents) / CENTS_PER_E), line.se_cents
        if (
            k in fitted
            and other[k] < _CLEAN
            and abs(CENTS_PER_E * math.log(fitted[k][0] / hz)) < _AGREE * line.se_cents
        ):
            hz, se = fitted[k]
        own[k] = (hz, math.sqrt(se**2 + hidden**2 + doubt**2))
    above = {k: line.upper_cents - line.cents for k, (line, _) in chosen.items()}
    return own or dict(fitted), above


def _loudest_other_ratio(lines: list[SpectralLine], own: SpectralLine) -> float:
    """Return the amplitude of the loudest other line over that of a partial's own."""
    return max((line.amplitude for line in lines if line is not own), default=0.0) / own.amplitude


def spectral_lines(
    band: Baseband, number: int, base_hz: float, start_s: float, settled: SettledPartials
) -> list[SpectralLine]:
    """Return the lines of one partial, the loudest first.

    Parameters
    ----------
    band : Baseband
        The partial's baseband.
    number : int
        Its number.
    base_hz : float
        Reference pitch, near the string's fundamental; cents are above ``number`` times this.
    start_s : float
        End of the noise of the pluck.
    settled : SettledPartials
        The glide of all partials, which is removed.
    """
    power = np.where(band.times_s - band.memory_s >= start_s, np.abs(band.values) ** 2, 0.0)
    first = int(np.argmax(power > 0.0))
    total = np.cumsum(power)
    last = max(int(np.searchsorted(total, _SOUNDING * total[-1])), first + round(_SHORTEST_S / band.step_s))
    time, values = band.times_s[first : last + 1], band.values[first : last + 1]
    if len(time) < 8 or total[-1] <= 0.0:
        return []
    # Without the phase of the shared glide the lines have their settled frequencies.
    per_cent, _ = glide_phase_and_derivative(time, band.carrier_hz, math.log(settled.tau_s))
    still: ComplexSamples = values * np.exp(-1j * settled.glide_cents * per_cent)
    size = 1 << (4 * len(still)).bit_length()
    window = np.hanning(len(still) + 2)[1:-1]
    spectrum = np.fft.fftshift(np.abs(np.fft.fft(still * window, size))) / window.sum()
    inner = spectrum[1:-1]
    at = 1 + np.flatnonzero((inner > spectrum[:-2]) & (inner >= spectrum[2:]))
    log = np.log(np.maximum(spectrum, 1e-30))
    shift, _ = parabolic_peaks(log, at)
    hz = band.carrier_hz + (at + shift - size // 2) / (size * band.step_s)
    cents = CENTS_PER_E * np.log(np.maximum(hz, 1e-3) / (number * base_hz))
    inside = (cents > -_BELOW_CENTS) & (cents < _ABOVE_CENTS) & (np.abs(hz - band.carrier_hz) < 0.4 * base_hz)
    if not inside.any():
        return []
    audible = inside & (spectrum[at] > _FAINTEST * spectrum[at][inside].max())
    order = np.flatnonzero(audible)
    order = order[np.argsort(-spectrum[at][order])]
    width_cents = CENTS_PER_E / (len(still) * band.step_s * number * base_hz)
    return _merged(cents[order], spectrum[at][order], width_cents)


def _merged(cents: Samples, amplitude: Samples, width_cents: float) -> list[SpectralLine]:
    """Return the lines with those close to a louder one merged into it: two polarisations are one partial.

    Parameters
    ----------
    cents, amplitude : ndarray of float64, shape (m,)
        The lines, the loudest first.
    width_cents : float
        Width of a bin without zero padding.
    """
    lines: list[SpectralLine] = []
    left = np.ones(len(cents), dtype=bool)
    for i in range(len(cents)):
        if left[i] and len(lines) < _LINES:
            group = left & (np.abs(cents - cents[i]) < max(_APART_CENTS, _APART_WIDTHS * width_cents))
            left &= ~group
            power = amplitude[group] ** 2 / np.sum(amplitude[group] ** 2)
            middle = float(power @ cents[group])
            spread = float(power @ (cents[group] - middle) ** 2)
            beside = min(1.0, amplitude[0] / float(amplitude[i]) - 1.0)  # a louder line pulls at a fainter one
            se = math.hypot(width_cents * (0.1 + 0.25 * beside), math.sqrt(spread))
            upper = float(cents[group & (amplitude > _BESIDE * amplitude[i])].max())
            lines.append(SpectralLine(middle, se, float(np.linalg.norm(amplitude[group])), upper))
    return lines


def free_line_probabilities(
    lines: Mapping[int, list[SpectralLine]], first_cents: float | None = None
) -> tuple[Samples, float]:
    """Return the probability of each line to be the free partial, and the expected B, averaged over a grid of laws.

    A line is the free partial, a sum of lower partials (between the harmonic and the free partial), or a stray line. At
    most one line of each partial is free.

    Parameters
    ----------
    lines : Mapping[int, list[SpectralLine]]
        Partial number -> its lines.
    first_cents : float | None, optional
        The first partial above the reference pitch; None when it was not found.

    Returns
    -------
    tuple[Samples, float]
        Probabilities, shape (partials, lines), in the order of the partials' numbers; B.
    """
    odds, scores = [], []
    for scatter_cents in _SCATTERS_CENTS:
        free, other = _line_densities(lines, scatter_cents)
        present = 1.0 - _PRESENT + _PRESENT * (free / other).sum(axis=-1)
        score = np.log(other).sum(axis=(2, 3)) + np.log(present).sum(axis=2)
        if first_cents is not None:
            score = score - 0.5 * ((_LEVELS_CENTS - first_cents) / _LEVEL_SD_CENTS)[:, None] ** 2
        odds.append(_PRESENT * free / other / present[..., None])
        scores.append(score)
    likely = np.exp(np.array(scores) - np.max(scores))
    likely /= likely.sum()
    probability = sum(np.einsum("lb,lbkj->kj", weight, each) for weight, each in zip(likely, odds, strict=True))
    return np.asarray(probability), float(likely.sum(axis=(0, 1)) @ _STIFFNESS)


def _free_lines(lines: Mapping[int, list[SpectralLine]], probability: Samples) -> dict[int, tuple[SpectralLine, float]]:
    """Return the free line of each partial that probably has one.

    Returns
    -------
    dict[int, tuple[SpectralLine, float]]
        Partial number -> (line, standard error in cents because it may be another line).
    """
    found = {}
    for k, row in zip(sorted(lines), probability, strict=True):
        best = int(np.argmax(row))
        if row[best] > _SURE:
            cents = np.array([line.cents for line in lines[k]])
            spread = row[: len(cents)] @ (cents - cents[best]) ** 2 / row.sum()
            found[k] = lines[k][best], math.sqrt(float(spread))
    return found


def _line_densities(lines: Mapping[int, list[SpectralLine]], scatter_cents: float) -> tuple[Samples, Samples]:
    """Return the density of every line as the free partial (times its prior), and as anything else, for every law.

    Parameters
    ----------
    lines : Mapping[int, list[SpectralLine]]
        Partial number -> its lines.
    scatter_cents : float
        Scatter of free partials about the law, 1 sd.

    Returns
    -------
    tuple[Samples, Samples]
        Two arrays of shape (levels, stiffnesses, partials, lines); 0 and 1 where there is no line.
    """
    numbers = np.array(sorted(lines), dtype=np.float64)
    cents, se, loud = (np.zeros((len(numbers), _LINES)) for _ in range(3))
    for i, k in enumerate(sorted(lines)):
        for j, line in enumerate(lines[k]):
            cents[i, j], se[i, j], loud[i, j] = line.cents, line.se_cents, line.amplitude
    down = np.log(np.where(loud > 0.0, loud, 1.0) / loud.max(axis=1, keepdims=True)) / math.log(_FAINTEST)
    stray = _STRAY_SHARES[0] + (_STRAY_SHARES[1] - _STRAY_SHARES[0]) * down
    prior = loud**_LOUD / (loud**_LOUD).sum(axis=1, keepdims=True)
    # Few of the places for lines are taken: only these are calculated, shapes (lines,) to (levels, stiffnesses, lines).
    taken = loud > 0.0
    sd, stray, prior = np.hypot(scatter_cents, se)[taken], stray[taken], prior[taken]
    stretch = stretch_cents(np.broadcast_to(numbers[:, None], loud.shape)[taken], _STIFFNESS[:, None])
    harmonic = cents[taken] - _LEVELS_CENTS[:, None, None]
    # Student's t with four degrees of freedom: most partials are off by a cent, some by three.
    near = 1.0 / (1.0 + 0.25 * ((harmonic - stretch) / sd) ** 2)
    free = 0.375 * near * near * np.sqrt(near) / sd
    between = (harmonic > -2.0) & (harmonic < stretch)
    sums = _AT_HARMONIC * _density(harmonic / sd) / sd + (1.0 - _AT_HARMONIC) * between / (stretch + 2.0)
    other = (1.0 - stray) * sums + stray / (_BELOW_CENTS + _ABOVE_CENTS)
    shape = (len(_LEVELS_CENTS), len(_STIFFNESS), *loud.shape)
    free_densities, other_densities = np.zeros(shape), np.ones(shape)
    free_densities[:, :, taken], other_densities[:, :, taken] = prior * free, other
    return free_densities, other_densities


def _density(away: Samples) -> Samples:
    """Return the standard normal density."""
    return np.asarray(np.exp(-0.5 * away * away) / math.sqrt(2.0 * math.pi))
