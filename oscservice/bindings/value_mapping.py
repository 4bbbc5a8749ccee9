"""Own values sent to foreign addresses, for surfaces with a fixed layout: labels, meters and colours at addresses and
in forms of their own. Pure, but for the memory of what was sent before.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

from oscservice.bindings.binding import Condition, Edges, Piece, fill, holds, made
from oscservice.osc.packet import Value, encode
from oscservice.osc.pattern import CapturingPattern, Pattern

log = logging.getLogger(__name__)

_Targets: TypeAlias = tuple[bool, list[tuple[int, tuple[str, ...]]]]
"""True if a value is sent as it is; and the sendings made of it, by index, with what their wildcards matched."""


@dataclass(frozen=True)
class Sending:
    """An own value that goes to a foreign address.

    Attributes:
        pattern: of whole own addresses; what its wildcards match can be used as ``{1}`` and so on.
        address: the foreign one.
        arguments: what is sent, made from the own value.
        conditions: all have to be true of the own value.
    """

    pattern: str
    address: str
    arguments: tuple[Piece, ...]
    conditions: tuple[Condition, ...] = ()


@dataclass(frozen=True)
class FixedListener:
    """A surface that can't subscribe: where it listens, and what it is sent there.

    Attributes:
        name: what bindings call it.
        host, port: IP address and UDP port.
        rate_hz: how often a value is sent at most.
        refresh_s: how often everything is sent again, for a surface that was switched on later.
        topics: patterns of whole own addresses that are sent as they are.
        sendings: what is made of own values.
    """

    name: str
    host: str
    port: int
    rate_hz: float
    refresh_s: float
    topics: tuple[str, ...]
    sendings: tuple[Sending, ...]


class ValueMapper:
    """The mapping of one listener: an own value is sent as it is if a topic asks for it, and as every sending makes it.

    Args:
        prefix: root of all own addresses.
        topics: patterns of whole own addresses that are sent as they are.
        sendings: what is made of own values.

    Raises:
        ValueError: a malformed pattern.
    """

    def __init__(self, prefix: str, topics: Sequence[str], sendings: Sequence[Sending]) -> None:
        self._prefix = prefix
        self._topics = [Pattern(topic) for topic in topics]
        self._sendings = [(CapturingPattern(one.pattern), one) for one in sendings]
        self._edges = Edges()
        self._known: dict[str, _Targets] = {}

    def __call__(self, relative: str, values: Sequence[Value]) -> list[tuple[str, bytes]]:
        """Return the address and packet of each message that a published value becomes; of one address the last one
        counts."""
        whole = self._prefix + relative
        if relative not in self._known:  # own addresses are not many
            self._known[relative] = self._targets(whole)
        as_it_is, sendings = self._known[relative]
        found: dict[str, bytes] = {whole: encode(whole, *values)} if as_it_is else {}
        for index, captured in sendings:
            _, sending = self._sendings[index]
            if not holds(sending.conditions, values, self._edges, (index, whole)):
                continue
            arguments = made(sending.arguments, values, captured)
            if arguments is None:
                continue
            address = fill(sending.address, captured)
            try:
                found[address] = encode(address, *arguments)
            except ValueError as error:
                log.debug("not sent: %s", error)
        return list(found.items())

    def _targets(self, whole: str) -> _Targets:
        captured = [(index, pattern.match(whole)) for index, (pattern, _) in enumerate(self._sendings)]
        sendings = [(index, found) for index, found in captured if found is not None]
        return any(topic.matches(whole) for topic in self._topics), sendings
