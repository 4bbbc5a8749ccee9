"""The cache of results: one SQLite file, which may be lost at any time.

A result is found by the recording's bytes, the pitches expected in it and the estimator. Several runs may use the file
at once. A fault of the file is a remark and never an error: measuring goes on without it.
"""

from __future__ import annotations

import hashlib
import sqlite3
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from platformdirs import user_cache_path


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes in hex; empty when it is no file or can't be read."""
    try:
        if not path.is_file():  # reading a pipe could wait for ever
            return ""
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError):
        return ""


def sha256_of_each(paths: Sequence[Path], jobs: int) -> list[str]:
    """Return ``sha256_of`` each file, ``jobs`` of them read at a time."""
    if jobs == 1:
        return [sha256_of(path) for path in paths]
    with ThreadPoolExecutor(jobs) as pool:
        return list(pool.map(sha256_of, paths))


FILE_NAME = "measured.sqlite"
MOST_BYTES = 256 * 1024 * 1024
"""Size limit of the results, about 600,000 files of one note. Above it, those unused for the longest are deleted."""

_LEFT_WHEN_TRIMMED = 0.9
_WAIT_S = 5.0
_USE_NOTED_EVERY_S = 3600
_AT_ONCE = 500
_APPLICATION_ID = 0x4F534341  # "OSCA": marks the file as ours
_SCHEMA = 1
_TABLES = (
    "CREATE TABLE measured (key BLOB PRIMARY KEY, used INTEGER NOT NULL, size INTEGER NOT NULL, seal BLOB NOT NULL,"
    " body TEXT NOT NULL)",
    "CREATE INDEX by_use ON measured (used, size)",
    f"PRAGMA application_id = {_APPLICATION_ID}",
    f"PRAGMA user_version = {_SCHEMA}",
)


def default_folder() -> Path:
    """Return the folder of the cache unless another one is given: the user's cache folder."""
    return user_cache_path("oscservice")


def key_of(sha256: str, suffix: str, expected_hz: Sequence[float], estimator: str) -> bytes:
    """Return a result's key: 32 bytes from the recording's digest, the suffix of its name (which says the format of
    files without a header), the expected pitches and the fingerprint of ``measured_with()``."""
    expected = " ".join(float(hz).hex() for hz in expected_hz)
    return hashlib.sha256(f"{estimator}\n{sha256}\n{suffix.lower()}\n{expected}".encode()).digest()


class Cache:
    """Texts by key; a context manager. ``remarks`` holds the faults of the file, a line each.

    After a fault nothing more is looked up or stored.
    """

    def __init__(self, file: Path, database: sqlite3.Connection | None, most_bytes: int) -> None:
        self.file = file
        self.remarks: list[str] = []
        self._database = database
        self._most_bytes = most_bytes

    @classmethod
    def open(cls, folder: Path | None = None, *, most_bytes: int = MOST_BYTES) -> Cache:
        """Open the cache in a folder (None: the user's own); create it when it is missing. Never raises for a bad
        file."""
        file = (default_folder() if folder is None else folder) / FILE_NAME
        cache = cls(file, None, most_bytes)
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
            cache._database = sqlite3.connect(file, timeout=_WAIT_S, isolation_level=None)
            cache._prepare(cache._database)
        except (OSError, sqlite3.Error) as error:
            cache._give_up(error)
        return cache

    def find(self, keys: Sequence[bytes]) -> dict[bytes, str]:
        """Return the stored texts by key; unknown keys are left out."""
        found: dict[bytes, str] = {}
        for start in range(0, len(keys), _AT_ONCE):
            some = keys[start : start + _AT_ONCE]
            rows = self._do(
                f"SELECT key, seal, body, used FROM measured WHERE key IN ({','.join('?' * len(some))})", some
            )
            sound = [(key, body, used) for key, seal, body, used in rows if seal == _seal(key, body)]
            found |= {key: body for key, body, _ in sound}
            now = int(time.time())
            stale = [key for key, _, used in sound if abs(now - used) > _USE_NOTED_EVERY_S]
            if stale:
                self._do(f"UPDATE measured SET used = {now} WHERE key IN ({','.join('?' * len(stale))})", stale)
        return found

    def keep(self, texts: Iterable[tuple[bytes, str]]) -> None:
        """Store texts under their keys in one transaction."""
        now = int(time.time())
        rows = [(key, now, len(body), _seal(key, body), body) for key, body in texts]
        self._do("BEGIN IMMEDIATE")
        for row in rows:
            self._do("INSERT OR REPLACE INTO measured VALUES (?, ?, ?, ?, ?)", row)
        self._do("COMMIT")

    def close(self) -> None:
        """Delete the results unused for the longest when there are too many, and close the file."""
        self._trim()
        if self._database is not None:
            self._database.close()
            self._database = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _prepare(self, database: sqlite3.Connection) -> None:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("PRAGMA synchronous = NORMAL")
        database.execute("BEGIN IMMEDIATE")  # two runs may make the file at the same time
        marks = [database.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version")]
        if marks == [0, 0] and not database.execute("SELECT 1 FROM sqlite_schema").fetchall():
            for statement in _TABLES:
                database.execute(statement)
        elif marks != [_APPLICATION_ID, _SCHEMA]:
            raise sqlite3.DatabaseError("it is no cache of this version of oscservice")
        database.execute("COMMIT")

    def _trim(self) -> None:
        stored = self._do("SELECT coalesce(sum(size), 0) FROM measured")
        if not stored or stored[0][0] <= self._most_bytes:
            return
        too_much = stored[0][0] - _LEFT_WHEN_TRIMMED * self._most_bytes
        self._do(
            "DELETE FROM measured WHERE rowid IN (SELECT rowid FROM (SELECT rowid, sum(size) OVER"
            " (ORDER BY used, rowid ROWS UNBOUNDED PRECEDING) - size AS before FROM measured) WHERE before < ?)",
            (too_much,),
        )

    def _do(self, statement: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """Return the rows of a statement; none when the file can't be used."""
        if self._database is None:
            return []
        try:
            return self._database.execute(statement, values).fetchall()
        except sqlite3.Error as error:
            self._give_up(error)
            return []

    def _give_up(self, error: Exception) -> None:
        why = getattr(error, "strerror", None) or str(error)
        self.remarks.append(f"the cache {self.file} is not used ({why}): delete it if that stays so")
        if self._database is not None:
            self._database.close()
            self._database = None


def _seal(key: bytes, body: str) -> bytes:
    """Return eight bytes that reveal a damaged row: a wrong result would be worse than none."""
    return hashlib.blake2b(key + body.encode("utf-8", "replace"), digest_size=8).digest()
