"""Tasks on the cores of this machine. A process that dies costs a retry; a file that always kills its own is reported.

joblib's loky runs the processes: it starts them without fork, so that no thread or lock is copied, and notices when one
dies.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor

from joblib import Parallel, delayed

from oscservice.archive.file_measurement import Task, TaskResult, measure

TRIES = 3
"""Number of attempts to measure a file in a process of its own when it may have ended one."""

Work = Callable[[Task], TaskResult]


def on_cores(tasks: Sequence[Task], jobs: int, work: Work = measure) -> Iterator[tuple[int, TaskResult]]:
    """Yield the number of each task and its result, as they finish.

    One job runs in this process, which a deadly file then ends. ``work`` has to be importable.
    """
    if jobs == 1:
        for number, task in enumerate(tasks):
            yield number, work(task)
        return
    waiting = list(range(len(tasks)))
    while waiting:
        under_way: set[int] = set()
        finished: set[int] = set()
        try:
            for number, result in _together(_taken(waiting, under_way, tasks, work), jobs):
                finished.add(number)
                yield number, result
        except BrokenExecutor:  # any of those under way may be the cause: try each by itself
            for number in sorted(under_way - finished):
                finished.add(number)
                yield number, _by_itself(tasks[number], work)
        waiting = [number for number in waiting if number not in finished]


Call = tuple[Callable[..., tuple[int, TaskResult]], tuple[object, ...], dict[str, object]]


def _taken(waiting: Sequence[int], under_way: set[int], tasks: Sequence[Task], work: Work) -> Iterator[Call]:
    for number in waiting:
        under_way.add(number)
        yield delayed(_numbered)(number, tasks[number], work)


def _numbered(number: int, task: Task, work: Work) -> tuple[int, TaskResult]:
    return number, work(task)


def _together(calls: Iterator[Call], jobs: int) -> Iterator[tuple[int, TaskResult]]:
    """Yield results as they come. Few calls are under way at a time, so few have to be retried when a process dies."""
    parallel = Parallel(
        n_jobs=jobs,
        backend="loky",
        return_as="generator_unordered",
        batch_size=1,
        pre_dispatch="2*n_jobs",
        max_nbytes=None,
    )
    results: Iterator[tuple[int, TaskResult]] = parallel(calls)
    return results


def _by_itself(task: Task, work: Work) -> TaskResult:
    for _ in range(TRIES):
        try:
            # Two jobs, of which one is idle: with a single job joblib would measure in this process.
            return next(_together(iter([delayed(_numbered)(0, task, work)]), jobs=2))[1]
        except BrokenExecutor:
            continue
    return TaskResult(
        fault=f"measuring it ended its process {TRIES} times (too little memory, or a fault in a library)"
    )
