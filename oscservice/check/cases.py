"""What is held against what: notes gathered by string and place, or by their name alone."""

from __future__ import annotations

from dataclasses import dataclass, field

from oscservice.instrument.pitch import HARMONIC, OPEN, Place, note_name
from oscservice.instrument.spec import Instrument

Labels = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Case:
    """One thing that is judged.

    Attributes:
        string: its number; 0 where only the note is known.
        place: where the string is stopped; None where only the note is known.
        note: MIDI note number of its nominal pitch.
        labels: what else tells it apart.
    """

    string: int
    place: Place | None
    note: int
    labels: Labels = ()

    def __str__(self) -> str:
        name = f"string {self.string} {self.place}" if self.string else note_name(self.note)
        told = ", ".join(f"{label} {text}" for label, text in self.labels)
        return f"{name} ({told})" if told else name

    @property
    def order(self) -> tuple[int, int, int, Labels]:
        """To sort by: thick strings first, as they are set up, and the open note of each."""
        rank = {OPEN: 0, HARMONIC: 1}.get(self.place or OPEN, 2)
        return (-self.string, rank, self.note, self.labels)

    @property
    def note_name(self) -> str:
        """Name of its nominal note."""
        return note_name(self.note)

    @property
    def stopped(self) -> bool:
        """Whether a finger stops it, as far as is known: such plucks scatter more."""
        return self.place is None or self.place.kind == "fret"


@dataclass(frozen=True)
class Note:
    """One note that was heard.

    Attributes:
        hz, se_cents: settled first partial, and its standard error (1 sd).
        strength_db: how hard it was plucked; None if not known.
        inharmonicity, inharmonicity_se: B and its standard error; None if not known.
        file, onset_s: where it is.
    """

    hz: float
    se_cents: float
    strength_db: float | None = None
    inharmonicity: float = 0.0
    inharmonicity_se: float | None = None
    file: str = ""
    onset_s: float = 0.0


@dataclass(frozen=True)
class Heard:
    """What recordings hold: notes by case, on an instrument if one is known.

    Attributes:
        instrument: None where notes go by their names.
        reference_hz: A4.
        notes: of each case, in the order they were read.
    """

    instrument: Instrument | None
    reference_hz: float
    notes: dict[Case, tuple[Note, ...]] = field(default_factory=dict)

    @property
    def in_order(self) -> list[tuple[Case, tuple[Note, ...]]]:
        """Cases with their notes, thick strings first."""
        return sorted(self.notes.items(), key=lambda item: item[0].order)

    @property
    def count(self) -> int:
        """How many notes there are."""
        return sum(len(notes) for notes in self.notes.values())
