"""``oscservice sessions``: the journal's sessions listed, exported, imported, and checked for edits."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from oscservice.cli.arguments import JournalOption
from oscservice.cli.console import plain_table
from oscservice.cli.output_file import output_file
from oscservice.errors import InputError, JournalError
from oscservice.record.event_chain import Record, minute_text
from oscservice.sentences.plural import counted

if TYPE_CHECKING:
    from oscservice.record.job_entries import JobRecord
    from oscservice.record.journal import Journal
    from oscservice.record.kept_sound import KeptSound, SoundCheck

_NO_KEY = "Hashes have no key: they show accidental or manual edits, not edits by someone who makes new hashes."


app = typer.Typer(add_completion=False)


@app.callback(invoke_without_command=True)
def sessions(context: typer.Context, journal: JournalOption = None) -> None:
    """List the sessions, unless one of the commands follows. Raises InputError for an option in the wrong place."""
    if context.invoked_subcommand is None:
        list_sessions(journal)
    elif journal is not None:
        raise InputError("--journal belongs after the command: oscservice sessions verify --journal FILE")


def list_sessions(journal: Path | None) -> None:
    """Print a table of the sessions, the newest first. Raises JournalError."""
    # These take long to import, and the help needs none of them.
    from rich.console import Console

    from oscservice.record.journal import Journal

    with Journal.open(journal, readonly=True) as opened:
        rows = opened.sessions()
        columns = ("session", "begun (UTC)", "instrument", "label", "events", "record")
        table = plain_table(*columns, right=("events",), fixed=("session",))
        for row in rows:
            began = minute_text(row.started_utc)
            how = _seal_state(opened.record(row.id))
            table.add_row(row.id, began, row.identity, row.label, str(row.events), how)
    if rows:
        Console().print(table, markup=False)
    else:
        print(f"there is no session in the journal {opened.path}")


@app.command("verify", help="Show which sessions were edited after they were recorded, and from which event on.")
def verify_sessions(
    session: Annotated[str, typer.Argument(help="Name of a session; by default all.")] = "",
    journal: JournalOption = None,
) -> None:
    """Print for one session, or for all, if it is as it was recorded, and if its sound is as it was kept.

    Raises:
        typer.Exit: with 1, if one is not.
        JournalError: no such session, or one that can't be read.
    """
    from oscservice.record.event_chain import edited
    from oscservice.record.journal import Journal
    from oscservice.record.kept_sound import checked, folder_of

    good = True
    with Journal.open(journal, readonly=True) as opened:
        for name in _names(opened, [session] if session else []):
            record = opened.record(name)
            fault = edited(record)
            state = "sealed" if record.session.closed else "open, not sealed yet"
            cut = f"; cut where it was damaged: {record.session.cut}" if record.session.cut else ""
            sound = checked(folder_of(opened.path), name, _sounds(record))
            if fault is None:
                print(f"{name}: as recorded, {counted(len(record.events), 'event')}, {state}{_of_sound(sound)}{cut}")
            else:
                print(f"{name}: EDITED or damaged: {fault.what}{cut}")
            for line in sound.altered:
                print(f"{name}: sound EDITED or damaged: {line}")
            differs = _difference(opened, record)
            if differs:
                print(f"{name}: its file in {opened.files.folder} DIFFERS from the journal: {differs}")
            job_good = _verify_job(opened, record)
            good = good and fault is None and not sound.altered and not differs and job_good
    print(_NO_KEY)
    if not good:
        raise typer.Exit(1)


@app.command("export", help="Write sessions as JSON Lines.")
def export_sessions(
    sessions: Annotated[list[str] | None, typer.Argument(help="Names of sessions; by default all.")] = None,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="File; by default standard output.")] = None,
    without_job_sheets: Annotated[
        bool, typer.Option("--without-job-sheets", help="Leave out customers, notes and all else of the job sheets.")
    ] = False,
    journal: JournalOption = None,
) -> None:
    """Write sessions, or all of them, as JSON Lines to a file or to standard output; the job sheet of each follows it.

    Raises:
        JournalError: no such session, or one that can't be read.
        InputError: the file can't be written.
    """
    from oscservice.record.journal import Journal

    with Journal.open(journal, readonly=True) as opened:
        text = _text(opened, _names(opened, sessions or []), not without_job_sheets)
        if output is None:
            sys.stdout.writelines(text)
            return
        with output_file(output) as file:
            file.writelines(line.encode() for line in text)


@app.command("import", help="Add exported sessions to the journal.")
def import_sessions(
    file: Annotated[Path, typer.Argument(help="A file that `oscservice sessions export` wrote.")],
    journal: JournalOption = None,
) -> None:
    """Add the sessions of a file of JSON Lines to the journal, each of them whole or not at all.

    Raises:
        InputError: the file can't be read, or one of its sessions can't be taken; the others are.
        JournalError: the journal can't be written.
    """
    from oscservice.record.journal import Journal
    from oscservice.record.session_files import records

    refused: list[InputError] = []
    names: dict[str, str] = {}
    try:
        with file.open(encoding="utf-8") as opened, Journal.open_repaired(journal) as book:
            for note in book.notes:
                print(note)
            for found in records(opened, str(file)):
                if isinstance(found, InputError):
                    refused.append(found)
                    continue
                try:
                    print(_imported(book, found, names))
                except InputError as mistake:
                    refused.append(mistake)
    except OSError as error:
        raise InputError(f"{file} can't be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise InputError(f"{file} is no text in UTF-8: expected what `oscservice sessions export` writes") from None
    if refused:
        more = f" (and {len(refused) - 1} more can't be taken)" if len(refused) > 1 else ""
        raise InputError(f"{refused[0]}{more}")


def _imported(journal: Journal, found: Record | JobRecord, names: dict[str, str]) -> str:
    """Add a session or a job sheet to the journal; return a line on it.

    Args:
        names: the sessions' names in the file, and their names here; one is added.

    Raises:
        InputError: a job sheet that can't be taken.
        JournalError: the journal can't be written.
    """
    if not isinstance(found, Record):
        here, new = journal.jobs.take(found, names.get(found.session, ""))
        return f"{here}: job sheet: {counted(new, 'new entry', 'new entries')}"
    done = journal.import_session(found)
    name = found.session.id
    names[name] = done.id
    called = "" if done.id == name else f" as {done.id}, since another session has that name"
    return f"{name}: {_DONE[done.how]}{called}, {counted(done.events, 'event')}"


def _difference(journal: Journal, record: Record) -> str:
    """Return the first difference between a session and its file; empty if there is none, or if it is being written."""
    if not record.session.closed and journal.open_elsewhere(record.session.id):
        return ""
    try:
        return journal.files.difference(record)
    except OSError as error:
        return f"the file can't be read ({error.strerror})"


def _verify_job(journal: Journal, record: Record) -> bool:
    """Print if the job sheet of a session and its photographs are as they were recorded; return False if one isn't.

    A missing photograph is told, and no fault of the record.
    """
    from oscservice.record.job_entries import job_fault, sheet_of
    from oscservice.record.photographs import check_photographs

    row, entries = record.session, journal.jobs.entries(record.session.id)
    fault = job_fault(row, entries)
    found = check_photographs(one.photograph for one in sheet_of(entries).photographs)
    if fault is not None:
        print(f"{row.id}: job sheet EDITED or damaged: {fault.what}")
    elif entries:
        later = sum(bool(entry.seal) for entry in entries)
        said = f"{counted(len(entries), 'entry', 'entries')}{f', {later} of them after the seal' if later else ''}"
        known = found.kept + len(found.missing) + len(found.changed)
        pictures = f"; {found.kept} of {counted(known, 'photograph')} as attached" if known else ""
        print(f"{row.id}: job sheet as recorded, {said}{pictures}")
    for line in found.missing:
        print(f"{row.id}: photograph: {line}")
    for line in found.changed:
        print(f"{row.id}: photograph CHANGED: {line}")
    try:
        differs = journal.jobs.difference(row)
    except OSError as error:
        differs = f"the file can't be read ({error.strerror})"
    if differs:
        print(f"{row.id}: the file of its job sheet DIFFERS from the journal: {differs}")
    return fault is None and not found.changed and not differs


def _sounds(record: Record) -> Iterator[KeptSound]:
    """Return the sounds that the events name; an event that can't be read is passed over."""
    from oscservice.record.event_chain import object_in
    from oscservice.record.kept_sound import sound_of, sounds_in
    from oscservice.session.events import from_body

    events = []
    for row in record.events:
        with contextlib.suppress(ValueError, TypeError):
            event = from_body(row.kind, object_in(row.body) or {})
            sound_of(event)
            events.append((row.seq, event))
    return (sound for _, sound in sounds_in(events))


