"""The job sheets of a journal: a table of entries in its file, and a private copy of each sheet in a file of its own.

The table is made with the first entry; a journal without job sheets has none, and older programs leave it alone. An
entry is committed first and then copied to `SESSION.job.jsonl`, beside the copy of the session. A copy with more good
entries than the table shows a loss: they are restored from it.

From the first entry on only the owner can read the journal's file.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from oscservice.errors import InputError
from oscservice.record.database import sqlite_errors
from oscservice.record.event_chain import SESSION_NAME, SessionRow, object_in
from oscservice.record.job_entries import (
    JobEntry,
    JobRecord,
    good_entries,
    job_fault,
    job_lines,
    job_record,
    next_entry,
    sheet_of,
)
from oscservice.record.job_sheet import LONGEST_BY, JobChange, check_room, checked_text
from oscservice.record.session_files import free_name, replace_file
from oscservice.sentences.plural import counted

if TYPE_CHECKING:
    from oscservice.record.journal import Journal

_TABLE = """CREATE TABLE IF NOT EXISTS job_entries (
    session TEXT NOT NULL REFERENCES sessions (id),
    seq INTEGER NOT NULL,
    at_utc TEXT NOT NULL,
    author TEXT NOT NULL,
    seal TEXT NOT NULL,
    body TEXT NOT NULL,
    hash TEXT NOT NULL,
    PRIMARY KEY (session, seq)
) WITHOUT ROWID"""
_COLUMNS = "session, seq, at_utc, author, seal, body, hash"
_END = ".job.jsonl"
_TRIES = 20
"""Times to write a copy while other processes add entries."""


class JobBook:
    """The job sheets of an open journal: `Journal.jobs`. Methods raise JournalError as the journal's do."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal

    def entries(self, session_id: str) -> tuple[JobEntry, ...]:
        """Return the entries of a session's job sheet as they are stored; none if nothing was written."""
        with sqlite_errors(self._journal.path):
            return self._read(session_id).get(session_id, ())

    def record(self, session_id: str) -> JobRecord:
        """Return the entries with the session that they belong to. Raises JournalError: no such session."""
        row = self._journal.row(session_id)
        return JobRecord(row.id, row.origin, row.started_utc, self.entries(session_id))

    def add(self, session_id: str, change: JobChange, at_utc: str, by: str) -> JobEntry | None:
        """Add an entry to a session that is open here, open elsewhere, or closed; return it when it is on the disk.

        It has what is new in the change; None if nothing is.

        Raises:
            JournalError: no such session, or the journal can't be written.
            InputError: too many notes or photographs, or a name that is too long.
        """
        author = checked_text("by", by, LONGEST_BY) or "unknown"
        self._journal.check_writable()
        self._make_private()
        with self._journal.transaction() as database:
            row = self._journal.row(session_id)
            own = self._read(session_id).get(session_id, ())
            sheet = sheet_of(own)
            new = sheet.new_in(change)
            if not new:
                return None
            check_room(sheet, new)
            entry = next_entry(row, own, new.to_body(), at_utc, author, row.seal or "")
            _insert(database, session_id, [entry])
        self._copy(row)
        return entry

    def take(self, record: JobRecord, session_id: str = "") -> tuple[str, int]:
        """Add the entries of an exported job sheet that are not here; return its session's name here and their number.

        Where the sheet here has other entries, the new ones follow them, with hashes of their own.

        Args:
            record: the job sheet.
            session_id: the session's name here; empty to look for it.

        Raises:
            InputError: the session isn't here, or it is open and the sheet is that of the closed one.
        """
        rows = [row for row in self._journal.sessions() if record.is_of(row) and session_id in ("", row.id)]
        if not rows:
            raise InputError(f"the job sheet of session {record.session}: that session is not in the journal")
        row = rows[0]
        if any(entry.seal and entry.seal != row.seal for entry in record.entries):
            raise InputError(f"the job sheet of session {record.session} was written after another seal: not imported")
        self._make_private()
        with self._journal.transaction() as database:
            own = self._read(row.id).get(row.id, ())
            if _begin_with(record.entries, own):
                new = list(record.entries[len(own) :])
            else:
                known = {entry.draft for entry in own}
                new = []
                for entry in record.entries:
                    if entry.draft not in known:
                        body = object_in(entry.body) or {}
                        new.append(next_entry(row, (*own, *new), body, entry.at_utc, entry.by, entry.seal))
            if new:
                _insert(database, row.id, new)
        self._copy(row)
        return row.id, len(new)

    def difference(self, row: SessionRow) -> str:
        """Return the first difference between a session's job sheet and its copy; empty if there is none, or no copy.

        Raises OSError for a copy that can't be read.
        """
        path = self._path(row.id)
        if path is None or not path.exists():
            return ""
        copy, own = _read_file(path), self.entries(row.id)
        if copy is None:
            return "the file can't be read"
        for ours, theirs in zip(own, copy.entries, strict=False):
            if _plain(ours) != _plain(theirs):
                return f"entry {ours.seq} is not the same"
        if len(own) != len(copy.entries):
            return f"the file has {counted(len(copy.entries), 'good entry', 'good entries')}, the journal {len(own)}"
        return ""

    def repair(self, rows: Iterable[SessionRow]) -> None:
        """Bring the sheets of these sessions and their copies to the same entries. Raises OSError: no folder.

        A copy is read in full only where its number of lines shows that it differs.
        """
        folder = self._journal.files.folder
        copies = {name.removesuffix(_END) for name in os.listdir(folder) if name.endswith(_END)}
        with sqlite_errors(self._journal.path):
            stored = self._read()
        if not copies and not stored:
            return
        restored: list[int] = []
        for row in rows:
            own = stored.get(row.id, ())
            path = self._path(row.id)
            if path is None or (row.id not in copies and not own):
                continue
            readable = all(entry.seq == n and object_in(entry.body) is not None for n, entry in enumerate(own, 1))
            if row.id in copies and readable and path.read_bytes().count(b"\n") == len(own) + 1:
                continue
            restored.append(self._reconcile(self._journal.row(row.id), path))
        if any(restored):
            entries = counted(sum(restored), "entry", "entries")
            sheets = counted(sum(number > 0 for number in restored), "job sheet")
            self._journal.notes.append(f"{entries} of {sheets} were missing and are restored from their files")

    def _reconcile(self, row: SessionRow, path: Path) -> int:
        """Restore the entries that only the copy has, then write the copy again; return their number."""
        copy = _read_file(path) if path.exists() else None
        restored = 0
        with self._journal.transaction() as database:
            own = self._read(row.id).get(row.id, ())
            good = good_entries(row, own)
            if copy is not None and copy.is_of(row) and len(copy.entries) > len(good):
                whole = all(object_in(entry.body) is not None for entry in own)
                if _begin_with(copy.entries, good) and (len(good) == len(own) or not whole):
                    database.execute(_TABLE)
                    database.execute("DELETE FROM job_entries WHERE session = ?", (row.id,))
                    _insert(database, row.id, copy.entries)
                    restored = len(copy.entries) - len(good)
        self._copy(row)
        return restored

    def _copy(self, row: SessionRow) -> None:
        """Write the copy of a session's job sheet; a failure is noted. A file with other entries is kept under another
        name.

        Nobody is locked out meanwhile: a daemon that records can't wait. So the entries are read again afterwards.
        """
        path = self._path(row.id)
        if path is None:
            return
        own = self.entries(row.id)
        for _ in range(_TRIES):
            if job_fault(row, own) is not None and path.exists():
                return  # what was edited does not take the place of a copy that may be good
            why = _write_file(path, JobRecord(row.id, row.origin, row.started_utc, own))
            if why:
                self._journal.notes.append(f"the job sheet is in the journal, but not its copy {path}: {why}")
                return
            before, own = own, self.entries(row.id)
            if own == before:
                return

    def _path(self, session_id: str) -> Path | None:
        """Return the place of a copy; None for a damaged name, which can't be part of a path."""
        return self._journal.files.folder / f"{session_id}{_END}" if SESSION_NAME.fullmatch(session_id) else None

    def _read(self, session_id: str = "") -> Mapping[str, tuple[JobEntry, ...]]:
        """Return the entries of a session, or of all, by session."""
        database = self._journal.database
        if database.execute("SELECT 1 FROM sqlite_master WHERE name = 'job_entries'").fetchone() is None:
            return {}
        where, values = (" WHERE session = ?", (session_id,)) if session_id else ("", ())
        rows = database.execute(f"SELECT {_COLUMNS} FROM job_entries{where} ORDER BY session, seq", values).fetchall()
        return {name: tuple(JobEntry(*row[1:]) for row in some) for name, some in groupby(rows, lambda row: row[0])}

    def _make_private(self) -> None:
        """Let only the owner read the journal's file and its log."""
        for end in ("", "-wal", "-shm"):
            with contextlib.suppress(OSError):
                path = f"{self._journal.path}{end}"
                if stat.S_IMODE(os.stat(path).st_mode) & 0o077:
                    os.chmod(path, 0o600)


