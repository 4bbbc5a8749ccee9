"""The address space as the open OSC query protocol describes it: a tree of nodes, each with attributes. Pure.

Source of names and forms: OSCQuery proposal, third revision, 2018. What it leaves open is decided here:

* ``TYPE`` names every argument, also those that may be left out; each shorter form is in ``OVERLOADS``.
* Where any further arguments may follow, there is one for each value of the address's first placeholder.
* What the server sends can be read (``ACCESS`` 1), commands and questions are written (``ACCESS`` 2). Nothing is both:
  what a command changes has an address of its own. ``/reply`` and ``/error`` go to one client only and are left out.
* An event's ``VALUE`` is the last one there was. What was never sent has a ``null`` for each argument.
* A value out of range is refused, never clipped: ``CLIPMODE`` is ``none``. ``CRITICAL`` asks for TCP for commands.
* ``TAGS`` holds the group of the address, or its direction.
* Of a node that stays, nothing changes but its value: ``PATH_CHANGED`` is never said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np

from oscservice.osc.address import Address, AddressTable, Argument, Values, arguments_text
from oscservice.osc.packet import Value

Json: TypeAlias = "dict[str, Json] | list[Json] | str | int | float | bool | None"

OPTIONAL = ("ACCESS", "VALUE", "RANGE", "DESCRIPTION", "TAGS", "UNIT", "CRITICAL", "CLIPMODE", "OVERLOADS")
"""The optional attributes that are served."""
COMMANDS = ("LISTEN", "IGNORE", "PATH_ADDED", "PATH_REMOVED")
"""Commands that are taken and sent in text over WebSocket."""
ATTRIBUTES = frozenset(("FULL_PATH", "CONTENTS", "TYPE", *OPTIONAL))
"""Queries that a URL may have, beside ``HOST_INFO``."""

UNITS: Mapping[str, str] = {
    "cents": "time.cents",
    "Hz": "time.hz",
    "s": "time.second",
    "mm": "distance.mm",
    "dBFS": "gain.db",
}
"""The protocol's names for the units of the address table; the others go by their own."""

READ, WRITE = 1, 2


@dataclass(frozen=True)
class Node:
    """A part of the address space: ``address`` is None for what only contains others, ``relative`` is without root."""

    full_path: str
    relative: str
    address: Address | None
    arguments: tuple[Argument, ...]
    contents: Mapping[str, Node]

    @property
    def size(self) -> int:
        """Number of nodes: this one and all that are below."""
        return 1 + sum(child.size for child in self.contents.values())

    @property
    def unreadable(self) -> bool:
        """True if it can be called but has no value to be read."""
        return self.address is not None and self.address.direction.incoming


def described(table: AddressTable, prefix: str, paths: Iterable[str]) -> dict[str, Node]:
    """Return every node by its whole path: those of the relative addresses ``paths``, what contains them, the root and
    ``/``.

    Raises:
        ValueError: an address is not declared.
    """
    addresses: dict[str, Address] = {}
    most: dict[str, int] = {}
    for path in paths:
        found = table.lookup(path)
        if found is None:
            raise ValueError(f"{path} is not declared")
        for name, value in found[1].items():
            if isinstance(value, int):
                most[name] = max(value, most.get(name, 0))
        if not found[0].direction.answer:
            addresses[prefix + path] = found[0]
    below: dict[str, list[str]] = {"/": []}
    for path in (prefix, *addresses):
        for here in _way(path):
            if here not in below:
                below[here] = []
                below[_above(here)].append(here)
    nodes: dict[str, Node] = {}
    for here, children in reversed(below.items()):  # what is below comes later
        contents = {child.rpartition("/")[2]: nodes[child] for child in children}
        address = addresses.get(here)
        arguments = () if address is None else address.arguments
        if address is not None and address.rest and address.placeholders:
            arguments += arguments[-1:] * (most[address.placeholders[0]] - len(arguments))
        nodes[here] = Node(here, here.removeprefix(prefix), address, arguments, contents)
    return nodes


def _way(path: str) -> Iterator[str]:
    """Yield the nodes on the way to a path, and itself: ``/bench``, ``/bench/string``, ``/bench/string/1``."""
    at = path.find("/", 1)
    while at > 0:
        yield path[:at]
        at = path.find("/", at + 1)
    yield path


def whole(node: Node, known: Values) -> dict[str, Json]:
    """Return a node with all its attributes and all its sub-nodes."""
    attributes: dict[str, Json] = {"FULL_PATH": node.full_path, **_attributes(node, known)}
    if node.contents:
        attributes["CONTENTS"] = {name: whole(child, known) for name, child in node.contents.items()}
    return attributes


