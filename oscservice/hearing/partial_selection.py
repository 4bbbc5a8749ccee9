"""Which of the lines near each partial is the string's own.

A hard pluck makes more than the string's free vibrations: sums of lower partials ("phantom partials": Conklin, J.
Acoust. Soc. Am. 105 (1999) 536, cited from memory) stand beside the higher ones, often louder. A sum of partials of a
stiff string lies below the free partial of the same number and hardly below the harmonic, so there are two families:
one on the stiff-string law (H. Fletcher, J. Acoust. Soc. Am. 36 (1964) 203) and one between that and the harmonics.
With the glide taken out, lines a hertz or two apart can be told apart; the law under which all lines seen are likeliest
says which of them are free.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from oscservice.hearing.baseband import Baseband, ComplexSamples
from oscservice.hearing.coarse_pitch import parabolic_peaks
from oscservice.hearing.inharmonicity import StiffString, level_and_stiffness, stiff_string, stretch_cents
from oscservice.hearing.resampling import Samples
from oscservice.hearing.settled_pitch import SettledPartials
from oscservice.hearing.tone_fit import glide_phase_and_derivative
from oscservice.instrument.pitch import CENTS_PER_E

_LINES = 5  # a partial's loudest lines that are looked at
_FAINTEST = 0.1  # of the amplitude of the loudest near that partial
_BELOW_CENTS, _ABOVE_CENTS = 15.0, 130.0  # where lines of one partial are looked for, from its harmonic
_SOUNDING = 0.995  # a partial is looked at until this share of its energy has sounded
_SHORTEST_S = 0.6
_STRAYS_CENTS = 1.0, 3.0  # how far free partials leave the law as neck and body move: little, or much
_SEEN = 0.8  # chance that a partial's free line is there at all
_STRAYS = 0.1, 0.3  # of the lines that are not free, those that belong to nobody: of the loudest, of the faintest
_AT_HARMONIC = 0.5  # of these, those at the harmonic itself: sums of the lowest partials, which are hardly stretched
_LEVELS_CENTS = np.arange(-6.0, 8.1, 0.5)
_LEVEL_SD_CENTS = 3.0  # from the first partial, which strays most
_STIFFNESS = np.concatenate(([0.0], np.geomspace(5e-6, 2.5e-3, 64)))
_LOUD = 1.0  # the free line is one of a partial's lines with a chance that goes with this power of their amplitudes
_APART_CENTS = 1.5  # polarisations lie closer than this
_APART_WIDTHS = 2.5  # and closer than this many bins a Hann window keeps no lines apart
_HEARD = 0.2  # of the louder one's amplitude: fainter lines beside it may be its window's own
_SURE = 0.5  # a line is taken for the free one when that is more likely than not
_AGREE = 3.0
_CLEAN = 0.1  # lines this much fainter than a partial's own don't trouble the fit of its phase


@dataclass(frozen=True)
class SpectralLine:
    """A line in the spectrum of one partial's baseband, the glide taken out.

    ``cents`` is its settled frequency above the harmonic of the reference, ``se_cents`` how well it is known. Where
    more than one lie too near to be two partials it is their middle, and ``upper_cents`` the highest of them.
    """

    cents: float
    se_cents: float
    amplitude: float
    upper_cents: float


def stiff_string_law(
    bands: Mapping[int, Baseband], start_s: float, settled: SettledPartials, fitted: Mapping[int, tuple[float, float]]
) -> StiffString:
    """The stiff-string law through a note's free partials.

    Args:
        bands: number -> baseband of the whole note, on the clock of ``settled``.
        start_s: where the pluck's own noise is over.
        settled: what the partials' phases say together; its glide is taken out.
        fitted: number -> (settled frequency in Hz, 1 sd in cents) by the phase of the whole baseband, true as long as
            one line is far the loudest there. The first partial is taken over as it is.

    Raises:
        ValueError: no partial at all.
    """
    own, above = free_partials(bands, start_s, settled, fitted)
    law = stiff_string(own)
    used = [k for k in law.partials if k in above]
    if len(used) < 3 or not math.isfinite(law.inharmonicity_se):
        return law
    # Two lines too near to be told apart are two polarisations, or a sum below its free partial. Of the first kind
    # the upper ones tell the same B as the middle, of the other kind a larger one: that difference is doubt.
    shift, slope = level_and_stiffness(
        np.array(used, dtype=np.float64),
        np.array([above[k] for k in used]),
        np.array([own[k][1] ** 2 + law.stray_cents**2 for k in used]) ** -1.0,
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
    """The string's free partials, from what ``stiff_string_law`` is given.

    Returns:
        Number -> (settled frequency in Hz, 1 sd in cents); number -> cents by which the upper of lines too near to be
        told apart stands above that.
    """
    lowest = min(fitted)
    level = CENTS_PER_E * math.log(fitted[lowest][0] / lowest)
    base_hz = math.exp(level / CENTS_PER_E)
    lines = {k: spectral_lines(band, k, base_hz, start_s, settled) for k, band in bands.items() if k > 1}
    lines = {k: found for k, found in lines.items() if found}
    own = {k: value for k, value in fitted.items() if k not in lines}
    if not lines:
        return own, {}
    chance, stiffness = free_line_probabilities(lines, 0.0 if 1 in fitted else None)
    chosen = _free_lines(lines, chance)
    rest = {k: _loudest_other_ratio(lines[k], line) for k, (line, _) in chosen.items()}
    beside = [rest[k] for k in chosen if k > 4]
    ratio = float(np.median(beside)) if beside else 0.0
    for k, (line, doubt) in chosen.items():
        # Low down sums are too near to be seen; the higher partials tell how loud they are likely to be.
        shift = float(stretch_cents(np.array(float(k)), stiffness))
        hidden = 0.5 * shift * min(1.0, ratio) if rest[k] < _CLEAN else 0.0
        hz, se = k * math.exp((level + line.cents) / CENTS_PER_E), line.se_cents
        if k in fitted and rest[k] < _CLEAN and abs(CENTS_PER_E * math.log(fitted[k][0] / hz)) < _AGREE * line.se_cents:
            hz, se = fitted[k]
        own[k] = (hz, math.sqrt(se**2 + hidden**2 + doubt**2))
    above = {k: line.upper_cents - line.cents for k, (line, _) in chosen.items()}
    return own or dict(fitted), above


def _loudest_other_ratio(lines: list[SpectralLine], own: SpectralLine) -> float:
    """Amplitude of the loudest of the other lines over that of a partial's own."""
    return max((line.amplitude for line in lines if line is not own), default=0.0) / own.amplitude


