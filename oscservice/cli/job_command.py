"""``oscservice job``: the job sheet of a session shown, written and amended."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from oscservice.cli.arguments import CountedInstrument, JournalOption, JsonObject, SessionArgument, named_session
from oscservice.errors import InputError
from oscservice.record.event_chain import minute_text, utc_text

if TYPE_CHECKING:
    from oscservice.record.job_entries import JobEntry
    from oscservice.record.job_sheet import JobChange, JobSheet
    from oscservice.record.journal import Journal

_CLEARS = 'An empty text "" clears it.'


def job(
    session: SessionArgument = "last",
    customer: Annotated[str | None, typer.Option(help=f"Customer. {_CLEARS}")] = None,
    number: Annotated[str | None, typer.Option(help=f"The instrument's own number. {_CLEARS}")] = None,
    job_number: Annotated[str | None, typer.Option("--job", help=f"Number of the job. {_CLEARS}")] = None,
    technician: Annotated[str | None, typer.Option(help=f"Technician. {_CLEARS}")] = None,
    string_set: Annotated[str | None, typer.Option(help=f"Set of strings with its gauges. {_CLEARS}")] = None,
    tuning: Annotated[str | None, typer.Option(help=f"Tuning, as the customer names it. {_CLEARS}")] = None,
    message: Annotated[str | None, typer.Option(help=f"Text for the customer's page. {_CLEARS}")] = None,
    note: Annotated[list[str] | None, typer.Option(help="Note for the bench; repeat for more.")] = None,
    photo: Annotated[list[str] | None, typer.Option(help="Photograph to attach; repeat for more.")] = None,
    drop_photo: Annotated[
        list[str] | None, typer.Option(help="File name of a photograph to take off the sheet; repeat for more.")
    ] = None,
    sheet: Annotated[Path | None, typer.Option(help="TOML file with these fields; options win over it.")] = None,
    by: Annotated[str, typer.Option(help="Who writes this; by default the user's login name.")] = "",
    as_json: JsonObject = False,
    instrument: CountedInstrument = None,
    journal: JournalOption = None,
) -> None:
    """Write or amend a session's job sheet; without anything to write, show it.

    Args:
        session: its name; or ``last``, ``last-1`` and so on, of the instrument if one is given.
        customer, number, job_number, technician, string_set, tuning, message: new texts; an empty one clears.
        note, photo: to add. drop_photo: to take off.
        sheet: a TOML file.
        by: the author; the login name if it is empty.
        as_json: print the sheet as JSON.
        instrument: its identity, name or file, for ``last``.
        journal: the journal file; the user's own if None.

    Raises:
        InputError: a text that is too long, a file that can't be read, a photograph that isn't on the sheet.
        JournalError: no such session, or the journal can't be read or written.
    """
    from oscservice.record.job_file import login_name
    from oscservice.record.journal import Journal

    given = {
        "customer": customer,
        "number": number,
        "job": job_number,
        "technician": technician,
        "string_set": string_set,
        "tuning": tuning,
        "message": message,
    }
    fields = {key: text for key, text in given.items() if text is not None}
    if not (fields or note or photo or drop_photo or sheet):
        with Journal.open(journal, readonly=True) as opened:
            _show(opened, named_session(opened, session, instrument), as_json)
        return
    change = _change(fields, note or [], photo or [], sheet)
    with Journal.open_repaired(journal) as opened:
        name = named_session(opened, session, instrument)
        change = _with_dropped(change, opened.jobs.entries(opened.row(name).id), drop_photo or [])
        if not change:
            raise InputError("there is nothing to write: the job sheet file is empty")
        entry = opened.jobs.add(name, change, utc_text(datetime.now(UTC)), by or login_name())
        for line in opened.notes:
            print(line)
        if as_json:
            _show(opened, name, as_json=True)
            return
    if entry is None:
        print(f"{name}: job sheet: all of that is on it already")
        return
    print(f"{name}: job sheet: {_heading(entry)}")
    for line in entry.lines():
        print(f"  {_one_line(line)}")


def _change(fields: dict[str, str], notes: Sequence[str], photographs: Sequence[str], sheet: Path | None) -> JobChange:
    """Return what the options and the job sheet file say together. Raises InputError."""
    from oscservice.record.job_file import read_job_file
    from oscservice.record.job_sheet import JobChange, checked_change
    from oscservice.record.photographs import photograph

    first = JobChange() if sheet is None else read_job_file(sheet)
    pictures = [photograph(path, Path.cwd()) for path in photographs]
    own = checked_change(fields, notes, pictures)
    return JobChange({**first.fields, **own.fields}, (*first.notes, *own.notes), (*first.photographs, *own.photographs))


def _with_dropped(change: JobChange, entries: Sequence[JobEntry], names: Sequence[str]) -> JobChange:
    """Return the change with the photographs of these names taken off. Raises InputError for one that isn't there."""
    from dataclasses import replace

    from oscservice.record.job_entries import sheet_of

    attached = [one.photograph for one in sheet_of(entries).photographs]
    dropped: list[str] = []
    for name in names:
        found = [one.sha256 for one in attached if name in (one.name, one.path, one.place)]
        if not found:
            known = ", ".join(one.name for one in attached) or "none is attached"
            raise InputError(f"--drop-photo {name}: no such photograph on the job sheet; expected one of: {known}")
        dropped += found
    return replace(change, dropped=tuple(dict.fromkeys(dropped)))


def _show(journal: Journal, name: str, as_json: bool) -> None:
    """Print a session's job sheet and its entries. Raises JournalError: no such session."""
    from oscservice.record.job_entries import job_fault, sheet_of

    row = journal.row(name)
    entries = journal.jobs.entries(name)
    sheet = sheet_of(entries)
    fault = job_fault(row, entries)
    if as_json:
        print(json.dumps(_as_object(name, sheet, entries), indent=1, ensure_ascii=False))
        return
    if not entries:
        print(f"{name}: nothing is written on the job sheet: see `oscservice job --help`")
        return
    print(f"{name}: job sheet")
    for line in _sheet_lines(sheet):
        print(f"  {_one_line(line)}")
    print("entries")
    for entry in entries:
        print(f"  {_heading(entry)}")
        for line in entry.lines():
            print(f"    {_one_line(line)}")
    if fault is not None:
        print(f"{name}: job sheet EDITED or damaged: {fault.what}")


def _sheet_lines(sheet: JobSheet) -> list[str]:
    from oscservice.record.job_sheet import NAMES

    said = [f"{NAMES[key]}: {text}" for key, text in sheet.fields().items()]
    said += [f"note, {minute_text(one.at_utc)} UTC, {one.by}: {one.text}" for one in sheet.notes]
    for one in sheet.photographs:
        picture = one.photograph
        said.append(
            f"photograph, {minute_text(one.at_utc)} UTC: {picture.path}, {picture.size} bytes, SHA-256 {picture.sha256}"
        )
    return said


def _as_object(name: str, sheet: JobSheet, entries: Sequence[JobEntry]) -> dict[str, object]:
    from dataclasses import asdict

    written = [{"entry": one.seq, "at_utc": one.at_utc, "by": one.by, "seal": one.seal} for one in entries]
    return {"session": name, "sheet": asdict(sheet), "entries": written, "hash": entries[-1].hash if entries else ""}


def _heading(entry: JobEntry) -> str:
    when = ", after the seal" if entry.seal else ""
    return f"entry {entry.seq}, {minute_text(entry.at_utc)} UTC, by {entry.by}{when}"


def _one_line(text: str) -> str:
    return " / ".join(part for line in text.splitlines() if (part := line.strip()))
