"""Note names, equal temperament, places on a string, and MIDI pitch bend.

Scientific pitch names have MIDI note numbers: A4 = 69, C4 = 60 (middle C). A4 = 440 Hz is ISO 16:1975; another
reference can be given. Cents are 1200 times the base-2 logarithm of a frequency ratio; + is sharp.

A pitch bend has 14 bits: 0 is all the way down, 8192 (2000 hex) is no bend, 16383 is all the way up. The bend range in
semitones is registered parameter 0. A unit is the same above and below the centre, so all the way up is one unit less
than the range.

Source: MIDI 1.0 Detailed Specification, Pitch Bend Change, from memory.
"""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass

from oscservice.defaults import A4_HZ

CENTS_PER_E = 1200.0 / math.log(2.0)
"""Cents in a factor of e: a small relative change of frequency times this is in cents."""

BEND_CENTRE, BEND_HIGHEST = 8192, 16383

MOST_SEMITONES = 96
"""Widest bend range that can be set: the range of notes of any instrument here."""

_STEPS = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_NOTE = re.compile(r"([a-gA-G])([#b]?)(-?\d{1,2})")


@functools.lru_cache(maxsize=512)
def note_number(name: str) -> int:
    """Return the MIDI note number of a scientific pitch name such as ``E2``, ``f#3`` or ``Eb4``.

    Raises:
        ValueError: the text is not a note name.
    """
    found = _NOTE.fullmatch(name.strip())
    if found is None:
        raise ValueError(f"{name!r} is not a note name; expected a letter, an optional # or b and an octave, e.g. E2")
    letter, accidental, octave = found.groups()
    return 12 * (int(octave) + 1) + _STEPS[letter.lower()] + {"#": 1, "b": -1, "": 0}[accidental]


def note_name(number: int) -> str:
    """Return the scientific pitch name of a MIDI note number, with sharps: 40 is ``E2``."""
    return f"{_NAMES[number % 12]}{number // 12 - 1}"


def note_hz(number: float, reference_hz: float = A4_HZ) -> float:
    """Return the equal-tempered frequency in Hz of a MIDI note number (fractions allowed) at A4 = ``reference_hz``."""
    return reference_hz * float(2.0 ** ((number - 69.0) / 12.0))


def nearest_note(frequency_hz: float, reference_hz: float = A4_HZ) -> tuple[int, float]:
    """Return the MIDI note number nearest to ``frequency_hz``, and the deviation from it in cents (+ sharp)."""
    exact = 69.0 + 12.0 * math.log2(frequency_hz / reference_hz)
    number = round(exact)
    return number, 100.0 * (exact - number)


def cents_between(frequency_hz: float, from_hz: float) -> float:
    """Return the cents of ``frequency_hz`` above ``from_hz`` (+ sharp)."""
    return 1200.0 * math.log2(frequency_hz / from_hz)


@dataclass(frozen=True, order=True)
class Place:
    """Place where a string is stopped: ``open``, ``harmonic`` (12th-fret touch harmonic) or ``fret K``.

    Attributes:
        kind: ``open``, ``harmonic`` or ``fret``.
        fret: number of the fret; 0 for open and for the harmonic.
    """

    kind: str
    fret: int = 0

    def __post_init__(self) -> None:
        if self.kind not in ("open", "harmonic", "fret"):
            raise ValueError(f"{self.kind!r} is not a place; expected open, harmonic or fret")
        if (self.kind == "fret") != (self.fret > 0):
            raise ValueError(f"fret {self.fret} does not go with the place {self.kind!r}")

    @property
    def semitones(self) -> int:
        """Semitones above the open string in equal temperament."""
        return 12 if self.kind == "harmonic" else self.fret

    def __str__(self) -> str:
        return f"fret {self.fret}" if self.kind == "fret" else self.kind

    @classmethod
    def parse(cls, text: str) -> Place:
        """Read ``open``, ``harmonic`` or ``fret K``. Raises ValueError for anything else."""
        words = text.lower().split()
        if len(words) == 2 and words[0] == "fret" and words[1].isdigit():
            return cls("fret", int(words[1]))
        if len(words) == 1 and words[0] in ("open", "harmonic"):
            return cls(words[0])
        raise ValueError(f"{text!r} is not a place; expected open, harmonic or fret K")


OPEN = Place("open")
HARMONIC = Place("harmonic")


def pitch_bend(cents: float, range_semitones: int) -> int:
    """Return the 14-bit bend nearest to a deviation in cents, + sharp; outside the range the lowest or highest.

    Raises:
        ValueError: a range below one semitone.
    """
    if range_semitones < 1:
        raise ValueError(f"a bend range of {range_semitones} semitones; expected 1 or more")
    unit_cents = 100.0 * range_semitones / BEND_CENTRE
    return min(BEND_HIGHEST, max(0, round(BEND_CENTRE + cents / unit_cents)))
