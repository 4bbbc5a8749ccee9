"""The server without a socket: one answer to each command, bounded work, and nothing that stops it."""

from __future__ import annotations

import asyncio
import logging
import math
import struct
import time
from collections.abc import Callable, Coroutine, Sequence
from functools import wraps
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from one_handler import handled_by, nothing

from oscservice.api.address_table import address_space
from oscservice.errors import InputError
from oscservice.osc.address import Address
from oscservice.osc.packet import NTP_UNIX_S, Decoded, Value, decode, encode
from oscservice.osc.peer import Networks, Peer, Transport
from oscservice.osc.publisher import BATCH
from oscservice.osc.refusal import ErrorCode, OscRefusal
from oscservice.osc.server import MAX_SCHEDULED, PACKETS_PER_S, OscServer
from oscservice.osc.subscriptions import Subscribers

HERE = Peer("127.0.0.1", 5000)
OWN = Peer("127.0.0.1", 9000)


class Wire:
    """A stand-in for the links that keeps sent packets, as long as it accepts any."""

    def __init__(self) -> None:
        self.sent: list[tuple[Peer, bytes]] = []
        self.full = False
        self.lost = 0

    def __len__(self) -> int:
        return 0

    def send(self, packet: bytes, peer: Peer) -> bool:
        if not self.full:
            self.sent.append((peer, packet))
        return not self.full

    def close(self) -> None:
        pass


class Bench:
    """A server, its wire, a clock that is set by hand, and what the handler was asked for."""

    def __init__(self, **options: Any) -> None:
        self.now = 100.0
        self.wire = Wire()
        self.calls: list[tuple[str, dict[str, int], tuple[Value, ...], Peer]] = []
        self.state: dict[str, Sequence[Value]] = {"/phase": ("tuning",), "/revision": (7,)}
        self.outcome: Callable[[], Sequence[Value]] = tuple
        self.space = handled_by(self.handle, 6)
        self.server = OscServer(lambda: self.space, snapshot=lambda: self.state, clock=lambda: self.now, **options)
        self.server.bound(OWN.host, OWN.port)
        for transport in Transport:
            self.server.attach(transport, self.wire)

    def handle(
        self, address: Address, params: dict[str, int], args: tuple[Value, ...], sender: Peer
    ) -> Sequence[Value]:
        self.calls.append((address.path, params, args, sender))
        return self.outcome()

    def receive(self, packet: bytes, sender: Peer = HERE) -> None:
        self.server.receive(packet, sender)

    def send(self, address: str, *args: Value, sender: Peer = HERE) -> list[tuple[str, tuple[Decoded, ...]]]:
        """Return the answers to one message to an address below the root."""
        before = len(self.wire.sent)
        self.receive(encode("/bench" + address, *args), sender)
        return [message for target, message in self.heard(before) if target == sender]

    def heard(self, since: int = 0) -> list[tuple[Peer, tuple[str, tuple[Decoded, ...]]]]:
        decoded = [(target, decode(packet)[0].message) for target, packet in self.wire.sent[since:]]
        return [(target, (message.address, message.args)) for target, message in decoded]


def on_a_loop(test: Callable[..., Coroutine[Any, Any, None]]) -> Callable[..., None]:
    @wraps(test)
    def run(*args: Any, **kwargs: Any) -> None:
        asyncio.run(test(*args, **kwargs))

    return run


async def until(condition: Callable[[], bool]) -> None:
    """Wait for the loop's timers, however slow the machine is."""
    for _ in range(2000):
        if condition():
            return
        await asyncio.sleep(0.005)
    raise AssertionError("waited 10 s in vain")


def raising(error: Exception) -> Callable[[], Sequence[Value]]:
    def outcome() -> Sequence[Value]:
        raise error

    return outcome


def bundle(due: float, *packets: bytes) -> bytes:
    tag = struct.pack(">Q", round((due + NTP_UNIX_S) * 2**32))
    return b"#bundle\0" + tag + b"".join(struct.pack(">i", len(p)) + p for p in packets)


def test_a_command_is_handed_on_and_answered_once() -> None:
    bench = Bench()
    bench.outcome = lambda: (1, 2.5, "text")
    assert bench.send("/string/3/moved", -0.5) == [("/bench/reply", ("/bench/string/3/moved", 1, 2.5, "text"))]
    assert bench.calls == [("/string/{string}/moved", {"string": 3}, (-0.5,), HERE)]


