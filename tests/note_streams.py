"""Streams of notes, and each note cut out of its stream as a daemon keeps it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from oscservice.audio.block import SampleRing
from oscservice.hearing.listener import Listener, NoteHeard
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN, Place
from oscservice.record.kept_sound import Stretch, stretch
from oscservice.simulate.guitar import Guitar

RATE_HZ = 48000


def stream(
    seed: int, gap_s: float, ring_s: float, notes: int = 8, hum_dbfs: float = -65.0, noise_dbfs: float = -75.0
) -> np.ndarray:
    """Notes one after another, shape (n,): each rings so long, then a hand stops it for ``gap_s`` (0: it rings on)."""
    guitar = Guitar.from_instrument(
        load_instrument("six-string-648"), seed=seed, hum_dbfs=hum_dbfs, noise_dbfs=noise_dbfs
    )
    draw = np.random.default_rng(seed)
    parts = [guitar.render(round(1.2 * RATE_HZ))]
    for _ in range(notes):
        place = OPEN if draw.random() < 0.5 else Place("fret", 12)
        guitar.pluck(int(draw.integers(1, 7)), place, damp_others=True)
        parts.append(guitar.render(round(ring_s * RATE_HZ)))
        if gap_s > 0.0:
            guitar.damp(None)
            parts.append(guitar.render(round(gap_s * RATE_HZ)))
    return np.concatenate(parts)[:, 0]


def notes_of(
    samples: np.ndarray, block: int = 1024, longest_s: float = 5.0, rate_hz: int = RATE_HZ
) -> Iterator[tuple[NoteHeard, Stretch]]:
    """Each note that is heard in the stream, and what is kept of it."""
    listener, ring = Listener(rate_hz), SampleRing(round(longest_s * rate_hz))
    for start in range(0, len(samples), block):
        ring.take(samples[start : start + block], start)
        for event in listener.feed(samples[start : start + block]):
            if isinstance(event, NoteHeard):
                first, held = ring.stretch(round(event.from_s * rate_hz), round(event.until_s * rate_hz))
                kept = stretch(held, rate_hz, event.onset_s - first / rate_hz, event.knew)
                assert kept is not None
                yield event, kept
