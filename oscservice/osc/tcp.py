"""One TCP port for OSC and HTTP. The first byte says which: ``c0`` is SLIP, ``00`` the size of a packet, a capital
letter the method of an HTTP request.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from typing import cast

from oscservice.osc.framing import COUNT_FIRST_BYTE, SLIP_FIRST_BYTE, Framer, FramingError
from oscservice.osc.link import PacketReceiver
from oscservice.osc.peer import Peer, Transport
from oscservice.osc.rate_limits import TURN_S
from oscservice.osc.subscriptions import LEASE_S

MAX_CONNECTIONS = 16
MAX_PER_HOST = 8
"""Connections of one other machine, so that it leaves some to the rest."""
MAX_UNSENT_BYTES = 4 * 1024 * 1024
FIRST_BYTE_S = 10.0
SILENT_S = LEASE_S + 10.0
"""A connection that says nothing for so long is closed: its lease has ended by then."""

log = logging.getLogger(__name__)


class TcpLink:
    """OSC connections over TCP, and the new connections of the port, which may be HTTP.

    Args:
        receiver: takes the packets.
        http: makes the protocol of one HTTP connection; without it there is no HTTP.
    """

    def __init__(self, receiver: PacketReceiver, http: Callable[[], asyncio.Protocol] | None = None) -> None:
        self._receiver = receiver
        self._http = http
        self._server: asyncio.Server | None = None
        self._connections: dict[Peer, _Connection] = {}
        self._unidentified: set[_Connection] = set()

    def __len__(self) -> int:
        return len(self._connections)

    @property
    def lost(self) -> int:
        """A stream loses nothing."""
        return 0

    def full(self, peer: Peer) -> bool:
        """Return True when no further connection is taken from a peer's machine."""
        hosts = [one.peer.host for one in (*self._connections.values(), *self._unidentified)]
        return len(hosts) >= MAX_CONNECTIONS or (not peer.loopback and hosts.count(peer.host) >= MAX_PER_HOST)

    def serve(self, server: asyncio.Server) -> None:
        """Take note of the listening socket, which is closed with the link."""
        self._server = server

    def connection(self) -> asyncio.Protocol:
        """Return the protocol of a new connection."""
        return _Connection(self, self._receiver, self._http)

    def send(self, packet: bytes, peer: Peer) -> bool:
        connection = self._connections.get(peer)
        return connection is not None and connection.send(packet)

    def close(self) -> None:
        if self._server is not None:
            self._server.close()
        for connection in (*self._connections.values(), *self._unidentified):
            connection.close()

    def came(self, connection: _Connection) -> None:
        """Count a connection that has sent nothing yet."""
        self._unidentified.add(connection)

    def began(self, connection: _Connection, peer: Peer | None) -> None:
        """Take a connection whose first byte shows its protocol. An HTTP connection (no peer) is no longer counted
        here."""
        self._unidentified.discard(connection)
        if peer is not None:
            self._connections[peer] = connection

    def ended(self, connection: _Connection, peer: Peer) -> None:
        """Forget a connection that has ended."""
        self._unidentified.discard(connection)
        if self._connections.pop(peer, None) is not None:
            self._receiver.gone(peer)


class _Connection(asyncio.Protocol):
    """One connection, from its first byte to its end."""

    def __init__(self, link: TcpLink, receiver: PacketReceiver, http: Callable[[], asyncio.Protocol] | None) -> None:
        self._link = link
        self._receiver = receiver
        self._http = http
        self._framer = Framer()
        self._refused = 0
        self._came: deque[bytes] = deque()
        self._read_bytes, self._fault = 0, ""
        self._transport: asyncio.Transport | None = None
        self.peer = Peer("", 0, Transport.TCP)
        self._silence: asyncio.TimerHandle | None = None

    def send(self, packet: bytes) -> bool:
        """Send one packet in the peer's own framing. A peer that reads nothing is disconnected: it would only miss
        values, and it gets the whole state when it connects again."""
        if self._transport is None or self._transport.is_closing():
            return False
        if self._transport.get_write_buffer_size() > MAX_UNSENT_BYTES:
            log.warning("%s reads nothing: its connection is ended", self.peer)
            self._transport.abort()
            return False
        self._transport.write(self._framer.frame(packet))
        return True

    def close(self) -> None:
        """Close it once everything that was sent has gone out."""
        if self._transport is not None:
            self._transport.close()

    # asyncio.Protocol

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        address = transport.get_extra_info("peername") or ("", 0)
        self.peer = Peer(address[0], address[1], Transport.TCP)
        if self._link.full(self.peer):
            log.warning("%s is refused: too many connections already", self.peer)
            self._transport.abort()
            return
        self._link.came(self)
        self._wait(FIRST_BYTE_S)

    def data_received(self, data: bytes) -> None:
        if self._transport is None or self._transport.is_closing():
            return
        if not self._framer.framing:
            if self._http is not None and data[0] not in (SLIP_FIRST_BYTE, COUNT_FIRST_BYTE):
                self._hand_over(data, self._http)
                return
            if not self._receiver.welcome(self.peer):
                self._transport.abort()
                return
            if data[0] in (SLIP_FIRST_BYTE, COUNT_FIRST_BYTE):
                self._link.began(self, self.peer)
        self._wait(SILENT_S)
        fault = ""
        try:
            packets = self._framer.feed(data)
        except FramingError as error:
            packets, fault = list(error.before), str(error)
        self._came.extend(packets)
        self._read_bytes, self._fault = len(data), fault
        self._take()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._silence is not None:
            self._silence.cancel()
        self._transport = None
        if not self._came:
            self._link.ended(self, self.peer)

    def _take(self) -> None:
        """Take the packets that have come, for as long as a turn of the loop may last. The rest waits for the next
        turn, or until its sender may send more. Reading waits too."""
        loop = asyncio.get_running_loop()
        end = loop.time() + TURN_S
        while self._came:
            wait_s = self._receiver.wait_s(self.peer)
            if wait_s > 0.0 or loop.time() >= end:
                if self._transport is not None:
                    self._transport.pause_reading()
                loop.call_later(wait_s, self._take)
                return
            self._receiver.receive(self._came.popleft(), self.peer)
        for _ in range(self._framer.refused - self._refused):
            self._receiver.bad("a SLIP packet is too large or has a bad escape", self._read_bytes, self.peer)
        self._refused = self._framer.refused
        if self._fault:
            self._receiver.bad(self._fault, self._read_bytes, self.peer)
            self.close()
        if self._transport is None:
            self._link.ended(self, self.peer)
        else:
            self._transport.resume_reading()

    def _hand_over(self, data: bytes, http: Callable[[], asyncio.Protocol]) -> None:
        """Give a connection that has begun with an HTTP request to the HTTP server."""
        assert self._transport is not None
        if self._silence is not None:
            self._silence.cancel()
        self._link.began(self, None)
        protocol = http()
        self._transport.set_protocol(protocol)
        protocol.connection_made(self._transport)
        protocol.data_received(data)

    def _wait(self, longest_s: float) -> None:
        """Close the connection if nothing comes for so long."""
        if self._silence is not None:
            self._silence.cancel()
        self._silence = asyncio.get_running_loop().call_later(longest_s, self.close)
