"""Plucks of different strengths compared as if all had been of one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from oscservice.advice.pluck_strength import Pluck, Slope, amplitude


def at_strength(plucks: Sequence[Pluck], strength_db: float, slope: Slope) -> list[Pluck]:
    """The plucks as they would have been at one strength; the slope's standard error goes into each one's.

    Ones whose strength is no number stay as they are.
    """
    found = []
    for p in plucks:
        if math.isfinite(p.strength_db):
            step = amplitude(strength_db, slope.reference_db) - amplitude(p.strength_db, slope.reference_db)
            se = math.hypot(p.se_cents, slope.se_cents * step)
            p = replace(p, cents=p.cents + slope.cents * step, se_cents=se, strength_db=strength_db)
        found.append(p)
    return found
