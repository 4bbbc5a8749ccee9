"""The server on a real UDP socket, with third-party clients: python-osc's and liblo's command line tools."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from conftest import need
from one_handler import handled_by
from oscservice_process import in_own_network
from pythonosc.osc_bundle_builder import OscBundleBuilder
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder
from pythonosc.udp_client import UDPClient

from oscservice.api.address_table import address_space
from oscservice.errors import InputError, PortError
from oscservice.osc.address import Address
from oscservice.osc.packet import Value
from oscservice.osc.peer import Networks, Peer
from oscservice.osc.ports import bound_socket, open_ports
from oscservice.osc.refusal import ErrorCode, OscRefusal
from oscservice.osc.server import OscServer

ROOT = Path(__file__).parents[2]


class Daemon:
    """A small bench behind a real socket, on a thread of its own: a saddle that is moved, and a phase that goes on."""

    def __init__(self) -> None:
        self.moved_mm = dict.fromkeys(range(1, 7), 0.0)
        space = handled_by(self.handle, 6)
        self.server = OscServer(lambda: space, snapshot=self.state)
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._live()))

    def state(self) -> dict[str, Sequence[Value]]:
        saddles = {f"/string/{string}/saddle/moved": (mm,) for string, mm in self.moved_mm.items()}
        return {"/phase": ("tuning",), **saddles}

    def handle(
        self, address: Address, params: dict[str, int], args: tuple[Value, ...], sender: Peer
    ) -> Sequence[Value]:
        match address.path:
            case "/version":
                return ("oscservice", "0.1.0", 1)
            case "/string/{string}/moved":
                self.moved_mm[params["string"]] += float(args[0])
                moved_mm = self.moved_mm[params["string"]]
                self.server.publish({f"/string/{params['string']}/saddle/moved": (moved_mm,)})
                return (moved_mm,)
        raise OscRefusal(ErrorCode.WRONG_PHASE, "not in this phase")

    async def _live(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._end = asyncio.Event()
        await open_ports(self.server)
        self._ready.set()
        await self._end.wait()
        self.server.close()

    def __enter__(self) -> Daemon:
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(10)


@pytest.fixture
def daemon() -> Iterator[Daemon]:
    with Daemon() as running:
        yield running


class Client:
    """python-osc's client, with its answers read one by one."""

    def __init__(self, port: int) -> None:
        self.udp = UDPClient("127.0.0.1", port)
        self.udp._sock.settimeout(10)

    def send(self, address: str, *args: Any) -> None:
        builder = OscMessageBuilder(address)
        for arg in args:
            builder.add_arg(arg)
        self.udp.send(builder.build())

    def raw(self, packet: bytes) -> None:
        self.udp._sock.sendto(packet, (self.udp._address, self.udp._port))

    def hear(self) -> tuple[str, list[Any]]:
        message = OscMessage(self.udp._sock.recv(8192))
        return message.address, message.params

    def close(self) -> None:
        self.udp._sock.close()


@pytest.fixture
def client(daemon: Daemon) -> Iterator[Client]:
    made = Client(daemon.server.port)
    yield made
    made.close()


def test_commands_are_answered_at_the_port_they_came_from(client: Client) -> None:
    client.send("/bench/version")
    assert client.hear() == ("/bench/reply", ["/bench/version", "oscservice", "0.1.0", 1])
    client.send("/bench/string/2/moved", -0.25)
    assert client.hear() == ("/bench/reply", ["/bench/string/2/moved", -0.25])
    client.send("/bench/session/next")
    assert client.hear() == ("/bench/error", ["/bench/session/next", 4, "not in this phase"])
    client.send("/bench/nonsense", 1)
    address, (about, code, text) = client.hear()
    assert (address, about, code) == ("/bench/error", "/bench/nonsense", 1)
    assert "unknown address" in text


