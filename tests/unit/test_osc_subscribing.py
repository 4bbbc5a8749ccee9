"""Requests of a client: topics, rate, bundles, request ids; and proof of the address of other machines."""

from __future__ import annotations

import itertools
import time
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_osc_server import HERE, Bench, bundle, on_a_loop, raising, until

from oscservice.api.address_table import address_space
from oscservice.osc.address import AddressSpace
from oscservice.osc.packet import Value, decode, encode
from oscservice.osc.peer import Networks, Peer, Transport
from oscservice.osc.publisher import BUNDLE_BYTES, bundled
from oscservice.osc.refusal import ErrorCode, OscRefusal

NEAR = Peer("192.0.2.1", 5000)  # addresses of the documentation range, RFC 5737
OTHER = Peer("192.0.2.2", 5000)


def network_bench(**options: Any) -> Bench:
    """A bench that takes packets from a network, and whose tokens count up."""
    numbers = itertools.count(1)
    return Bench(allowed=Networks(["192.0.2.0/24"]), token=lambda: f"token-{next(numbers)}", **options)


def got(bench: Bench, target: Peer, since: int = 0) -> list[tuple[str, tuple[Any, ...]]]:
    return [message for peer, message in bench.heard(since) if peer == target]


@on_a_loop
async def test_topics_select_the_messages_that_are_sent() -> None:
    bench = Bench()
    bench.state = {"/phase": ("tuning",), "/string/1/status": ("untried",), "/string/2/status": ("untried",)}
    bench.send("/subscribe", 0, "/bench/string/2/* //phase")
    assert got(bench, HERE, 1) == [("/bench/phase", ("tuning",)), ("/bench/string/2/status", ("untried",))]
    sent = len(bench.wire.sent)
    bench.server.publish({"/string/1/status": ("settled",), "/string/2/status": ("settled",), "/event": ("x",)})
    assert got(bench, HERE, sent) == [("/bench/string/2/status", ("settled",))]
    sent = len(bench.wire.sent)
    bench.send("/subscribe")  # again, for everything
    assert len(got(bench, HERE, sent)) == 1 + 3
    assert len(bench.server.subscribers) == 1
    bench.server.close()


@on_a_loop
async def test_malformed_or_too_many_topics_are_refused_and_change_nothing() -> None:
    bench = Bench()
    bench.send("/subscribe")
    for topics in ("/bench/[string", " ".join(["/bench/phase"] * 17)):
        assert bench.send("/subscribe", 0, topics)[0][1][1] == ErrorCode.OUT_OF_RANGE
    sent = len(bench.wire.sent)
    bench.server.publish({"/phase": ("comparing",)})
    assert got(bench, HERE, sent) == [("/bench/phase", ("comparing",))]
    bench.server.close()


@on_a_loop
async def test_a_rate_holds_for_everything_but_events_and_the_latest_value_wins() -> None:
    bench = Bench()
    bench.state = {}
    bench.server._publisher._clock = time.monotonic
    bench.send("/subscribe", 0, "", 5.0)
    for cents in range(50):
        bench.server.publish({"/string/1/open/cents": (float(cents),), "/event": (f"line {cents}",)})
    await until(lambda: ("/bench/string/1/open/cents", (49.0,)) in got(bench, HERE))
    values = [args[0] for address, args in got(bench, HERE) if address == "/bench/string/1/open/cents"]
    assert values[0] == 0.0
    assert len(values) < 25
    assert [args[0] for address, args in got(bench, HERE) if address == "/bench/event"] == [
        f"line {n}" for n in range(50)
    ]
    bench.server.close()


@on_a_loop
async def test_bundles_come_where_they_are_asked_for_and_fit_any_network() -> None:
    bench = Bench()
    bench.state = {f"/string/{s}/fret/{f}/error": (0.0,) for s in range(1, 7) for f in range(1, 5)}
    bench.send("/subscribe", 0, "", 0.0, 1)
    packets = [packet for _, packet in bench.wire.sent[1:]]
    assert all(packet.startswith(b"#bundle\0" + bytes(7) + b"\x01") for packet in packets)
    assert all(len(packet) <= 1200 for packet in packets)
    assert [one.message.address for packet in packets for one in decode(packet)] == [
        "/bench" + path for path in bench.state
    ]
    bench.server.publish({"/phase": ("proving",)})
    assert bench.wire.sent[-1][1] == encode("/bench/phase", "proving")  # one alone needs no bundle
    bench.server.close()


