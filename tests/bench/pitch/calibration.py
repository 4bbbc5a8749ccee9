"""Part 5: whether the standard errors are true: errors divided by them should have a standard deviation of 1."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from notes import Note
from tables import Printer, number

from oscservice import read_note, window_pitch
from oscservice.errors import NoNoteError
from oscservice.hearing.listener import Listener, LiveReading

BLOCK = 480


@dataclass
class Scores:
    """Errors divided by their standard errors, and the standard errors."""

    what: str
    z: list[float] = field(default_factory=list)
    se: list[float] = field(default_factory=list)

    def add(self, error: float, se: float) -> None:
        """One estimate; one without a standard error (infinite) says nothing and is left out."""
        if math.isfinite(se) and se > 0.0:
            self.z.append(error / se)
            self.se.append(se)

    def row(self, digits: int) -> list[str]:
        """Its line in the table."""
        if not self.z:
            return [self.what, "0", *["-"] * 6]
        z = np.array(self.z)
        size = np.abs(z)
        return [
            self.what,
            str(len(z)),
            f"{math.sqrt(float(np.mean(z**2))):.2f}",
            f"{float(np.median(size)) / 0.6745:.2f}",
            f"{100.0 * float(np.mean(size <= 1.0)):.0f} %",
            f"{100.0 * float(np.mean(size <= 2.0)):.0f} %",
            f"{float(size.max()):.1f}",
            number(float(np.median(self.se)), digits),
        ]


def _cents(found_hz: float, true_hz: float) -> float:
    return 1200.0 * math.log2(found_hz / true_hz)


def measure(notes: Iterable[Note], printer: Printer) -> None:
    """Print the table over the notes."""
    window = Scores("mean over the window (cents)")
    settled = Scores("settled first partial (cents)")
    string = Scores("string pitch (cents)")
    stiffness = Scores("B")
    momentary = Scores("live values (cents)")
    first = Scores("first live value of a note (cents)")
    count = before = 0
    for note in notes:
        count += 1
        try:
            short = window_pitch(note.window, note.rate_hz, note.nominal_hz)
            window.add(_cents(short.f1_hz, note.window_hz), short.se_cents)
        except NoNoteError:
            pass
        try:
            reading = read_note(note.samples, note.rate_hz, note.nominal_hz)
            settled.add(_cents(reading.f1_hz, note.settled_hz), reading.se_cents)
            string.add(_cents(reading.string_hz, note.settled_hz), reading.string_se_cents)
            stiffness.add(reading.inharmonicity - note.truth.inharmonicity, reading.inharmonicity_se)
        except NoNoteError:
            pass
        values = _live(note)
        sounding = [live for live in values if live.time_s >= note.truth.pluck_s]
        before += len(values) - len(sounding)
        for i, live in enumerate(sounding):
            error = _cents(live.hz, note.truth.heard_hz(live.time_s))
            momentary.add(error, live.se_cents)
            if i == 0:
                first.add(error, live.se_cents)
    printer.heading(f"Errors divided by their standard errors, full set, {count} notes")
    printer.remark(
        "Were the errors normal and the standard errors true: RMS 1, middle (median size / 0.6745) 1, 68 % within one "
        "and 95 % within two. Partials stray from the law here; the errors of B and of the string pitch hold that too."
    )
    columns = ("estimate", "number", "RMS", "middle", "within 1", "within 2", "worst", "median 1 sd")
    digits = {stiffness.what: 8}
    every = (window, settled, string, stiffness, momentary, first)
    printer.table(columns, [scores.row(digits.get(scores.what, 4)) for scores in every])
    printer.remark(
        f"Live values given for times before the pluck (the hum taken for a note), not counted above: {before}."
    )


def _live(note: Note) -> list[LiveReading]:
    """The live values of one note, asked for."""
    listener = Listener(note.rate_hz)
    listener.expect((note.nominal_hz,))
    found: list[LiveReading] = []
    for start in range(0, len(note.samples), BLOCK):
        found += [
            event for event in listener.feed(note.samples[start : start + BLOCK]) if isinstance(event, LiveReading)
        ]
    return found
