"""What drawings have in common: how they look, and how a figure becomes SVG, PNG or PDF.

Sizes are in pixels of a page (96 to an inch): text of 12 in a figure is text of 12 on the page, as long as the figure
is shown as wide as it was drawn. The same figure gives the same bytes. Figures are made without pyplot and its global
state.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any
from xml.etree import ElementTree

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from oscservice.report.palette import LIGHT, recoloured

TEXT_PX = 12.0
"""Size of text in a drawing."""

_PX_AN_INCH = 72.0  # matplotlib's points, so that its sizes are our pixels
_FONTS = "'DejaVu Sans', sans-serif"
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
_STYLE: dict[Any, Any] = {
    "figure.dpi": _PX_AN_INCH,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],  # the one that matplotlib brings along: laid out alike everywhere
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
    """While a figure is made and written, matplotlib is as it comes, whatever its user has set, in our style."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        for key, value in _STYLE.items():
            matplotlib.rcParams[key] = value
        yield


def blank(width_px: float, height_px: float) -> Figure:
    """An empty figure. Draw on it, and write it, within ``style``."""
    return Figure(figsize=(width_px / _PX_AN_INCH, height_px / _PX_AN_INCH), facecolor=LIGHT.paper)


def bare_axes(figure: Figure, left_px: float, top_px: float, width_px: float, height_px: float) -> Axes:
    """Axes without frame, ticks and labels, by their place on the figure from its upper left corner."""
    whole_px, tall_px = (inches * _PX_AN_INCH for inches in figure.get_size_inches())
    place = (left_px / whole_px, 1.0 - (top_px + height_px) / tall_px, width_px / whole_px, height_px / tall_px)
    axes = figure.add_axes(place)
    axes.set_axis_off()
    return axes


def page_axes(figure: Figure) -> Axes:
    """Axes over the whole figure whose units are pixels from its upper left corner, down the page."""
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
    """A figure as the text of an SVG element, which can stand in a page or in a file of its own.

    Args:
        figure: drawn in the colours of ``LIGHT``.
        name: what the ids in it begin with; no two drawings of a page have the same.
        title, description: what a reader who can't see it is told.
        colours: what to put for each colour by its purpose; None leaves them.
        in_page: the page has its say about fonts, as it may have about colours (``palette.variables``).
    """
    with io.StringIO() as written:
        figure.savefig(written, format="svg", facecolor=LIGHT.paper, metadata={"Date": None, "Creator": None})
        root = ElementTree.fromstring(written.getvalue())
    width_px, height_px = (inches * _PX_AN_INCH for inches in figure.get_size_inches())
    _without_what_would_leak(root)
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
        told = ElementTree.Element(f"{{{_SVG}}}{tag}", {"id": f"{name}-{tag}"})
        told.text = text
        root.insert(0, told)
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", _XLINK)
    return ElementTree.tostring(root, encoding="unicode")


def png(figure: Figure, scale: float = 2.0) -> bytes:
    """A figure as a picture with ``scale`` dots for each pixel."""
    return _bytes(figure, "png", dpi=_PX_AN_INCH * scale, metadata={"Software": None})


def pdf(figure: Figure) -> bytes:
    """A figure as one page of PDF of its own size."""
    return _bytes(figure, "pdf", metadata={"CreationDate": None, "Creator": None, "Producer": None})


def _bytes(figure: Figure, form: str, **how: Any) -> bytes:
    with io.BytesIO() as written:
        figure.savefig(written, format=form, facecolor=LIGHT.paper, **how)
        return written.getvalue()


def _without_what_would_leak(root: ElementTree.Element) -> None:
    """Take out what matplotlib says of itself, and its style sheet, which would hold for the whole page."""
    for child in list(root):
        is_style = child.tag == f"{{{_SVG}}}defs" and child.find(f"{{{_SVG}}}style") is not None
        if child.tag == f"{{{_SVG}}}metadata" or is_style:
            root.remove(child)


def _own_ids(root: ElementTree.Element, name: str) -> None:
    """Keep the ids that something refers to, under names of this drawing's own."""
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
    """Colours put in, fonts left to the page, and nothing that is not needed."""
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
    """A hundredth of a pixel is enough, and the page is a third smaller."""
    return f"{round(float(number[0]), 2) + 0.0:g}"
