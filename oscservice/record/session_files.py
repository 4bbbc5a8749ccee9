"""Sessions as JSON Lines: the format, and the folder beside the journal that has one such file for each session.

A file has one line that begins a session and one line for each event:

{"format": "oscservice-session", "version": 1, "session": "2026-11-25-1", "origin": …, "events": 2, …}
{"seq": 1, "at_utc": …, "kind": …, "body": {…}, "hash": …}
{"seq": 2, …}

In an export the job sheet of a session follows it, in the form of `job_entries`.

Of a closed session there are as many events as the first line says. Of an open one there may be more: they were added
after the first line was written.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeAlias

from oscservice.errors import InputError, JournalError
from oscservice.record.event_chain import SESSION_NAME, EventRow, Record, SessionRow, body_text, edited, object_in
from oscservice.record.job_entries import FORMAT as JOB_FORMAT
from oscservice.record.job_entries import JobRecord, job_record
from oscservice.record.whole_file import whole_file

FORMAT = "oscservice-session"
VERSION = 1

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}\+00:00")
_FILE_NAME = re.compile(rf"(?P<session>{SESSION_NAME.pattern})(?P<open>\.open)?\.jsonl")

_NumberedLine: TypeAlias = tuple[int, dict[str, Any] | None]


# --- the format ---


def lines(record: Record) -> Iterator[str]:
    """Yield a session as lines, without their ends.

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
        yield _event_line(event, row.id)


def records(text: Iterable[str], name: str) -> Iterator[Record | JobRecord | InputError]:
    """Yield the sessions and job sheets in lines; for one that can't be used, the mistake in it and its line.

    Args:
        text: the lines.
        name: name of the file, for complaints.
    """
    session: list[_NumberedLine] = []
    for number, line in enumerate(text, 1):
        if not line.strip():
            continue
        found = object_in(line)
        if session and found is not None and "format" in found:
            yield _whole_session(session, name)
            session = []
        session.append((number, found))
    yield _whole_session(session, name) if session else InputError(f"{name}: there is no session in it")


def _event_line(event: EventRow, session_id: str) -> str:
    body = object_in(event.body)
    if body is None:
        raise JournalError(f"event {event.seq} of session {session_id} can't be read: resume the session first")
    return json.dumps({"seq": event.seq, "at_utc": event.at_utc, "kind": event.kind, "body": body, "hash": event.hash})


def _whole_session(numbered: Sequence[_NumberedLine], name: str) -> Record | JobRecord | InputError:
    head = numbered[0][1]
    is_job = head is not None and head.get("format") == JOB_FORMAT
    record, mistake = _job(numbered) if is_job else _session(numbered)
    if record is not None and mistake is None:
        return record
    line, what = mistake or (numbered[0][0], "")
    return InputError(f"{name} line {line}: {what}")


def _job(numbered: Sequence[_NumberedLine]) -> tuple[JobRecord | None, tuple[int, str] | None]:
    """Return a job sheet's entries up to the last good one, and the first mistake in the lines with its line number."""
    try:
        record, mistake = job_record(numbered[0][1] or {}, [found for _, found in numbered[1:]])
    except ValueError as error:
        return None, (numbered[0][0], str(error))
    return record, None if mistake is None else (numbered[mistake[0]][0], mistake[1])


def _session(numbered: Sequence[_NumberedLine]) -> tuple[Record | None, tuple[int, str] | None]:
    """Return a session's record up to its last good event, and the first mistake in the lines with its line number."""
    number, found = numbered[0]
    try:
        if found is None:
            raise ValueError("no JSON object")
        row = _head(found)
    except ValueError as error:
        return None, (number, str(error))
    events: list[EventRow] = []
    mistake = None
    for line, found in numbered[1:]:
        try:
            if found is None:
                raise ValueError("no JSON object")
            events.append(_event(found, len(events) + 1))
        except ValueError as error:
            mistake = line, str(error)
            break
    if mistake is None and (row.events > len(events) or (row.closed and row.events < len(events))):
        what = f"session {row.id} should have {row.events} events and has {len(events)}: the file is not whole"
        mistake = number, what
    record = Record(replace(row, events=len(events)), tuple(events))
    fault = edited(record)
    if fault is not None:
        line = min(number + fault.seq, number + len(events))
        mistake = mistake or (line, f"session {row.id} was changed after it was recorded: {fault.what}")
        good = record.events[: fault.seq - 1]
        record = Record(replace(row, events=len(good)), good)
    return record, mistake


def _head(found: dict[str, Any]) -> SessionRow:
    """Read the line that begins a session. Raises ValueError, as the next one does."""
    if "format" not in found:
        raise ValueError(f'a session begins with a line that says "format": "{FORMAT}"')
    if found["format"] != FORMAT:
        raise ValueError(f'the format is {found["format"]!r}; expected "{FORMAT}"')
    version = found.get("version")
    if version != VERSION or isinstance(version, bool):
        raise ValueError(f"version {version!r} is not known here; this oscservice knows version {VERSION}")
    texts = [_text(found, key) for key in ("session", "instrument", "label", "started_utc")]
    optional = [None if found.get(key) is None else _text(found, key) for key in ("closed_utc", "seal")]
    identity, origin, cut = (_text(found, key) for key in ("identity", "origin", "cut"))
    for session in (texts[0], origin):
        if not _is_name(session):
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


# --- the folder beside the journal ---


