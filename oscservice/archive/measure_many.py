"""Many recordings measured, each at most once: on one core, on many, or on many machines."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from oscservice.archive.file_measurement import (
    MeasuredFile,
    Task,
    TaskResult,
    fingerprint,
    from_text,
    measured_with,
)
from oscservice.archive.process_pool import on_cores
from oscservice.archive.result_cache import Cache, key_of, sha256_of_each

_LOOKED_UP_AT_ONCE = 500
_KEPT_AT_ONCE = 32


@dataclass(frozen=True)
class Wanted:
    """One file to measure; ``expected_hz`` as in ``measure_file``."""

    path: Path
    expected_hz: tuple[float, ...] = ()


@dataclass(frozen=True)
class FileOutcome:
    """The outcome for one file.

    Attributes:
        measured: its notes; None when it could not be read.
        fault: the reason in one line, without the path.
        sha256: of the file's bytes, in hex; empty when they could not be read.
        cached: the result came from the cache.
    """

    measured: MeasuredFile | None
    fault: str = ""
    sha256: str = ""
    cached: bool = False


def measure_many(
    wanted: Sequence[Wanted],
    *,
    jobs: int = 1,
    cluster: str = "",
    cache: Cache | None = None,
    done: Callable[[int], None] | None = None,
) -> list[FileOutcome]:
    """Return the outcomes in the order of ``wanted``: the same bits wherever and in whatever order they were measured.

    Args:
        wanted: the files. A fault of one is reported in its outcome; the others are measured all the same.
        jobs: number of files read or measured at a time, each on a core of its own.
        cluster: address of a Dask scheduler whose workers measure; files too large to send are measured here. Empty:
            all are measured here.
        cache: where results are looked up, and stored as they come; None: nowhere.
        done: called as files finish, with the number so far.

    Raises:
        InputError: the cluster can't be used.
    """
    run = _Run(wanted, cache, done)
    for start in range(0, len(wanted), _LOOKED_UP_AT_ONCE):
        run.look_up(range(start, min(start + _LOOKED_UP_AT_ONCE, len(wanted))), jobs)
    try:
        with closing(_results(run.tasks, jobs, cluster)) as results:  # closed too when it is interrupted
            for at, result in results:
                run.measured(at, result)
    finally:
        run.keep()
    return [run.outcomes[number] for number in range(len(wanted))]


@dataclass
class _Run:
    """One call of ``measure_many``. ``tasks`` are the files not found in the cache; files of the same content share a
    task."""

    wanted: Sequence[Wanted]
    cache: Cache | None
    done: Callable[[int], None] | None
    outcomes: dict[int, FileOutcome] = field(default_factory=dict)
    tasks: list[Task] = field(default_factory=list)
    _numbers: list[list[int]] = field(default_factory=list)
    _keys: list[bytes] = field(default_factory=list)
    _task_of: dict[bytes, int] = field(default_factory=dict)
    _unkept: list[tuple[bytes, str]] = field(default_factory=list)

    def look_up(self, numbers: Sequence[int], jobs: int) -> None:
        """Finish the files that are in the cache; make tasks of the others."""
        estimator = fingerprint(measured_with())
        digests = sha256_of_each([self.wanted[number].path for number in numbers], jobs)
        keys = [
            key_of(digest, self.wanted[number].path.suffix, self.wanted[number].expected_hz, estimator)
            for number, digest in zip(numbers, digests, strict=True)
        ]
        known = self.cache.find(keys) if self.cache is not None else {}
        for number, digest, key in zip(numbers, digests, keys, strict=True):
            measured = _readable(known.get(key, ""))
            if measured is not None:
                self._finish(number, FileOutcome(measured, sha256=digest, cached=True))
            elif digest and key in self._task_of:
                self._numbers[self._task_of[key]].append(number)
            else:
                self._task_of[key] = len(self.tasks)
                self._numbers.append([number])
                self._keys.append(key)
                self.tasks.append(Task(self.wanted[number].path, self.wanted[number].expected_hz, digest))

    def measured(self, at: int, result: TaskResult) -> None:
        """Take the result of a task."""
        sha256 = self.tasks[at].sha256
        measured = None if result.fault else from_text(result.text)
        for number in self._numbers[at]:
            self._finish(number, FileOutcome(measured, result.fault, sha256))
        if measured is not None:
            self._unkept.append((self._keys[at], result.text))
        if len(self._unkept) >= _KEPT_AT_ONCE:
            self.keep()

    def keep(self) -> None:
        """Put the new results into the cache."""
        if self.cache is not None and self._unkept:
            self.cache.keep(self._unkept)
        self._unkept = []

    def _finish(self, number: int, outcome: FileOutcome) -> None:
        self.outcomes[number] = outcome
        if self.done is not None:
            self.done(len(self.outcomes))


def _readable(text: str) -> MeasuredFile | None:
    """Return the measured file of a cached text; None for none, or one in an older form."""
    try:
        return from_text(text)
    except ValueError:
        return None


def _results(tasks: Sequence[Task], jobs: int, cluster: str) -> Generator[tuple[int, TaskResult], None, None]:
    """Yield the number of each task and its result, in any order."""
    here = list(range(len(tasks)))
    if cluster and tasks:
        from oscservice.archive.dask_cluster import is_shipped, on_cluster

        there = [number for number in here if is_shipped(tasks[number])]
        here = [number for number in here if not is_shipped(tasks[number])]
        yield from _renumbered(on_cluster([tasks[number] for number in there], cluster), there)
    yield from _renumbered(on_cores([tasks[number] for number in here], jobs), here)


def _renumbered(results: Iterator[tuple[int, TaskResult]], numbers: Sequence[int]) -> Iterator[tuple[int, TaskResult]]:
    for at, result in results:
        yield numbers[at], result
