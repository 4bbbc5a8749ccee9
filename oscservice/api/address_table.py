"""The OSC address space: every address declared once.

Type checks, dispatch, publishing and the reference page all come from :data:`TABLE`. Addresses here are relative to
the root, ``/bench`` unless configured otherwise. ``{string}`` counts from 1, the thinnest; ``{fret}`` from 1.

Type tags are OSC 1.0's ``i`` (int32), ``f`` (float32) and ``s`` (string); ``?`` marks an argument that may be left
out, ``…`` any further arguments.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache

from oscservice.api.argument_values import MAX_FRETS as MAX_FRETS
from oscservice.api.argument_values import MAX_STRINGS as MAX_STRINGS
from oscservice.api.argument_values import int_arg, text_arg
from oscservice.api.incoming_addresses import RECEIVED
from oscservice.api.outgoing_addresses import SENT
from oscservice.osc.address import Address as Address
from oscservice.osc.address import Argument as Argument
from oscservice.osc.address import Direction as Direction
from oscservice.settings import DEFAULT_ROOT

DEFAULT_PREFIX = DEFAULT_ROOT
ROOT = re.compile(r"(/[A-Za-z0-9._~+-]+){1,8}")
"""What a root may be: characters that patterns are made of, and those OSC keeps for itself, are left out."""


TABLE: tuple[Address, ...] = (
    *SENT,
    *RECEIVED,
    Address("/reply", Direction.ANSWER, (text_arg("address"),), "A message was carried out.", rest=True),
    Address(
        "/error",
        Direction.ANSWER,
        (text_arg("address"), int_arg("code", "", 1, 9), text_arg("sentence"), Argument("id", "s", optional=True)),
        "A message was not carried out.",
    ),
)

_PLACEHOLDERS: Mapping[str, re.Pattern[str]] = {
    "{string}": re.compile("[1-9][0-9]?"),
    "{fret}": re.compile("[1-9][0-9]?"),
    "{item}": re.compile("[a-z][a-z0-9_]{0,30}"),
}
_LIMITS = {"{string}": MAX_STRINGS, "{fret}": MAX_FRETS}
_PARTS = tuple((address, tuple(address.path.split("/"))) for address in TABLE)


def _fits(declared: str, given: str) -> bool:
    if declared not in _PLACEHOLDERS:
        return declared == given
    if _PLACEHOLDERS[declared].fullmatch(given) is None:
        return False
    return declared not in _LIMITS or int(given) <= _LIMITS[declared]


@lru_cache(maxsize=4096)
def _find(concrete: str) -> tuple[Address, tuple[tuple[str, int | str], ...]] | None:
    parts = tuple(concrete.split("/"))
    for address, declared in _PARTS:
        if len(declared) == len(parts) and all(map(_fits, declared, parts)):
            pairs = [(d, p) for d, p in zip(declared, parts, strict=True) if d.startswith("{")]
            return address, tuple((d[1:-1], int(p) if d in _LIMITS else p) for d, p in pairs)
    return None


def lookup(concrete: str) -> tuple[Address, dict[str, int | str]] | None:
    """The declaration of a concrete relative address such as ``/string/3/cents`` and what its placeholders stand for.

    ``{"string": 3}`` here; ``string`` and ``fret`` are ints, ``item`` is a str. None if no such address is declared.
    """
    found = _find(concrete)
    return None if found is None else (found[0], dict(found[1]))


def concrete_addresses(
    string_count: int,
    *,
    fret_count: int = 24,
    items: Iterable[str] = (),
    directions: Iterable[Direction] = tuple(Direction),
    simulated: bool = True,
) -> list[str]:
    """Every concrete relative address of an instrument, in the order of the table.

    ``items`` are the inspection items; ``simulated`` says whether the simulator's commands are among them.
    """
    values: dict[str, list[int | str]] = {
        "string": list(range(1, string_count + 1)),
        "fret": list(range(1, fret_count + 1)),
        "item": list(items),
    }
    wanted = set(directions)
    found: list[str] = []
    for address in TABLE:
        if address.direction not in wanted or (address.simulated and not simulated):
            continue
        filled: list[dict[str, int | str]] = [{}]
        for name in address.placeholders:
            filled = [{**one, name: value} for one in filled for value in values[name]]
        found += [address.fill(**one) for one in filled]
    return found
