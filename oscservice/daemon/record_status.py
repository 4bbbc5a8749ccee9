"""How the record stands, as topics and as lines for a person: a standing warning while it is in memory only. And what
is kept of the sound that readings rest on.
"""

from __future__ import annotations

from collections.abc import Sequence

from oscservice.api.topics import MOST_CHARACTERS, Topic
from oscservice.instrument.pitch import Place
from oscservice.record.kept_sound import Stretch, sound_of
from oscservice.record.recorder import Recorder
from oscservice.record.sound_writer import SoundWriter
from oscservice.session import events as ev
from oscservice.session.vocabulary import place_text

RECORDING, IN_MEMORY = "recording", "in memory"
OFF = "off"


class RecordStatus:
    """Watches a recorder, without which all is well, and the writer of kept sound, if there is one."""

    def __init__(self, recorder: Recorder | None, sound: SoundWriter | None = None) -> None:
        self._recorder = recorder
        self._sound = sound
        self._sound_told = OFF
        self._told = ""
        self._unsent: list[str] = []

    def topics(self) -> dict[str, Topic]:
        """Whether what is announced is on the disk, and why not."""
        fault = self._recorder.fault if self._recorder is not None else ""
        self._sound_told = OFF if self._sound is None else self._sound.state
        return {
            "/record/state": (IN_MEMORY if fault else RECORDING,),
            "/record/fault": (fault[:MOST_CHARACTERS],),
            "/record/sound": (self._sound_told,),
        }

    def keep(self, session: str, last_seq: int, events: Sequence[ev.Event], stretch: Stretch | None) -> None:
        """Keep the sound that one of these events, the last of them number ``last_seq``, rests on, if one does."""
        if self._sound is None or stretch is None:
            return
        for seq, event in enumerate(events, last_seq - len(events) + 1):
            if sound_of(event) == stretch.sound:
                self._sound.keep(session, seq, stretch, f"session {session}, event {seq}{_what(event)}")
                return

    def sound_has_changed(self) -> bool:
        """Whether the keeping of sound stands otherwise than last told."""
        return self._sound is not None and self._sound.state != self._sound_told

    def renamed(self, old: str, new: str) -> None:
        """The session has another name in the journal than it was begun under."""
        if self._sound is not None and new != old:
            self._sound.renamed(old, new)

    def news(self) -> list[str]:
        """Lines that have not been given yet; they are also to be sent, once somebody listens."""
        notes = [] if self._recorder is None else self._recorder.take_notes()
        notes += [] if self._sound is None else self._sound.take_notes()
        lines = [line[:MOST_CHARACTERS] for line in notes]
        fault = "" if self._recorder is None else self._recorder.fault
        if fault and fault != self._told:
            lines.append(f"recording in memory only, and lost if the daemon ends: {fault}"[:MOST_CHARACTERS])
        elif self._told and not fault:
            lines.append("recording again: everything held in memory is written")
        self._told = fault
        self._unsent += lines
        return lines

    def to_send(self, heard: bool) -> list[str]:
        """The lines to send now, if anybody hears them."""
        if not heard:
            return []
        lines, self._unsent = self._unsent, []
        return lines


def _what(event: ev.Event) -> str:
    return f": {place_text(event.string, Place.parse(event.place))}" if isinstance(event, ev.ReadingTaken) else ""
