"""A damaged journal brought back up to the last good event of each session.

What is good, the hashes tell (`record.chain`). What was found goes into a fresh file in the journal's place; the
damaged one is kept beside it, with its write-ahead log, as `*.damaged-DATE`.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from oscservice.errors import JournalDamagedError, JournalError, JournalUnavailableError
from oscservice.record.database import APPLICATION_ID, WAIT_S, open_database, prepare_place, unusable
from oscservice.record.event_chain import (
    EventRow,
    Record,
    SessionRow,
    chained,
    edited,
    first_fault,
    first_link,
    follows,
    object_in,
    seal_of,
)
from oscservice.record.journal import Journal
from oscservice.record.pages import Pages, Row, page_sizes
from oscservice.record.session_lock import SessionLock
from oscservice.record.wal import damaged_log

_LOCK = "recovery"


def open_recovering(path: Path, wait_s: float) -> tuple[Journal, list[str]]:
    """Open a journal to write in, recovering it first if it is damaged; what was done, in lines for a person.

    Raises JournalError as `Journal.open` does; of a file in which no session is found, that it is damaged.
    """
    notes: list[str] = []
    prepare_place(path, readonly=False)
    _recover_if(path, _silent_damage(path), notes)
    try:
        journal = Journal.open(path, wait_s=wait_s)
    except JournalDamagedError as error:
        _recover_if(path, str(error), notes, error)
        journal = Journal.open(path, wait_s=wait_s)
    try:
        notes += mended_all(journal)
    except BaseException:
        journal.close()
        raise
    return journal, notes


def reopen_recovering(journal: Journal, wait_s: float) -> list[str]:
    """The same with a journal that is open, which keeps the sessions it holds."""
    notes: list[str] = []

    def again() -> sqlite3.Connection:
        path = journal.path
        prepare_place(path, readonly=False)
        _recover_if(path, _silent_damage(path), notes)
        try:
            return open_database(path, readonly=False, wait_s=wait_s)
        except JournalDamagedError as error:
            _recover_if(path, str(error), notes, error)
        return open_database(path, readonly=False, wait_s=wait_s)

    journal.reopen(again)
    return notes


def mended(journal: Journal, session_id: str) -> tuple[Record, str]:
    """A session that is held, cut after its last good event if one is not; what was done, or an empty text.

    A copy of the journal as it was is kept beside it.
    """
    record = journal.record(session_id)
    fault = first_fault(record)
    if fault is None:
        return record, ""
    kept = _free_name(journal.path)
    journal.copy_to(kept)
    journal.cut(session_id, fault.seq, fault.what)
    note = f"session {session_id} was cut after event {fault.seq - 1} ({fault.what}); the journal as it was: {kept}"
    return journal.record(session_id), note


def mended_all(journal: Journal) -> list[str]:
    """Cut every session that nobody holds and of which an event is missing or can't be read; what was done.

    One that was only changed is left: if it is taken up again it is cut then, and a sealed one shows its edit.
    """
    notes = []
    for row in journal.sessions():
        try:
            journal.events(row.id)
            continue
        except JournalDamagedError:
            pass
        with contextlib.suppress(JournalError):  # held by another process, which deals with it
            if not row.closed:
                journal.claim(row.id)
            notes.append(mended(journal, row.id)[1])
            journal.release(row.id)
    return [note for note in notes if note]


def salvage(path: Path) -> list[Record]:
    """Every session that can be found in a file and its log, up to the last good event; the oldest first.

    Raises OSError if the file can't be read.
    """
    sessions: dict[str, list[SessionRow]] = {}
    events: dict[str, dict[int, list[EventRow]]] = {}
    for row in (row for size in page_sizes(path) for row in Pages(path, size).rows()):
        session = _session(row)
        event = _event(row)
        if session is not None and session not in sessions.setdefault(session.id, []):
            sessions[session.id].append(session)
        elif event is not None:
            found = events.setdefault(str(row[0]), {}).setdefault(event.seq, [])
            if event not in found:
                found.append(event)
    names = sorted({*sessions, *events})
    records = [_best(name, sessions.get(name, []), events.get(name, {})) for name in names]
    return sorted((record for record in records if record is not None), key=lambda one: one.session.started_utc)


def _session(row: Row) -> SessionRow | None:
    match row:
        case (str(name), str(instrument), str(label), str(began), None | str() as closed, *rest):
            start = (name, instrument, label, began, closed, 0)
            match rest:
                case []:  # of the first schema
                    return SessionRow(*start, instrument, name)
                case [str(identity), str(origin), None | str() as seal, str(cut)]:
                    return SessionRow(*start, identity, origin, seal, cut)
    return None


def _event(row: Row) -> EventRow | None:
    match row:
        case (str(), int(seq), str(at_utc), str(kind), str(body), *rest) if len(rest) <= 1 and seq > 0:
            return EventRow(seq, at_utc, kind, body, str(rest[0]) if rest else "")
    return None


def _best(name: str, sessions: list[SessionRow], events: dict[int, list[EventRow]]) -> Record | None:
    """The most that can be made of what was found of one session."""
    rows = sessions or [_guessed(name, events)]
    records = [_followed(row, events) for row in rows]
    # Of several versions of its line the sealed one whose seal fits is the last; then the longest.
    record = max(records, key=lambda one: (one.session.closed and edited(one) is None, len(one.events)))
    if not record.events and not sessions:
        return None
    last = max(events, default=0)
    if last > len(record.events) and not record.session.cut:
        what = f"event {len(record.events) + 1} is lost or damaged"
        record = replace(record, session=replace(record.session, cut=what))
    return record


def _guessed(name: str, events: dict[int, list[EventRow]]) -> SessionRow:
    """The line of a session of which only events are left, by what its first event says."""
    first = next(iter(events.get(1, [])), EventRow(1, "", "", "", ""))
    body = object_in(first.body) or {}
    instrument = object_in(str(body.get("instrument", ""))) or {}
    title = str(instrument.get("name", "unknown"))
    return SessionRow(name, title, str(body.get("label", "")), first.at_utc, None, 0, title, name)


def _followed(session: SessionRow, events: dict[int, list[EventRow]]) -> Record:
    """A session's events one after another, as far as each follows from the one before."""
    hashed = any(row.hash for found in events.values() for row in found)
    good: list[EventRow] = []
    last = first_link(session.origin)
    while candidates := events.get(len(good) + 1):
        if hashed:
            row = next((row for row in candidates if follows(last, row)), None)
        else:
            whole = [row for row in candidates if object_in(row.body) is not None]
            row = chained(last, len(good) + 1, [(r.at_utc, r.kind, r.body) for r in whole[-1:]])[0] if whole else None
        if row is None:
            break
        good.append(row)
        last = row.hash
    if session.closed_utc is not None and not hashed:  # of the first schema, which had no seals
        what = (session.instrument, session.label, session.started_utc, session.closed_utc)
        session = replace(session, seal=seal_of(last, len(good), *what))
    return Record(session, tuple(good))


