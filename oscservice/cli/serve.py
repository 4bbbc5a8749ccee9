"""``oscservice serve``: the daemon, one line on standard output for each change of state."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sys

from oscservice.cli.output import silence_stdout
from oscservice.configured.file import Configured
from oscservice.daemon.run import serve
from oscservice.settings import ServeSettings


def serve_command(settings: ServeSettings, configured: Configured) -> None:
    """Run the daemon, with its bindings and listeners, until SIGINT or SIGTERM.

    Raises OscserviceError if it can't be started.
    """
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="oscservice: %(levelname)s: %(message)s")
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(serve(settings, tell, configured))


def tell(line: str) -> None:
    """Print one line at once, for a person or a program that reads along. The daemon goes on when nobody does."""
    try:
        print(line, flush=True)
    except OSError:
        silence_stdout()
