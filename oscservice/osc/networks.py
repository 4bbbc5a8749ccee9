"""The networks that packets are taken from. This machine is always one of them."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from functools import lru_cache

from oscservice.errors import InputError
from oscservice.osc.peer import is_loopback


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
