"""A row for each string: its error as found and as left, or its change, on a line with the right pitch in the middle.

The mark in a row is the value, its whisker one standard error either way, and the band the tolerance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from oscservice.report.drawing import (
    DASHED,
    DOTTED,
    LIGHT,
    NARROW_PX,
    PIECE_PX,
    SMALL_PX,
    WIDE_PX,
    Entry,
    arrow,
    dot,
    line,
    marked,
    name_string,
    nice_above,
    nice_below,
    panel_grid,
)
from oscservice.report.facts import Facts, StringFact, Value
from oscservice.sentences.plural import counted
from oscservice.session.vocabulary import Check, Drift

_BETWEEN_PX = 30.0
_LABEL_PX = 54.0
_MOST_FINE, _LEAST_LIMIT_CENTS = 10.0, 5.0  # drawn: at most so many times the tolerance, or so many cents


@dataclass(frozen=True)
class StringRow:
    """One string: its value before and after (None if unknown), and whether it is clearly off."""

    string: int
    note: str
    before: Value | None
    after: Value | None
    off: bool
    remark: str


@dataclass(frozen=True)
class Panel:
    """Rows of one quantity: heading, label of the middle, rows, and the tolerance in cents either way."""

    heading: str
    middle: str
    rows: tuple[StringRow, ...]
    fine_cents: float

    @property
    def limit_cents(self) -> float:
        """The largest value that is drawn, either way."""
        values = [one for row in self.rows for one in (row.before, row.after) if one is not None]
        most = max([abs(one.value) + one.se for one in values], default=0.0)
        limit = max(_MOST_FINE * self.fine_cents, _LEAST_LIMIT_CENTS)
        return nice_above(min(max(most, 3.0 * self.fine_cents), limit))


def panels_of(facts: Facts) -> tuple[Panel, ...]:
    """Return the panels: errors as found and as left in a set-up, both kinds of drift in a quick check."""
    overview = facts.overview
    if facts.quick:
        tuning = tuple(_drift(one, Drift.TUNING) for one in facts.results)
        intonation = tuple(_drift(one, Drift.INTONATION) for one in facts.results)
        return (
            Panel("change of the open string", "none", tuning, overview.tuning_cents),
            Panel(f"change of fret {overview.fret} compared with open", "none", intonation, overview.tolerance_cents),
        )
    rows = tuple(_at(one, overview.fret, overview.tolerance_cents) for one in facts.results)
    return (Panel(f"error at fret {overview.fret}", "in tune", rows, overview.tolerance_cents),)


def draw(facts: Facts, *, wide: bool) -> Figure:
    """Return the drawing: panels side by side on a wide page, one below the other on a narrow one.

    Call within ``drawing.style``.
    """
    panels = panels_of(facts)
    width_px, across = (WIDE_PX, len(panels)) if wide else (NARROW_PX, 1)
    tall = 24.0 + len(panels[0].rows) * _BETWEEN_PX + 38.0
    figure, axes, places = panel_grid(_key(panels), len(panels), width_px, across, tall)
    for panel, (left, top) in zip(panels, places, strict=True):
        _panel(axes, panel, left, top, width_px / across - 16.0 * (across > 1))
    return figure


def _at(one: StringFact, fret: int, tolerance_cents: float) -> StringRow:
    at = one.at(fret)
    found, left = (None, None) if at is None else (at.found, at.left)
    off = left is not None and marked(left.value, left.se, tolerance_cents)
    remark = "not compared" if at is None else "" if one.heard else "expected"
    return StringRow(one.string, one.note, found, left, off, remark)


def _drift(one: StringFact, kind: Drift) -> StringRow:
    """Return the row of one kind of drift in a quick check."""
    check = one.check
    if check is None:
        return StringRow(one.string, one.note, None, None, False, "not checked")
    value = check.tuning if kind is Drift.TUNING else check.intonation
    off = check.verdict == Check.DRIFTED and check.what in (kind, Drift.BOTH)
    return StringRow(one.string, one.note, None, value, off, "")


def _panel(axes: Axes, panel: Panel, left: float, top: float, width: float) -> None:
    limit = panel.limit_cents
    start, stop = left + _LABEL_PX + 8.0, left + width - 14.0
    middle, cent_px = (start + stop) / 2.0, (stop - start) / 2.0 / limit
    first, last = top + 24.0, top + 24.0 + len(panel.rows) * _BETWEEN_PX
    axes.text(middle, top + 12.0, panel.heading, ha="center", weight="bold", size=SMALL_PX)
    fine = panel.fine_cents * cent_px
    axes.fill(
        [middle - fine, middle + fine, middle + fine, middle - fine],
        [first, first, last, last],
        color=LIGHT.band,
        lw=0.0,
    )
    for x in (middle - fine, middle + fine):
        line(axes, [(x, first), (x, last)], color=LIGHT.line, lw=0.9, ls=DOTTED)
    line(axes, [(middle, first), (middle, last)], color=LIGHT.line, lw=0.9)
    step = nice_below(limit / 1.9)
    for mark in range(-int(limit / step), int(limit / step) + 1):
        x = middle + mark * step * cent_px
        line(axes, [(x, last), (x, last + 4.0)], color=LIGHT.line, lw=0.9)
        text = f"{mark * step:+g}".replace("-", "−") if mark else panel.middle
        axes.text(x, last + 17.0, text, ha="center", size=SMALL_PX)
    axes.text(start, last + 31.0, "flat", size=SMALL_PX, color=LIGHT.soft)
    axes.text(stop, last + 31.0, "sharp, cents", ha="right", size=SMALL_PX, color=LIGHT.soft)
    for number, row in enumerate(panel.rows):
        y = first + (number + 0.5) * _BETWEEN_PX
        name_string(axes, left + 2.0, y + 4.0, row.string, row.note)
        _row(axes, row, y, middle, cent_px, limit)


def _row(axes: Axes, row: StringRow, y: float, middle: float, cent_px: float, limit: float) -> None:
    def place(cents: float) -> float:
        return middle + max(-limit, min(limit, cents)) * cent_px

    if row.before is not None and row.after is not None:
        line(axes, [(place(row.before.value), y), (place(row.after.value), y)], color=LIGHT.before, lw=1.2, ls=DASHED)
    for value, colour, hollow in ((row.before, LIGHT.before, True), (row.after, LIGHT.after, False)):
        if value is None:
            continue
        x = place(value.value)
        if abs(value.value) > limit:
            arrow(axes, x, y, -math.copysign(90.0, value.value), colour=colour, size=10.0)
            continue
        line(axes, [(place(value.value - value.se), y), (place(value.value + value.se), y)], color=colour, lw=2.0)
        dot(axes, x, y, colour=colour, hollow=hollow)
    if row.after is not None and row.off:
        arrow(axes, place(row.after.value), y - 10.0, -math.copysign(90.0, row.after.value))
    if row.remark:
        x = middle if row.after is None else place(row.after.value) + (14.0 if row.after.value < 0.0 else -14.0)
        align = "center" if row.after is None else "left" if row.after.value < 0.0 else "right"
        below = 4.0 if row.after is None else -7.0
        ground = {"fc": LIGHT.paper, "lw": 0.0, "pad": 2.0}
        axes.text(x, y + below, row.remark, ha=align, size=SMALL_PX, color=LIGHT.soft, bbox=ground)


def _key(panels: Sequence[Panel]) -> list[Entry]:
    rows = [row for panel in panels for row in panel.rows]

    def after(axes: Axes, x: float, y: float) -> None:
        line(axes, [(x, y), (x + PIECE_PX, y)], color=LIGHT.after, lw=2.0)
        dot(axes, x + PIECE_PX / 2.0, y)

    def before(axes: Axes, x: float, y: float) -> None:
        line(axes, [(x, y), (x + PIECE_PX, y)], color=LIGHT.before, lw=2.0)
        dot(axes, x + PIECE_PX / 2.0, y, colour=LIGHT.before, hollow=True)

    def fine(axes: Axes, x: float, y: float) -> None:
        axes.fill([x, x + PIECE_PX, x + PIECE_PX, x], [y - 6.0, y - 6.0, y + 6.0, y + 6.0], color=LIGHT.band, lw=0.0)
        for at in (x, x + PIECE_PX):
            line(axes, [(at, y - 6.0), (at, y + 6.0)], color=LIGHT.line, lw=0.9, ls=DOTTED)

    def off(axes: Axes, x: float, y: float) -> None:
        arrow(axes, x + PIECE_PX / 2.0, y, -90.0)

    drift = len(panels) > 1
    entries = [Entry("change, ± 1 sd" if drift else "as left, ± 1 sd", after)]
    if any(row.before is not None for row in rows):
        entries.append(Entry("as found, ± 1 sd", before))
    limits = " and ± ".join(counted(panel.fine_cents, "cent") for panel in panels)
    entries.append(Entry(f"{'limit' if drift else 'tolerance'} ± {limits}", fine))
    if any(row.off for row in rows):
        entries.append(Entry("drifted" if drift else "clearly beyond it", off))
    return entries
