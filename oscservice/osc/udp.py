"""The UDP socket: bound, or one clear line why not; read in small batches, so that a flood leaves the loop free."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import os
import socket
from pathlib import Path
from typing import Protocol

from oscservice.errors import PortError
from oscservice.osc.fair_queue import FairQueue
from oscservice.osc.packet import MAX_DATAGRAM_BYTES
from oscservice.osc.peer import Peer
from oscservice.osc.rate_limits import TURN_S

RECEIVE_BUFFER_BYTES = 4 * 1024 * 1024
"""Asked for; the system may grant less. The usual 208 KiB holds only 256 small datagrams."""

LARGEST_READ = MAX_DATAGRAM_BYTES + 4
"""What is longer is cut, and refused all the same. So what waits takes bounded memory."""
BATCH_READ = 256
"""Datagrams read in one turn of the loop: reading one a turn costs most of a processor under a flood."""

LOST_EVERY_S = 0.1

_TABLES = (Path("/proc/net/udp"), Path("/proc/net/udp6"))

log = logging.getLogger(__name__)


class Taker(Protocol):
    """Takes what comes."""

    def admit(self, sender: Peer) -> bool:
        """Whether a packet of this sender is to be carried out."""

    def drop(self, sender: Peer) -> None:
        """Take note that a packet which was admitted won't be carried out."""

    def carry_out(self, packet: bytes, sender: Peer) -> None:
        """Carry out a packet that was admitted."""


def bound_socket(host: str, port: int, kind: socket.SocketKind = socket.SOCK_DGRAM) -> socket.socket:
    """A non-blocking UDP socket (or a TCP one, not listening yet) bound to ``host`` (an IP address or a name of this
    machine) and ``port`` (0: any).

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


class UdpLink:
    """A bound UDP socket on the running loop.

    Args:
        bound: the socket, non-blocking.
        taker: takes the packets.
    """

    def __init__(self, bound: socket.socket, taker: Taker) -> None:
        self._lost = (float("-inf"), 0)
        self._waiting: FairQueue[tuple[bytes, Peer]] = FairQueue()
        self._working: asyncio.Handle | None = None
        self._socket = bound
        self._taker = taker
        self._loop = asyncio.get_running_loop()
        self._inode = os.fstat(bound.fileno()).st_ino
        self._loop.add_reader(bound.fileno(), self._readable)

    def __len__(self) -> int:
        return 0

    @property
    def lost(self) -> int:
        """Datagrams that the system threw away because they came faster than they were read; 0 where it doesn't say.

        Looked up at most ten times a second: whoever asks for the status sets the pace.
        """
        now = self._loop.time()
        if now - self._lost[0] >= LOST_EVERY_S:
            self._lost = now, self._looked_up()
        return self._lost[1]

    def _looked_up(self) -> int:
        for table in _TABLES:
            try:
                found = lost_packets(table.read_text(encoding="ascii"), self._inode)
            except (OSError, ValueError):
                continue
            if found is not None:
                return found
        return 0

    def send(self, packet: bytes, peer: Peer) -> bool:
        try:
            self._socket.sendto(packet, (peer.host, peer.port))
        except OSError as error:  # the buffer is full, or there is no way there
            log.debug("sending to %s failed: %s", peer, error)
            return False
        return True

    def close(self) -> None:
        if self._working is not None:
            self._working.cancel()
        self._loop.remove_reader(self._socket.fileno())
        self._socket.close()

    def _readable(self) -> None:
        """Read what has come, and let what is admitted wait: the system's own buffer would fill, and lose at random."""
        end = self._loop.time() + TURN_S
        for _ in range(BATCH_READ):
            try:
                packet, address = self._socket.recvfrom(LARGEST_READ)
            except BlockingIOError:
                break
            except OSError as error:  # word of an earlier packet that nobody took
                log.debug("receiving failed: %s", error)
                continue
            sender = Peer(address[0], address[1])
            if self._taker.admit(sender):
                gone = self._waiting.put(sender.source, (packet, sender))
                if gone is not None:
                    self._taker.drop(gone[1])
            if self._loop.time() >= end:
                break
        if self._waiting and self._working is None:
            self._work()

    def _work(self) -> None:
        """Carry out what waits, for as long as a turn may last."""
        self._working = None
        end = self._loop.time() + TURN_S
        while self._waiting and self._socket.fileno() >= 0:
            self._taker.carry_out(*self._waiting.take())
            if self._loop.time() >= end:
                break
        if self._waiting and self._socket.fileno() >= 0:
            self._working = self._loop.call_soon(self._work)


def lost_packets(table: str, inode: int) -> int | None:
    """A socket's dropped datagrams in the kernel's table of UDP sockets (proc(5)); None if it isn't there.

    The inode stands tenth in a line, the drops last.
    """
    for line in table.splitlines()[1:]:
        fields = line.split()
        if len(fields) > 12 and fields[9] == str(inode):
            return int(fields[-1])
    return None
