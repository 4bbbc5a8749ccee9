"""Sessions as JSON Lines, to keep elsewhere or take to another machine: one line for a session, one for each event.

{"format": "oscservice-session", "version": 1, "session": "2026-11-25-1", "origin": …, "events": 2, …}
{"seq": 1, "at_utc": …, "kind": …, "body": {…}, "hash": …}
{"seq": 2, …}
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from oscservice.errors import InputError, JournalError
from oscservice.record.event_chain import EventRow, Record, SessionRow, body_text, edited, object_in
from oscservice.record.journal import Journal

FORMAT = "oscservice-session"
VERSION = 1

_NAME = re.compile(r"\d{4}-\d\d-\d\d-[1-9]\d{0,8}")
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}\+00:00")


@dataclass(frozen=True)
class Brought:
    """What became of an imported session: its name here, and whether it was `new`, `continued` or `here already`."""

    id: str
    how: str
    events: int


def lines(record: Record) -> Iterator[str]:
    """A session as lines, without their ends.

    Raises JournalError for an event that can't be read.
    """
    row = record.session
    head = {
        "format": FORMAT,
        "version": VERSION,
        "session": row.id,
        "origin": row.origin,
        "instrument": row.instrument,
        "identity": row.identity,
        "label": row.label,
        "started_utc": row.started_utc,
        "closed_utc": row.closed_utc,
        "seal": row.seal,
        "cut": row.cut,
        "events": len(record.events),
    }
    yield json.dumps(head)
    for event in record.events:
        body = object_in(event.body)
        if body is None:
            raise JournalError(f"event {event.seq} of session {row.id} can't be read: take the session up again first")
        said = {"seq": event.seq, "at_utc": event.at_utc, "kind": event.kind, "body": body, "hash": event.hash}
        yield json.dumps(said)


def records(text: Iterable[str], name: str) -> Iterator[Record | InputError]:
    """The sessions in lines; in the place of one that can't be taken, what is wrong with it and in which line.

    Args:
        text: the lines.
        name: of the file, for complaints.
    """
    head: tuple[int, SessionRow] | None = None
    events: list[EventRow] = []
    wrong: InputError | None = None
    empty = True
    for number, line in enumerate(text, 1):
        found = object_in(line)
        begins = found is not None and "format" in found
        if begins and (head is not None or wrong is not None):
            yield wrong or _whole(head, events, name)
            head, events, wrong = None, [], None
        if wrong is not None or not line.strip():
            continue
        empty = False
        try:
            if found is None:
                raise ValueError("no JSON object")
            if begins:
                head = number, _head(found)
            elif head is None:
                raise ValueError(f'a session begins with a line that says "format": "{FORMAT}"')
            else:
                events.append(_event(found, len(events) + 1))
        except ValueError as error:
            wrong = InputError(f"{name} line {number}: {error}")
    if head is not None or wrong is not None:
        yield wrong or _whole(head, events, name)
    elif empty:
        yield InputError(f"{name}: there is no session in it")


def bring(journal: Journal, record: Record) -> Brought:
    """Add a session to a journal, all or nothing.

    One that is there already is left alone; one of which the journal has the beginning is continued; one whose name
    another has gets a free one. Raises JournalError.
    """
    row = record.session
    for known in journal.sessions():
        if (known.origin, known.started_utc) != (row.origin, row.started_utc):
            continue
        there = journal.record(known.id).events
        same = all(a.hash == b.hash for a, b in zip(there, record.events, strict=False))
        if same and len(there) >= len(record.events):
            return Brought(known.id, "here already", len(there))
        if same and not known.closed and not journal.held_elsewhere(known.id):
            journal.extend(known.id, record.events[len(there) :])
            if row.closed_utc is not None:
                journal.seal(known.id, row.closed_utc)
            journal.release(known.id)
            return Brought(known.id, "continued", len(record.events))
    return Brought(journal.put(record), "new", len(record.events))


def _whole(head: tuple[int, SessionRow] | None, events: list[EventRow], name: str) -> Record | InputError:
    assert head is not None
    number, row = head
    where = f"{name} line {number}: session {row.id}"
    if row.events != len(events):
        return InputError(f"{where} should have {row.events} events and has {len(events)}: the file is not whole")
    record = Record(replace(row, events=len(events)), tuple(events))
    fault = edited(record)
    if fault is not None:
        line = min(number + fault.seq, number + len(events))
        return InputError(f"{name} line {line}: session {row.id} was changed after it was recorded: {fault.what}")
    return record


def _head(found: dict[str, Any]) -> SessionRow:
    """Raises ValueError, as the next one does."""
    if found.get("format") != FORMAT:
        raise ValueError(f'the format is {found.get("format")!r}; expected "{FORMAT}"')
    version = found.get("version")
    if version != VERSION or isinstance(version, bool):
        raise ValueError(f"version {version!r} is not known here; this oscservice knows version {VERSION}")
    texts = [_text(found, key) for key in ("session", "instrument", "label", "started_utc")]
    optional = [None if found.get(key) is None else _text(found, key) for key in ("closed_utc", "seal")]
    identity, origin, cut = (_text(found, key) for key in ("identity", "origin", "cut"))
    for session in (texts[0], origin):
        if _NAME.fullmatch(session) is None:
            raise ValueError(f"{session!r} is no name of a session, such as 2026-11-25-1")
    for at_utc in (texts[3], *optional[:1]):
        if at_utc is not None and _TIME.fullmatch(at_utc) is None:
            raise ValueError(f"{at_utc!r} is no time, such as 2026-11-25T09:30:00.250+00:00")
    session, instrument, label, started_utc = texts
    closed_utc, seal = optional
    count = _whole_number(found, "events")
    return SessionRow(session, instrument, label, started_utc, closed_utc, count, identity, origin, seal, cut)


def _event(found: dict[str, Any], wanted: int) -> EventRow:
    seq, body = _whole_number(found, "seq"), found.get("body")
    if seq != wanted:
        raise ValueError(f"event {seq} comes where event {wanted} should")
    if not isinstance(body, dict):
        raise ValueError('"body" is no JSON object')
    kind = _text(found, "kind")
    return EventRow(seq, _text(found, "at_utc"), kind, body_text(kind, body), _text(found, "hash"))


def _text(found: dict[str, Any], key: str) -> str:
    value = found.get(key)
    if not isinstance(value, str):
        raise ValueError(f'"{key}" is no text')
    try:
        value.encode()
    except UnicodeEncodeError:
        raise ValueError(f'"{key}" has half a character in it') from None
    return value


def _whole_number(found: dict[str, Any], key: str) -> int:
    value = found.get(key)
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise ValueError(f'"{key}" is no whole number')
    return value
