"""Shared by commands: a progress bar, an output that may lose its reader, an instrument by name.

A progress bar on standard error, for work that takes its time.

Standard output that may lose its reader, or know too few characters.

An instrument as commands are told of it: a preset, or a file, whose kind of bridge may be a plug-in's.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.spec import Instrument
from oscservice.plugins.registry import InstalledKinds, Offer, Registry


@contextmanager
def bar(what: str) -> Iterator[Callable[[int, int | None], None]]:
    """A bar where somebody watches, from the first time it is told how many are done and how many there are (None: not
    known); gone at the end."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    watched = sys.stderr.isatty()
    with Progress(*columns, console=Console(stderr=True), transient=True, disable=not watched) as progress:
        task = progress.add_task(what, total=None, visible=False)
        yield lambda done, total: progress.update(task, completed=done, total=total, visible=True)


def write_what_can_be_written() -> None:
    """Print a question mark for a character that the terminal's encoding lacks, instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def silence_stdout() -> None:
    """Send what is printed from now on, and what still stands in the buffer, nowhere: its reader has gone."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def named_instrument(name_or_path: str) -> Instrument:
    """The instrument; a plug-in that fails is named on standard error. Raises InputError as ``load_instrument``."""

    def failed(offer: Offer, reason: str) -> None:
        print(f"oscservice: {offer} is disabled: {reason}", file=sys.stderr)

    return load_instrument(name_or_path, InstalledKinds(Registry(failed=failed)))
