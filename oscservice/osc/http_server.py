"""HTTP on the OSC port: the open OSC query protocol, and who may ask through a browser.

The address space is sent as JSON, from the address table and the newest values. Only GET and HEAD, and no files. A
URL's path is an OSC path, its query the name of one attribute. WebSocket is spoken on the same port. Source: OSCQuery
proposal, third revision, 2018.

A web page of another site must not reach the server through a browser. A browser names in ``Host`` what it believes to
talk to, and in ``Origin`` the page that makes it talk. A name that an attacker has pointed at this machine (DNS
rebinding) is in the first, the attacker's page in the second.
"""

from __future__ import annotations

import asyncio
import ipaddress
import json
import logging
import re
import socket
import time
from collections.abc import Callable, Collection

from aiohttp import web
from aiohttp.http_exceptions import HttpProcessingError

from oscservice.osc.address import AddressSpace
from oscservice.osc.peer import Transport
from oscservice.osc.query_nodes import ATTRIBUTES, Json, Node, described, host_info, news, one, whole
from oscservice.osc.rate_limits import LogThrottle, TokenBuckets
from oscservice.osc.server import OscServer
from oscservice.osc.websocket import WebSockets

_AUTHORITY = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::[0-9]{1,5})?")
_ORIGIN = re.compile(r"https?://([^/?#]*)")


def host_is_ours(host: str, own_names: Collection[str]) -> bool:
    """Return True when a ``Host`` header names this machine: any IP address, or one of ``own_names`` in lower case."""
    named = _named(host)
    return named is not None and (_address(named) is not None or named in own_names)


