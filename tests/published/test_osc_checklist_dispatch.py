"""Rules of OSC 1.0 for dispatch and time, A5 to A7 and T1 to T5: one test a rule, named after its number.

Source: M. Wright, The Open Sound Control 1.0 Specification, version 1.0, 26 March 2002. The numbers are this project's
own. Packets go through the whole server; only the socket is missing.
"""

from __future__ import annotations

import asyncio
import struct
from itertools import permutations

import pytest
from packets import AT_ONCE, bundle, message, time_tag
from socketless_server import FAR, NEAR, NOW_S, SocketlessServer

from oscservice.osc.packet import decode
from oscservice.osc.pattern import matches

METHODS = ("/first/this/one", "/second/1", "/second/2", "/third/a", "/third/b", "/third/c")
NEXT, UNDO, PING = (message(b"/bench/" + name, b"") for name in (b"session/next", b"session/undo", b"ping"))
LATER_S = 5.0
SOON_S = 0.05


def moved(string: int, mm: float) -> bytes:
    return message(f"/bench/string/{string}/moved".encode(), b"f", struct.pack(">f", mm))


def answered(floor: SocketlessServer) -> list[str]:
    """The addresses that were answered, in order."""
    told = [decode(packet)[0].message for _, packet in floor.sent]
    return [str(one.args[0]) for one in told if one.address in ("/bench/reply", "/bench/error")]


async def until(floor: SocketlessServer, calls: int) -> None:
    """Wait for the loop's timers, however slow the machine is."""
    for _ in range(4000):
        if floor.calls >= calls:
            return
        await asyncio.sleep(0.005)
    pytest.fail("waited 20 s in vain")


def test_a5_the_specifications_dispatch_example() -> None:
    """The bundle of ``/first/this/one``, ``/second/[1-2]`` and ``/third/*`` calls six methods in one of 12 orders."""
    packet = bundle(message(b"/first/this/one", b""), message(b"/second/[1-2]", b""), message(b"/third/*", b""))
    called = [method for one in decode(packet) for method in METHODS if matches(one.message.address, method)]
    right = {
        (METHODS[0], *seconds, *thirds)
        for seconds in permutations(METHODS[1:3])
        for thirds in permutations(METHODS[3:])
    }
    assert len(right) == 12
    assert tuple(called) in right


def test_a5_every_matching_method_is_called_with_the_same_arguments() -> None:
    floor = SocketlessServer()
    floor.take(message(b"/bench/string/[1-3]/moved", b"f", struct.pack(">f", 0.5)), NEAR)
    assert sorted(answered(floor)) == [f"/bench/string/{number}/moved" for number in (1, 2, 3)]
    assert [args for _, _, args in floor.called] == [(0.5,)] * 3
    assert {params["string"] for _, params, _ in floor.called} == {1, 2, 3}


def test_a6_messages_of_a_bundle_are_dispatched_in_the_order_they_stand_in() -> None:
    orders = list(permutations([NEXT, UNDO, PING, moved(4, 0.5)]))
    floor = SocketlessServer()
    for order in orders:
        floor.take(bundle(*order), NEAR)
        assert answered(floor) == [decode(one)[0].message.address for one in order]
    floor.take(bundle(NEXT, bundle(UNDO, message(b"/bench/string/[1-2]/focus", b"")), PING), NEAR)
    got = answered(floor)
    assert [got[0], got[1], got[4]] == ["/bench/session/next", "/bench/session/undo", "/bench/ping"]
    assert set(got[2:4]) == {"/bench/string/1/focus", "/bench/string/2/focus"}


@pytest.mark.parametrize("ahead_s", [0.0, SOON_S])
def test_a7_nothing_else_runs_between_the_messages_of_a_bundle(ahead_s: float) -> None:
    async def run() -> None:
        floor = SocketlessServer()
        loop = asyncio.get_running_loop()
        floor.on_call = lambda: loop.call_soon(floor.called.append, ("between", {}, ()))
        floor.take(bundle(NEXT, UNDO, moved(1, 0.5), time_tag=time_tag(NOW_S + ahead_s)), NEAR)
        await until(floor, 3)
        await asyncio.sleep(0)
        assert [path for path, _, _ in floor.called] == [
            *("/session/next", "/session/undo", "/string/{string}/moved"),
            *["between"] * 3,
        ]
        floor.server.close()

    asyncio.run(run())


def test_a7_one_bad_message_refuses_the_whole_bundle() -> None:
    floor = SocketlessServer()
    floor.take(bundle(NEXT, message(b"/bench/session/undo", b"Q")), NEAR)
    assert (floor.calls, floor.server.counts.bad, answered(floor)) == (0, 1, [""])


def test_t1_a_bare_message_is_carried_out_at_once() -> None:
    floor = SocketlessServer()
    floor.take(NEXT, NEAR)
    assert (floor.calls, answered(floor)) == (1, ["/bench/session/next"])


@pytest.mark.parametrize("unix_s", [NOW_S, NOW_S - LATER_S, NOW_S - 1e9])
def test_t2_a_bundle_of_now_or_the_past_is_carried_out_at_once(unix_s: float) -> None:
    floor = SocketlessServer()
    floor.take(bundle(NEXT, UNDO, time_tag=time_tag(unix_s)), NEAR)
    assert answered(floor) == ["/bench/session/next", "/bench/session/undo"]


@pytest.mark.parametrize("peer", [NEAR, FAR])
def test_t3_a_future_bundle_is_kept_until_its_time(peer: tuple[str, int]) -> None:
    async def run() -> None:
        floor = SocketlessServer()
        floor.take(bundle(NEXT, UNDO, time_tag=time_tag(NOW_S + SOON_S)), peer)
        assert (floor.calls, floor.sent, len(floor.server.scheduled)) == (0, [], 1)
        floor.take(PING, peer)
        assert answered(floor) == ["/bench/ping"]  # nothing is held up meanwhile
        await until(floor, 2)
        assert answered(floor) == ["/bench/ping", "/bench/session/next", "/bench/session/undo"]
        assert len(floor.server.scheduled) == 0
        floor.server.close()

    asyncio.run(run())


def test_t4_a_nested_bundle_is_not_due_before_the_one_around_it() -> None:
    """The specification demands that senders keep to this. A packet that does not is read as if it did."""

    def dues(outer: int, inner: int) -> list[float | None]:
        return [one.due for one in decode(bundle(NEXT, bundle(UNDO, time_tag=inner), time_tag=outer))]

    early, late = time_tag(NOW_S), time_tag(NOW_S + LATER_S)
    assert dues(early, late) == [NOW_S, NOW_S + LATER_S]
    assert dues(late, early) == [NOW_S + LATER_S, NOW_S + LATER_S]
    assert dues(late, AT_ONCE) == [NOW_S + LATER_S, NOW_S + LATER_S]

    async def run() -> None:
        floor = SocketlessServer()
        floor.take(bundle(bundle(NEXT, time_tag=AT_ONCE), UNDO, time_tag=late), NEAR)
        assert (floor.calls, len(floor.server.scheduled)) == (0, 1)
        floor.server.close()

    asyncio.run(run())


def test_t5_time_tag_1_means_at_once() -> None:
    floor = SocketlessServer()
    floor.take(bundle(NEXT, UNDO, time_tag=0x0000000000000001), NEAR)
    assert answered(floor) == ["/bench/session/next", "/bench/session/undo"]