def _of_sound(sound: SoundCheck) -> str:
    """Return in words how many kept sounds are as they were kept; empty if none were kept."""
    known = sound.kept + sound.missing + len(sound.altered)
    if not known:
        return ""
    missing = f" ({sound.missing} missing)" if sound.missing else ""
    return f"; sound of {sound.kept} of {counted(known, 'note')} as kept{missing}"


_DONE = {"new": "imported", "continued": "continued from what was here", "here already": "already here, unchanged"}


def _seal_state(record: Record) -> str:
    """Return the state of a record in words."""
    from oscservice.record.event_chain import edited

    if edited(record) is not None:
        return "edited or damaged"
    state = "sealed" if record.session.closed else "open"
    return f"{state}, cut" if record.session.cut else state


def _names(journal: Journal, named: Sequence[str]) -> list[str]:
    """Return the names of the given sessions, or of all, the oldest first. Raises JournalError."""
    known = [row.id for row in reversed(journal.sessions())]
    for name in named:
        if name not in known:
            raise JournalError(f"there is no session {name!r} in the journal {journal.path}")
    return list(dict.fromkeys(named)) or known


def _text(journal: Journal, names: Sequence[str], with_job_sheets: bool) -> Iterator[str]:
    """Yield the lines of sessions as JSON Lines, each followed by its job sheet. Raises JournalError."""
    from oscservice.record.job_entries import job_lines
    from oscservice.record.session_files import lines

    for name in names:
        for line in lines(journal.record(name)):
            yield f"{line}\n"
        if with_job_sheets:
            try:
                for line in job_lines(journal.jobs.record(name)):
                    yield f"{line}\n"
            except ValueError as error:
                raise JournalError(f"session {name}: {error}: leave it out with --without-job-sheets") from None