def _insert(database: sqlite3.Connection, session_id: str, entries: Sequence[JobEntry]) -> None:
    database.execute(_TABLE)
    database.executemany(
        f"INSERT INTO job_entries ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",
        [(session_id, one.seq, one.at_utc, one.by, one.seal, one.body, one.hash) for one in entries],
    )


def _begin_with(entries: Sequence[JobEntry], start: Sequence[JobEntry]) -> bool:
    return len(start) <= len(entries) and all(a.hash == b.hash for a, b in zip(entries, start, strict=False))


def _plain(entry: JobEntry) -> tuple[Any, ...]:
    return entry.seq, entry.at_utc, entry.by, entry.seal, object_in(entry.body), entry.hash


def _whole_copy(text: bytes, record: JobRecord) -> JobRecord | None:
    """Return the copy of this session's job sheet that a file has, if it is one and each of its lines is good."""
    copy = _copy_in(text)
    if copy is None or (copy.origin, copy.started_utc) != (record.origin, record.started_utc):
        return None
    return copy if text.count(b"\n") == len(copy.entries) + 1 else None


def _read_file(path: Path) -> JobRecord | None:
    """Return a copy up to its last good entry; None if there is no job sheet in it. Raises OSError."""
    return _copy_in(path.read_bytes())


def _copy_in(text: bytes) -> JobRecord | None:
    """Return the copy that a file has, up to its last good entry; None if there is no job sheet in it."""
    head, *found = [object_in(line) for line in text.decode("utf-8", "replace").split("\n")[:-1]] or [None]
    if head is None:
        return None
    try:
        return job_record(head, found)[0]
    except ValueError:
        return None


def _write_file(path: Path, record: JobRecord) -> str:
    """Write a copy, all or nothing, unless it has these entries and maybe more; return why it can't be written, or an
    empty text."""
    try:
        text = "".join(f"{line}\n" for line in job_lines(record)).encode("ascii")
        if path.exists():
            there = path.read_bytes()  # read once: another process may replace it at any time
            if there == text:
                return ""
            copy = _whole_copy(there, record)
            if copy is None or not (
                _begin_with(record.entries, copy.entries) or _begin_with(copy.entries, record.entries)
            ):
                path.rename(free_name(path, "aside"))
            elif len(copy.entries) > len(record.entries):
                return ""
        if text:
            replace_file(path, text)
    except OSError as error:
        return error.strerror or str(error)
    except ValueError as error:
        return str(error)
    return ""
