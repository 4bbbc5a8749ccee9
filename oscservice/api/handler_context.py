"""Requests that the handlers of addresses make of the daemon, and of the simulated guitar."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, TypeAlias

from oscservice.advice.remaining_errors import StringRemains
from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.osc.packet import Value
from oscservice.session import commands as cm

Reply: TypeAlias = Sequence[Value]
"""The values after the address in a reply."""


class Simulator(Protocol):
    """A simulated guitar, played by commands. Methods raise ValueError for what is not possible."""

    def pluck(self, string: int, place: Place, pull_mm: float) -> None:
        """Pluck a string that is pulled aside by ``pull_mm``."""

    def turn_peg(self, string: int, cents: float) -> None:
        """Turn a tuner; + up."""

    def slacken(self, string: int) -> None:
        """Slacken a string completely."""

    def set_clamp(self, string: int, closed: bool) -> None:
        """Close or open the nut clamp over a string, or all clamps: string 0."""

    def turn_fine_tuner(self, string: int, cents: float) -> tuple[float, float]:
        """Turn a fine tuner, + up, as far as it goes. Return the cents done, and its place, 0 to 1."""

    def centre_fine_tuners(self) -> None:
        """Turn all fine tuners to the middle of their travel."""

    def stretch(self, string: int) -> None:
        """Pull a string along its length, so that it is stretched in."""

    def move_saddle(self, string: int, mm: float, clamp: bool = True) -> None:
        """Move a saddle, + away from the nut, and tighten its clamp again or leave it loose."""

    def damp(self) -> None:
        """Stop all strings."""

    def wait(self, seconds: float) -> None:
        """Let time pass."""

    def truth(self, string: int) -> tuple[float, float]:
        """Return a string's true open frequency in Hz and its true error at fret 12 in cents."""


class CommandContext(Protocol):
    """Requests that handlers make of the daemon. Their effects are announced after the answer.

    Attributes:
        tolerance_cents: tolerance of a session that is begun without one.
    """

    @property
    def tolerance_cents(self) -> float: ...

    @property
    def simulator(self) -> Simulator | None: ...

    def status(self) -> Reply:
        """Return the status of the daemon, as ``/status`` answers it."""

    def instrument(self, name: str) -> Instrument:
        """Return an instrument by its name. Raises InputError."""

    def last_sealed(self, instrument: Instrument) -> str:
        """Return how an instrument's last sealed session, if possible in this tuning, left it, as JSON; empty if there
        is none. Raises JournalError."""

    def carry_out(self, command: cm.Command) -> str:
        """Decide and commit a command to the session; return the session's id. Raises Refused."""

    def resume(self, session_id: str) -> None:
        """Continue an open session. Raises Refused or JournalError."""

    def listen(self, command: cm.Listen) -> None:
        """Use what is heard from now on, or ignore it."""

    def set_bend_range(self, semitones: int) -> None:
        """Set the range of pitch bends; 0: no bends are sent."""

    def check_sets(self) -> list[str]:
        """Return the names of the sets of recordings that can be checked."""

    def run_check(self, name: str) -> None:
        """Begin to check a set of recordings. Raises OscRefusal."""

    def stop_check(self) -> None:
        """Stop the check of recordings, if one is running."""

    def remaining(self, string: int) -> StringRemains:
        """Return the errors left on a string. Raises Refused."""
