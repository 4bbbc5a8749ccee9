"""Golden vectors of hearing: made-up notes, and what they were read as. ``python tests/hearing_vectors.py`` makes them.

A note covers one thing that estimators differ in: low and high, a glide, a beat, strays, hum, noise, a short note, a
weak first partial, clipping, other sample rates.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from made_sound import synthetic_note
from scipy.signal import butter, sosfilt

from oscservice.hearing import ESTIMATOR
from oscservice.hearing.listener import Listener, NoteHeard

FILE = Path(__file__).with_suffix(".json")

NOTES: dict[str, dict[str, Any]] = {
    "plain": {"f1_hz": 110.0, "noise_dbfs": -85.0},
    "low B": {"f1_hz": 30.868, "inharmonicity": 3e-4, "seconds": 4.0, "noise_dbfs": -80.0, "seed": 1},
    "fret 24 of the highest string": {"f1_hz": 1318.51, "decay_s": 0.8, "noise_dbfs": -75.0, "seed": 2},
    "glide": {"f1_hz": 82.41, "glide_cents": 12.0, "noise_dbfs": -80.0, "seed": 3},
    "beat": {
        "f1_hz": 246.94,
        "polarisation_split_cents": 1.5,
        "polarisation_share": 0.4,
        "polarisation_decay": 1.3,
        "glide_cents": 3.0,
        "noise_dbfs": -75.0,
        "seed": 4,
    },
    "strays": {"f1_hz": 146.83, "stray_cents": 1.0, "glide_cents": 4.0, "noise_dbfs": -75.0, "seed": 5},
    "hum": {"f1_hz": 61.74, "hum_hz": 60.0, "hum_dbfs": -50.0, "glide_cents": 6.0, "noise_dbfs": -75.0, "seed": 6},
    "noise": {"f1_hz": 196.0, "noise_dbfs": -50.0, "glide_cents": 4.0, "attack_noise": 0.5, "seed": 7},
    "short": {"f1_hz": 329.63, "seconds": 0.5, "noise_dbfs": -75.0, "seed": 8},
    "weak first partial": {"f1_hz": 82.41, "glide_cents": 3.0, "noise_dbfs": -80.0, "seed": 9},
    "clipped": {"f1_hz": 110.0, "level_dbfs": -8.0, "decay_s": 1.0, "glide_cents": 8.0, "noise_dbfs": -75, "seed": 10},
    "44.1 kHz": {"f1_hz": 220.0, "sample_rate_hz": 44100.0, "glide_cents": 2.0, "noise_dbfs": -75.0, "seed": 11},
    "96 kHz": {"f1_hz": 659.26, "sample_rate_hz": 96000.0, "glide_cents": 1.0, "noise_dbfs": -75.0, "seed": 12},
    "16 kHz": {"f1_hz": 98.0, "sample_rate_hz": 16000.0, "noise_dbfs": -75.0, "seed": 13},
}


def readings() -> dict[str, dict[str, Any]]:
    """Each note's reading, field by field, as the listener of a recording gives it."""
    found = {}
    for name, note in NOTES.items():
        rate_hz = note.get("sample_rate_hz", 48000.0)
        samples, _ = synthetic_note(**note)
        if name == "weak first partial":
            samples = sosfilt(butter(6, 4.0 * note["f1_hz"], "highpass", fs=rate_hz, output="sos"), samples)
        listener = Listener(rate_hz, live=False)
        events = [*listener.feed(np.clip(samples, -1.0, 1.0).astype(np.float32)), *listener.finish()]
        (heard,) = [event for event in events if isinstance(event, NoteHeard)]
        found[name] = json.loads(json.dumps(asdict(heard.reading)))
    return found


if __name__ == "__main__":
    FILE.write_text(json.dumps({"estimator": ESTIMATOR, "readings": readings()}, indent=1) + "\n", encoding="utf-8")
