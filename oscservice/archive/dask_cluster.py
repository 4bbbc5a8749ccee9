"""Tasks on the workers of an existing Dask scheduler. Each file is sent with its task: workers see no paths.

This uses Dask's own client, not joblib's Dask backend: that one (1.6) waits without end for a task that ends its
workers, and puts no limit on the bytes under way.
"""

from __future__ import annotations

import asyncio
import time
import uuid
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, Literal

from oscservice.archive.file_measurement import (
    CHANGED,
    Task,
    TaskResult,
    difference,
    measure_shipped,
    measured_with,
)
from oscservice.errors import InputError

SHIPPED_MOST_BYTES = 64 * 1024 * 1024
"""Larger files are measured here: a scheduler holds every task in its memory."""

_UNDER_WAY_BYTES = 256 * 1024 * 1024
_TASKS_A_THREAD = 3
_REACHED_WITHIN_S = 5
_WORKER_WITHIN_S = 30.0
_LOOK_EVERY_S = 2.0
_FETCHED_WITHIN_S = 30.0


def is_shipped(task: Task) -> bool:
    """Return True when a file is small enough to be sent. One that can't be read is reported where it is measured."""
    try:
        return task.path.is_file() and task.path.stat().st_size <= SHIPPED_MOST_BYTES
    except OSError:
        return False


def on_cluster(tasks: Sequence[Task], address: str) -> Iterator[tuple[int, TaskResult]]:
    """Yield the number of each task and its result, as they finish.

    When a worker dies, another one retries its tasks. Dask gives up a task after as many deaths as its scheduler allows
    (``allowed-failures``, 3). That task is then tried once more by itself. If its workers still die, the file has a
    fault.

    Raises:
        InputError: the scheduler can't be reached or was lost, has no worker, or a worker has another version.
    """
    with _client(address) as client:
        _compare_workers(client, address)
        given_up: list[int] = []
        for number, result in _Run(client, address).results(tasks, list(range(len(tasks)))):
            if result is None:
                given_up.append(number)
            else:
                yield number, result
        for again in given_up:
            for number, result in _Run(client, address).results(tasks, [again]):
                yield number, result or TaskResult(fault="measuring it ended every worker that tried")


class _Run:
    """Tasks that are sent to the workers a few at a time."""

    def __init__(self, client: Any, address: str) -> None:
        self._client = client
        self._address = address
        self._under_way: dict[Any, tuple[int, int]] = {}  # future: number of its task, bytes of its file
        self._ended: SimpleQueue[Any] = SimpleQueue()
        self._threads = 1
        self._deserted_s: float | None = None

    def results(self, tasks: Sequence[Task], numbers: Sequence[int]) -> Iterator[tuple[int, TaskResult | None]]:
        """Yield the results of these tasks; None for one that Dask has given up."""
        waiting = list(reversed(numbers))
        while waiting or self._under_way:
            self._count_threads()
            while waiting and self._may_send_more():
                number = waiting.pop()
                content = _content(tasks[number].path)
                if content is None:
                    yield number, TaskResult(fault=CHANGED)
                else:
                    self._send(number, tasks[number], content)
            for future in self._some_ended():
                match self._outcome(future):
                    case "pending":
                        future.add_done_callback(self._ended.put)
                    case "cancelled":
                        waiting.append(self._under_way.pop(future)[0])
                    case result:
                        yield self._under_way.pop(future)[0], result

    def _may_send_more(self) -> bool:
        sent = sum(size for _, size in self._under_way.values())
        return len(self._under_way) < _TASKS_A_THREAD * self._threads and sent < _UNDER_WAY_BYTES

    def _send(self, number: int, task: Task, content: bytes) -> None:
        key = f"oscservice-{number}-{uuid.uuid4().hex}"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about a large task: the bytes under way are limited here
            future = self._client.submit(_measured, task, content, measured_with(), key=key, pure=False)
        self._under_way[future] = (number, len(content))
        future.add_done_callback(self._ended.put)

    def _some_ended(self) -> list[Any]:
        """Return the futures that have ended in any way; none when nothing happened for a while."""
        try:
            ended = [self._ended.get(timeout=_LOOK_EVERY_S)]
        except Empty:
            self._require_a_worker()
            return []
        while not self._ended.empty():
            ended.append(self._ended.get())
        return ended

    def _outcome(self, future: Any) -> TaskResult | Literal["pending", "cancelled"] | None:
        """Return the result; None when Dask has given the task up; "pending" when the result was lost with its worker
        and is computed again; "cancelled" when the scheduler no longer knows the task."""
        dask = _dask()
        if future.status in ("pending", "lost"):
            return "pending"
        try:
            got: TaskResult | _Mismatch = future.result(timeout=_FETCHED_WITHIN_S)
        except TimeoutError:
            return "pending"
        except dask.CancelledError:
            return "cancelled"
        except dask.KilledWorker:
            return None
        except Exception as error:
            raise InputError(f"--cluster {self._address}: a worker can't do the work ({_line(error)})") from None
        if isinstance(got, _Mismatch):
            raise InputError(f"--cluster {self._address}: a worker {got}")
        return got

    def _count_threads(self) -> int:
        """Return the number of threads of all workers now; 0 when there is none."""
        try:
            threads = int(sum(self._client.nthreads().values()))
        except OSError:
            raise InputError(f"--cluster {self._address}: the scheduler was lost: start it, and run again") from None
        self._threads = max(1, threads)
        return threads

    def _require_a_worker(self) -> None:
        if self._count_threads():
            self._deserted_s = None
            return
        now = time.monotonic()
        self._deserted_s = self._deserted_s or now
        if now - self._deserted_s > _WORKER_WITHIN_S:
            raise InputError(f"--cluster {self._address}: no worker is left: start one, and run again")


