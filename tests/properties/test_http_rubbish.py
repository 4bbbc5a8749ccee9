"""Bytes that begin like HTTP and go wrong: nothing escapes, nothing is left open, and the next client is served."""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Iterable, Iterator

import pytest

from oscservice.api.address_table import address_space
from oscservice.osc import http_server as web
from oscservice.osc.packet import encode
from oscservice.osc.ports import open_ports
from oscservice.osc.server import OscServer

ASKING = (
    b"GET /bench/phase?VALUE HTTP/1.1\r\nHost: localhost:9787\r\nUser-Agent: trial\r\nAccept: */*\r\n"
    b"Content-Length: 4\r\n\r\nbody"
)
TALKING = (
    b"GET / HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
)
CHUNKED = b"GET / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n4\r\nbody\r\n0\r\n\r\n"


def frame(kind: int, payload: bytes) -> bytes:
    """A frame as clients send it, masked with zeros."""
    return bytes((0x80 | kind, 0x80 | len(payload))) + bytes(4) + payload


def said() -> bytes:
    listen = b'{"COMMAND":"LISTEN","DATA":"/bench/phase"}'
    return TALKING + frame(1, listen) + frame(2, encode("/bench/ping")) + frame(9, b"ping") + frame(8, b"\x03\xe8")


def damaged(whole: bytes, chance: random.Random) -> Iterator[bytes]:
    """Every truncation, and each byte changed once."""
    for at in range(1, len(whole)):
        yield whole[:at]
        yield whole[:at] + bytes((whole[at] ^ 1 << chance.randrange(8),)) + whole[at + 1 :]


def rubbish(chance: random.Random) -> Iterator[bytes]:
    words = [
        b"GET ",
        b"POST ",
        b"HTTP/1.1",
        b"\r\n",
        b"Host: localhost",
        b":",
        b" ",
        b"\0",
        b"/bench",
        b"%2e%2e/",
        b"?",
    ]
    for _ in range(300):
        yield b"G" + b"".join(chance.choice(words) for _ in range(chance.randrange(1, 30)))
        yield TALKING + chance.randbytes(chance.randrange(1, 200))


async def tried(attempts: Iterable[bytes]) -> None:
    """Send each over a connection of its own, and leave; then ask something that is right."""
    server = OscServer(lambda: address_space(string_count=6), snapshot=lambda: {"/phase": ("tuning",)})
    served = web.Web(server, "bench", ())
    await open_ports(server, "127.0.0.1", 0, served.http)
    for attempt in attempts:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(attempt)
        writer.write_eof()
        await asyncio.sleep(0.001)
        writer.transport.abort()
    while served._http.connections or len(served.sockets):
        await asyncio.sleep(0.005)
    reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
    writer.write(b"GET /bench/phase?VALUE HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
    assert (await reader.read()).endswith(b'{"VALUE":["tuning"]}')
    writer.close()
    server.close()
    await served.end()


@pytest.mark.parametrize("whole", [ASKING, said(), CHUNKED], ids=["asking", "talking", "chunked"])
def test_the_next_client_is_served_after_cut_or_changed_requests(
    whole: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        asyncio.run(asyncio.wait_for(tried(damaged(whole, random.Random(7))), 60))
    assert not [record for record in caplog.records if record.exc_info], caplog.text


def test_the_next_client_is_served_after_made_up_requests(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING):
        asyncio.run(asyncio.wait_for(tried(rubbish(random.Random(11))), 60))
    assert not [record for record in caplog.records if record.exc_info], caplog.text