def one(node: Node, attribute: str, known: Values) -> dict[str, Json]:
    """Return one attribute of a node, by its name; empty if the node has none."""
    if attribute == "CONTENTS":
        children: Json = {name: whole(child, known) for name, child in node.contents.items()}
        return {"CONTENTS": children} if node.contents else {}
    attributes = {"FULL_PATH": node.full_path, **_attributes(node, known)}
    return {attribute: attributes[attribute]} if attribute in attributes else {}


def host_info(name: str, port: int, host: str | None) -> dict[str, Json]:
    """Return the answer to ``HOST_INFO``. Without a host, clients take the one they have asked."""
    extensions: dict[str, Json] = dict.fromkeys((*OPTIONAL, *COMMANDS), True)
    attributes: dict[str, Json] = {"NAME": name, "EXTENSIONS": extensions, "OSC_TRANSPORT": "UDP"}
    if host is not None:
        attributes |= {"OSC_IP": host, "WS_IP": host}
    return attributes | {"OSC_PORT": port, "WS_PORT": port}


def _attributes(node: Node, known: Values) -> dict[str, Json]:
    if node.address is None:
        return {}
    attributes = dict(_fixed(node.address, node.arguments))
    if not node.unreadable:
        values = known.get(node.relative)
        attributes["VALUE"] = [None] * len(node.arguments) if values is None else [*map(_json, values)]
    return attributes


@lru_cache(maxsize=1024)
def _fixed(address: Address, arguments: tuple[Argument, ...]) -> dict[str, Json]:
    """Return all attributes of an address but its value."""
    text = address.meaning
    if arguments:
        text += f" Arguments: {arguments_text(address.arguments)}{'; …' if address.rest else ''}."
    attributes: dict[str, Json] = {
        **_typed(arguments),
        "ACCESS": WRITE if address.direction.incoming else READ,
        "DESCRIPTION": text,
        "CRITICAL": address.direction.critical,
        "TAGS": [address.group or str(address.direction)],
    }
    required = sum(not argument.optional for argument in arguments)
    others: list[Json] = [_typed(arguments[:count]) for count in range(required, len(arguments))]
    if any(argument.read is not None for argument in arguments):
        others.append(_typed(tuple(map(_as_text, arguments))))
    return attributes | {"OVERLOADS": others} if others else attributes


def _as_text(argument: Argument) -> Argument:
    """Return the argument as the text that it may be instead of a number."""
    return argument if argument.read is None else Argument(argument.name, "s", optional=argument.optional)


def _typed(arguments: tuple[Argument, ...]) -> dict[str, Json]:
    """Return ``TYPE`` and the attributes of each argument: ranges and units only where there are some."""
    attributes: dict[str, Json] = {"TYPE": "".join(argument.tag for argument in arguments)}
    ranges: list[Json] = [*map(_range, arguments)]
    units: list[Json] = [UNITS.get(argument.unit, argument.unit) or None for argument in arguments]
    if any(ranges):
        attributes["RANGE"] = ranges
    if any(units):
        attributes["UNIT"] = units
    return attributes | ({"CLIPMODE": ["none" for _ in arguments]} if arguments else {})


def _range(argument: Argument) -> Json:
    if argument.words:
        return {"VALS": list(argument.words)}
    low, high = (0, 1) if argument.switch else (argument.low, argument.high)
    if argument.or_zero and low is not None:
        low = min(low, 0)
    bounds: dict[str, Json] = {"MIN": low, "MAX": high}
    return {name: bound for name, bound in bounds.items() if bound is not None} or None


def _json(value: Value | np.generic) -> Json:
    """Return a value as JSON has it; NaN and infinity have no form there and become null."""
    plain = value.item() if isinstance(value, np.generic) else value
    if isinstance(plain, float) and not math.isfinite(plain):
        return None
    return plain


@dataclass(frozen=True)
class News:
    """Changes of the address space: whole paths, topmost nodes only."""

    added: tuple[str, ...]
    removed: tuple[str, ...]


def news(before: Mapping[str, Node], after: Mapping[str, Node]) -> News:
    """Return the nodes that came and went between two descriptions."""
    return News(
        tuple(path for path in after if path not in before and _above(path) in before),
        tuple(path for path in before if path not in after and _above(path) in after),
    )


def _above(path: str) -> str:
    return path.rpartition("/")[0] or "/"