def origin_is_near(origin: str | None, host: str) -> bool:
    """Return True when a request comes from no other site: from no browser (None), a page of the asked host, or of the
    loopback.

    ``origin`` and ``host`` are the headers; ``null``, which sandboxed pages send, is another site.
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
    """Return the host of ``host:port`` in lower case, without brackets; None if it is malformed."""
    found = _AUTHORITY.fullmatch(authority)
    return None if found is None else found[1].strip("[]").lower().removesuffix(".")


def _address(named: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(named)
    except ValueError:
        return None


MAX_CONNECTIONS = 32
"""At once, those on WebSocket among them."""
IDLE_S = 10.0
"""Seconds that a connection may take for each whole request."""
ANSWER_S = 10.0
"""Seconds that a client may take to read an answer."""
REQUESTS_PER_S = 500
LARGE_NODES = 100
LARGE_PER_S = 20
"""A container with so many nodes is sent with all of them, which takes milliseconds. One IP address may ask for so many
of these a second, and for so many nodes of all sizes; it waits for more."""
WAIT_STEP_S = 0.02
HEAD_LINE_BYTES = 2048
HEAD_LINES = 64

log = logging.getLogger(__name__)

_EVERYWHERE = ("0.0.0.0", "::", "")


class Web:
    """Answers HTTP requests, and opens a WebSocket for each client that asks for one. Call it on a running loop.

    Args:
        server: its addresses are described here; it sends to WebSocket connections through here.
        name: of the server, for people.
        own_names: names of this machine that a browser may know it by, in lower case.
        clock: seconds that only go forward.
        program: name of the program, for the ``Server`` header.
    """

    def __init__(
        self,
        server: OscServer,
        name: str,
        own_names: Collection[str],
        clock: Callable[[], float] = time.monotonic,
        program: str = "osc",
    ) -> None:
        self.sockets = WebSockets(server, clock)
        self._server = server
        self._name = name
        self._program = program
        self._own_names = frozenset(own_names) | {"localhost"}
        self._clock = clock
        self._nodes = _nodes(server.space)
        self._requests = TokenBuckets(REQUESTS_PER_S)
        self._large = TokenBuckets(LARGE_PER_S)
        self._complaints = LogThrottle()
        self._http = web.Server(
            self._handle_or_leave,
            access_log=None,
            logger=_own_logger(clock),
            keepalive_timeout=IDLE_S,
            lingering_time=0.0,
            max_line_size=HEAD_LINE_BYTES,
            max_field_size=HEAD_LINE_BYTES,
            max_headers=HEAD_LINES,
            handler_cancellation=True,
        )
        server.attach(Transport.WEB, self.sockets)
        server.on_paths = self._present

    def http(self) -> asyncio.Protocol:
        """Return the protocol of a new connection that begins like HTTP."""
        if len(self._http.connections) < MAX_CONNECTIONS:
            return self._http()
        held = self._complaints.admit("refused", self._clock())
        if held is not None:
            log.warning("an HTTP connection is refused: %d already (%d more refused)", MAX_CONNECTIONS, held)
        return _RefusedConnection()

    async def end(self) -> None:
        """End every connection. Call it after the server's own end."""
        await self.sockets.end()
        await self._http.shutdown(0.5)

    def _present(self, space: AddressSpace) -> None:
        """Describe these addresses from now on, and send the paths that came and went to WebSocket clients."""
        before, self._nodes = self._nodes, _nodes(space)
        self.sockets.send_news(news(before, self._nodes))

    async def _handle_or_leave(self, request: web.BaseRequest) -> web.StreamResponse:
        try:
            return await self._handle(request)
        except ConnectionError:  # the client has gone: nobody reads the answer
            return web.Response()

    async def _handle(self, request: web.BaseRequest) -> web.StreamResponse:
        if not self._server.allowed.allow(request.remote or ""):
            self._server.counts.refused += 1
            return await self._sent(request, _refusal(403, "not from a network that is allowed"))
        await self._wait(self._requests, request)
        host, origin = request.headers.get("Host", ""), request.headers.get("Origin")
        if not host_is_ours(host, self._own_names):
            return await self._sent(request, _refusal(403, "this machine has no such name: ask by its IP address"))
        if request.method not in ("GET", "HEAD"):
            answer = _refusal(405, "only GET and HEAD: values are set over OSC")
            answer.headers["Allow"] = "GET, HEAD"
            return await self._sent(request, answer)
        near = origin_is_near(origin, host)
        if request.headers.get("Upgrade", "").lower() == "websocket":
            if not near:
                return await self._sent(request, _refusal(403, "pages of other sites may not open a WebSocket here"))
            return await self.sockets.converse(request)
        answer = await self._answer(request)
        if origin is not None and near:
            answer.headers["Access-Control-Allow-Origin"] = origin
        return await self._sent(request, answer)

    async def _answer(self, request: web.BaseRequest) -> web.Response:
        """Return the answer to GET or HEAD."""
        asked = request.rel_url.raw_query_string
        if asked == "HOST_INFO":
            return _json(host_info(self._name, self._server.port, self._host()))
        node = self._nodes.get(request.path)
        if node is None:
            return _refusal(404, "no such node")
        if asked and asked not in ATTRIBUTES:
            return _refusal(400, "no attribute that is known here")
        if asked == "VALUE" and node.unreadable:
            return web.Response(status=204)
        if asked in ("", "CONTENTS") and node.size >= LARGE_NODES:
            await self._wait(self._large, request)
        known = self._server.values() if asked in ("", "CONTENTS", "VALUE") else {}
        return _json(one(node, asked, known) if asked else whole(node, known))

    async def _sent(self, request: web.BaseRequest, answer: web.Response) -> web.Response:
        """Return an answer that has been sent, or given up because the client does not read."""
        answer.headers["Server"] = self._program
        answer.headers["X-Content-Type-Options"] = "nosniff"
        transport = request.transport
        try:
            async with asyncio.timeout(ANSWER_S):
                await answer.prepare(request)
                await answer.write_eof()
        except TimeoutError:
            if transport is not None:
                transport.abort()
        return answer

    async def _wait(self, buckets: TokenBuckets, request: web.BaseRequest) -> None:
        """Wait until a client may ask more."""
        while not buckets.allow(request.remote, self._clock()):
            await asyncio.sleep(WAIT_STEP_S)

    def _host(self) -> str | None:
        """Return the IP address that OSC is received at, if a client can use it."""
        return None if self._server.host in _EVERYWHERE else self._server.host


def machine_names() -> frozenset[str]:
    """Return the names that this machine may be asked by, in lower case: its own, also as multicast DNS has it."""
    host = socket.gethostname().lower()
    short = host.partition(".")[0]
    return frozenset({host, short, f"{short}.local"})


def _nodes(space: AddressSpace) -> dict[str, Node]:
    return described(space.table, space.prefix, space.paths)


def _json(content: dict[str, Json]) -> web.Response:
    body = json.dumps(content, allow_nan=False, separators=(",", ":")).encode()
    return web.Response(body=body, content_type="application/json", headers={"Cache-Control": "no-store"})


def _refusal(status: int, reason: str) -> web.Response:
    return web.Response(status=status, text=reason + "\n")


class _RefusedConnection(asyncio.Protocol):
    """Ends a connection at once."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        transport.close()


class _LogLimit(logging.Filter):
    """Lets one line a second through, and no traceback for bytes that are no HTTP."""

    def __init__(self, clock: Callable[[], float]) -> None:
        super().__init__()
        self._clock = clock
        self._complaints = LogThrottle()

    def filter(self, record: logging.LogRecord) -> bool:
        if record.exc_info and isinstance(record.exc_info[1], HttpProcessingError):
            record.msg, record.exc_info = "bad HTTP request from %s", None
        return self._complaints.admit(str(record.msg), self._clock()) is not None


def _own_logger(clock: Callable[[], float]) -> logging.Logger:
    logger = logging.getLogger(__name__ + ".http")
    logger.filters = [_LogLimit(clock)]
    return logger
