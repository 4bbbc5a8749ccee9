"""OSC over TCP on a real socket, in both framings, with python-osc's client; one port for UDP and TCP."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from collections.abc import Iterator

import pytest
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder
from pythonosc.tcp_client import SimpleTCPClient
from test_osc_socket import Daemon

from oscservice.osc.framing import counted, slip
from oscservice.osc.server import PACKETS_PER_S
from oscservice.osc.tcp import MAX_CONNECTIONS

PING = b"/bench/ping\0,\0\0\0"


@pytest.fixture
def daemon() -> Iterator[Daemon]:
    with Daemon() as running:
        yield running


def connected(daemon: Daemon) -> socket.socket:
    made = socket.create_connection(("127.0.0.1", daemon.server.port), timeout=10)
    made.settimeout(10)
    return made


def exactly(connection: socket.socket, size: int) -> bytes:
    found = b""
    while len(found) < size:
        more = connection.recv(size - len(found))
        assert more, f"closed after {found!r}"
        found += more
    return found


def hear_counted(connection: socket.socket) -> OscMessage:
    (size,) = struct.unpack(">i", exactly(connection, 4))
    return OscMessage(exactly(connection, size))


def message(address: str, *values: float | str) -> bytes:
    builder = OscMessageBuilder(address)
    for value in values:
        builder.add_arg(value)
    return bytes(builder.build().dgram)


@pytest.mark.parametrize("mode", ["1.0", "1.1"])
def test_python_osc_over_tcp_in_both_framings(daemon: Daemon, mode: str) -> None:
    with SimpleTCPClient("127.0.0.1", daemon.server.port, mode=mode) as client:
        client.send_message("/bench/string/2/moved", -0.25)
        packets = client.receive(10)
        assert [(m.address, m.params) for m in map(OscMessage, packets)] == [
            ("/bench/reply", ["/bench/string/2/moved", -0.25])
        ]


def test_a_connection_subscribes_and_its_end_ends_the_lease(daemon: Daemon) -> None:
    with connected(daemon) as connection:
        connection.sendall(counted(message("/bench/subscribe", 0, "/bench/phase //saddle/moved")))
        assert hear_counted(connection).params == ["/bench/subscribe", 120]
        assert hear_counted(connection).params == ["tuning"]
        assert [hear_counted(connection).params for _ in range(6)] == [[0.0]] * 6
        connection.sendall(counted(message("/bench/string/1/moved", 1.0, "id=x")))
        heard = [(m.address, m.params) for m in (hear_counted(connection), hear_counted(connection))]
        assert ("/bench/reply", ["/bench/string/1/moved", 1.0, "id=x"]) in heard
        assert ("/bench/string/1/saddle/moved", [1.0]) in heard
    deadline = time.monotonic() + 10
    while len(daemon.server.subscribers):
        assert time.monotonic() < deadline, "the lease outlived its connection"
        time.sleep(0.01)


def test_packets_cut_anywhere_are_put_together(daemon: Daemon) -> None:
    with connected(daemon) as connection:
        for byte in slip(PING) + slip(PING):
            connection.sendall(bytes([byte]))
        expected = slip(b"/bench/reply\0\0\0\0,s\0\0/bench/ping\0")
        assert exactly(connection, 2 * len(expected)) == 2 * expected


def test_a_stream_with_broken_framing_gets_an_error_and_is_closed(daemon: Daemon) -> None:
    with connected(daemon) as connection:
        connection.sendall(counted(PING) + struct.pack(">i", 2**24 - 4))
        assert hear_counted(connection).params == ["/bench/ping"]
        while connection.recv(4096):
            pass
    assert daemon.server.counts.bad == 1
    with connected(daemon) as connection:  # and a packet that is none leaves the stream as it is
        connection.sendall(slip(b"junk") + slip(PING))
        bad = message("/bench/error", "", 6, "neither a message nor a bundle")
        expected = slip(bad) + slip(b"/bench/reply\0\0\0\0,s\0\0/bench/ping\0")
        assert exactly(connection, len(expected)) == expected


def test_connections_are_bounded_and_a_place_is_free_again(daemon: Daemon) -> None:
    held = [connected(daemon) for _ in range(MAX_CONNECTIONS)]
    for connection in held:
        connection.sendall(counted(PING))
        assert hear_counted(connection).params == ["/bench/ping"]
    with connected(daemon) as turned_away, contextlib.suppress(ConnectionResetError):
        assert turned_away.recv(1) == b""
    for connection in held:
        connection.close()
    deadline = time.monotonic() + 10
    while True:
        with connected(daemon) as connection:
            try:
                connection.sendall(counted(PING))
                if connection.recv(1):
                    return
            except ConnectionError:
                pass
        assert time.monotonic() < deadline, "no place became free"


def test_a_large_packet_goes_over_tcp_that_would_not_over_udp(daemon: Daemon) -> None:
    many = b"".join(struct.pack(">i", len(PING)) + PING for _ in range(120))
    large = b"/bench/string/1/focus\0\0\0,s\0\0" + b"x" * 9000 + bytes(4)
    with connected(daemon) as connection:
        connection.sendall(counted(b"#bundle\0" + bytes(7) + b"\x01" + many))
        assert [hear_counted(connection).params for _ in range(120)] == [["/bench/ping"]] * 120
        connection.sendall(counted(large))
        assert hear_counted(connection).params[1] == 3  # too long a text, but no bad packet
    assert daemon.server.counts.bad == 0


def test_messages_too_fast_over_tcp_wait_and_none_is_lost(daemon: Daemon) -> None:
    many = PACKETS_PER_S + 500
    with connected(daemon) as connection:
        sender = threading.Thread(target=connection.sendall, args=(counted(PING) * many,))
        sender.start()
        assert {tuple(hear_counted(connection).params) for _ in range(many)} == {("/bench/ping",)}
        sender.join()
    assert (daemon.server.counts.packets, daemon.server.counts.dropped) == (many, 0)
