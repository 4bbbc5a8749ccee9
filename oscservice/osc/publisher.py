"""What goes out to subscribers: encoded by the address table, thinned and paced for each.

What one subscriber is sent: what it asked for, thinned and paced so that it can keep up; the latest value wins.

What goes out to subscribers: encoded by the address table, and handed to the stream of each.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
import struct
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TypeAlias

import numpy as np

from oscservice.api.address_table import Argument, Direction, lookup
from oscservice.osc.packet import Value, encode
from oscservice.osc.peer import Peer
from oscservice.osc.rate_limits import LogThrottle
from oscservice.osc.subscriptions import Wish

LIVE_INTERVAL_S = 1 / 25
BATCH = 32
BATCH_INTERVAL_S = 0.005
BUNDLE_BYTES = 1200
"""A bundle's most bytes: what goes through any network in one piece."""

_IMMEDIATELY = b"#bundle\0" + (1).to_bytes(8, "big")

Dress = Callable[[str, Sequence[Value]], Sequence[tuple[str, bytes]]]
"""From a relative address and its values to what is sent in their place: packets, and what each stands for."""


class SubscriberStream:
    """The way to one subscriber. All of it runs on the event loop's thread.

    Args:
        peer: who is sent things.
        send: sends one packet, without waiting.
        clock: seconds that only go forward.
        prefix: root of all addresses.
        dress: what is sent in place of plain messages, for a listener that speaks another tongue.
    """

    def __init__(
        self,
        peer: Peer,
        send: Callable[[bytes, Peer], None],
        clock: Callable[[], float],
        prefix: str,
        dress: Dress | None = None,
    ) -> None:
        self.peer = peer
        self.exact: set[str] = set()
        self.wish: Wish | None = None
        self._send = send
        self._clock = clock
        self._prefix = prefix
        self._dress = dress
        self._wanted: dict[str, bool] = {}
        self._sent_s: dict[str, float] = {}
        self._held: dict[str, tuple[float, bytes]] = {}
        self._release: asyncio.TimerHandle | None = None
        self._backlog: dict[str, bytes] = {}
        self._pacer: asyncio.TimerHandle | None = None

    def want(self, wish: Wish | None) -> None:
        """Take note of what is wanted from now on, beside the exact addresses. None: nothing."""
        self.wish = wish
        self._wanted.clear()

    def wants(self, relative: str) -> bool:
        """Whether values of this address are sent here."""
        known = self._wanted.get(relative)
        if known is None:
            known = self._wanted[relative] = self._asked_for(relative)
        return known or relative in self.exact

    def publish(self, messages: Iterable[tuple[str, Sequence[Value], bytes]]) -> None:
        """Send what goes out together: relative address, values and plain message of each."""
        now = self._clock()
        out: list[bytes] = []
        for relative, values, message in messages:
            if self.wants(relative):
                for key, packet in self._dressed(relative, values, message):
                    self._backlog.pop(key, None)
                    if self._goes_now(key, relative, packet, now):
                        out.append(packet)
        self._ship(out)

    def send_all(self, messages: Iterable[tuple[str, Sequence[Value], bytes]]) -> None:
        """Send a whole state, paced. A value published meanwhile replaces the one waiting here."""
        self._backlog = {
            key: packet
            for relative, values, message in messages
            if self.wants(relative)
            for key, packet in self._dressed(relative, values, message)
        }
        if self._pacer is None:
            self._send_batch()

    def close(self) -> None:
        """Forget what waits to be sent."""
        for timer in (self._release, self._pacer):
            if timer is not None:
                timer.cancel()
        self._release = self._pacer = None
        self._held.clear()
        self._backlog.clear()

    def _asked_for(self, relative: str) -> bool:
        if self.wish is None:
            return False
        patterns = self.wish.patterns()
        return patterns is None or any(pattern.matches(self._prefix + relative) for pattern in patterns)

    def _dressed(self, relative: str, values: Sequence[Value], message: bytes) -> Sequence[tuple[str, bytes]]:
        return ((relative, message),) if self._dress is None else self._dress(relative, values)

    def _goes_now(self, key: str, relative: str, packet: bytes, now: float) -> bool:
        """Whether a packet may be sent at once; if not it is held, in place of an older one of its kind."""
        interval_s = self._interval_s(relative)
        if not interval_s:
            return True
        due = self._sent_s.get(key, float("-inf")) + interval_s
        if key not in self._held and due <= now:
            self._sent_s[key] = now
            return True
        self._held[key] = (self._held[key][0] if key in self._held else due), packet
        if self._release is None:
            self._release = asyncio.get_running_loop().call_later(max(0.0, due - now), self._release_held)
        return False

    def _interval_s(self, relative: str) -> float:
        found = lookup(relative)
        direction = found[0].direction if found is not None else None
        if direction is Direction.EVENT:
            return 0.0
        if self.wish is not None and self.wish.rate_hz > 0.0:
            return 1.0 / self.wish.rate_hz
        return LIVE_INTERVAL_S if direction is Direction.LIVE else 0.0

    def _release_held(self) -> None:
        now = self._clock()
        due = [key for key, (at, _) in self._held.items() if at <= now]
        self._release = None
        self._sent_s.update(dict.fromkeys(due, now))
        self._ship([self._held.pop(key)[1] for key in due])
        if self._held:
            wait_s = min(at for at, _ in self._held.values()) - now
            self._release = asyncio.get_running_loop().call_later(max(0.0, wait_s), self._release_held)

    def _send_batch(self) -> None:
        self._pacer = None
        keys = list(itertools.islice(self._backlog, BATCH))
        self._ship([self._backlog.pop(key) for key in keys])
        if self._backlog:
            self._pacer = asyncio.get_running_loop().call_later(BATCH_INTERVAL_S, self._send_batch)

    def _ship(self, packets: Sequence[bytes]) -> None:
        bundles = self.wish is not None and self.wish.bundle
        for packet in bundled(packets) if bundles else packets:
            self._send(packet, self.peer)


def bundled(packets: Sequence[bytes]) -> list[bytes]:
    """Packets in as few bundles of at most 1200 bytes as their order allows; one that stands alone stays as it is."""
    shipped: list[bytes] = []
    together: list[bytes] = []
    size = len(_IMMEDIATELY)

    def close() -> None:
        if len(together) > 1:
            shipped.append(_IMMEDIATELY + b"".join(struct.pack(">i", len(p)) + p for p in together))
        else:
            shipped.extend(together)
        together.clear()

    for packet in packets:
        if size + 4 + len(packet) > BUNDLE_BYTES:
            close()
            size = len(_IMMEDIATELY)
        together.append(packet)
        size += 4 + len(packet)
    close()
    return shipped


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


class Publisher:
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
        self._complaints = LogThrottle()
        self._streams: dict[Peer, SubscriberStream] = {}

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

    def _stream(self, target: Peer, dress: Dress | None = None) -> SubscriberStream:
        if target not in self._streams:
            self._streams[target] = SubscriberStream(target, self._send, self._clock, self._prefix, dress)
        return self._streams[target]

    def _drop_idle(self, stream: SubscriberStream) -> None:
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
