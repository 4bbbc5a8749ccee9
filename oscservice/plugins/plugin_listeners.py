"""A listener from another package: called with every event, in a thread of its own. Nothing waits for it."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Sequence
from typing import Any

from oscservice.errors import InputError
from oscservice.plugins.registry import Listener, ListenerMaker, Offer, PluginError, Registry, reason_of

MOST_WAITING = 5000
"""Events that may wait for a listener; a listener with more is disabled."""

_END = object()


class Worker:
    """One listener at work. Any thread may call these; only ``join`` waits.

    Args:
        registry, offer: the plug-in.
        rest: the text after its name.
        most_waiting: events that may wait for it.
    """

    def __init__(self, registry: Registry, offer: Offer, rest: str = "", *, most_waiting: int = MOST_WAITING) -> None:
        self.offer = offer
        self._registry = registry
        self._rest = rest
        self._waiting: queue.Queue[Any] = queue.Queue(most_waiting)
        self._over = False
        self._thread = threading.Thread(target=self._run, name=f"plug-in {offer.name}", daemon=True)

    def start(self) -> None:
        """Load the plug-in and begin, in its own thread."""
        self._thread.start()

    def take(self, events: Sequence[dict[str, Any]]) -> None:
        """Put events in its queue, in order, unless it is disabled. The plug-in may change them: pass copies."""
        for event in () if self._over else events:
            try:
                self._waiting.put_nowait(event)
            except queue.Full:
                self._fail(f"too slow: {self._waiting.maxsize} events wait for it")
                return

    def end(self) -> None:
        """Let it handle the events that wait, and close."""
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
                listener(event)
        except PluginError as error:
            self._fail(str(error))
        except InputError as mistake:
            self._fail(" ".join(str(mistake).split()))
        except (Exception, SystemExit) as error:
            self._fail(reason_of(error))
        close = getattr(listener, "close", None)
        if callable(close):
            try:
                close()
            except (Exception, SystemExit) as error:
                self._fail(reason_of(error))

    def _begun(self) -> Listener | None:
        make: ListenerMaker = self._registry.load(self.offer)
        listener: Any = make(self._rest)
        if listener is None:  # it has nothing to do
            self._over = True
        elif not callable(listener):
            raise PluginError(f"it gave {type(listener).__name__}, expected something to call with an event")
        return listener  # type: ignore[no-any-return]

    def _fail(self, reason: str) -> None:
        self._over = True
        self._registry.disable(self.offer, reason)
