"""The hardware of a simulated guitar beside its strings and its bridge, and what chance decides about it.

Strings are numbered from 1; cents + sharp.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

CLAMP_SHIFT_CENTS = 6.0
"""Largest change of a string's pitch by closing its nut clamp, either way (common practice, no source: a few cents)."""

_CLOSING_STREAM = 21


@dataclass(frozen=True)
class RigHardware:
    """The hardware; by default there is none.

    Attributes:
        seed: of all that chance decides.
        nut_clamps: the strings under each clamp of the nut.
    """

    seed: int = 0
    nut_clamps: tuple[tuple[int, ...], ...] = ()

    def clamps_of(self, string: int | None) -> tuple[tuple[int, ...], ...]:
        """Return the clamp that holds a string, or all clamps without a string.

        Raises:
            ValueError: there is none.
        """
        if not self.nut_clamps:
            raise ValueError("the nut of this guitar has no clamps")
        clamps = tuple(clamp for clamp in self.nut_clamps if string is None or string in clamp)
        if not clamps:
            raise ValueError(f"no clamp of the nut holds string {string}")
        return clamps

    def closing_shift_cents(self, string: int, closings: int) -> float:
        """Return the change of a string's pitch by closing its clamp, which was closed so many times before."""
        rng = np.random.default_rng([self.seed, _CLOSING_STREAM, string, closings])
        return float(rng.uniform(-CLAMP_SHIFT_CENTS, CLAMP_SHIFT_CENTS))
