"""Who may ask over HTTP: a web page on somebody else's site must not reach the daemon through a browser. Pure.

A browser names in ``Host`` what it believes to talk to, and in ``Origin`` the page that makes it talk. A name that an
attacker has pointed at this machine (DNS rebinding) is in the first, the attacker's page in the second.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Collection

_AUTHORITY = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::[0-9]{1,5})?")
_ORIGIN = re.compile(r"https?://([^/?#]*)")


def host_is_ours(host: str, own_names: Collection[str]) -> bool:
    """Whether a ``Host`` header names this machine: any IP address, or one of ``own_names`` in lower case."""
    named = _named(host)
    return named is not None and (_address(named) is not None or named in own_names)


def origin_is_near(origin: str | None, host: str) -> bool:
    """Whether what asks is no page of somewhere else: no browser (None), a page of the asked host, or of the loopback.

    ``origin`` and ``host`` are the headers; ``null``, which sandboxed pages send, is somewhere else.
    """
    if origin is None:
        return True
    found = _ORIGIN.fullmatch(origin)
    named = _named(found[1]) if found is not None else None
    if named is None:
        return False
    address = _address(named)
    return named == _named(host) or named == "localhost" or (address is not None and address.is_loopback)


def _named(authority: str) -> str | None:
    """The host of ``host:port`` in lower case, without brackets; None if it is malformed."""
    found = _AUTHORITY.fullmatch(authority)
    return None if found is None else found[1].strip("[]").lower().removesuffix(".")


def _address(named: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(named)
    except ValueError:
        return None
