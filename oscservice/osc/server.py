"""The daemon's one UDP socket: commands in, replies and changes out.

Everything happens on one asyncio loop, without waiting. A bad packet, a failing handler or a subscriber that is gone
never stops it. The socket is bound to the loopback address unless told otherwise: OSC has no password, so a wider bind
lets everyone on that network drive the session.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import count, groupby
from typing import Any, Protocol, TypeAlias, cast

import numpy as np

from oscservice.errors import OscserviceError
from oscservice.osc.addresses import DEFAULT_PREFIX, Address
from oscservice.osc.codes import ErrorCode, OscRefusal
from oscservice.osc.dispatch import Call, Refused, Space, is_answer, resolve
from oscservice.osc.limits import OncePerSecond, TokenBuckets
from oscservice.osc.outbox import Outbox, Values
from oscservice.osc.subscribers import Endpoint, Subscribers
from oscservice.osc.udp import bound_socket
from oscservice.osc.wire import Message, PacketError, Value, decode, encode

__all__ = ["Counts", "Handler", "OscRefusal", "OscServer", "Values"]

Handler: TypeAlias = Callable[[Address, dict[str, int], tuple[Value, ...], Endpoint], Sequence[Value | np.generic]]
"""Carries out one command; gives what follows the address in the reply, or raises OscRefusal."""

PACKETS_PER_S = 2000
MAX_SCHEDULED = 256
MAX_AHEAD_S = 10.0
MAX_UNSENT_BYTES = 4 * 1024 * 1024
ANSWER_GROWTH = 3
"""An answer to a bad packet is at most this many times as long: a forged sender must not gain by it."""

log = logging.getLogger(__name__)


@dataclass
class Counts:
    """Datagrams since the start: ``packets`` in, of these ``bad`` and ``dropped`` (too fast); ``unsent`` out."""

    packets: int = 0
    bad: int = 0
    dropped: int = 0
    unsent: int = 0


def _is_loopback(host: str) -> bool:
    return host.startswith("127.") or host == "::1"


class _Transport(Protocol):
    """What is used of the transport; typeshed's DatagramTransport lacks the buffer size that every one has."""

    def sendto(self, data: bytes, addr: Endpoint) -> None: ...
    def get_write_buffer_size(self) -> int: ...
    def close(self) -> None: ...


