"""Plug-ins at work in a daemon: listeners are told of events, and what fails is told of to everybody."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from oscservice.api.topics import MOST_CHARACTERS, Topic
from oscservice.errors import InputError
from oscservice.plugins.plugin_listeners import Worker
from oscservice.plugins.registry import InstalledKinds, Offer, Registry
from oscservice.session import events as ev

ENDING_S = 3.0
"""So long listeners have at the end of the daemon, all together."""


class PluginService:
    """The plug-ins of one daemon.

    Args:
        registry: what is installed.
        tell: takes a line on each plug-in that fails before ``start``.
        heed: whether listeners are told of events.
        rests: what was typed for listeners, as ``NAME:REST``.

    Raises:
        InputError: something was typed for a listener that isn't installed.
    """

    def __init__(
        self, registry: Registry, tell: Callable[[str], None], *, heed: bool = False, rests: Sequence[str] = ()
    ) -> None:
        self.registry = registry
        self.kinds = InstalledKinds(registry)
        self._on_failure = tell
        self._told: set[str] = set()
        given = dict(text.partition(":")[::2] for text in rests)
        offers = registry.offers("listener") if heed or given else ()
        names = [offer.name for offer in offers]
        for name in given:
            if name not in names:
                there = ", ".join(names) if names else "none is installed"
                raise InputError(f"--plugin {name!r}: no such listener; expected one of those installed: {there}")
        self._workers = [Worker(registry, offer, given.get(offer.name, "")) for offer in offers]
        registry.failed = self._failed

    def start(self, on_failure: Callable[[str], None]) -> None:
        """Begin; from now on, ``on_failure`` is called, in any thread, with a line on each plug-in that fails."""
        self._on_failure = on_failure
        for offer, reason in self.registry.faults().items():
            self._failed(offer, reason)
        for worker in self._workers:
            worker.start()

    def topics(self) -> dict[str, Topic]:
        """The plug-ins that were put away, with the reason; empty for none."""
        lines = [f"{offer.name}: {reason}" for offer, reason in self.registry.faults().items()]
        return {"/plugins/disabled": ("; ".join(lines)[:MOST_CHARACTERS],)}

    def take(self, session: str, events: Sequence[ev.Event]) -> None:
        """Tell the listeners of events that were announced. Never waits."""
        bodies = [ev.to_body(event) for event in events] if self._workers else []
        for worker in self._workers:
            worker.take([{"kind": kind, "body": dict(body), "session": session} for kind, body in bodies])

    def end(self) -> None:
        """Let listeners deal with what they were told of, and close; for a few seconds at most."""
        for worker in self._workers:
            worker.end()
        deadline = time.monotonic() + ENDING_S
        for worker in self._workers:
            worker.join(max(0.0, deadline - time.monotonic()))

    def _failed(self, offer: Offer, reason: str) -> None:
        line = line_on(offer, reason)
        if line not in self._told:
            self._told.add(line)
            self._on_failure(line)


def line_on(offer: Offer, reason: str) -> str:
    """What is said of a plug-in that was put away."""
    return f"{offer} is disabled: {reason}"[:MOST_CHARACTERS]
