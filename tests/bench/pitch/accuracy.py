"""Part 1: errors of ours and of the peers on the same notes, over the window and against the settled pitch."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
from notes import WINDOW_S, Note
from peers import INSTALL, Peer
from tables import Printer, number

import oscservice
from oscservice.errors import NoNoteError

WRONG_CENTS = 50.0
"""An error above this is another octave or partial, not a wrong reading of the right one."""

_COLUMNS = ("estimator", "median", "95 %", "worst", f"> {WRONG_CENTS:.0f} c", "refused", "CPU s/s")


@dataclass
class Score:
    """The result of one estimator: errors in cents from the window's mean pitch and from the settled pitch."""

    name: str
    ours: bool = False
    window_cents: list[float] = field(default_factory=list)
    settled_cents: list[float] = field(default_factory=list)
    refused: int = 0
    cpu_s: float = 0.0
    audio_s: float = 0.0

    def add(self, note: Note, call: Callable[[], float | None], audio_s: float) -> None:
        """Have one note read and note the errors and the processor time."""
        began = time.process_time()
        found_hz = call()
        self.cpu_s += time.process_time() - began
        self.audio_s += audio_s
        if found_hz is None:
            self.refused += 1
            return
        self.window_cents.append(1200.0 * float(np.log2(found_hz / note.window_hz)))
        self.settled_cents.append(1200.0 * float(np.log2(found_hz / note.settled_hz)))

    def quantiles(self, *, settled: bool) -> tuple[float, float, float]:
        """Median, 95th percentile and worst absolute error in cents; NaN when everything was refused."""
        errors = np.abs(self.settled_cents if settled else self.window_cents)
        if not len(errors):
            return float("nan"), float("nan"), float("nan")
        return float(np.median(errors)), float(np.percentile(errors, 95.0)), float(errors.max())

    def row(self, *, settled: bool) -> list[str]:
        """Its line in the table."""
        errors = np.abs(self.settled_cents if settled else self.window_cents)
        wrong = int(np.count_nonzero(errors > WRONG_CENTS))
        cells = [number(v) for v in self.quantiles(settled=settled)]
        return [self.name, *cells, str(wrong), str(self.refused), number(self.cpu_s / max(self.audio_s, 1e-9))]


def window_hz(note: Note, expected_hz: float | None) -> float | None:
    """Ours on the window; None for a refusal."""
    try:
        return oscservice.window_pitch(note.window, note.rate_hz, expected_hz).f1_hz
    except NoNoteError:
        return None


def settled_hz(note: Note, expected_hz: float | None) -> float | None:
    """Ours on the whole note; None for a refusal."""
    try:
        return oscservice.read_note(note.samples, note.rate_hz, expected_hz).f1_hz
    except NoNoteError:
        return None


def measure(notes: Iterable[Note], peers: Iterable[Peer]) -> list[Score]:
    """Everyone on every note. Ours first: told the note as the peers are, not told, and on the whole note."""
    told = Score("ours, window_pitch", ours=True)
    untold = Score("ours, without the expected note", ours=True)
    whole = Score("ours, read_note (whole note)", ours=True)
    scores = [(peer, Score(peer.name)) for peer in peers if peer.installed]
    length_s = WINDOW_S[1] - WINDOW_S[0]
    for number_of, note in enumerate(notes):
        if number_of == 0:  # loading and compilation at the first call don't count
            settled_hz(note, None)
            for peer, _ in scores:
                peer.estimate(note.window, note.rate_hz, note.nominal_hz)
        told.add(note, lambda n=note: window_hz(n, n.nominal_hz), length_s)  # type: ignore[misc]
        untold.add(note, lambda n=note: window_hz(n, None), length_s)  # type: ignore[misc]
        whole.add(note, lambda n=note: settled_hz(n, n.nominal_hz), len(note.samples) / note.rate_hz)  # type: ignore[misc]
        for peer, score in scores:
            score.add(
                note,
                lambda p=peer, n=note: p.estimate(n.window, n.rate_hz, n.nominal_hz),  # type: ignore[misc]
                length_s,
            )
    return [told, untold, whole, *(score for _, score in scores)]


def report(title: str, scores: list[Score], printer: Printer, missing: Iterable[Peer], *, glide: bool) -> None:
    """Print the tables of one set of notes; the settled pitch gets its own when the pitch moves."""
    told, untold, whole, *peers = scores
    count = len(told.window_cents) + told.refused
    printer.heading(f"{title}: {count} notes, mean pitch over {WINDOW_S[0]} to {WINDOW_S[1]} s, |error| in cents")
    ordered = sorted(peers, key=lambda score: score.quantiles(settled=False)[0])
    printer.table(_COLUMNS, [score.row(settled=False) for score in (told, untold, *ordered)])
    _compare(told, peers, printer, settled=False)
    if glide:
        printer.heading(f"{title}: settled pitch (glide gone, polarisations apart), |error| in cents")
        ordered = sorted(peers, key=lambda score: score.quantiles(settled=True)[0])
        printer.table(_COLUMNS, [score.row(settled=True) for score in (whole, told, *ordered)])
        _compare(whole, peers, printer, settled=True)
    absent = sorted({peer.module for peer in missing if not peer.installed})
    if absent:
        printer.remark(f"Not installed, left out: {', '.join(absent)}. Install with: {INSTALL}")


def _compare(ours: Score, peers: list[Score], printer: Printer, *, settled: bool) -> None:
    """Print the factor by which ours is better than the best peer at each quantile."""
    if not peers:
        return
    for i, what in enumerate(("median", "95th percentile", "worst")):
        best = min(peers, key=lambda score: score.quantiles(settled=settled)[i])
        theirs, mine = best.quantiles(settled=settled)[i], ours.quantiles(settled=settled)[i]
        ratio = theirs / mine if mine > 0.0 else float("inf")
        printer.remark(f"{what}: best peer {best.name} {theirs:.4f}, ours {mine:.4f}: {ratio:.2f} times better")
