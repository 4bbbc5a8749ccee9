"""Pitch tracks of kept sound, string by string: every pluck is a line from its attack to its settled pitch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from oscservice.report.drawing import (
    DASHED,
    LIGHT,
    NARROW_PX,
    PIECE_PX,
    SMALL_PX,
    WIDE_PX,
    Entry,
    cents_scale,
    line,
    name_string,
    nice_above,
    nice_below,
    panel_grid,
    usual_limits,
)
from oscservice.report.facts import Facts, PitchTrackFact

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


def limits_of(tracks: Sequence[PitchTrackFact]) -> tuple[float, float, float]:
    """Return the lowest and highest cents and the seconds to draw, the same for every string."""
    values = [cents for one in tracks for cents in one.cents]
    low, high = usual_limits(values, values, _USUAL, _LEAST_CENTS, _MOST_CENTS)
    return low, high, nice_above(max(one.at_s[-1] for one in tracks))


def draw(facts: Facts, *, wide: bool) -> Figure:
    """Return the drawing for a wide page, two strings side by side, or a narrow one. Call within ``drawing.style``."""
    assert facts.falls is not None
    tracks = facts.falls.plucks
    limits = limits_of(tracks)
    strings = [one for one in facts.results if any(track.string == one.string for track in tracks)]
    kinds = {_kind(track) for track in tracks}
    entries = [_entry(kind) for kind in _HOW if kind in kinds]
    width_px, across = (WIDE_PX, 2) if wide else (NARROW_PX, 1)
    figure, axes, places = panel_grid(entries, len(strings), width_px, across, _PANEL_PX)
    for one, (left, top) in zip(strings, places, strict=True):
        name_string(axes, left + 2.0, top + 14.0, one.string, one.note)
        own = [track for track in tracks if track.string == one.string]
        _panel(axes, own, limits, left + _LABEL_PX, top + 24.0, width_px / across - _LABEL_PX - 18.0)
    return figure


def _panel(
    axes: Axes,
    tracks: Sequence[PitchTrackFact],
    limits: tuple[float, float, float],
    left: float,
    top: float,
    width: float,
) -> None:
    low, high, long_s = limits
    cent_px, second_px = _PLOT_PX / (high - low), width / long_s
    bottom = top + _PLOT_PX

    def level(cents: float) -> float:
        return top + (high - max(low, min(high, cents))) * cent_px

    cents_scale(axes, (left, left + width), (low, high), level, zero="rest")
    seconds = nice_below(long_s / 2.0)
    for mark in range(math.floor(long_s / seconds) + 1):
        x = left + mark * seconds * second_px
        line(axes, [(x, bottom), (x, bottom + 4.0)], color=LIGHT.line, lw=0.9)
        text = f"{mark * seconds:g} s"
        axes.text(x, bottom + 17.0, text, ha="center" if mark else "left", size=SMALL_PX, color=LIGHT.soft)
    for track in tracks:
        points = [(left + at_s * second_px, level(cents)) for at_s, cents in zip(track.at_s, track.cents, strict=True)]
        line(axes, points, **_HOW[_kind(track)])


def _kind(track: PitchTrackFact) -> str:
    return track.place if track.place in _HOW else "fret"


def _entry(kind: str) -> Entry:
    return Entry(_NAMES[kind], lambda axes, x, y: line(axes, [(x, y), (x + PIECE_PX, y)], **_HOW[kind]))
