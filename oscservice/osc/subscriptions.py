"""Subscriptions: the peers that are sent the state, their topics and leases, and the requests of clients for them.

A lease is the only thing that ends a stream to a client that is gone, since UDP never says so. It is long enough for
a surface that can send nothing but a ping once a minute. Values go only to the address that asked: the sender's own
IP, with another port if the client listens on a second socket.

A subscriber on a network has to prove that it is where its packets say: it is sent a token, and nothing else until it
has sent that back. So no client can direct the stream to another machine.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from oscservice.osc.address import Call, Values
from oscservice.osc.dispatch import RefusedCall
from oscservice.osc.link import Links
from oscservice.osc.packet import Value, encode
from oscservice.osc.peer import Peer, Transport
from oscservice.osc.publisher import MessageMapping, Publisher, Subscription
from oscservice.osc.refusal import ErrorCode, OscRefusal

LEASE_S = 120.0
MAX_SUBSCRIBERS = 32
MAX_PER_HOST = 8
LOWEST_PORT = 1024
TOKEN_S = 60.0
MAX_PENDING = 64
MAX_PENDING_PER_HOST = 8

log = logging.getLogger(__name__)


EVERYTHING = Subscription()


@dataclass(frozen=True)
class Lease:
    """A subscription, its client, and the time that it ends."""

    sender: Peer
    ends: float
    subscription: Subscription


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

    def subscribe(
        self, sender: Peer, now: float, reply_port: int | None = None, subscription: Subscription = EVERYTHING
    ) -> Peer:
        """Take or renew a lease; return the peer that values are sent to. The newest subscription holds.

        Raises:
            OscRefusal: as :meth:`check`.
        """
        target = self.check(sender, now, reply_port, subscription)
        self._leases.pop(target, None)  # the newest is last
        self._leases[target] = Lease(sender, now + self.lease_s, subscription)
        return target

    def check(
        self, sender: Peer, now: float, reply_port: int | None = None, subscription: Subscription = EVERYTHING
    ) -> Peer:
        """Return the peer that a lease would be for, if it can be had.

        Raises:
            OscRefusal: the port is below 1024, or a port is named on a connection, or the topics are malformed (code
                3), or there are too many subscribers (code 7).
        """
        subscription.patterns()
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
        """End a lease; return the peer it was for.

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
                self._leases[target] = Lease(lease.sender, now + self.lease_s, lease.subscription)

    def expire(self, now: float) -> list[Peer]:
        """Forget the leases that have ended; return the peers they were for."""
        ended = [target for target, lease in self._leases.items() if lease.ends <= now]
        for target in ended:
            del self._leases[target]
        return ended

    def targets(self) -> list[Peer]:
        """Return the peers that values are sent to, the newest lease last."""
        return list(self._leases)

    def listens_at(self, sender: Peer) -> Peer:
        """Return where a client hears answers: at the port its newest lease named, else where it sends from."""
        if sender in self._leases:
            return sender
        return next((target for target, lease in reversed(self._leases.items()) if lease.sender == sender), sender)

    def knows(self, sender: Peer) -> bool:
        """Return True when a lease was taken from here, or is for here."""
        return any(sender in (target, lease.sender) for target, lease in self._leases.items())

    def next_end(self) -> float | None:
        """Return when the next lease ends if nobody renews it; None without leases."""
        return min((lease.ends for lease in self._leases.values()), default=None)


def target_of(sender: Peer, reply_port: int | None) -> Peer:
    """Return the peer that values are to be sent to. Raises OscRefusal (code 3): a port is named on a connection."""
    if reply_port is None:
        return sender
    if sender.transport is not Transport.UDP:
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, "a connection is answered where it is: leave the port 0")
    return sender._replace(port=reply_port)


@dataclass(frozen=True)
class Subscribed:
    """A lease that was taken: the values of the answer, and the peer that is sent the answer and then the state."""

    target: Peer
    values: Sequence[Value]


@dataclass(frozen=True)
class _Pending:
    sender: Peer
    reply_port: int | None
    subscription: Subscription
    ends: float