def test_a_request_id_comes_back_with_the_answer() -> None:
    bench = Bench()
    bench.outcome = lambda: (2.5,)
    assert bench.send("/string/3/moved", -0.5, "id=a.7") == [("/bench/reply", ("/bench/string/3/moved", 2.5, "id=a.7"))]
    assert bench.calls[-1][2] == (-0.5,)
    assert bench.send("/session/next", "id=9") == [("/bench/reply", ("/bench/session/next", 2.5, "id=9"))]
    bench.outcome = raising(OscRefusal(ErrorCode.WRONG_PHASE, "no"))
    assert bench.send("/session/next", "id=9") == [("/bench/error", ("/bench/session/next", 4, "no", "id=9"))]
    assert bench.send("/nonsense", 1, "id=9")[0][1][::3] == ("/bench/nonsense", "id=9")
    ((_, args),) = bench.send("/string/3/moved", "id=9")  # the id is no argument
    assert (args[1], args[3]) == (ErrorCode.WRONG_TYPES, "id=9")


@pytest.mark.parametrize("text", ["id=", "id=a b", "id=" + "x" * 33, "Id=3", "my id=3"])
def test_a_value_that_is_no_request_id_stays_an_argument(text: str) -> None:
    bench = Bench()
    bench.send("/string/3/set_aside", text)
    assert bench.calls[-1][2] == (text,)


@pytest.mark.parametrize("transport", [Transport.TCP, Transport.WEB])
@on_a_loop
async def test_a_connection_subscribes_like_any_other_and_its_end_ends_all(transport: Transport) -> None:
    bench = network_bench()
    peer = Peer("192.0.2.1", 40000, transport)
    assert bench.send("/subscribe", sender=peer)[0] == ("/bench/reply", ("/bench/subscribe", 120))
    assert bench.send("/subscribe", 6000, sender=peer)[0][1][1] == ErrorCode.OUT_OF_RANGE  # it has no other port
    bench.server.listen(peer, "/string/1/cents")
    bench.server.gone(peer)
    assert len(bench.server.subscribers) == 0
    sent = len(bench.wire.sent)
    bench.server.publish({"/phase": ("proving",), "/string/1/cents": (1.0,)})
    assert len(bench.wire.sent) == sent
    bench.server.close()


@on_a_loop
async def test_listening_to_exact_addresses_needs_no_lease() -> None:
    bench = Bench()
    peer = Peer("127.0.0.1", 40000, Transport.WEB)
    bench.server.listen(peer, "/phase")
    bench.server.publish({"/phase": ("proving",), "/prompt": ("pluck_open",)})
    assert got(bench, peer) == [("/bench/phase", ("proving",))]
    bench.server.ignore(peer, "/phase")
    bench.server.publish({"/phase": ("closed",)})
    assert len(got(bench, peer)) == 1
    bench.server.close()


@on_a_loop
async def test_another_machine_is_sent_a_token_and_nothing_more_until_it_comes_back() -> None:
    bench = network_bench()
    assert bench.send("/subscribe", sender=NEAR) == [("/bench/reply", ("/bench/subscribe", 0, "token-1"))]
    bench.server.publish({"/phase": ("comparing",)})
    assert len(bench.wire.sent) == 1
    assert bench.send("/confirm", "token-2", sender=NEAR)[0][1][1] == ErrorCode.NOT_FOUND
    assert bench.send("/confirm", "token-1", sender=OTHER)[0][1][1] == ErrorCode.NOT_FOUND
    assert bench.send("/confirm", "token-1", sender=NEAR)[0][1][1] == ErrorCode.NOT_FOUND  # it holds once
    bench.send("/subscribe", sender=NEAR)
    sent = len(bench.wire.sent)
    bench.receive(encode("/bench/confirm", "token-2"), NEAR)
    assert got(bench, NEAR, sent)[:2] == [("/bench/reply", ("/bench/confirm", 120)), ("/bench/phase", ("tuning",))]
    assert bench.send("/subscribe", sender=NEAR)[0] == ("/bench/reply", ("/bench/subscribe", 120))  # known by now
    bench.server.close()


