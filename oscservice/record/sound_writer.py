"""The writer of kept sound: a thread of its own, so that no reading waits for a disk.

Sounds that can't be written for now wait, up to a limit, and are tried again. A file is complete or not there at all.
"""

from __future__ import annotations

import logging
import os
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from oscservice.record.kept_sound import (
    MEGABYTE,
    SessionSound,
    Stretch,
    delete,
    file_name,
    flac,
    folder_of,
    sessions_in,
    too_much,
    too_old,
)
from oscservice.record.session_lock import SessionLock

log = logging.getLogger(__name__)

KEPT, FAILING, FULL = "kept", "failing", "full"

MOST_WAITING = 32
"""The most sounds that wait, four seconds and one megabyte each. Beyond that the oldest is dropped."""

_AGAIN_S = 2.0


@dataclass(frozen=True)
class _Keep:
    session: str
    seq: int
    stretch: Stretch
    title: str


@dataclass(frozen=True)
class _Rename:
    old: str
    new: str


class SoundWriter:
    """Writes readings' sound beside a journal, and keeps its folder within limits.

    Args:
        journal: the journal's file.
        most_mb: the most megabytes in the folder.
        most_days: days for which a session's sound is kept; 0: as long as there is space.
        today: returns the day.
    """

    def __init__(self, journal: Path, most_mb: int, most_days: int, today: Callable[[], date] = date.today) -> None:
        self._journal = journal
        self._folder = folder_of(journal)
        self._most = most_mb * MEGABYTE
        self._most_mb = most_mb
        self._most_days = most_days
        self._today = today
        self._changed = threading.Condition()
        self._queue: deque[_Keep | _Rename] = deque()
        self._ending = False
        self._state = KEPT
        self._fault = ""
        self._notes: list[str] = []
        self._lost = 0
        # Used only by the thread:
        self._size = 0
        self._looked: date | None = None
        self._session = ""
        self._written: list[str] = []
        self._thread = threading.Thread(target=self._run, name="kept sound", daemon=True)

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    @property
    def state(self) -> str:
        """``kept``, ``failing`` (it can't be written for now) or ``full`` (by this session)."""
        return self._state

    def keep(self, session: str, seq: int, stretch: Stretch, title: str) -> None:
        """Keep the sound of a session's event ``seq``, which is in the journal. Never waits."""
        self._put(_Keep(session, seq, stretch, title))

    def renamed(self, old: str, new: str) -> None:
        """Note that the session with the name ``old`` has another name in the journal."""
        self._put(_Rename(old, new))

    def take_notes(self) -> list[str]:
        """Return the lines for a person that were not taken yet."""
        with self._changed:
            taken, self._notes = self._notes, []
        return taken

    def close(self, wait_s: float = 10.0) -> None:
        """Write the waiting sounds, as far as possible, and end. A note reports losses."""
        with self._changed:
            self._ending = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(wait_s)
        with self._changed:
            left = sum(isinstance(one, _Keep) for one in self._queue)
            self._queue.clear()
            if self._lost + left:
                why = self._fault or "the disk is too slow"
                self._notes.append(f"the sound of {self._lost + left} readings is not kept: {why}")
            self._lost = 0

    def _put(self, item: _Keep | _Rename) -> None:
        with self._changed:
            self._queue.append(item)
            if len(self._queue) > MOST_WAITING:
                self._lost += isinstance(self._queue.popleft(), _Keep)
            self._changed.notify_all()

    # The thread

    def _run(self) -> None:
        try:
            self._work()
        except Exception:
            log.exception("keeping sound failed")
            with self._changed:
                self._report("internal failure; see the log")

    def _work(self) -> None:
        self._keep_within_limits(0)
        while True:
            with self._changed:
                while not self._queue and not self._ending:
                    self._changed.wait()
                if not self._queue:
                    return
                item = self._queue[0]
            fault = self._done(item)
            with self._changed:
                self._report(fault)
                if not fault:
                    if self._queue and self._queue[0] is item:
                        self._queue.popleft()
                elif self._ending:
                    return
                else:
                    self._changed.wait_for(lambda: self._ending, _AGAIN_S)

    def _done(self, item: _Keep | _Rename) -> str:
        """Do the first waiting task. Return the reason why that fails for now; empty if it succeeds."""
        try:
            if isinstance(item, _Rename):
                self._move(item)
            else:
                self._write(item)
        except OSError as error:
            return f"{error.filename or self._folder}: {error.strerror}"
        return ""

    def _write(self, item: _Keep) -> None:
        if item.session != self._session:
            self._session, self._written = item.session, []
        file = flac(item.stretch, item.title)
        if not self._keep_within_limits(len(file)):
            return
        name = file_name(item.seq, item.stretch.sound)
        path = self._folder / item.session / name
        self._make(path.parent)
        half = path.with_name(f"{name}.part")
        try:
            with half.open("wb") as opened:
                opened.write(file)
                opened.flush()
                os.fsync(opened.fileno())
            os.replace(half, path)
        except OSError:
            half.unlink(missing_ok=True)
            raise
        self._written.append(name)
        self._size += len(file)
        self._state = KEPT

    def _move(self, item: _Rename) -> None:
        if item.old != self._session:
            return
        new = self._folder / item.new
        for name in self._written:
            self._make(new)
            if (self._folder / item.old / name).exists():
                os.replace(self._folder / item.old / name, new / name)
        self._session = item.new

    def _make(self, folder: Path) -> None:
        """Make a session's folder. Only the owner can open it: speech at the bench is recorded too."""
        self._folder.mkdir(mode=0o700, exist_ok=True)
        folder.mkdir(exist_ok=True)

    def _keep_within_limits(self, more: int) -> bool:
        """Delete what is too old, then the oldest until ``more`` bytes fit. Return False if there is still no space.
        Raises OSError, except at the start."""
        today = self._today()
        if today == self._looked and self._size + more <= self._most:
            return True
        try:
            found = sessions_in(self._folder)
            under_way = {one.session for one in found if SessionLock.is_taken(self._journal, one.session)}
            under_way.add(self._session)
            old = [one for one in too_old(found, today, self._most_days) if one.session not in under_way]
            left = [one for one in found if one not in old]
            much = too_much(left, self._most - more, under_way)
            for one in (*old, *much):
                delete(one)
        except OSError:
            if more:
                raise
            return False
        self._looked = today
        self._size = sum(one.size for one in left if one not in much)
        fits = self._size + more <= self._most
        with self._changed:
            self._note_deleted(old, f"it was older than {self._most_days} days")
            self._note_deleted(much, f"more than {self._most_mb} MB would be kept")
            if not fits and self._state != FULL:
                self._notes.append(
                    f"no more sound of session {self._session} is kept: {self._most_mb} MB are full (--keep-audio-mb)"
                )
            if more and not fits:
                self._state = FULL
        return fits

    def _note_deleted(self, deleted: list[SessionSound], why: str) -> None:
        if deleted:
            first, last = deleted[0].session, deleted[-1].session
            which = first if len(deleted) == 1 else f"{first} to {last}"
            megabytes = sum(one.size for one in deleted) / MEGABYTE
            self._notes.append(f"kept sound of session {which} deleted ({megabytes:.1f} MB): {why}")

    def _report(self, fault: str) -> None:
        """Report a change from success to failure or back."""
        if fault and not self._fault:
            self._notes.append(f"sound can't be kept for now, and the session goes on without: {fault}")
            self._state = FAILING
        elif self._fault and not fault:
            lost = f"; that of {self._lost} readings is lost" if self._lost else ""
            self._notes.append(f"sound is kept again{lost}")
            self._lost = 0
            self._state = KEPT if self._state == FAILING else self._state
        self._fault = fault
