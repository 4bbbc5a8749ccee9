"""Part 3: how long after the pluck the listener gives out a live value within one cent of the momentary pitch."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from made_sound import NoteTruth, synthetic_note
from tables import Printer

from oscservice.hearing.listener import Listener, LiveReading

RATE_HZ = 48000.0
NOTES = {"B0": 30.87, "E2": 82.41, "E4": 329.63}
CLOSE_CENTS = 1.0
BLOCK = 64
SECONDS_HEARD = 1.5


@dataclass(frozen=True)
class Delay:
    """Seconds from the pluck to the first close value, and to the first from which all are close; inf for never."""

    first_s: float
    stays_s: float
    values: int


def one_note(note_hz: float, draw: np.random.Generator, *, told: bool) -> Delay:
    """One pluck with a glide of 5 cents: phase against the listener's hops, place, level and noise are drawn."""
    pluck_s = 0.5 + float(draw.uniform(0.0, 0.05))
    f1_hz = note_hz * 2.0 ** (float(draw.uniform(-40.0, 40.0)) / 1200.0)
    level_dbfs = float(draw.uniform(-30.0, -10.0))
    samples, truth = synthetic_note(
        f1_hz=f1_hz,
        inharmonicity=float(np.exp(draw.uniform(np.log(3e-5), np.log(3e-4)))),
        sample_rate_hz=RATE_HZ,
        seconds=pluck_s + SECONDS_HEARD,
        pluck_s=pluck_s,
        glide_cents=5.0,
        glide_tau_s=0.8,
        decay_s=2.0 * (f1_hz / 82.4) ** -0.3,
        level_dbfs=level_dbfs,
        noise_dbfs=level_dbfs - float(draw.uniform(40.0, 60.0)),
        attack_noise=0.3,
        pluck_position=float(draw.uniform(0.06, 0.3)),
        pickup_position=float(draw.uniform(0.06, 0.25)),
        seed=int(draw.integers(1 << 31)),
    )
    return _delay(samples, truth, note_hz if told else None)


def _delay(samples: np.ndarray, truth: NoteTruth, expected_hz: float | None) -> Delay:
    listener = Listener(RATE_HZ)
    if expected_hz is not None:
        listener.expect((expected_hz,))
    first_s, stays_s, values = math.inf, math.inf, 0
    for start in range(0, len(samples), BLOCK):
        end = min(start + BLOCK, len(samples))
        for event in listener.feed(samples[start:end]):
            if not isinstance(event, LiveReading):
                continue
            values += 1
            momentary_hz = truth.heard_hz(max(event.time_s, truth.pluck_s))
            given_s = end / RATE_HZ - truth.pluck_s
            if abs(1200.0 * math.log2(event.hz / momentary_hz)) <= CLOSE_CENTS:
                first_s, stays_s = min(first_s, given_s), min(stays_s, given_s)
            else:
                stays_s = math.inf
    return Delay(first_s, stays_s, values)


def measure(plucks: int, seed: int, printer: Printer) -> None:
    """Print the table from so many plucks of each note, with and without the note being asked for."""
    printer.heading(f"Live values: milliseconds from the pluck to within {CLOSE_CENTS:.0f} cent of the momentary pitch")
    printer.remark(
        f"{plucks} plucks a row: a glide of 5 cents (0.8 s), level -30 to -10 dBFS, noise 40 to 60 dB below, attack "
        f"noise. Blocks of {BLOCK} frames at {RATE_HZ / 1000:.0f} kHz; a value is given at the end of its block and "
        f"compared with the pitch of the time it is for. 'First': the first close value; 'stays': from there all "
        f"values of {SECONDS_HEARD} s are close."
    )
    rows = []
    for name, note_hz in NOTES.items():
        for told in (True, False):
            draw = np.random.default_rng((seed, round(100 * note_hz)))  # the same plucks told and not told
            delays = [one_note(note_hz, draw, told=told) for _ in range(plucks)]
            first, stays = (
                [1000.0 * s for s in column] for column in zip(*((d.first_s, d.stays_s) for d in delays), strict=True)
            )
            rows.append(
                [
                    name,
                    "yes" if told else "no",
                    *(_ms(v) for v in (float(np.median(first)), max(first), float(np.median(stays)), max(stays))),
                    str(sum(math.isinf(s) for s in stays)),
                    f"{float(np.median([d.values for d in delays])) / SECONDS_HEARD:.1f}",
                ]
            )
    columns = (
        "note",
        "asked for",
        "first, median",
        "worst",
        "stays, median",
        "worst",
        "never stays",
        "values a second",
    )
    printer.table(columns, rows)


def _ms(value: float) -> str:
    return f"{value:.0f}" if math.isfinite(value) else "never"
