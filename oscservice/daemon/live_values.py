"""Live values: which string sounds in each channel, and how it stands. What it is taken for is the session's say."""

from __future__ import annotations

from collections.abc import Callable

from oscservice.api.note_messages import Bending
from oscservice.api.topics import Topic
from oscservice.hearing.listener import LiveReading
from oscservice.session.decide_reading import identified
from oscservice.session.state import State


class LiveValues:
    """The string that sounds in each channel.

    Args:
        publish: sends values by relative address.
        bending: live values as pitch bends, while those are wanted.
    """

    def __init__(self, publish: Callable[[dict[str, Topic]], None], bending: Bending) -> None:
        self._publish = publish
        self._bending = bending
        self._strings: dict[int, int] = {}

    def live(self, state: State, event: LiveReading, channel: int, only_string: int | None) -> None:
        """Send what is heard in a channel now, as the string it is taken for."""
        if state.instrument is None:
            return
        found = identified(state, event.hz, only_string=only_string).best
        if found is None:
            return
        root = f"/string/{found.string}"
        values: dict[str, Topic] = {}
        if self._strings.get(channel) != found.string:
            self.still(channel)
            self._strings[channel] = found.string
            values[f"{root}/sounding"] = (1,)
        values |= {
            f"{root}/hz": (event.hz,),
            f"{root}/cents": (found.cents,),
            f"{root}/level": (event.level_dbfs,),
        }
        self._publish(values | self._bending.live(found.string, found.cents))

    def still(self, channel: int) -> None:
        """Nothing sounds in a channel any more."""
        number = self._strings.pop(channel, None)
        if number is not None:
            self._publish({f"/string/{number}/sounding": (0,)})
