"""Addresses: the declaration of one, the table of all of them, and the address space there is now. Pure.

Addresses in a table are relative to a root, which the address space adds. A name in braces, as in
``/string/{string}/cents``, is a placeholder. Type tags are OSC 1.0's ``i`` (int32), ``f`` (float32) and ``s`` (string).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any, TypeAlias

import numpy as np

from oscservice.osc.packet import Value
from oscservice.osc.pattern import Pattern
from oscservice.osc.peer import Peer

Values: TypeAlias = Mapping[str, Sequence[Value | np.generic]]
"""Arguments by relative address: ``{"/phase": ("tuning",), "/string/3/cents": (-2.5,)}``."""

_NUMBER = re.compile("[1-9][0-9]{0,8}")
_WORD = re.compile("[a-z][a-z0-9_]{0,30}")


@dataclass(frozen=True)
class Direction:
    """A kind of address: who sends it, and how its values are sent.

    Attributes:
        name: its name in the reference and in the query protocol.
        incoming: clients send it, and the server carries it out. All others are sent by the server.
        answer: it is sent in answer, to one client only.
        live: its values change all the time, so they are thinned.
        event: each of its values counts, so none is left out.
        kept: the server keeps its newest value for the query protocol, because the snapshot does not hold it.
        critical: clients should send it over TCP.
    """

    name: str
    incoming: bool = False
    answer: bool = False
    live: bool = False
    event: bool = False
    kept: bool = False
    critical: bool = False

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True)
class Argument:
    """One argument: its tag (``i``, ``f``, ``s``), unit, inclusive range or the words it may be.

    Attributes:
        or_zero: 0 may be given for the default, outside the range.
        check: raises ValueError, with one line of text, for a string that is not allowed.
        read: returns the number that a text stands for, such as ``0.008 in``, or raises ValueError with one line of
            text; a number that has it may also come as a string.
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
    check: Callable[[str], object] | None = None
    read: Callable[[str], float] | None = None

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

    def __str__(self) -> str:
        bounds = f"one of {', '.join(self.words)}" if self.words else self.range_text
        notes = ", ".join(note for note in (self.unit, bounds) if note)
        notes += ", or a text with its unit" if self.read is not None else ""
        return self.name + (f" ({notes})" if notes else "") + (", optional" if self.optional else "")


def arguments_text(arguments: Iterable[Argument]) -> str:
    """Arguments in words: ``tolerance (cents, 0.1 to 20), optional``; semicolons between them."""
    return "; ".join(map(str, arguments))


@dataclass(frozen=True, eq=False)
class Address:
    """One address: its path relative to the root, direction, arguments and one line of text.

    Attributes:
        answer: what follows the address in the ``/reply`` to an incoming message.
        handler: carries out an incoming message. The server itself carries out those of :mod:`subscriptions`.
        rest: any further arguments may follow, of the type of the last; where the address has a placeholder, there is
            one argument for each value of it.
        cost: how many calls a message to it counts as.
        group: heading in the reference, if it is not the direction's.
    """

    path: str
    direction: Direction
    arguments: tuple[Argument, ...]
    text: str
    answer: tuple[Argument, ...] = ()
    handler: Handler | None = None
    rest: bool = False
    cost: int = 1
    group: str = ""

    @property
    def tags(self) -> str:
        """Type tags as the reference shows them: ``ssf?``, ``s…``, empty for none."""
        return "".join(a.tag + ("?" if a.optional else "") for a in self.arguments) + ("…" if self.rest else "")

    @property
    def meaning(self) -> str:
        """The line of text, and the values of the answer."""
        return self.text + (f" Answer: {arguments_text(self.answer)}." if self.answer else "")

    @property
    def placeholders(self) -> tuple[str, ...]:
        """Names in braces, in order: ``("string", "fret")``."""
        return tuple(part[1:-1] for part in self.path.split("/") if part.startswith("{"))

    @property
    def trigger(self) -> bool:
        """True if a bare press of a button is enough to call it: no argument is required, and none is a number."""
        return self.direction.incoming and all(a.optional and a.tag == "s" for a in self.arguments)

    def fill(self, **values: int | str) -> str:
        """Return the relative address with its placeholders filled in. Raises KeyError if one is missing."""
        return self.path.format_map(values)


@dataclass(frozen=True)
class Call:
    """One concrete address that a message asks for, with its checked arguments: exactly the declared types.

    Attributes:
        concrete: the whole address, root included.
        params: the numbers that its placeholders have.
    """

    concrete: str
    address: Address
    params: dict[str, int]
    args: tuple[Value, ...]


Handler: TypeAlias = Callable[[Any, Call, Peer], Sequence[Value | np.generic]]
"""Carries out a call: context, call, sender. Returns what follows the address in the reply, or raises OscRefusal. The
context is what the server was made with. A handler runs on the event loop and must not wait."""


@dataclass(frozen=True)
class Placeholder:
    """Values of a placeholder: a whole number from 1 to ``most``, or, if that is 0, a word."""

    most: int = 0

    def read(self, text: str) -> int | str | None:
        """Return the value that a part of an address gives it; None for a part that it can't be."""
        if not self.most:
            return text if _WORD.fullmatch(text) else None
        return int(text) if _NUMBER.fullmatch(text) and int(text) <= self.most else None