class Clients:
    """Carries out the requests of clients for themselves: ``/subscribe``, ``/confirm``, ``/unsubscribe``, ``/ping``.

    Args:
        subscribers: the leases.
        publisher: sends subscribers their values.
        links: the ways to clients, to send them the end of a lease.
        prefix: root of all addresses.
        snapshot: returns the whole state, which a new subscriber is sent after the answer.
        clock: seconds that only go forward.
        token: returns a new word that can't be guessed.
    """

    def __init__(
        self,
        subscribers: Subscribers,
        publisher: Publisher,
        links: Links,
        prefix: str,
        snapshot: Callable[[], Values],
        clock: Callable[[], float],
        token: Callable[[], str],
    ) -> None:
        self._subscribers = subscribers
        self._publisher = publisher
        self._links = links
        self._lease_over = encode(f"{prefix}/reply", f"{prefix}/subscribe", 0)
        self._snapshot = snapshot
        self._clock = clock
        self._token = token
        self._pending: dict[str, _Pending] = {}
        self._lease_timer: asyncio.TimerHandle | None = None
        self._refreshers: set[asyncio.TimerHandle] = set()

    def proved(self, sender: Peer) -> bool:
        """Return True when an answer to a peer surely reaches the sender."""
        return sender.proved or self._subscribers.knows(sender)

    def carry_out(self, call: Call, sender: Peer) -> Sequence[Value] | Subscribed:
        """Carry out a client's request for itself; return the values of the answer. Raises OscRefusal."""
        match call.address.path:
            case "/ping":
                return ()
            case "/unsubscribe":
                self._publisher.end(self._subscribers.unsubscribe(sender, _port(call)))
                return ()
            case "/subscribe":
                return self._subscribe(call, sender)
            case "/confirm":
                return self._confirm(str(call.args[0]), sender)
        raise OscRefusal(ErrorCode.UNKNOWN_ADDRESS, "no such command")

    def answered_at(self, call: Call | RefusedCall | None, sender: Peer) -> Peer:
        """Return where a client hears the answer to a call: at the port it has named, or names with this call."""
        port = _port(call) if isinstance(call, Call) else None
        if isinstance(call, Call) and port is not None and port >= LOWEST_PORT and sender.transport is Transport.UDP:
            named = target_of(sender, port)
            subscribes = call.address.path == "/subscribe" and not self._links.is_own(named)
            if subscribes or (call.address.path == "/unsubscribe" and named in self._subscribers.targets()):
                return named
        return self._subscribers.listens_at(sender)

    def send_state(self, target: Peer) -> None:
        """Send a subscriber the whole state."""
        try:
            state = self._snapshot()
        except Exception:
            log.exception("the state for a new subscriber failed")
        else:
            self._publisher.send_all(state, target)

    def add_listener(
        self, target: Peer, subscription: Subscription, refresh_s: float, mapping: MessageMapping | None
    ) -> None:
        """Send a listener that can't subscribe the values of its topics, without an end, and the whole state again
        every ``refresh_s``.

        Raises OscRefusal: the topics are malformed.
        """
        subscription.patterns()
        self._publisher.open(target, subscription, mapping)
        loop = asyncio.get_running_loop()
        timer: asyncio.TimerHandle | None = None

        def refresh() -> None:
            nonlocal timer
            if timer is not None:
                self._refreshers.discard(timer)
            self.send_state(target)
            timer = loop.call_later(refresh_s, refresh)
            self._refreshers.add(timer)

        refresh()

    def gone(self, peer: Peer) -> None:
        """Forget a connection that has ended."""
        self._publisher.gone(peer)
        if peer in self._subscribers.targets():
            self._subscribers.unsubscribe(peer)

    def end_leases(self) -> None:
        """Send each client whose lease has ended one message, and check again when the next lease can end."""
        self._expire()
        if self._lease_timer is not None:
            self._lease_timer.cancel()
            self._lease_timer = None
        self._await_lease_end()

    def close(self) -> None:
        """Send every subscriber the end of its lease."""
        for timer in (*self._refreshers, *([self._lease_timer] if self._lease_timer else [])):
            timer.cancel()
        self._lease_timer = None
        self._publisher.close()
        for target in self._subscribers.targets():
            self._links.send(self._lease_over, target)

    def _subscribe(self, call: Call, sender: Peer) -> Sequence[Value] | Subscribed:
        port, subscription = _port(call), _subscription(call)
        if self._links.is_own(target_of(sender, port)):
            raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"port {target_of(sender, port).port} is the daemon's own")
        self._expire()
        if not self.proved(sender):
            self._subscribers.check(sender, self._clock(), port, subscription)
            return (0, self._new_token(_Pending(sender, port, subscription, self._clock() + TOKEN_S)))
        return self._lease(sender, port, subscription)

    def _confirm(self, token: str, sender: Peer) -> Subscribed:
        now = self._clock()
        known = next((t for t in self._pending if hmac.compare_digest(t.encode(), token.encode())), None)
        asked = self._pending.pop(known) if known is not None else None
        if asked is None or asked.ends <= now or asked.sender.host != sender.host:
            raise OscRefusal(ErrorCode.NOT_FOUND, "no such token, or it is too old: subscribe again")
        return self._lease(asked.sender, asked.reply_port, asked.subscription)

    def _lease(self, sender: Peer, port: int | None, subscription: Subscription) -> Subscribed:
        target = self._subscribers.subscribe(sender, self._clock(), port, subscription)
        self._publisher.open(target, subscription)
        self._await_lease_end()
        return Subscribed(target, (round(self._subscribers.lease_s),))

    def _new_token(self, asked: _Pending) -> str:
        """Return a token for a subscription, one a target; the oldest tokens make room."""
        now = self._clock()
        target = target_of(asked.sender, asked.reply_port)
        kept = {
            token: one
            for token, one in self._pending.items()
            if one.ends > now and target_of(one.sender, one.reply_port) != target
        }
        own_host = [token for token, one in kept.items() if one.sender.host == asked.sender.host]
        for token in own_host[: max(0, len(own_host) + 1 - MAX_PENDING_PER_HOST)]:
            del kept[token]
        for token in list(kept)[: max(0, len(kept) + 1 - MAX_PENDING)]:
            del kept[token]
        token = self._token()
        self._pending = {**kept, token: asked}
        return token

    def _expire(self) -> None:
        for target in self._subscribers.expire(self._clock()):
            self._publisher.end(target)
            self._links.send(self._lease_over, target)

    def _await_lease_end(self) -> None:
        ends = self._subscribers.next_end()
        if ends is not None and self._lease_timer is None:
            wait_s = max(0.0, ends - self._clock())
            self._lease_timer = asyncio.get_running_loop().call_later(wait_s, self.end_leases)


def _port(call: Call) -> int | None:
    """Return the port a client names, or None for the one it sends from."""
    return (int(call.args[0]) or None) if call.args and isinstance(call.args[0], int) else None


def _subscription(call: Call) -> Subscription:
    given = call.args[1:]
    defaults: tuple[Value, ...] = ("", 0.0, 0)
    topics, rate_hz, bundle = (*given, *defaults[len(given) :])
    return Subscription(str(topics), float(rate_hz), bool(bundle))
