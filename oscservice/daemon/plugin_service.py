"""Plug-ins in a daemon: listeners receive events, and the failure of a plug-in is announced."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from oscservice.api.topics import MOST_CHARACTERS, Topic
from oscservice.errors import InputError
from oscservice.plugins.plugin_listeners import Worker
from oscservice.plugins.registry import InstalledKinds, Offer, Registry
from oscservice.session import events as ev

END_TIMEOUT_S = 3.0
"""The time that all listeners together have at the end of the daemon."""


class PluginService:
    """The plug-ins of one daemon.

    Args:
        registry: the plug-ins that are installed.
        tell: takes a line about each plug-in that fails before ``start``.
        with_listeners: listeners receive events.
        arguments: arguments of listeners as ``NAME:REST``; a listener with an argument receives events in any case.

    Attributes:
        kinds: the kinds of bridge from plug-ins.

    Raises:
        InputError: an argument is for a listener that is not installed.
    """

    def __init__(
        self,
        registry: Registry,
        tell: Callable[[str], None],
        *,
        with_listeners: bool = False,
        arguments: Sequence[str] = (),
    ) -> None:
        self.registry = registry
        self.kinds = InstalledKinds(registry)
        self._on_failure = tell
        self._reported: set[str] = set()
        given = dict(text.partition(":")[::2] for text in arguments)
        offers = registry.offers("listener") if with_listeners or given else ()
        names = [offer.name for offer in offers]
        for name in given:
            if name not in names:
                installed = ", ".join(names) if names else "none is installed"
                raise InputError(f"--plugin {name!r}: no such listener; expected one of those installed: {installed}")
        self._workers = [Worker(registry, offer, given.get(offer.name, "")) for offer in offers]
        registry.failed = self._failed

    def start(self, on_failure: Callable[[str], None]) -> None:
        """Start the listeners.

        Args:
            on_failure: called in any thread, from now on, with a line about each plug-in that fails.
        """
        self._on_failure = on_failure
        for offer, reason in self.registry.faults().items():
            self._failed(offer, reason)
        for worker in self._workers:
            worker.start()

    def topics(self) -> dict[str, Topic]:
        """Return the plug-ins that are disabled, with the reasons; an empty text for none."""
        lines = [f"{offer.name}: {reason}" for offer, reason in self.registry.faults().items()]
        return {"/plugins/disabled": ("; ".join(lines)[:MOST_CHARACTERS],)}

    def notify(self, session: str, events: Sequence[ev.Event]) -> None:
        """Give events that were announced to the listeners. It does not wait for them."""
        bodies = [ev.to_body(event) for event in events] if self._workers else []
        for worker in self._workers:
            worker.take([{"kind": kind, "body": dict(body), "session": session} for kind, body in bodies])

    def end(self) -> None:
        """Wait until the listeners have processed their events and closed, for ``END_TIMEOUT_S`` at most."""
        for worker in self._workers:
            worker.end()
        deadline = time.monotonic() + END_TIMEOUT_S
        for worker in self._workers:
            worker.join(max(0.0, deadline - time.monotonic()))

    def _failed(self, offer: Offer, reason: str) -> None:
        line = f"{offer} is disabled: {reason}"[:MOST_CHARACTERS]
        if line not in self._reported:
            self._reported.add(line)
            self._on_failure(line)
