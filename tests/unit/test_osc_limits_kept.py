"""Limits: calls of a packet, packets of a sender, and the time of one socket on the loop."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Awaitable, Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from packets import bundle, message
from socketless_server import FAR, NEAR, SocketlessServer

from oscservice.api.address_table import address_space
from oscservice.api.incoming_addresses import COMMAND_CALLS, SUBSCRIPTION_CALLS
from oscservice.osc.dispatch import MAX_CALLS, RefusedCall, asked_for
from oscservice.osc.execution import ReplyBudget, ReplyEncoder
from oscservice.osc.framing import counted
from oscservice.osc.packet import Decoded, Message, decode, encode
from oscservice.osc.peer import Peer
from oscservice.osc.ports import bound_socket
from oscservice.osc.rate_limits import MAX_WAITING, FairQueue
from oscservice.osc.refusal import ErrorCode
from oscservice.osc.server import PACKETS_PER_S
from oscservice.osc.tcp import TcpLink
from oscservice.osc.udp import UdpLink

PING, NEXT, REMAINS, SUBSCRIBE = (
    message(b"/bench/" + name, b"") for name in (b"ping", b"session/next", b"string/*/remains", b"subscribe")
)


def told(sent: list[tuple[Peer, bytes]]) -> list[tuple[str, tuple[Decoded, ...]]]:
    messages = [decode(packet)[0].message for _, packet in sent]
    return [(one.address, one.args) for one in messages]


@pytest.mark.parametrize(
    ("address", "calls"),
    [
        *(("/bench/ping", 1), ("/nonsense", 1), ("/bench/[", 1), ("/bench/no*ne", 1), ("/bench/*/*/focus", 48)),
        *(("/bench/session/next", COMMAND_CALLS), ("/bench/string/[12]/{focus,slackened}", 4 * COMMAND_CALLS)),
        *(("/bench/simulator/*", 1), ("/bench/string/*/remains", 6), ("/bench/subscribe", SUBSCRIPTION_CALLS)),
        ("/bench/{ping,subscribe}", SUBSCRIPTION_CALLS + 1),
    ],
)
def test_the_calls_of_a_message(address: str, calls: int) -> None:
    assert asked_for(Message(address, (), ""), address_space("/bench", 6)) == calls


def test_a_packet_that_asks_for_too_much_is_refused_as_a_whole() -> None:
    floor = SocketlessServer()
    most = [REMAINS] * 16 + [NEXT] * 4 + [PING] * 64  # 96, 32 and 64
    assert len(told(floor.take(bundle(*most), NEAR))) == 96 + 4 + 64
    assert floor.calls == 96 + 4
    answers = told(floor.take(bundle(PING, *most), NEAR))
    assert floor.calls == 96 + 4
    assert len(answers) == len(most) + 1  # one for each message
    assert {(address, args[1]) for address, args in answers} == {("/bench/error", int(ErrorCode.TOO_MANY))}
    assert f"{MAX_CALLS + 1} things" in str(answers[0][1][2])


def test_a_packet_that_asks_for_much_counts_as_so_many() -> None:
    floor = SocketlessServer()
    taken = 0
    while not floor.server.counts.dropped:
        floor.now = 0.0
        taken += bool(floor.take(REMAINS, NEAR))
    assert taken == PACKETS_PER_S // 6 + 1  # the last one is let in with less than it takes


def test_a_command_from_a_foreign_message_counts_too() -> None:
    floor = SocketlessServer()
    floor.server.bind(lambda message, sender: [Message("/bench/session/next", (), "")] * 2, lambda line: None)
    while not floor.server.counts.dropped:
        floor.now = 0.0
        floor.take(message(b"/fader", b"f", bytes(4)), NEAR)
    assert floor.calls == 2 * (PACKETS_PER_S // (1 + 2 * COMMAND_CALLS) + 1)


def test_two_subscriptions_in_one_bundle_bring_the_state_once_and_last() -> None:
    async def run() -> None:
        floor = SocketlessServer()
        answers = told(floor.take(bundle(SUBSCRIBE, PING, SUBSCRIBE), NEAR))
        assert [args[0] for _, args in answers[:3]] == ["/bench/subscribe", "/bench/ping", "/bench/subscribe"]
        assert [address for address, _ in answers[3:]] == list(
            dict.fromkeys(f"/bench{relative}" for relative in floor._state())
        )
        floor.server.close()

    asyncio.run(run())


@given(
    st.integers(0, 400), st.text("/abc", max_size=40), st.text(max_size=90), st.sampled_from(["", "id=7", "id=seven"])
)
def test_an_error_is_cut_to_a_sendable_text(size: int, about: str, text: str, request_id: str) -> None:
    answers, budget = ReplyEncoder("/bench"), ReplyBudget(size, limited=True)
    left = budget.left
    assert left == size * 3 - 1 or (not size and left == -1)
    unlimited = ReplyBudget(size, limited=False)
    shortest = len(answers.error(RefusedCall(about, ErrorCode.REFUSED, ""), request_id, unlimited) or b"")
    packet = answers.error(RefusedCall(about, ErrorCode.REFUSED, text), request_id, budget)
    assert (packet is None) == (shortest > left)
    if packet is not None:
        assert len(packet) <= left
        assert budget.left is not None
        assert budget.left <= left - len(packet)
        *_, code, said = decode(packet)[0].message.args[: 3 if request_id else None]
        assert code == int(ErrorCode.REFUSED)
        assert " ".join(text.replace("\0", " ").split()).startswith(str(said).rstrip()) or len(packet) + 4 > left


def test_refusals_to_another_host_have_less_than_three_times_its_bytes() -> None:
    floor = SocketlessServer()
    packet = bundle(*[b"/a\0\0"] * 128)
    sent = floor.take(packet, FAR)
    for headers in (0, 28, 48):  # none, those of IPv4 and UDP, those of IPv6 and UDP
        assert 0 < sum(len(one) + headers for _, one in sent) < 3 * (len(packet) + headers)
    assert floor.server.counts.unsent == 128 - len(sent)


class Slow:
    """Takes packets, a good millisecond each."""

    def __init__(self) -> None:
        self.taken: list[bytes] = []
        self.ended: list[Peer] = []
        self.faults: list[str] = []
        self.dropped = 0

    def admit(self, sender: Peer) -> bool:
        return True

    def drop(self, sender: Peer) -> None:
        self.dropped += 1

    def carry_out(self, packet: bytes, sender: Peer) -> None:
        self.receive(packet, sender)

    def receive(self, packet: bytes, sender: Peer) -> None:
        time.sleep(0.0015)
        self.taken.append(packet)

    def bad(self, reason: str, size: int, sender: Peer) -> None:
        self.faults.append(reason)

    def wait_s(self, sender: Peer) -> float:
        return 0.0

    def welcome(self, sender: Peer) -> bool:
        return True

    def gone(self, peer: Peer) -> None:
        self.ended.append(peer)


MANY = [encode("/bench/ping", number) for number in range(50)]


async def until(true: Callable[[], bool]) -> None:
    """Wait, a turn of the loop at a time."""
    for _ in range(100_000):
        if true():
            return
        await asyncio.sleep(0)
    raise AssertionError("waited in vain")


def on_a_loop(test: Callable[[], Awaitable[None]]) -> Callable[[], None]:
    def run() -> None:
        asyncio.run(asyncio.wait_for(test(), 60))

    run.__name__, run.__doc__ = test.__name__, test.__doc__
    return run


@on_a_loop
async def test_a_flooded_udp_socket_leaves_the_loop_to_others() -> None:
    slow = Slow()
    link = UdpLink(bound_socket("127.0.0.1", 0), slow)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for packet in MANY:
            sender.sendto(packet, link._socket.getsockname())
        await until(lambda: bool(slow.taken))
        assert len(slow.taken) < len(MANY) / 2
        await until(lambda: len(slow.taken) == len(MANY))
    assert (slow.taken, slow.dropped) == (MANY, 0)
    link.close()


@on_a_loop
async def test_a_sender_behind_a_flood_has_its_turn() -> None:
    slow = Slow()
    link = UdpLink(bound_socket("127.0.0.1", 0), slow)
    many = [encode("/bench/status", number) for number in range(MAX_WAITING + 20)]
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as flooding,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other,
    ):
        for packet in many:
            flooding.sendto(packet, link._socket.getsockname())
        for packet in MANY[:2]:
            other.sendto(packet, link._socket.getsockname())
        await until(lambda: set(MANY[:2]) <= set(slow.taken))
    assert len(slow.taken) < len(many) / 2
    assert [packet for packet in slow.taken if packet in MANY] == MANY[:2]
    assert 0 < slow.dropped <= 20
    link.close()


@given(st.lists(st.tuples(st.sampled_from("abc"), st.booleans()), max_size=60), st.integers(1, 8))
def test_waiting_is_fair_and_bounded(steps: list[tuple[str, bool]], most: int) -> None:
    """Compared with plain lists: in turn, in each source's order, and the longest is cut."""
    fair: FairQueue[tuple[str, int]] = FairQueue(most)
    lists: dict[str, list[tuple[str, int]]] = {}
    for number, (source, puts) in enumerate(steps):
        if puts:
            gone = fair.put(source, (source, number))
            lists.setdefault(source, []).append((source, number))
            if gone is not None:
                assert len(lists[gone[0]]) == max(map(len, lists.values()))
                assert lists[gone[0]].pop() == gone
        elif len(fair):
            source, number = fair.take()
            assert lists[source].pop(0) == (source, number)
        assert len(fair) == sum(map(len, lists.values())) <= most
    turns = []
    while len(fair):
        turns.append(fair.take()[0])
    busy = {source for source, waiting in lists.items() if waiting}
    assert set(turns[: len(busy)]) == busy
    with pytest.raises(IndexError):
        fair.take()


@on_a_loop
async def test_a_flooded_connection_leaves_the_loop_to_others_and_loses_nothing() -> None:
    slow = Slow()
    link = TcpLink(slow)
    server = await asyncio.get_running_loop().create_server(link.connection, "127.0.0.1", 0)
    link.serve(server)
    _, writer = await asyncio.open_connection(*server.sockets[0].getsockname())
    writer.write(b"".join(map(counted, MANY)) + b"\xff" * 4)
    await until(lambda: bool(slow.taken))
    assert len(slow.taken) < len(MANY) / 2
    writer.close()  # what was sent before is carried out all the same, and the end is reported after it
    await until(lambda: bool(slow.ended))
    assert slow.taken == MANY
    assert slow.faults == ["a packet's size is not a positive multiple of 4"]
    await asyncio.sleep(0.01)
    assert len(slow.ended) == 1
    link.close()
