"""The server and what is bound: who is asked, what is carried out, what is answered, and what it costs."""

from __future__ import annotations

import math

from packets import bundle, message
from socketless_server import NEAR, SocketlessServer

from oscservice.api.incoming_addresses import COMMAND_CALLS
from oscservice.osc.dispatch import MAX_CALLS
from oscservice.osc.packet import Message
from oscservice.osc.peer import Peer
from oscservice.osc.server import PACKETS_PER_S

FOREIGN = message(b"/grid/1", b"")
FOCUS = "/string/{string}/focus"


class Bound(SocketlessServer):
    """A server with one binding of ``/grid/...`` that a test sets."""

    def __init__(self, *stands_for: Message) -> None:
        super().__init__()
        self.stands_for: list[Message] | None = list(stands_for)
        self.asked: list[tuple[str, Peer]] = []
        self.refused: list[str] = []
        self.server.bind(self._foreign, self.refused.append)

    def _foreign(self, heard: Message, sender: Peer) -> list[Message] | None:
        self.asked.append((heard.address, sender))
        return self.stands_for if heard.address.startswith("/grid/") else None


def own(address: str, *args: int | float | str) -> Message:
    return Message(address, args, "".join({int: "i", float: "f", str: "s"}[type(one)] for one in args))


def test_a_foreign_message_is_carried_out_and_not_answered() -> None:
    bench = Bound(own("/bench/string/3/focus"), own("/bench/string/3/moved", 0.5))
    assert bench.take(FOREIGN, NEAR) == []
    assert bench.called == [(FOCUS, {"string": 3}, ()), ("/string/{string}/moved", {"string": 3}, (0.5,))]
    assert bench.asked == [("/grid/1", NEAR)]
    assert bench.refused == []


def test_own_addresses_always_win() -> None:
    bench = Bound(own("/bench/session/undo"))
    bench.take(message(b"/bench/session/next", b""), NEAR)
    bench.take(message(b"/bench/string/*/focus", b""), NEAR)
    assert bench.asked == []
    assert len(bench.called) == 7


def test_unbound_messages_are_answered_as_usual() -> None:
    bench = Bound()
    bench.stands_for = None
    ((_, answer),) = bench.take(FOREIGN, NEAR)
    assert b"unknown address" in answer
    bench.stands_for = []
    assert bench.take(FOREIGN, NEAR) == []


def test_a_refusal_is_one_line_and_no_answer() -> None:
    bench = Bound(own("/bench/simulator/damp"), own("/bench/string/3/moved", 99.0), own("/bench/nonsense"))
    assert bench.take(FOREIGN, NEAR) == []
    assert [line.partition(":")[0] for line in bench.refused] == [
        f"/grid/1 asked for /bench/{what}" for what in ("simulator/damp", "string/3/moved", "nonsense")
    ]


def test_bindings_that_fail_are_as_if_they_were_not_there() -> None:
    bench = Bound()

    def fails(heard: Message, sender: Peer) -> list[Message]:
        raise RuntimeError("a bug")

    bench.server.bind(fails, bench.refused.append)
    ((_, answer),) = bench.take(FOREIGN, NEAR)
    assert b"unknown address" in answer


def test_bound_commands_count_as_requests_of_their_sender() -> None:
    bench = Bound(own("/bench/session/next"))
    packets = 0
    bench.now = 10.0
    while bench.server.counts.dropped == 0:
        bench.server.receive(FOREIGN, NEAR)
        packets += 1
    assert len(bench.called) == packets - 1 == math.ceil(PACKETS_PER_S / (1 + COMMAND_CALLS))


def test_one_packet_can_not_ask_for_more_through_bindings_than_without() -> None:
    bench = Bound(*[own("/bench/session/next")] * 3)
    bench.take(bundle(*[FOREIGN] * 20), NEAR)
    assert len(bench.called) == MAX_CALLS // COMMAND_CALLS
    assert bench.refused
    assert {line.partition(" asks")[0] for line in bench.refused} == {"/grid/1: what is bound"}
    bench.called.clear()
    bench.take(FOREIGN, NEAR)
    assert len(bench.called) == 3, "the next packet is a new one"
