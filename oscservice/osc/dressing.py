"""Own values sent to foreign addresses: for surfaces with a fixed layout, which take labels, meters and colours at
addresses and in forms of their own. Pure, but for the memory of what was sent before."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oscservice.osc.captured import Capturing, fill
from oscservice.osc.conditions import Condition, Edges, holds
from oscservice.osc.outbox import packet
from oscservice.osc.pattern import Pattern
from oscservice.osc.taken import Piece, made
from oscservice.osc.wire import Decoded, Value, encode

log = logging.getLogger(__name__)


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
        topics: patterns of whole own addresses that are sent as they are.
        sendings: what is made of own values.
    """

    name: str
    host: str
    port: int
    rate_hz: float
    topics: tuple[str, ...]
    sendings: tuple[Sending, ...]

    @property
    def patterns(self) -> tuple[str, ...]:
        """Patterns of all own values that anything is sent of, each once."""
        return tuple(dict.fromkeys((*self.topics, *(one.pattern for one in self.sendings))))


class Dresser:
    """What one listener is sent for each own value: the value itself if a topic asks for it, and what is made of it.

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
        self._sendings = [(Capturing(one.pattern), one) for one in sendings]
        self._edges = Edges()

    def __call__(self, relative: str, values: Sequence[Value | np.generic]) -> list[tuple[str, bytes]]:
        """Address and packet of each message that a published value becomes; of each address the newest counts."""
        whole = self._prefix + relative
        args: list[Decoded] = [value.item() if isinstance(value, np.generic) else value for value in values]
        found: dict[str, bytes] = {}
        if any(topic.matches(whole) for topic in self._topics):
            found[whole] = packet(self._prefix, relative, values)
        for index, (pattern, sending) in enumerate(self._sendings):
            captured = pattern.match(whole)
            if captured is None or not holds(sending.conditions, args, self._edges, (index, whole)):
                continue
            arguments = made(sending.arguments, args, captured)
            if arguments is None:
                continue
            address = fill(sending.address, captured)
            try:
                found[address] = encode(address, *arguments)
            except ValueError as error:
                log.debug("not sent: %s", error)
        return list(found.items())
