"""The address space described as the open OSC query protocol wants it: a tree of nodes, each with attributes. Pure.

Source of names and forms: OSCQuery proposal, third revision, 2018. What it leaves open is decided here:

* ``TYPE`` names every argument, also those that may be left out; each shorter form stands in ``OVERLOADS``.
* Where any further arguments may follow, there is one for each string.
* What the daemon sends can be read (``ACCESS`` 1), commands and questions are written (``ACCESS`` 2). Nothing is both:
  what a command changes has an address of its own. ``/reply`` and ``/error`` go to one client only and are left out.
* An event's ``VALUE`` is the last one there was. What was never sent has a ``null`` for each argument.
* A value out of range is refused, never clipped: ``CLIPMODE`` is ``none``. ``CRITICAL`` asks for TCP for commands.
* ``TAGS`` holds the kind of address that the reference page has it under.
* Of a node that stays, nothing changes but its value: ``PATH_CHANGED`` is never said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

import numpy as np

from oscservice.api.address_reference import SIMULATOR, arguments_text, meaning
from oscservice.api.address_table import TABLE, Address, Argument, Direction, lookup
from oscservice.osc.packet import Value

Json: TypeAlias = "dict[str, Json] | list[Json] | str | int | float | bool | None"
Known: TypeAlias = Mapping[str, Sequence[Value | np.generic]]
"""Newest values by relative address."""

OPTIONAL = ("ACCESS", "VALUE", "RANGE", "DESCRIPTION", "TAGS", "UNIT", "CRITICAL", "CLIPMODE", "OVERLOADS")
"""The optional attributes that are served."""
COMMANDS = ("LISTEN", "IGNORE", "PATH_ADDED", "PATH_REMOVED")
"""What is understood and said in text over WebSocket."""
ATTRIBUTES = frozenset(("FULL_PATH", "CONTENTS", "TYPE", *OPTIONAL))
"""What may stand as a URL's query, beside ``HOST_INFO``."""

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
        """How many nodes it is, with all that are below."""
        return 1 + sum(child.size for child in self.contents.values())

    @property
    def unreadable(self) -> bool:
        """Whether it can be called but has no value to be read."""
        return self.address is not None and self.address.direction.incoming


def described(prefix: str, paths: Iterable[str]) -> dict[str, Node]:
    """Every node by its whole path: those of the relative addresses ``paths``, what contains them, the root and ``/``.

    Raises:
        ValueError: an address is not declared.
    """
    addresses: dict[str, Address] = {}
    strings = 0
    for path in paths:
        found = lookup(path)
        if found is None:
            raise ValueError(f"{path} is not declared")
        strings = max(strings, int(found[1].get("string", 0)))
        if found[0].direction is not Direction.ANSWER:
            addresses[prefix + path] = found[0]
    below: dict[str, list[str]] = {"/": []}
    for path in (prefix, *addresses):
        for here in _way(path):
            if here not in below:
                below[here] = []
                below[_above(here)].append(here)
    nodes: dict[str, Node] = {}
    for here, children in reversed(below.items()):  # what is below stands behind
        contents = {child.rpartition("/")[2]: nodes[child] for child in children}
        address = addresses.get(here)
        arguments = () if address is None else address.arguments
        if address is not None and address.rest:
            arguments += arguments[-1:] * (strings - len(arguments))
        nodes[here] = Node(here, here.removeprefix(prefix), address, arguments, contents)
    return nodes


def _way(path: str) -> Iterator[str]:
    """The nodes on the way to a path, and itself: ``/bench``, ``/bench/string``, ``/bench/string/1``."""
    at = path.find("/", 1)
    while at > 0:
        yield path[:at]
        at = path.find("/", at + 1)
    yield path


def whole(node: Node, known: Known) -> dict[str, Json]:
    """A node with all its attributes and all its sub-nodes."""
    told: dict[str, Json] = {"FULL_PATH": node.full_path, **_attributes(node, known)}
    if node.contents:
        told["CONTENTS"] = {name: whole(child, known) for name, child in node.contents.items()}
    return told


