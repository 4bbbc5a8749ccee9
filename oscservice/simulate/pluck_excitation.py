"""The partials of a plucked string: their amplitudes at a pickup, and their decay.

Assumed, without a source but in the ordinary range: the decay of the partials, the distance of the polarisations and
their shares of the swing, and the places of pickup and pick.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from oscservice.simulate.guitar_mechanics import Stopped
from oscservice.simulate.voice import TOP_OF_BAND, Tones

FloatArray = NDArray[np.float64]

MOST_PARTIALS = 30

PICKUP_FROM_SADDLE = 0.12
"""The pickup's distance from the saddle as a fraction of the scale length."""

SPLIT_CENTS = (0.1, 0.6)
SECOND_SHARE = 0.2
SECOND_DECAY = 0.6
"""The second polarisation: its distance from the first either way, its share of the amplitude, and its decay rate
relative to the first's."""

FRETTED_DECAY = 1.2
"""A finger and a fret take energy faster than a nut, by this factor."""


def excite(
    stopped: Stopped,
    strength_mm: float,
    *,
    position: float,
    off_cents: float,
    split_cents: float,
    strays_cents: FloatArray,
    gain: float,
    sample_rate_hz: float,
) -> Tones:
    """Return the partials of one pluck.

    Parameters
    ----------
    stopped : Stopped
        The string as it is stopped, with its tension.
    strength_mm : float
        Swing of the first partial on the open string; on a shorter one in proportion to its length.
    position : float
        Place of the pluck, as a fraction of the sounding length from the saddle.
    off_cents : float
        Deviation of this pluck's pitch from the string's, by a change of tension, + sharp.
    split_cents : float
        Distance of the second polarisation above the first. Their mean, weighted by amplitude, is the string's pitch.
    strays_cents : ndarray of float64, shape (MOST_PARTIALS,)
        Deviation of each partial from the stiff string's, + sharp.
    gain : float
        Amplitude (full scale 1) of 1 mm of swing right over the pickup at the open string's pitch.
    sample_rate_hz : float
        Sample rate; partials above ``TOP_OF_BAND`` times this are left out.

    Returns
    -------
    Tones
        Two polarisations of at most ``MOST_PARTIALS`` partials.
    """
    build = stopped.build
    settled = stopped.partials_hz(MOST_PARTIALS, math.pow(2.0, off_cents / 600.0)) * 2.0 ** (strays_cents / 1200.0)
    settled = settled[settled < TOP_OF_BAND * sample_rate_hz]
    k = np.arange(1, settled.size + 1, dtype=np.float64) * (2.0 if stopped.touched else 1.0)

    # A string drawn aside to a corner: partial k swings as sin(k pi p) / k^2.
    swings_mm = strength_mm * (stopped.sounding_mm / build.scale_mm) * np.sin(k * math.pi * position)
    swings_mm = swings_mm / (k**2 * math.sin(math.pi * position))
    # A pickup's signal is the speed of the string above it.
    over = min(PICKUP_FROM_SADDLE * build.scale_mm / stopped.sounding_mm, 1.0)
    heard = gain * swings_mm * np.sin(k * math.pi * over) * settled / build.open_hz

    decays = _decays_per_s(settled) * (FRETTED_DECAY if stopped.fretted else 1.0)
    shares = np.array([1.0 - SECOND_SHARE, SECOND_SHARE])
    offsets = np.array([-SECOND_SHARE * split_cents, (1.0 - SECOND_SHARE) * split_cents])
    # A sine of amplitude a lengthens the string by (k pi a / 2L)^2; frequency goes with the root of tension.
    stretch = (k * math.pi * swings_mm / (2.0 * stopped.sounding_mm)) ** 2
    rise = 0.5 * build.ea_n / stopped.tension_n * stretch
    energies = shares**2 / np.sum(shares**2)
    return Tones(
        frequencies_hz=np.multiply.outer(2.0 ** (offsets / 1200.0), settled),
        amplitudes=np.multiply.outer(shares, heard),
        decays_per_s=np.multiply.outer(np.array([1.0, SECOND_DECAY]), decays),
        rises=np.multiply.outer(energies, rise),
    )


def _decays_per_s(frequencies_hz: FloatArray) -> FloatArray:
    """Return amplitude decay rates of partials (assumed): 2.6 s to 1/e at 82 Hz, 0.4 s at 2 kHz, 0.13 s at 5 kHz."""
    return 0.3 + 1e-3 * frequencies_hz + 1e-7 * frequencies_hz**2
