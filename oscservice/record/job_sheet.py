"""The job sheet of a session: customer, instrument's own number, job number, technician, strings, tuning, notes and
photographs. It is private: it is written in the record and on pages, and nothing of it is sent.

It grows by entries. Each changes some of it and is kept (`job_entries`): the sheet is what all of them come to.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from oscservice.errors import InputError

LONGEST = {
    "customer": 120,
    "number": 60,
    "job": 60,
    "technician": 120,
    "string_set": 200,
    "tuning": 120,
    "message": 2000,
}
"""Fields of one text each -> the most characters: `number` is the instrument's own, `message` is for the customer."""

NAMES = {
    "customer": "customer",
    "number": "instrument number",
    "job": "job number",
    "technician": "technician",
    "string_set": "string set",
    "tuning": "tuning",
    "message": "message to the customer",
}
"""The fields in words."""

LONGEST_NOTE = 2000
LONGEST_PATH = 1000
LONGEST_BY = 120
MOST_NOTES = 500
MOST_PHOTOGRAPHS = 500
"""Of one session."""

_REFUSED = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
_JOINERS = "\u200c\u200d"  # some scripts need these two, which are of the category Cf


@dataclass(frozen=True)
class Photograph:
    """A photograph that the record names. The file stays where it is.

    Attributes:
        path: as it was given.
        place: the whole path.
        sha256: of the file's bytes; size: their number, when it was attached.
    """

    path: str
    place: str
    sha256: str
    size: int

    @property
    def name(self) -> str:
        """The file's name without its folder."""
        return self.place.replace("\\", "/").rpartition("/")[2]


@dataclass(frozen=True)
class JobChange:
    """The change that one entry makes.

    Attributes:
        fields: new texts by field; an empty one clears it.
        notes: notes to add.
        photographs: photographs to add; one with the hash of another takes its place.
        dropped: SHA-256 of photographs to take off the sheet.
    """

    fields: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    photographs: tuple[Photograph, ...] = ()
    dropped: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.fields or self.notes or self.photographs or self.dropped)

    def to_body(self) -> dict[str, Any]:
        """Return a JSON object that `from_body` reads; what is empty is left out."""
        body: dict[str, Any] = {
            "fields": dict(self.fields),
            "notes": list(self.notes),
            "photographs": [asdict(one) for one in self.photographs],
            "dropped": list(self.dropped),
        }
        return {key: value for key, value in body.items() if value}

    @classmethod
    def from_body(cls, body: Mapping[str, Any]) -> JobChange:
        """Read what `to_body` or a newer version wrote. Raises ValueError for anything else."""
        try:
            fields = {str(key): str(text) for key, text in body.get("fields", {}).items() if key in LONGEST}
            photographs = tuple(
                Photograph(str(one["path"]), str(one["place"]), str(one["sha256"]), int(one["size"]))
                for one in body.get("photographs", ())
            )
            notes, dropped = (tuple(map(str, body.get(key, ()))) for key in ("notes", "dropped"))
        except (KeyError, TypeError, AttributeError, OverflowError) as error:
            raise ValueError(f"no entry of a job sheet: {error}") from None
        return cls(fields, notes, photographs, dropped)

    def lines(self) -> list[str]:
        """Return a line on each thing that it changes."""
        said = [f"{NAMES[key]}: {text or 'cleared'}" for key, text in self.fields.items()]
        said += [f"note: {note}" for note in self.notes]
        said += [f"photograph: {one.name}" for one in self.photographs]
        return said + [f"photograph taken off: SHA-256 {sha256[:12]}…" for sha256 in self.dropped]


@dataclass(frozen=True)
class JobNote:
    """A note: when it was written (text in UTC), by whom, and its text."""

    at_utc: str
    by: str
    text: str


@dataclass(frozen=True)
class AttachedPhotograph:
    """A photograph and when it was attached (text in UTC)."""

    at_utc: str
    photograph: Photograph


@dataclass(frozen=True)
class JobSheet:
    """A job sheet as it is after all entries; what nobody wrote is empty."""

    customer: str = ""
    number: str = ""
    job: str = ""
    technician: str = ""
    string_set: str = ""
    tuning: str = ""
    message: str = ""
    notes: tuple[JobNote, ...] = ()
    photographs: tuple[AttachedPhotograph, ...] = ()

    def after(self, change: JobChange, at_utc: str, by: str) -> JobSheet:
        """Return the sheet after one more entry."""
        gone = {*change.dropped, *(one.sha256 for one in change.photographs)}
        photographs = tuple(one for one in self.photographs if one.photograph.sha256 not in gone)
        photographs += tuple(AttachedPhotograph(at_utc, one) for one in change.photographs)
        notes = (*self.notes, *(JobNote(at_utc, by, text) for text in change.notes))
        return replace(self, **change.fields, notes=notes, photographs=photographs)

    def new_in(self, change: JobChange) -> JobChange:
        """Return the part of a change that is not on the sheet yet: a job sheet file may be read again."""
        notes = {one.text for one in self.notes}
        attached = {one.photograph for one in self.photographs}
        return JobChange(
            {key: text for key, text in change.fields.items() if text != getattr(self, key)},
            tuple(text for text in change.notes if text not in notes),
            tuple(one for one in change.photographs if one not in attached),
            change.dropped,
        )

    def fields(self) -> dict[str, str]:
        """Return the texts that somebody wrote, by field."""
        return {key: text for key in LONGEST if (text := getattr(self, key))}


def checked_text(name: str, text: str, longest: int, several_lines: bool = False) -> str:
    """Return a text without blanks around it.

    Args:
        name: of the field, for the complaint.
        text: as given.
        longest: the most characters.
        several_lines: it may have more than one.

    Raises:
        InputError: it is too long, or has characters that are no text.
    """
    bare = text.strip()
    if len(bare) > longest:
        raise InputError(f"{name}: {len(bare)} characters; expected at most {longest}")
    allowed = f"{_JOINERS}\n\t" if several_lines else _JOINERS
    wrong = next((char for char in bare if unicodedata.category(char) in _REFUSED and char not in allowed), None)
    if wrong is not None:
        expected = "text" if several_lines else "text in one line"
        raise InputError(f"{name}: has the control character U+{ord(wrong):04X}; expected {expected}")
    return bare


def checked_change(
    fields: Mapping[str, str],
    notes: Iterable[str] = (),
    photographs: Iterable[Photograph] = (),
    dropped: Iterable[str] = (),
) -> JobChange:
    """Return a change whose texts were checked. Raises InputError: a text too long, or one that is no text."""
    texts = {key: checked_text(NAMES[key], text, LONGEST[key], key == "message") for key, text in fields.items()}
    said = tuple(note for text in notes if (note := checked_text("note", text, LONGEST_NOTE, True)))
    return JobChange(texts, said, tuple(photographs), tuple(dropped))


def check_room(sheet: JobSheet, change: JobChange) -> None:
    """Raise InputError if a sheet would have too many notes or photographs after a change."""
    after = sheet.after(change, "", "")
    for what, found, most in (
        ("notes", len(after.notes), MOST_NOTES),
        ("photographs", len(after.photographs), MOST_PHOTOGRAPHS),
    ):
        if found > most:
            raise InputError(f"the job sheet would have {found} {what}; expected at most {most}")
