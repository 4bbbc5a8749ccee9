"""Standard output that may lose its reader, or know too few characters."""

from __future__ import annotations

import contextlib
import io
import os
import sys


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