@on_a_loop
async def test_a_token_goes_where_the_stream_would_go_and_grows_old() -> None:
    bench = network_bench()
    bench.receive(encode("/bench/subscribe", 6000), NEAR)
    assert bench.heard() == [(NEAR._replace(port=6000), ("/bench/reply", ("/bench/subscribe", 0, "token-1")))]
    bench.now += 61
    assert bench.send("/confirm", "token-1", sender=NEAR)[0][1][1] == ErrorCode.NOT_FOUND
    bench.receive(encode("/bench/subscribe", 6000), NEAR)
    sent = len(bench.wire.sent)
    bench.receive(encode("/bench/confirm", "token-2"), NEAR)
    assert {peer for peer, _ in bench.heard(sent)} == {NEAR._replace(port=6000)}
    bench.server.close()


def test_forged_subscriptions_are_bounded() -> None:
    bench = network_bench()
    for host in range(1, 200):
        for port in range(5000, 5012):
            bench.receive(encode("/bench/subscribe"), Peer(f"192.0.2.{host}", port))
    assert len(bench.server._clients._pending) <= 64
    assert len(bench.server.subscribers) == 0


def test_networks_that_are_not_allowed_are_not_answered() -> None:
    bench = network_bench()
    assert bench.send("/ping", sender=Peer("198.51.100.1", 5000)) == []
    assert bench.server.counts.refused == 1
    assert bench.send("/ping", sender=NEAR)
    assert bench.send("/ping", sender=HERE)


@given(st.data())
def test_an_unproved_address_is_sent_less_than_three_times_the_bytes_it_sent(data: st.DataObject) -> None:
    bench = network_bench()
    bench.outcome = lambda: ("a long answer",) * data.draw(st.integers(0, 9))
    address = data.draw(
        st.sampled_from(["/bench/subscribe", "/bench/*", "//*", "/bench/status", "/bench/x", "/bench/{ping,version}"])
    )
    text = data.draw(st.sampled_from([b",\0\0\0", b"", b",i\0\0\0\0\0\x01", b",s\0\0id=7\0\0\0\0"]))
    packet = address.encode() + bytes(4 - len(address) % 4) + text
    bench.receive(packet, NEAR)
    assert sum(len(sent) for _, sent in bench.wire.sent) < 3 * len(packet)


@on_a_loop
async def test_a_long_answer_is_sent_whole_once_the_address_is_proved() -> None:
    bench = network_bench()
    bench.outcome = lambda: ("oscservice", "0.1.0", "a long answer", "and more", "and more")
    ((address, args),) = bench.send("/version", sender=NEAR)
    assert (address, args[:2]) == ("/bench/error", ("/bench/version", ErrorCode.REFUSED))
    bench.send("/subscribe", sender=NEAR)
    bench.send("/confirm", "token-1", sender=NEAR)
    assert bench.send("/version", sender=NEAR)[-1] == ("/bench/reply", ("/bench/version", *bench.outcome()))
    bench.server.close()


@on_a_loop
async def test_a_fixed_listener_is_painted_again_and_again() -> None:
    bench = Bench()
    surface = Peer("127.0.0.1", 7000)
    bench.server.add_listener(surface, "/bench/phase", refresh_s=0.02)
    assert got(bench, surface) == [("/bench/phase", ("tuning",))]
    bench.state["/phase"] = ("proving",)
    await until(lambda: got(bench, surface)[-1] == ("/bench/phase", ("proving",)))
    bench.server.close()
    sent = len(bench.wire.sent)
    bench.server.publish({"/phase": ("closed",)})
    assert len(bench.wire.sent) == sent


@on_a_loop
async def test_a_listener_may_be_sent_something_else_in_place_of_each_value() -> None:
    bench = Bench()
    surface = Peer("127.0.0.1", 7000)
    bench.state = {}
    bench.server.add_listener(
        surface, mapping=lambda relative, values: [(f"led {relative}", encode("/led", len(str(values[0]))))]
    )
    bench.server.publish({"/phase": ("proving",)})
    assert got(bench, surface) == [("/led", (7,))]
    bench.server.close()


