"""How an OSC address is declared: which way it goes, its arguments, and one line of text."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from oscservice.session.commands import POSSIBLE, Command
from oscservice.session.vocabulary import Phase


class Direction(StrEnum):
    """Which way an address goes, and when."""

    STATE = "state"
    LIVE = "live"
    RESULT = "result"
    ADVICE = "advice"
    EVENT = "event"
    SERVICE = "service"
    CLIENT = "client"
    COMMAND = "command"
    ANSWER = "answer"

    @property
    def incoming(self) -> bool:
        """Whether clients send it to the daemon."""
        return self in (Direction.CLIENT, Direction.COMMAND)


@dataclass(frozen=True)
class Argument:
    """One argument: its tag (``i``, ``f``, ``s``), unit, inclusive range or the words it may be.

    ``or_zero``: 0 may stand for the usual, outside the range. ``place``: the string is a place on the neck.
    """

    name: str
    tag: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    words: tuple[str, ...] = ()
    optional: bool = False
    switch: bool = False
    or_zero: bool = False
    place: bool = False

    @property
    def range_text(self) -> str:
        """The range in words: ``0 to 20000``, ``0 or more``, ``open, harmonic``; empty if there is none."""
        if self.or_zero:
            return f"0, or {replace(self, or_zero=False).range_text}"
        if self.words:
            return ", ".join(self.words)
        if self.switch:
            return "0 or 1"
        if self.low is not None and self.high is not None:
            return f"{self.low:g} to {self.high:g}"
        if self.low is not None:
            return f"{self.low:g} or more"
        return f"{self.high:g} or less" if self.high is not None else ""


@dataclass(frozen=True)
class Address:
    """One address: its path relative to the root, direction, arguments and one line of text.

    ``answer`` names what follows the address in the ``/reply`` to an incoming message; ``simulated`` marks a command
    that only the simulated source takes; ``rest`` that any further arguments may follow; ``command`` is
    what it asks of the session, whose phases are its own.
    """

    path: str
    direction: Direction
    arguments: tuple[Argument, ...]
    text: str
    answer: tuple[Argument, ...] = ()
    simulated: bool = False
    rest: bool = False
    command: type[Command] | None = None

    @property
    def tags(self) -> str:
        """Type tags as the reference shows them: ``ssf?``, ``s…``, empty for none."""
        return "".join(a.tag + ("?" if a.optional else "") for a in self.arguments) + ("…" if self.rest else "")

    @property
    def phases(self) -> tuple[str, ...]:
        """The phases in which it is possible, in their usual order; none for one that is possible in any."""
        return () if self.command is None else tuple(str(one) for one in Phase if one in POSSIBLE[self.command])

    @property
    def placeholders(self) -> tuple[str, ...]:
        """Names in braces, in order: ``("string", "fret")``."""
        return tuple(part[1:-1] for part in self.path.split("/") if part.startswith("{"))

    @property
    def trigger(self) -> bool:
        """Whether a bare press of a button is enough to call it: no argument that must be there, and no number."""
        return self.direction.incoming and all(a.optional and a.tag == "s" for a in self.arguments)

    def fill(self, **values: int | str) -> str:
        """The relative address with its placeholders filled in. Raises KeyError if one is missing."""
        return self.path.format_map(values)
