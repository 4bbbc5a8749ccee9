"""The pitch to bring an open string to, as any meter shows it: frequency, nearest note, and cents from that."""

from __future__ import annotations

import math
from dataclasses import dataclass

from oscservice.defaults import A4_HZ
from oscservice.instrument.pitch import nearest_note, note_name
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session.state import State

_SHOWN_CENTS = 0.5


@dataclass(frozen=True)
class TuningTarget:
    """A pitch: ``cents`` from the nearest note of equal temperament with this A4."""

    hz: float
    note: str
    cents: float
    reference_hz: float

    def text(self, sentences: Sentences = ENGLISH) -> str:
        """The pitch in words, with A4 where that is not 440 Hz."""
        words = self.note
        if abs(self.cents) >= _SHOWN_CENTS:
            words = sentences.text("words", "target_off", note=self.note, cents=self.cents)
        if self.reference_hz == A4_HZ:
            return words
        return sentences.text("words", "target_reference", target=words, hz=self.reference_hz)


def tuning_target(state: State, number: int, below_semitones: int = 0) -> TuningTarget:
    """The pitch that string ``number`` should have now, or so many semitones below that."""
    assert state.instrument is not None
    off_cents = state.string(number).target_cents - 100.0 * below_semitones
    hz = state.instrument.open_hz(number) * math.pow(2.0, off_cents / 1200.0)
    reference_hz = state.instrument.reference_hz
    nearest, cents = nearest_note(hz, reference_hz)
    return TuningTarget(hz, note_name(nearest), cents, reference_hz)
