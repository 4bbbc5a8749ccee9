"""The entries of a session's job sheet: a chain of hashes of their own, and the same as JSON Lines.

The events of a session are sealed when it is closed, and never change after that. A job sheet may be written before and
after: so its entries are a second chain beside the events. Each hash covers the one before; the first covers the name
and the time with which the session began. An entry that was added after the seal names the seal.

As JSON Lines they follow a line that says whose they are:

{"format": "oscservice-job", "version": 1, "session": "2026-11-25-1", "origin": …, "started_utc": …, "entries": 1}
{"entry": 1, "at_utc": …, "by": …, "seal": "", "body": {"fields": {"customer": …}}, "hash": …}
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from oscservice.record.event_chain import SESSION_NAME, Fault, SessionRow, hash_of, object_in
from oscservice.record.job_sheet import JobChange, JobSheet

FORMAT = "oscservice-job"
VERSION = 1
_FORM = "oscservice-job-1"


@dataclass(frozen=True)
class JobEntry:
    """One entry as it is stored.

    Attributes:
        seq: from 1, without gaps.
        at_utc, by: when it was written (text in UTC), and by whom.
        seal: the session's seal if it was closed by then; empty before.
        body: text of the JSON object of a `JobChange`.
        hash: in hexadecimal.
    """

    seq: int
    at_utc: str
    by: str
    seal: str
    body: str
    hash: str

    @property
    def draft(self) -> tuple[str, str, str]:
        """The time, the author and the body: the same for an entry that was added again with another number."""
        return self.at_utc, self.by, self.body

    def change(self) -> JobChange:
        """Return what it changes. Raises ValueError if it can't be read."""
        body = object_in(self.body)
        if body is None:
            raise ValueError(f"entry {self.seq} of the job sheet can't be read")
        return JobChange.from_body(body)

    def lines(self) -> list[str]:
        """Return a line on each thing that it changes; one that says so if it can't be read."""
        try:
            return self.change().lines()
        except ValueError as error:
            return [str(error)]


@dataclass(frozen=True)
class JobRecord:
    """The entries of one session's job sheet, and the session: `session` is its name, `origin` and `started_utc` those
    with which it began."""

    session: str
    origin: str
    started_utc: str
    entries: tuple[JobEntry, ...]

    def is_of(self, row: SessionRow) -> bool:
        """Return True when it belongs to a session of the journal, whatever name that has now."""
        return (self.origin, self.started_utc) == (row.origin, row.started_utc)


def first_hash(row: SessionRow) -> str:
    """Return the hash before that of the first entry."""
    return hash_of([_FORM, row.origin, row.started_utc])


def next_entry(
    row: SessionRow, entries: Sequence[JobEntry], body: Mapping[str, Any], at_utc: str, by: str, seal: str
) -> JobEntry:
    """Return an entry that follows the others. Raises ValueError for NaN or infinity in its body."""
    previous = entries[-1].hash if entries else first_hash(row)
    seq = entries[-1].seq + 1 if entries else 1
    text = json.dumps(body, allow_nan=False, separators=(",", ":"))
    return JobEntry(seq, at_utc, by, seal, text, _hash(previous, seq, at_utc, by, seal, json.loads(text)))


def job_fault(row: SessionRow, entries: Sequence[JobEntry], *, any_seal: bool = False) -> Fault | None:
    """Return the first entry that is missing, can't be read, doesn't fit its hash, or names another seal than that of
    its session (unless `any_seal`); None if there is none."""
    previous = first_hash(row)
    for wanted, entry in enumerate(entries, 1):
        if entry.seq != wanted:
            return Fault(wanted, f"entry {wanted} is missing")
        body = object_in(entry.body)
        if body is None:
            return Fault(wanted, f"entry {wanted} can't be read")
        try:
            fits = entry.hash == _hash(previous, entry.seq, entry.at_utc, entry.by, entry.seal, body)
        except (ValueError, TypeError):  # damage can turn a text into bytes
            fits = False
        if not fits:
            return Fault(wanted, f"entry {wanted} does not fit its hash")
        if entry.seal and entry.seal != row.seal and not any_seal:
            return Fault(wanted, f"entry {wanted} names another seal than the session's")
        previous = entry.hash
    return None


