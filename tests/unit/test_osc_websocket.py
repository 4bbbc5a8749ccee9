"""WebSocket connections: what bounds them, and what a connection that misbehaves does to the others."""

from __future__ import annotations

import asyncio
import json
import socket
import struct

import aiohttp
import pytest
from pythonosc.osc_message import OscMessage
from test_http_server import PATIENCE_S, Bench, moved, on_a_bench, opened, until

from oscservice.osc import websocket
from oscservice.osc.packet import encode
from oscservice.osc.server import PACKETS_PER_S


def test_messages_too_fast_over_websocket_wait_and_none_is_lost() -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        many = PACKETS_PER_S + 300
        async with session.ws_connect(bench.url(scheme="ws")) as connection:
            for _ in range(many):
                await connection.send_bytes(encode("/bench/ping"))
            answers = {await connection.receive_bytes(timeout=20) for _ in range(many)}
        assert answers == {encode("/bench/reply", "/bench/ping")}
        assert (bench.server.counts.packets, bench.server.counts.dropped) == (many, 0)

    on_a_bench(trial)


@pytest.mark.parametrize(
    "text",
    [
        *("", "no JSON", "[" * 60_000, "null", "[]", '"LISTEN"', "{}", "1e999", '{"COMMAND":"LISTEN"}'),
        *('{"COMMAND":"LISTEN","DATA":1}', '{"COMMAND":"LISTEN","DATA":"/bench/nonsense"}', '{"DATA":"/bench/phase"}'),
        *('{"COMMAND":"LISTEN","DATA":"/phase"}', '{"COMMAND":"LISTEN","DATA":"/bench/string/1/moved"}'),
        *('{"COMMAND":"LISTEN","DATA":"/bench/reply"}', '{"COMMAND":"IGNORE","DATA":"/bench"}'),
        *('{"COMMAND":"PATH_ADDED","DATA":"/bench/phase"}', '{"COMMAND":["LISTEN"],"DATA":"/bench/phase"}'),
    ],
)
def test_text_that_is_no_command_is_counted_and_answered_over_osc(text: str) -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        async with session.ws_connect(bench.url(scheme="ws")) as connection:
            await connection.send_str(text)
            await connection.send_bytes(encode("/bench/string/1/moved", 0.25))
            answers = []
            while not answers or answers[-1].address != "/bench/reply":
                answers.append(OscMessage(await connection.receive_bytes()))
            assert [a.address for a in answers] in (["/bench/reply"], ["/bench/error", "/bench/reply"])
        assert bench.server.counts.bad == 1
        bench.publish({"/phase": ("comparing",), "/string/1/saddle/moved": (1.0,)})

    on_a_bench(trial)


def test_text_that_comes_too_fast_is_dropped_and_counted() -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        async with session.ws_connect(bench.url(scheme="ws")) as connection:
            for _ in range(PACKETS_PER_S + 50):
                await connection.send_str('{"COMMAND":"LISTEN","DATA":"/bench/phase"}')
            await until(lambda: bench.server.counts.dropped == 50)

    on_a_bench(trial, clock=lambda: 1000.0)


def test_binary_that_is_not_osc_is_counted_and_the_connection_stays_open() -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        async with session.ws_connect(bench.url(scheme="ws")) as connection:
            for packet in (b"", b"abc", b"#bundle\0" + bytes(8) + struct.pack(">i", -4), b"\xff" * 64):
                await connection.send_bytes(packet)
            await connection.send_bytes(encode("/bench/string/1/moved", 0.25))
            while OscMessage(await connection.receive_bytes()).address != "/bench/reply":
                pass
        assert bench.server.counts.bad == 4

    on_a_bench(trial)


@pytest.mark.parametrize("kind", ["send_bytes", "send_str"])
def test_a_frame_over_the_limit_ends_the_connection(kind: str, caplog: pytest.LogCaptureFixture) -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        async with session.ws_connect(bench.url(scheme="ws")) as connection:
            big = b"a" * (64 * 1024 + 1)
            await getattr(connection, kind)(big if kind == "send_bytes" else big.decode())
            end = await connection.receive()
            assert (end.type, end.data) == (aiohttp.WSMsgType.CLOSE, aiohttp.WSCloseCode.MESSAGE_TOO_BIG)
        await until(lambda: not len(bench.web.sockets))

    on_a_bench(trial)
    assert "Traceback" not in caplog.text


