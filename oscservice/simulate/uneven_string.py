"""A string of uneven mass: its partials relative to those of an even string of the same tension.

The string moves as a sum of sines. Its stiffness is diagonal in them, its mass is not where a stretch is heavier or
lighter; the frequencies are the eigenvalues of the two (Galerkin's method). Bending stiffness is ignored: it
would change the result only by a share as small as itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_SPARE_MODES = 40


@dataclass(frozen=True)
class Uneven:
    """A stretch of a string that is worn, or heavy with grime.

    Attributes
    ----------
    from_nut : float
        Its beginning: distance from the nut as a fraction of the scale length, 0 to 1.
    length_mm : float
        Its length.
    mass : float
        Relative change of its mass per length; -0.05 is 5 % lighter.

    Raises
    ------
    ValueError
        A value out of range.
    """

    from_nut: float
    length_mm: float
    mass: float

    def __post_init__(self) -> None:
        if not 0.0 <= self.from_nut <= 1.0:
            raise ValueError(f"an uneven stretch that begins at {self.from_nut} of the scale; expected 0 to 1")
        if not (math.isfinite(self.length_mm) and self.length_mm > 0.0):
            raise ValueError(f"an uneven stretch of {self.length_mm} mm; expected above 0")
        if not (math.isfinite(self.mass) and self.mass > -1.0):
            raise ValueError(f"a relative change of mass of {self.mass}; expected above -1")

    def factors(self, scale_mm: float, sounding_from_mm: float, sounding_mm: float, count: int) -> FloatArray:
        """Return the factors on the frequencies of partials 1 to ``count``.

        Parameters
        ----------
        scale_mm : float
            Scale length.
        sounding_from_mm : float
            Place where the sounding part begins, along the neck from the nut, like that of the stretch.
        sounding_mm : float
            Length of the sounding part; its slope, a few thousandths, is ignored.
        count : int
            Number of partials.

        Returns
        -------
        ndarray of float64
            Frequencies over those of an even string, shape (count,), read-only.
        """
        begin = (self.from_nut * scale_mm - sounding_from_mm) / sounding_mm
        end = begin + self.length_mm / sounding_mm
        return partial_factors(min(max(begin, 0.0), 1.0), min(max(end, 0.0), 1.0), self.mass, count)


@lru_cache(maxsize=512)
def partial_factors(begin: float, end: float, mass: float, count: int) -> FloatArray:
    """Return the factors on the frequencies of partials 1 to ``count``.

    Parameters
    ----------
    begin, end : float
        Ends of the stretch as fractions of the sounding length, 0 to 1.
    mass : float
        Relative change of its mass per length.
    count : int
        Number of partials.

    Returns
    -------
    ndarray of float64
        Frequencies over those of an even string, shape (count,), read-only.
    """
    k = np.arange(1, count + _SPARE_MODES + 1, dtype=np.float64)

    def overlap(j: FloatArray) -> FloatArray:
        # The integral of cos(j pi x) over the stretch.
        return np.asarray(end * np.sinc(j * end) - begin * np.sinc(j * begin))

    masses = np.eye(k.size) + mass * (overlap(np.subtract.outer(k, k)) - overlap(np.add.outer(k, k)))
    # k^2 c = w^2 M c, turned about so that the lowest frequency is the largest eigenvalue: M / (k k') y = y / w^2.
    inverse_squares = np.linalg.eigvalsh(masses / np.multiply.outer(k, k))[::-1][:count]
    factors = 1.0 / np.sqrt(inverse_squares) / k[:count]
    factors.flags.writeable = False
    return np.asarray(factors)
