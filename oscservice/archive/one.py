"""One file of an archive, measured: what runs in whichever process does the work, here or on another machine."""

from __future__ import annotations

import tempfile
import threading
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from threadpoolctl import ThreadpoolController

from oscservice.archive.content import sha256_of
from oscservice.archive.notes import measure_file
from oscservice.archive.stored import to_text
from oscservice.errors import InputError

# Limits of threads belong to the whole process, and threads that overlap undo each other's.
_one_at_a_time = threading.Lock()

CHANGED = "the file changed while it was measured: run again when it is finished"


@lru_cache(maxsize=1)
def _libraries() -> ThreadpoolController:
    """The linear algebra of this process; all that measuring needs has been loaded with this module."""
    return ThreadpoolController()


@dataclass(frozen=True)
class Task:
    """A file to measure. ``sha256`` is what its bytes had when the task was made."""

    path: Path
    expected_hz: tuple[float, ...]
    sha256: str


@dataclass(frozen=True)
class Result:
    """What came of it: ``text`` as ``stored`` has it, or ``fault``, one line without the path."""

    text: str = ""
    fault: str = ""


def measure(task: Task) -> Result:
    """Measure the file of a task. Whatever is wrong with the file is a fault of its own.

    Linear algebra has one thread meanwhile: how a sum is split shows in its last bit, and the other cores have files of
    their own. Threads of one process take turns.
    """
    try:
        with _one_at_a_time, _libraries().limit(limits=1):
            measured = measure_file(task.path, task.expected_hz)
    except InputError as error:
        return Result(fault=str(error).removeprefix(f"{task.path}: "))
    except Exception as error:  # a mistake of ours, which must not cost the other files
        return Result(fault=f"it could not be measured ({type(error).__name__}: {' '.join(str(error).split())})")
    if sha256_of(task.path) != task.sha256:
        return Result(fault=CHANGED)
    return Result(text=to_text(measured))


def measure_shipped(task: Task, content: bytes) -> Result:
    """The same where the file isn't: its bytes lie in a temporary folder while they are measured."""
    with tempfile.TemporaryDirectory(prefix="oscservice-") as folder:
        path = Path(folder) / f"shipped{task.path.suffix}"
        path.write_bytes(content)
        return measure(replace(task, path=path))