def test_a_connection_that_does_not_read_is_ended_and_the_others_go_on(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(websocket, "MAX_UNSENT_BYTES", 50_000)
    handshake = (
        b"GET / HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
    )
    listen = json.dumps({"COMMAND": "LISTEN", "DATA": "/bench/event"}).encode()

    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        loop = asyncio.get_running_loop()
        with socket.socket() as slow:
            slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            slow.setblocking(False)
            await loop.sock_connect(slow, ("127.0.0.1", bench.server.port))
            await loop.sock_sendall(slow, handshake + bytes((0x81, 0x80 | len(listen))) + bytes(4) + listen)
            await until(lambda: len(bench.web.sockets) == 1)
            async with session.ws_connect(bench.url(scheme="ws")) as connection:
                while len(bench.web.sockets) == 2:
                    bench.publish({"/event": ("x" * 150,)})
                    await asyncio.sleep(0)
                await moved(connection, 0.75)

    on_a_bench(trial)
    assert "does not read what it is sent" in caplog.text


def test_subscriptions_end_with_the_connection() -> None:
    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        async with session.ws_connect(bench.url(scheme="ws")) as connection:
            await connection.send_str('{"COMMAND":"LISTEN","DATA":"/bench/phase"}')
            await moved(connection, 0.5)
            bench.publish({"/phase": ("comparing",)})
            assert OscMessage(await connection.receive_bytes()).params == ["comparing"]
        await until(lambda: not len(bench.web.sockets))
        unsent = bench.server.counts.unsent
        bench.publish({"/phase": ("moving",)})
        assert bench.server.counts.unsent == unsent  # nobody is sent it

    on_a_bench(trial)


def test_subscriptions_of_one_connection_are_limited(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(websocket, "MAX_LISTENED", 2)

    async def trial(bench: Bench, session: aiohttp.ClientSession) -> None:
        async with session.ws_connect(bench.url(scheme="ws")) as connection:
            for path in ("/bench/phase", "/bench/prompt", "/bench/revision"):
                await connection.send_str(json.dumps({"COMMAND": "LISTEN", "DATA": path}))
            await until(lambda: bench.server.counts.bad == 1)

    on_a_bench(trial)


def test_connections_get_a_close_frame_at_the_end() -> None:
    async def run() -> None:
        async with aiohttp.ClientSession() as session:
            async with opened() as bench:
                connection = await session.ws_connect(bench.url(scheme="ws"))
                await connection.send_bytes(encode("/bench/subscribe"))
                assert OscMessage(await connection.receive_bytes()).address == "/bench/reply"
            frames = [frame async for frame in connection]
            last = OscMessage(frames[-1].data)
            assert (last.address, last.params[:2]) == ("/bench/reply", ["/bench/subscribe", 0])
            assert connection.close_code == aiohttp.WSCloseCode.GOING_AWAY

    asyncio.run(asyncio.wait_for(run(), PATIENCE_S))


def test_frames_are_those_of_the_standard() -> None:
    """The unmasked examples of RFC 6455, section 5.7."""
    assert websocket.frame(aiohttp.WSMsgType.TEXT, b"Hello") == bytes.fromhex("810548656c6c6f")
    assert websocket.frame(aiohttp.WSMsgType.BINARY, bytes(256)) == bytes.fromhex("827e0100") + bytes(256)
    assert websocket.frame(aiohttp.WSMsgType.BINARY, bytes(65536)) == bytes.fromhex("827f0000000000010000") + bytes(
        65536
    )
    assert websocket.frame(aiohttp.WSMsgType.BINARY, bytes(125))[:2] == bytes((0x82, 125))
    assert websocket.frame(aiohttp.WSMsgType.BINARY, bytes(126))[:4] == bytes((0x82, 126, 0, 126))
