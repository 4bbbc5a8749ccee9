"""Run by test_serve_hosts in a network namespace of its own: three hosts, one of them with the daemon. Prints what came
where, as JSON.

    python three_hosts.py FOLDER

The bench is 192.0.2.1 to the neighbour, 192.0.2.2, and 198.51.100.1 to the bystander, 198.51.100.2 (RFC 5737).
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import random
import re
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from grammar import INCOMING, command, hostile_packets
from oscservice_process import command as command_line
from oscservice_process import environment
from packets import bundle, message, padded

from oscservice.osc.packet import Decoded, decode, encode

BENCH, NEIGHBOUR, BYSTANDER, STRANGER = "192.0.2.1", "192.0.2.2", "198.51.100.2", "203.0.113.2"
CLONE_NEWNET = 0x40000000
HEADER_BYTES = 28  # of IPv4 and UDP
PATIENCE_S = 30.0
ALIVE_S = 3.5

PING, SUBSCRIBE = encode("/bench/ping"), encode("/bench/subscribe")
Told = list[tuple[str, tuple[Decoded, ...]]]


@contextlib.contextmanager
def host(name: str, own: str, others: str) -> Iterator[int]:
    """Another host beside this one, at the other end of a cable; gives the process whose namespace it is."""
    process = subprocess.Popen(["unshare", "-n", "sleep", "infinity"])
    try:
        deadline = time.monotonic() + PATIENCE_S
        here = Path("/proc/self/ns/net").readlink()
        while Path(f"/proc/{process.pid}/ns/net").readlink() == here:
            assert time.monotonic() < deadline, "no namespace"
            time.sleep(0.01)
        inside = ["nsenter", "-t", str(process.pid), "-n"]
        _run("ip", "link", "add", name, "type", "veth", "peer", "name", "cable", "netns", str(process.pid))
        _run("ip", "addr", "add", f"{own}/24", "dev", name)
        _run("ip", "link", "set", name, "up")
        _run("sh", "-c", f"echo 0 > /proc/sys/net/ipv4/conf/{name}/rp_filter")  # lets forged packets in
        _run(*inside, "ip", "addr", "add", f"{others}/24", "dev", "cable")
        _run(*inside, "ip", "link", "set", "cable", "up")
        _run(*inside, "ip", "route", "add", "default", "via", own)
        yield process.pid
    finally:
        process.kill()
        process.wait()


def _run(*words: str) -> None:
    subprocess.run(words, check=True)


def socket_at(pid: int, kind: int = socket.SOCK_DGRAM, protocol: int = 0, address: str = "") -> socket.socket:
    """A socket that belongs to another host."""
    libc = ctypes.CDLL(None, use_errno=True)
    with open("/proc/self/ns/net") as home, open(f"/proc/{pid}/ns/net") as there:
        assert libc.setns(there.fileno(), CLONE_NEWNET) == 0, ctypes.get_errno()
        try:
            made = socket.socket(socket.AF_INET, kind, protocol)
            if address:
                made.bind((address, 0))
        finally:
            assert libc.setns(home.fileno(), CLONE_NEWNET) == 0, ctypes.get_errno()
    made.settimeout(PATIENCE_S)
    return made


def forged(source: tuple[str, int], target: tuple[str, int], payload: bytes) -> bytes:
    """An IPv4 packet with a UDP datagram in it (RFC 791, RFC 768), from where one likes. The checksum is left out."""
    udp = struct.pack(">HHHH", source[1], target[1], 8 + len(payload), 0) + payload
    addresses = socket.inet_aton(source[0]) + socket.inet_aton(target[0])
    return struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(udp), 0, 0, 64, socket.IPPROTO_UDP, 0) + addresses + udp


class Far:
    """A UDP socket of another host, and what it sends and is sent."""

    def __init__(self, pid: int, address: str, port: int) -> None:
        self.socket = socket_at(pid, address=address)
        self.name = self.socket.getsockname()
        self._target = (BENCH if address != BYSTANDER else "198.51.100.1", port)

    def send(self, packet: bytes) -> None:
        self.socket.sendto(packet, self._target)

    def ask(self, packet: bytes) -> tuple[str, tuple[Decoded, ...]]:
        """Send a packet; gives the next message that comes."""
        self.send(packet)
        (only,) = told([self.socket.recv(65536)])
        return only

    def drain(self) -> list[bytes]:
        """Return the packets that were not read yet."""
        came = []
        self.socket.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while True:
                came.append(self.socket.recv(65536))
        self.socket.settimeout(PATIENCE_S)
        return came


def told(packets: list[bytes]) -> Told:
    return [(one.message.address, one.message.args) for packet in packets for one in decode(packet)]


def spoofed(neighbour: int, bystander: int, port: int) -> dict[str, Any]:
    """The neighbour subscribes in the bystander's name, and properly in its own; what each is sent in some seconds."""
    victim, honest = Far(bystander, BYSTANDER, port), Far(neighbour, NEIGHBOUR, port)
    raw = socket_at(neighbour, socket.SOCK_RAW, socket.IPPROTO_RAW)
    forgeries = [
        *(SUBSCRIBE, encode("/bench/subscribe", 0, "", 100.0, 1), encode("/bench/subscribe", victim.name[1])),
        *(encode("/bench/confirm", "guessed"), PING, encode("/bench/status"), message(b"//status", b"")),
    ]
    for packet in forgeries:
        raw.sendto(forged(victim.name, (BENCH, port), packet), (BENCH, 0))
    subscribed = honest.ask(SUBSCRIBE)
    token = str(subscribed[1][2])
    lease = honest.ask(encode("/bench/confirm", token))
    again = honest.ask(encode("/bench/confirm", token))
    time.sleep(ALIVE_S)
    to_honest, to_victim = honest.drain(), victim.drain()
    return {
        "forged_bytes": sum(map(len, forgeries)),
        "victim_bytes": sum(map(len, to_victim)),
        "victim_heard": [address for address, _ in told(to_victim)],
        "honest_heard": [address for address, _ in told(to_honest)],
        "answers": [subscribed, lease, again],
    }


