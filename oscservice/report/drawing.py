"""Drawings: colours, scales, keys, panels, and a figure as SVG, PNG or PDF.

Meaning never rests only on colour: before and after differ in line and mark too. Blue, orange and reddish purple can
be distinguished with the usual kinds of colour blindness (M. Okabe, K. Ito, "Color Universal Design", 2008, from
memory).

Sizes are in pixels of a page (96 to an inch): text of 12 in a figure is text of 12 on the page if the figure is shown
as wide as it was drawn. The same figure gives the same bytes. Figures are made without pyplot and its global state.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any
from xml.etree import ElementTree

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

_COLOUR = re.compile(r"#[0-9a-f]{6}")


@dataclass(frozen=True)
class Palette:
    """One colour, ``#rrggbb``, for each purpose; no two are equal, so that each can be replaced.

    Attributes:
        paper: the background.
        ink, soft: text, and less important text.
        line: important lines: frets, strings at rest, limits.
        faint: rules that only separate things.
        band: between the limits of a tolerance, with its edges drawn as lines.
        after, before: values now, and values before.
        alert: needs attention; always with words or a mark of its own.
    """

    paper: str
    ink: str
    soft: str
    line: str
    faint: str
    band: str
    after: str
    before: str
    alert: str

    def roles(self) -> dict[str, str]:
        """Return the colours by purpose."""
        return asdict(self)


LIGHT = Palette(
    paper="#fdfcfa",
    ink="#1c2226",
    soft="#545d64",
    line="#7a8186",
    faint="#e6e4de",
    band="#e3edf6",
    after="#0a4f8c",
    before="#b3590f",
    alert="#8a2768",
)
DARK = Palette(
    paper="#15181b",
    ink="#ebe9e4",
    soft="#a8b0b5",
    line="#737c83",
    faint="#2c3236",
    band="#1d2f40",
    after="#7dbcf5",
    before="#dd9145",
    alert="#f09ccb",
)
PRINTED = Palette(**{**LIGHT.roles(), "paper": "#ffffff"})


def recoloured(text: str, colours: Mapping[str, str]) -> str:
    """Return a text with each colour of ``LIGHT`` replaced by the one of ``colours`` for the same purpose.

    Raises:
        ValueError: a colour that is not in ``LIGHT``.
    """
    purposes = {colour: purpose for purpose, colour in LIGHT.roles().items()}

    def other(found: re.Match[str]) -> str:
        if found[0] not in purposes:
            raise ValueError(f"{found[0]} is no colour of the palette")
        return colours[purposes[found[0]]]

    return _COLOUR.sub(other, text)


def variables() -> dict[str, str]:
    """Return the CSS variable of each colour by purpose: ``var(--ink)``."""
    return {purpose: f"var(--{purpose})" for purpose in LIGHT.roles()}


TEXT_PX = 12.0
"""Size of text in a drawing."""

_PX_AN_INCH = 72.0  # matplotlib's points, so that its sizes are our pixels
_FONTS = "'DejaVu Sans', sans-serif"
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_STYLE: dict[Any, Any] = {
    "figure.dpi": _PX_AN_INCH,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],  # matplotlib includes it: the same layout everywhere
    "font.size": TEXT_PX,
    "text.color": LIGHT.ink,
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "svg.fonttype": "none",
    "svg.hashsalt": "oscservice",
    "pdf.fonttype": 42,
    "path.simplify": False,
}
_REFERENCE = re.compile(r"url\(#([^)]+)\)")
_NO_TURN = re.compile(r"rotate\(-?0 [^)]*\)")
_LONG_NUMBER = re.compile(r"-?\d+\.\d{3,}")


@contextmanager
def style() -> Iterator[None]:
    """Set matplotlib to its defaults and our style while a figure is made and written, whatever its user has set."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        for key, value in _STYLE.items():
            matplotlib.rcParams[key] = value
        yield


def blank(width_px: float, height_px: float) -> Figure:
    """Return an empty figure. Draw on it, and write it, within ``style``."""
    return Figure(figsize=(width_px / _PX_AN_INCH, height_px / _PX_AN_INCH), facecolor=LIGHT.paper)


