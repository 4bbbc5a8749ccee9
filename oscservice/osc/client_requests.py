"""Clients: subscribing, proving the way back, renewing, leaving. What a client asks for is handed to the outbox.

A subscriber on a network has to prove that it is where its packets say: it is sent a token, and nothing else until it
has sent that back. So nobody can aim the stream at somebody else.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from oscservice.api.argument_values import ErrorCode, OscRefusal
from oscservice.osc.dispatch import Call
from oscservice.osc.packet import Value
from oscservice.osc.peer import Peer, Transport
from oscservice.osc.publisher import Dress, Publisher, Values
from oscservice.osc.subscriptions import LOWEST_PORT, Subscribers, Wish, target_of

TOKEN_S = 60.0
MAX_PENDING = 64
MAX_PENDING_PER_HOST = 8

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class _Pending:
    sender: Peer
    reply_port: int | None
    wish: Wish
    ends: float


class ClientRequests:
    """Who is subscribed. All of it runs on the event loop's thread.

    Args:
        subscribers: the leases.
        outbox: where what is wanted is sent from.
        snapshot: gives the whole state, which a new subscriber is sent after the answer.
        clock: seconds that only go forward.
        token: gives a new word that can't be guessed.
        is_own: whether a peer is the daemon itself.
        lease_ended: tells a peer that its lease is over.
    """

    def __init__(
        self,
        subscribers: Subscribers,
        outbox: Publisher,
        snapshot: Callable[[], Values],
        clock: Callable[[], float],
        token: Callable[[], str],
        is_own: Callable[[Peer], bool],
        lease_ended: Callable[[Peer], None],
    ) -> None:
        self._subscribers = subscribers
        self._outbox = outbox
        self._snapshot = snapshot
        self._clock = clock
        self._token = token
        self._is_own = is_own
        self._lease_ended = lease_ended
        self._pending: dict[str, _Pending] = {}
        self._lease_timer: asyncio.TimerHandle | None = None
        self._refreshers: set[asyncio.TimerHandle] = set()

    def proved(self, sender: Peer) -> bool:
        """Whether what is sent to a peer surely reaches who sends from there."""
        return sender.proved or self._subscribers.knows(sender)

    def carry_out(self, call: Call, sender: Peer) -> tuple[Sequence[Value], Peer | None] | None:
        """What a client's own message is answered with, and who is sent the whole state after that.

        None for a message that is not for this room. Raises OscRefusal.
        """
        match call.address.path:
            case "/ping":
                return (), None
            case "/unsubscribe":
                self._outbox.end(self._subscribers.unsubscribe(sender, _port(call)))
                return (), None
            case "/subscribe":
                return self._subscribe(call, sender)
            case "/confirm":
                return self._confirm(str(call.args[0]), sender)
        return None

    def answered_at(self, call: Call | None, sender: Peer) -> Peer:
        """Where a client hears the answer to a call: at the port it has named, or names with this call."""
        port = _port(call) if call is not None else None
        if call is not None and port is not None and port >= LOWEST_PORT and sender.transport is Transport.UDP:
            named = target_of(sender, port)
            subscribes = call.address.path == "/subscribe" and not self._is_own(named)
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
            self._outbox.send_all(state, target)

    def add_listener(self, target: Peer, wish: Wish, refresh_s: float, dress: Dress | None) -> None:
        """Send a listener that can't subscribe what it wants, for good; the whole state again every ``refresh_s``.

        Raises OscRefusal: the topics are malformed.
        """
        wish.patterns()
        self._outbox.open(target, wish, dress)
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
        self._outbox.gone(peer)
        if peer in self._subscribers.targets():
            self._subscribers.unsubscribe(peer)

    def end_leases(self) -> None:
        """Tell clients whose lease has ended, once, and look again when the next one can end."""
        self._expire()
        if self._lease_timer is not None:
            self._lease_timer.cancel()
            self._lease_timer = None
        self._await_lease_end()

    def close(self) -> None:
        """Tell every subscriber that its lease is over."""
        for timer in (*self._refreshers, *([self._lease_timer] if self._lease_timer else [])):
            timer.cancel()
        self._lease_timer = None
        self._outbox.close()
        for target in self._subscribers.targets():
            self._lease_ended(target)

    def _subscribe(self, call: Call, sender: Peer) -> tuple[Sequence[Value], Peer | None]:
        port, wish = _port(call), _wish(call)
        if self._is_own(target_of(sender, port)):
            raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"port {target_of(sender, port).port} is the daemon's own")
        self._expire()
        if not self.proved(sender):
            self._subscribers.check(sender, self._clock(), port, wish)
            return (0, self._new_token(_Pending(sender, port, wish, self._clock() + TOKEN_S))), None
        return self._lease(sender, port, wish)

    def _lease(self, sender: Peer, port: int | None, wish: Wish) -> tuple[Sequence[Value], Peer | None]:
        target = self._subscribers.subscribe(sender, self._clock(), port, wish)
        self._outbox.open(target, wish)
        self._await_lease_end()
        return (round(self._subscribers.lease_s),), target

    def _confirm(self, token: str, sender: Peer) -> tuple[Sequence[Value], Peer | None]:
        now = self._clock()
        known = next((t for t in self._pending if hmac.compare_digest(t.encode(), token.encode())), None)
        asked = self._pending.pop(known) if known is not None else None
        if asked is None or asked.ends <= now or asked.sender.host != sender.host:
            raise OscRefusal(ErrorCode.NOT_FOUND, "no such token, or it is too old: subscribe again")
        return self._lease(asked.sender, asked.reply_port, asked.wish)

    def _new_token(self, asked: _Pending) -> str:
        """A token for a subscription, one a target; the oldest give way."""
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
            self._outbox.end(target)
            self._lease_ended(target)

    def _await_lease_end(self) -> None:
        ends = self._subscribers.next_end()
        if ends is not None and self._lease_timer is None:
            wait_s = max(0.0, ends - self._clock())
            self._lease_timer = asyncio.get_running_loop().call_later(wait_s, self.end_leases)


def _port(call: Call) -> int | None:
    """The port a client names, or None for the one it sends from."""
    return (int(call.args[0]) or None) if call.args and isinstance(call.args[0], int) else None


def _wish(call: Call) -> Wish:
    given = call.args[1:]
    defaults: tuple[Value, ...] = ("", 0.0, 0)
    topics, rate_hz, bundle = (*given, *defaults[len(given) :])
    return Wish(str(topics), float(rate_hz), bool(bundle))