class AddressTable:
    """Every address of a program, declared once.

    Args:
        rows: the addresses, in the order of the reference. A concrete address is the first one that fits.
        placeholders: what the names in braces may be.
    """

    def __init__(self, rows: Iterable[Address], placeholders: Mapping[str, Placeholder]) -> None:
        self._rows = tuple(rows)
        self._placeholders = dict(placeholders)
        self._parts = [(row, row.path.split("/")) for row in self._rows]
        self._find = lru_cache(maxsize=4096)(self._search)

    def __iter__(self) -> Iterator[Address]:
        return iter(self._rows)

    def __len__(self) -> int:
        return len(self._rows)

    def lookup(self, relative: str) -> tuple[Address, dict[str, int | str]] | None:
        """Return the declaration of a concrete relative address such as ``/string/3/cents`` and its placeholders.

        ``{"string": 3}`` here. None if no such address is declared.
        """
        found = self._find(relative)
        return None if found is None else (found[0], dict(found[1]))

    def typed(self, relative: str, values: Sequence[Value | np.generic]) -> tuple[Value, ...]:
        """Return values with exactly the declared types of a relative address that the server sends.

        Raises:
            ValueError: the address is not declared, or the values do not fit its declaration.
        """
        found = self._find(relative)
        if found is None or found[0].direction.incoming:
            raise ValueError(f"{relative} is not an address the daemon sends")
        declared = found[0].arguments
        if found[0].rest:
            declared += declared[-1:] * (len(values) - len(declared))
        if len(values) != len(declared):
            raise ValueError(f"{relative}: {len(values)} values for {len(declared)} arguments")
        return tuple(map(_typed, itertools.repeat(relative), declared, values))

    def direction(self, relative: str) -> Direction | None:
        """Return the direction of a concrete relative address; None if it is not declared."""
        found = self._find(relative)
        return None if found is None else found[0].direction

    def _search(self, relative: str) -> tuple[Address, tuple[tuple[str, int | str], ...]] | None:
        parts = relative.split("/")
        for row, declared in self._parts:
            if len(declared) == len(parts):
                params = self._params(declared, parts)
                if params is not None:
                    return row, params
        return None

    def _params(self, declared: Sequence[str], given: Sequence[str]) -> tuple[tuple[str, int | str], ...] | None:
        params: list[tuple[str, int | str]] = []
        for wanted, part in zip(declared, given, strict=True):
            if wanted.startswith("{"):
                value = self._placeholders[wanted[1:-1]].read(part)
                if value is None:
                    return None
                params.append((wanted[1:-1], value))
            elif wanted != part:
                return None
        return tuple(params)


def _typed(relative: str, argument: Argument, value: Value | np.generic) -> Value:
    plain = value.item() if isinstance(value, np.generic) else value
    if argument.tag == "f" and isinstance(plain, int | float):
        return float(plain)
    if argument.tag == "i" and isinstance(plain, int):
        return plain
    if argument.tag == "s" and isinstance(plain, str):
        return plain
    raise ValueError(f"{relative}: {argument.name} is declared {argument.tag}, not {type(plain).__name__}")


@dataclass(frozen=True, eq=False)
class AddressSpace:
    """The addresses there are now.

    Attributes:
        prefix: root of all addresses.
        placeholders: the values that each placeholder has now.
        absent: declared paths that are not there, and why. A message to one is refused with code 8, and no pattern
            matches it.
        closed: declared paths that are not possible now, and why. A message to one is refused with code 4.
    """

    table: AddressTable
    prefix: str
    placeholders: Mapping[str, Sequence[int | str]] = field(default_factory=dict)
    absent: Mapping[str, str] = field(default_factory=dict)
    closed: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def rows(self) -> list[tuple[str, Address]]:
        """Every concrete relative address with its declaration, in the order of the table."""
        found: list[tuple[str, Address]] = []
        for row in self.table:
            if row.path not in self.absent:
                names = row.placeholders
                for values in itertools.product(*(self.placeholders.get(name, ()) for name in names)):
                    found.append((row.fill(**dict(zip(names, values, strict=True))), row))
        return found

    @cached_property
    def paths(self) -> list[str]:
        """Every concrete relative address, both ways."""
        return [path for path, _ in self.rows]

    def lookup(self, whole: str) -> tuple[Address, dict[str, int | str]] | None:
        """Return the declaration of a whole address and its placeholders; None if it is not declared."""
        return self.table.lookup(whole.removeprefix(self.prefix)) if whole.startswith(self.prefix + "/") else None

    def matching(self, pattern: str) -> tuple[str, ...]:
        """Return the whole incoming addresses that a pattern matches. Raises ValueError: the pattern is malformed."""
        return _matching(pattern, self._incoming)

    @cached_property
    def _incoming(self) -> tuple[str, ...]:
        return tuple(self.prefix + path for path, row in self.rows if row.direction.incoming)


@lru_cache(maxsize=64)
def _matching(pattern: str, addresses: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(filter(Pattern(pattern).matches, addresses))
