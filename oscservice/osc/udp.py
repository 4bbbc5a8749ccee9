"""A bound UDP socket, or one clear line saying why there is none."""

from __future__ import annotations

import contextlib
import errno
import socket

from oscservice.errors import PortError

RECEIVE_BUFFER_BYTES = 4 * 1024 * 1024
"""Asked for; the system may grant less. The usual 208 KiB holds only 256 small datagrams."""


def bound_socket(host: str, port: int) -> socket.socket:
    """A non-blocking UDP socket bound to ``host`` (an IP address or a name of this machine) and ``port`` (0: any).

    Without SO_REUSEADDR: with it a second program binds the same UDP port without an error, and one of them hears
    nothing.

    Raises:
        PortError: the port is taken or may not be used, or the host has no such address.
    """
    if not 0 <= port <= 65535:
        raise PortError(f"UDP port {port} does not exist: choose one from 1024 to 65535, or 0 for any free port")
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
    except (socket.gaierror, UnicodeError):
        raise PortError(f"{host!r} is no address of this machine: give an IP address such as 127.0.0.1") from None
    made = socket.socket(family, kind, protocol)
    try:
        made.setblocking(False)
        with contextlib.suppress(OSError):
            made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)
        made.bind(address)
    except OSError as error:
        made.close()
        raise PortError(_reason(error, host, port)) from None
    return made


def _reason(error: OSError, host: str, port: int) -> str:
    where = f"UDP port {port} on {host}"
    if error.errno == errno.EADDRINUSE:
        return f"{where} is taken: stop the program that has it, or choose another port (0 takes any free one)"
    if error.errno == errno.EACCES:
        return f"{where} may not be used: choose a port from 1024 to 65535"
    if error.errno == errno.EADDRNOTAVAIL:
        return f"{host} is no address of this machine: give one that is, such as 127.0.0.1"
    return f"{where} can't be bound: {error.strerror or error}"