def bare_axes(figure: Figure, left_px: float, top_px: float, width_px: float, height_px: float) -> Axes:
    """Return axes without frame, ticks and labels, placed from the figure's upper left corner."""
    whole_px, tall_px = (inches * _PX_AN_INCH for inches in figure.get_size_inches())
    place = (left_px / whole_px, 1.0 - (top_px + height_px) / tall_px, width_px / whole_px, height_px / tall_px)
    axes = figure.add_axes(place)
    axes.set_axis_off()
    return axes


def page_axes(figure: Figure) -> Axes:
    """Return axes over the whole figure in pixels from its upper left corner, down the page."""
    width_px, height_px = (inches * _PX_AN_INCH for inches in figure.get_size_inches())
    axes = bare_axes(figure, 0.0, 0.0, width_px, height_px)
    axes.set_xlim(0.0, width_px)
    axes.set_ylim(height_px, 0.0)
    return axes


def svg(
    figure: Figure,
    name: str,
    title: str,
    description: str,
    *,
    colours: Mapping[str, str] | None = None,
    in_page: bool = False,
) -> str:
    """Return a figure as the text of an SVG element, for a page or for a file of its own.

    Args:
        figure: drawn in the colours of ``LIGHT``.
        name: prefix of the ids in it; no two drawings of a page have the same.
        title, description: for a reader who can't see it.
        colours: replacement of each colour by its purpose; None keeps them.
        in_page: the page sets the fonts, as it may set the colours (``variables``).
    """
    with io.StringIO() as written:
        figure.savefig(written, format="svg", facecolor=LIGHT.paper, metadata={"Date": None, "Creator": None})
        root = ElementTree.fromstring(written.getvalue())
    width_px, height_px = (inches * _PX_AN_INCH for inches in figure.get_size_inches())
    _remove_metadata_and_style(root)
    _own_ids(root, name)
    _tidied(root, colours or LIGHT.roles())
    for key, value in {
        "width": f"{width_px:g}",
        "height": f"{height_px:g}",
        "role": "img",
        "aria-labelledby": f"{name}-title",
        "aria-describedby": f"{name}-desc",
        "style": "stroke-linejoin: round; stroke-linecap: butt" + ("" if in_page else f"; font-family: {_FONTS}"),
    }.items():
        root.set(key, value)
    for tag, text in (("desc", description), ("title", title)):
        label = ElementTree.Element(f"{{{_SVG}}}{tag}", {"id": f"{name}-{tag}"})
        label.text = text
        root.insert(0, label)
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", _XLINK)
    return ElementTree.tostring(root, encoding="unicode")


def png(figure: Figure, scale: float = 2.0) -> bytes:
    """Return a figure as a PNG with ``scale`` dots for each pixel."""
    return _bytes(figure, "png", dpi=_PX_AN_INCH * scale, metadata={"Software": None})


def pdf(figure: Figure) -> bytes:
    """Return a figure as one page of PDF of its own size."""
    return _bytes(figure, "pdf", metadata={"CreationDate": None, "Creator": None, "Producer": None})


def _bytes(figure: Figure, form: str, **how: Any) -> bytes:
    with io.BytesIO() as written:
        figure.savefig(written, format=form, facecolor=LIGHT.paper, **how)
        return written.getvalue()


def _remove_metadata_and_style(root: ElementTree.Element) -> None:
    """Remove matplotlib's metadata, and its style sheet, which would apply to the whole page."""
    for child in list(root):
        is_style = child.tag == f"{{{_SVG}}}defs" and child.find(f"{{{_SVG}}}style") is not None
        if child.tag == f"{{{_SVG}}}metadata" or is_style:
            root.remove(child)


