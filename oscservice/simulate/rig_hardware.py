"""The hardware of a simulated guitar beside its strings and its bridge, and what chance decides about it.

Strings are numbered from 1; cents + sharp.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

CLAMP_SHIFT_CENTS = 6.0
"""Largest change of a string's pitch by closing its nut clamp, either way (common practice, no source: a few cents)."""

SLIDE_MM = (1.0, 2.0)
"""How far a saddle slides toward the nut whose clamp screw was left loose (common practice, no source)."""

NEAR_MIDDLE = (0.4, 0.6)
OFF_MIDDLE = ((0.05, 0.3), (0.7, 0.95))
"""Places of fine tuners at the start, as shares of their travel: near its middle, or as a technician may find them."""

_CLOSING_STREAM, _FINE_TUNER_STREAM, _SLIDE_STREAM = 21, 22, 24


@dataclass(frozen=True)
class RigHardware:
    """The hardware; by default there is none.

    Attributes:
        seed: of all that chance decides.
        nut_clamps: the strings under each clamp of the nut.
        fine_tuner_range_cents: travel of each fine tuner, cents of an open string at its pitch; None without them.
        fine_tuners_off: the fine tuners start far from the middle of their travel.
        unstretched_mm: string -> mm of it that its windings will still let out.
    """

    seed: int = 0
    nut_clamps: tuple[tuple[int, ...], ...] = ()
    fine_tuner_range_cents: float | None = None
    fine_tuners_off: bool = False
    unstretched_mm: Mapping[int, float] = field(default_factory=dict)

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

    def fine_tuner_start(self, string: int) -> float:
        """Return the place of a string's fine tuner at the start, as a share of its travel; 1: highest pitch."""
        rng = np.random.default_rng([self.seed, _FINE_TUNER_STREAM, string])
        return float(rng.uniform(*(OFF_MIDDLE[rng.integers(2)] if self.fine_tuners_off else NEAR_MIDDLE)))

    def slide_mm(self, slides: int) -> float:
        """Return how far a loose saddle slides, after so many slides before."""
        return float(np.random.default_rng([self.seed, _SLIDE_STREAM, slides]).uniform(*SLIDE_MM))
