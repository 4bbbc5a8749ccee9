"""A pickup's magnet over which a string swings: it pulls the harder the nearer the string comes.

To a small swing that is a spring of negative stiffness at one place. By Rayleigh's principle (The Theory of Sound, vol.
1, sections 88 and 91; from memory) it changes no shape of vibration in the first order, and each partial's frequency by
the spring's share in the energy: with a string of length L, mass per length mu and a spring -kappa at x,

    omega_k^2 falls by 2 kappa sin^2(k pi x / L) / (mu L)

The steady pull, which bends the string by some micrometres, is left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MOST_N_PER_M = 100.0
"""Largest stiffness of a pull. Ordinary ones are a few N/m: an iron wire that a pole draws with some hundredths of a
newton, halved within a mm or two (assumed)."""

_LARGEST_FALL = 0.4
"""A partial loses at most this share of its frequency's square. A string so slack is drawn onto the pole in life."""


@dataclass(frozen=True)
class PickupMagnet:
    """A magnet under a string.

    Attributes:
        from_saddle_mm: its place, from the end of the scale length toward the nut.
        pull_n_per_m: by how much its pull on the open string grows for each m that the string comes nearer.
        growth: power of the gap by which that grows when a fretted string comes nearer; 0 for not at all. A dipole and
            a wire magnetised by it would have 5 far from the pole, and less near to it (from memory).
        below_frets_mm: depth of the pole below the plane of the frets; matters only with a growth.

    Raises:
        ValueError: a value out of range.
    """

    from_saddle_mm: float
    pull_n_per_m: float
    growth: float = 0.0
    below_frets_mm: float = 2.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.from_saddle_mm) and self.from_saddle_mm > 0.0):
            raise ValueError(f"a pickup {self.from_saddle_mm} mm from the saddle; expected above 0")
        if not 0.0 <= self.pull_n_per_m <= MOST_N_PER_M:
            raise ValueError(f"a pickup that pulls by {self.pull_n_per_m} N/m; expected 0 to {MOST_N_PER_M:g}")
        if not (0.0 <= self.growth <= 5.0 and 0.0 < self.below_frets_mm < math.inf):
            raise ValueError("a pull grows by a power of 0 to 5, and the pole is below the frets")

    def lowered_hz(
        self, frequencies_hz: FloatArray, *, place: float, nearer: float, sounding_mm: float, kg_m: float
    ) -> FloatArray:
        """Return partials 1 and up of a string that the magnet pulls.

        Parameters
        ----------
        frequencies_hz : ndarray of float64, shape (count,)
            The partials without it.
        place : float
            Place of the magnet as a fraction of the sounding length, 0 to 1.
        nearer : float
            Gap of the open string over the present one.
        sounding_mm : float
            Length of the sounding part.
        kg_m : float
            Mass per length of the stretched string.

        Returns
        -------
        ndarray of float64
            Frequencies in Hz, shape (count,).
        """
        k = np.arange(1, frequencies_hz.size + 1, dtype=np.float64)
        stiffness = self.pull_n_per_m * math.pow(nearer, self.growth)
        omega_squares = 2.0 * stiffness * np.sin(k * math.pi * place) ** 2 / (kg_m * sounding_mm * 1e-3)
        squares = frequencies_hz**2
        return np.asarray(np.sqrt(squares - np.minimum(omega_squares / (2.0 * math.pi) ** 2, _LARGEST_FALL * squares)))
