"""Journals of an older schema brought to the present one.

Schema 1 had no hashes: they are computed from the events as they are found, so edits from before don't show.
"""

from __future__ import annotations

import json
import os
import sqlite3
from pathlib import Path

from oscservice.record.chain import first_link, link, seal_of

_STEPS = (
    "ALTER TABLE sessions ADD COLUMN identity TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE sessions ADD COLUMN origin TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE sessions ADD COLUMN seal TEXT",
    "ALTER TABLE sessions ADD COLUMN cut TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE events ADD COLUMN hash TEXT NOT NULL DEFAULT ''",
    "UPDATE sessions SET identity = instrument, origin = id",
)


def to_schema_2(path: Path, database: sqlite3.Connection) -> None:
    """Migrate a journal of schema 1, all or nothing, and keep a copy of it beside it, named `*.v1.bak`.

    Raises sqlite3.Error; the journal is then as it was.
    """
    database.execute("BEGIN IMMEDIATE")
    try:
        if _version(database) == 1:  # asked again: another process may have been quicker
            _copy(path, path.with_name(f"{path.name}.v1.bak"))
            _migrate(database)
        database.execute("COMMIT")
    except BaseException:
        if database.in_transaction:
            database.execute("ROLLBACK")
        raise


def migrated_copy(database: sqlite3.Connection) -> sqlite3.Connection:
    """A migrated copy in memory of a journal of schema 1, which is closed and stays as it is."""
    copy = sqlite3.connect(":memory:", isolation_level=None)
    database.backup(copy)
    database.close()
    _migrate(copy)
    return copy


def _version(database: sqlite3.Connection) -> int:
    return int(database.execute("PRAGMA user_version").fetchone()[0])


def _copy(path: Path, to: Path) -> None:
    half = to.with_name(f"{to.name}.part")
    half.unlink(missing_ok=True)
    source = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    copy = sqlite3.connect(half)
    try:
        source.backup(copy)
    finally:
        copy.close()
        source.close()
    os.replace(half, to)


def _migrate(database: sqlite3.Connection) -> None:
    for step in _STEPS:
        database.execute(step)
    rows = database.execute("SELECT id, instrument, label, started_utc, closed_utc FROM sessions").fetchall()
    for session_id, instrument, label, started_utc, closed_utc in rows:
        last, count = _add_hashes(database, session_id)
        if closed_utc is not None:
            seal = seal_of(last, count, instrument, label, started_utc, closed_utc)
            database.execute("UPDATE sessions SET seal = ? WHERE id = ?", (seal, session_id))
    database.execute("PRAGMA user_version = 2")


def _add_hashes(database: sqlite3.Connection, session_id: str) -> tuple[str, int]:
    """Give each event its hash; the last one and how many events there are. What comes after an event that can't be
    read keeps an empty hash, as that event does: it is damage, which is found and told where such is looked for."""
    last = first_link(session_id)
    events = "SELECT seq, at_utc, kind, body FROM events WHERE session = ? ORDER BY seq"
    rows = database.execute(events, (session_id,)).fetchall()
    for seq, at_utc, kind, text in rows:
        try:
            last = link(last, seq, at_utc, kind, json.loads(text))
        except (ValueError, TypeError):
            break
        database.execute("UPDATE events SET hash = ? WHERE session = ? AND seq = ?", (last, session_id, seq))
    return last, len(rows)
