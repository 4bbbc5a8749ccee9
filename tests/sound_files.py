"""A made-up archive: short notes of invented strings, written as sound files."""

from __future__ import annotations

from pathlib import Path

import soundfile
from made_sound import synthetic_note

from oscservice.archive.measure_many import Wanted

STRINGS_HZ = (329.63, 246.94, 196.0, 146.83, 110.0, 82.41)


def note(path: Path, f1_hz: float = 110.0, *, seconds: float = 0.9, seed: int = 0, rate_hz: int = 16000) -> Path:
    """One note as a sound file of the kind its name ends in."""
    samples, _ = synthetic_note(
        f1_hz=f1_hz, sample_rate_hz=rate_hz, seconds=seconds, glide_cents=3.0, noise_dbfs=-75.0, seed=seed
    )
    soundfile.write(path, samples, rate_hz, subtype="PCM_16")
    return path


def archive(folder: Path, count: int) -> list[Wanted]:
    """So many notes, each on a pitch and with a seed of its own, the pitch expected."""
    folder.mkdir(exist_ok=True)
    wanted = []
    for n in range(count):
        f1_hz = STRINGS_HZ[n % len(STRINGS_HZ)] * 2.0 ** (0.003 * n / 12.0)
        wanted.append(Wanted(note(folder / f"{n:03}.wav", f1_hz, seed=n), (f1_hz,)))
    return wanted
