"""From messages to answers: the calls that they ask for are carried out, and the answers are returned as packets.

The messages of a bundle that belong together run in one piece (OSC 1.0). A handler that fails gives an error as the
answer, and stops nothing else.

A sender's address on a network can be forged. So an answer to a peer whose address is not proved may not be much longer
than the packet it answers: else the server would multiply what a forger sends, to somebody else.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np

from oscservice.errors import OscserviceError
from oscservice.osc.address import AddressSpace, Call
from oscservice.osc.dispatch import MAX_CALLS, RefusedCall, asked_for, resolve
from oscservice.osc.packet import Message, Value, encode
from oscservice.osc.peer import Peer
from oscservice.osc.refusal import ErrorCode, OscRefusal
from oscservice.osc.subscriptions import Clients, Subscribed

Translate: TypeAlias = Callable[[Message, Peer], Sequence[Message] | None]
"""From a message that is for no address here to those it is bound to; None where it is bound to none."""

Answer: TypeAlias = tuple[bytes | None, Peer]
"""A packet and who is sent it; None is an answer that may not be sent."""

ANSWER_GROWTH = 3
"""All answers to a packet together stay shorter than this many times the packet, where that is limited."""

HEADER_BYTES = 48
"""Of a datagram: 40 of IPv6 (RFC 8200), 8 of UDP (RFC 768). IPv4 needs less."""

_ID = re.compile(r"id=[A-Za-z0-9._-]{1,32}")
_LONGEST_TEXT = 500
_FAILED = "internal failure; see the daemon's log"
_TOO_LONG = "the answer is too long for an address that is not proved: subscribe, confirm; or use TCP"

log = logging.getLogger(__name__)


class ReplyBudget:
    """The bytes that may yet be sent in answer to one packet; ``limited`` or not.

    The limit holds twice: for what the packets carry, and for the packets as they travel, each with its headers.
    """

    def __init__(self, packet_bytes: int, *, limited: bool) -> None:
        self._limited = limited
        self._carried = ANSWER_GROWTH * packet_bytes - 1
        self._travelling = ANSWER_GROWTH * (packet_bytes + HEADER_BYTES) - 1

    @property
    def left(self) -> int | None:
        """Bytes the next answer may have; None for any number."""
        return min(self._carried, self._travelling - HEADER_BYTES) if self._limited else None

    def take(self, size: int) -> bool:
        """Spend so many bytes, if they are there."""
        if self.left is not None and size > self.left:
            return False
        self._carried -= size
        self._travelling -= size + HEADER_BYTES
        return True


class ReplyEncoder:
    """Makes ``/reply`` and ``/error`` messages under a root, no longer than a budget allows."""

    def __init__(self, prefix: str) -> None:
        self._reply = prefix + "/reply"
        self._error = prefix + "/error"

    def answer(
        self, about: str, outcome: Sequence[Value | np.generic] | RefusedCall, request_id: str, budget: ReplyBudget
    ) -> bytes | None:
        """Return the reply to a call that was carried out, or the error for a refused one; None where not even the
        code of an error fits. A reply that is too long, or whose values can't be sent, becomes an error too."""
        if isinstance(outcome, RefusedCall):
            return self.error(outcome, request_id, budget)
        try:
            packet = encode(self._reply, about, *outcome, *([request_id] if request_id else []))
        except ValueError:
            log.exception("%s failed", about)
            return self.error(RefusedCall(about, ErrorCode.FAILED, _FAILED), request_id, budget)
        if budget.take(len(packet)):
            return packet
        return self.error(RefusedCall(about, ErrorCode.REFUSED, _TOO_LONG), request_id, budget)

    def error(self, refused: RefusedCall, request_id: str, budget: ReplyBudget) -> bytes | None:
        """Return the error for a refused call, its text cut to the length that the budget allows; None where not even
        its code fits."""
        ids = [request_id] if request_id else []
        shortest = 4 + sum(map(_padded, (self._error, ",sis" + "s" * len(ids), refused.concrete, "", *ids)))
        if budget.left is not None and budget.left < shortest:
            return None
        whole = self._error_packet(refused, refused.text, ids)
        if budget.take(len(whole)):
            return whole
        assert budget.left is not None  # or it would have been taken
        room = budget.left - shortest
        # An empty text takes four bytes already: its NUL and the padding. It is cut as bytes, at a character's end.
        cut = refused.text.encode("utf-8", "replace")[: max(0, room - room % 4 + 3)].decode("utf-8", "ignore")
        packet = self._error_packet(refused, cut, ids)
        return packet if budget.take(len(packet)) else None

    def _error_packet(self, refused: RefusedCall, text: str, ids: Sequence[str]) -> bytes:
        one_line = " ".join(text.replace("\0", " ").encode("utf-8", "replace").decode("utf-8").split())
        return encode(self._error, refused.concrete, int(refused.code), one_line[:_LONGEST_TEXT], *ids)


def _padded(text: str) -> int:
    """Bytes of an OSC string."""
    return len(text.encode()) // 4 * 4 + 4