def test_status_and_version_are_the_handlers_and_ping_is_not() -> None:
    bench = Bench()
    bench.outcome = lambda: ("oscservice", "0.1.0", 1)
    assert bench.send("/version") == [("/bench/reply", ("/bench/version", "oscservice", "0.1.0", 1))]
    assert bench.send("/ping") == [("/bench/reply", ("/bench/ping",))]
    bench.send("/status")
    assert [call[0] for call in bench.calls] == ["/version", "/status"]


def test_refusals_carry_code_and_text_in_one_line() -> None:
    bench = Bench()
    bench.outcome = raising(OscRefusal(ErrorCode.WRONG_PHASE, "no session:\nbegin one first\0"))
    expected = ("/bench/session/next", 4, "no session: begin one first")
    assert bench.send("/session/next") == [("/bench/error", expected)]
    assert bench.send("/session/nxt")[0][1][:2] == ("/bench/session/nxt", 1)
    assert bench.send("/string/3/moved")[0][1][:2] == ("/bench/string/3/moved", 2)
    assert bench.send("/string/3/moved", 99.0)[0][1][:2] == ("/bench/string/3/moved", 3)
    assert bench.send("/simulator/damp")[0][1][:2] == ("/bench/simulator/damp", 8)
    assert len(bench.calls) == 1