def _own_ids(root: ElementTree.Element, name: str) -> None:
    """Keep only the ids that are referred to, renamed with this drawing's prefix."""
    elements = list(root.iter())
    wanted: dict[str, str] = {}
    for element in elements:
        values = [*(element.get(key, "") for key in ("clip-path", "style")), element.get(f"{{{_XLINK}}}href", "")]
        for value in values:
            for reference in [*_REFERENCE.findall(value), *([value[1:]] if value.startswith("#") else [])]:
                wanted.setdefault(reference, f"{name}-{len(wanted)}")
    for element in elements:
        known = element.attrib.pop("id", None)
        if known in wanted:
            element.set("id", wanted[known])
        href = element.get(f"{{{_XLINK}}}href", "")
        if href:
            element.set(f"{{{_XLINK}}}href", f"#{wanted[href[1:]]}")
        for key in ("clip-path", "style"):
            with_references = element.get(key)
            if with_references:
                element.set(key, _REFERENCE.sub(lambda found: f"url(#{wanted[found[1]]})", with_references))


def _tidied(root: ElementTree.Element, colours: Mapping[str, str]) -> None:
    """Put in the colours; remove fonts and everything that is not needed."""
    for element in root.iter():
        element.tail = None
        if element.tag in (f"{{{_SVG}}}g", f"{{{_SVG}}}defs", f"{{{_SVG}}}svg", f"{{{_SVG}}}clipPath"):
            element.text = None
        for key, value in list(element.attrib.items()):
            if key == "style":
                kept = [one for one in value.split("; ") if not one.startswith("font-family")]
                element.set(key, recoloured("; ".join(kept), colours))
            elif key == "d":
                element.set(key, _LONG_NUMBER.sub(_rounded, " ".join(value.split())))
            elif key in ("x", "y"):
                element.set(key, _LONG_NUMBER.sub(_rounded, value))
            elif key == "transform" and _NO_TURN.fullmatch(value):
                del element.attrib[key]


def _rounded(number: re.Match[str]) -> str:
    """Round to a hundredth of a pixel, which makes the page a third smaller."""
    return f"{round(float(number[0]), 2) + 0.0:g}"


_STEPS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)

MARKED_SD = 2.0
"""An error is marked as too large if it is this many standard errors beyond the tolerance."""


def nice_above(value: float) -> float:
    """Return a round number at or above a positive value."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in _STEPS if step * power >= value * (1.0 - 1e-9))


def nice_below(value: float) -> float:
    """Return the number of the series 1, 2, 5, 10 at or below a positive value."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (5.0, 2.0, 1.0) if step * power <= value * (1.0 + 1e-9))


def marked(cents: float, se: float, tolerance_cents: float) -> bool:
    """Return True when an error is clearly beyond the tolerance."""
    return abs(cents) - MARKED_SD * se > tolerance_cents


def signed(value: float, digits: int = 1) -> str:
    """Return a number with its sign, and zero without one: ``+1.2``, ``−0.3``, ``0.0``."""
    rounded = round(value, digits) + 0.0
    sign = "+" if rounded > 0.0 else "−" if rounded < 0.0 else ""
    return f"{sign}{abs(rounded):.{digits}f}"


WIDE_PX, NARROW_PX = 800.0, 328.0
"""Widths of a drawing on a wide and on a narrow page."""

SMALL_PX = 11.0
"""Size of less important text."""

PIECE_PX = 26.0
"""Length of a sample of a line in a key."""

ROW_PX = 21.0

DASHED = (0, (4.0, 2.5))
DOTTED = (0, (1.0, 3.0))

_GAP_PX = 20.0
_DIGIT_PX = 8.4  # a bold one


@dataclass(frozen=True)
class Entry:
    """A line of a key: its text, and a function that draws a sample on axes from a place to ``PIECE_PX`` right of
    it."""

    text: str
    draw: Callable[[Axes, float, float], None]


@lru_cache(maxsize=512)
def width_px(text: str) -> float:
    """Return the width of small text in the drawings' font."""
    path = TextPath((0.0, 0.0), text or " ", size=SMALL_PX, prop=FontProperties(family="DejaVu Sans"))
    return float(path.get_extents().width)


def name_string(axes: Axes, x: float, y: float, string: int, note: str) -> float:
    """Write the number and the note of a string; return where they end."""
    after = x + len(str(string)) * _DIGIT_PX + 8.0
    axes.text(x, y, str(string), weight="bold")
    axes.text(after, y, note, size=SMALL_PX)
    return after + width_px(note)