def test_a_subscriber_gets_the_state_and_a_change_another_client_makes(daemon: Daemon, client: Client) -> None:
    client.send("/bench/subscribe")
    assert client.hear() == ("/bench/reply", ["/bench/subscribe", 120])
    assert client.hear() == ("/bench/phase", ["tuning"])
    assert [client.hear() for _ in range(6)] == [(f"/bench/string/{s}/saddle/moved", [0.0]) for s in range(1, 7)]
    other = Client(daemon.server.port)
    other.send("/bench/string/[56]/moved", 1)
    assert sorted(other.hear()[1][0] for _ in range(2)) == ["/bench/string/5/moved", "/bench/string/6/moved"]
    other.close()
    assert client.hear() == ("/bench/string/5/saddle/moved", [1.0])
    assert client.hear() == ("/bench/string/6/saddle/moved", [1.0])


def test_a_client_with_two_sockets(daemon: Daemon, client: Client) -> None:
    listener = Client(daemon.server.port)
    listener.udp._sock.bind(("127.0.0.1", 0))
    client.send("/bench/subscribe", listener.udp._sock.getsockname()[1])
    assert listener.hear() == ("/bench/reply", ["/bench/subscribe", 120])
    assert listener.hear() == ("/bench/phase", ["tuning"])
    listener.close()


def test_a_bundle_of_python_osc(client: Client) -> None:
    builder = OscBundleBuilder(0)
    for address, args in (("/bench/string/1/moved", [0.5]), ("/bench/string/1/moved", [1]), ("/bench/ping", [])):
        content = OscMessageBuilder(address)
        for arg in args:
            content.add_arg(arg)
        builder.add_content(content.build())
    client.udp.send(builder.build())
    assert [client.hear()[1] for _ in range(3)] == [
        ["/bench/string/1/moved", 0.5],
        ["/bench/string/1/moved", 1.5],
        ["/bench/ping"],
    ]


def test_packets_that_hang_other_servers_do_not_hang_this_one(daemon: Daemon, client: Client) -> None:
    client.raw(b"#bundle\0" + bytes(7) + b"\x01" + b"\xff\xff\xff\xfc" + bytes(4))
    assert client.hear() == ("/bench/error", ["", 6, "a bundle element has a wrong size"])
    client.raw(b"/bench/" + b"*" * 32 + b"!" + bytes(4) + b",\0\0\0")
    assert client.hear()[1][1] == 1
    client.raw(os.urandom(511))
    assert client.hear() == ("/bench/error", ["", 6, "the size is not a multiple of 4"])
    client.raw(b"/bench/ping\0,b\0\0" + bytes(60_000))
    assert client.hear() == ("/bench/error", ["", 6, "larger than 8192 bytes"])
    client.send("/bench/ping")
    assert client.hear() == ("/bench/reply", ["/bench/ping"])
    assert daemon.server.counts.bad == 3


def test_a_burst_of_a_thousand_is_answered_to_the_last(daemon: Daemon) -> None:
    """More than the 256 small datagrams that a default receive buffer holds."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.settimeout(10)
        sender.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 * 1024 * 1024)
        for _ in range(1000):
            sender.sendto(b"/bench/ping\0,\0\0\0", ("127.0.0.1", daemon.server.port))
        answers = {sender.recv(8192) for _ in range(1000)}
    assert len(answers) == 1


def test_a_taken_port_is_refused_in_one_line(daemon: Daemon) -> None:
    port = daemon.server.port
    assert daemon.server.host == "127.0.0.1"
    with pytest.raises(PortError, match=f"UDP port {port} on 127.0.0.1 is taken: stop") as refusal:
        bound_socket("127.0.0.1", port)
    assert "\n" not in str(refusal.value)
    assert refusal.value.exit_code == 4


def test_a_bind_beyond_the_loopback_is_said_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    async def opened(host: str, *allowed: str) -> None:
        server = OscServer(address_space, snapshot=dict, allowed=Networks(allowed))
        await open_ports(server, host)
        assert server.port > 0
        server.close()

    asyncio.run(opened("127.0.0.1"))
    assert caplog.records == []
    with pytest.raises(InputError, match="say which networks may, such as --allow") as refusal:
        asyncio.run(opened("0.0.0.0"))
    assert refusal.value.exit_code == 2
    asyncio.run(opened("0.0.0.0", "192.0.2.0/24"))
    assert "anyone who reaches this address" in caplog.text


@pytest.mark.parametrize(
    ("host", "port", "what"),
    [
        ("127.0.0.1", 65536, "does not exist"),
        ("127.0.0.1", -1, "does not exist"),
        ("192.0.2.1", 0, "no address of this machine"),  # a documentation address, RFC 5737
        ("not an address", 0, "no address of this machine"),
    ],
)
def test_an_impossible_address_is_refused_in_one_line(host: str, port: int, what: str) -> None:
    with pytest.raises(PortError, match=what):
        bound_socket(host, port)


LIBLO = """
import json, subprocess, sys, time
from pathlib import Path
from test_osc_socket import Daemon

