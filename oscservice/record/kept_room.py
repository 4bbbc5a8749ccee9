"""How much room kept sound may take: whole sessions' sound is deleted, the oldest first, never that of one under way.

Nothing is touched but what has the names that `record.kept` gives.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from oscservice.record.kept import FILE, SESSION

MEGABYTE = 1_000_000


@dataclass(frozen=True)
class SessionSound:
    """The files of one session."""

    session: str
    files: tuple[Path, ...]
    size: int

    @property
    def day(self) -> str:
        """The day it was begun, as 2026-11-25."""
        return self.session.rpartition("-")[0]


def sessions_in(folder: Path) -> list[SessionSound]:
    """Every session of which sound is kept in a folder that need not be there, the oldest first. Raises OSError."""
    if not folder.is_dir():
        return []
    named = [(SESSION.fullmatch(path.name), path) for path in folder.iterdir()]
    ours = sorted((match[1], int(match[2]), path) for match, path in named if match is not None and path.is_dir())
    return [_session(path) for _, _, path in ours]


def _session(folder: Path) -> SessionSound:
    files = tuple(sorted(path for path in folder.iterdir() if FILE.fullmatch(path.name)))
    return SessionSound(folder.name, files, sum(path.stat().st_size for path in files))


def too_old(found: Sequence[SessionSound], today: date, most_days: int) -> list[SessionSound]:
    """Those of sessions begun more than so many days ago; 0: none are too old."""
    if most_days == 0:
        return []
    first_day = (today - timedelta(days=most_days)).isoformat()
    return [one for one in found if one.day < first_day]


def too_much(found: Sequence[SessionSound], room: int, under_way: Collection[str]) -> list[SessionSound]:
    """Which of them to delete, oldest first, so that no more than ``room`` bytes are taken; those under way stay."""
    size = sum(one.size for one in found)
    chosen = []
    for one in found:
        if size <= room:
            break
        if one.session not in under_way and one.size:
            chosen.append(one)
            size -= one.size
    return chosen


def delete(sound: SessionSound) -> None:
    """Delete a session's files, and its folder if nothing else is in it. Raises OSError."""
    for path in sound.files:
        path.unlink(missing_ok=True)
    if sound.files:
        folder = sound.files[0].parent
        if not any(folder.iterdir()):
            folder.rmdir()
