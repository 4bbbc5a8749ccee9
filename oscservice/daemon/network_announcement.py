"""Announcement of the daemon on the network (DNS-SD over multicast DNS), so that programs can find it.

Service types and the keys of their records: A. Freed and A. Schmeder, "Features and Future of Open Sound Control
version 1.1 for NIME" (2009), and the OSCQuery proposal (third revision, 2018) for ``_oscjson._tcp``. The values of
``framing`` and ``uri`` are our own; ``uri`` is the address of the description of the address space.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import logging
import socket
from collections.abc import AsyncIterator, Sequence

import ifaddr
from zeroconf import Error as ZeroconfError
from zeroconf import IPVersion, ServiceInfo
from zeroconf.asyncio import AsyncZeroconf

from oscservice.osc.peer import is_loopback
from oscservice.osc.server import OscServer
from oscservice.settings import ServeSettings

TYPES = "ifsbhtdScrmTFNI"
"""Type tags that the daemon accepts."""

WITHDRAWAL_S = 1.0
_LONGEST_NAME_BYTES = 63

log = logging.getLogger(__name__)


def own_name() -> str:
    """Return the default name of a daemon."""
    return f"oscservice on {socket.gethostname()}"


def services(name: str, addresses: Sequence[str], port: int, prefix: str) -> list[ServiceInfo]:
    """Return the services of a daemon: OSC over UDP and TCP, and the description of its address space.

    Args:
        name: name of the daemon.
        addresses: IP addresses of the daemon; the first is used in ``uri``.
        port: its port.
        prefix: its OSC root.
    """
    name = instance_name(name)
    host = f"[{addresses[0]}]" if ":" in addresses[0] else addresses[0]
    osc = {
        "txtvers": "1",
        "version": "1.1",
        "types": TYPES,
        "uri": f"http://{host}:{port}{prefix}",
    }
    return [
        ServiceInfo(kind, f"{name}.{kind}", port, properties=properties, parsed_addresses=list(addresses))
        for kind, properties in (
            ("_osc._udp.local.", {**osc, "framing": "datagram"}),
            ("_osc._tcp.local.", {**osc, "framing": "slip"}),
            ("_oscjson._tcp.local.", {"txtvers": "1"}),
        )
    ]


def instance_name(name: str) -> str:
    """Return a name as DNS-SD allows it: one label of at most 63 bytes, without a dot or control characters."""
    plain = "".join(c if c.isprintable() and c != "." else " " for c in name)
    cut = plain.encode("utf-8", "replace")[:_LONGEST_NAME_BYTES].decode("utf-8", "ignore")
    return " ".join(cut.split()) or "oscservice"


def own_addresses(host: str) -> list[str]:
    """Return the IP addresses at which a daemon bound to the IP address ``host`` can be reached.

    That is ``host`` itself, or all addresses on networks if ``host`` means all addresses of this machine.

    Raises:
        OSError: there is none.
    """
    bound = ipaddress.ip_address(host)
    if not bound.is_unspecified:
        return [host]
    every = [str(ip.ip if ip.is_IPv4 else ip.ip[0]) for adapter in ifaddr.get_adapters() for ip in adapter.ips]
    found = [
        address
        for address, ip in zip(every, map(ipaddress.ip_address, every), strict=True)
        if not ip.is_loopback and not ip.is_link_local and (ip.version == 4 or bound.version == 6)
    ]
    if not found:
        raise OSError("this machine has no address on a network")
    return found


@contextlib.asynccontextmanager
async def announced(settings: ServeSettings, server: OscServer) -> AsyncIterator[None]:
    """Announce an open server while the block runs.

    It is announced if it is bound to more than the loopback, or if the settings ask for it. The block does not wait
    for the announcement; a failure is one line in the log.
    """
    if is_loopback(server.host) and not settings.announce:
        yield
        return
    logging.getLogger("zeroconf").addFilter(_one_line)
    responders: list[AsyncZeroconf] = []
    task = asyncio.create_task(_announce(settings.name or own_name(), server, responders))
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        with contextlib.suppress(TimeoutError, OSError, ZeroconfError):
            async with asyncio.timeout(WITHDRAWAL_S):
                for responder in responders:
                    await responder.async_close()


async def _announce(name: str, server: OscServer, responders: list[AsyncZeroconf]) -> None:
    """Announce a server, and add to ``responders`` the responder, which has to be closed."""
    try:
        bound = ipaddress.ip_address(server.host)
        every = IPVersion.V4Only if bound.version == 4 else IPVersion.All
        responder = AsyncZeroconf(ip_version=every) if bound.is_unspecified else AsyncZeroconf(interfaces=[str(bound)])
        responders.append(responder)
        offered = services(name, own_addresses(server.host), server.port, server.space.prefix)
        broadcasts = await asyncio.gather(
            *(responder.async_register_service(service, allow_name_change=True) for service in offered)
        )
        await asyncio.gather(*broadcasts)
    except Exception as error:  # such as no network; OSC works all the same
        log.warning("not announced on the network: %s", str(error) or type(error).__name__)


def _one_line(record: logging.LogRecord) -> bool:
    """Shorten a record of the library about a failing network to one line; return True, so that it is logged."""
    record.msg, record.args, record.exc_info = f"announcing on the network: {record.getMessage()}", (), None
    return True
