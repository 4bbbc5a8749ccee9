"""OSC messages in, answers and changes out, over any transport.

A packet goes one way: a link hands it in, it is decoded, each message is resolved to calls, the calls are carried out,
and their answers come back as packets, which are sent. Everything happens on one asyncio loop, without waiting. A bad
packet, a failing handler or a subscriber that is gone never stops it.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import time
from collections.abc import Callable, Iterable, Sequence
from functools import partial

import numpy as np

from oscservice.osc.address import AddressSpace, Values
from oscservice.osc.dispatch import MAX_CALLS, asked_for, is_answer
from oscservice.osc.execution import Executor, ReplyBudget, Translate
from oscservice.osc.link import Link, Links
from oscservice.osc.packet import Message, PacketError, Timed, Value, decode_from
from oscservice.osc.peer import Networks, Peer, Transport
from oscservice.osc.publisher import MessageMapping, Publisher, Subscription
from oscservice.osc.rate_limits import LogThrottle, TokenBuckets
from oscservice.osc.refusal import ErrorCode
from oscservice.osc.subscriptions import Clients, Subscribers

PACKETS_PER_S = 2000
MAX_SCHEDULED = 256
"""Bundles that may wait for their time."""
MAX_AHEAD_S = 10.0

log = logging.getLogger(__name__)


class OscServer:
    """Takes OSC packets, carries out their messages, and sends values to subscribers. Knows no sockets: it receives
    packets as :class:`~oscservice.osc.link.PacketReceiver`, and sends them over links.

    Args:
        space: returns the addresses there are now, each with its handler.
        context: what handlers are given.
        snapshot: returns the whole state, which a new subscriber is sent after the reply.
        subscribers: leases, if not with the default limits.
        allowed: networks that packets are taken from, beside this machine.
        clock: seconds that only go forward.
        wall: Unix time in seconds, for time tags.
        token: returns a new word that can't be guessed.
        on_carried_out: called when messages were carried out, before their answers are sent.

    Attributes:
        on_paths: called with the new address space when addresses have come or gone.
    """

    def __init__(
        self,
        space: Callable[[], AddressSpace],
        context: object = None,
        *,
        snapshot: Callable[[], Values],
        subscribers: Subscribers | None = None,
        allowed: Networks | None = None,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
        token: Callable[[], str] = partial(secrets.token_urlsafe, 5),
        on_carried_out: Callable[[], None] = lambda: None,
    ) -> None:
        self.subscribers = Subscribers() if subscribers is None else subscribers
        self.allowed = Networks() if allowed is None else allowed
        self.on_paths: Callable[[AddressSpace], None] | None = None
        self.scheduled: set[asyncio.TimerHandle] = set()
        self._space = space
        self._on_carried_out = on_carried_out
        self._announced = now = space()
        self._snapshot = snapshot
        self._clock = clock
        self._wall = wall
        self._links = Links()
        self.counts = self._links.counts
        self._publisher = Publisher(now.table, now.prefix, self._links, clock)
        self._clients = Clients(self.subscribers, self._publisher, self._links, now.prefix, snapshot, clock, token)
        self._executor = Executor(space, context, self._clients)
        self._buckets = TokenBuckets(PACKETS_PER_S)
        self._complaints = LogThrottle()

    # Called by the program

    @property
    def space(self) -> AddressSpace:
        """The addresses there are now."""
        return self._space()

    @property
    def host(self) -> str:
        """IP address that the server is bound to; empty before."""
        return self._links.host

    @property
    def port(self) -> int:
        """Port that the server is bound to; 0 before."""
        return self._links.port

    def attach(self, transport: Transport, link: Link) -> None:
        """Send to peers of this transport over this link from now on."""
        self._links.attach(transport, link)

    def bound(self, host: str, port: int) -> None:
        """Take note of where the server is bound, so that it never talks to itself."""
        self._links.host, self._links.port = host, port

    def announce_paths(self) -> None:
        """Announce the addresses that have come or gone since the last call, if any have."""
        self._announce_paths(self.space)

    def values(self) -> dict[str, Sequence[Value | np.generic]]:
        """Return the newest value of each relative address that has one: the state, and what was last sent beside
        it."""
        return {**self._publisher.latest, **self._snapshot()}

    def publish(self, values: Values) -> None:
        """Send each value, by relative address, as one message to every subscriber; live ones at most 25 a second.

        Values take their declared types. One that can't be sent (NaN, an unknown address) is logged and left out.
        Call it on the loop's thread.
        """
        self._publisher.publish(values)

    def traffic(self) -> tuple[int, ...]:
        """Return the numbers of packets that came, of bad, dropped, refused and unsent ones, and of those lost before
        they were read; then of bundles that wait for their time, and of connections."""
        counts = self.counts
        came = (counts.packets, counts.bad, counts.dropped, counts.refused)
        return (*came, counts.unsent, self._links.lost, len(self.scheduled), len(self._links))

    def add_listener(
        self,
        peer: Peer,
        topics: str = "",
        rate_hz: float = 0.0,
        *,
        refresh_s: float = 10.0,
        mapping: MessageMapping | None = None,
    ) -> None:
        """Send a peer that can't subscribe the values of some topics, without an end, and the whole state again every
        ``refresh_s``.

        ``mapping`` gives the packets that are sent in place of plain messages. Raises OscRefusal: the topics are
        malformed.
        """
        self._clients.add_listener(peer, Subscription(topics, rate_hz), refresh_s, mapping)

    def listen(self, peer: Peer, relative: str) -> None:
        """Send a connection every new value of one exact address, while it lasts."""
        self._publisher.listen(peer, relative)

    def ignore(self, peer: Peer, relative: str) -> None:
        """Send a connection the values of one exact address no more."""
        self._publisher.ignore(peer, relative)

    def bind(self, translate: Translate, refused: Callable[[str], None]) -> None:
        """Ask ``translate`` about messages that are for no address here; ``refused`` takes one line for each of their
        calls that is refused."""
        self._executor.bind(translate, refused)

    def is_own(self, peer: Peer) -> bool:
        """Return True when a peer is the server's own socket."""
        return self._links.is_own(peer)

    def close(self) -> None:
        """Send every subscriber the end of its lease, and close the links."""
        for timer in self.scheduled:
            timer.cancel()
        self.scheduled.clear()
        self._clients.close()
        self._links.close()

    # Called by links

    def receive(self, packet: bytes, sender: Peer) -> None:
        """Take a packet that has come, unframed, and carry it out if its sender may send it."""
        if self.admit(sender):
            self.carry_out(packet, sender)

    def admit(self, sender: Peer) -> bool:
        """Count a packet. Return True when its sender may send it: one of another network may not, nor one beyond the
        rate."""
        self.counts.packets += 1
        if self.is_own(sender) or not self.welcome(sender):
            return False
        if not self._buckets.allow(sender.source, self._clock()):
            self.drop(sender)
            return False
        return True

    def welcome(self, sender: Peer) -> bool:
        """Return True when a peer is on a network that is allowed; one that is not is counted."""
        if self.allowed.allow(sender.host):
            return True
        self.counts.refused += 1
        self._complain("refused", f"{sender} is on none of the networks allowed")
        return False

    def wait_s(self, sender: Peer) -> float:
        """Return how long a connection's next packet has to wait: it is held back, where a datagram would be
        dropped."""
        return self._buckets.wait_s(sender.source, self._clock())

    def drop(self, sender: Peer) -> None:
        """Count a packet that is thrown away because more come than can be carried out."""
        self.counts.dropped += 1
        self._complain("packets dropped", f"more than {PACKETS_PER_S} a second from {sender}, or more than can be done")

    def carry_out(self, packet: bytes, sender: Peer) -> None:
        """Carry out a packet that was admitted, and send its answers. It counts as many packets as it has calls."""
        try:
            timed = [one for one in decode_from(packet, sender.transport) if not is_answer(one.message)]
        except PacketError as error:
            self.bad(str(error), len(packet), sender)
            return
        self.subscribers.renew(sender, self._clock())
        budget = ReplyBudget(len(packet), limited=not self._clients.proved(sender))
        space = self.space
        calls = sum(asked_for(one.message, space) for one in timed)
        if calls > MAX_CALLS:
            text = f"the packet asks for {calls} things at once; at most {MAX_CALLS}"
            self._refuse([one.message for one in timed], ErrorCode.TOO_MANY, text, sender, budget)
            calls = len(timed)
        else:
            for due, messages in _together(timed).items():
                ahead_s = 0.0 if due is None else due - self._wall()
                if ahead_s <= 0:
                    calls += self._run(messages, sender, budget)
                else:
                    self._schedule(ahead_s, messages, sender, budget)
        self._buckets.spend(sender.source, max(0, calls - 1))

    def bad(self, reason: str, size: int, sender: Peer) -> None:
        """Count bytes that are no packet, and send their sender a short error."""
        self.counts.bad += 1
        self._complain(f"bad packet: {reason}", f"{size} bytes from {sender}")
        budget = ReplyBudget(size, limited=sender.transport is Transport.UDP)
        answer, _ = self._executor.bad_packet(reason, sender, budget)
        if answer is not None:
            self._links.send(answer, sender)

    def gone(self, peer: Peer) -> None:
        """Forget a connection that has ended."""
        self._clients.gone(peer)

    # The way of a packet

    def _run(self, messages: list[Message], sender: Peer, budget: ReplyBudget) -> int:
        """Carry out messages and send their answers; return the calls that bindings added."""
        done = self._executor.run(messages, sender, budget)
        for space in done.spaces:
            self._announce_paths(space)
        self._on_carried_out()
        for packet, peer in done.answers:
            self._links.send(packet, peer)
        for subscriber in done.newcomers:
            self._clients.send_state(subscriber)
        return done.bound_calls

    def _announce_paths(self, space: AddressSpace) -> None:
        before, self._announced = self._announced, space
        if self.on_paths is not None and space is not before and set(space.paths) != set(before.paths):
            self.on_paths(space)

    def _schedule(self, ahead_s: float, messages: list[Message], sender: Peer, budget: ReplyBudget) -> None:
        """Carry out messages so many seconds from now."""
        if ahead_s > MAX_AHEAD_S:
            text = f"the time tag lies {ahead_s:.0f} s ahead; at most {MAX_AHEAD_S:g} s"
            self._refuse(messages, ErrorCode.OUT_OF_RANGE, text, sender, budget)
            return
        if len(self.scheduled) >= MAX_SCHEDULED:
            text = f"{MAX_SCHEDULED} bundles wait for their time already"
            self._refuse(messages, ErrorCode.TOO_MANY, text, sender, budget)
            return

        def due() -> None:
            self.scheduled.discard(timer)
            self._run(messages, sender, budget)

        timer = asyncio.get_running_loop().call_later(ahead_s, due)
        self.scheduled.add(timer)

    def _refuse(self, messages: list[Message], code: ErrorCode, text: str, sender: Peer, budget: ReplyBudget) -> None:
        """Send one error for each message; none of them is carried out."""
        for packet, peer in self._executor.refuse(messages, code, text, sender, budget):
            self._links.send(packet, peer)

    def _complain(self, cause: str, detail: str) -> None:
        held = self._complaints.admit(cause, self._clock())
        if held is not None:
            log.warning("%s (%s)%s", cause, detail, f", {held} more like it" if held else "")


def _together(timed: Iterable[Timed]) -> dict[float | None, list[Message]]:
    """Return the messages of a packet by the time that they are due."""
    found: dict[float | None, list[Message]] = {}
    for one in timed:
        found.setdefault(one.due, []).append(one.message)
    return found