class _Mismatch(str):
    """The difference in words that keeps a worker from measuring."""


def _measured(task: Task, content: bytes, wanted: dict[str, str]) -> TaskResult | _Mismatch:
    """Measure on a worker. It may have joined after the first comparison, with another version."""
    mismatch = difference(wanted, measured_with())
    return _Mismatch(_has(mismatch)) if mismatch else measure_shipped(task, content)


def _has(mismatch: str) -> str:
    return f"has {mismatch}: install the same everywhere, or results would differ"


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _dask() -> Any:
    try:
        import distributed
    except ImportError:
        raise InputError("--cluster needs Dask: pip install 'oscservice[cluster]'") from None
    return distributed


@contextmanager
def _client(address: str) -> Iterator[Any]:
    dask = _dask()
    try:
        # A client that can't connect needs long to fail and logs a lot: ask first for the kind of process.
        kind = asyncio.run(asyncio.wait_for(_kind(address), _REACHED_WITHIN_S))
    except TimeoutError:
        raise InputError(f"--cluster {address}: no Dask scheduler answers there") from None
    except Exception as error:  # any error from a malformed address, or from a program that is not Dask
        raise InputError(f"--cluster {address}: no Dask scheduler can be reached there ({_line(error)})") from None
    if kind != "Scheduler":
        raise InputError(f"--cluster {address}: that is no Dask scheduler but a {kind}")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about different versions, which are compared more strictly below
        client = dask.Client(address, timeout=_REACHED_WITHIN_S, set_as_default=False)
    try:
        yield client
    finally:
        client.close()


async def _kind(address: str) -> str:
    """Return the kind of a Dask process, as it reports it: "Scheduler" or "Worker"."""
    dask = _dask()
    args = dask.Security().get_connection_args("client")  # certificates from Dask's own settings
    async with dask.core.rpc(address, connection_args=args) as there:
        return str((await there.identity())["type"])


def _compare_workers(client: Any, address: str) -> None:
    """Require at least one worker, and that each measures as this machine does. Raises InputError."""

    # A local function: Dask sends its code, so it runs even where our modules are missing.
    def worker_is_measured_with() -> dict[str, str] | str:
        try:
            from oscservice.archive.file_measurement import measured_with
        except ImportError as error:
            return str(error)
        return measured_with()

    try:
        client.wait_for_workers(1, timeout=_WORKER_WITHIN_S)
    except TimeoutError:
        raise InputError(f"--cluster {address}: the scheduler has no worker: start one with `dask worker`") from None
    for worker, found in client.run(worker_is_measured_with, on_error="return").items():
        if isinstance(found, dict):
            mismatch = difference(measured_with(), found)
            if mismatch:
                raise InputError(f"--cluster {address}: {worker} {_has(mismatch)}")
        else:
            raise InputError(f"--cluster {address}: {worker} can't measure ({_line(found)}): install oscservice there")


def _line(error: object) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