def one(node: Node, attribute: str, known: Known) -> dict[str, Json]:
    """One attribute of a node, by its name; empty if the node has none."""
    if attribute == "CONTENTS":
        children: Json = {name: whole(child, known) for name, child in node.contents.items()}
        return {"CONTENTS": children} if node.contents else {}
    told = {"FULL_PATH": node.full_path, **_attributes(node, known)}
    return {attribute: told[attribute]} if attribute in told else {}


def host_info(name: str, port: int, host: str | None) -> dict[str, Json]:
    """What ``HOST_INFO`` is answered with. Without a host, clients take the one they have asked."""
    extensions: dict[str, Json] = dict.fromkeys((*OPTIONAL, *COMMANDS), True)
    told: dict[str, Json] = {"NAME": name, "EXTENSIONS": extensions, "OSC_TRANSPORT": "UDP"}
    if host is not None:
        told |= {"OSC_IP": host, "WS_IP": host}
    return told | {"OSC_PORT": port, "WS_PORT": port}


def _attributes(node: Node, known: Known) -> dict[str, Json]:
    if node.address is None:
        return {}
    told = dict(_fixed(node.address.path, node.arguments))
    if not node.unreadable:
        values = known.get(node.relative)
        told["VALUE"] = [None] * len(node.arguments) if values is None else [*map(_json, values)]
    return told


@lru_cache(maxsize=1024)
def _fixed(path: str, arguments: tuple[Argument, ...]) -> dict[str, Json]:
    """What is always told of an address; the same for every string and fret."""
    found = next(address for address in TABLE if address.path == path)
    incoming = found.direction.incoming
    text = meaning(found)
    if arguments:
        text += f" Arguments: {arguments_text(found.arguments)}{'; …' if found.rest else ''}."
    told: dict[str, Json] = {
        **_typed(arguments),
        "ACCESS": WRITE if incoming else READ,
        "DESCRIPTION": text,
        "CRITICAL": found.direction is Direction.COMMAND,
        "TAGS": [SIMULATOR if found.simulated else str(found.direction)],
    }
    required = sum(not argument.optional for argument in arguments)
    shorter: list[Json] = [_typed(arguments[:count]) for count in range(required, len(arguments))]
    return told | {"OVERLOADS": shorter} if shorter else told


def _typed(arguments: tuple[Argument, ...]) -> dict[str, Json]:
    """``TYPE``, and what is told of each argument: ranges and units only where there are some."""
    told: dict[str, Json] = {"TYPE": "".join(argument.tag for argument in arguments)}
    ranges: list[Json] = [*map(_range, arguments)]
    units: list[Json] = [UNITS.get(argument.unit, argument.unit) or None for argument in arguments]
    if any(ranges):
        told["RANGE"] = ranges
    if any(units):
        told["UNIT"] = units
    return told | ({"CLIPMODE": ["none" for _ in arguments]} if arguments else {})


def _range(argument: Argument) -> Json:
    if argument.words:
        return {"VALS": list(argument.words)}
    low, high = (0, 1) if argument.switch else (argument.low, argument.high)
    if argument.or_zero and low is not None:
        low = min(low, 0)
    bounds: dict[str, Json] = {"MIN": low, "MAX": high}
    return {name: bound for name, bound in bounds.items() if bound is not None} or None


def _json(value: Value | np.generic) -> Json:
    """A value as JSON has it; NaN and infinity have no form there and become null."""
    plain = value.item() if isinstance(value, np.generic) else value
    if isinstance(plain, float) and not math.isfinite(plain):
        return None
    return plain


@dataclass(frozen=True)
class News:
    """What clients are told when the address space has changed: whole paths, topmost nodes only."""

    added: tuple[str, ...]
    removed: tuple[str, ...]


def news(before: Mapping[str, Node], after: Mapping[str, Node]) -> News:
    """The nodes that came and went between two descriptions."""
    return News(
        tuple(path for path in after if path not in before and _above(path) in before),
        tuple(path for path in before if path not in after and _above(path) in after),
    )


def _above(path: str) -> str:
    return path.rpartition("/")[0] or "/"