def listens(udp_port):
    tables = [Path("/proc/net/udp"), Path("/proc/net/udp6")]
    return any(f":{udp_port:04X} " in table.read_text() for table in tables if table.exists())

def sent(*words):
    subprocess.run(["oscsend", "127.0.0.1", str(port), *words], check=True)

def asked(*words):
    packet = subprocess.run(["oscsend", "-", *words], check=True, capture_output=True).stdout
    pipe = ["socat", "-t1", "-", f"udp4:127.0.0.1:{port}"]
    return subprocess.run(pipe, input=packet, check=True, capture_output=True).stdout.hex()

with Daemon() as daemon:
    port = daemon.server.port
    dump = subprocess.Popen(["oscdump", "-L", "19101"], stdout=subprocess.PIPE, text=True)
    try:
        while not listens(19101):  # oscdump says nothing once it listens
            assert dump.poll() is None
            time.sleep(0.01)
        sent("/bench/subscribe", "i", "19101")
        sent("/bench/string/3/moved", "f", "-0.5")
        sent("/bench/string/[12]/moved", "d", "0.25")
        lines = [dump.stdout.readline().split(" ", 1)[1].strip() for _ in range(11)]
        replies = [asked("/bench/ping"), asked("/bench/listen", "T")]
    finally:
        dump.terminate()
        dump.wait()
    print(json.dumps({"lines": lines, "replies": replies, "moved": daemon.moved_mm, "bad": daemon.server.counts.bad}))
"""


@pytest.mark.foreign
def test_liblo_tools_drive_and_follow_it() -> None:
    """oscsend and oscdump, in a network namespace of their own, since oscdump can only bind every interface."""
    for program, package in (("oscsend", "liblo-tools"), ("oscdump", "liblo-tools"), ("socat", "socat")):
        need(program, package)
    paths = os.pathsep.join(map(str, (ROOT, ROOT / "tests", Path(__file__).parent)))
    done = subprocess.run(
        [*in_own_network(), sys.executable, "-c", LIBLO],
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    got = json.loads(done.stdout)
    state = [
        '/bench/reply si "/bench/subscribe" 120',
        '/bench/phase s "tuning"',
        *(f"/bench/string/{s}/saddle/moved f 0.000000" for s in range(1, 7)),
    ]
    changes = {3: "-0.500000", 1: "0.250000", 2: "0.250000"}
    assert got["lines"] == state + [f"/bench/string/{s}/saddle/moved f {mm}" for s, mm in changes.items()]
    assert got["moved"] == {"1": 0.25, "2": 0.25, "3": -0.5, "4": 0.0, "5": 0.0, "6": 0.0}
    assert bytes.fromhex(got["replies"][0]) == b"/bench/reply\0\0\0\0,s\0\0/bench/ping\0"
    assert bytes.fromhex(got["replies"][1]).startswith(b"/bench/error\0\0\0\0,sis\0\0\0\0/bench/listen\0\0\0\0\0\0\x04")
    assert got["bad"] == 0
