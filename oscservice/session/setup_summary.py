"""An instrument as a session left it, in plain numbers: for comparison with another session or a later check.

Cents + sharp, mm + away from the nut, standard errors 1 sd, None for what was not heard.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

from oscservice.advice.compared_frets import REFERENCE_FRET


@dataclass(frozen=True)
class FretError:
    """Error of one fret that was compared, from where it was wanted: ``target_cents`` + sharp of equal temperament
    against the open string."""

    fret: int
    error_cents: float
    se_cents: float
    target_cents: float = 0.0

    @property
    def tempered_cents(self) -> float:
        """The error against the open string in equal temperament."""
        return self.error_cents + self.target_cents


@dataclass(frozen=True)
class StringSummary:
    """One string.

    Attributes:
        string, note: its number and open note.
        nominal_hz: the pitch that the open string is wanted at.
        gauge_mm, core_mm, wound, scale_mm: the string, as filed.
        status: the session's word for it; left_out: why it was left out, or empty.
        errors: of the frets compared, rising.
        harmonic_cents, harmonic_se_cents: 12th-fret harmonic above the open octave, what stiffness explains taken off.
        open_cents, open_se_cents: the open string off its nominal pitch as last heard; the scatter of
            plucks, and what tuning others may have done since, are in the standard error.
        inharmonicity, inharmonicity_se: B of the open string.
        filed_setback_mm, moved_mm, moves: the saddle's position at the start by the file, how far it was moved
            since, and in how many moves.
    """

    string: int
    note: str
    nominal_hz: float
    gauge_mm: float
    core_mm: float
    wound: bool
    scale_mm: float
    status: str
    left_out: str
    errors: tuple[FretError, ...]
    harmonic_cents: float | None
    harmonic_se_cents: float
    open_cents: float | None
    open_se_cents: float
    inharmonicity: float | None
    inharmonicity_se: float
    filed_setback_mm: float
    moved_mm: float
    moves: int

    @property
    def saddle_mm(self) -> float:
        """The saddle's position beyond the scale length, by the file and the moves."""
        return self.filed_setback_mm + self.moved_mm

    def at(self, fret: int) -> FretError | None:
        """The error of a fret, or None if it was not compared."""
        return next((error for error in self.errors if error.fret == fret), None)


@dataclass(frozen=True)
class SetupSummary:
    """A whole instrument. ``session`` is the session's id; ``outcome`` is empty while it is open; ``strings[0]`` is
    string 1."""

    session: str
    identity: str
    instrument: str
    label: str
    outcome: str
    quick: bool
    tolerance_cents: float
    strings: tuple[StringSummary, ...]

    @property
    def worst(self) -> tuple[int, FretError] | None:
        """String and fret of the largest error; None when nothing was compared."""
        found = [(one.string, error) for one in self.strings for error in one.errors]
        return max(found, key=lambda item: abs(item[1].error_cents), default=None)

    @property
    def check_fret(self) -> int | None:
        """The compared fret that is nearest to the twelfth, by which a quick check goes; None when there is none."""
        frets = {error.fret for one in self.strings for error in one.errors}
        return min(frets, key=lambda fret: (abs(fret - REFERENCE_FRET), -fret), default=None)

    def string(self, number: int) -> StringSummary | None:
        """String ``number``, or None if it has no such string."""
        return self.strings[number - 1] if 1 <= number <= len(self.strings) else None

    def to_json(self) -> str:
        """JSON text that ``from_json`` reads back to an equal summary. Targets of 0 are left out."""
        body = asdict(self)
        for error in (error for string in body["strings"] for error in string["errors"]):
            if not error["target_cents"]:
                del error["target_cents"]
        return json.dumps(body, allow_nan=False)

    @classmethod
    def from_json(cls, text: str) -> SetupSummary:
        """Read what ``to_json`` wrote."""
        body: dict[str, Any] = json.loads(text)
        strings = tuple(
            StringSummary(**{**one, "errors": tuple(FretError(**error) for error in one["errors"])})
            for one in body.pop("strings")
        )
        return cls(**body, strings=strings)
