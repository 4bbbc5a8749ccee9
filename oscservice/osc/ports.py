"""Opening the ports: UDP and TCP under one number."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable

from oscservice.errors import InputError, PortError
from oscservice.osc.peer import Transport, is_loopback
from oscservice.osc.server import OscServer, log
from oscservice.osc.tcp import TcpLink
from oscservice.osc.udp import UdpLink, bound_socket

_TRIES = 20
_LISTEN_QUEUE = 32


async def open_ports(
    server: OscServer, host: str = "127.0.0.1", port: int = 0, http: Callable[[], asyncio.Protocol] | None = None
) -> None:
    """Bind UDP and TCP and begin to answer. Port 0 takes any that is free for both.

    Args:
        http: makes the protocol of one HTTP connection; without it there is no HTTP.

    Raises:
        PortError: the port is taken or may not be used, or the host has no such address.
        InputError: the host is not this machine's loopback, and no network is allowed.
    """
    udp, tcp = bound_pair(host, port)
    try:
        own_host, own_port = udp.getsockname()[:2]
        if not is_loopback(own_host):
            if not len(server.allowed):
                raise InputError(
                    f"bound to {own_host}, others could drive the session: say which networks may, such as "
                    "--allow 192.168.7.0/24"
                )
            log.warning("bound to %s: anyone who reaches this address can drive the session", own_host)
        link = TcpLink(server, http)
        link.serve(await asyncio.get_running_loop().create_server(link.connection, sock=tcp, backlog=_LISTEN_QUEUE))
    except BaseException:
        udp.close()
        tcp.close()
        raise
    server.bound(own_host, own_port)
    server.attach(Transport.TCP, link)
    server.attach(Transport.UDP, UdpLink(udp, server))


def bound_pair(host: str, port: int) -> tuple[socket.socket, socket.socket]:
    """A UDP and a TCP socket with one port number. Port 0 takes any that is free for both. Raises PortError."""
    for _ in range(_TRIES if port == 0 else 1):
        udp = bound_socket(host, port)
        try:
            return udp, bound_socket(host, udp.getsockname()[1], socket.SOCK_STREAM)
        except PortError:
            udp.close()
            if port != 0:
                raise
    raise PortError(f"no port on {host} is free for both UDP and TCP: choose one")
