"""What goes out to subscribers: encoded by the address table, thinned and paced so that a surface can keep up.

Live values go out at most 25 times a second an address, the latest wins. The whole state goes to a new subscriber in
small batches, since a default receive buffer holds some 250 small datagrams and a full state can be longer.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
from collections.abc import Callable, Mapping, Sequence
from typing import TypeAlias

import numpy as np

from oscservice.osc.addresses import Argument, Direction, lookup
from oscservice.osc.limits import OncePerSecond
from oscservice.osc.subscribers import Endpoint
from oscservice.osc.wire import Value, encode

Values: TypeAlias = Mapping[str, Sequence[Value | np.generic]]
"""Arguments by relative address: ``{"/phase": ("tuning",), "/string/3/cents": (-2.5,)}``."""

LIVE_INTERVAL_S = 1 / 25
BATCH = 32
BATCH_INTERVAL_S = 0.005

log = logging.getLogger(__name__)


def packet(prefix: str, relative: str, values: Sequence[Value | np.generic]) -> bytes:
    """One message with exactly the declared type tags of a relative address; where more arguments may follow, with that
    of the last for each of them.

    Raises:
        ValueError: the address is not declared, or the values do not fit its declaration or OSC.
    """
    found = lookup(relative)
    if found is None or found[0].direction.incoming:
        raise ValueError(f"{relative} is not an address the daemon sends")
    declared = found[0].arguments
    if found[0].rest:
        declared += declared[-1:] * (len(values) - len(declared))
    if len(values) != len(declared):
        raise ValueError(f"{relative}: {len(values)} values for {len(declared)} arguments")
    return encode(prefix + relative, *map(_typed, itertools.repeat(relative), declared, values))


def _typed(relative: str, argument: Argument, value: Value | np.generic) -> Value | np.generic:
    plain = value.item() if isinstance(value, np.generic) else value
    if argument.tag == "f" and isinstance(plain, int | float):
        return float(plain)
    if (argument.tag == "i" and isinstance(plain, int)) or (argument.tag == "s" and isinstance(plain, str)):
        return value
    raise ValueError(f"{relative}: {argument.name} is declared {argument.tag}, not {type(plain).__name__}")


class Outbox:
    """Sends values to subscribers. All of it runs on the event loop's thread.

    Args:
        prefix: root of all addresses.
        targets: who is subscribed now.
        send: sends one datagram, without waiting.
        clock: seconds that only go forward.
    """

    def __init__(
        self,
        prefix: str,
        targets: Callable[[], Sequence[Endpoint]],
        send: Callable[[bytes, Endpoint], None],
        clock: Callable[[], float],
    ) -> None:
        self.unsendable = 0
        self._prefix = prefix
        self._targets = targets
        self._send = send
        self._clock = clock
        self._complaints = OncePerSecond()
        self._live_sent: dict[str, float] = {}
        self._live_held: dict[str, tuple[bytes, asyncio.TimerHandle]] = {}
        self._backlog: dict[Endpoint, dict[str, bytes]] = {}
        self._pacer: asyncio.TimerHandle | None = None

    def publish(self, values: Values) -> None:
        """Send each value as one message to every subscriber. A value that can't be sent is logged and left out."""
        for relative, arguments in values.items():
            message = self._packet(relative, arguments)
            if message is None:
                continue
            found = lookup(relative)
            if found is not None and found[0].direction is Direction.LIVE:
                self._publish_live(relative, message)
            else:
                self._broadcast(relative, message)

    def send_all(self, values: Values, target: Endpoint) -> None:
        """Send the whole state to one subscriber, paced. A value published meanwhile replaces the one waiting here."""
        waiting = {relative: self._packet(relative, arguments) for relative, arguments in values.items()}
        self._backlog[target] = {relative: message for relative, message in waiting.items() if message is not None}
        if self._pacer is None:
            self._send_batches()

    def close(self) -> None:
        """Forget what waits to be sent."""
        for _, timer in self._live_held.values():
            timer.cancel()
        if self._pacer is not None:
            self._pacer.cancel()
        self._pacer = None
        self._live_held.clear()
        self._backlog.clear()

    def _packet(self, relative: str, arguments: Sequence[Value | np.generic]) -> bytes | None:
        try:
            return packet(self._prefix, relative, arguments)
        except ValueError as error:
            self.unsendable += 1
            if self._complaints.admit(relative, self._clock()) is not None:
                log.error("not sent: %s", error)
            return None

    def _broadcast(self, relative: str, message: bytes) -> None:
        for waiting in self._backlog.values():
            waiting.pop(relative, None)
        for target in self._targets():
            self._send(message, target)

    def _publish_live(self, relative: str, message: bytes) -> None:
        if relative in self._live_held:
            self._live_held[relative] = (message, self._live_held[relative][1])
            return
        wait_s = self._live_sent.get(relative, float("-inf")) + LIVE_INTERVAL_S - self._clock()
        if wait_s > 0:
            timer = asyncio.get_running_loop().call_later(wait_s, self._release_live, relative)
            self._live_held[relative] = (message, timer)
        else:
            self._send_live(relative, message)

    def _release_live(self, relative: str) -> None:
        message, _ = self._live_held.pop(relative)
        self._send_live(relative, message)

    def _send_live(self, relative: str, message: bytes) -> None:
        self._live_sent[relative] = self._clock()
        self._broadcast(relative, message)

    def _send_batches(self) -> None:
        self._pacer = None
        subscribed = set(self._targets())
        for target, waiting in list(self._backlog.items()):
            for relative in list(itertools.islice(waiting, BATCH)) if target in subscribed else []:
                self._send(waiting.pop(relative), target)
            if not waiting or target not in subscribed:
                del self._backlog[target]
        if self._backlog:
            self._pacer = asyncio.get_running_loop().call_later(BATCH_INTERVAL_S, self._send_batches)
