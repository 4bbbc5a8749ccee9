"""A progress bar on standard error, for work that takes its time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn


@contextmanager
def bar(what: str) -> Iterator[Callable[[int, int | None], None]]:
    """A bar where somebody watches, from the first time it is told how many are done and how many there are (None: not
    known); gone at the end."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    watched = sys.stderr.isatty()
    with Progress(*columns, console=Console(stderr=True), transient=True, disable=not watched) as progress:
        task = progress.add_task(what, total=None, visible=False)
        yield lambda done, total: progress.update(task, completed=done, total=total, visible=True)
