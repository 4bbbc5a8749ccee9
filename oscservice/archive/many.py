"""Many recordings measured: each at most once, whatever order, on one core."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from oscservice.archive.cache import Cache, key_of
from oscservice.archive.content import sha256_of_each
from oscservice.archive.notes import MeasuredFile
from oscservice.archive.one import Result, Task, measure
from oscservice.archive.stored import from_text
from oscservice.archive.version import estimator, fingerprint

_KEPT_AT_ONCE = 32


@dataclass(frozen=True)
class Wanted:
    """One file to measure; ``expected_hz`` as in ``measure_file``."""

    path: Path
    expected_hz: tuple[float, ...] = ()


@dataclass(frozen=True)
class Outcome:
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
) -> list[Outcome]:
    """Outcomes in the order of ``wanted``, whatever order they were measured in.

    Args:
        wanted: the files.
        jobs: how many are measured at a time, each on a core of its own.
        cluster: address of a Dask scheduler whose workers do it instead; empty: this machine.
        cache: where results are looked up and kept; None: nowhere.
        done: called as files finish, with the number so far.

    Raises:
        InputError: the cluster can't be used.
    """
    outcomes: list[Outcome | None] = [None] * len(wanted)
    digests = sha256_of_each([one.path for one in wanted], jobs)
    ready = 0

    def finished(number: int, outcome: Outcome) -> None:
        nonlocal ready
        outcomes[number] = outcome
        ready += 1
        if done is not None:
            done(ready)

    keys = _keys(wanted, digests) if cache is not None else []
    known = cache.find(keys) if cache is not None else {}
    missing: list[int] = []
    for number in range(len(wanted)):
        text = known.get(keys[number]) if keys else None
        if text is None:
            missing.append(number)
        else:
            finished(number, Outcome(from_text(text), sha256=digests[number], cached=True))
    tasks = [Task(str(wanted[n].path), wanted[n].expected_hz, digests[n]) for n in missing]
    unkept: list[tuple[bytes, str]] = []
    try:
        for at, result in _results(tasks):
            number = missing[at]
            finished(number, _outcome(result, digests[number]))
            if cache is not None and result.text:
                unkept.append((keys[number], result.text))
                if len(unkept) >= _KEPT_AT_ONCE:
                    cache.keep(unkept)
                    unkept = []
    finally:
        if cache is not None:
            cache.keep(unkept)
    return [outcome for outcome in outcomes if outcome is not None]


def _keys(wanted: Sequence[Wanted], digests: Sequence[str]) -> list[bytes]:
    now = fingerprint(estimator())
    return [key_of(digest, one.path.suffix, one.expected_hz, now) for one, digest in zip(wanted, digests, strict=True)]


def _results(tasks: Sequence[Task]) -> Iterator[tuple[int, Result]]:
    """Number of each task and its result, in any order."""
    for at, task in enumerate(tasks):
        yield at, measure(task)


def _outcome(result: Result, sha256: str) -> Outcome:
    if result.fault:
        return Outcome(None, result.fault, sha256)
    return Outcome(from_text(result.text), sha256=sha256)
