"""``oscservice measure``: every note of recordings, by the daemon's own listener."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from oscservice.cli.arguments import TuningOption, named_instrument
from oscservice.cli.console import plain_table, wide_console
from oscservice.defaults import A4_HZ, REFERENCE_RANGE_HZ
from oscservice.errors import InputError, OscserviceError
from oscservice.sentences.plural import counted

if TYPE_CHECKING:
    from rich.table import Table

    from oscservice.cli.note_rows import NoteRow
    from oscservice.hearing.reading import Reading


class NothingMeasuredError(OscserviceError):
    """No file gave a note."""

    exit_code = 1


def measure(
    files: Annotated[list[Path], typer.Argument(help="Recordings, in any format that libsndfile reads.")],
    expect: Annotated[str | None, typer.Option(help="Note to expect, e.g. e2.")] = None,
    instrument: Annotated[
        str | None, typer.Option(help="Preset or file; then string and place of each note are shown.")
    ] = None,
    tuning: TuningOption = None,
    reference_hz: Annotated[
        float, typer.Option("--reference", min=REFERENCE_RANGE_HZ[0], max=REFERENCE_RANGE_HZ[1], help="A4 in Hz.")
    ] = A4_HZ,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON Lines, one object a note.")] = False,
) -> None:
    """Print a table, or JSON Lines. Files that can't be read are named on standard error, the others are measured.

    Raises:
        InputError: an option can't be used, or a file can't be read (after all others were measured).
        NothingMeasuredError: the files were read, and have no note.
    """
    # These take long to import, and the help needs none of them.
    from oscservice.cli.note_rows import file_rows
    from oscservice.instrument.pitch import note_hz, note_number

    if tuning is not None and instrument is None:
        raise InputError("--tuning: found no --instrument; expected the one whose file names the tuning")
    profile = named_instrument(instrument, tuning) if instrument is not None else None
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
    """Return the reason why a file gave no reading."""
    reason = rows[0].reason if rows else "the file is silent, or has no plucked string in it"
    found = f" (flags: {', '.join(flags)})" if flags else ""
    return f"{path}: no note found: {reason}{found}"


def _stiffness(reading: Reading) -> str:
    """Return B in millionths with its standard error, or a dash when it could not be fitted."""
    if not math.isfinite(reading.inharmonicity_se):
        return "–"
    return f"{1e6 * reading.inharmonicity:.0f}±{max(1.0, 1e6 * reading.inharmonicity_se):.0f}"


def _table(rows: Sequence[NoteRow]) -> Table:
    """Return a table that fits 80 columns if file names are short."""
    from rich.markup import escape

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
