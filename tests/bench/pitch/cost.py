"""Part 4: what the whole listener costs: processor time a second of audio, and memory over an hour."""

from __future__ import annotations

import gc
import os
import time
from pathlib import Path

import numpy as np
from made_sound import synthetic_note
from numpy.typing import NDArray
from tables import Printer

from oscservice.hearing.listener import Listener, LiveReading, NoteHeard

RATE_HZ = 48000.0
BLOCK = 480
STRINGS_HZ = (329.63, 246.94, 196.0, 146.83, 110.0, 82.41)
EVERY_S = 4.0


def a_minute(seed: int) -> NDArray[np.float32]:
    """Fifteen plucks, one every four seconds, up and down the strings, open and fretted, in noise 60 dB below."""
    draw = np.random.default_rng(seed)
    plucks = []
    for i in range(round(60.0 / EVERY_S)):
        semitones = float(draw.choice([0.0, 12.0]) + draw.uniform(-0.2, 0.2))
        f1_hz = STRINGS_HZ[i % len(STRINGS_HZ)] * 2.0 ** (semitones / 12.0)
        note, _ = synthetic_note(
            f1_hz=f1_hz,
            sample_rate_hz=RATE_HZ,
            seconds=EVERY_S,
            pluck_s=0.4,
            glide_cents=5.0,
            polarisation_split_cents=0.5,
            polarisation_decay=1.3,
            decay_s=2.0 * (f1_hz / 82.4) ** -0.3,
            level_dbfs=-18.0,
            attack_noise=0.3,
            seed=seed * 1000 + i,
        )
        # A hand damps it over the last tenth of a second.
        hand = round(0.1 * RATE_HZ)
        note[-hand:] *= np.cos(np.linspace(0.0, np.pi / 2.0, hand)) ** 2
        plucks.append(note)
    minute = np.concatenate(plucks)
    return (minute + 10.0 ** (-78.0 / 20.0) * draw.standard_normal(len(minute))).astype(np.float32)


def _feed(listener: Listener, minute: NDArray[np.float32]) -> tuple[int, int]:
    """Feed a minute in blocks; the numbers of readings and of live values."""
    readings = values = 0
    for start in range(0, len(minute), BLOCK):
        for event in listener.feed(minute[start : start + BLOCK]):
            readings += isinstance(event, NoteHeard)
            values += isinstance(event, LiveReading)
    return readings, values


def measure(seed: int, printer: Printer) -> None:
    """Print the processor time over a minute, and the longest block."""
    printer.heading(f"Processor time of the whole listener, one channel at {RATE_HZ / 1000:.0f} kHz")
    minute = a_minute(seed)
    rows = []
    for live in (True, False):
        _feed(Listener(RATE_HZ, live=live), minute[: round(8.0 * RATE_HZ)])  # loads what is loaded once
        listener = Listener(RATE_HZ, live=live)
        longest_s, readings, values = 0.0, 0, 0
        began = time.process_time()
        for start in range(0, len(minute), BLOCK):
            block_began = time.process_time()
            for event in listener.feed(minute[start : start + BLOCK]):
                readings += isinstance(event, NoteHeard)
                values += isinstance(event, LiveReading)
            longest_s = max(longest_s, time.process_time() - block_began)
        used_s = time.process_time() - began
        rows.append(
            [
                "with live values" if live else "without live values",
                f"{used_s / 60.0:.4f}",
                f"{1000.0 * longest_s:.0f}",
                str(readings),
                str(values),
            ]
        )
    printer.table(("a minute of 15 plucks", "CPU s/s", "longest block (ms)", "readings", "live values"), rows)


def resident_kb() -> int:
    """Memory of this process that is resident now, in kB, from /proc (Linux)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") // 1000


def measure_hour(seed: int, printer: Printer, minutes: int = 60) -> None:
    """Print the memory of the process after some minutes of audio and after the last; nothing else runs in it."""
    printer.heading(f"Memory of the process, one listener over {minutes} minutes of audio")
    if not Path("/proc/self/statm").exists():
        printer.remark("Left out: this system has no /proc/self/statm.")
        return
    minute = a_minute(seed)
    listener = Listener(RATE_HZ)
    held_kb: list[int] = []
    heard: list[int] = []
    for _ in range(minutes):
        heard.append(_feed(listener, minute)[0] + (heard[-1] if heard else 0))
        gc.collect()
        held_kb.append(resident_kb())
    shown = sorted({min(m, minutes) for m in (1, 2, 5, 15, 30, 45, 60)})
    printer.table(("after minute", "kB", "readings"), [[str(m), str(held_kb[m - 1]), str(heard[m - 1])] for m in shown])
