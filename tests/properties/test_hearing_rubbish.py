"""Whatever an input delivers is a note with a doubt, or refused: no other error, no warning, no absurd number."""

from __future__ import annotations

import math
import warnings

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice import read_note, window_pitch
from oscservice.errors import NoNoteError

RATE_HZ = 48000.0


def rubbish(seed: int) -> np.ndarray:
    """Clicks, steps, bursts, chirps, square waves and notes, cut off and laid over each other; 20 ms to 1.5 s."""
    draw = np.random.default_rng(seed)
    count = int(draw.uniform(0.02, 1.5) * RATE_HZ)
    sound = np.zeros(count)
    for _ in range(draw.integers(1, 5)):
        start, end = np.sort(draw.integers(0, count, 2))
        time = np.arange(end - start) / RATE_HZ
        turns = np.exp(draw.uniform(np.log(20.0), np.log(2000.0))) * time
        fade = np.exp(-time / np.exp(draw.uniform(np.log(1e-3), np.log(1.0))))
        loud = 10.0 ** draw.uniform(-4.0, 0.0)
        harmonics = sum(np.sin(2.0 * np.pi * k * turns) / k for k in range(1, 8))
        pieces = (
            np.eye(1, len(time))[0],
            np.ones(len(time)),
            draw.standard_normal(len(time)) * fade,
            np.sin(2.0 * np.pi * turns * (1.0 + time)),
            np.sign(np.sin(2.0 * np.pi * turns)) * fade,
            harmonics * fade,
        )
        sound[start:end] += loud * pieces[draw.integers(len(pieces))]
        if draw.random() < 0.2:
            sound[start:end] *= draw.choice([0.0, -1.0, 0.01, 100.0])
    return sound


@settings(max_examples=60)
@given(seed=st.integers(0, 2**32 - 1))
def test_anything_is_a_note_with_a_doubt_or_refused(seed: int) -> None:
    sound = rubbish(seed)
    for read in (read_note, window_pitch):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                found = read(sound, RATE_HZ)
            except NoNoteError:
                continue
        assert 10.0 < found.f1_hz < 3000.0
        assert found.se_cents > 0.0
        assert not math.isnan(found.se_cents)
