"""The plan of a neck, seen from above: the places of nut, frets and saddles along it.

The frets of strings that have one scale are parallel. Where the scales differ, each string has its frets by its own
scale, and one fret is at right angles to the neck: the others fan out from there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from oscservice.instrument.string_physics import fret_position_mm
from oscservice.report.facts import Built

BEHIND_LAST_FRET = 1.015
"""Where errors end in the drawing: share of the way from the nut to the last fret."""

_SAME_MM = 0.5


@dataclass(frozen=True)
class NeckPlan:
    """Places along the neck as shares of its length in the drawing; string 1 first.

    Attributes:
        frets: places of each fret under the strings; ``frets[0]`` is the nut.
        ends: place a little behind the last fret, where the tolerance of each string ends.
        saddles: place of each saddle; empty where the strings have one scale: the drawing then ends before them.
    """

    frets: tuple[tuple[float, ...], ...]
    ends: tuple[float, ...]
    saddles: tuple[float, ...]

    @property
    def fanned(self) -> bool:
        """True if the frets are not parallel."""
        return bool(self.saddles)

    def edges(self, fret: int) -> tuple[float, float]:
        """Return the places of a fret half a space beyond string 1 and beyond the last string."""
        places = self.frets[fret]
        if len(places) < 2:
            return places[0], places[0]
        return 1.5 * places[0] - 0.5 * places[1], 1.5 * places[-1] - 0.5 * places[-2]


def neck_plan(built: Built, moved_mm: Mapping[int, float]) -> NeckPlan:
    """Return the plan of an instrument.

    Args:
        built: the instrument.
        moved_mm: string -> move of its saddle since the start, + away from the nut; 0 if it is missing.
    """
    scales_mm = [one.scale_mm for one in built.strings]
    numbers = range(built.frets + 1)
    if max(scales_mm) - min(scales_mm) < _SAME_MM:
        end = fret_position_mm(1.0, built.frets) * BEHIND_LAST_FRET
        shares = [fret_position_mm(1.0, fret) / end for fret in numbers]
        return NeckPlan(tuple((share,) * len(scales_mm) for share in shares), (1.0,) * len(scales_mm), ())
    square = min(built.perpendicular_fret, built.frets)
    zero_mm = [-fret_position_mm(scale, square) for scale in scales_mm]  # each string's nut
    setbacks_mm = [one.setback_mm + moved_mm.get(one.string, 0.0) for one in built.strings]
    saddles_mm = [sum(place) for place in zip(zero_mm, scales_mm, setbacks_mm, strict=True)]
    first_mm, whole_mm = min(zero_mm), max(saddles_mm) - min(zero_mm)

    def share(mm: float) -> float:
        return (mm - first_mm) / whole_mm

    def under_strings(part: float) -> tuple[float, ...]:
        return tuple(share(zero + scale * part) for zero, scale in zip(zero_mm, scales_mm, strict=True))

    frets = tuple(under_strings(fret_position_mm(1.0, fret)) for fret in numbers)
    ends = under_strings(fret_position_mm(1.0, built.frets) * BEHIND_LAST_FRET)
    return NeckPlan(frets, ends, tuple(map(share, saddles_mm)))
