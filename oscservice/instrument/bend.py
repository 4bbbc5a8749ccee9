"""A deviation in cents as the 14-bit pitch bend of a note.

MIDI 1.0 Detailed Specification, Pitch Bend Change (from memory): 14 bits, 0 is all the way down, 8192 (2000 hex) is no
bend, 16383 all the way up; how far that is in semitones is the bend range (registered parameter 0). A unit is the same
above the centre and below it, so that all the way up is one unit short of the range.
"""

from __future__ import annotations

CENTRE, HIGHEST = 8192, 16383

MOST_SEMITONES = 96
"""Widest bend range that can be asked for: all notes of any instrument here."""


def bend_of(cents: float, range_semitones: int) -> int:
    """The 14-bit bend nearest to a deviation in cents, + sharp; beyond the range, all the way.

    Raises:
        ValueError: a range below one semitone.
    """
    if range_semitones < 1:
        raise ValueError(f"a bend range of {range_semitones} semitones; expected 1 or more")
    unit_cents = 100.0 * range_semitones / CENTRE
    return min(HIGHEST, max(0, round(CENTRE + cents / unit_cents)))
