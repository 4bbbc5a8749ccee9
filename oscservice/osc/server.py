"""OSC messages in, answers and changes out, whatever they travel on.

Everything happens on one asyncio loop, without waiting. A bad packet, a failing handler or a subscriber that is gone
never stops it. Sockets are bound to the loopback address unless told otherwise: OSC has no password, so a wider bind
lets everyone on the networks that are allowed drive the session.
"""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol

import numpy as np

from oscservice.api.address_table import DEFAULT_PREFIX, concrete_addresses
from oscservice.api.argument_values import ErrorCode, OscRefusal
from oscservice.osc.bundle_schedule import BundleSchedule
from oscservice.osc.client_requests import ClientRequests
from oscservice.osc.dispatch import Space
from oscservice.osc.execution import Executor, Foreign, Handler
from oscservice.osc.packet import PacketError, Value, decode_from
from oscservice.osc.peer import Networks, Peer, Transport, is_loopback
from oscservice.osc.publisher import Dress, Publisher, Values
from oscservice.osc.rate_limits import LogThrottle, TokenBuckets
from oscservice.osc.replies import ReplyBudget, ReplyEncoder
from oscservice.osc.subscriptions import Subscribers, Wish

__all__ = ["Counts", "Handler", "Link", "OscRefusal", "OscServer", "Values"]

PACKETS_PER_S = 2000

log = logging.getLogger(__name__)


@dataclass
class Counts:
    """Packets since the start: ``packets`` in, of these ``bad``, ``dropped`` (too fast) and ``refused`` (from networks
    that are not allowed); ``unsent`` out."""

    packets: int = 0
    bad: int = 0
    dropped: int = 0
    refused: int = 0
    unsent: int = 0


class Link(Protocol):
    """A way to peers of one transport."""

    def send(self, packet: bytes, peer: Peer) -> bool:
        """Send one packet without waiting; False if it can't be."""

    def close(self) -> None:
        """End it, after what is under way."""

    @property
    def lost(self) -> int:
        """Packets lost before they were read."""

    def __len__(self) -> int:
        """Connections."""


