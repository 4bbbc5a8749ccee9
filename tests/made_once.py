"""What takes its time is made once in a run of the tests: by the first process that asks; the others read it."""

from __future__ import annotations

import hashlib
import os
import pickle
from collections.abc import Callable
from functools import cache, wraps
from pathlib import Path
from typing import ParamSpec, TypeVar

from filelock import FileLock

FOLDER = "OSCSERVICE_MADE_ONCE"
"""Environment variable with the folder that the processes of a run share; without it each process makes its own. All
that uses one folder has to be the same version of the code."""

_Given = ParamSpec("_Given")
_Made = TypeVar("_Made")


def made_once(make: Callable[_Given, _Made]) -> Callable[_Given, _Made]:
    """Return a function that makes the same, each result once in a run.

    The result can be pickled; it depends on the arguments alone, whose ``repr`` tells them apart.
    """

    @cache
    @wraps(make)
    def made(*given: _Given.args, **more: _Given.kwargs) -> _Made:
        folder = os.environ.get(FOLDER)
        if folder is None:
            return make(*given, **more)
        of_given = hashlib.sha256(repr((given, more)).encode()).hexdigest()
        path = Path(folder) / f"{make.__module__}.{make.__qualname__}-{of_given}.pickle"
        with FileLock(path.with_suffix(".lock")):
            if path.exists():
                found: _Made = pickle.loads(path.read_bytes())
                return found
            result = make(*given, **more)
            part = path.with_suffix(".part")
            part.write_bytes(pickle.dumps(result))
            part.rename(path)
            return result

    return made
