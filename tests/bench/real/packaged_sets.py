"""Packaged recordings: what the listener reads, and the first partial on a window against Praat on the same samples."""

from __future__ import annotations

import numpy as np
from packaged.packaged_recordings import (
    MissingRecordings,
    RecordedNote,
    freepats_notes,
    guitarsounds_notes,
    momentary_hz,
    readings,
)
from packaged.praat import first_partial_hz
from tables import Printer, number

from oscservice import window_pitch
from oscservice.errors import NoNoteError
from oscservice.hearing.listener import NoteDismissed

WRONG_CENTS = 50.0

_COLUMNS = (
    *("note", "Hz", "onset", "settled", "se", "string", "se", "B 1e-6", "se", "attack", "k"),
    *("window", "Praat", "apart", "live off", "flags"),
)


def report(printer: Printer, *, summary: bool) -> None:
    """Both sets."""
    for title, load in (("guitarsounds", guitarsounds_notes), ("freepats", freepats_notes)):
        try:
            notes = load()
        except MissingRecordings as missing:
            printer.remark(f"{title} left out: {missing}")
            continue
        _report_set(title, notes, printer, summary=summary)


def _report_set(title: str, notes: list[RecordedNote], printer: Printer, *, summary: bool) -> None:
    rows: list[list[str]] = []
    apart: list[float] = []
    reach: list[float] = []
    wrong: list[str] = []
    for note in notes:
        events = note.events()
        heard = readings(events)
        off = [note.off_cents(each.reading.f1_hz) for each in heard]
        if len(heard) != 1 or abs(off[0]) > WRONG_CENTS:
            reasons = [f"{event.onset_s:.2f} s: {event.reason}" for event in events if isinstance(event, NoteDismissed)]
            wrong.append(f"{note.name}: {len(heard)} readings {[round(c) for c in off]}; {'; '.join(reasons)}")
            continue
        reading, onset_s = heard[0].reading, heard[0].onset_s
        window = note.window(onset_s)
        praat_hz = first_partial_hz(window, note.rate_hz, note.nominal_hz)
        try:
            ours = note.off_cents(window_pitch(window, note.rate_hz).f1_hz)
        except NoNoteError as reason:
            wrong.append(f"{note.name}: window: {reason}")
            ours = float("nan")
        praat = note.off_cents(praat_hz) if praat_hz is not None else float("nan")
        live = np.abs([note.off_cents(hz) for hz in momentary_hz(events)])
        apart.append(abs(ours - praat))
        reach.append(abs(off[0] - ours))
        rows.append(
            [
                note.name,
                number(note.nominal_hz, 1),
                number(onset_s, 3),
                *(number(v, 2) for v in (off[0], reading.se_cents)),
                *(number(v, 2) for v in (note.off_cents(reading.string_hz), reading.string_se_cents)),
                *(number(1e6 * v, 1) for v in (reading.inharmonicity, reading.inharmonicity_se)),
                number(reading.attack_cents, 1),
                ",".join(map(str, reading.partials)),
                *(number(v, 3) for v in (ours, praat, ours - praat)),
                f"{np.count_nonzero(live > WRONG_CENTS)}/{len(live)}",
                ", ".join(reading.flags),
            ]
        )
    sizes = [v for v in apart if np.isfinite(v)] or [float("nan")]
    worst = f"median {np.median(sizes):.3f}, 90 % {np.percentile(sizes, 90):.3f}, worst {max(sizes):.3f}"
    line = (
        f"{title}: {len(rows)} of {len(notes)} with one reading and the right note; window against Praat, cents apart: "
        f"{worst}; settled against window: median {np.nanmedian(reach):.2f}, worst {np.nanmax(reach):.2f}"
        if rows
        else f"{title}: none of {len(notes)} read"
    )
    if summary:
        print(line)
        return
    printer.heading(f"{title}: cents against the nominal pitch")
    printer.table(_COLUMNS, rows)
    printer.remark(line + ".")
    printer.remark(
        "Window: mean of the first partial 0.4 to 1.2 s after the pluck (short samples: 0.1 to 0.9 s); Praat on the "
        "same samples, band-passed to the first partial. "
        f"Live off: momentary values over {WRONG_CENTS:.0f} cents away."
    )
    for text in wrong:
        printer.remark(f"WRONG {text}")
