"""The key of a drawing: what its lines and marks mean, each beside a piece of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from oscservice.report.palette import LIGHT

SMALL_PX = 11.0
"""Size of text that stands back."""

PIECE_PX = 26.0
"""How long a piece of a line in a key is."""

ROW_PX = 21.0

DASHED = (0, (4.0, 2.5))
DOTTED = (0, (1.0, 3.0))

_GAP_PX = 20.0
_DIGIT_PX = 8.4  # a bold one


@dataclass(frozen=True)
class Entry:
    """What is said, and what draws a piece of it on axes from a place to ``PIECE_PX`` right of it."""

    text: str
    draw: Callable[[Axes, float, float], None]


@lru_cache(maxsize=512)
def width_px(text: str) -> float:
    """How wide a line of small text is in the font that drawings are laid out by."""
    path = TextPath((0.0, 0.0), text or " ", size=SMALL_PX, prop=FontProperties(family="DejaVu Sans"))
    return float(path.get_extents().width)


def name_string(axes: Axes, x: float, y: float, string: int, note: str) -> float:
    """The number and the note of a string; gives where they end."""
    after = x + len(str(string)) * _DIGIT_PX + 8.0
    axes.text(x, y, str(string), weight="bold")
    axes.text(after, y, note, size=SMALL_PX)
    return after + width_px(note)


def line(axes: Axes, points: Sequence[tuple[float, float]], **how: Any) -> None:
    """A line through points."""
    axes.plot([x for x, _ in points], [y for _, y in points], **{"solid_capstyle": "round", **how})


def dot(
    axes: Axes,
    x: float,
    y: float,
    *,
    marker: str = "o",
    colour: str = LIGHT.after,
    hollow: bool = False,
    size: float = 7.5,
) -> None:
    """A mark that stands off what it lies on."""
    how: dict[str, Any] = (
        {"mfc": LIGHT.paper, "mec": colour, "mew": 1.6} if hollow else {"mfc": colour, "mec": LIGHT.paper, "mew": 1.0}
    )
    axes.plot([x], [y], marker=marker, ms=size - 1.0 if hollow else size, ls="none", **how)


def arrow(axes: Axes, x: float, y: float, turned: float, *, colour: str = LIGHT.alert, size: float = 8.0) -> None:
    """An arrowhead that points up the page, or turned from there by so many degrees to the left."""
    axes.plot([x], [y], marker=(3, 0, turned), ms=size, mfc=colour, mec=LIGHT.paper, mew=0.6, ls="none")


def rows_of(entries: Sequence[Entry], room_px: float) -> list[list[tuple[float, Entry]]]:
    """Entries in rows of at most ``room_px``, each with its distance from the left."""
    rows: list[list[tuple[float, Entry]]] = [[]]
    x = 0.0
    for entry in entries:
        needed = PIECE_PX + 8.0 + width_px(entry.text)
        if rows[-1] and x + needed > room_px:
            rows.append([])
            x = 0.0
        rows[-1].append((x, entry))
        x += needed + _GAP_PX
    return rows


def draw_key(axes: Axes, rows: Sequence[Sequence[tuple[float, Entry]]], left_px: float, top_px: float) -> None:
    """The key in rows, downwards from a place on axes whose units are pixels."""
    for number, row in enumerate(rows):
        y = top_px + (number + 0.5) * ROW_PX
        for x, entry in row:
            entry.draw(axes, left_px + x, y)
            axes.text(left_px + x + PIECE_PX + 8.0, y + 4.0, entry.text, size=SMALL_PX)
