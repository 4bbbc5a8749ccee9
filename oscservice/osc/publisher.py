"""Values sent to subscribers: encoded by the address table, thinned and paced for each subscriber.

A subscriber is sent what it asked for, and never more than it can take in: where values come faster, the latest of
each address is sent.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
import struct
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeAlias

from oscservice.osc.address import AddressTable, Values
from oscservice.osc.link import Links
from oscservice.osc.packet import Value, encode
from oscservice.osc.pattern import Pattern
from oscservice.osc.peer import Peer
from oscservice.osc.rate_limits import LogThrottle
from oscservice.osc.refusal import ErrorCode, OscRefusal

LIVE_INTERVAL_S = 1 / 25
BATCH = 32
BATCH_INTERVAL_S = 0.005
BUNDLE_BYTES = 1200
"""A bundle's most bytes: what goes through any network in one piece."""

_IMMEDIATELY = b"#bundle\0" + (1).to_bytes(8, "big")

MAX_TOPICS = 16

MessageMapping: TypeAlias = Callable[[str, Sequence[Value]], Sequence[tuple[str, bytes]]]
"""From a relative address and its values to the packets that are sent in their place, each with a key; of one key the
newest packet counts."""

_Message: TypeAlias = tuple[str, Sequence[Value], bytes]
"""A relative address, its values, and the plain message of both."""


@dataclass(frozen=True)
class Subscription:
    """The values that a subscriber wants.

    Attributes:
        topics: whole addresses or patterns of them, spaces between; empty for everything.
        rate_hz: how often a value may come; 0 for the default: live values are thinned, all others come as they change.
        bundle: messages that go out together come in one packet.
    """

    topics: str = ""
    rate_hz: float = 0.0
    bundle: bool = False

    def patterns(self) -> tuple[Pattern, ...] | None:
        """Return the topics, parsed; None for everything. Raises OscRefusal (code 3): malformed, or too many."""
        return _patterns(self.topics)


@lru_cache(maxsize=64)
def _patterns(topics: str) -> tuple[Pattern, ...] | None:
    texts = topics.split()
    if len(texts) > MAX_TOPICS:
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"{len(texts)} topics; at most {MAX_TOPICS}")
    try:
        return tuple(map(Pattern, texts)) or None
    except ValueError as error:
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"topics {topics!r}: {error}") from None


class SubscriberStream:
    """The way to one subscriber. All of it runs on the event loop's thread.

    Args:
        peer: the subscriber.
        links: the way to the subscriber.
        clock: seconds that only go forward.
        table: declarations of all addresses.
        prefix: root of all addresses.
        mapping: gives the packets in place of plain messages, for a listener with addresses of its own.
    """

    def __init__(
        self,
        peer: Peer,
        links: Links,
        clock: Callable[[], float],
        table: AddressTable,
        prefix: str,
        mapping: MessageMapping | None = None,
    ) -> None:
        self.peer = peer
        self.exact: set[str] = set()
        self.subscription: Subscription | None = None
        self._links = links
        self._clock = clock
        self._table = table
        self._prefix = prefix
        self._mapping = mapping
        self._wanted: dict[str, bool] = {}
        self._sent_s: dict[str, float] = {}
        self._held: dict[str, tuple[float, bytes]] = {}
        self._release: asyncio.TimerHandle | None = None
        self._backlog: dict[str, bytes] = {}
        self._pacer: asyncio.TimerHandle | None = None

    def want(self, subscription: Subscription | None) -> None:
        """Take note of what is wanted from now on, beside the exact addresses. None: nothing."""
        self.subscription = subscription
        self._wanted.clear()

    def wants(self, relative: str) -> bool:
        """Return True when values of this address are sent here."""
        known = self._wanted.get(relative)
        if known is None:
            known = self._wanted[relative] = self._asked_for(relative)
        return known or relative in self.exact

    def publish(self, messages: Iterable[_Message]) -> None:
        """Send messages that go out together: relative address, values and plain message of each."""
        now = self._clock()
        out: list[bytes] = []
        for relative, values, message in messages:
            if self.wants(relative):
                for key, packet in self._mapped(relative, values, message):
                    self._backlog.pop(key, None)
                    if self._goes_now(key, relative, packet, now):
                        out.append(packet)
        self._ship(out)

    def send_all(self, messages: Iterable[_Message]) -> None:
        """Send a whole state, paced. A value published meanwhile replaces the one waiting here."""
        self._backlog = {
            key: packet
            for relative, values, message in messages
            if self.wants(relative)
            for key, packet in self._mapped(relative, values, message)
        }
        if self._pacer is None:
            self._send_batch()

    def close(self) -> None:
        """Forget the packets that wait."""
        for timer in (self._release, self._pacer):
            if timer is not None:
                timer.cancel()
        self._release = self._pacer = None
        self._held.clear()
        self._backlog.clear()

    def _asked_for(self, relative: str) -> bool:
        if self.subscription is None:
            return False
        patterns = self.subscription.patterns()
        return patterns is None or any(pattern.matches(self._prefix + relative) for pattern in patterns)

    def _mapped(self, relative: str, values: Sequence[Value], message: bytes) -> Sequence[tuple[str, bytes]]:
        return ((relative, message),) if self._mapping is None else self._mapping(relative, values)

    def _goes_now(self, key: str, relative: str, packet: bytes, now: float) -> bool:
        """Return True when a packet may be sent at once; if not, it is held in place of an older one of its kind."""
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
        direction = self._table.direction(relative)
        if direction is not None and direction.event:
            return 0.0
        if self.subscription is not None and self.subscription.rate_hz > 0.0:
            return 1.0 / self.subscription.rate_hz
        return LIVE_INTERVAL_S if direction is not None and direction.live else 0.0

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
        bundles = self.subscription is not None and self.subscription.bundle
        for packet in bundled(packets) if bundles else packets:
            self._links.send(packet, self.peer)