def good_entries(row: SessionRow, entries: Sequence[JobEntry]) -> tuple[JobEntry, ...]:
    """Return the entries before the first fault."""
    fault = job_fault(row, entries)
    return tuple(entries if fault is None else entries[: fault.seq - 1])


def sheet_of(entries: Sequence[JobEntry]) -> JobSheet:
    """Return the job sheet that entries come to; one that can't be read changes nothing."""
    sheet = JobSheet()
    for entry in entries:
        try:
            change = entry.change()
        except ValueError:
            continue
        sheet = sheet.after(change, entry.at_utc, entry.by)
    return sheet


def _hash(previous: str, seq: int, at_utc: str, by: str, seal: str, body: Mapping[str, Any]) -> str:
    return hash_of([previous, seq, at_utc, by, seal, body])


# --- JSON Lines ---


def job_lines(record: JobRecord) -> Iterator[str]:
    """Yield a job sheet's entries as lines, without their ends; none if there are no entries.

    Raises ValueError for an entry that can't be read.
    """
    if not record.entries:
        return
    yield json.dumps(
        {
            "format": FORMAT,
            "version": VERSION,
            "session": record.session,
            "origin": record.origin,
            "started_utc": record.started_utc,
            "entries": len(record.entries),
        }
    )
    for entry in record.entries:
        body = object_in(entry.body)
        if body is None:
            raise ValueError(f"entry {entry.seq} of the job sheet can't be read")
        yield json.dumps(
            {
                "entry": entry.seq,
                "at_utc": entry.at_utc,
                "by": entry.by,
                "seal": entry.seal,
                "body": body,
                "hash": entry.hash,
            }
        )


def job_record(
    head: dict[str, Any], found: Sequence[dict[str, Any] | None]
) -> tuple[JobRecord, tuple[int, str] | None]:
    """Return the entries up to the last good one, and the first mistake with the number of its line: 0 is the head.

    Raises ValueError for a head that can't be used.
    """
    texts = [head.get(key) for key in ("session", "origin", "started_utc")]
    if head.get("version") != VERSION or isinstance(head.get("version"), bool):
        raise ValueError(f"version {head.get('version')!r} is not known here; this oscservice knows version {VERSION}")
    if not all(isinstance(text, str) for text in texts) or not all(SESSION_NAME.fullmatch(str(t)) for t in texts[:2]):
        raise ValueError("a job sheet names its session, such as 2026-11-25-1")
    session, origin, started_utc = map(str, texts)
    entries: list[JobEntry] = []
    mistake = None
    for line, one in enumerate(found, 1):
        try:
            entries.append(_entry(one))
        except ValueError as error:
            mistake = line, str(error)
            break
    row = SessionRow(session, "", "", started_utc, None, 0, origin=origin)
    fault = job_fault(row, entries, any_seal=True)
    if fault is not None:
        mistake = fault.seq, f"the job sheet of session {session} was changed after it was recorded: {fault.what}"
        entries = entries[: fault.seq - 1]
    elif mistake is None and head.get("entries") != len(entries):
        wanted = f"should have {head.get('entries')!r} entries and has {len(entries)}"
        mistake = 0, f"the job sheet of session {session} {wanted}: the file is not whole"
    return JobRecord(session, origin, started_utc, tuple(entries)), mistake


def _entry(found: dict[str, Any] | None) -> JobEntry:
    """Read the line of an entry. Raises ValueError."""
    if found is None:
        raise ValueError("no JSON object")
    seq, body = found.get("entry"), found.get("body")
    texts = [found.get(key) for key in ("at_utc", "by", "seal", "hash")]
    if not isinstance(seq, int) or isinstance(seq, bool):
        raise ValueError('"entry" is no whole number')
    if not isinstance(body, dict):
        raise ValueError('"body" is no JSON object')
    if not all(isinstance(text, str) for text in texts):
        raise ValueError('"at_utc", "by", "seal" and "hash" are texts')
    at_utc, by, seal, digest = map(str, texts)
    entry = JobEntry(seq, at_utc, by, seal, json.dumps(body, allow_nan=False, separators=(",", ":")), digest)
    entry.change()
    return entry
