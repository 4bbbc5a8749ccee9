"""Changes of an instrument between two sessions, and which of them the standard errors don't explain.

A change is compared with the standard errors of both sides, taken as independent. Many cells are looked
at at once, so two marks are given: ``*`` where a change is more than twice its standard error, which about one cell in
22 is by chance (normal law), and ``**`` where not one of all the cells heard would be so far off, in 19 of 20 such
tables, if nothing had changed (C. E. Bonferroni's inequality; O. J. Dunn, J. Am. Stat. Assoc. 56 (1961) 52, both from
memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from scipy.special import ndtr, ndtri

from oscservice.advice.decision import PLACING_SD_MM
from oscservice.instrument.spec import Instrument
from oscservice.session.setup_summary import SetupSummary, StringSummary

MARKED_SD = 2.0
"""A change of more standard errors than this is marked."""

BY_CHANCE = 2.0 * float(ndtr(-MARKED_SD))
"""Share of cells marked though nothing has changed."""

TABLE_CHANCE = 0.05
"""How often a table of no change has a cell with two marks."""

OPEN, HARMONIC, FRET, STIFFNESS, SADDLE = "open pitch", "harmonic", "error", "inharmonicity", "saddle"
UNITS = {OPEN: "cents", HARMONIC: "cents", FRET: "cents", STIFFNESS: "", SADDLE: "mm"}

_SAME_MM = 0.005
_SAME_CENTS = 0.5


@dataclass(frozen=True)
class Side:
    """A value and its standard error (1 sd)."""

    value: float
    se: float


@dataclass(frozen=True)
class Cell:
    """One quantity of one string in both sessions; ``fret`` is 0 unless it is the error of one.

    ``why`` says why the two can't be compared; it is empty where they can, and then ``change`` is after less before.
    """

    string: int
    what: str
    fret: int
    before: Side | None
    after: Side | None
    why: str = ""

    @property
    def change(self) -> Side | None:
        """The change and its standard error."""
        if self.why or self.before is None or self.after is None:
            return None
        return Side(self.after.value - self.before.value, math.hypot(self.before.se, self.after.se))

    @property
    def z(self) -> float | None:
        """The change in standard errors; None without a change or a standard error."""
        change = self.change
        return None if change is None or change.se == 0.0 else change.value / change.se


@dataclass(frozen=True)
class Changes:
    """All cells, string 1 first, and remarks on the two sessions, a line each."""

    cells: tuple[Cell, ...]
    remarks: tuple[str, ...]

    @property
    def heard(self) -> int:
        """Number of changes that were heard: positions of saddles are reported, not heard."""
        return sum(cell.z is not None and cell.what != SADDLE for cell in self.cells)

    @property
    def by_chance(self) -> float:
        """Expected number of these that would be marked though nothing had changed."""
        return self.heard * BY_CHANCE

    def mark(self, cell: Cell) -> str:
        """``**``, ``*`` or nothing."""
        z = cell.z
        if z is None or abs(z) <= MARKED_SD:
            return ""
        far = float(ndtri(1.0 - TABLE_CHANCE / 2.0 / max(self.heard, 1)))
        return "**" if abs(z) > max(far, MARKED_SD) else "*"


class StringIdentity(Protocol):
    """Identity of a string."""

    @property
    def note(self) -> str: ...
    @property
    def nominal_hz(self) -> float: ...
    @property
    def gauge_mm(self) -> float: ...
    @property
    def core_mm(self) -> float: ...
    @property
    def wound(self) -> bool: ...
    @property
    def scale_mm(self) -> float: ...


@dataclass(frozen=True)
class FiledString:
    """Identity of a string, by the instrument file."""

    note: str
    nominal_hz: float
    gauge_mm: float
    core_mm: float
    wound: bool
    scale_mm: float


def filed_string(instrument: Instrument, number: int) -> FiledString:
    """A string as it is in the instrument file."""
    spec = instrument.string(number)
    return FiledString(spec.note, instrument.open_hz(number), spec.gauge_mm, spec.core_mm, spec.wound, spec.scale_mm)


def unlike(before: StringIdentity, after: StringIdentity) -> str:
    """The reason why two strings can't be compared: another string, scale or pitch; empty if they can."""
    if abs(before.scale_mm - after.scale_mm) > _SAME_MM:
        return f"another scale length ({before.scale_mm:g} and {after.scale_mm:g} mm)"
    if before.wound != after.wound:
        return "another string ({} and {})".format(*("wound" if one.wound else "plain" for one in (before, after)))
    if abs(before.gauge_mm - after.gauge_mm) > _SAME_MM:
        return f"another string ({before.gauge_mm:.2f} and {after.gauge_mm:.2f} mm)"
    if abs(before.core_mm - after.core_mm) > _SAME_MM:
        return f"another string (core {before.core_mm:.2f} and {after.core_mm:.2f} mm)"
    if before.note != after.note:
        return f"another tuning ({before.note} and {after.note})"
    if abs(1200.0 * math.log2(after.nominal_hz / before.nominal_hz)) > _SAME_CENTS:
        return f"another tuning ({before.nominal_hz:.2f} and {after.nominal_hz:.2f} Hz)"
    return ""