class SessionFiles:
    """The folder beside a journal with one file for each session, which only its owner can read.

    An open session's file is `SESSION.open.jsonl`; events are added at its end. A closed session's file is
    `SESSION.jsonl`, which holds what `sessions export` writes. So a list of the folder shows which files are complete.
    Methods raise OSError where the folder can't be read or written.

    Args:
        journal: the journal's file, which need not exist.
    """

    def __init__(self, journal: Path) -> None:
        real = journal.resolve()  # one folder, however the journal is named
        self.folder = real.with_name(f"{real.name}.sessions")
        self._sizes: dict[str, int] = {}  # bytes in the files of open sessions that are known to be up to date

    def make_folder(self) -> None:
        """Make the folder if it is missing. While it exists, a damaged journal can be built again from it."""
        _make_private_folder(self.folder)

    def list(self) -> dict[str, bool]:
        """Return the sessions that have a file: False, or True if the file is that of a closed session."""
        found: dict[str, bool] = {}
        if self.folder.is_dir():
            for name in os.listdir(self.folder):
                match = _FILE_NAME.fullmatch(name)
                if match is not None:
                    found[match["session"]] = found.get(match["session"], False) or match["open"] is None
        return found

    def has(self, session_id: str) -> bool:
        """Return True when a session of this name has a file."""
        return _is_name(session_id) and any(path.exists() for path in self._paths(session_id))

    def read(self, session_id: str) -> Record | None:
        """Return a session up to the last good event in its file; None if there is no file, or no session in it.

        A last line that was not written to its end is ignored. Where any other line is damaged, `cut` says so.
        """
        found = [self._read(path) for path in self._paths(session_id)] if _is_name(session_id) else []
        records = [record for record in found if record is not None and record.session.id == session_id]
        return max(records, key=lambda one: (len(one.events), one.session.closed), default=None)

    def write(self, record: Record) -> None:
        """Write a session's file, all or nothing. Raises ValueError for a session that could not be read back."""
        text = "".join(f"{line}\n" for line in lines(record)).encode("ascii")
        _head(json.loads(text.split(b"\n", 1)[0]))
        open_path, closed_path = self._paths(record.session.id)
        path = closed_path if record.session.closed else open_path
        if not (path.exists() and path.read_bytes() == text):
            replace_file(path, text)
        if record.session.closed:
            open_path.unlink(missing_ok=True)
            self.forget(record.session.id)
        else:
            self._sizes[record.session.id] = len(text)

    def append(self, session_id: str, rows: Sequence[EventRow]) -> bool:
        """Add events to an open session's file. Return False, and write nothing, if the file is not known to hold
        exactly the events before these: `write` it then."""
        size = self._sizes.pop(session_id, None)
        if size is None:
            return False
        text = "".join(f"{_event_line(row, session_id)}\n" for row in rows).encode("ascii")
        try:
            with self._paths(session_id)[0].open("r+b") as file:
                if file.seek(0, os.SEEK_END) != size:
                    return False
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
        except FileNotFoundError:
            return False
        self._sizes[session_id] = size + len(text)
        return True

    def forget(self, session_id: str) -> None:
        """Expect from now on that another process may write the file."""
        self._sizes.pop(session_id, None)

    def put_aside(self, session_id: str) -> None:
        """Rename a session's files, which are another session's or can't be read, so that they are kept unused."""
        for path in self._paths(session_id):
            if path.exists():
                path.rename(free_name(path, "aside"))
        self.forget(session_id)

    def difference(self, record: Record) -> str:
        """Return the first difference between a journal's session and its file; empty if there is none, or no file."""
        if not self.has(record.session.id):
            return ""
        copy = self.read(record.session.id)
        if copy is None:
            return "the file can't be read"
        for ours, theirs in zip(record.events, copy.events, strict=False):
            if replace(ours, body="") != replace(theirs, body="") or object_in(ours.body) != object_in(theirs.body):
                return f"event {ours.seq} is not the same"
        if len(record.events) != len(copy.events):
            return f"the file has {len(copy.events)} good events, the journal {len(record.events)}"
        if replace(record.session, events=0) != replace(copy.session, events=0):
            return "name, label, times or seal are not the same"
        return ""

    def _paths(self, session_id: str) -> tuple[Path, Path]:
        """Return the files of a session while it is open and when it is closed. Raises ValueError for a name that can't
        be one."""
        if not _is_name(session_id):  # it would be a path
            raise ValueError(f"{session_id!r} is no name of a session")
        return self.folder / f"{session_id}.open.jsonl", self.folder / f"{session_id}.jsonl"

    def _read(self, path: Path) -> Record | None:
        try:
            whole, end, _ = path.read_bytes().rpartition(b"\n")
        except FileNotFoundError:
            return None
        if not end:
            return None
        found = [object_in(line.decode("ascii", "replace")) for line in whole.split(b"\n")]
        record, mistake = _session(list(enumerate(found, 1)))
        if record is None or mistake is None:
            return record
        cut = record.session.cut or f"event {len(record.events) + 1} is lost or damaged"
        return Record(replace(record.session, cut=cut), record.events)


def _is_name(session_id: str) -> bool:
    return SESSION_NAME.fullmatch(session_id) is not None


def free_name(path: Path, what: str) -> Path:
    """Return a name beside a file that no other file has, such as `journal.sqlite3.damaged-2`."""
    number = 1
    found = path.with_name(f"{path.name}.{what}")
    while found.exists():
        number += 1
        found = path.with_name(f"{path.name}.{what}-{number}")
    return found


def replace_file(path: Path, text: bytes) -> None:
    """Write a file that only its owner can read, all or nothing, in a folder that is made if it is missing. Raises
    OSError."""
    _make_private_folder(path.parent)
    with whole_file(path, private=True) as file:
        file.write(text)
    _flush_folder(path.parent)


def _make_private_folder(folder: Path) -> None:
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)


def _flush_folder(folder: Path) -> None:
    """Make sure that a new name in a folder survives a loss of power."""
    if os.name != "posix":  # elsewhere a folder can't be opened
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
