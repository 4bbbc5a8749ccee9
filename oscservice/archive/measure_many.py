"""Many recordings measured: each at most once, in any order, on one core, on many, or on many machines."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from oscservice.archive.estimator_version import estimator, fingerprint
from oscservice.archive.file_measurement import MeasuredFile, Task, TaskResult, from_text
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
    """What came of a file.

    Attributes:
        measured: what is in it; None when it could not be read.
        fault: one line, without the path, why not.
        sha256: of the file's bytes, in hex; empty when they could not be read.
        cached: whether it was measured before and only looked up now.
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
    """Outcomes in the order of ``wanted``, whatever order they were measured in, the same wherever they were measured.

    Args:
        wanted: the files. A fault of one is told in its outcome and costs the others nothing.
        jobs: how many are read or measured at a time, each on a core of its own.
        cluster: address of a Dask scheduler whose workers measure (files that are too large for that: this machine);
            empty: this machine.
        cache: where results are looked up, and kept as they come; None: nowhere.
        done: called as files finish, with the number so far.

    Raises:
        InputError: the cluster can't be used.
    """
    run = _Run(wanted, cache, done)
    for start in range(0, len(wanted), _LOOKED_UP_AT_ONCE):
        run.look_up(range(start, min(start + _LOOKED_UP_AT_ONCE, len(wanted))), jobs)
    try:
        with closing(_results(run.tasks, jobs, cluster)) as results:  # also when it is broken off
            for at, result in results:
                run.measured(at, result)
    finally:
        run.keep()
    return [run.outcomes[number] for number in range(len(wanted))]


@dataclass
class _Run:
    """Files on their way from wanted to measured. ``tasks`` are those not found in the cache, each with its files:
    several, when they hold the same."""

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
        """Take what is in the cache; the rest become tasks."""
        now = fingerprint(estimator())
        digests = sha256_of_each([self.wanted[number].path for number in numbers], jobs)
        keys = [
            key_of(digest, self.wanted[number].path.suffix, self.wanted[number].expected_hz, now)
            for number, digest in zip(numbers, digests, strict=True)
        ]
        known = self.cache.find(keys) if self.cache is not None else {}
        for number, digest, key in zip(numbers, digests, keys, strict=True):
            if key in known:
                self._finish(number, FileOutcome(from_text(known[key]), sha256=digest, cached=True))
            elif digest and key in self._task_of:
                self._numbers[self._task_of[key]].append(number)
            else:
                self._task_of[key] = len(self.tasks)
                self._numbers.append([number])
                self._keys.append(key)
                self.tasks.append(Task(self.wanted[number].path, self.wanted[number].expected_hz, digest))

    def measured(self, at: int, result: TaskResult) -> None:
        """Take what came of a task."""
        sha256 = self.tasks[at].sha256
        measured = None if result.fault else from_text(result.text)
        for number in self._numbers[at]:
            self._finish(number, FileOutcome(measured, result.fault, sha256))
        if measured is not None:
            self._unkept.append((self._keys[at], result.text))
        if len(self._unkept) >= _KEPT_AT_ONCE:
            self.keep()

    def keep(self) -> None:
        """Put into the cache what isn't there yet."""
        if self.cache is not None and self._unkept:
            self.cache.keep(self._unkept)
        self._unkept = []

    def _finish(self, number: int, outcome: FileOutcome) -> None:
        self.outcomes[number] = outcome
        if self.done is not None:
            self.done(len(self.outcomes))


def _results(tasks: Sequence[Task], jobs: int, cluster: str) -> Generator[tuple[int, TaskResult], None, None]:
    """Number of each task and its result, in any order."""
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
