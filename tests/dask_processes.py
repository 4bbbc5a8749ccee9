"""A Dask scheduler and its workers as processes of their own, on this machine, at ports the system chooses."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

_WITHIN_S = 60.0


def until(what: Callable[[], bool], within_s: float = _WITHIN_S) -> None:
    """Wait until something is so; an AssertionError when it doesn't become so."""
    end_s = time.monotonic() + within_s
    while not what():
        assert time.monotonic() < end_s, "waited too long"
        time.sleep(0.05)


class Cluster:
    """A context manager. Workers have one thread each and no nanny: what is killed stays dead.

    ``allowed_failures``: how many deaths of workers Dask takes before it gives a task up.
    """

    def __init__(self, folder: Path, allowed_failures: int = 3) -> None:
        self._folder = folder
        self._environment = os.environ | {
            "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": str(allowed_failures),
            "DASK_TEMPORARY_DIRECTORY": str(folder),
            "TMPDIR": str(folder),  # who is killed cleans nothing up
        }
        self.workers: list[subprocess.Popen[bytes]] = []
        self.scheduler = self._start("scheduler", "dask_scheduler", "--host", "127.0.0.1", "--port", "0")
        until(self._is_up)
        self.address: str = json.loads((folder / "scheduler.json").read_text(encoding="utf-8"))["address"]

    def add_worker(self, preload: str = "") -> subprocess.Popen[bytes]:
        """One worker more, once it is known to the scheduler; ``preload`` is Python that it runs first."""
        name = f"worker{len(self.workers)}"
        more = ["--no-nanny", "--nthreads", "1", "--memory-limit", "0"]
        if preload:
            (self._folder / f"{name}.py").write_text(preload, encoding="utf-8")
            more += ["--preload", str(self._folder / f"{name}.py")]
        worker = self._start(name, "dask_worker", self.address, *more)
        until(lambda: "Registered to" in self._log(name))
        self.workers.append(worker)
        return worker

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()

    def _start(self, name: str, module: str, *options: str) -> subprocess.Popen[bytes]:
        more = ["--scheduler-file", str(self._folder / "scheduler.json")] if name == "scheduler" else []
        command = [sys.executable, "-m", f"distributed.cli.{module}", *options, *more, "--no-dashboard"]
        folders = [str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", "")]
        environment = self._environment | {"PYTHONPATH": os.pathsep.join(filter(None, folders))}
        with (self._folder / f"{name}.log").open("wb") as log:
            return subprocess.Popen(command, stdout=log, stderr=log, cwd=self._folder, env=environment)

    def _log(self, name: str) -> str:
        return (self._folder / f"{name}.log").read_text(encoding="utf-8")

    def _is_up(self) -> bool:
        file = self._folder / "scheduler.json"
        return file.exists() and file.read_text(encoding="utf-8").rstrip().endswith("}")
