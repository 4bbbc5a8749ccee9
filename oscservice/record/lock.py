"""The lock that keeps two processes from writing the same session."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from oscservice.errors import JournalError


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
            raise JournalError(
                f"session {session_id} can't be locked ({self._path}: {error.strerror}): "
                "see that the journal's folder can be written"
            ) from None

    def _take(self, session_id: str) -> int:
        while True:
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                # The last holder removes the file when done, maybe since we opened it: a lock on that keeps nobody out.
                if _is_at(descriptor, self._path):
                    os.ftruncate(descriptor, 0)
                    os.pwrite(descriptor, str(os.getpid()).encode(), 0)
                    return descriptor
            except BlockingIOError:
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
            self._path.unlink()
        os.close(self._descriptor)


def _is_at(descriptor: int, path: Path) -> bool:
    """Whether the open file is the one with that name."""
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False
