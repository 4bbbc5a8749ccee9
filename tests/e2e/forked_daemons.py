"""Daemons that start fast, to be killed: a process with all imports done forks one for each line of its input.

The guitar has a process of its own, so that its state survives the daemon. The daemon is the real one: its serve, its
socket, its journal. Only its guitar is in another process.

Run as a script: forked_daemons.py JOURNAL INSTRUMENT SEED RATE_HZ. Each line of input starts a daemon. Lines on
standard output: "pid N", the daemon's own lines, and "gone N" when it has ended.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
import traceback
import unittest.mock
from multiprocessing.connection import Client, Connection, Listener
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oscservice.cli.console import print_at_once
from oscservice.daemon import app as run
from oscservice.daemon.simulated_source import rehearsal_guitar
from oscservice.instrument.instrument_file import load_instrument
from oscservice.settings import ServeSettings

GUITAR = "guitar.socket"
RESET = "set up again"


class RemoteGuitar:
    """A guitar in another process, which carries out each call."""

    def __init__(self, address: str) -> None:
        self._line: Connection[Any, Any] = Client(address, "AF_UNIX")
        self.sample_rate_hz: float = self.ask("sample_rate_hz")
        self.channels: int = self.ask("channels")

    def ask(self, name: str, *values: Any, **named: Any) -> Any:
        self._line.send((name, values, named))
        answer = self._line.recv()
        if isinstance(answer, ValueError):
            raise answer
        return answer

    def pluck(self, string: int, place: Any, strength_mm: float = 1.0) -> None:
        self.ask("pluck", string, place, strength_mm)

    def turn_peg(self, string: int, cents: float) -> None:
        self.ask("turn_peg", string, cents)

    def slacken(self, string: int) -> None:
        self.ask("slacken", string)

    def set_clamp(self, string: int | None, closed: bool) -> None:
        self.ask("set_clamp", string, closed)

    def turn_fine_tuner(self, string: int, cents: float) -> float:
        return float(self.ask("turn_fine_tuner", string, cents))

    def fine_tuner_at(self, string: int) -> float:
        return float(self.ask("fine_tuner_at", string))

    def centre_fine_tuners(self) -> None:
        self.ask("centre_fine_tuners")

    def stretch(self, string: int) -> None:
        self.ask("stretch", string)

    def move_saddle(self, string: int, mm: float, *, clamp: bool = True) -> None:
        self.ask("move_saddle", string, mm, clamp=clamp)

    def damp(self, string: int | None) -> None:
        self.ask("damp", string)

    def open_hz(self, string: int) -> float:
        return float(self.ask("open_hz", string))

    def error_cents(self, string: int) -> float:
        return float(self.ask("error_cents", string))

    def render(self, frames: int) -> NDArray[np.float32]:
        samples: NDArray[np.float32] = self.ask("render", frames)
        return samples


def keep_guitar(listener: Listener, instrument: str, seed: int, rate_hz: float) -> None:
    """Run the guitar's process: it answers one daemon after another, for ever."""
    guitar = rehearsal_guitar(load_instrument(instrument), seed, rate_hz)
    while True:
        # Daemons are killed in the middle of a question, or of its answer.
        with contextlib.suppress(EOFError, OSError), listener.accept() as line:
            while True:
                name, values, named = line.recv()
                try:
                    if name == RESET:
                        guitar = rehearsal_guitar(load_instrument(instrument), *values, rate_hz)
                        line.send(None)
                        continue
                    found = getattr(guitar, name)
                    line.send(found(*values, **named) if callable(found) else found)
                except ValueError as error:
                    line.send(error)


def serve_once(settings: ServeSettings, address: str) -> None:
    """Run one daemon to its end."""

    def remote_guitar(*_: object, **__: object) -> RemoteGuitar:
        return RemoteGuitar(address)

    with unittest.mock.patch.object(run, "rehearsal_guitar", remote_guitar):
        asyncio.run(run.serve(settings, print_at_once))


def main(journal: Path, instrument: str, seed: int, rate_hz: int) -> None:
    address = str(journal.with_name(GUITAR))
    listener = Listener(address, "AF_UNIX")
    guitar = os.fork()
    if guitar == 0:
        keep_guitar(listener, instrument, seed, float(rate_hz))
    settings = ServeSettings(
        source="simulated",
        rate=rate_hz,
        port=0,
        journal=journal,
        instrument=instrument,
        resume=True,
        stepped=True,
    )
    try:
        for _ in sys.stdin:
            child = os.fork()
            if child == 0:
                os.close(0)
                try:
                    serve_once(settings, address)
                except BaseException:
                    traceback.print_exc()
                os._exit(0)  # the code below is only for the parent
            print(f"pid {child}", flush=True)
            os.waitpid(child, 0)
            print(f"gone {child}", flush=True)
    finally:
        os.kill(guitar, signal.SIGKILL)
        os.waitpid(guitar, 0)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