def spectral_lines(
    band: Baseband, number: int, base_hz: float, start_s: float, settled: SettledPartials
) -> list[SpectralLine]:
    """Lines of partial ``number`` of a string on about ``base_hz``, loudest first."""
    power = np.where(band.times_s - band.memory_s >= start_s, np.abs(band.values) ** 2, 0.0)
    first = int(np.argmax(power > 0.0))
    total = np.cumsum(power)
    last = max(int(np.searchsorted(total, _SOUNDING * total[-1])), first + round(_SHORTEST_S / band.step_s))
    time, values = band.times_s[first : last + 1], band.values[first : last + 1]
    if len(time) < 8 or total[-1] <= 0.0:
        return []
    # Turned back by the shared glide, what is left turns at settled frequencies.
    bend, _ = glide_phase_and_derivative(time, band.carrier_hz, math.log(settled.tau_s))
    still: ComplexSamples = values * np.exp(-1j * settled.glide_cents * bend)
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
    heard = inside & (spectrum[at] > _FAINTEST * spectrum[at][inside].max())
    order = np.flatnonzero(heard)
    order = order[np.argsort(-spectrum[at][order])]
    width_cents = CENTS_PER_E / (len(still) * band.step_s * number * base_hz)
    return _merged(cents[order], spectrum[at][order], width_cents)


def _merged(cents: Samples, amplitude: Samples, width_cents: float) -> list[SpectralLine]:
    """Lines, loudest first, with those beside a louder one put to it: two polarisations are one partial."""
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
            heard = group & (amplitude > _HEARD * amplitude[i])
            lines.append(SpectralLine(middle, se, float(np.linalg.norm(amplitude[group])), float(cents[heard].max())))
    return lines