def take_id(message: Message) -> tuple[Message, str]:
    """Return a message without its request id, and the id: a last string argument ``id=…``; empty for none."""
    last = message.args[-1] if message.args and message.tags[-1] in "sS" else None
    if isinstance(last, str) and _ID.fullmatch(last):
        return replace(message, args=message.args[:-1], tags=message.tags[:-1]), last
    return message, ""


@dataclass
class Executed:
    """The result of messages that were carried out.

    Attributes:
        spaces: the address space before the messages, and each one that a handler led to.
        answers: in the order of the messages.
        newcomers: new subscribers, who are sent the whole state after the answers.
        bound_calls: calls that foreign messages asked for.
    """

    spaces: list[AddressSpace]
    answers: list[Answer] = field(default_factory=list)
    newcomers: dict[Peer, None] = field(default_factory=dict)
    bound_calls: int = 0


class Executor:
    """Carries out the calls that messages ask for.

    Args:
        space: returns the addresses there are now; a handler may change them.
        context: what handlers are given.
        clients: carry out subscriptions.
    """

    def __init__(self, space: Callable[[], AddressSpace], context: object, clients: Clients) -> None:
        self._space = space
        self._context = context
        self._clients = clients
        self._replies = ReplyEncoder(space().prefix)
        self._translate: Translate | None = None
        self._bound_refused: Callable[[str], None] = log.warning

    def bind(self, translate: Translate, refused: Callable[[str], None]) -> None:
        """Ask ``translate`` about messages that are for no address here; ``refused`` takes one line for each of their
        calls that is refused."""
        self._translate, self._bound_refused = translate, refused

    def run(self, messages: Sequence[Message], sender: Peer, budget: ReplyBudget) -> Executed:
        """Carry out messages that belong together, in one piece."""
        done = Executed([self._space()])
        for message in messages:
            plain, request_id = take_id(message)
            items = resolve(plain, done.spaces[-1])
            bound = self._bound_to(message, sender) if any(map(_unknown, items)) else None
            if bound is not None:
                for own in bound:
                    self._run_bound(own, message.address, sender, done)
                continue
            for item in items:
                to = self._clients.answered_at(item, sender)
                outcome = self._outcome(item, sender, done)
                if isinstance(outcome, Subscribed):
                    to, outcome = outcome.target, outcome.values
                    done.newcomers[to] = None
                done.answers.append((self._replies.answer(item.concrete, outcome, request_id, budget), to))
        return done

    def refuse(
        self, messages: Sequence[Message], code: ErrorCode, text: str, sender: Peer, budget: ReplyBudget
    ) -> list[Answer]:
        """Return one error for each message; none of them is carried out."""
        refused = [(RefusedCall(plain.address, code, text), request_id) for plain, request_id in map(take_id, messages)]
        to = self._clients.answered_at(None, sender)
        return [(self._replies.error(one, request_id, budget), to) for one, request_id in refused]

    def bad_packet(self, reason: str, sender: Peer, budget: ReplyBudget) -> Answer:
        """Return the error for bytes that are no packet."""
        return self._replies.error(RefusedCall("", ErrorCode.BAD_PACKET, reason), "", budget), sender

    def _outcome(
        self, call: Call | RefusedCall, sender: Peer, done: Executed
    ) -> Sequence[Value | np.generic] | Subscribed | RefusedCall:
        """Carry out one call; return its answer."""
        if isinstance(call, RefusedCall):
            return call
        outcome = self._carry_out(call, sender)
        now = self._space()
        if now is not done.spaces[-1]:
            done.spaces.append(now)
        return outcome

    def _carry_out(self, call: Call, sender: Peer) -> Sequence[Value | np.generic] | Subscribed | RefusedCall:
        """Return the answer of a handler, or the refusal of a call that it raises an exception for."""
        try:
            handler = call.address.handler
            return self._clients.carry_out(call, sender) if handler is None else handler(self._context, call, sender)
        except OscRefusal as refusal:
            return RefusedCall(call.concrete, refusal.code, refusal.text)
        except OscserviceError as error:
            return RefusedCall(call.concrete, ErrorCode.FAILED, str(error))
        except Exception:
            log.exception("%s failed", call.concrete)
            return RefusedCall(call.concrete, ErrorCode.FAILED, _FAILED)

    def _bound_to(self, message: Message, sender: Peer) -> Sequence[Message] | None:
        """Return the own messages that a foreign one is bound to; None if it is not bound."""
        try:
            return None if self._translate is None else self._translate(message, sender)
        except Exception:
            log.exception("the bindings failed on %s", message.address)
            return None

    def _run_bound(self, message: Message, heard: str, sender: Peer, done: Executed) -> None:
        """Carry out a message that a foreign one is bound to. Its sender expects no answer."""
        done.bound_calls += asked_for(message, done.spaces[-1])
        if done.bound_calls > MAX_CALLS:
            self._bound_refused(f"{heard}: what is bound asks for more than {MAX_CALLS} things at once")
            return
        for item in resolve(message, done.spaces[-1]):
            outcome = self._outcome(item, sender, done)
            if isinstance(outcome, RefusedCall):
                self._bound_refused(f"{heard} asked for {outcome.concrete}: {outcome.text}")


def _unknown(item: Call | RefusedCall) -> bool:
    return isinstance(item, RefusedCall) and item.code is ErrorCode.UNKNOWN_ADDRESS