def line(axes: Axes, points: Sequence[tuple[float, float]], **how: Any) -> None:
    """Draw a line through points."""
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
    """Draw a mark with an edge that separates it from what is below."""
    how: dict[str, Any] = (
        {"mfc": LIGHT.paper, "mec": colour, "mew": 1.6} if hollow else {"mfc": colour, "mec": LIGHT.paper, "mew": 1.0}
    )
    axes.plot([x], [y], marker=marker, ms=size - 1.0 if hollow else size, ls="none", **how)


def arrow(axes: Axes, x: float, y: float, turned: float, *, colour: str = LIGHT.alert, size: float = 8.0) -> None:
    """Draw an arrowhead that points up the page, turned to the left by ``turned`` degrees."""
    axes.plot([x], [y], marker=(3, 0, turned), ms=size, mfc=colour, mec=LIGHT.paper, mew=0.6, ls="none")


def rows_of(entries: Sequence[Entry], most_px: float) -> list[list[tuple[float, Entry]]]:
    """Return the entries in rows of at most ``most_px``, each with its distance from the left."""
    rows: list[list[tuple[float, Entry]]] = [[]]
    x = 0.0
    for entry in entries:
        needed = PIECE_PX + 8.0 + width_px(entry.text)
        if rows[-1] and x + needed > most_px:
            rows.append([])
            x = 0.0
        rows[-1].append((x, entry))
        x += needed + _GAP_PX
    return rows


def draw_key(axes: Axes, rows: Sequence[Sequence[tuple[float, Entry]]], left_px: float, top_px: float) -> None:
    """Draw the key in rows, downwards from a place on axes in pixels."""
    for number, row in enumerate(rows):
        y = top_px + (number + 0.5) * ROW_PX
        for x, entry in row:
            entry.draw(axes, left_px + x, y)
            axes.text(left_px + x + PIECE_PX + 8.0, y + 4.0, entry.text, size=SMALL_PX)


def panel_grid(
    entries: Sequence[Entry], count: int, width_px: float, across: int, panel_px: float
) -> tuple[Figure, Axes, list[tuple[float, float]]]:
    """Return a figure with its key on top, its axes in pixels, and the left and top of each panel below the key.

    Args:
        entries: of the key.
        count: number of panels.
        width_px: of the figure; each panel has ``width_px / across``.
        across: panels side by side.
        panel_px: height of a panel.
    """
    key = rows_of(entries, width_px)
    top = len(key) * ROW_PX + 8.0
    figure = blank(width_px, top + math.ceil(count / across) * panel_px)
    axes = page_axes(figure)
    draw_key(axes, key, 2.0, 0.0)
    places = [(n % across * (width_px / across), top + n // across * panel_px) for n in range(count)]
    return figure, axes, places


def usual_limits(
    lows: Iterable[float], highs: Iterable[float], share: float, least_cents: float, most_cents: float
) -> tuple[float, float]:
    """Return the lowest and highest cents to draw, so that ``share`` of all values fit in.

    Each is a round number, ``least_cents`` to ``most_cents`` away from 0.
    """
    below, above = sorted(lows), sorted(highs)
    low = below[int((1.0 - share) * (len(below) - 1))]
    high = above[math.ceil(share * (len(above) - 1))]
    down, up = (nice_above(min(max(value, least_cents), most_cents)) for value in (-low, high))
    return -down, up


def cents_scale(
    axes: Axes,
    ends: tuple[float, float],
    limits: tuple[float, float],
    y_of: Callable[[float], float],
    *,
    zero: str = "0",
) -> None:
    """Draw a rule from ``ends[0]`` to ``ends[1]`` at round cents, with the number on its left; ``zero`` labels 0."""
    low, high = limits
    step = nice_below((high - low) / 2.0)
    for mark in range(math.ceil(low / step), math.floor(high / step) + 1):
        y = y_of(mark * step)
        line(axes, [(ends[0], y), (ends[1], y)], color=LIGHT.faint if mark else LIGHT.line, lw=0.9)
        text = f"{mark * step:+g}".replace("-", "−") if mark else zero
        axes.text(ends[0] - 5.0, y + 4.0, text, ha="right", size=SMALL_PX, color=LIGHT.soft)
