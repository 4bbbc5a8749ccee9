"""What can be wrong with a simulated guitar, as mechanics: where things lie, not what that does to the pitch.

Strings and frets are numbered from 1. Lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from oscservice.simulate.uneven import Uneven


@dataclass(frozen=True)
class Faults:
    """How a guitar differs from what its file says. By default in nothing.

    Attributes:
        nut_raised_mm: string -> how much too high its nut slot is; the saddle stays at its height.
        nut_shift_mm: how far the nut stands from where it should, + away from the saddle; the frets stay.
        take_up_mm: string that the finger, or a capo, pulls in behind the fret on every fretted note.
        uneven: string -> its uneven stretch.
        fret_shift_mm: fret -> how far it stands from where it should, under all strings, + toward the saddle.
        groove_mm: (string, fret) -> how far a groove moves the point where that string leaves the fret, + toward the
            saddle.
        action_raised_mm: how much higher all strings pass over fret 12 than filed, by saddles that are higher.
        core_factor: string -> its core's diameter over the filed one; the mass per length is as filed.
        scatter_cents: string -> standard deviation by which re-fretting changes its pitch, instead of the guitar's.
    """

    nut_raised_mm: Mapping[int, float] = field(default_factory=dict)
    nut_shift_mm: float = 0.0
    take_up_mm: float = 0.0
    uneven: Mapping[int, Uneven] = field(default_factory=dict)
    fret_shift_mm: Mapping[int, float] = field(default_factory=dict)
    groove_mm: Mapping[tuple[int, int], float] = field(default_factory=dict)
    action_raised_mm: float = 0.0
    core_factor: Mapping[int, float] = field(default_factory=dict)
    scatter_cents: Mapping[int, float] = field(default_factory=dict)

    def but_core(self) -> Faults:
        """The guitar with these cores and otherwise in order."""
        return replace(SOUND, core_factor=self.core_factor)

    def fret_shifts_mm(self, string: int) -> dict[int, float]:
        """Fret -> how far the point where this string leaves it stands from where it should, + toward the saddle."""
        shifts = dict(self.fret_shift_mm)
        for (number, fret), mm in self.groove_mm.items():
            if number == string:
                shifts[fret] = shifts.get(fret, 0.0) + mm
        return shifts

    def check(self, strings: int, frets: int) -> None:
        """Raise ValueError unless every string, fret and value could be on a guitar of so many strings and frets."""
        named = {*self.nut_raised_mm, *self.uneven, *self.core_factor, *self.scatter_cents}
        _check_numbers("string", named | {string for string, _ in self.groove_mm}, strings)
        _check_numbers("fret", {*self.fret_shift_mm} | {fret for _, fret in self.groove_mm}, frets)
        lengths = [self.nut_shift_mm, self.take_up_mm, self.action_raised_mm]
        lengths += [*self.nut_raised_mm.values(), *self.fret_shift_mm.values(), *self.groove_mm.values()]
        for mm in lengths:
            if not math.isfinite(mm):
                raise ValueError(f"a fault of {mm} mm; expected a number")
        for factor in self.core_factor.values():
            if not 0.0 < factor < math.inf:
                raise ValueError(f"a core of {factor} times the filed one; expected above 0")
        for cents in self.scatter_cents.values():
            if not 0.0 <= cents < math.inf:
                raise ValueError(f"a scatter of {cents} cents; expected 0 or more")


SOUND = Faults()
"""Nothing is wrong."""


def _check_numbers(what: str, numbers: Iterable[int], most: int) -> None:
    for number in numbers:
        if not 1 <= number <= most:
            raise ValueError(f"a fault on {what} {number}, which isn't there; expected 1 to {most}")