def _silent_damage(path: Path) -> str:
    """Damage that SQLite would pass over, taking a log's end for its own; empty if there is none."""
    if _beside(path, "recovered").exists():
        with _alone(path):
            _finish(path)
    log = _beside(path, "wal", "-")
    with contextlib.suppress(OSError):
        if log.stat().st_size > 0 and not (path.exists() and path.stat().st_size > 0):
            return "the file is empty, and its log is not"
        if damaged_log(path) and damaged_log(path):  # looked at again: another process may have been writing
            return "its log is damaged"
    return ""


@contextlib.contextmanager
def _alone(path: Path) -> Iterator[None]:
    """With no other process recovering it. Raises JournalUnavailableError if one does, or if files can't be made."""
    try:
        lock = SessionLock(path, _LOCK)
    except JournalUnavailableError:
        raise
    except JournalError:
        raise JournalUnavailableError(f"the journal {path} is being recovered by another oscservice: wait") from None
    try:
        yield
    except OSError as trouble:
        raise unusable(path, trouble) from None
    finally:
        lock.release()


def _recover_if(path: Path, why: str, notes: list[str], error: JournalError | None = None) -> None:
    if why:
        with _alone(path):
            _recover(path, notes, error)


def _recover(path: Path, notes: list[str], error: JournalError | None) -> None:
    records = salvage(path)
    if not records and error is not None and not _marked(path):
        raise error
    half, whole = _beside(path, "recovering"), _beside(path, "recovered")
    for old in (half, _beside(path, "recovering-wal"), _beside(path, "recovering-shm")):
        old.unlink(missing_ok=True)
    with Journal.open(half, wait_s=WAIT_S) as fresh:
        for record in records:
            fresh.put(record)
    os.replace(half, whole)
    kept = _finish(path)
    cut = [f"session {one.session.id} ends after event {len(one.events)}" for one in records if one.session.cut]
    notes.append(
        f"the journal was damaged and is recovered: {sum(len(one.events) for one in records)} events of "
        f"{len(records)} sessions{''.join(f'; {line}' for line in cut)}; the damaged file is kept as {kept}"
    )


def _marked(path: Path) -> bool:
    """Whether the file still says that it is a journal of ours, if nothing else."""
    with path.open("rb") as file:
        head = file.read(100)
    return head.startswith(b"SQLite format 3\0") and head[68:72] == APPLICATION_ID.to_bytes(4, "big")


def _finish(path: Path) -> Path | None:
    """Put a recovered file in the damaged one's place. Doing so may have been interrupted at any step."""
    whole = _beside(path, "recovered")
    if not whole.exists():
        return None
    kept = _free_name(path)
    if path.exists():
        try:
            os.link(path, kept)
        except OSError:  # a file system without links
            shutil.copy2(path, kept)
    log = _beside(path, "wal", "-")
    if log.exists():
        os.replace(log, kept.with_name(f"{kept.name}-wal"))
    _beside(path, "shm", "-").unlink(missing_ok=True)
    os.replace(whole, path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return kept


def _beside(path: Path, what: str, mark: str = ".") -> Path:
    return path.with_name(f"{path.name}{mark}{what}")


def _free_name(path: Path, now: Callable[[], datetime] = lambda: datetime.now(UTC)) -> Path:
    name = f"damaged-{now():%Y%m%dT%H%M%S}"
    taken = 1
    found = _beside(path, name)
    while found.exists():
        taken += 1
        found = _beside(path, f"{name}-{taken}")
    return found
