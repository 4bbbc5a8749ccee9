"""Who is at the other end: an IP address, a port, and what the bytes travel on."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Transport(StrEnum):
    """What OSC packets travel on. All of them behave alike."""

    UDP = "udp"
    TCP = "tcp"
    WEB = "websocket"


class Peer(NamedTuple):
    """One end of an exchange. A stream's peer is its connection: nothing else has this address and port."""

    host: str
    port: int
    transport: Transport = Transport.UDP

    @property
    def loopback(self) -> bool:
        """Whether it is on this machine: such a source can't be forged from outside."""
        return is_loopback(self.host)

    @property
    def source(self) -> Peer | str:
        """Who has a share of the daemon's time. Programs on this machine are told apart by port, so that one gone wild
        does not silence the others; of another host only the address counts."""
        return self if self.loopback else self.host

    @property
    def proved(self) -> bool:
        """Whether what is sent back surely reaches who has sent: a connection has two ends, and so has this machine."""
        return self.transport is not Transport.UDP or self.loopback

    def __str__(self) -> str:
        return f"{self.host} port {self.port} ({self.transport})"


def is_loopback(host: str) -> bool:
    """Whether an IP address is the machine's own loopback."""
    return host.startswith(("127.", "::ffff:127.")) or host == "::1"
