"""A session's events as they are recorded: rows, the chain of hashes over them, and the seal over the whole.

Each event's hash covers the hash before it, so the first one that doesn't fit shows where an edit is. There is no key:
the chain shows accidental changes and edits, but not if all hashes were computed again.

SHA-256: NIST FIPS 180-4, by Python's hashlib.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

FORM = "oscservice-session-1"

SESSION_NAME = re.compile(r"(\d{4}-\d\d-\d\d)-([1-9]\d{0,8})")
"""A session's name: the day and a number."""


def first_link(origin: str) -> str:
    """Return the hash before the first event's. ``origin`` is the name under which the session began."""
    return hash_of([FORM, origin])


def link(previous: str, seq: int, at_utc: str, kind: str, body: dict[str, Any]) -> str:
    """Return the hash of an event, in hexadecimal, that follows the hash of the one before.

    Raises ValueError for a body with NaN or infinity.
    """
    return hash_of([previous, seq, at_utc, kind, body])


def seal_of(last: str, events: int, instrument: str, label: str, started_utc: str, closed_utc: str) -> str:
    """Return the seal of a closed session. It covers the last hash, the number of events, name, label and times."""
    return hash_of([last, events, instrument, label, started_utc, closed_utc])


def hash_of(what: list[Any]) -> str:
    """Return the SHA-256, in hexadecimal, of values as JSON text. Raises ValueError for NaN or infinity."""
    text = json.dumps(what, allow_nan=False, separators=(",", ":"), sort_keys=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


@dataclass(frozen=True)
class SessionRow:
    """One session as the journal lists it.

    Attributes:
        closed_utc, seal: None while it is open.
        events: number of its events.
        identity: distinguishes the instrument from others of the same name.
        origin: the name under which it began, which its hashes cover. An imported session may have another `id`.
        cut: why events are missing at the end; empty if none are.
    """

    id: str
    instrument: str
    label: str
    started_utc: str
    closed_utc: str | None
    events: int
    identity: str = ""
    origin: str = ""
    seal: str | None = None
    cut: str = ""

    @property
    def closed(self) -> bool:
        return self.closed_utc is not None


@dataclass(frozen=True)
class EventRow:
    """One event as it is stored: `body` is the text of a JSON object."""

    seq: int
    at_utc: str
    kind: str
    body: str
    hash: str


@dataclass(frozen=True)
class Record:
    """A session and all of its events."""

    session: SessionRow
    events: tuple[EventRow, ...]

    @property
    def last_hash(self) -> str:
        return self.events[-1].hash if self.events else first_link(self.session.origin)


@dataclass(frozen=True)
class Fault:
    """The first event that isn't as it was recorded, and why. A `seq` beyond the last event: the seal doesn't fit."""

    seq: int
    what: str


def chained(previous: str, first_seq: int, events: Sequence[tuple[str, str, str]]) -> list[EventRow]:
    """Return rows with hashes for events (at_utc, kind, body as text) that follow the hash of the event before."""
    rows = []
    for seq, (at_utc, kind, body) in enumerate(events, first_seq):
        previous = link(previous, seq, at_utc, kind, json.loads(body))
        rows.append(EventRow(seq, at_utc, kind, body, previous))
    return rows


def first_fault(record: Record) -> Fault | None:
    """Return the first event that is missing, can't be read or doesn't fit its hash; None if there is none."""
    previous = first_link(record.session.origin)
    for wanted, row in enumerate(record.events, 1):
        if row.seq != wanted:
            return Fault(wanted, f"event {wanted} is missing")
        body = object_in(row.body)
        if body is None:
            return Fault(wanted, f"event {wanted} can't be read")
        if not follows(previous, row):
            return Fault(wanted, f"event {wanted} does not fit its hash")
        previous = row.hash
    return None


def follows(previous: str, row: EventRow) -> bool:
    """Return True when a row's hash is the right one after `previous`."""
    body = object_in(row.body)
    try:
        return body is not None and row.hash == link(previous, row.seq, row.at_utc, row.kind, body)
    except (ValueError, TypeError):  # damage can turn a number into a text or bytes
        return False


def edited(record: Record) -> Fault | None:
    """Return the first event that doesn't fit its hash, or the end if the seal doesn't fit; None if everything fits."""
    fault = first_fault(record)
    row = record.session
    if fault is not None or row.closed_utc is None:
        return fault
    if row.seal == seal_of(
        record.last_hash, len(record.events), row.instrument, row.label, row.started_utc, row.closed_utc
    ):
        return None
    what = "the seal does not fit: events are missing at the end, or name, label or times were changed"
    return Fault(len(record.events) + 1, what)


def is_better(copy: Record, own: Record, good: Sequence[EventRow]) -> bool:
    """Return True when a file has events that the journal's session, with only `good` good events, has lost."""
    if own.session.closed and edited(own) is None:
        return False
    hashes = {row.hash for row in own.events}
    same = is_same_session(copy.session, own.session) or any(row.hash in hashes for row in copy.events)
    if not same or not begins_with(copy.events, good):
        return False
    if len(copy.events) != len(good) or len(own.events) > len(good):
        return len(copy.events) > len(good)
    # The same events: what the list says of the session may be damaged.
    differs = own.session.closed or copy.session.closed or not same_description(own.session, copy.session)
    return differs and edited(copy) is None


def is_same_session(one: SessionRow, other: SessionRow) -> bool:
    return (one.origin, one.started_utc) == (other.origin, other.started_utc)


def same_description(one: SessionRow, other: SessionRow) -> bool:
    same = (one.instrument, one.identity, one.label) == (other.instrument, other.identity, other.label)
    return same and is_same_session(one, other)


def begins_with(events: Sequence[EventRow], start: Sequence[EventRow]) -> bool:
    """Return True when events begin with others, by their hashes."""
    return len(start) <= len(events) and all(a.hash == b.hash for a, b in zip(events, start, strict=False))


def can_be_read(record: Record) -> bool:
    """Return True when no event is missing and each is a JSON object, whether changed or not."""
    rows = enumerate(record.events, 1)
    return all(row.seq == number and object_in(row.body) is not None for number, row in rows)


def utc_text(now: datetime) -> str:
    """Return a time as text in UTC, to the millisecond, such as 2026-11-25T09:30:00.250+00:00.

    Raises ValueError for a time without a zone.
    """
    if now.tzinfo is None:
        raise ValueError(f"a time without a zone: {now!r}")
    return now.astimezone(UTC).isoformat(timespec="milliseconds")


def minute_text(at_utc: str) -> str:
    """Return a time of `utc_text` to the minute, such as 2026-11-25 09:30."""
    return at_utc[:16].replace("T", " ")


def storable(text: str) -> str:
    """Return the text with anything that is no character (a stray byte in an argument) as an escape sequence."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def body_text(kind: str, body: dict[str, Any]) -> str:
    """Return a body as the text that is stored. Raises ValueError for NaN or infinity."""
    try:
        return json.dumps(body, allow_nan=False, separators=(",", ":"))
    except ValueError as error:
        raise ValueError(f"event {kind!r} can't be recorded ({error}): {body!r}") from None


def object_in(text: str) -> dict[str, Any] | None:
    """Return the JSON object in a text, or None for anything else."""
    try:
        body = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        return None
    return body if isinstance(body, dict) else None
