"""The status of the recording of events and of sound, as topics and as lines for a person."""

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
    """The status of a recorder and of the writer of kept sound.

    Args:
        recorder: records events; None: a journal that has no faults.
        sound: writes kept sound; None: no sound is kept.
    """

    def __init__(self, recorder: Recorder | None, sound: SoundWriter | None = None) -> None:
        self._recorder = recorder
        self._sound = sound
        self._sound_sent = OFF
        self._reported_fault = ""
        self._unsent: list[str] = []

    def topics(self) -> dict[str, Topic]:
        """Return the topics that say if events are on the disk, why not, and if sound is kept."""
        fault = self._recorder.fault if self._recorder is not None else ""
        self._sound_sent = OFF if self._sound is None else self._sound.state
        return {
            "/record/state": (IN_MEMORY if fault else RECORDING,),
            "/record/fault": (fault[:MOST_CHARACTERS],),
            "/record/sound": (self._sound_sent,),
        }

    def keep(self, session: str, last_seq: int, events: Sequence[ev.Event], stretch: Stretch | None) -> None:
        """Keep the sound of a reading, if one of these events has it; the last event has the number ``last_seq``."""
        if self._sound is None or stretch is None:
            return
        for seq, event in enumerate(events, last_seq - len(events) + 1):
            if sound_of(event) == stretch.sound:
                self._sound.keep(session, seq, stretch, f"session {session}, event {seq}{_place_of(event)}")
                return

    def sound_has_changed(self) -> bool:
        """Return True if the status of kept sound differs from that in the last topics."""
        return self._sound is not None and self._sound.state != self._sound_sent

    def session_renamed(self, old: str, new: str) -> None:
        """Change the session's name in kept sound: in the journal it has another one than at its begin."""
        if self._sound is not None and new != old:
            self._sound.renamed(old, new)

    def new_lines(self) -> list[str]:
        """Return the lines that are new since the last call; ``unsent_lines`` returns them too."""
        notes = [] if self._recorder is None else self._recorder.take_notes()
        notes += [] if self._sound is None else self._sound.take_notes()
        lines = [line[:MOST_CHARACTERS] for line in notes]
        fault = "" if self._recorder is None else self._recorder.fault
        if fault and fault != self._reported_fault:
            lines.append(f"recording in memory only, and lost if the daemon ends: {fault}"[:MOST_CHARACTERS])
        elif self._reported_fault and not fault:
            lines.append("recording again: everything in memory is written")
        self._reported_fault = fault
        self._unsent += lines
        return lines

    def unsent_lines(self, has_subscribers: bool) -> list[str]:
        """Return the lines to send now; none while there are no subscribers, so that they are sent later."""
        if not has_subscribers:
            return []
        lines, self._unsent = self._unsent, []
        return lines


def _place_of(event: ev.Event) -> str:
    """Return string and place of a reading for a title; empty for another event."""
    return f": {place_text(event.string, Place.parse(event.place))}" if isinstance(event, ev.ReadingTaken) else ""
