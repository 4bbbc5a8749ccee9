"""The string between nut and peg while a clamp of the nut holds it.

A closed clamp divides the string: no stretch passes it, and the peg winds only what lies behind it. No string is lost:
what was wound meanwhile passes over the nut when the clamp opens. Closing presses the string down and so pushes a
little of it over the nut, to one side or the other.
"""

from __future__ import annotations

from dataclasses import dataclass

from oscservice.simulate.string_path import LEAST_TENSION_N, StringBuild


@dataclass(frozen=True)
class StringBehindClamp:
    """String behind a closed clamp.

    Attributes:
        build: the string.
        at_closing_n: its tension when the clamp closed; then it was the same on both sides.
        added_mm: unstretched string that came behind the clamp since then, - if it went.
    """

    build: StringBuild
    at_closing_n: float
    added_mm: float = 0.0

    @property
    def natural_mm(self) -> float:
        """Unstretched length of the part that shares the stretch again when the clamp opens."""
        return self.build.behind_spare_mm / (1.0 + self.at_closing_n / self.build.ea_n) + self.added_mm

    @property
    def tension_n(self) -> float:
        """Tension between clamp and peg. All of the string there stretches: friction holds it nowhere."""
        ea_n, length_mm = self.build.ea_n, self.build.behind_nut_mm
        natural_mm = length_mm / (1.0 + self.at_closing_n / ea_n) + self.added_mm
        return max(ea_n * (length_mm / natural_mm - 1.0), LEAST_TENSION_N)
