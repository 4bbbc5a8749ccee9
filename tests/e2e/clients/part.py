"""The part that every client here plays: it subscribes, asks for the status, begins a session, reports the inspection,
plucks, gets the reading, abandons the session, and unsubscribes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

TOLD = ("reply", "error", "phase", "reading", "string/2/cents")


class Part:
    """One client's part.

    Args:
        label: of its session.
        send: sends a message, address and values.

    Attributes:
        over: whether the session is closed again and nothing more comes.
    """

    def __init__(self, label: str, send: Callable[[str, Sequence[Any]], Any]) -> None:
        self._label = label
        self._send = send
        self._heard = False
        self.over = False

    def say(self, name: str, *values: float | str) -> None:
        """Send a message below the root."""
        self._send(f"/bench/{name}", list(values))

    def hear(self, address: str, values: Sequence[Any]) -> None:
        """Take a message, print it, and do what comes next."""
        name = address.removeprefix("/bench/")
        if name not in TOLD:
            return
        print(name, *values, flush=True)
        match name, *values:
            case "reply", "/bench/subscribe", *_:
                self.say("status")
            case "reply", "/bench/status", *_:
                self.say("session/begin", "two-strings", self._label)
            case "phase", "inspecting":
                self.say("session/inspect", "all", "passed")
            case "phase", "tuning":
                self.say("simulator/pluck", 2, "open", 1.0)
                self.say("simulator/wait", 4.0)
            case "reading", *_:
                self._heard = True
                self.say("session/abandon")
            case "phase", "closed" if self._heard:
                self.say("unsubscribe")
            case "reply", "/bench/unsubscribe":
                self.over = True
