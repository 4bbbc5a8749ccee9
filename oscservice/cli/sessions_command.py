"""``oscservice sessions``: the journal's sessions listed, exported, imported, and looked through for edits."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from oscservice.errors import InputError, JournalError
from oscservice.record.event_chain import Record, edited, object_in
from oscservice.record.journal import Journal
from oscservice.record.kept_sound import KeptSound, SoundCheck, checked, folder_of, sound_of, sounds_in
from oscservice.record.session_export import bring, lines, records
from oscservice.session.events import from_body

_NO_KEY = "Hashes have no key: they show edits by accident or by hand, not those of somebody who computes them anew."


def list_sessions(journal: Path | None) -> None:
    """Print a table of the sessions, the newest first. Raises JournalError."""
    with Journal.open(journal, readonly=True) as opened:
        rows = opened.sessions()
        table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
        for column in ("session", "begun (UTC)", "instrument", "label", "events", "record"):
            table.add_column(column, justify="right" if column == "events" else "left", no_wrap=column == "session")
        for row in rows:
            began = row.started_utc[:16].replace("T", " ")
            how = _standing(opened.record(row.id))
            table.add_row(row.id, began, row.identity, row.label, str(row.events), how)
    if rows:
        Console().print(table, markup=False)
    else:
        print(f"there is no session in the journal {opened.path}")


def verify_sessions(session: str, journal: Path | None) -> bool:
    """Print for one session, or for all, whether it is as it was recorded, and the sound kept of it as it was kept.
    False: one is not. Raises JournalError."""
    good = True
    with Journal.open(journal, readonly=True) as opened:
        for name in _names(opened, [session] if session else []):
            record = opened.record(name)
            fault = edited(record)
            state = "sealed" if record.session.closed else "open, not sealed yet"
            cut = f"; cut where it was damaged: {record.session.cut}" if record.session.cut else ""
            sound = checked(folder_of(opened.path), name, _sounds(record))
            if fault is None:
                print(f"{name}: as recorded, {len(record.events)} events, {state}{_of_sound(sound)}{cut}")
            else:
                print(f"{name}: EDITED or damaged: {fault.what}{cut}")
            for line in sound.altered:
                print(f"{name}: sound EDITED or damaged: {line}")
            good = good and fault is None and not sound.altered
    print(_NO_KEY)
    return good


def export_sessions(sessions: Sequence[str], output: Path | None, journal: Path | None) -> None:
    """Write sessions, or all of them, as JSON Lines to a file or to standard output.

    Raises:
        JournalError: no such session, or one that can't be read.
        InputError: the file can't be written.
    """
    with Journal.open(journal, readonly=True) as opened:
        text = _text(opened.record(name) for name in _names(opened, sessions))
        if output is None:
            sys.stdout.writelines(text)
            return
        half = output.with_name(f"{output.name}.part")
        try:
            with half.open("w", encoding="utf-8") as file:
                file.writelines(text)
            os.replace(half, output)
        except OSError as error:
            raise InputError(f"{output} can't be written ({error.strerror}): choose another place") from None
        finally:
            half.unlink(missing_ok=True)


def import_sessions(file: Path, journal: Path | None) -> None:
    """Add the sessions of a file of JSON Lines to the journal, each of them whole or not at all.

    Raises:
        InputError: the file can't be read, or one of its sessions can't be taken; the others are.
        JournalError: the journal can't be written.
    """
    refused: list[InputError] = []
    try:
        with file.open(encoding="utf-8") as opened, Journal.open(journal) as book:
            for found in records(opened, str(file)):
                if isinstance(found, InputError):
                    refused.append(found)
                    continue
                done = bring(book, found)
                name = found.session.id
                called = "" if done.id == name else f" as {done.id}, since another session has that name"
                print(f"{name}: {_DONE[done.how]}{called}, {done.events} events")
    except OSError as error:
        raise InputError(f"{file} can't be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise InputError(f"{file} is no text in UTF-8: expected what `oscservice sessions export` writes") from None
    if refused:
        more = f" (and {len(refused) - 1} more can't be taken)" if len(refused) > 1 else ""
        raise InputError(f"{refused[0]}{more}")


def _sounds(record: Record) -> Iterator[KeptSound]:
    """What the events say of sound, as far as they can be read."""
    events = []
    for row in record.events:
        with contextlib.suppress(ValueError, TypeError):
            event = from_body(row.kind, object_in(row.body) or {})
            sound_of(event)
            events.append((row.seq, event))
    return (sound for _, sound in sounds_in(events))


def _of_sound(sound: SoundCheck) -> str:
    known = sound.kept + sound.missing + len(sound.altered)
    if not known:
        return ""
    missing = f" ({sound.missing} are not there)" if sound.missing else ""
    return f"; sound of {sound.kept} of {known} notes as kept{missing}"


_DONE = {"new": "imported", "continued": "continued from what was here", "here already": "here already, left alone"}


def _standing(record: Record) -> str:
    if edited(record) is not None:
        return "edited or damaged"
    state = "sealed" if record.session.closed else "open"
    return f"{state}, cut" if record.session.cut else state


def _names(journal: Journal, asked: Sequence[str]) -> list[str]:
    """The sessions asked for, or all, the oldest first. Raises JournalError."""
    known = [row.id for row in reversed(journal.sessions())]
    for name in asked:
        if name not in known:
            raise JournalError(f"there is no session {name!r} in the journal {journal.path}")
    return list(dict.fromkeys(asked)) or known


def _text(found: Iterator[Record]) -> Iterator[str]:
    for record in found:
        for line in lines(record):
            yield f"{line}\n"