def changes(before: SetupSummary, after: SetupSummary) -> Changes:
    """The changes from one session to the other, without cells that neither knows."""
    cells: list[Cell] = []
    remarks: list[str] = []
    if before.identity != after.identity:
        remarks.append(f"two instruments: {before.identity} and {after.identity}")
    if len(before.strings) != len(after.strings):
        remarks.append(f"{len(before.strings)} strings and {len(after.strings)}: only those of both are compared")
    for one, other in zip(before.strings, after.strings, strict=False):
        why = unlike(one, other)
        if why:
            remarks.append(f"string {one.string}: {why}")
        cells += _cells(one, other, why)
    return Changes(tuple(cells), tuple(remarks))


def _cells(before: StringSummary, after: StringSummary, why: str) -> list[Cell]:
    def cell(what: str, one: Side | None, other: Side | None, *, fret: int = 0) -> Cell:
        missing = "not heard in {}".format("the first" if one is None else "the second")
        reason = why or (missing if one is None or other is None else "")
        return Cell(before.string, what, fret, one, other, reason)

    sides = (before, after)
    opened = [_side(one.open_cents, one.open_se_cents) for one in sides]
    octave = [_side(one.harmonic_cents, one.harmonic_se_cents) for one in sides]
    stiff = [_side(one.inharmonicity, one.inharmonicity_se) for one in sides]
    cells = [cell(OPEN, *opened), cell(HARMONIC, *octave)]
    for fret in sorted({error.fret for one in sides for error in one.errors}):
        errors = [one.at(fret) for one in sides]
        # Both count from where the later session wants the fret.
        target_cents = next(e.target_cents for e in reversed(errors) if e is not None)
        found = [None if e is None else Side(e.tempered_cents - target_cents, e.se_cents) for e in errors]
        cells.append(cell(FRET, *found, fret=fret))
    cells.append(cell(STIFFNESS, *stiff))
    known = [one for one in cells if one.before is not None or one.after is not None]
    return [*known, _saddle(before, after, why)]


def _side(value: float | None, se: float) -> Side | None:
    return None if value is None else Side(value, se)


def _saddle(before: StringSummary, after: StringSummary, why: str) -> Cell:
    """The saddle's position: by the file, and by moves that were reported or taken from the advice."""
    if abs(before.scale_mm - after.scale_mm) <= _SAME_MM:
        why = ""  # a saddle is where it is, whatever string lies on it
    same_start = abs(before.filed_setback_mm - after.filed_setback_mm) <= _SAME_MM
    if not why and same_start and abs(before.moved_mm) > _SAME_MM:
        why = "the file still has the saddle where the first session began, not where it left it"
    left, now = (Side(one.saddle_mm, PLACING_SD_MM * math.sqrt(max(1, one.moves))) for one in (before, after))
    return Cell(before.string, SADDLE, 0, left, now, why)
