"""How plucks fell, where their sound was kept: string by string, every pluck a line from its attack to its rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from oscservice.report.drawing import (
    DASHED,
    LIGHT,
    PIECE_PX,
    ROW_PX,
    SMALL_PX,
    Entry,
    blank,
    draw_key,
    line,
    name_string,
    nice_above,
    nice_below,
    page_axes,
    rows_of,
)
from oscservice.report.facts import Facts, Fall

WIDE_PX, NARROW_PX = 800.0, 328.0
"""How wide the two are."""

_PANEL_PX, _PLOT_PX = 136.0, 84.0
_LABEL_PX = 34.0
_USUAL = 0.995  # share of values that have to fit in
_LEAST_CENTS, _MOST_CENTS = 2.0, 30.0
_HOW: dict[str, dict[str, Any]] = {
    "open": {"color": LIGHT.after, "lw": 1.1},
    "harmonic": {"color": LIGHT.ink, "lw": 1.1, "ls": (0, (1.0, 2.0))},
    "fret": {"color": LIGHT.before, "lw": 1.1, "ls": DASHED},
}
_NAMES = {"open": "open", "harmonic": "harmonic", "fret": "at a fret"}


def wide(facts: Facts) -> Figure:
    """For a wide page, two strings side by side. Draw within ``drawing.style``."""
    return _all(facts, WIDE_PX, across=2)


def narrow(facts: Facts) -> Figure:
    """For a narrow page. Draw within ``drawing.style``."""
    return _all(facts, NARROW_PX, across=1)


def limits_of(falls: Sequence[Fall]) -> tuple[float, float, float]:
    """Cents that are drawn, from the lowest to the highest, and seconds, the same for every string."""
    values = sorted(cents for one in falls for cents in one.cents)
    low = values[int((1.0 - _USUAL) * (len(values) - 1))]
    high = values[math.ceil(_USUAL * (len(values) - 1))]
    down, up = (nice_above(min(max(value, _LEAST_CENTS), _MOST_CENTS)) for value in (-low, high))
    return -down, up, nice_above(max(one.at_s[-1] for one in falls))


def _all(facts: Facts, width_px: float, *, across: int) -> Figure:
    assert facts.falls is not None
    falls = facts.falls.plucks
    limits = limits_of(falls)
    strings = [one for one in facts.results if any(fall.string == one.string for fall in falls)]
    kinds = {_kind(fall) for fall in falls}
    key = rows_of([_entry(kind) for kind in _HOW if kind in kinds], width_px)
    key_px = len(key) * ROW_PX + 6.0
    figure = blank(width_px, key_px + math.ceil(len(strings) / across) * _PANEL_PX)
    axes = page_axes(figure)
    draw_key(axes, key, 2.0, 0.0)
    for number, one in enumerate(strings):
        left = number % across * (width_px / across)
        top = key_px + number // across * _PANEL_PX
        name_string(axes, left + 2.0, top + 14.0, one.string, one.note)
        own = [fall for fall in falls if fall.string == one.string]
        _panel(axes, own, limits, left + _LABEL_PX, top + 24.0, width_px / across - _LABEL_PX - 18.0)
    return figure


def _panel(
    axes: Axes, falls: Sequence[Fall], limits: tuple[float, float, float], left: float, top: float, width: float
) -> None:
    low, high, long_s = limits
    cent_px, second_px = _PLOT_PX / (high - low), width / long_s
    bottom = top + _PLOT_PX
    ticks = nice_below((high - low) / 2.0)
    for mark in range(math.ceil(low / ticks), math.floor(high / ticks) + 1):
        y = top + (high - mark * ticks) * cent_px
        line(axes, [(left, y), (left + width, y)], color=LIGHT.faint if mark else LIGHT.line, lw=0.9)
        text = f"{mark * ticks:+g}".replace("-", "−") if mark else "rest"
        axes.text(left - 5.0, y + 4.0, text, ha="right", size=SMALL_PX, color=LIGHT.soft)
    seconds = nice_below(long_s / 2.0)
    for mark in range(math.floor(long_s / seconds) + 1):
        x = left + mark * seconds * second_px
        line(axes, [(x, bottom), (x, bottom + 4.0)], color=LIGHT.line, lw=0.9)
        text = f"{mark * seconds:g} s"
        axes.text(x, bottom + 17.0, text, ha="center" if mark else "left", size=SMALL_PX, color=LIGHT.soft)
    for fall in falls:
        points = [
            (left + at_s * second_px, top + (high - max(low, min(high, cents))) * cent_px)
            for at_s, cents in zip(fall.at_s, fall.cents, strict=True)
        ]
        line(axes, points, **_HOW[_kind(fall)])


def _kind(fall: Fall) -> str:
    return fall.place if fall.place in _HOW else "fret"


def _entry(kind: str) -> Entry:
    return Entry(_NAMES[kind], lambda axes, x, y: line(axes, [(x, y), (x + PIECE_PX, y)], **_HOW[kind]))
