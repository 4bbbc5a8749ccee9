"""A new string gives: its windings and knots let a little of it out, less each time, until it is stretched in.

A fresh string falls after it is tuned and settles when it is pulled or played (common practice, no source). Here each
tuning, each pluck and each pull by hand lets out a share of what is left, so it dies away exponentially; the shares are
assumed. All of it comes from the peg's windings, so a clamped nut holds it back.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

BY_PLUCK = 0.05
BY_TUNING = 0.25
BY_PULLING = 2.0
"""Rates: the share that is left after such an event is exp(-rate). A rise of less than a semitone counts in
proportion."""

_SPREAD = (0.7, 1.3)
_GIVE_STREAM = 23


class GivingStrings:
    """Strings that are not stretched in yet.

    Args:
        unstretched_mm: string -> mm of it that its windings will still let out.
        seed: no two events let out quite the same share; this decides them.
    """

    def __init__(self, unstretched_mm: Mapping[int, float], seed: int) -> None:
        self._left_mm = dict(unstretched_mm)
        self._events = dict.fromkeys(unstretched_mm, 0)
        self._seed = seed

    def left_mm(self, string: int) -> float:
        """Return how much the string will still let out; 0 for one that is stretched in."""
        return self._left_mm.get(string, 0.0)

    def give_mm(self, string: int, rate: float) -> float:
        """Return how much the string lets out now, which it has then no more."""
        left_mm = self.left_mm(string)
        if not left_mm:
            return 0.0
        rng = np.random.default_rng([self._seed, _GIVE_STREAM, string, self._events[string]])
        self._events[string] += 1
        self._left_mm[string] = left_mm * math.exp(-rate * float(rng.uniform(*_SPREAD)))
        return left_mm - self._left_mm[string]
