"""Readings as notes: for programs that know notes and bends, and nothing of strings."""

from __future__ import annotations

from oscservice.api.topics import Topic
from oscservice.instrument.pitch import Place, note_name, note_number, pitch_bend
from oscservice.instrument.spec import Instrument
from oscservice.session.events import ReadingTaken

BEND_RANGE = "/bend/range"


def note_of(instrument: Instrument, string: int, place: Place) -> int:
    """MIDI number, 0 to 127, of the note that a place on a string is meant to sound."""
    return min(127, max(0, note_number(instrument.string(string).note) + place.semitones))


def reading(event: ReadingTaken, instrument: Instrument) -> Topic:
    """A reading as one message: what it was, the note it is meant to be, and how far it is off that."""
    place = Place.parse(event.place)
    midi = note_of(instrument, event.string, place)
    what = (event.string, place.kind, place.fret, note_name(midi), midi)
    return (*what, event.f1_hz, event.cents, event.se_cents, event.level_dbfs)


class Bending:
    """Deviations as pitch bends, while a bend range is set.

    Args:
        range_semitones: what all the way up is; 0: no bends are sent.
    """

    def __init__(self, range_semitones: int = 0) -> None:
        self.range_semitones = range_semitones

    def topics(self) -> dict[str, Topic]:
        """The bend range, as state."""
        return {BEND_RANGE: (self.range_semitones,)}

    def live(self, string: int, cents: float) -> dict[str, Topic]:
        """The bend of what sounds on a string now, in cents off what it is taken for."""
        if not self.range_semitones:
            return {}
        return {f"/string/{string}/bend": (pitch_bend(cents, self.range_semitones),)}

    def read(self, event: ReadingTaken, instrument: Instrument) -> dict[str, Topic]:
        """The bend that goes with a reading's note."""
        if not self.range_semitones:
            return {}
        midi = note_of(instrument, event.string, Place.parse(event.place))
        return {"/reading/bend": (event.string, midi, pitch_bend(event.cents, self.range_semitones))}