def free_line_probabilities(
    lines: Mapping[int, list[SpectralLine]], first_cents: float | None = None
) -> tuple[Samples, float]:
    """Chance of each line to be the free partial, and the B expected, over some thousand laws.

    A line is the free partial, a sum of lower ones (between the harmonic and the free partial) or a stray. Of the
    lines of one partial at most one is free.

    Returns:
        Chances, shape (partials, lines), in the order of the partials' numbers; B.
    """
    odds, scores = [], []
    for stray in _STRAYS_CENTS:
        free, other = _line_densities(lines, stray)
        seen = 1.0 - _SEEN + _SEEN * (free / other).sum(axis=-1)
        score = np.log(other).sum(axis=(2, 3)) + np.log(seen).sum(axis=2)
        if first_cents is not None:
            score = score - 0.5 * ((_LEVELS_CENTS - first_cents) / _LEVEL_SD_CENTS)[:, None] ** 2
        odds.append(_SEEN * free / other / seen[..., None])
        scores.append(score)
    likely = np.exp(np.array(scores) - np.max(scores))
    likely /= likely.sum()
    chance = sum(np.einsum("lb,lbkj->kj", weight, each) for weight, each in zip(likely, odds, strict=True))
    return np.asarray(chance), float(likely.sum(axis=(0, 1)) @ _STIFFNESS)


def _free_lines(lines: Mapping[int, list[SpectralLine]], chance: Samples) -> dict[int, tuple[SpectralLine, float]]:
    """The free line of each partial, where one is more likely free than not, and how far it may be another, cents."""
    found = {}
    for k, row in zip(sorted(lines), chance, strict=True):
        best = int(np.argmax(row))
        if row[best] > _SURE:
            cents = np.array([line.cents for line in lines[k]])
            spread = row[: len(cents)] @ (cents - cents[best]) ** 2 / row.sum()
            found[k] = lines[k][best], math.sqrt(float(spread))
    return found


def _line_densities(lines: Mapping[int, list[SpectralLine]], stray_cents: float) -> tuple[Samples, Samples]:
    """Densities of every line as the free partial (with its chance among the lines) and as anything else.

    Returns:
        Two arrays, shape (levels, stiffnesses, partials, lines); where there is no line 0 and 1.
    """
    level, stiffness = _LEVELS_CENTS[:, None, None, None], _STIFFNESS[:, None, None]
    numbers = np.array(sorted(lines), dtype=np.float64)
    cents, se, loud = (np.zeros((len(numbers), _LINES)) for _ in range(3))
    for i, k in enumerate(sorted(lines)):
        for j, line in enumerate(lines[k]):
            cents[i, j], se[i, j], loud[i, j] = line.cents, line.se_cents, line.amplitude
    there = loud > 0.0
    sd = np.hypot(stray_cents, se)
    stretch = stretch_cents(numbers[:, None], stiffness)
    harmonic = cents - level
    # Student's t of four degrees: most partials stray by a cent, some by three.
    near = 1.0 / (1.0 + 0.25 * ((harmonic - stretch) / sd) ** 2)
    free = 0.375 * near * near * np.sqrt(near) / sd
    between = (harmonic > -2.0) & (harmonic < stretch)
    sums = _AT_HARMONIC * _density(harmonic / sd) / sd + (1.0 - _AT_HARMONIC) * between / (stretch + 2.0)
    down = np.log(np.where(there, loud, 1.0) / loud.max(axis=1, keepdims=True)) / math.log(_FAINTEST)
    stray = _STRAYS[0] + (_STRAYS[1] - _STRAYS[0]) * down
    other = (1.0 - stray) * sums + stray / (_BELOW_CENTS + _ABOVE_CENTS)
    chance = loud**_LOUD / (loud**_LOUD).sum(axis=1, keepdims=True)
    return np.where(there, chance * free, 0.0), np.where(there, other, 1.0)


def _density(away: Samples) -> Samples:
    return np.asarray(np.exp(-0.5 * away * away) / math.sqrt(2.0 * math.pi))
