"""The lock that keeps two processes from writing the same session."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from oscservice.errors import JournalError, JournalUnavailableError
from oscservice.record.database import unusable

_REPAIR_LOCK = "recovery"
_WAIT_S = 0.01
"""Time to wait before the lock counts as taken, in seconds: `is_taken` of another process takes it for a moment."""


class SessionLock:
    """A lock on a file beside the journal, taken when made and kept until `release` or the end of the process.

    Raises JournalError if it is taken, naming the process that has it.
    """

    def __init__(self, journal: Path, session_id: str) -> None:
        self._path = _lock_file(journal, session_id)
        self._file: os.stat_result | None = None
        self._lock = _file_lock(self._path)
        try:
            self._lock.acquire()
            self._write_process_id()
        except Timeout:
            raise JournalError(
                f"session {session_id} is open in another oscservice (pid {_process_id(self._path)}): "
                "end that one first"
            ) from None
        except OSError as error:
            what = f"session {session_id} can't be locked ({self._path}: {error.strerror}): "
            raise type(unusable(journal, error))(f"{what}see that the journal's folder can be written") from None

    @staticmethod
    def is_taken(journal: Path, session_id: str) -> bool:
        """Return True when a process has the lock. A file that a dead process left behind is no lock."""
        try:
            path = _lock_file(journal, session_id)
        except ValueError:  # a damaged name, which can't be part of a path
            return False
        if not path.exists():  # trying the lock would make the file
            return False
        lock = _file_lock(path)
        try:
            lock.acquire()
        except Timeout:
            return True
        except OSError:
            return False
        lock.release()
        return False

    def release(self) -> None:
        """Remove the file and give up the lock. Call it once."""
        with contextlib.suppress(OSError):  # the file left behind is no lock
            if self._file is not None and os.path.samestat(self._file, self._path.stat()):
                self._path.unlink()
        self._lock.release()

    def _write_process_id(self) -> None:
        """Name this process in the file, for the error messages of others. The first byte is what some systems lock."""
        # On a full disk the lock is good all the same, only its holder isn't named.
        with contextlib.suppress(OSError), self._path.open("r+b", buffering=0) as file:
            self._file = os.fstat(file.fileno())
            file.truncate(0)
            file.write(f" {os.getpid()}".encode())


@contextmanager
def repair_lock(path: Path) -> Iterator[None]:
    """Lock out other processes while a journal is repaired. Raises JournalUnavailableError while another process
    repairs it, or if files can't be made."""
    try:
        lock = SessionLock(path, _REPAIR_LOCK)
    except JournalUnavailableError:
        raise
    except JournalError:
        raise JournalUnavailableError(f"the journal {path} is being recovered by another oscservice: wait") from None
    try:
        yield
    finally:
        lock.release()


def _lock_file(journal: Path, session_id: str) -> Path:
    """Return the file of a session's lock: one, however the journal is named. Raises ValueError for a name that can't
    be part of a path."""
    real = journal.resolve()
    return real.with_name(f"{real.name}.{session_id}.lock")


def _file_lock(path: Path) -> FileLock:
    # A soft lock would outlive a killed process.
    return FileLock(path, _WAIT_S, 0o600, thread_local=False, poll_interval=0.002, fallback_to_soft=False)


def _process_id(path: Path) -> str:
    try:
        with path.open("rb", buffering=0) as file:
            file.seek(1)
            return file.read(20).decode("ascii", "replace") or "unknown"
    except OSError:
        return "unknown"
