"""Two polarisations of one partial: where to begin looking for the second.

A string swings in two planes whose bridge and nut give way differently; the two pitches differ by tenths of a cent to
a cent or two, and the partial beats (Weinreich, J. Acoust. Soc. Am. 62 (1977) 1474, for piano strings, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oscservice.hearing.baseband import Baseband, unwrapped_phase
from oscservice.hearing.resample import Samples
from oscservice.hearing.tone import PhaseModel, Tone

FASTEST_CENTS = 4.0
"""Two polarisations further apart than this are two strings (common practice, no source)."""

_SHARES = (0.15, 0.4, 0.7)
_TURNS = 8


def second_starts(
    band: Baseband, times: Samples, model: PhaseModel, tone: Tone, rates: Sequence[complex], count: int = 3
) -> list[Tone]:
    """Starts with a second polarisation: of a grid of beats, those that make the rest most like a single tone.

    The logarithm of z / (1 + c exp(g t)) is linear in what a single tone leaves to fit, so the whole grid is one
    projection.

    Args:
        band: the partial's baseband.
        times: its times on the scale of the tone's decay, shape (n,).
        model, tone: a single tone fitted to it; the model's first three parameters are linear.
        rates: values of g to try.
        count: how many starts to give.
    """
    turns = np.exp(2j * np.pi * np.arange(_TURNS) / _TURNS)
    g, c = (grid.ravel() for grid in np.meshgrid(np.array(rates), np.outer(_SHARES, turns).ravel()))
    beating = 1.0 + c[:, None] * np.exp(g[:, None] * times[None, :])
    weight = np.abs(band.values)
    turned = unwrapped_phase(band.values)[None, :] - np.angle(beating)
    loud = np.log(np.maximum(weight, 1e-9 * weight.max()))[None, :] - np.log(np.abs(beating))
    linear = min(3, model.count)
    phases, left = _projected(model.slopes(tone.phase)[:, :linear], turned, weight)
    decays, faded = _projected(np.vander(times, 2, increasing=True), loud, weight)
    starts = []
    for i in np.argsort(left + faded)[:count]:
        phase = tone.phase.copy()
        phase[:linear] = phases[i]
        decay = np.zeros(len(tone.decay))
        decay[:2] = decays[i]
        starts.append(Tone(decay, phase, (complex(c[i]), complex(g[i]))))
    return starts


def _projected(columns: Samples, values: Samples, weight: Samples) -> tuple[Samples, Samples]:
    """Weighted least squares of each row of ``values`` on ``columns``: coefficients and sums of squares left."""
    orthogonal, triangle = np.linalg.qr(columns * weight[:, None])
    rows = values * weight[None, :]
    along = rows @ orthogonal
    left = (rows**2).sum(axis=1) - (along**2).sum(axis=1)
    return np.asarray(np.linalg.solve(triangle, along.T).T), np.asarray(left)