class OscServer(asyncio.DatagramProtocol):
    """Takes OSC messages, hands commands to ``handler``, and sends values to subscribers.

    Args:
        handler: carries out commands, and answers ``/status`` and ``/version``. Called on the loop; must not wait.
        snapshot: gives the whole state, which a new subscriber is sent after the reply.
        prefix: root of all addresses.
        string_count: strings of the instrument; set it again when that changes. Patterns expand to them.
        simulated: whether the simulator's commands are taken.
        subscribers: leases, if not with the default limits.
        clock: seconds that only go forward.
        wall: Unix time in seconds, for time tags.
    """

    def __init__(
        self,
        handler: Handler,
        *,
        snapshot: Callable[[], Values],
        prefix: str = DEFAULT_PREFIX,
        string_count: int = 0,
        simulated: bool = False,
        subscribers: Subscribers | None = None,
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.counts = Counts()
        self.subscribers = Subscribers() if subscribers is None else subscribers
        self._space = Space(prefix, string_count, simulated)
        self._handler = handler
        self._snapshot = snapshot
        self._clock = clock
        self._wall = wall
        self._outbox = Outbox(prefix, self.subscribers.targets, self._send, clock)
        self._buckets = TokenBuckets(PACKETS_PER_S)
        self._complaints = OncePerSecond()
        self._transport: _Transport | None = None
        self._own: Endpoint = ("", 0)
        self._waiting: dict[int, asyncio.TimerHandle] = {}
        self._numbers = count()
        self._lease_timer: asyncio.TimerHandle | None = None

    @property
    def host(self) -> str:
        """IP address the socket is bound to; empty before :meth:`open`."""
        return self._own[0]

    @property
    def port(self) -> int:
        """UDP port the socket is bound to, also when port 0 asked for any; 0 before :meth:`open`."""
        return self._own[1]

    @property
    def string_count(self) -> int:
        """Strings that a pattern such as ``/bench/string/*/focus`` expands to."""
        return self._space.string_count

    @string_count.setter
    def string_count(self, count: int) -> None:
        self._space = replace(self._space, string_count=count)

    @property
    def phase(self) -> str:
        """The phase the session is in; commands that aren't possible in it are refused. Empty: not looked at."""
        return self._space.phase

    @phase.setter
    def phase(self, phase: str) -> None:
        self._space = replace(self._space, phase=phase)

    @property
    def scheduled(self) -> int:
        """Bundles that wait for their time tag."""
        return len(self._waiting)

    async def open(self, host: str = "127.0.0.1", port: int = 0) -> None:
        """Bind the socket and begin to answer. Port 0 takes any free port.

        Raises:
            PortError: the port is taken or may not be used, or the host has no such address.
        """
        bound = bound_socket(host, port)
        try:
            await asyncio.get_running_loop().create_datagram_endpoint(lambda: self, sock=bound)
        except BaseException:
            bound.close()
            raise
        if not _is_loopback(self.host):
            log.warning("bound to %s: anyone who reaches this address can drive the session", self.host)

    def close(self) -> None:
        """Tell every subscriber that its lease is over, and close the socket."""
        for timer in (*self._waiting.values(), *([self._lease_timer] if self._lease_timer else [])):
            timer.cancel()
        self._waiting.clear()
        self._outbox.close()
        for target in self.subscribers.targets():
            self._send_lease_end(target)
        if self._transport is not None:
            self._transport.close()

    def publish(self, values: Values) -> None:
        """Send each value, by relative address, as one message to every subscriber; live ones at most 25 a second.

        Values take their declared types. One that can't be sent (NaN, an unknown address) is logged and left out.
        Call it on the loop's thread.
        """
        self._outbox.publish(values)

    # asyncio.DatagramProtocol

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(_Transport, transport)
        self._own = transport.get_extra_info("sockname")[:2]

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None

    def error_received(self, exc: Exception) -> None:
        self._complain("sending failed", str(exc))

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        sender: Endpoint = (addr[0], addr[1])
        self.counts.packets += 1
        now = self._clock()
        # Programs on this machine are told apart by port, so that one gone wild does not silence the others.
        if not self._buckets.allow(sender if _is_loopback(sender[0]) else sender[0], now):
            self.counts.dropped += 1
            self._complain("packets dropped", f"more than {PACKETS_PER_S} a second from {sender[0]} port {sender[1]}")
            return
        if sender == self._own:
            return
        try:
            timed = decode(data)
        except PacketError as error:
            self.counts.bad += 1
            self._complain(f"bad packet: {error}", f"{len(data)} bytes from {sender[0]} port {sender[1]}")
            self._answer_bad(len(data), str(error), sender)
            return
        self.subscribers.renew(sender, now)
        for due, group in groupby(timed, lambda one: one.due):
            messages = [one.message for one in group if not is_answer(one.message)]
            if messages:
                self._take(messages, due, sender)

    # From messages to answers

    def _take(self, messages: list[Message], due: float | None, sender: Endpoint) -> None:
        """Carry out messages that are due together, now or at their time."""
        ahead_s = 0.0 if due is None else due - self._wall()
        if ahead_s <= 0:
            self._carry_out(messages, sender)
        elif ahead_s > MAX_AHEAD_S:
            text = f"the time tag lies {ahead_s:.0f} s ahead; at most {MAX_AHEAD_S:g} s"
            self._refuse(messages, ErrorCode.OUT_OF_RANGE, text, sender)
        elif self.scheduled >= MAX_SCHEDULED:
            self._refuse(messages, ErrorCode.TOO_MANY, f"{MAX_SCHEDULED} bundles wait for their time already", sender)
        else:
            number = next(self._numbers)
            loop = asyncio.get_running_loop()
            self._waiting[number] = loop.call_later(ahead_s, self._carry_out_waiting, number, messages, sender)

    def _carry_out_waiting(self, number: int, messages: list[Message], sender: Endpoint) -> None:
        del self._waiting[number]
        self._carry_out(messages, sender)

    def _refuse(self, messages: list[Message], code: ErrorCode, text: str, sender: Endpoint) -> None:
        for message in messages:
            self._send(self._error(message.address, code, text), sender)

    def _carry_out(self, messages: list[Message], sender: Endpoint) -> None:
        for message in messages:
            for item in resolve(message, self._space):
                if isinstance(item, Refused):
                    self._send(self._error(item.concrete, item.code, item.text), sender)
                else:
                    self._send(self._answer(item, sender), sender)
                    if item.address.path == "/subscribe":
                        self._send_state(item, sender)

    def _answer(self, call: Call, sender: Endpoint) -> bytes:
        """Carry out one call; gives its one answer, a reply or an error."""
        try:
            values = self._call(call, sender)
            return encode(self._space.prefix + "/reply", call.concrete, *values)
        except OscRefusal as refusal:
            return self._error(call.concrete, refusal.code, refusal.text)
        except OscserviceError as error:
            return self._error(call.concrete, ErrorCode.FAILED, str(error))
        except Exception:
            log.exception("%s failed", call.concrete)
            return self._error(call.concrete, ErrorCode.FAILED, "failed inside; the daemon's log says why")

    def _call(self, call: Call, sender: Endpoint) -> Sequence[Value | np.generic]:
        port = int(call.args[0]) if call.args and isinstance(call.args[0], int) else None
        match call.address.path:
            case "/ping":
                return ()
            case "/unsubscribe":
                self.subscribers.unsubscribe(sender, port)
                return ()
            case "/subscribe":
                if (sender[0], sender[1] if port is None else port) == self._own:
                    raise OscRefusal(ErrorCode.OUT_OF_RANGE, f"port {self.port} is the daemon's own")
                self._end_leases()
                self.subscribers.subscribe(sender, self._clock(), port)
                self._await_lease_end()
                return (round(self.subscribers.lease_s),)
        return self._handler(call.address, call.params, call.args, sender)

    def _send_state(self, call: Call, sender: Endpoint) -> None:
        target = (sender[0], int(call.args[0]) if call.args else sender[1])
        if target not in self.subscribers.targets():
            return
        try:
            state = self._snapshot()
        except Exception:
            log.exception("the state for a new subscriber failed")
        else:
            self._outbox.send_all(state, target)

    # Leases

    def _end_leases(self) -> None:
        """Tell clients whose lease has ended, once, and look again when the next one can end."""
        now = self._clock()
        for target in self.subscribers.expire(now):
            self._send_lease_end(target)
        if self._lease_timer is not None:
            self._lease_timer.cancel()
            self._lease_timer = None
        self._await_lease_end()

    def _await_lease_end(self) -> None:
        ends = self.subscribers.next_end()
        if ends is not None and self._lease_timer is None:
            wait_s = max(0.0, ends - self._clock())
            self._lease_timer = asyncio.get_running_loop().call_later(wait_s, self._end_leases)

    def _send_lease_end(self, target: Endpoint) -> None:
        prefix = self._space.prefix
        self._send(encode(prefix + "/reply", prefix + "/subscribe", 0), target)

    # Sending

    def _error(self, address: str, code: ErrorCode, text: str) -> bytes:
        one_line = " ".join(text.replace("\0", " ").encode("utf-8", "replace").decode("utf-8").split())
        return encode(self._space.prefix + "/error", address, int(code), one_line[:500])

    def _answer_bad(self, size: int, reason: str, sender: Endpoint) -> None:
        """An error at most three times as long as the bad packet: its reason is cut, or none is sent."""
        room = ANSWER_GROWTH * size - len(self._error("", ErrorCode.BAD_PACKET, ""))
        if room >= 0:
            self._send(self._error("", ErrorCode.BAD_PACKET, reason[: room + 3 - room % 4]), sender)

    def _send(self, packet: bytes, target: Endpoint) -> None:
        if self._transport is None or self._transport.get_write_buffer_size() > MAX_UNSENT_BYTES:
            self.counts.unsent += 1
            return
        self._transport.sendto(packet, target)

    def _complain(self, cause: str, detail: str) -> None:
        held = self._complaints.admit(cause, self._clock())
        if held is not None:
            log.warning("%s (%s)%s", cause, detail, f", {held} more like it" if held else "")