def test_a_failing_handler_is_answered_and_logged_and_the_next_command_works(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench()
    bench.outcome = raising(RuntimeError("secret detail"))
    ((address, args),) = bench.send("/session/next")
    assert (address, args[:2]) == ("/bench/error", ("/bench/session/next", 9))
    assert "secret" not in str(args)
    assert "/bench/session/next failed" in caplog.text
    bench.outcome = raising(InputError("the disk is full: free some space"))
    assert bench.send("/session/next")[0][1][1:] == (9, "the disk is full: free some space")
    bench.outcome = lambda: (math.nan,)
    assert bench.send("/session/next")[0][1][1] == 9
    bench.outcome = raising(RuntimeError("\ud800"))
    assert bench.send("/session/next")[0][1][1] == 9
    bench.outcome = tuple
    assert bench.send("/session/next") == [("/bench/reply", ("/bench/session/next",))]


def test_a_pattern_is_answered_for_each_address() -> None:
    bench = Bench()
    bench.receive(b"/bench/string/[12]/slackened\0\0\0\0,\0\0\0")
    assert [m for _, m in bench.heard()] == [
        ("/bench/reply", ("/bench/string/1/slackened",)),
        ("/bench/reply", ("/bench/string/2/slackened",)),
    ]
    bench.space = address_space(string_count=1, table=bench.space.table)
    bench.receive(b"/bench/string/[12]/slackened\0\0\0\0,\0\0\0")
    assert len(bench.wire.sent) == 3


@pytest.mark.parametrize("address", ["/bench/reply", "/bench/error", "/other/error", "/done"])
def test_answers_are_never_answered(address: str) -> None:
    bench = Bench()
    bench.receive(encode(address, "/bench/ping", 1, "x"))
    assert bench.wire.sent == []


def test_the_daemons_own_packets_are_never_answered() -> None:
    bench = Bench()
    assert bench.send("/ping", sender=OWN) == []
    bench.receive(b"junk", OWN)
    assert bench.wire.sent == []


def test_a_bad_packet_is_counted_logged_once_a_second_and_answered_briefly(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench()
    bad = b"#bundle\0" + bytes(7) + b"\x01" + b"\xff\xff\xff\xfc" + bytes(4)
    for _ in range(5):
        bench.receive(bad)
    assert (bench.server.counts.packets, bench.server.counts.bad) == (5, 5)
    assert len(caplog.records) == 1
    assert "127.0.0.1 port 5000" in caplog.text
    assert bench.heard()[0] == (HERE, ("/bench/error", ("", 6, "a bundle element has a wrong size")))
    bench.now += 1.0
    bench.receive(bad)
    assert "4 more like it" in caplog.text


@given(st.binary(max_size=64))
def test_an_answer_to_a_bad_packet_is_at_most_three_times_as_long(packet: bytes) -> None:
    bench = Bench()
    logging.getLogger("oscservice.osc.server").disabled = True
    try:
        bench.receive(packet)
    finally:
        logging.getLogger("oscservice.osc.server").disabled = False
    if bench.server.counts.bad:
        assert sum(len(sent) for _, sent in bench.wire.sent) <= 3 * len(packet)


def test_a_flood_is_cut_to_the_rate_and_counted(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench()
    for _ in range(PACKETS_PER_S + 10):
        bench.receive(encode("/bench/ping"))
    assert bench.server.counts.dropped == 10
    assert len(bench.wire.sent) == PACKETS_PER_S
    assert bench.send("/ping", sender=Peer("127.0.0.1", 5001))  # another program on this machine is not delayed
    bench.now += 0.01
    assert bench.send("/ping")
    assert len(caplog.records) == 1


def test_another_machine_has_one_rate_for_all_its_ports() -> None:
    bench = Bench(allowed=Networks(["192.0.2.0/24"]))
    for port in range(5000, 5000 + PACKETS_PER_S):
        bench.receive(encode("/bench/ping"), Peer("192.0.2.1", port))
    assert bench.send("/ping", sender=Peer("192.0.2.1", 60000)) == []
    assert bench.send("/ping", sender=Peer("192.0.2.2", 60000))


@on_a_loop
async def test_subscribing_brings_the_lease_then_the_state_then_changes() -> None:
    bench = Bench()
    bench.receive(encode("/bench/subscribe"))
    bench.server.publish({"/phase": ("comparing",), "/string/3/saddle/moved": (1,)})
    assert bench.heard() == [
        (HERE, ("/bench/reply", ("/bench/subscribe", 120))),
        (HERE, ("/bench/phase", ("tuning",))),
        (HERE, ("/bench/revision", (7,))),
        (HERE, ("/bench/phase", ("comparing",))),
        (HERE, ("/bench/string/3/saddle/moved", (1.0,))),  # an int is sent with the declared type
    ]
    assert bench.send("/unsubscribe") == [("/bench/reply", ("/bench/unsubscribe",))]
    sent = len(bench.wire.sent)
    bench.server.publish({"/phase": ("proving",)})
    assert len(bench.wire.sent) == sent
    assert bench.send("/unsubscribe")[0][1][1] == 5
    bench.server.close()


@on_a_loop
async def test_a_client_with_two_sockets_names_the_port_it_listens_on() -> None:
    bench = Bench()
    there = Peer("127.0.0.1", 6000)
    assert bench.send("/subscribe", 6000) == []
    assert bench.heard()[0] == (there, ("/bench/reply", ("/bench/subscribe", 120)))
    assert {target for target, _ in bench.heard(1)} == {there}
    sent = len(bench.wire.sent)
    bench.receive(encode("/bench/ping"))  # it hears nothing at the port it sends from
    assert bench.heard(sent) == [(there, ("/bench/reply", ("/bench/ping",)))]
    for port in (80, OWN.port):  # the system's; and the daemon would talk to itself
        sent = len(bench.wire.sent)
        bench.receive(encode("/bench/subscribe", port), Peer("127.0.0.1", 5001))
        assert [(target.port, args[1]) for target, (_, args) in bench.heard(sent)] == [(5001, 3)]
    assert len(bench.server.subscribers) == 1
    bench.server.close()


@on_a_loop
async def test_a_long_state_is_paced_and_never_overtakes_a_newer_value() -> None:
    bench = Bench()
    bench.state = {f"/string/{s}/fret/{f}/error": (0.0,) for s in range(1, 7) for f in range(1, 25)}
    bench.receive(encode("/bench/subscribe"))
    assert len(bench.wire.sent) == 1 + BATCH
    bench.server.publish({"/string/6/fret/24/error": (3.0,)})
    await until(lambda: len(bench.wire.sent) >= 1 + 144)
    got = [m for _, m in bench.heard() if m[0] == "/bench/string/6/fret/24/error"]
    assert got == [("/bench/string/6/fret/24/error", (3.0,))]
    assert len({address for _, (address, _) in bench.heard(1)}) == 144
    bench.server.close()


@on_a_loop
async def test_a_failing_snapshot_still_leaves_a_lease(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench()
    bench.server._clients._snapshot = raising(RuntimeError("no state"))  # type: ignore[assignment]
    assert bench.send("/subscribe") == [("/bench/reply", ("/bench/subscribe", 120))]
    assert "state for a new subscriber failed" in caplog.text
    bench.server.close()


@on_a_loop
async def test_live_values_are_thinned_and_the_latest_wins() -> None:
    bench = Bench()
    bench.server._publisher._clock = time.monotonic  # before the stream is opened
    bench.state = {}
    bench.receive(encode("/bench/subscribe"))
    for cents in range(100):
        bench.server.publish({"/string/1/cents": (float(cents),), "/string/2/cents": (float(cents),)})
    await until(lambda: len(bench.wire.sent) >= 5)
    values = [args[0] for _, (address, args) in bench.heard(1) if address == "/bench/string/1/cents"]
    assert values[0] == 0.0
    assert values[-1] == 99.0
    assert len(values) < 50  # two, unless the machine was busy between the calls
    bench.server.close()


@on_a_loop
async def test_values_that_cannot_be_sent_are_logged_and_the_others_go_out(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench()
    bench.state = {}
    bench.receive(encode("/bench/subscribe"))
    wrong: dict[str, Sequence[Any]] = {
        "/string/1/cents": (math.nan,),
        "/nonsense": (1,),
        "/ping": (),
        "/revision": (1.5,),
        "/tolerance": ("x",),
        "/alive": (1, 2),
        "/phase": ("proving",),
    }
    bench.server.publish(wrong)
    assert [m for _, m in bench.heard(1)] == [("/bench/phase", ("proving",))]
    assert len(caplog.records) == 6
    bench.server.close()


@on_a_loop
async def test_a_lease_ends_once_with_a_word_and_a_ping_prevents_it() -> None:
    bench = Bench(subscribers=Subscribers(lease_s=100))
    bench.receive(encode("/bench/subscribe"))
    bench.now += 90
    bench.send("/ping")
    bench.now += 90
    bench.server._clients.end_leases()
    assert len(bench.server.subscribers) == 1
    bench.now += 10
    sent = len(bench.wire.sent)
    bench.server._clients.end_leases()
    bench.server._clients.end_leases()
    assert bench.heard(sent) == [(HERE, ("/bench/reply", ("/bench/subscribe", 0)))]
    bench.server.publish({"/phase": ("idle",)})
    assert len(bench.wire.sent) == sent + 1
    bench.server.close()


@on_a_loop
async def test_leases_end_by_themselves() -> None:
    space = handled_by(nothing)
    server = OscServer(lambda: space, snapshot=dict, subscribers=Subscribers(lease_s=0.02))
    wire = Wire()
    server.attach(Transport.UDP, wire)
    server.receive(encode("/bench/subscribe"), HERE)
    await until(lambda: len(server.subscribers) == 0)
    assert decode(wire.sent[-1][1])[0].message.args == ("/bench/subscribe", 0)
    server.close()


@on_a_loop
async def test_closing_is_sent_to_subscribers() -> None:
    bench = Bench()
    bench.receive(encode("/bench/subscribe"))
    sent = len(bench.wire.sent)
    bench.server.close()
    assert bench.heard(sent) == [(HERE, ("/bench/reply", ("/bench/subscribe", 0)))]


def test_a_bundle_is_carried_out_in_order_and_past_ones_at_once() -> None:
    bench = Bench(wall=lambda: 1_800_000_000.0)
    packets = [encode("/bench/session/undo"), encode("/bench/ping"), encode("/bench/session/next")]
    bench.receive(bundle(1_799_999_000.0, *packets))
    assert [args[0] for _, (_, args) in bench.heard()] == ["/bench/session/undo", "/bench/ping", "/bench/session/next"]


@on_a_loop
async def test_a_future_bundle_waits_for_its_time_as_one() -> None:
    now = 1_800_000_000.0
    bench = Bench(wall=lambda: now)
    bench.receive(bundle(now + 0.05, encode("/bench/session/undo"), encode("/bench/session/next")))
    assert bench.wire.sent == []
    assert len(bench.server.scheduled) == 1
    assert bench.send("/ping") == [("/bench/reply", ("/bench/ping",))]  # nothing is delayed
    await until(lambda: len(bench.wire.sent) > 1)
    assert [call[0] for call in bench.calls] == ["/session/undo", "/session/next"]
    assert len(bench.server.scheduled) == 0
    bench.server.close()


@on_a_loop
async def test_bundles_too_far_ahead_or_too_many_are_refused() -> None:
    now = 1_800_000_000.0
    bench = Bench(wall=lambda: now)
    bench.receive(bundle(now + 10.5, encode("/bench/session/next")))
    assert bench.heard()[0][1][1][:2] == ("/bench/session/next", 3)
    for _ in range(MAX_SCHEDULED):
        bench.now += 0.01  # keeps below the rate
        bench.receive(bundle(now + 9.0, encode("/bench/session/next")))
    assert len(bench.wire.sent) == 1
    bench.receive(bundle(now + 9.0, encode("/bench/session/next"), encode("/bench/error")))
    assert [m[1][:2] for _, m in bench.heard(1)] == [("/bench/session/next", 7)]
    assert len(bench.server.scheduled) == MAX_SCHEDULED
    bench.server.close()
    assert len(bench.server.scheduled) == 0
    assert bench.calls == []


def test_a_socket_that_takes_no_more_is_not_filled_further() -> None:
    bench = Bench()
    bench.wire.full = True
    assert bench.send("/ping") == []
    assert bench.server.counts.unsent == 1
