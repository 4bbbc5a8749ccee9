"""The address table of the product with one function in place of all its handlers, for servers without a daemon."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, TypeAlias

import numpy as np

from oscservice.api.address_table import PLACEHOLDERS, TABLE, address_space
from oscservice.osc.address import Address, AddressSpace, AddressTable, Call
from oscservice.osc.packet import Value
from oscservice.osc.peer import Peer

Handle: TypeAlias = Callable[[Address, dict[str, int], tuple[Value, ...], Peer], Sequence[Value | np.generic]]
"""Takes the address, the numbers of its placeholders, the arguments and the sender."""


def handled_by(
    handle: Handle,
    string_count: int = 0,
    *,
    fret_count: int = 0,
    items: tuple[str, ...] = (),
    simulated: bool = False,
) -> AddressSpace:
    """The address space of an instrument, all of whose commands and questions are carried out by ``handle``."""

    def handler(context: object, call: Call, sender: Peer) -> Sequence[Value | np.generic]:
        return handle(call.address, call.params, call.args, sender)

    rows = [row if row.handler is None else replace(row, handler=handler) for row in TABLE]
    table = AddressTable(rows, PLACEHOLDERS)
    return address_space(
        string_count=string_count, fret_count=fret_count, items=items, simulated=simulated, table=table
    )


def nothing(*_: Any) -> Sequence[Value]:
    """Answers whatever is asked with nothing."""
    return ()
