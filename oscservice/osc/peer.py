"""Peers, the other ends of an exchange (IP address, port, transport), and the networks that packets are taken from.

This machine is always one of these networks.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from oscservice.errors import InputError


class Transport(StrEnum):
    """The transports of OSC packets. All of them behave alike."""

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
        """True if it is on this machine: such a source can't be forged from outside."""
        return is_loopback(self.host)

    @property
    def source(self) -> Peer | str:
        """The sender that rates are counted for. On this machine that is a port, so that one program that floods the
        server does not silence the others; of another host only the address counts."""
        return self if self.loopback else self.host

    @property
    def proved(self) -> bool:
        """True if an answer surely reaches the sender: a connection has two ends, and so has this machine."""
        return self.transport is not Transport.UDP or self.loopback

    def __str__(self) -> str:
        return f"{self.host} port {self.port} ({self.transport})"


def is_loopback(host: str) -> bool:
    """Return True when an IP address is the machine's own loopback."""
    return host.startswith(("127.", "::ffff:127.")) or host == "::1"


class Networks:
    """Networks in CIDR notation (RFC 4632), ``192.168.7.0/24``; a lone address is a network of one.

    Raises:
        InputError: one of them is no network.
    """

    def __init__(self, texts: Iterable[str] = ()) -> None:
        self._networks = [_network(text) for text in texts]
        self.allow = lru_cache(maxsize=1024)(self._allow)

    def __len__(self) -> int:
        return len(self._networks)

    def _allow(self, host: str) -> bool:
        if is_loopback(host):
            return True
        try:
            address = ipaddress.ip_address(host.partition("%")[0])
        except ValueError:
            return False
        if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
            address = address.ipv4_mapped
        return any(address in network for network in self._networks)


def _network(text: str) -> ipaddress.IPv4Network | ipaddress.IPv6Network:
    try:
        return ipaddress.ip_network(text)
    except ValueError:
        raise InputError(f"{text!r} is no network: give one like 192.168.7.0/24 or one address") from None
