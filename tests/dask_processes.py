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

    Dask gives a task up at the second worker that dies of it.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._environment = os.environ | {
            "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1",
            "DASK_TEMPORARY_DIRECTORY": str(folder),
            "TMPDIR": str(folder),  # who is killed cleans nothing up
        }
        self._workers: list[subprocess.Popen[bytes]] = []
        self._plain: list[subprocess.Popen[bytes]] = []
        self.scheduler = self._start("scheduler", "dask_scheduler", "--host", "127.0.0.1", "--port", "0")
        until(self._is_up)
        self.address: str = json.loads((folder / "scheduler.json").read_text(encoding="utf-8"))["address"]

    def plain_workers(self, count: int) -> list[subprocess.Popen[bytes]]:
        """Return this number of workers, old ones first. All others end. The scheduler knows each change."""
        alive = [worker for worker in self._plain if worker.poll() is None]
        self._plain = alive[:count]
        for worker in self._workers:
            if worker not in self._plain:
                worker.kill()
                worker.wait()
        until(lambda: self._log("scheduler").count("Remove worker") == len(self._workers) - len(self._plain))
        self._plain += self.add_workers(count - len(self._plain))
        return list(self._plain)

    def add_workers(self, count: int = 1, preload: str = "") -> list[subprocess.Popen[bytes]]:
        """Start this number of workers and wait until the scheduler knows them. They run ``preload`` (Python) first."""
        more = ["--no-nanny", "--nthreads", "1", "--memory-limit", "0"]
        names = [f"worker{len(self._workers) + number}" for number in range(count)]
        added = []
        for name in names:
            file = self._folder / f"{name}.py"
            file.write_text(preload, encoding="utf-8")
            given = ["--preload", str(file)] if preload else []
            added.append(self._start(name, "dask_worker", self.address, *more, *given))
        self._workers += added
        for name in names:
            until(lambda name=name: "Registered to" in self._log(name))
        return added

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for process in (*self._workers, self.scheduler):
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
