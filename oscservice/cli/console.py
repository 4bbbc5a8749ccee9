"""The terminal: tables and lines for a person, a progress bar, and output that may lose its reader.

rich is imported where it is used, so that a command that prints one line starts quickly.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

PIPED_WIDTH = 120


def wide_console(piped_width: int = PIPED_WIDTH) -> Console:
    """Return standard output as wide as the terminal; ``piped_width`` characters if it goes to a file or a program."""
    from rich.console import Console

    return Console(width=None if sys.stdout.isatty() else piped_width)


def say(console: Console, text: str, *, soft_wrap: bool = False) -> None:
    """Print text as it is: brackets are no markup, numbers get no colour.

    Args:
        soft_wrap: leave breaking long lines to the terminal.
    """
    console.print(text, highlight=False, markup=False, soft_wrap=soft_wrap)


def plain_table(*columns: str, right: Collection[str] = (), fixed: Collection[str] = (), title: str = "") -> Table:
    """Return an empty table with a line under its head and no frame.

    Args:
        columns: headings of the columns, from the left.
        right: headings of the columns that are justified to the right.
        fixed: headings of the columns whose cells are never broken into lines.
        title: the line over the table; empty for none.
    """
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(title=title or None, title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for column in columns:
        table.add_column(column, justify="right" if column in right else "left", no_wrap=column in fixed)
    return table


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int | None], None]]:
    """Show a progress bar on standard error if it is a terminal, and remove it at the end.

    Yields a function of how many are done and how many there are (None: unknown). The bar appears at its first call.
    """
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    watched = sys.stderr.isatty()
    with Progress(*columns, console=Console(stderr=True), transient=True, disable=not watched) as progress:
        task = progress.add_task(label, total=None, visible=False)
        yield lambda done, total: progress.update(task, completed=done, total=total, visible=True)


def replace_unprintable_characters() -> None:
    """Print a question mark for a character that the terminal's encoding lacks, instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def print_at_once(line: str) -> None:
    """Print a line without waiting for more. Nothing is printed any more once standard output has lost its reader."""
    try:
        print(line, flush=True)
    except OSError:
        silence_stdout()


def silence_stdout() -> None:
    """Discard the buffer and all later output: the reader of standard output has gone."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
