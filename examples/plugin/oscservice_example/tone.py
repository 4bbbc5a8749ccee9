"""A source: plucked tones, one note after another, as a steel string might sound."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from oscservice.audio.block import BLOCK_FRAMES, AudioSource, Block
from oscservice.errors import InputError
from oscservice.instrument.pitch import note_hz, note_number

RATE_HZ = 48000
NOTE_S, REST_S = 2.5, 0.5
STIFFNESS = 1e-4


def open_tone(rest: str, rate_hz: int | None, channels: int | None) -> AudioSource:
    """Return the source of ``--source "plucked-tone:E2 A2"``; the last word ``fast`` makes it run at full speed.

    Raises:
        InputError: no notes, or a word that is not a note.
    """
    words = rest.split()
    fast = words[-1:] == ["fast"]
    try:
        notes_hz = [note_hz(note_number(word)) for word in (words[:-1] if fast else words)]
    except ValueError as mistake:
        raise InputError(str(mistake)) from None
    if not notes_hz:
        raise InputError("no notes; say which, as in --source 'plucked-tone:E2 A2 D3'")
    return PluckedTone(notes_hz, RATE_HZ if rate_hz is None else rate_hz, fast=fast)


class PluckedTone(AudioSource):
    """A source that plays each note once, in one channel, and ends."""

    def __init__(self, notes_hz: list[float], rate_hz: int, *, fast: bool) -> None:
        super().__init__(rate_hz, 1, f"{len(notes_hz)} plucked tones, {rate_hz} Hz")
        self._notes_hz = notes_hz
        self._fast = fast

    def _blocks(self) -> Iterator[Block]:
        silence = np.zeros(round(REST_S * self.sample_rate_hz), np.float32)
        whole = np.concatenate([silence, *(part for hz in self._notes_hz for part in (self._pluck(hz), silence))])
        for start in range(0, len(whole), BLOCK_FRAMES):
            # `_closed` is set when the source is closed: a source waits on it, and ends when it is set.
            if self._closed.wait(0.0 if self._fast else BLOCK_FRAMES / self.sample_rate_hz):
                return
            yield self._block(whole[start : start + BLOCK_FRAMES, np.newaxis])

    def _pluck(self, hz: float) -> np.ndarray:
        """Return twelve partials of a stiff string; higher ones decay faster."""
        time_s = np.arange(round(NOTE_S * self.sample_rate_hz)) / self.sample_rate_hz
        tone = np.zeros(len(time_s))
        for k in range(1, 13):
            partial_hz = k * hz * np.sqrt(1.0 + STIFFNESS * k * k)
            size = 0.2 * np.sin(k * np.pi / 5.3) / k
            tone += size * np.sin(2.0 * np.pi * partial_hz * time_s) * np.exp(-time_s * (0.6 + 0.15 * k))
        return np.asarray(tone, np.float32)

    def _release(self) -> None:
        """Do nothing: there is no device and no file."""
