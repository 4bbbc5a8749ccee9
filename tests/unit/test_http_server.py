"""HTTP on the daemon's port: who may ask, also for WebSocket, what is refused, and that nothing grows without bound."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from one_handler import handled_by
from pythonosc.osc_message import OscMessage

from oscservice.osc import http_server as web
from oscservice.osc import websocket
from oscservice.osc.address import Address
from oscservice.osc.packet import MAX_STREAM_BYTES, Value, encode
from oscservice.osc.peer import Peer
from oscservice.osc.ports import open_ports
from oscservice.osc.server import OscServer

PATIENCE_S = 20.0


class Bench:
    """A server that moves saddles, and its HTTP side."""

    def __init__(self, clock: Callable[[], float]) -> None:
        space = handled_by(self.handle, 6)
        self.server = OscServer(lambda: space, snapshot=lambda: self.state)
        self.state: dict[str, Sequence[Value]] = {"/phase": ("tuning",), "/string/1/saddle/moved": (0.0,)}
        self.web = web.Web(self.server, "bench two", {"shop.local"}, clock)

    def handle(self, address: Address, params: dict[str, int], args: tuple[Value, ...], _: Peer) -> Sequence[Value]:
        assert address.path == "/string/{string}/moved"
        self.publish({f"/string/{params['string']}/saddle/moved": args})
        return args

    def publish(self, values: dict[str, tuple[Value, ...]]) -> None:
        self.state |= values
        self.server.publish(values)

    def url(self, path: str = "/", scheme: str = "http") -> str:
        return f"{scheme}://127.0.0.1:{self.server.port}{path}"


Trial = Callable[[Bench, aiohttp.ClientSession], Coroutine[Any, Any, None]]


@contextlib.asynccontextmanager
async def opened(clock: Callable[[], float] = time.monotonic) -> AsyncIterator[Bench]:
    bench = Bench(clock)
    await open_ports(bench.server, "127.0.0.1", 0, bench.web.http)
    try:
        yield bench
    finally:
        bench.server.close()
        await bench.web.end()


def on_a_bench(trial: Trial, clock: Callable[[], float] = time.monotonic) -> None:
    """Run a trial on a bench that is open on a free port."""

    async def run() -> None:
        async with opened(clock) as bench, aiohttp.ClientSession() as session:
            await trial(bench, session)

    asyncio.run(asyncio.wait_for(run(), PATIENCE_S))


async def status(session: aiohttp.ClientSession, url: str, **headers: str) -> tuple[int, str]:
    async with session.get(url, headers=headers) as answer:
        return answer.status, await answer.text()


async def raw(bench: Bench, data: bytes) -> bytes:
    """Return the bytes sent to a raw connection, to its end."""
    reader, writer = await asyncio.open_connection("127.0.0.1", bench.server.port)
    writer.write(data)
    said = await reader.read()
    writer.close()
    return said


async def until(true: Callable[[], bool]) -> None:
    while not true():
        await asyncio.sleep(0.005)


async def moved(connection: aiohttp.ClientWebSocketResponse, mm: float) -> None:
    """Move a saddle over WebSocket; shows that the connection is served."""
    await connection.send_bytes(encode("/bench/string/1/moved", mm))
    answer = OscMessage(await connection.receive_bytes())
    assert (answer.address, answer.params[1]) == ("/bench/reply", pytest.approx(mm))


def test_a_host_that_is_not_this_machine_is_refused() -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        url = bench.url("/bench/phase?VALUE")
        for host in (f"localhost:{bench.server.port}", "shop.local", "192.0.2.1:80", "[::1]:9787"):
            assert (await status(session, url, Host=host))[0] == 200, host
        for host in ("evil.example", "evil.example:9787", "localhost.evil.example"):
            assert (await status(session, url, Host=host))[0] == 403, host
        said = await raw(bench, b"GET / HTTP/1.0\r\n\r\n")
        assert said.split()[1] in (b"400", b"403")

    on_a_bench(trial)


def test_a_page_of_somewhere_else_opens_no_websocket_and_is_not_let_read_answers() -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        for origin in ("http://localhost:3000", "http://127.0.0.1", "https://[::1]"):
            async with session.ws_connect(bench.url(scheme="ws"), headers={"Origin": origin}) as connection:
                await moved(connection, 0.5)
            async with session.get(bench.url("/bench/phase"), headers={"Origin": origin}) as answer:
                assert answer.headers["Access-Control-Allow-Origin"] == origin
        for origin in ("http://evil.example", "null", "http://127.0.0.1.evil.example", "file://"):
            with pytest.raises(aiohttp.WSServerHandshakeError, match="403"):
                await session.ws_connect(bench.url(scheme="ws"), headers={"Origin": origin})
            async with session.get(bench.url("/bench/phase"), headers={"Origin": origin}) as answer:
                assert "Access-Control-Allow-Origin" not in answer.headers

    on_a_bench(trial)


def test_a_network_that_is_not_allowed_gets_nothing_and_is_counted() -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        bench.server.allowed.allow = lambda host: host != "127.0.0.1"  # type: ignore[assignment]
        assert (await status(session, bench.url("/bench")))[0] == 403
        with pytest.raises(aiohttp.WSServerHandshakeError, match="403"):
            await session.ws_connect(bench.url(scheme="ws"))
        assert bench.server.counts.refused == 2

    on_a_bench(trial)


def test_a_request_that_is_too_long_or_no_http_is_one_line_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    long = b"GET /" + b"a" * 4000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n"
    many = b"GET / HTTP/1.1\r\nHost: localhost\r\n" + b"X-A: b\r\n" * 200 + b"\r\n"
    wide = b"GET / HTTP/1.1\r\nHost: localhost\r\nX-A: " + b"b" * 4000 + b"\r\n\r\n"
    wrong = b"GET / HTTP/9.x\r\n\r\n"

    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        for request in (long, many, wide, wrong, b"NONSENSE\r\n\r\n", b"Z" * 100_000):
            said = await raw(bench, request)
            assert said.split()[1] == b"400", request[:40]
            assert b"Traceback" not in said
        assert (await status(session, bench.url("/bench/phase")))[0] == 200

    with caplog.at_level(logging.INFO):
        on_a_bench(trial)
    assert "Traceback" not in caplog.text
    assert "bad HTTP request from 127.0.0.1" in caplog.text
    assert len(caplog.records) < 5  # one a second


def test_a_body_is_left_unread() -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        head = b"GET /bench/phase?VALUE HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000000000\r\n\r\n"
        said = await raw(bench, head + b"a" * 1000)
        assert said.startswith(b"HTTP/1.1 200 ")
        assert said.endswith(b'{"VALUE":["tuning"]}')

    on_a_bench(trial)


def test_a_client_without_a_complete_message_is_disconnected(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(web, "IDLE_S", 0.2)

    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        assert await raw(bench, b"GET /bench HTTP/1.1\r\nHost: loc") == b""
        whole = b"GET /bench/phase HTTP/1.1\r\nHost: localhost\r\n\r\n"
        assert (await raw(bench, whole)).count(b"HTTP/1.1 200") == 1  # and was closed after that
        assert (await raw(bench, whole + b"GET /bench HTTP/1.1\r\nHos")).count(b"HTTP/1.1 200") == 1

    on_a_bench(trial)


def test_a_client_that_does_not_read_an_answer_is_disconnected(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(web, "ANSWER_S", 0.2)
    monkeypatch.setattr(web, "described", lambda table, prefix, paths: dict.fromkeys(["/big"], _Big()))
    monkeypatch.setattr(web, "whole", lambda node, known: {"BIG": "x" * 30_000_000})

    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        loop = asyncio.get_running_loop()
        with socket.socket() as slow:
            slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            slow.setblocking(False)
            await loop.sock_connect(slow, ("127.0.0.1", bench.server.port))
            await loop.sock_sendall(slow, b"GET /big HTTP/1.1\r\nHost: localhost\r\n\r\n")
            await until(lambda: len(bench.web._http.connections) == 1)
            await until(lambda: not bench.web._http.connections)

    on_a_bench(trial)


class _Big:
    size = 1


def test_a_client_with_too_many_requests_waits_for_its_turn() -> None:
    now = 1000.0

    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        nonlocal now
        for _ in range(web.LARGE_PER_S):
            assert (await status(session, bench.url("/bench/string")))[0] == 200
        waits = asyncio.create_task(status(session, bench.url("/bench/string?CONTENTS")))
        for _ in range(web.LARGE_PER_S):
            assert (await status(session, bench.url("/bench/string/1/saddle")))[0] == 200
            assert (await status(session, bench.url("/bench/string?FULL_PATH")))[0] == 200
        assert not waits.done()
        now += 1.5 / web.LARGE_PER_S
        assert (await waits)[0] == 200
        waits = asyncio.create_task(status(session, bench.url("/bench/string")))
        for _ in range(10):
            assert (await status(session, bench.url("/bench/phase")))[0] == 200
        assert not waits.done()
        waits.cancel()  # who waits may leave

    on_a_bench(trial, clock=lambda: now)


def test_connections_beyond_the_limit_are_turned_away(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(web, "MAX_CONNECTIONS", 3)

    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        held = [await session.ws_connect(bench.url(scheme="ws")) for _ in range(3)]
        with pytest.raises(aiohttp.ClientError):
            await session.ws_connect(bench.url(scheme="ws"))
        await held.pop().close()
        await until(lambda: len(bench.web.sockets) == 2)
        async with session.ws_connect(bench.url(scheme="ws")) as connection:
            await moved(connection, 1.0)
        for connection in held:
            await connection.close()

    on_a_bench(trial)


def test_a_failure_inside_is_a_500_without_particulars_and_logged(caplog: pytest.LogCaptureFixture) -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        bench.server.values = lambda: {}["not there"]  # type: ignore[method-assign]
        code, text = await status(session, bench.url("/bench/phase"))
        assert code == 500
        assert "not there" not in text
        assert (await status(session, bench.url("/?HOST_INFO")))[0] == 200

    on_a_bench(trial)
    assert "KeyError: 'not there'" in caplog.text


def test_the_docs_name_the_limits() -> None:
    page = (Path(__file__).parents[2] / "docs" / "query.md").read_text(encoding="utf-8")
    for limit in (
        f"{web.MAX_CONNECTIONS} at once",
        f"{web.HEAD_LINE_BYTES} bytes; {web.HEAD_LINES} headers",
        f"{web.IDLE_S:g} s each",
        f"{web.REQUESTS_PER_S} a second, {web.LARGE_PER_S} of containers with {web.LARGE_NODES} nodes or more",
        f"{MAX_STREAM_BYTES // 1024} KiB",
        f"{websocket.MAX_UNSENT_BYTES // 2**20} MiB, then the connection is closed",
        f"| {websocket.MAX_LISTENED} |",
    ):
        assert limit in page
    assert web.IDLE_S == web.ANSWER_S
