"""What goes out to subscribers: encoded by the address table, and handed to the stream of each."""

from __future__ import annotations

import itertools
import logging
from collections.abc import Callable, Mapping, Sequence
from typing import TypeAlias

import numpy as np

from oscservice.osc.addresses import Argument, Direction, lookup
from oscservice.osc.limits import OncePerSecond
from oscservice.osc.peer import Peer
from oscservice.osc.stream import Dress, Stream
from oscservice.osc.subscribers import Wish
from oscservice.osc.wire import Value, encode

Values: TypeAlias = Mapping[str, Sequence[Value | np.generic]]
"""Arguments by relative address: ``{"/phase": ("tuning",), "/string/3/cents": (-2.5,)}``."""

_KEPT = (Direction.LIVE, Direction.EVENT, Direction.SERVICE)

log = logging.getLogger(__name__)


def typed(relative: str, values: Sequence[Value | np.generic]) -> tuple[Value, ...]:
    """Values with exactly the declared types of a relative address; where more arguments may follow, with that of the
    last for each of them.

    Raises:
        ValueError: the address is not declared, or the values do not fit its declaration.
    """
    found = lookup(relative)
    if found is None or found[0].direction.incoming:
        raise ValueError(f"{relative} is not an address the daemon sends")
    declared = found[0].arguments
    if found[0].rest:
        declared += declared[-1:] * (len(values) - len(declared))
    if len(values) != len(declared):
        raise ValueError(f"{relative}: {len(values)} values for {len(declared)} arguments")
    return tuple(map(_typed, itertools.repeat(relative), declared, values))


def _typed(relative: str, argument: Argument, value: Value | np.generic) -> Value:
    plain = value.item() if isinstance(value, np.generic) else value
    if argument.tag == "f" and isinstance(plain, int | float):
        return float(plain)
    if argument.tag == "i" and isinstance(plain, int):
        return plain
    if argument.tag == "s" and isinstance(plain, str):
        return plain
    raise ValueError(f"{relative}: {argument.name} is declared {argument.tag}, not {type(plain).__name__}")


class Outbox:
    """Sends values to subscribers. All of it runs on the event loop's thread.

    Args:
        prefix: root of all addresses.
        send: sends one packet to a peer, without waiting.
        clock: seconds that only go forward.
    """

    def __init__(self, prefix: str, send: Callable[[bytes, Peer], None], clock: Callable[[], float]) -> None:
        self.latest: dict[str, tuple[Value, ...]] = {}
        self._prefix = prefix
        self._send = send
        self._clock = clock
        self._complaints = OncePerSecond()
        self._streams: dict[Peer, Stream] = {}

    def publish(self, values: Values) -> None:
        """Send each value as one message to every subscriber. A value that can't be sent is logged and left out."""
        messages = self._messages(values)
        for relative, arguments, _ in messages:
            found = lookup(relative)
            if found is not None and found[0].direction in _KEPT:
                self.latest[relative] = tuple(arguments)
        for stream in list(self._streams.values()):
            stream.publish(messages)

    def send_all(self, values: Values, target: Peer) -> None:
        """Send the whole state to one subscriber, paced. A value published meanwhile replaces the one waiting here."""
        if target in self._streams:
            self._streams[target].send_all(self._messages(values))

    def open(self, target: Peer, wish: Wish, dress: Dress | None = None) -> None:
        """Begin to send a subscriber what it wants, or change what that is."""
        self._stream(target, dress).want(wish)

    def end(self, target: Peer) -> None:
        """Send a subscriber nothing more, but for what it listens to by exact address."""
        stream = self._streams.get(target)
        if stream is not None:
            stream.want(None)
            stream.close()
            self._drop_idle(stream)

    def listen(self, target: Peer, relative: str) -> None:
        """Send a connection the values of one exact address."""
        self._stream(target).exact.add(relative)

    def ignore(self, target: Peer, relative: str) -> None:
        """Send a connection the values of one exact address no more."""
        stream = self._streams.get(target)
        if stream is not None:
            stream.exact.discard(relative)
            self._drop_idle(stream)

    def gone(self, target: Peer) -> None:
        """Forget a peer."""
        stream = self._streams.pop(target, None)
        if stream is not None:
            stream.close()

    def close(self) -> None:
        """Forget what waits to be sent."""
        for stream in self._streams.values():
            stream.close()
        self._streams.clear()

    def _stream(self, target: Peer, dress: Dress | None = None) -> Stream:
        if target not in self._streams:
            self._streams[target] = Stream(target, self._send, self._clock, self._prefix, dress)
        return self._streams[target]

    def _drop_idle(self, stream: Stream) -> None:
        if stream.wish is None and not stream.exact:
            self.gone(stream.peer)

    def _messages(self, values: Values) -> list[tuple[str, Sequence[Value], bytes]]:
        made: list[tuple[str, Sequence[Value], bytes]] = []
        for relative, arguments in values.items():
            try:
                plain = typed(relative, arguments)
                made.append((relative, plain, encode(self._prefix + relative, *plain)))
            except ValueError as error:
                if self._complaints.admit(relative, self._clock()) is not None:
                    log.error("not sent: %s", error)
        return made
