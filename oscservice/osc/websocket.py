"""WebSocket connections: OSC packets in binary frames both ways, and the query protocol's few commands as text.

A text frame goes only to a connection that has sent one itself: OSC clients that know nothing of text stumble over it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from aiohttp import WSCloseCode, WSMsgType, web

from oscservice.osc.packet import MAX_STREAM_BYTES
from oscservice.osc.peer import Peer, Transport
from oscservice.osc.query_nodes import News
from oscservice.osc.rate_limits import TokenBuckets
from oscservice.osc.server import PACKETS_PER_S, OscServer

MAX_UNSENT_BYTES = 1024 * 1024
"""A connection that leaves more than this unread is ended."""
MAX_LISTENED = 4096
HEARTBEAT_S = 30.0
"""Seconds after which a silent connection is asked whether it is still there; it has half of that to answer."""
LEAVE_S = 0.5
"""Seconds that a connection has to answer the closing handshake."""
_TAKEN_AT_ONCE = 16

log = logging.getLogger(__name__)


@dataclass
class _Connection:
    transport: asyncio.Transport
    socket: web.WebSocketResponse
    speaks_text: bool = False
    listened: int = 0

    @property
    def ended(self) -> bool:
        return self.transport.is_closing() or self.socket.closed


class WebSockets:
    """The server's link to peers on WebSocket. All of it runs on the event loop's thread."""

    def __init__(self, server: OscServer, clock: Callable[[], float]) -> None:
        self._server = server
        self._clock = clock
        self._buckets = TokenBuckets(PACKETS_PER_S)
        self._connections: dict[Peer, _Connection] = {}
        self._over = False

    async def converse(self, request: web.BaseRequest) -> web.WebSocketResponse:
        """Take the messages of a connection, until it ends. Raises aiohttp's HTTPException if it can't begin."""
        made = web.WebSocketResponse(
            max_msg_size=MAX_STREAM_BYTES, heartbeat=HEARTBEAT_S, timeout=LEAVE_S, compress=False
        )
        try:
            await made.prepare(request)
        except ValueError:  # a key that is not base64
            raise web.HTTPBadRequest(text="no WebSocket handshake\n") from None
        transport = request.transport
        if transport is None:
            return made
        address = transport.get_extra_info("peername") or ("", 0)
        peer = Peer(address[0], address[1], Transport.WEB)
        connection = self._connections[peer] = _Connection(transport, made)
        try:
            taken = 0
            async for message in made:
                while (wait_s := self._server.wait_s(peer)) > 0.0:
                    await asyncio.sleep(wait_s)
                if message.type is WSMsgType.BINARY:
                    self._server.receive(message.data, peer)
                elif message.type is WSMsgType.TEXT:
                    self._command(connection, peer, message.data)
                taken += 1
                if taken % _TAKEN_AT_ONCE == 0:  # messages that have come already are handed over without waiting
                    await asyncio.sleep(0)
        finally:
            del self._connections[peer]
            self._server.gone(peer)
        return made

    # The server's link

    def send(self, packet: bytes, peer: Peer) -> bool:
        """Send a packet to a connection, without waiting; return False if it can't be sent."""
        connection = self._connections.get(peer)
        return connection is not None and self._write(connection, peer, WSMsgType.BINARY, packet)

    @property
    def lost(self) -> int:
        """A stream loses nothing."""
        return 0

    def __len__(self) -> int:
        return len(self._connections)

    def close(self) -> None:
        """Send nothing more; :meth:`end` does the closing handshake."""
        self._over = True

    async def end(self) -> None:
        """Do the closing handshake with every connection, and end it."""
        leave = [connection.socket.close(code=WSCloseCode.GOING_AWAY) for connection in self._connections.values()]
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LEAVE_S):
                await asyncio.gather(*leave, return_exceptions=True)

    # The query protocol

    def send_news(self, news: News) -> None:
        """Send the connections that speak text the paths that came and went in the address space."""
        self._send_paths("PATH_REMOVED", news.removed)
        self._send_paths("PATH_ADDED", news.added)

    def _send_paths(self, command: str, paths: Iterable[str]) -> None:
        frames = [json.dumps({"COMMAND": command, "DATA": path}).encode() for path in paths]
        for peer, connection in self._connections.items():
            for frame in frames if connection.speaks_text else ():
                self._write(connection, peer, WSMsgType.TEXT, frame)

    def _command(self, connection: _Connection, peer: Peer, text: str) -> None:
        connection.speaks_text = True
        if not self._buckets.allow(peer, self._clock()):
            self._server.counts.dropped += 1
            return
        try:
            given = json.loads(text)
        except (ValueError, RecursionError):
            given = None
        match given:
            case {"COMMAND": "LISTEN", "DATA": str(path)} if connection.listened < MAX_LISTENED:
                relative = self._sent(path)
                if relative is not None:
                    connection.listened += 1
                    self._server.listen(peer, relative)
                    return
            case {"COMMAND": "IGNORE", "DATA": str(path)}:
                relative = self._sent(path)
                if relative is not None:
                    self._server.ignore(peer, relative)
                    return
        self._server.bad("no command of the query protocol", len(text), peer)

    def _sent(self, path: str) -> str | None:
        """Return the relative address of a whole one whose values are sent to all; None for any other."""
        space = self._server.space
        found = space.lookup(path)
        if found is None or found[0].direction.incoming or found[0].direction.answer:
            return None
        return path.removeprefix(space.prefix)

    def _write(self, connection: _Connection, peer: Peer, kind: WSMsgType, payload: bytes) -> bool:
        # Straight to the transport: aiohttp's own way waits for a slow reader, and nothing here may wait.
        if self._over or connection.ended:
            return False
        if connection.transport.get_write_buffer_size() > MAX_UNSENT_BYTES:
            log.warning("%s does not read what it is sent: its connection is ended", peer)
            connection.transport.abort()
            return False
        connection.transport.write(frame(kind, payload))
        return True


def frame(kind: int, payload: bytes) -> bytes:
    """Return one whole unmasked WebSocket frame (RFC 6455, section 5.2), as servers send them."""
    size = len(payload)
    if size < 126:
        head = bytes((0x80 | kind, size))
    elif size < 2**16:
        head = bytes((0x80 | kind, 126)) + size.to_bytes(2, "big")
    else:
        head = bytes((0x80 | kind, 127)) + size.to_bytes(8, "big")
    return head + payload
