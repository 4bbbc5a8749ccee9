"""The OSC address space: every address declared once.

Type checks, dispatch, publishing and the reference page all come from :data:`TABLE`. Addresses here are relative to
the root, ``/bench`` by default. ``{string}`` counts from 1, the thinnest, and so does ``{fret}``; ``{item}`` is an
inspection item.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from functools import lru_cache

from oscservice.api.argument_values import ANSWER, MAX_FRETS, MAX_STRINGS, SIMULATOR, int_arg, text_arg
from oscservice.api.incoming_addresses import NOT_SIMULATED, RECEIVED, SessionAddress
from oscservice.api.outgoing_addresses import SENT
from oscservice.defaults import DEFAULT_ROOT
from oscservice.osc.address import Address, AddressSpace, AddressTable, Argument, Direction, Placeholder
from oscservice.session.commands import impossible
from oscservice.session.vocabulary import Phase

DEFAULT_PREFIX = DEFAULT_ROOT
ROOT = re.compile(r"(/[A-Za-z0-9._~+-]+){1,8}")
"""Form of a root: characters that patterns are made of, and those OSC keeps for itself, are left out."""

_ANSWERS = (
    Address("/reply", ANSWER, (text_arg("address"),), "A message was carried out.", rest=True),
    Address(
        "/error",
        ANSWER,
        (text_arg("address"), int_arg("code", "", 1, 9), text_arg("sentence"), Argument("id", "s", optional=True)),
        "A message was not carried out.",
    ),
)
PLACEHOLDERS = {"string": Placeholder(MAX_STRINGS), "fret": Placeholder(MAX_FRETS), "item": Placeholder()}
TABLE = AddressTable((*SENT, *RECEIVED, *_ANSWERS), PLACEHOLDERS)
lookup = TABLE.lookup


@lru_cache(maxsize=64)
def address_space(
    prefix: str = DEFAULT_PREFIX,
    string_count: int = 0,
    *,
    fret_count: int = 0,
    items: tuple[str, ...] = (),
    simulated: bool = False,
    phase: str = "",
    table: AddressTable = TABLE,
) -> AddressSpace:
    """Return the addresses of an instrument, in a phase of the session; in any phase if that is empty.

    ``items`` are the inspection items; ``simulated`` says whether the simulator's commands are among them.
    """
    placeholders: dict[str, tuple[int | str, ...]] = {
        "string": tuple(range(1, string_count + 1)),
        "fret": tuple(range(1, fret_count + 1)),
        "item": items,
    }
    absent = {} if simulated else {row.path: NOT_SIMULATED for row in table if row.group == SIMULATOR}
    return AddressSpace(table, prefix, placeholders, absent, _impossible(phase) if phase else {})


@lru_cache
def _impossible(phase: str) -> Mapping[str, str]:
    """Return the paths of the commands that are not possible in a phase, and why."""
    found = {row.path: impossible(row.command, Phase(phase)) for row in TABLE if isinstance(row, SessionAddress)}
    return {path: why for path, why in found.items() if why is not None}


def concrete_addresses(
    string_count: int,
    *,
    fret_count: int = 24,
    items: Iterable[str] = (),
    directions: Collection[Direction] | None = None,
    simulated: bool = True,
) -> list[str]:
    """Return every concrete relative address of an instrument, in the order of the table; of all directions if None is
    given."""
    space = address_space("", string_count, fret_count=fret_count, items=tuple(items), simulated=simulated)
    return [path for path, row in space.rows if directions is None or row.direction in directions]
