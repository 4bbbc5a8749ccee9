"""What one subscriber is sent: what it asked for, thinned and paced so that it can keep up; the latest value wins."""

from __future__ import annotations

import asyncio
import itertools
import struct
from collections.abc import Callable, Iterable, Sequence

from oscservice.osc.addresses import Direction, lookup
from oscservice.osc.peer import Peer
from oscservice.osc.subscribers import Wish
from oscservice.osc.wire import Value

LIVE_INTERVAL_S = 1 / 25
BATCH = 32
BATCH_INTERVAL_S = 0.005
BUNDLE_BYTES = 1200
"""A bundle's most bytes: what goes through any network in one piece."""

_IMMEDIATELY = b"#bundle\0" + (1).to_bytes(8, "big")

Dress = Callable[[str, Sequence[Value]], Sequence[tuple[str, bytes]]]
"""From a relative address and its values to what is sent in their place: packets, and what each stands for."""


class Stream:
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
