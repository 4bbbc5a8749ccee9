"""``oscservice measure``: every note of recordings, by the daemon's own listener."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table

from oscservice.archive.file_measurement import NoteFound, measure_file
from oscservice.cli.arguments import named_instrument
from oscservice.cli.console import plain_table, wide_console
from oscservice.errors import InputError, OscserviceError
from oscservice.hearing.note_identity import identify
from oscservice.hearing.reading import Reading, finite_or_none
from oscservice.instrument.pitch import Place, nearest_note, note_hz, note_name, note_number
from oscservice.instrument.spec import Instrument
from oscservice.sentences.plural import counted

_FRET_12 = Place("fret", 12)
_NEAR_CENTS = 50.0  # a pitch further off than half a semitone is another note


class NothingMeasuredError(OscserviceError):
    """No file gave a note."""

    exit_code = 1


@dataclass(frozen=True)
class NoteRow:
    """One note of a file, or a sound in it that gave none (``reading`` None, ``reason`` says why)."""

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
        """The row as a JSON object; a sound that gave no note has only file, channel, onset and reason."""
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


def measure(
    files: Annotated[list[Path], typer.Argument(help="Recordings, in any format that libsndfile reads.")],
    expect: Annotated[str | None, typer.Option(help="Note to expect, e.g. e2.")] = None,
    instrument: Annotated[
        str | None, typer.Option(help="Preset or file; then string and place of each note are shown.")
    ] = None,
    reference_hz: Annotated[float, typer.Option("--reference", min=380.0, max=500.0, help="A4 in Hz.")] = 440.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON Lines, one object a note.")] = False,
) -> None:
    """Print a table, or JSON Lines. Files that can't be read are named on standard error, the others are measured.

    Raises:
        InputError: an option can't be used, or a file can't be read (after all others were measured).
        NothingMeasuredError: the files were read, and hold no note.
    """
    profile = named_instrument(instrument) if instrument is not None else None
    if profile is not None:
        reference_hz = profile.reference_hz
    try:
        expected = () if expect is None else (note_hz(note_number(expect), reference_hz),)
    except ValueError as error:
        raise InputError(f"--expect: {error}") from None
    rows: list[NoteRow] = []
    faults: list[OscserviceError] = []
    for path in files:
        try:
            found, flags = file_rows(path, expected, profile, reference_hz)
            rows += found
            if as_json:
                for row in found:
                    print(json.dumps(row.as_json()), flush=True)
            if not any(row.reading for row in found):
                raise NothingMeasuredError(_nothing(path, found, flags))
        except OscserviceError as fault:
            faults.append(fault)
            if len(files) > 1:
                print(f"oscservice: {fault}", file=sys.stderr)
    if not as_json and rows:
        wide_console().print(_table(rows))
    if len(files) == 1 and faults:
        raise faults[0]
    unread = sum(not isinstance(fault, NothingMeasuredError) for fault in faults)
    if unread:
        raise InputError(f"{unread} of {counted(len(files), 'file')} could not be read")
    if not any(row.reading for row in rows):
        raise NothingMeasuredError(f"no note in any of the {len(files)} files")


def _nothing(path: Path, rows: Sequence[NoteRow], flags: Sequence[str]) -> str:
    """Why a file gave no reading."""
    reason = rows[0].reason if rows else "the file is silent, or holds no plucked string"
    found = f" (flags: {', '.join(flags)})" if flags else ""
    return f"{path}: no note found: {reason}{found}"


def file_rows(
    path: Path, expected_hz: tuple[float, ...], instrument: Instrument | None, reference_hz: float
) -> tuple[list[NoteRow], tuple[str, ...]]:
    """The notes of one file, channel by channel in the order they were heard, and the flags of the whole file.

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


def _stiffness(reading: Reading) -> str:
    """B in millionths with its standard error, or a dash when it could not be fitted."""
    if not math.isfinite(reading.inharmonicity_se):
        return "–"
    return f"{1e6 * reading.inharmonicity:.0f}±{max(1.0, 1e6 * reading.inharmonicity_se):.0f}"


def _table(rows: Sequence[NoteRow]) -> Table:
    """A table that fits 80 columns when file names are short."""
    title = "Notes: settled pitch of the first partial, ± 1 sd"
    caption = (
        "ambig.: string pitch (all partials) above the first partial, cents.\n"
        "B: inharmonicity, millionths. pluck: how hard, dB.\n"
        "attack: the first tenth of a second above the settled pitch, cents."
    )
    table = plain_table(title=title)
    table.caption, table.caption_justify = caption, "left"
    strings = any(row.string is not None for row in rows)
    flagged = any(row.flags or row.reading is None for row in rows)
    table.add_column("file", overflow="fold", min_width=8)
    for heading in ("ch", "at s", "note", "Hz", "cents", "±", "ambig.", "B", "pluck", "attack"):
        table.add_column(heading, justify="left" if heading == "note" else "right", no_wrap=True)
    if strings:
        table.add_column("string", no_wrap=True)
    if flagged:
        table.add_column("flags")
    for row in rows:
        r = row.reading
        cells = [""] * 8
        if r is not None:
            cells = [
                row.note or "",
                f"{r.f1_hz:.3f}",
                f"{row.cents:+.2f}",
                f"{r.se_cents:.2f}",
                f"{r.ambiguity_cents:+.2f}",
                _stiffness(r),
                f"{r.strength_db:.0f}",
                f"{r.attack_cents:+.1f}",
            ]
        if strings:
            cells.append(f"{row.string} {row.place}" if row.string is not None else "")
        if flagged:
            cells.append(escape(", ".join(row.flags) if r is not None else row.reason))
        table.add_row(escape(Path(row.file).name), str(row.channel), f"{row.onset_s:.2f}", *cells)
    return table
