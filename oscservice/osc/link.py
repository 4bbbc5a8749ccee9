"""Links: the ways to peers, one for each transport, and the receiver of their packets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from oscservice.osc.peer import Peer, Transport, is_loopback


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
        """Send one packet without waiting; False if it can't be sent."""

    def close(self) -> None:
        """End it, after everything that is under way."""

    @property
    def lost(self) -> int:
        """Packets lost before they were read."""

    def __len__(self) -> int:
        """Connections."""


class PacketReceiver(Protocol):
    """Takes the packets of links. A link on a stream calls ``receive``; one of datagrams calls ``admit`` when it reads
    a packet and ``carry_out`` when its turn has come."""

    def welcome(self, sender: Peer) -> bool:
        """Return True when a peer may send packets here."""

    def wait_s(self, sender: Peer) -> float:
        """Return the seconds that the next packet of a peer has to wait."""

    def receive(self, packet: bytes, sender: Peer) -> None:
        """Take one whole packet: admit it, and carry it out."""

    def admit(self, sender: Peer) -> bool:
        """Count a packet. Return True when it is to be carried out."""

    def carry_out(self, packet: bytes, sender: Peer) -> None:
        """Carry out a packet that was admitted."""

    def drop(self, sender: Peer) -> None:
        """Count a packet that was admitted and won't be carried out."""

    def bad(self, reason: str, size: int, sender: Peer) -> None:
        """Count bytes that are no packet."""

    def gone(self, peer: Peer) -> None:
        """Forget a connection that has ended."""


class Links:
    """All links of a server, and where it is bound.

    Attributes:
        host, port: where the server's own sockets are bound.
    """

    def __init__(self) -> None:
        self.counts = Counts()
        self.host, self.port = "", 0
        self._links: dict[Transport, Link] = {}

    def attach(self, transport: Transport, link: Link) -> None:
        """Send to peers of this transport over this link from now on."""
        self._links[transport] = link

    def send(self, packet: bytes | None, peer: Peer) -> None:
        """Send one packet, without waiting. One that can't be sent is counted, and so is None: an answer that may not
        be sent."""
        link = None if packet is None else self._links.get(peer.transport)
        if packet is None or link is None or not link.send(packet, peer):
            self.counts.unsent += 1

    def is_own(self, peer: Peer) -> bool:
        """Return True when a peer is the server's own socket."""
        if peer.port != self.port or peer.transport is not Transport.UDP:
            return False
        return peer.host == self.host or (peer.loopback and not is_loopback(self.host))

    @property
    def lost(self) -> int:
        """Packets lost before they were read."""
        return sum(link.lost for link in self._links.values())

    def __len__(self) -> int:
        return sum(map(len, self._links.values()))

    def close(self) -> None:
        """Close every link."""
        for link in self._links.values():
            link.close()
        self._links.clear()
