"""Tasks on the cores of this machine. A process that dies costs a retry; a file that always kills its own is told.

joblib's loky keeps the processes: started afresh and not forked, so that no thread or lock is carried along, and it is
noticed when one dies.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor

from joblib import Parallel, delayed

from oscservice.archive.file_measurement import Task, TaskResult, measure

TRIES = 3
"""How often a file is measured alone whose process may have died of it."""

Work = Callable[[Task], TaskResult]


def on_cores(tasks: Sequence[Task], jobs: int, work: Work = measure) -> Iterator[tuple[int, TaskResult]]:
    """Number of each task and its result, as they finish.

    With one job all is done in this process, which then dies of a file that kills. ``work`` has to be importable.
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
        except BrokenExecutor:  # one of those under way did it, or none of them: each shows it alone
            for number in sorted(under_way - finished):
                finished.add(number)
                yield number, _alone(tasks[number], work)
        waiting = [number for number in waiting if number not in finished]


Call = tuple[Callable[..., tuple[int, TaskResult]], tuple[object, ...], dict[str, object]]


def _taken(waiting: Sequence[int], under_way: set[int], tasks: Sequence[Task], work: Work) -> Iterator[Call]:
    for number in waiting:
        under_way.add(number)
        yield delayed(_numbered)(number, tasks[number], work)


def _numbered(number: int, task: Task, work: Work) -> tuple[int, TaskResult]:
    return number, work(task)


def _together(calls: Iterator[Call], jobs: int) -> Iterator[tuple[int, TaskResult]]:
    """Results as they come. Few calls are under way at a time, so that few are in doubt when a process dies."""
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


def _alone(task: Task, work: Work) -> TaskResult:
    for _ in range(TRIES):
        try:
            # Of two processes one has nothing to do: with a single job joblib would measure in this one.
            return next(_together(iter([delayed(_numbered)(0, task, work)]), jobs=2))[1]
        except BrokenExecutor:
            continue
    return TaskResult(
        fault=f"measuring it ended its process {TRIES} times (too little memory, or a fault in a library)"
    )