def bundled(packets: Sequence[bytes]) -> list[bytes]:
    """Return packets in as few bundles of at most 1200 bytes as their order allows; a lone one stays as it is."""
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


log = logging.getLogger(__name__)


class Publisher:
    """Sends values to subscribers. All of it runs on the event loop's thread.

    Args:
        table: declarations of all addresses.
        prefix: root of all addresses.
        links: the ways to subscribers.
        clock: seconds that only go forward.

    Attributes:
        latest: the newest value of each relative address whose direction says that it is kept.
    """

    def __init__(self, table: AddressTable, prefix: str, links: Links, clock: Callable[[], float]) -> None:
        self.latest: dict[str, tuple[Value, ...]] = {}
        self._table = table
        self._prefix = prefix
        self._links = links
        self._clock = clock
        self._complaints = LogThrottle()
        self._streams: dict[Peer, SubscriberStream] = {}

    def publish(self, values: Values) -> None:
        """Send each value as one message to every subscriber. A value that can't be sent is logged and left out."""
        messages = self._messages(values)
        for relative, arguments, _ in messages:
            direction = self._table.direction(relative)
            if direction is not None and direction.kept:
                self.latest[relative] = tuple(arguments)
        for stream in list(self._streams.values()):
            stream.publish(messages)

    def send_all(self, values: Values, target: Peer) -> None:
        """Send the whole state to one subscriber, paced. A value published meanwhile replaces the one waiting here."""
        if target in self._streams:
            self._streams[target].send_all(self._messages(values))

    def open(self, target: Peer, subscription: Subscription, mapping: MessageMapping | None = None) -> None:
        """Begin to send a subscriber the values that it wants, or change which ones these are."""
        self._stream(target, mapping).want(subscription)

    def end(self, target: Peer) -> None:
        """Send a subscriber nothing more, except the values that it listens to by exact address."""
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
        """Forget the packets that wait."""
        for stream in self._streams.values():
            stream.close()
        self._streams.clear()

    def _stream(self, target: Peer, mapping: MessageMapping | None = None) -> SubscriberStream:
        if target not in self._streams:
            self._streams[target] = SubscriberStream(
                target, self._links, self._clock, self._table, self._prefix, mapping
            )
        return self._streams[target]

    def _drop_idle(self, stream: SubscriberStream) -> None:
        if stream.subscription is None and not stream.exact:
            self.gone(stream.peer)

    def _messages(self, values: Values) -> list[_Message]:
        made: list[_Message] = []
        for relative, arguments in values.items():
            try:
                plain = self._table.typed(relative, arguments)
                made.append((relative, plain, encode(self._prefix + relative, *plain)))
            except ValueError as error:
                if self._complaints.admit(relative, self._clock()) is not None:
                    log.error("not sent: %s", error)
        return made
