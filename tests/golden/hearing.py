"""Golden readings: made-up notes of every kind, and what hearing reads in them.

``PYTHONPATH=.:tests python -m golden.hearing FOLDER OUT`` writes every reading of every ``.flac`` file of a folder to a
text file, numbers as hexadecimal floats: two versions of the program that hear alike write the same file.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from golden.stored import plain
from made_sound import synthetic_note
from numpy.typing import NDArray

from oscservice.errors import NoNoteError
from oscservice.hearing.listener import Listener, LiveReading, NoteDismissed, NoteHeard
from oscservice.hearing.reading import read_note, window_pitch

_USUAL: dict[str, Any] = {"seconds": 2.5, "pluck_s": 0.3, "noise_dbfs": -75.0, "stray_cents": 0.4, "attack_noise": 0.3}
_BEATING: dict[str, Any] = {"polarisation_split_cents": 1.5, "polarisation_share": 0.35}
_HUM: dict[str, Any] = {"hum_dbfs": -50.0}
_HARD: dict[str, Any] = {"level_dbfs": -6.0, "glide_cents": 22.0, "glide_tau_s": 0.4}
_SOFT: dict[str, Any] = {"level_dbfs": -42.0, "noise_dbfs": -70.0}

NOTES: dict[str, dict[str, Any]] = {
    "low b": {"f1_hz": 30.87, "inharmonicity": 1.2e-4},
    "low b hard": {"f1_hz": 30.87, "inharmonicity": 1.2e-4, **_HARD},
    "low e bass": {"f1_hz": 41.2, "inharmonicity": 2e-4, **_HUM},
    "seventh string": {"f1_hz": 61.7, "inharmonicity": 1.5e-4, **_BEATING},
    "low e": {"f1_hz": 82.4},
    "low e hard": {"f1_hz": 82.6, **_HARD},
    "low e soft": {"f1_hz": 82.3, **_SOFT},
    "low e hum": {"f1_hz": 82.41, **_HUM},
    "low e 60 hz hum": {"f1_hz": 82.41, "hum_hz": 60.0, **_HUM},
    "low e at 12": {"f1_hz": 165.2, "inharmonicity": 4e-4},
    "a on the hum": {"f1_hz": 100.2, **_HUM},
    "a beating": {"f1_hz": 110.0, **_BEATING},
    "d": {"f1_hz": 146.8, "inharmonicity": 2.5e-4, "glide_cents": 6.0},
    "d beating hard": {"f1_hz": 146.8, **_BEATING, **_HARD},
    "g plain": {"f1_hz": 196.0, "inharmonicity": 3e-4, "polarisation_split_cents": -0.8},
    "g at 12": {"f1_hz": 393.1, "inharmonicity": 9e-4},
    "b": {"f1_hz": 246.9, "inharmonicity": 6e-5, "glide_cents": 3.0},
    "high e": {"f1_hz": 329.6, "inharmonicity": 2e-5},
    "high e short": {"f1_hz": 329.6, "inharmonicity": 2e-5, "seconds": 0.8},
    "high e at 12": {"f1_hz": 660.1, "inharmonicity": 8e-5, **_HUM},
    "high e at 17": {"f1_hz": 881.0, "inharmonicity": 1.4e-4, "decay_s": 0.8},
    "high e at 24": {"f1_hz": 1319.5, "inharmonicity": 3e-4, "decay_s": 0.5, "sample_rate_hz": 96000.0},
    "quickly gone": {"f1_hz": 220.0, "decay_s": 0.25, "decay_per_partial": 0.4, "sample_rate_hz": 44100.0},
    "noisy": {"f1_hz": 130.8, "noise_dbfs": -45.0, "level_dbfs": -25.0},
}


def note(name: str) -> tuple[NDArray[np.float64], float]:
    """A note's samples and their rate."""
    how = {**_USUAL, "seed": list(NOTES).index(name), **NOTES[name]}
    return synthetic_note(**how)[0], how.get("sample_rate_hz", 48000.0)


def found_in(samples: NDArray[np.float64], rate_hz: float) -> dict[str, Any]:
    """Everything that hearing finds in samples: the whole note's reading, the pitch of a window, and what a listener
    hears, its live values summed up by the last."""
    found: dict[str, Any] = {"note": _note(samples, rate_hz)}
    start = int(0.8 * rate_hz)
    found["window"] = _window(samples[start : start + int(0.5 * rate_hz)], rate_hz)
    listener = Listener(rate_hz)
    events = listener.feed(samples) + listener.finish()
    found["heard"] = [plain(one) for one in events if isinstance(one, NoteHeard | NoteDismissed)]
    live = [one for one in events if isinstance(one, LiveReading)]
    found["live"] = {"count": len(live), "last": plain(live[-1]) if live else None}
    return found


def _note(samples: NDArray[np.float64], rate_hz: float) -> Any:
    try:
        return plain(read_note(samples, rate_hz))
    except NoNoteError as error:
        return str(error)


def _window(samples: NDArray[np.float64], rate_hz: float) -> Any:
    try:
        return plain(window_pitch(samples, rate_hz))
    except NoNoteError as error:
        return str(error)


def hexadecimal(value: Any, path: str) -> Iterator[str]:
    """Every leaf of a plain value as a line, floats to the last bit."""
    if isinstance(value, dict):
        for key, one in value.items():
            yield from hexadecimal(one, f"{path} {key}")
    elif isinstance(value, list):
        for index, one in enumerate(value):
            yield from hexadecimal(one, f"{path} {index}")
    else:
        text = value.hex() if isinstance(value, float) and math.isfinite(value) else json.dumps(value)
        yield f"{path}: {text}"


def main(folder: Path, out: Path) -> None:
    """Write what is heard in every recording of a folder."""
    with out.open("w", encoding="utf-8") as file:
        for path in sorted(folder.glob("*.flac")):
            samples, rate_hz = soundfile.read(path)
            file.writelines(f"{line}\n" for line in hexadecimal(found_in(samples, rate_hz), path.name))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
