"""The switch that decides if what is heard is used. It is valid in every phase, so that a recording program can set it
before any session.

It belongs to the daemon and is no step of a session: ``undo`` takes back the technician's last step, also where a take
was recorded after it.
"""

from __future__ import annotations

from oscservice.api.topics import Topic
from oscservice.session.state import State

NOT_LISTENING = "not listening"


class ListeningGate:
    """The switch that ``/listen`` sets; on at the start."""

    def __init__(self) -> None:
        self.on = True

    def set(self, on: bool, state: State) -> str:
        """Set it; return a line for a person where that changes something, else an empty text."""
        changed = on != self.on or (on and not state.listening)
        self.on = on
        return "" if not changed else "listening" if on else NOT_LISTENING

    def topics(self, state: State) -> dict[str, Topic]:
        """Return the switch as a topic. A session of an older journal can be off by itself."""
        return {"/listening": (int(self.on and state.listening),)}
