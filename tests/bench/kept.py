"""Accuracy of second readings from kept notes: streams of a simulated guitar, and recorded notes if there are any.

Each note is cut out of its stream as the daemon keeps it, rounded to 24 bits, packed, unpacked and read by a listener
of its own. Recorded notes are those of the folder that OSCSERVICE_RECORDINGS names, one after another.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1]))

from note_streams import RATE_HZ, notes_of, stream

from oscservice.hearing.listener import Listener, NoteHeard
from oscservice.instrument.pitch import cents_between
from oscservice.record.kept_sound import flac, unpacked
from oscservice.record.remeasurement import heard_again

NOTES = 18
REST_S = 0.4

STREAMS = {
    "stopped by hand": {"seed": 1, "gap_s": 0.6, "ring_s": 2.4},
    "ringing on into the next": {"seed": 2, "gap_s": 0.0, "ring_s": 3.5},
    "ringing on, hum at -45 dBFS": {"seed": 3, "gap_s": 0.0, "ring_s": 2.6, "hum_dbfs": -45.0},
    "0.12 s of quiet, hum at -55": {"seed": 4, "gap_s": 0.12, "ring_s": 2.0, "hum_dbfs": -55.0, "noise_dbfs": -70.0},
    "noise at -52, hum at -50 dBFS": {"seed": 5, "gap_s": 0.6, "ring_s": 2.4, "hum_dbfs": -50.0, "noise_dbfs": -52.0},
}


def recorded(folder: Path) -> tuple[NDArray[np.float32], int]:
    """Recorded notes one after another, digital silence between, shape (n,), and the rate of the first in Hz; those of
    another rate are left out."""
    parts, rate_hz = [np.zeros(0, dtype=np.float32)], 0
    for path in sorted(folder.glob("*.flac")):
        samples, its_hz = soundfile.read(path, dtype="float32", always_2d=True)
        rate_hz = rate_hz or int(its_hz)
        if its_hz == rate_hz:
            parts += [np.zeros(round(REST_S * rate_hz), dtype=np.float32), samples[:, 0]]
    return np.concatenate(parts), rate_hz


def row(name: str, samples: NDArray[np.float32], rate_hz: int = RATE_HZ) -> str:
    """One line of the table."""
    cents, shares, sizes, lost = [], [], [], 0
    for event, kept in notes_of(samples, rate_hz=rate_hz):
        file = flac(kept)
        again = heard_again(unpacked(file)[0], kept.sound, ())
        sizes.append(len(file) / 1000.0)
        if isinstance(again, str):
            lost += 1
            continue
        cents.append(abs(cents_between(again.f1_hz, event.reading.f1_hz)))
        shares.append(cents[-1] / event.reading.se_cents)
    found = f"{np.median(cents):.6f} | {max(cents):.4f} | {max(shares):.3f} | {np.mean(sizes):.0f}"
    return f"| {name} | {len(cents)} | {lost} | {found} |"


def cost(samples: NDArray[np.float32]) -> float:
    """Processor time of listening with keeping over that without, in one run, the two by turns."""
    spent = {True: 0.0, False: 0.0}
    for _ in range(3):
        for keep in (False, True):
            began = time.process_time()
            if keep:
                for _ in notes_of(samples):
                    pass
            else:
                listener = Listener(RATE_HZ)
                for start in range(0, len(samples), 1024):
                    _ = [one for one in listener.feed(samples[start : start + 1024]) if isinstance(one, NoteHeard)]
            spent[keep] += time.process_time() - began
    return spent[True] / spent[False]


def main() -> None:
    """Print the table."""
    print("| stream | notes | not found again | median change (cents) | worst | worst, in its se | kB a note |")
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    for name, how in STREAMS.items():
        print(row(name, stream(notes=NOTES, **how)), flush=True)
    folder = os.environ.get("OSCSERVICE_RECORDINGS", "")
    if folder and len((found := recorded(Path(folder)))[0]):
        print(row("recorded notes", *found), flush=True)
    print(f"\nlistening and keeping takes {cost(stream(6, 0.4, 2.0, notes=6)):.3f} times what listening takes")


if __name__ == "__main__":
    main()
