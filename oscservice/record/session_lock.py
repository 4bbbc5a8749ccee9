"""The lock that keeps two processes from writing the same session."""

from __future__ import annotations

import contextlib
import fcntl
import os
import time
from pathlib import Path

from oscservice.errors import JournalError
from oscservice.record.database import unusable

_LOOKS = 3


class SessionLock:
    """An advisory lock on a file beside the journal, held from making until `release` or the end of the process.

    Raises JournalError if it is held already, naming the process that holds it.
    """

    def __init__(self, journal: Path, session_id: str) -> None:
        real = journal.resolve()  # however the journal was named, it has one lock
        self._path = real.with_name(f"{real.name}.{session_id}.lock")
        try:
            self._descriptor = self._take(session_id)
        except OSError as error:
            what = f"session {session_id} can't be locked ({self._path}: {error.strerror}): "
            raise type(unusable(journal, error))(f"{what}see that the journal's folder can be written") from None

    @staticmethod
    def is_held(journal: Path, session_id: str) -> bool:
        """Whether somebody holds it. A file that a dead process left behind is no lock."""
        real = journal.resolve()
        try:
            descriptor = os.open(real.with_name(f"{real.name}.{session_id}.lock"), os.O_RDONLY)
        except (OSError, ValueError):  # ValueError: a damaged name, which is no part of a path
            return False
        try:
            fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        finally:
            os.close(descriptor)
        return False

    def _take(self, session_id: str) -> int:
        looks = 0
        while True:
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                # The last holder removes the file when done, maybe since we opened it: a lock on that keeps nobody out.
                if _is_at(descriptor, self._path):
                    with contextlib.suppress(OSError):  # a full disk: the lock holds, only its holder isn't named
                        os.ftruncate(descriptor, 0)
                        os.pwrite(descriptor, str(os.getpid()).encode(), 0)
                    return descriptor
            except BlockingIOError:
                looks += 1
                if looks < _LOOKS:  # `is_held` of another process takes it for a moment
                    os.close(descriptor)
                    time.sleep(0.01)
                    continue
                holder = os.pread(descriptor, 20, 0).decode("ascii", "replace") or "unknown"
                os.close(descriptor)
                raise JournalError(
                    f"session {session_id} is open in another oscservice (pid {holder}): end that one first"
                ) from None
            except BaseException:
                os.close(descriptor)
                raise
            os.close(descriptor)

    def release(self) -> None:
        """Remove the file and give up the lock. Call it once."""
        if _is_at(self._descriptor, self._path):
            with contextlib.suppress(OSError):  # a folder that can't be written any more: the file left is no lock
                self._path.unlink()
        os.close(self._descriptor)


def _is_at(descriptor: int, path: Path) -> bool:
    """Whether the open file is the one with that name."""
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False
