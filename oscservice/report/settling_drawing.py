"""Drawing of settling pitch after each pluck, string by string: from the first tenth of a second to the settled pitch.

A pluck is a stroke from its attack to a mark: a ring for the open string, a square at a fret, a diamond for the
harmonic. Cents are from where the place is wanted. An upright line marks a move of the saddle.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from oscservice.report.drawing import (
    LIGHT,
    NARROW_PX,
    PIECE_PX,
    SMALL_PX,
    WIDE_PX,
    Entry,
    arrow,
    cents_scale,
    dot,
    line,
    name_string,
    panel_grid,
    usual_limits,
    width_px,
)
from oscservice.report.facts import Facts, MoveFact, PluckFact
from oscservice.report.report_text import signed_length
from oscservice.sentences.length_text import LengthUnit

_PANEL_PX = 118.0
_PLOT_PX = 78.0
_LABEL_PX = 34.0
_LEAST_CENTS, _MOST_CENTS = 3.0, 30.0
_USUAL = 0.95  # share of plucks that have to fit in


@dataclass(frozen=True)
class Drawn:
    """One string's plucks in order, and its moves: the number of plucks before each, and mm."""

    string: int
    note: str
    plucks: tuple[PluckFact, ...]
    moves: tuple[tuple[int, float], ...]


def drawn_of(facts: Facts) -> tuple[Drawn, ...]:
    """Return the strings that were plucked while they were compared."""
    found = []
    for one in facts.results:
        plucks = tuple(pluck for pluck in facts.plucks if pluck.string == one.string)
        if plucks:
            found.append(Drawn(one.string, one.note, plucks, _moves(plucks, facts.moves, one.string)))
    return tuple(found)


def draw(facts: Facts, *, wide: bool, lengths: LengthUnit = LengthUnit.MM) -> Figure:
    """Return the drawing for a wide page, two strings side by side, or a narrow one. Call within ``drawing.style``."""
    strings = drawn_of(facts)
    limits = limits_of(strings)
    whole_px, across = (WIDE_PX, 2) if wide else (NARROW_PX, 1)
    figure, axes, places = panel_grid(_key(strings), len(strings), whole_px, across, _PANEL_PX)
    most = max(len(one.plucks) for one in strings)
    for one, (left, top) in zip(strings, places, strict=True):
        _panel(axes, one, limits, most, left, top, whole_px / across - 14.0 * (across > 1), lengths)
    return figure


def _moves(plucks: Sequence[PluckFact], moves: Sequence[MoveFact], string: int) -> tuple[tuple[int, float], ...]:
    """Return the moves of a string's saddle: after how many of its plucks, and mm (nan if another string's move)."""
    own = [move.mm for move in moves if move.string == string and move.mm != 0.0]
    found = []
    steps = [(at, before.moves, after.moves) for at, (before, after) in enumerate(pairwise(plucks), start=1)]
    for at, before, after in steps:
        if after > before:
            mm = sum(own[before:after]) if len(own) >= after else math.nan
            found.append((at, mm))
    return tuple(found)


def limits_of(strings: Sequence[Drawn]) -> tuple[float, float]:
    """Return the lowest and highest cents to draw, the same for every string, without outliers."""
    plucks = [pluck for one in strings for pluck in one.plucks]
    lows = (pluck.pitch.value for pluck in plucks)
    highs = (pluck.pitch.value + max(0.0, pluck.attack_cents) for pluck in plucks)
    return usual_limits(lows, highs, _USUAL, _LEAST_CENTS, _MOST_CENTS)


def _panel(
    axes: Axes,
    one: Drawn,
    limits: tuple[float, float],
    most: int,
    left: float,
    top: float,
    width: float,
    lengths: LengthUnit,
) -> None:
    low, high = limits
    start, stop = left + _LABEL_PX, left + width - 4.0
    first, last = top + 24.0, top + 24.0 + _PLOT_PX
    cent_px = (last - first) / (high - low)
    step_px = (stop - start) / max(most, 8)

    def level(cents: float) -> float:
        return first + (high - max(low, min(high, cents))) * cent_px

    free = name_string(axes, left + 2.0, top + 14.0, one.string, one.note) + 10.0
    cents_scale(axes, (start, stop), limits, level)
    for at, mm in one.moves:
        x = start + at * step_px
        line(axes, [(x, first - 4.0), (x, last)], color=LIGHT.ink, lw=0.9)
        text = "moved" if math.isnan(mm) else f"{signed_length(mm, lengths)} {lengths}"
        begin = max(free, x - width_px(text) / 2.0)
        if begin + width_px(text) <= stop + 4.0:
            axes.text(begin, top + 14.0, text, size=SMALL_PX)
            free = begin + width_px(text) + 6.0
    size = min(7.0, max(4.0, step_px - 1.0))
    for at, pluck in enumerate(one.plucks):
        _pluck(axes, pluck, start + (at + 0.5) * step_px, level, limits, size)


def _pluck(
    axes: Axes, pluck: PluckFact, x: float, level: Callable[[float], float], limits: tuple[float, float], size: float
) -> None:
    settled = pluck.pitch.value
    began = settled + pluck.attack_cents
    y = level(settled)
    line(axes, [(x, level(began)), (x, y)], color=LIGHT.before, lw=1.5, solid_capstyle="butt")
    if not limits[0] <= settled <= limits[1]:
        arrow(axes, x, y, 0.0 if settled > 0.0 else 180.0, colour=LIGHT.after)
        return
    _mark(axes, x, y, pluck.place, size)
    if pluck.dropped:
        axes.plot([x], [y], marker="x", ms=9.0, color=LIGHT.alert, mew=1.6)


def _mark(axes: Axes, x: float, y: float, place: str, size: float = 7.0) -> None:
    if place == "open":
        dot(axes, x, y, hollow=True, size=size)
    else:
        dot(axes, x, y, marker="D" if place == "harmonic" else "s", size=size)


def _key(strings: Sequence[Drawn]) -> list[Entry]:
    plucks = [pluck for one in strings for pluck in one.plucks]

    def mark(place: str) -> Entry:
        name = {"open": "open, settled", "harmonic": "harmonic"}.get(place, "at a fret, settled")
        return Entry(name, lambda axes, x, y: _mark(axes, x + PIECE_PX / 2.0, y, place))

    def stroke(axes: Axes, x: float, y: float) -> None:
        line(axes, [(x + PIECE_PX / 2.0, y - 8.0), (x + PIECE_PX / 2.0, y + 8.0)], color=LIGHT.before, lw=1.5)

    def moved(axes: Axes, x: float, y: float) -> None:
        line(axes, [(x + PIECE_PX / 2.0, y - 8.0), (x + PIECE_PX / 2.0, y + 8.0)], color=LIGHT.ink, lw=0.9)

    def dropped(axes: Axes, x: float, y: float) -> None:
        axes.plot([x + PIECE_PX / 2.0], [y], marker="x", ms=9.0, color=LIGHT.alert, mew=1.6)

    entries = [Entry("fall from the attack", stroke), mark("open"), mark("fret")]
    if any(pluck.place == "harmonic" for pluck in plucks):
        entries.append(mark("harmonic"))
    if any(one.moves for one in strings):
        entries.append(Entry("saddle moved", moved))
    if any(pluck.dropped for pluck in plucks):
        entries.append(Entry("dropped as a slip", dropped))
    return entries
