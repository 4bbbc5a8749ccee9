"""Who is sent the state, what of it, and until when. Pure: the time is an argument.

A lease is the only thing that ends a stream to a client that is gone, since UDP never says so. It is long enough for
a surface that can send nothing but a ping once a minute. Values go only to the address that asked: the sender's own
IP, with another port if the client listens on a second socket.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from oscservice.api.argument_values import ErrorCode, OscRefusal
from oscservice.osc.pattern import Pattern
from oscservice.osc.peer import Peer, Transport

LEASE_S = 120.0
MAX_SUBSCRIBERS = 32
MAX_PER_HOST = 8
LOWEST_PORT = 1024
MAX_TOPICS = 16


@dataclass(frozen=True)
class Wish:
    """What a subscriber wants of all that is sent.

    ``topics``: whole addresses or patterns of them, spaces between; empty for everything. ``rate_hz``: how often a
    value may come, 0 for the usual (live values thinned, all else as it happens). ``bundle``: what goes out together
    comes in one packet.
    """

    topics: str = ""
    rate_hz: float = 0.0
    bundle: bool = False

    def patterns(self) -> tuple[Pattern, ...] | None:
        """The topics read; None for everything. Raises OscRefusal (code 3): malformed, or too many."""
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


EVERYTHING = Wish()


@dataclass(frozen=True)
class Lease:
    """Who asked, until when, and for what."""

    sender: Peer
    ends: float
    wish: Wish


class Subscribers:
    """The leases, by the peer that values are sent to.

    Args:
        lease_s: seconds a lease lasts from the client's last message.
        limit: leases altogether.
        per_host: leases an IP address may hold.
    """

    def __init__(self, lease_s: float = LEASE_S, limit: int = MAX_SUBSCRIBERS, per_host: int = MAX_PER_HOST) -> None:
        self.lease_s = lease_s
        self._limit = limit
        self._per_host = per_host
        self._leases: dict[Peer, Lease] = {}

    def __len__(self) -> int:
        return len(self._leases)

    def subscribe(self, sender: Peer, now: float, reply_port: int | None = None, wish: Wish = EVERYTHING) -> Peer:
        """Take or renew a lease; returns the peer that values are sent to. The newest wish holds.

        Raises:
            OscRefusal: as :meth:`check`.
        """
        target = self.check(sender, now, reply_port, wish)
        self._leases.pop(target, None)  # the newest stands last
        self._leases[target] = Lease(sender, now + self.lease_s, wish)
        return target

    def check(self, sender: Peer, now: float, reply_port: int | None = None, wish: Wish = EVERYTHING) -> Peer:
        """The peer that a lease would be for, if it can be had.

        Raises:
            OscRefusal: the port is below 1024, or a port is named on a connection, or the topics are malformed (code
                3), or there are too many subscribers (code 7).
        """
        wish.patterns()
        target = target_of(sender, reply_port)
        if not LOWEST_PORT <= target.port <= 65535 and sender.transport is Transport.UDP:
            raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"port {target.port} is not from {LOWEST_PORT} to 65535")
        self.expire(now)
        if target not in self._leases:
            if len(self._leases) >= self._limit:
                raise OscRefusal(ErrorCode.TOO_MANY, f"{self._limit} subscribers already; unsubscribe one")
            if sum(peer.host == target.host for peer in self._leases) >= self._per_host:
                text = f"{self._per_host} subscribers at {target.host} already; unsubscribe one"
                raise OscRefusal(ErrorCode.TOO_MANY, text)
        return target

    def unsubscribe(self, sender: Peer, reply_port: int | None = None) -> Peer:
        """End a lease; returns the peer it was for.

        Without a port, the leases this sender took are looked through if none is for its own port.

        Raises:
            OscRefusal: there is no such lease (code 5).
        """
        target = target_of(sender, reply_port)
        if reply_port is None and target not in self._leases:
            target = next((t for t, lease in self._leases.items() if lease.sender == sender), target)
        if self._leases.pop(target, None) is None:
            raise OscRefusal(ErrorCode.NOT_FOUND, f"no subscription for port {target.port}")
        return target

    def renew(self, sender: Peer, now: float) -> None:
        """Renew the leases of a client that has just sent anything, from the port it listens on or subscribed from."""
        for target, lease in self._leases.items():
            if sender in (target, lease.sender) and lease.ends > now:
                self._leases[target] = Lease(lease.sender, now + self.lease_s, lease.wish)

    def expire(self, now: float) -> list[Peer]:
        """Forget the leases that have ended; returns the peers they were for."""
        ended = [target for target, lease in self._leases.items() if lease.ends <= now]
        for target in ended:
            del self._leases[target]
        return ended

    def targets(self) -> list[Peer]:
        """Where values are sent, the newest lease last."""
        return list(self._leases)

    def listens_at(self, sender: Peer) -> Peer:
        """Where a client hears answers: at the port its newest lease named, else where it sends from."""
        if sender in self._leases:
            return sender
        return next((target for target, lease in reversed(self._leases.items()) if lease.sender == sender), sender)

    def knows(self, sender: Peer) -> bool:
        """Whether a lease was taken from here, or is for here."""
        return any(sender in (target, lease.sender) for target, lease in self._leases.items())

    def next_end(self) -> float | None:
        """When the next lease ends if nobody renews it; None without leases."""
        return min((lease.ends for lease in self._leases.values()), default=None)


def target_of(sender: Peer, reply_port: int | None) -> Peer:
    """Where a sender wants to be sent things. Raises OscRefusal (code 3): a port is named on a connection."""
    if reply_port is None:
        return sender
    if sender.transport is not Transport.UDP:
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, "a connection is answered where it is: leave the port 0")
    return sender._replace(port=reply_port)