@on_a_loop
async def test_foreign_messages_are_carried_out_as_their_commands() -> None:
    bench = Bench()
    lines: list[str] = []
    bench.server.bind(
        lambda message, _: (
            [decode(encode("/bench/string/2/moved", *message.args))[0].message] if message.address == "/knob" else None
        ),
        lines.append,
    )
    bench.receive(encode("/knob", 0.5))
    assert bench.calls[-1][:3] == ("/string/{string}/moved", {"string": 2}, (0.5,))
    bench.receive(encode("/knob", 99.0))
    assert bench.wire.sent == []  # who sends it expects no answer
    assert lines == ["/knob asked for /bench/string/2/moved: move (mm) must be -25 to 25; got 99"]
    bench.receive(encode("/other", 99.0))
    assert got(bench, HERE)[0][1][:2] == ("/other", ErrorCode.UNKNOWN_ADDRESS)
    bench.server.bind(lambda *_: raising(RuntimeError("a fault"))(), lines.append)  # type: ignore[arg-type,return-value]
    bench.receive(encode("/knob", 0.5))
    assert got(bench, HERE)[1][1][:2] == ("/knob", ErrorCode.UNKNOWN_ADDRESS)


def test_addresses_follow_the_instrument_of_the_session() -> None:
    bench = Bench()
    changes: list[AddressSpace] = []

    def put_on(string_count: int, **options: Any) -> AddressSpace:
        before, bench.space = bench.space, address_space("/bench", string_count, table=bench.space.table, **options)
        bench.server.announce_paths()
        return before

    bench.server.on_paths = changes.append
    before = put_on(7)
    (now,) = changes
    assert {"/string/7/cents", "/string/7/focus"} <= {*now.paths} - {*before.paths}
    assert {*before.paths} <= {*now.paths}
    before = put_on(6, fret_count=2, items=("nut",))
    _, now = changes
    assert {"/string/6/fret/2/error", "/inspect/nut"} <= {*now.paths} - {*before.paths}
    assert "/string/7/cents" in {*before.paths} - {*now.paths}
    put_on(6, fret_count=2, items=("nut",), phase="tuning")
    assert len(changes) == 2


def test_addresses_that_a_handler_changes_are_announced_once_all_messages_are_carried_out() -> None:
    bench = Bench()
    found: list[tuple[int, int, int]] = []
    string_counts = iter((7, 5))

    def put_on() -> Sequence[Value]:
        assert found == []
        bench.space = address_space("/bench", next(string_counts), table=bench.space.table)
        return ()

    bench.outcome = put_on
    bench.server.on_paths = lambda space: found.append((len(space.paths), len(bench.calls), len(bench.wire.sent)))
    bench.receive(bundled([encode("/bench/session/next")] * 2)[0])
    seven, five = (len(address_space("/bench", count, table=bench.space.table).paths) for count in (7, 5))
    assert found == [(seven, 2, 0), (five, 2, 0)]
    assert len(bench.wire.sent) == 2


@given(st.lists(st.binary(min_size=1, max_size=500), max_size=40), st.integers(0, 3))
def test_bundled_packets_keep_their_order_and_fit(packets: list[bytes], large: int) -> None:
    packets = [b"/" + packet + bytes(-len(packet) % 4 - 1 & 3) for packet in packets]  # a message, as far as that goes
    packets[1:1] = [bytes(2000)] * large if packets else []
    shipped = bundled(packets)
    assert all(len(one) <= BUNDLE_BYTES or one in packets for one in shipped)
    unpacked: list[bytes] = []
    for one in shipped:
        unpacked += elements(one) if one.startswith(b"#bundle\0") else [one]
    assert unpacked == packets


def elements(packet: bytes) -> list[bytes]:
    found, at = [], 16
    while at < len(packet):
        size = int.from_bytes(packet[at : at + 4], "big")
        found.append(packet[at + 4 : at + 4 + size])
        at += 4 + size
    return found


@on_a_loop
async def test_messages_of_one_bundle_run_together_even_around_another_bundle() -> None:
    """OSC 1.0: the messages of one bundle are carried out with nothing else in between; of a nested one, later."""
    now = 1_800_000_000.0
    bench = Bench(wall=lambda: now)
    later = bundle(now + 0.2, encode("/bench/session/finish"))
    bench.receive(bundle(now + 0.1, encode("/bench/session/undo"), later, encode("/bench/session/next")))
    bench.receive(bundle(now + 0.1, encode("/bench/session/abandon")))
    assert len(bench.server.scheduled) == 3
    await until(lambda: len(bench.calls) == 4)
    assert [call[0] for call in bench.calls] == [
        *("/session/undo", "/session/next", "/session/abandon"),
        "/session/finish",
    ]
    bench.server.close()
