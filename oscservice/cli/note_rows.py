"""The notes of a recording as rows: what ``oscservice measure`` prints."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from oscservice.archive.file_measurement import NoteFound, measure_file
from oscservice.hearing.note_identity import identify
from oscservice.hearing.reading import Reading, finite_or_none
from oscservice.instrument.pitch import Place, nearest_note, note_name
from oscservice.instrument.spec import Instrument

_FRET_12 = Place("fret", 12)
_NEAR_CENTS = 50.0  # a pitch further off than half a semitone is another note


@dataclass(frozen=True)
class NoteRow:
    """One note of a file, or a sound in it that gave none: then ``reading`` is None, and ``reason`` is given."""

    file: str
    channel: int
    onset_s: float
    reading: Reading | None
    string: int | None = None
    place: str | None = None
    note: str | None = None
    cents: float | None = None
    reason: str = ""
    flags: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the row as a JSON object; a sound that gave no note has only file, channel, onset and reason."""
        head: dict[str, Any] = {"file": self.file, "channel": self.channel, "onset_s": self.onset_s}
        r = self.reading
        if r is None:
            return head | {"reason": self.reason, "flags": list(self.flags)}
        return head | {
            "string": self.string,
            "place": self.place,
            "note": self.note,
            "f1_hz": r.f1_hz,
            "cents": self.cents,
            "se_cents": r.se_cents,
            "f0_hz": r.f0_hz,
            "inharmonicity": r.inharmonicity,
            "inharmonicity_se": finite_or_none(r.inharmonicity_se),
            "string_hz": r.string_hz,
            "string_se_cents": finite_or_none(r.string_se_cents),
            "ambiguity_cents": r.ambiguity_cents,
            "partials": list(r.partials),
            "level_dbfs": r.level_dbfs,
            "strength_db": r.strength_db,
            "attack_cents": r.attack_cents,
            "window_start_s": r.window_start_s,
            "window_length_s": r.window_length_s,
            "flags": list(self.flags),
        }


def file_rows(
    path: Path, expected_hz: tuple[float, ...], instrument: Instrument | None, reference_hz: float
) -> tuple[list[NoteRow], tuple[str, ...]]:
    """Return the notes of one file, channel by channel in the order they were heard, and the flags of the whole file.

    Raises:
        InputError: the file can't be read.
    """
    hints = expected_hz
    if instrument is not None:
        hints += tuple(instrument.open_hz(n) for n in range(1, len(instrument.strings) + 1))
    measured = measure_file(path, hints)
    rows: list[NoteRow] = []
    for one in measured.found:
        if isinstance(one, NoteFound):
            rows.append(_row(str(path), one, instrument, reference_hz, measured.flags))
        else:
            rows.append(NoteRow(str(path), one.channel, one.onset_s, None, reason=one.reason, flags=measured.flags))
    return rows, measured.flags


def _row(
    file: str, found_note: NoteFound, instrument: Instrument | None, reference_hz: float, flags: tuple[str, ...]
) -> NoteRow:
    """Return the row of a note, with its string and place if the instrument has one near."""
    reading = found_note.reading
    number, cents = nearest_note(reading.f1_hz, reference_hz)
    found = None
    if instrument is not None:
        found = identify(
            instrument,
            reading.f1_hz,
            inharmonicity=reading.inharmonicity,
            inharmonicity_se=reading.inharmonicity_se,
            also=(_FRET_12,),
        ).best
    if found is not None and abs(found.cents) > _NEAR_CENTS:
        found = None
    return NoteRow(
        file,
        found_note.channel,
        found_note.onset_s,
        reading,
        string=found.string if found is not None else None,
        place=str(found.place) if found is not None else None,
        note=note_name(number),
        cents=found.cents if found is not None else cents,
        flags=tuple(sorted({*reading.flags, *flags})),
    )
