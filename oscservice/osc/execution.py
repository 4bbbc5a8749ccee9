"""From messages to answers: what a packet asks for is carried out, at once or at its time, and answered.

What belongs together in a bundle runs in one piece (OSC 1.0). A handler that fails is answered for, and stops nothing.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from functools import partial
from typing import TypeAlias

import numpy as np

from oscservice.api.address_table import Address
from oscservice.api.argument_values import ErrorCode, OscRefusal
from oscservice.errors import OscserviceError
from oscservice.osc.bundle_schedule import MAX_AHEAD_S, MAX_SCHEDULED, BundleSchedule
from oscservice.osc.client_requests import ClientRequests
from oscservice.osc.dispatch import MAX_CALLS, Call, RefusedCall, Space, asked_for, is_answer, resolve
from oscservice.osc.packet import Message, Timed, Value
from oscservice.osc.peer import Peer
from oscservice.osc.replies import ReplyBudget, ReplyEncoder, take_id

Handler: TypeAlias = Callable[[Address, dict[str, int], tuple[Value, ...], Peer], Sequence[Value | np.generic]]
"""Carries out one command; gives what follows the address in the reply, or raises OscRefusal."""

Foreign: TypeAlias = Callable[[Message, Peer], Sequence[Message] | None]
"""From a message that is for no address here to those it stands for; None where it stands for none."""

log = logging.getLogger(__name__)


class Executor:
    """Carries out what messages ask for. All of it runs on the event loop's thread.

    Args:
        handler: carries out commands.
        clients: carry out what is theirs.
        answers: how answers look.
        schedule: where bundles wait for their time.
        send: sends an answer to a peer; None is one that may not be sent.
        space: the addresses there are now.
        wall: Unix time in seconds, for time tags.
    """

    def __init__(
        self,
        handler: Handler,
        clients: ClientRequests,
        answers: ReplyEncoder,
        schedule: BundleSchedule,
        send: Callable[[bytes | None, Peer], None],
        space: Callable[[], Space],
        wall: Callable[[], float],
    ) -> None:
        self._handler = handler
        self._clients = clients
        self._answers = answers
        self._schedule = schedule
        self._send = send
        self._space = space
        self._wall = wall
        self._foreign: Foreign | None = None
        self._bound_refused: Callable[[str], None] = log.warning
        self._newcomers: dict[Peer, None] = {}
        self._bound_calls = 0

    def bind(self, foreign: Foreign, refused: Callable[[str], None]) -> None:
        """Ask ``foreign`` about messages that are for no address here; ``refused`` is told in one line of what it asks
        for in vain."""
        self._foreign, self._bound_refused = foreign, refused

    def take(self, timed: Sequence[Timed], sender: Peer, purse: ReplyBudget) -> int:
        """Carry out the messages of one packet; returns how many things were done, the costly ones counted often."""
        timed = [one for one in timed if not is_answer(one.message)]
        asked = sum(asked_for(one.message, self._space()) for one in timed)
        if asked > MAX_CALLS:
            text = f"the packet asks for {asked} things at once; at most {MAX_CALLS}"
            self._refuse([one.message for one in timed], ErrorCode.TOO_MANY, text, sender, purse)
            return len(timed)
        self._bound_calls = 0
        together: dict[float | None, list[Message]] = {}
        for one in timed:
            together.setdefault(one.due, []).append(one.message)
        for due, messages in together.items():
            self._take(messages, due, sender, purse)
        return asked + self._bound_calls

    def _take(self, messages: list[Message], due: float | None, sender: Peer, purse: ReplyBudget) -> None:
        """Carry out messages that are due together, now or at their time."""
        ahead_s = 0.0 if due is None else due - self._wall()
        if ahead_s <= 0:
            self._carry_out(messages, sender, purse)
        elif ahead_s > MAX_AHEAD_S:
            text = f"the time tag lies {ahead_s:.0f} s ahead; at most {MAX_AHEAD_S:g} s"
            self._refuse(messages, ErrorCode.OUT_OF_RANGE, text, sender, purse)
        elif self._schedule.full:
            text = f"{MAX_SCHEDULED} bundles wait for their time already"
            self._refuse(messages, ErrorCode.TOO_MANY, text, sender, purse)
        else:
            self._schedule.add(ahead_s, partial(self._carry_out, messages, sender, purse))

    def _refuse(self, messages: list[Message], code: ErrorCode, text: str, sender: Peer, purse: ReplyBudget) -> None:
        for message in messages:
            plain, request_id = take_id(message)
            self._send_error(RefusedCall(plain.address, code, text), request_id, sender, purse)

    def _carry_out(self, messages: list[Message], sender: Peer, purse: ReplyBudget) -> None:
        most = self._bound_calls + MAX_CALLS
        for message in messages:
            plain, request_id = take_id(message)
            items = resolve(plain, self._space())
            if self._foreign is not None and self._unknown(items):
                bound = self._translated(self._foreign, message, sender)
                if bound is not None:
                    for own in bound:
                        self._carry_out_bound(own, message.address, sender, most)
                    continue
            for item in items:
                if isinstance(item, RefusedCall):
                    self._send_error(item, request_id, sender, purse)
                else:
                    self._answer(item, request_id, sender, purse)
        newcomers, self._newcomers = self._newcomers, {}
        for subscriber in newcomers:
            self._clients.send_state(subscriber)

    @staticmethod
    def _unknown(items: Sequence[Call | RefusedCall]) -> bool:
        return any(isinstance(item, RefusedCall) and item.code is ErrorCode.UNKNOWN_ADDRESS for item in items)

    @staticmethod
    def _translated(foreign: Foreign, message: Message, sender: Peer) -> Sequence[Message] | None:
        try:
            return foreign(message, sender)
        except Exception:
            log.exception("the bindings failed on %s", message.address)
            return None

    def _carry_out_bound(self, message: Message, heard: str, sender: Peer, most: int) -> None:
        """Carry out what a foreign message stands for. Its sender expects no answer."""
        self._bound_calls += asked_for(message, self._space())
        if self._bound_calls > most:
            self._bound_refused(f"{heard}: what is bound asks for more than {MAX_CALLS} things at once")
            return
        for item in resolve(message, self._space()):
            outcome = item if isinstance(item, RefusedCall) else self._outcome(item, sender)[0]
            if isinstance(outcome, RefusedCall):
                self._bound_refused(f"{heard} asked for {outcome.concrete}: {outcome.text}")

    def _answer(self, call: Call, request_id: str, sender: Peer, purse: ReplyBudget) -> None:
        """Carry out one call and send its one answer, a reply or an error. A new subscriber is sent the state once the
        whole bundle has been carried out."""
        to = self._clients.answered_at(call, sender)
        outcome, subscriber = self._outcome(call, sender)
        to = to if subscriber is None else subscriber
        try:
            if isinstance(outcome, RefusedCall):
                self._send_error(outcome, request_id, to, purse)
            else:
                whole = self._answers.reply(call.concrete, outcome, request_id)
                packet = self._answers.fitting(whole, call.concrete, request_id, purse)
                self._send(packet, to)
        except ValueError:
            log.exception("%s failed", call.concrete)
            self._send_error(self._failed(call), request_id, to, purse)
        if subscriber is not None:
            self._newcomers[subscriber] = None

    def _outcome(self, call: Call, sender: Peer) -> tuple[Sequence[Value | np.generic] | RefusedCall, Peer | None]:
        try:
            own = self._clients.carry_out(call, sender)
            return (self._handler(call.address, call.params, call.args, sender), None) if own is None else own
        except OscRefusal as refusal:
            return RefusedCall(call.concrete, refusal.code, refusal.text), None
        except OscserviceError as error:
            return RefusedCall(call.concrete, ErrorCode.FAILED, str(error)), None
        except Exception:
            log.exception("%s failed", call.concrete)
            return self._failed(call), None

    @staticmethod
    def _failed(call: Call) -> RefusedCall:
        return RefusedCall(call.concrete, ErrorCode.FAILED, "failed inside; the daemon's log says why")

    def _send_error(self, refused: RefusedCall, request_id: str, sender: Peer, purse: ReplyBudget) -> None:
        packet = self._answers.fitting_error(refused.concrete, refused.code, refused.text, request_id, purse)
        self._send(packet, self._clients.answered_at(None, sender))
