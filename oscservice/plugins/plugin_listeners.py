"""A listener from another package: told every event, in a thread of its own, and never waited for."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from oscservice.errors import InputError
from oscservice.plugins.registry import LOADING_S, Listener, ListenerMaker, Offer, PluginError, Registry, reason_of

MOST_WAITING = 5000
"""Events that may wait for a listener; beyond that it is too slow."""

PATIENCE_S = 10.0
"""A listener that is busy with one event for longer is too slow."""

_END = object()


class Worker:
    """One listener at work. All but its own thread may call these, from any thread; none of them waits but ``join``.

    Args:
        registry, offer: whose plug-in it is.
        rest: what was typed after its name.
        most_waiting, patience_s: when it counts as too slow.
        clock: seconds that only go forward.
    """

    def __init__(
        self,
        registry: Registry,
        offer: Offer,
        rest: str = "",
        *,
        most_waiting: int = MOST_WAITING,
        patience_s: float = PATIENCE_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.offer = offer
        self._registry = registry
        self._rest = rest
        self._patience_s = patience_s
        self._clock = clock
        self._waiting: queue.Queue[Any] = queue.Queue(most_waiting)
        self._busy: tuple[float, float] | None = None  # since when, and how long it may be
        self._over = False
        self._thread = threading.Thread(target=self._run, name=f"plug-in {offer.name}", daemon=True)

    def start(self) -> None:
        """Load the plug-in and begin, in its own thread."""
        self._thread.start()

    def take(self, events: Sequence[dict[str, Any]]) -> None:
        """Hand it events, in order, unless it was put away. It keeps them, so they must be its own."""
        for event in () if self._over else events:
            try:
                self._waiting.put_nowait(event)
            except queue.Full:
                self._fail(f"too slow: {self._waiting.maxsize} events wait for it")
                return

    def look(self) -> None:
        """Put it away if it has been busy for too long."""
        busy = self._busy
        if busy is not None and not self._over and self._clock() - busy[0] > busy[1]:
            self._fail(f"too slow: busy for more than {busy[1]:g} s")

    def end(self) -> None:
        """Let it deal with what waits, and close."""
        with contextlib.suppress(queue.Full):
            self._waiting.put_nowait(_END)

    def join(self, seconds: float) -> None:
        """Wait until it has ended, for so long at most."""
        self._thread.join(seconds)

    def _run(self) -> None:
        listener: Listener | None = None
        try:
            listener = self._begun()
            while listener is not None:
                event = self._waiting.get()
                if event is _END or self._over:
                    break
                self._busy = self._clock(), self._patience_s
                listener(event)
                self._busy = None
        except PluginError as error:
            self._fail(str(error))
        except InputError as mistake:
            self._fail(" ".join(str(mistake).split()))
        except BaseException as error:
            self._fail(reason_of(error))
        close = getattr(listener, "close", None)
        if callable(close):
            try:
                close()
            except BaseException as error:
                self._fail(reason_of(error))

    def _begun(self) -> Listener | None:
        self._busy = self._clock(), LOADING_S
        make: ListenerMaker = self._registry.load(self.offer)
        listener: Any = make(self._rest)
        self._busy = None
        if listener is None:  # it has nothing to do
            self._over = True
        elif not callable(listener):
            raise PluginError(f"it gave {type(listener).__name__}, expected something to call with an event")
        return listener  # type: ignore[no-any-return]

    def _fail(self, reason: str) -> None:
        self._over = True
        self._busy = None
        self._registry.disable(self.offer, reason)