class OscServer:
    """Takes OSC packets, hands commands to ``handler``, and sends values to subscribers. Knows no sockets.

    Args:
        handler: carries out commands, and answers ``/status`` and ``/version``. Called on the loop; must not wait.
        snapshot: gives the whole state, which a new subscriber is sent after the reply.
        prefix: root of all addresses.
        string_count: strings of the instrument; see :meth:`present`. Patterns expand to them.
        simulated: whether the simulator's commands are taken.
        subscribers: leases, if not with the default limits.
        allowed: networks that packets are taken from, beside this machine.
        clock: seconds that only go forward.
        wall: Unix time in seconds, for time tags.
        token: gives a new word that can't be guessed.
    """

    def __init__(
        self,
        handler: Handler,
        *,
        snapshot: Callable[[], Values],
        prefix: str = DEFAULT_PREFIX,
        string_count: int = 0,
        simulated: bool = False,
        subscribers: Subscribers | None = None,
        allowed: Networks | None = None,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
        token: Callable[[], str] = partial(secrets.token_urlsafe, 5),
    ) -> None:
        self.counts = Counts()
        self.subscribers = Subscribers() if subscribers is None else subscribers
        self.allowed = Networks() if allowed is None else allowed
        self.schedule = BundleSchedule()
        self.on_paths: Callable[[list[str], list[str]], None] | None = None
        self.space = Space(prefix, string_count, simulated)
        self.host, self.port = "", 0
        self._snapshot = snapshot
        self._clock = clock
        self._answers = ReplyEncoder(prefix)
        self._outbox = Publisher(prefix, self.send, clock)
        self._clients = ClientRequests(
            self.subscribers, self._outbox, snapshot, clock, token, self.is_own, self._send_lease_end
        )
        self._carrier = Executor(
            handler, self._clients, self._answers, self.schedule, self._send_if, lambda: self.space, wall
        )
        self._buckets = TokenBuckets(PACKETS_PER_S)
        self._complaints = LogThrottle()
        self._links: dict[Transport, Link] = {}

    # What the daemon does with it

    def attach(self, transport: Transport, link: Link) -> None:
        """Send to peers of this transport over this link from now on."""
        self._links[transport] = link

    def bound(self, host: str, port: int) -> None:
        """Take note of where the daemon is to be found, so that it never talks to itself."""
        self.host, self.port = host, port

    def present(
        self,
        *,
        string_count: int | None = None,
        fret_count: int | None = None,
        items: tuple[str, ...] | None = None,
        phase: str | None = None,
    ) -> None:
        """Take note of what is on the bench: addresses of strings, frets and inspection items come and go with it."""
        now = self.space
        space = replace(
            now,
            string_count=now.string_count if string_count is None else string_count,
            fret_count=now.fret_count if fret_count is None else fret_count,
            items=now.items if items is None else items,
            phase=now.phase if phase is None else phase,
        )
        if space == now:
            return
        before, self.space = self.paths(), space
        if self.on_paths is not None:
            after = self.paths()
            came, went = set(after) - set(before), set(before) - set(after)
            if came or went:
                self.on_paths([p for p in after if p in came], [p for p in before if p in went])

    def paths(self) -> list[str]:
        """Every relative address there is now, both ways, in the order of the table."""
        space = self.space
        return concrete_addresses(
            space.string_count, fret_count=space.fret_count, items=space.items, simulated=space.simulated
        )

    def values(self) -> dict[str, Sequence[Value | np.generic]]:
        """The newest value of each relative address that has one: the state, and what was last sent beside it."""
        return {**self._outbox.latest, **self._snapshot()}

    def publish(self, values: Values) -> None:
        """Send each value, by relative address, as one message to every subscriber; live ones at most 25 a second.

        Values take their declared types. One that can't be sent (NaN, an unknown address) is logged and left out.
        Call it on the loop's thread.
        """
        self._outbox.publish(values)

    def traffic(self) -> tuple[int, ...]:
        """Packets that came, bad, dropped, refused ones; unsent ones; those lost before they were read; bundles that
        wait for their time; connections."""
        counts, links = self.counts, self._links.values()
        came = (counts.packets, counts.bad, counts.dropped, counts.refused)
        lost, connections = sum(link.lost for link in links), sum(map(len, links))
        return (*came, counts.unsent, lost, len(self.schedule), connections)

    def add_listener(
        self, peer: Peer, topics: str = "", rate_hz: float = 0.0, *, refresh_s: float = 10.0, dress: Dress | None = None
    ) -> None:
        """Send a peer that can't subscribe what it wants, for good, and the whole state again every ``refresh_s``.

        ``dress`` gives what is sent in place of plain messages. Raises OscRefusal: the topics are malformed.
        """
        self._clients.add_listener(peer, Wish(topics, rate_hz), refresh_s, dress)

    def listen(self, peer: Peer, relative: str) -> None:
        """Send a connection every new value of one exact address, while it lasts."""
        self._outbox.listen(peer, relative)

    def ignore(self, peer: Peer, relative: str) -> None:
        """Send a connection the values of one exact address no more."""
        self._outbox.ignore(peer, relative)

    def bind(self, foreign: Foreign, refused: Callable[[str], None]) -> None:
        """Ask ``foreign`` about messages that are for no address here; ``refused`` is told in one line of what it asks
        for in vain."""
        self._carrier.bind(foreign, refused)

    def close(self) -> None:
        """Tell every subscriber that its lease is over, and close the links."""
        self.schedule.close()
        self._clients.close()
        for link in self._links.values():
            link.close()
        self._links.clear()

    # What links do with it

    def take(self, packet: bytes, sender: Peer) -> None:
        """Take a packet that has come, unframed, and carry it out if its sender may send it."""
        if self.admit(sender):
            self.carry_out(packet, sender)

    def admit(self, sender: Peer) -> bool:
        """Count a packet; whether its sender may send it: one of another network may not, nor one beyond the rate."""
        self.counts.packets += 1
        if self.is_own(sender) or not self.welcome(sender):
            return False
        if not self._buckets.allow(sender.source, self._clock()):
            self.drop(sender)
            return False
        return True

    def welcome(self, sender: Peer) -> bool:
        """Whether a peer is on a network that is allowed; one that is not is counted."""
        if self.allowed.allow(sender.host):
            return True
        self.counts.refused += 1
        self._complain("refused", f"{sender} is on none of the networks allowed")
        return False

    def wait_s(self, sender: Peer) -> float:
        """How long a connection's next packet has to wait: it is held back, where a datagram would be dropped."""
        return self._buckets.wait_s(sender.source, self._clock())

    def drop(self, sender: Peer) -> None:
        """Count a packet that is thrown away because more come than can be carried out."""
        self.counts.dropped += 1
        self._complain("packets dropped", f"more than {PACKETS_PER_S} a second from {sender}, or more than can be done")

    def carry_out(self, packet: bytes, sender: Peer) -> None:
        """Carry out a packet that was admitted."""
        try:
            timed = decode_from(packet, sender.transport)
        except PacketError as error:
            self.bad(str(error), len(packet), sender)
            return
        self.subscribers.renew(sender, self._clock())
        purse = ReplyBudget(len(packet), limited=not self._clients.proved(sender))
        asked = self._carrier.take(timed, sender, purse)
        self._buckets.spend(sender.source, max(0, asked - 1))

    def bad(self, reason: str, size: int, sender: Peer) -> None:
        """Count bytes that are no packet, and say so to whoever sent them, briefly."""
        self.counts.bad += 1
        self._complain(f"bad packet: {reason}", f"{size} bytes from {sender}")
        purse = ReplyBudget(size, limited=sender.transport is Transport.UDP)
        answer = self._answers.fitting_error("", ErrorCode.BAD_PACKET, reason, "", purse)
        if answer is not None:
            self.send(answer, sender)

    def gone(self, peer: Peer) -> None:
        """Forget a connection that has ended."""
        self._clients.gone(peer)

    def send(self, packet: bytes, target: Peer) -> None:
        """Send one packet, without waiting; what can't be sent is counted."""
        link = self._links.get(target.transport)
        if link is None or not link.send(packet, target):
            self.counts.unsent += 1

    def _send_if(self, packet: bytes | None, target: Peer) -> None:
        """Send an answer, if there is one that may be sent."""
        if packet is None:
            self.counts.unsent += 1
        else:
            self.send(packet, target)

    def _send_lease_end(self, target: Peer) -> None:
        self.send(self._answers.reply(self.space.prefix + "/subscribe", (0,)), target)

    def is_own(self, peer: Peer) -> bool:
        """Whether a peer is this daemon's own socket."""
        if peer.port != self.port or peer.transport is not Transport.UDP:
            return False
        return peer.host == self.host or (peer.loopback and not is_loopback(self.host))

    def _complain(self, cause: str, detail: str) -> None:
        held = self._complaints.admit(cause, self._clock())
        if held is not None:
            log.warning("%s (%s)%s", cause, detail, f", {held} more like it" if held else "")
