"""Courses: strings next to each other in unison or octaves, of which one rings along when another is plucked."""

from __future__ import annotations

from oscservice.instrument.pitch import cents_between, note_number
from oscservice.instrument.spec import Instrument

ALIKE_CENTS = 5.0
"""Strings whose wanted pitches are nearer to each other sound the same (assumed)."""

_OCTAVE = 12


def course_of(instrument: Instrument, string: int) -> tuple[int, ...]:
    """Return the strings of a course, rising, with ``string`` among them; empty for a string that has none.

    A course is a row of neighbours, each with the note of the one before it or an octave from that. Raises ValueError
    for a string that isn't there.
    """
    instrument.string(string)
    notes = [note_number(one.note) for one in instrument.strings]
    first = last = string
    while first > 1 and abs(notes[first - 1] - notes[first - 2]) in (0, _OCTAVE):
        first -= 1
    while last < len(notes) and abs(notes[last] - notes[last - 1]) in (0, _OCTAVE):
        last += 1
    return tuple(range(first, last + 1)) if first < last else ()


def alike(instrument: Instrument, one: int, other: int) -> bool:
    """Return True for two strings of one pitch. Raises ValueError for a string that isn't there."""
    return abs(cents_between(instrument.open_hz(one), instrument.open_hz(other))) <= ALIKE_CENTS