def ratios(neighbour: int, port: int) -> dict[str, Any]:
    """Return the bytes sent back for each byte of packets of every kind, to a host that has confirmed nothing."""
    chance = random.Random(1)
    patterns = (b"/bench/*", b"//", b"//*", b"/bench/string/*/*", b"/bench/{ping,status,version}", b"/bench//status")
    bad = [b"/ab", b"\xff" * 4, b"#bundle\0", b"/a\0\0" * 300, padded(b"/bench/ping") + b",Q\0\0", bytes(1000)]
    asked = [command(address, chance) for address in INCOMING] + [message(pattern, b"") for pattern in patterns]
    asked += [bundle(*[PING] * 100), bundle(message(b"//", b""), message(b"//", b"")), *bad, *hostile_packets()]
    asked += [message(b"/a", b"s", padded(b"id=1")), message(b"/bench/ping", b"s", padded(b"id=1")), b"/\0\0\0"]
    worst, worst_packet, answered = 0.0, b"", 0
    asker = Far(neighbour, NEIGHBOUR, port)
    for number, packet in enumerate(asked):
        if not number % 20:
            time.sleep(0.2)  # keeps below the rate
        sender = Far(neighbour, NEIGHBOUR, port)
        sender.send(packet)
        assert asker.ask(PING)[1] == ("/bench/ping",)  # once it is answered, so is what was sent before
        back = sender.drain()
        sender.socket.close()
        answered += bool(back)
        for headers in (0, HEADER_BYTES):
            ratio = sum(len(one) + headers for one in back) / max(1, len(packet) + headers)
            if ratio > worst:
                worst, worst_packet = ratio, packet
    return {"asked": len(asked), "answered": answered, "worst": worst, "worst_packet": worst_packet.hex()}


def refused(neighbour: int, port: int) -> dict[str, Any]:
    """A host on no network that is allowed is not answered, only counted."""
    _run("nsenter", "-t", str(neighbour), "-n", "ip", "addr", "add", f"{STRANGER}/32", "dev", "cable")
    _run("ip", "route", "add", f"{STRANGER}/32", "via", NEIGHBOUR)
    stranger, asker = Far(neighbour, STRANGER, port), Far(neighbour, NEIGHBOUR, port)
    for packet in (PING, SUBSCRIBE, b"rubbish"):
        stranger.send(packet)
    assert asker.ask(PING)[1] == ("/bench/ping",)
    status = asker.ask(bundle(encode("/bench/status"), *[PING] * 6))  # alone it is too short for its answer
    return {"came": len(stranger.drain()), "status": status}


def main() -> None:
    """Set up the hosts, start the daemon, and try."""
    words = command_line("serve", "--port", "0", "--host", "0.0.0.0", "--journal", Path(sys.argv[1]) / "j.sqlite3")
    words += ["--source", "simulated", "--stepped", "--allow", "192.0.2.0/24", "--allow", "198.51.100.0/24"]
    with host("near", BENCH, NEIGHBOUR) as neighbour, host("aside", "198.51.100.1", BYSTANDER) as bystander:
        _run("sh", "-c", "echo 0 > /proc/sys/net/ipv4/conf/all/rp_filter")
        daemon = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment())
        guard = threading.Timer(100, daemon.kill)
        guard.start()
        try:
            assert daemon.stdout is not None
            found = re.search(r" port (\d+),", daemon.stdout.readline().decode())
            assert found is not None
            port = int(found[1])
            seen = {"ratios": ratios(neighbour, port), "spoofed": spoofed(neighbour, bystander, port)}
            seen["refused"] = refused(neighbour, port)
        finally:
            guard.cancel()
            daemon.kill()
            daemon.communicate()
    print(json.dumps(seen))


if __name__ == "__main__":
    main()
