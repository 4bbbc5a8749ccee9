"""Opening the ports: UDP and TCP under one number, or one clear line why not.

Sockets are bound to the loopback address by default: OSC has no password, so a wider bind lets everyone on the networks
that are allowed send commands.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import socket
from collections.abc import Callable

from oscservice.errors import InputError, PortError
from oscservice.osc.peer import Transport, is_loopback
from oscservice.osc.server import OscServer
from oscservice.osc.tcp import TcpLink
from oscservice.osc.udp import UdpLink

RECEIVE_BUFFER_BYTES = 4 * 1024 * 1024
"""Asked for; the system may grant less. The usual 208 KiB holds only 256 small datagrams."""


_TRIES = 20
_LISTEN_QUEUE = 32

log = logging.getLogger(__name__)


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
    """Return a UDP and a TCP socket with one port number. Port 0 takes any that is free for both. Raises PortError."""
    for _ in range(_TRIES if port == 0 else 1):
        udp = bound_socket(host, port)
        try:
            return udp, bound_socket(host, udp.getsockname()[1], socket.SOCK_STREAM)
        except PortError:
            udp.close()
            if port != 0:
                raise
    raise PortError(f"no port on {host} is free for both UDP and TCP: choose one")


def bound_socket(host: str, port: int, kind: socket.SocketKind = socket.SOCK_DGRAM) -> socket.socket:
    """Return a bound non-blocking UDP socket, or a TCP one that does not listen yet.

    ``host`` is an IP address or a name of this machine; port 0 takes any that is free.

    UDP goes without SO_REUSEADDR: with it a second program binds the same port without an error, and one of them hears
    nothing. TCP needs it: else a port stays taken for a minute after a connection on it was closed.

    Raises:
        PortError: the port is taken or may not be used, or the host has no such address.
    """
    name = "TCP" if kind is socket.SOCK_STREAM else "UDP"
    if not 0 <= port <= 65535:
        raise PortError(f"{name} port {port} does not exist: choose one from 1024 to 65535, or 0 for any free port")
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=kind)[0]
    except (socket.gaierror, UnicodeError):
        raise PortError(f"{host!r} is no address of this machine: give an IP address such as 127.0.0.1") from None
    made = socket.socket(family, kind, protocol)
    try:
        made.setblocking(False)
        if kind is socket.SOCK_STREAM:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        else:
            with contextlib.suppress(OSError):
                made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)
        made.bind(address)
    except OSError as error:
        made.close()
        raise PortError(_reason(error, host, port, name)) from None
    return made


def _reason(error: OSError, host: str, port: int, name: str) -> str:
    where = f"{name} port {port} on {host}"
    if error.errno == errno.EADDRINUSE:
        return f"{where} is taken: stop the program that has it, or choose another port (0 takes any free one)"
    if error.errno == errno.EACCES:
        return f"{where} may not be used: choose a port from 1024 to 65535"
    if error.errno == errno.EADDRNOTAVAIL:
        return f"{host} is no address of this machine: give one that is, such as 127.0.0.1"
    return f"{where} can't be bound: {error.strerror or error}"
