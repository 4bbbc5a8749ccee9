"""The links: what a socket loses, connections that say nothing or take nothing in, HTTP at the same door."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from test_osc_server import on_a_loop, until

from oscservice.osc import tcp
from oscservice.osc.framing import counted
from oscservice.osc.peer import Peer, Transport
from oscservice.osc.ports import bound_socket
from oscservice.osc.tcp import TcpLink
from oscservice.osc.udp import UdpLink, lost_packets

# proc(5): the inode is the tenth field, the drops the last.
TABLE = """\
   sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode ref pointer drops
  411: 0100007F:263B 00000000:0000 07 00000000:00000000 00:00000000 00000000     0        0 23456 2 0000000000000000 17
 1234: 00000000:14E9 00000000:0000 07 00000000:00000000 00:00000000 00000000     0        0 99 2 0000000000000000 0
"""


class Taken:
    """Takes what links hand over."""

    def __init__(self) -> None:
        self.packets: list[tuple[bytes, Peer]] = []
        self.faults: list[str] = []
        self.left: list[Peer] = []
        self.welcomes = True

    def admit(self, sender: Peer) -> bool:
        return True

    def drop(self, sender: Peer) -> None:
        raise AssertionError("so little was too much")

    def carry_out(self, packet: bytes, sender: Peer) -> None:
        self.receive(packet, sender)

    def receive(self, packet: bytes, sender: Peer) -> None:
        self.packets.append((packet, sender))

    def bad(self, reason: str, size: int, sender: Peer) -> None:
        self.faults.append(reason)

    def wait_s(self, sender: Peer) -> float:
        return 0.0

    def welcome(self, sender: Peer) -> bool:
        return self.welcomes

    def gone(self, peer: Peer) -> None:
        self.left.append(peer)


class Http(asyncio.Protocol):
    """A stand-in for a web server that keeps the connections it gets."""

    def __init__(self) -> None:
        self.data = b""
        self.transport: Any = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        self.data += data


@pytest.mark.parametrize(("inode", "lost"), [(23456, 17), (99, 0), (4, None)])
def test_lost_packets_are_read_from_the_systems_table(inode: int, lost: int | None) -> None:
    assert lost_packets(TABLE, inode) == lost
    assert lost_packets("", inode) is None
    assert lost_packets("nonsense\n1 2 3\n", inode) is None


@on_a_loop
async def test_packets_lost_by_a_full_receive_buffer_are_counted() -> None:
    if not sys.platform.startswith("linux"):
        pytest.skip("the table of sockets is Linux's")
    bound = bound_socket("127.0.0.1", 0)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    taken = Taken()
    link = UdpLink(bound, taken)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for _ in range(300):  # the loop reads nothing meanwhile
            sender.sendto(b"/x\0\0,\0\0\0", bound.getsockname())
    await until(lambda: len(taken.packets) + link.lost == 300)
    assert link.lost > 0
    assert taken.packets[0][1].transport is Transport.UDP
    link.close()


@on_a_loop
async def test_a_packet_that_cannot_go_out_is_no_fault() -> None:
    link = UdpLink(bound_socket("127.0.0.1", 0), Taken())
    assert link.send(b"/x\0\0,\0\0\0", Peer("127.0.0.1", 9))  # nobody is there
    assert not link.send(b"/x\0\0,\0\0\0", Peer("2001:db8::1", 9))  # another family (RFC 3849)
    link.close()


async def opened(taken: Taken, http: Any = None) -> tuple[TcpLink, asyncio.StreamReader, asyncio.StreamWriter]:
    link = TcpLink(taken, http)
    server = await asyncio.get_running_loop().create_server(link.connection, "127.0.0.1", 0)
    link.serve(server)
    reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname())
    return link, reader, writer


@on_a_loop
async def test_http_comes_in_by_the_same_door() -> None:
    made: list[Http] = []
    taken = Taken()

    def http() -> Http:
        made.append(Http())
        return made[-1]

    link, reader, writer = await opened(taken, http)
    writer.write(b"GET / HT")
    await until(lambda: bool(made))
    writer.write(b"TP/1.1\r\n\r\n")
    await until(lambda: made[0].data == b"GET / HTTP/1.1\r\n\r\n")
    made[0].transport.write(b"HTTP/1.1 404")
    assert await reader.readexactly(12) == b"HTTP/1.1 404"
    assert len(link) == 0
    writer.close()
    link.close()
    assert taken.packets == []


@on_a_loop
async def test_without_http_a_request_is_no_packet() -> None:
    taken = Taken()
    link, reader, writer = await opened(taken)
    writer.write(b"GET / HTTP/1.1\r\n\r\n")
    assert await reader.read() == b""
    assert len(taken.faults) == 1
    writer.close()
    link.close()


@on_a_loop
async def test_a_client_that_is_not_allowed_is_disconnected_at_the_first_byte_of_osc() -> None:
    taken = Taken()
    taken.welcomes = False
    link, reader, writer = await opened(taken)
    writer.write(counted(b"/x\0\0,\0\0\0"))
    with contextlib.suppress(ConnectionResetError):
        assert await reader.read() == b""
    assert (taken.packets, len(link)) == ([], 0)
    writer.close()
    link.close()


def test_one_other_machine_leaves_connections_to_the_rest() -> None:
    link = TcpLink(Taken())
    near, far, further = (Peer(host, 5000, Transport.TCP) for host in ("127.0.0.1", "192.0.2.1", "192.0.2.2"))
    for port in range(tcp.MAX_PER_HOST):
        connection: Any = link.connection()
        connection.peer = far._replace(port=port)
        assert not link.full(far)
        link.came(connection)
    assert link.full(far)
    assert not link.full(further)
    assert not link.full(near)


@on_a_loop
async def test_a_connection_that_says_nothing_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp, "FIRST_BYTE_S", 0.02)
    monkeypatch.setattr(tcp, "SILENT_S", 0.02)
    taken = Taken()
    link, reader, writer = await opened(taken)
    assert await reader.read() == b""
    assert taken.left == []  # it never spoke
    writer.close()
    link.close()
    link, reader, writer = await opened(taken)
    writer.write(counted(b"/x\0\0,\0\0\0"))
    assert await reader.read() == b""
    await until(lambda: len(taken.left) == 1)
    assert taken.packets == [(b"/x\0\0,\0\0\0", taken.left[0])]
    writer.close()
    link.close()


@on_a_loop
async def test_a_peer_that_takes_nothing_in_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp, "MAX_UNSENT_BYTES", 100_000)
    taken = Taken()
    link, _, writer = await opened(taken)
    writer.write(counted(b"/x\0\0,\0\0\0"))
    await until(lambda: bool(taken.packets))
    peer = taken.packets[0][1]
    for _ in range(1_000_000):
        if not link.send(bytes(8000), peer):
            break
    await until(lambda: taken.left == [peer])
    assert not link.send(b"more", peer)
    writer.close()
    link.close()


@pytest.mark.slow
def test_a_second_daemon_on_a_taken_tcp_port_is_refused_with_its_code(tmp_path: Path) -> None:
    """UDP is free there, TCP is not: another program's server has it."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        words = ["serve", "--source", "simulated", "--port", str(port), "--journal", str(tmp_path / "j.sqlite3")]
        done = subprocess.run(
            [sys.executable, "-m", "oscservice", *words],
            capture_output=True,
            text=True,
            timeout=60,
        )
    assert done.returncode == 4
    assert done.stderr.startswith(f"oscservice: TCP port {port} on 127.0.0.1 is taken: stop the program")
    assert done.stderr.count("\n") == 1
