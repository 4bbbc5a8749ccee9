"""Announcements on the network; a failure there does not affect the daemon."""

from __future__ import annotations

import asyncio
import logging
import socket
from types import SimpleNamespace
from typing import Any

import ifaddr
import pytest

from oscservice.api.address_table import address_space
from oscservice.daemon import network_announcement as announcing
from oscservice.daemon.network_announcement import announced, instance_name, own_addresses, services
from oscservice.osc.ports import open_ports
from oscservice.osc.server import OscServer
from oscservice.settings import ServeSettings


def test_every_service_has_the_port_and_the_addresses_of_the_daemon() -> None:
    told = services("bench two", ["192.0.2.7", "198.51.100.7"], 9787, "/shop/two")
    assert [service.name for service in told] == [
        "bench two._osc._udp.local.",
        "bench two._osc._tcp.local.",
        "bench two._oscjson._tcp.local.",
    ]
    for service in told:
        assert service.port == 9787
        assert service.parsed_addresses() == ["192.0.2.7", "198.51.100.7"]
    udp = told[0].decoded_properties
    assert udp["uri"] == "http://192.0.2.7:9787/shop/two"
    assert set(udp) == {"txtvers", "version", "framing", "uri", "types"}


def test_an_ipv6_address_is_in_brackets_in_the_uri() -> None:
    told = services("bench", ["2001:db8::7"], 9787, "/bench")
    assert told[0].decoded_properties["uri"] == "http://[2001:db8::7]:9787/bench"


@pytest.mark.parametrize(
    ("name", "label"),
    [
        ("bench two", "bench two"),
        ("oscservice on shop.example", "oscservice on shop example"),
        ("Werkbank für Bässe", "Werkbank für Bässe"),
        ("a\nb\0c", "a b c"),
        (" ", "oscservice"),
        ("", "oscservice"),
        ("x" * 64, "x" * 63),
        ("ü" * 40, "ü" * 31),
    ],
)
def test_a_name_is_one_label(name: str, label: str) -> None:
    assert instance_name(name) == label
    assert services(name, ["192.0.2.7"], 1, "/bench")[0].name == f"{label}._osc._udp.local."


def test_own_addresses_are_the_bound_one_or_all_that_lead_to_a_network(monkeypatch: pytest.MonkeyPatch) -> None:
    def ip(address: str) -> Any:
        return SimpleNamespace(ip=address if "." in address else (address, 0, 0), is_IPv4="." in address)

    adapters = [
        SimpleNamespace(ips=[ip("127.0.0.1"), ip("::1")]),
        SimpleNamespace(ips=[ip("192.0.2.7"), ip("fe80::7"), ip("2001:db8::7")]),
        SimpleNamespace(ips=[ip("169.254.1.1"), ip("198.51.100.7")]),
    ]
    monkeypatch.setattr(ifaddr, "get_adapters", lambda: adapters)
    assert own_addresses("192.0.2.7") == ["192.0.2.7"]
    assert own_addresses("127.0.0.1") == ["127.0.0.1"]
    assert own_addresses("0.0.0.0") == ["192.0.2.7", "198.51.100.7"]
    assert own_addresses("::") == ["192.0.2.7", "2001:db8::7", "198.51.100.7"]
    del adapters[1:]
    with pytest.raises(OSError, match="no address on a network"):
        own_addresses("0.0.0.0")


class Responder:
    """A stand-in for the library that fails or hangs on request."""

    made: int = 0
    trouble: str = ""

    def __init__(self, **_: Any) -> None:
        type(self).made += 1
        if self.trouble == "no network":
            raise OSError(19, "No such device")

    async def async_register_service(self, *_: Any, **__: Any) -> Any:
        if self.trouble == "hangs":
            await asyncio.Event().wait()
        raise ValueError("its own mistake")

    async def async_close(self) -> None:
        if self.trouble == "hangs":
            await asyncio.Event().wait()


def run(settings: ServeSettings, trouble: str, monkeypatch: pytest.MonkeyPatch) -> int:
    """Announce an open server and go on at once; how many responders were made."""

    async def trial() -> None:
        server = OscServer(address_space, snapshot=dict)
        await open_ports(server)
        async with announced(settings, server):
            for _ in range(10):
                await asyncio.sleep(0)
            with socket.create_connection((server.host, server.port)):  # it is served meanwhile
                pass
        server.close()

    monkeypatch.setattr(announcing, "AsyncZeroconf", Responder)
    monkeypatch.setattr(announcing, "WITHDRAWAL_S", 0.05)
    monkeypatch.setattr(Responder, "made", 0)
    monkeypatch.setattr(Responder, "trouble", trouble)
    asyncio.run(asyncio.wait_for(trial(), 20))
    return Responder.made


@pytest.mark.parametrize(
    ("trouble", "line"),
    [
        ("no network", "not announced on the network: [Errno 19] No such device"),
        ("fails", "not announced on the network: its own mistake"),
    ],
)
def test_a_failure_is_one_line_in_the_log(
    trouble: str, line: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        assert run(ServeSettings(announce=True), trouble, monkeypatch) == 1
    assert [record.getMessage() for record in caplog.records] == [line]


def test_a_hanging_announcement_does_not_delay_the_end(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    assert run(ServeSettings(announce=True), "hangs", monkeypatch) == 1
    assert caplog.records == []


def test_on_the_loopback_nothing_is_announced_unasked(monkeypatch: pytest.MonkeyPatch) -> None:
    assert run(ServeSettings(), "fails", monkeypatch) == 0
