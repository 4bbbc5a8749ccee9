"""Notes as messages: readings and live values by string, by note, and as pitch bends. Pure."""

from __future__ import annotations

from oscservice.api.topics import Topic
from oscservice.hearing.listener import LiveReading
from oscservice.instrument.pitch import Place, note_name, note_number, pitch_bend
from oscservice.instrument.spec import Instrument
from oscservice.session.decide_reading import identified
from oscservice.session.events import ReadingTaken
from oscservice.session.state import State

BEND_RANGE = "/bend/range"


def midi_note(instrument: Instrument, string: int, place: Place) -> int:
    """Return the MIDI number, 0 to 127, of the nominal note of a place on a string."""
    return min(127, max(0, note_number(instrument.string(string).note) + place.semitones))


def reading_message(event: ReadingTaken, instrument: Instrument) -> Topic:
    """Return the values of ``/reading``: string and place, nominal note, and the deviation from it."""
    place = Place.parse(event.place)
    midi = midi_note(instrument, event.string, place)
    note = (event.string, place.kind, place.fret, note_name(midi), midi)
    return (*note, event.f1_hz, event.cents, event.se_cents, event.level_dbfs)


class PitchBends:
    """Deviations as pitch bends, while a bend range is set.

    Args:
        range_semitones: the deviation of the highest bend; 0: no bends are sent.
    """

    def __init__(self, range_semitones: int = 0) -> None:
        self.range_semitones = range_semitones

    def topics(self) -> dict[str, Topic]:
        """Return the bend range as a topic."""
        return {BEND_RANGE: (self.range_semitones,)}

    def live(self, string: int, cents: float) -> dict[str, Topic]:
        """Return the bend of a string that sounds now, by its deviation; empty without a range."""
        if not self.range_semitones:
            return {}
        return {f"/string/{string}/bend": (pitch_bend(cents, self.range_semitones),)}

    def reading(self, event: ReadingTaken, instrument: Instrument) -> dict[str, Topic]:
        """Return a reading's note and bend; empty without a range."""
        if not self.range_semitones:
            return {}
        midi = midi_note(instrument, event.string, Place.parse(event.place))
        return {"/reading/bend": (event.string, midi, pitch_bend(event.cents, self.range_semitones))}


class LiveValues:
    """The string that sounds in each channel, and its live values.

    Args:
        bends: live deviations as pitch bends.
    """

    def __init__(self, bends: PitchBends) -> None:
        self._bends = bends
        self._strings: dict[int, int] = {}

    def sounding(self, state: State, event: LiveReading, channel: int, only_string: int | None) -> dict[str, Topic]:
        """Return the values of the string that a live reading belongs to; empty if there is none."""
        if state.instrument is None:
            return {}
        found = identified(state, event.hz, only_string=only_string).best
        if found is None:
            return {}
        root = f"/string/{found.string}"
        values: dict[str, Topic] = {}
        if self._strings.get(channel) != found.string:
            values |= self.ended(channel)
            self._strings[channel] = found.string
            values[f"{root}/sounding"] = (1,)
        values |= {
            f"{root}/hz": (event.hz,),
            f"{root}/cents": (found.cents,),
            f"{root}/level": (event.level_dbfs,),
        }
        return values | self._bends.live(found.string, found.cents)

    def ended(self, channel: int) -> dict[str, Topic]:
        """Return the value that says that a channel's string has stopped; empty if none sounded."""
        number = self._strings.pop(channel, None)
        return {} if number is None else {f"/string/{number}/sounding": (0,)}
