"""Whether what is heard is used. It holds in every phase, so that a recording program can say so before any session.

It is the daemon's and no step of a session: a take that was recorded in between must not stand between a technician and
the step that ``undo`` is to take back.
"""

from __future__ import annotations

from oscservice.api.topics import Topic
from oscservice.session.state import State

NOT_HEEDED = "not listening"


class ListeningGate:
    """What ``/listen`` has set; on at the start."""

    def __init__(self) -> None:
        self.on = True

    def set(self, on: bool, state: State) -> str:
        """Take it; gives a line for a person where that changes something, else an empty text."""
        changed = on != self.on or (on and not state.listening)
        self.on = on
        return "" if not changed else "listening" if on else NOT_HEEDED

    def topics(self, state: State) -> dict[str, Topic]:
        """Sessions of older journals have their own say beside it."""
        return {"/listening": (int(self.on and state.listening),)}
