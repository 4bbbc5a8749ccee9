"""A report as one page of HTML, which needs no network, script or font; and the same page as PDF.

WeasyPrint, which is an extra and needs Pango, makes the PDF.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from statistics import median
from typing import Any, NoReturn

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from oscservice.errors import InputError
from oscservice.record.event_chain import minute_text
from oscservice.report import neck_drawing as neck
from oscservice.report import pitch_track_drawing as tracks
from oscservice.report import report_text as words
from oscservice.report import row_drawing as rows
from oscservice.report import settling_drawing as settling
from oscservice.report.drawing import DARK, LIGHT, PRINTED, Palette, signed, style, svg, variables
from oscservice.report.facts import Facts, StringFact
from oscservice.sentences.length_text import LengthUnit, length_number, told_in
from oscservice.sentences.plural import counted
from oscservice.session.vocabulary import Ending, InspectionVerdict

_STRINGS_A_TABLE = 6
_SHORT_HASH = 12


@dataclass(frozen=True)
class SettledRow:
    """The drop in pitch after a string's plucks: median and largest, in cents."""

    result: StringFact
    drop_cents: str


def page(facts: Facts, *, printed: bool = False, paper: str = "", lengths: LengthUnit = LengthUnit.MM) -> str:
    """Return the report as HTML; the same facts give the same text.

    Args:
        facts: the report's facts.
        printed: for paper only: in the colours of paper, without the parts that only a screen can open.
        paper: ``A4`` or ``letter``; empty: the printer decides.
        lengths: the unit of the lengths on the page.
    """
    text: str = (
        _environment()
        .get_template("report.html.j2")
        .render(
            facts=facts,
            lengths=lengths,
            title=_title(facts),
            css=Markup(_css(facts, printed, paper)),
            drawings=_drawings(facts, printed, lengths),
            printed=printed,
            heading=words.heading(facts),
            summary=words.summary(facts),
            asks=facts.overview.outcome not in (Ending.PROVED, Ending.HOLDS),
            seal_line=seal_line(facts),
            is_cut=bool(facts.compared) and neck.is_cut(facts),
            aside=[one for one in facts.results if one.out],
            overruled=[one.string for one in facts.results if one.overruled],
            moved=[one for one in facts.compared if any(at.found is not None for at in one.frets)],
            settled=list(_settled(facts)),
        )
    )
    return text


def seal_line(facts: Facts) -> str:
    """Return the state of the record, in a few words."""
    seal = facts.seal
    if seal.state == "edited":
        return "Edited or damaged"
    said = "Sealed and unchanged" if seal.state == "sealed" else "Open, not sealed yet"
    return f"{said} ({seal.sha256[:_SHORT_HASH]}…)"


def _title(facts: Facts) -> str:
    about = facts.instrument.identity if facts.instrument else "no instrument"
    return f"{about}: session {facts.overview.session}"


def _css(facts: Facts, printed: bool, paper: str) -> str:
    if printed:
        colours = _root(PRINTED)
    else:
        dark = f"@media (prefers-color-scheme: dark) {{ {_root(DARK)} }}"
        colours = f"{_root(LIGHT)}\n{dark}\n@media print {{ {_root(PRINTED)} }}"
    footer = re.sub(r"[^A-Za-z0-9 ._-]", "", f"Session {facts.overview.session}")
    css: str = (
        _environment()
        .get_template("report.css")
        .render(colours=Markup(colours), paper=paper or "auto", footer=footer, soft=PRINTED.soft)
    )
    return css


def _root(palette: Palette) -> str:
    return ":root { " + " ".join(f"--{purpose}: {colour};" for purpose, colour in palette.roles().items()) + " }"


def _drawings(facts: Facts, printed: bool, lengths: LengthUnit) -> dict[str, list[tuple[str, Markup]]]:
    """Return by name each drawing for wide and narrow pages."""
    how: dict[str, Any] = {"colours": PRINTED.roles()} if printed else {"colours": variables(), "in_page": True}
    makers: list[tuple[str, str, str, Callable[..., Figure]]] = []
    if any(one.check or one.frets for one in facts.results):
        title = "What changed on each string" if facts.quick else "Each string's error as found and as left"
        makers.append(("rows", title, "A row for each string; the table below has the same numbers.", rows.draw))
    if facts.compared and not facts.quick:
        what = "The neck with every string as a line; the tables at the end have the same numbers."
        makers.append(("neck", "Error at every fret of every string", what, neck.draw))
    if facts.plucks:
        what = "A panel for each string with its plucks in order; the tables below have the same numbers."
        draw_settling = partial(settling.draw, lengths=lengths)
        makers.append(("settling", "How pitch settled after each pluck", what, draw_settling))
    if facts.falls is not None and facts.falls.plucks:
        what = "A panel for each string; every pluck is a line from its attack to its settled pitch."
        makers.append(("falling", "Pitch after each pluck, from kept sound", what, tracks.draw))
    drawn: dict[str, list[tuple[str, Markup]]] = {}
    with style():
        for name, title, what, draw in makers:
            drawn[name] = [
                (way, Markup(svg(draw(facts, wide=way == "wide"), f"{name}-{way}", title, what, **how)))
                for way in (("wide",) if printed else ("wide", "narrow"))
            ]
    return drawn


def _settled(facts: Facts) -> Iterator[SettledRow]:
    for one in facts.results:
        drops = [pluck.attack_cents for pluck in facts.plucks if pluck.string == one.string]
        if drops:
            yield SettledRow(one, f"{max(median(drops), 0.0):.1f}, {max(*drops, 0.0):.1f}")


def _slices(strings: Sequence[StringFact]) -> list[Sequence[StringFact]]:
    """Split strings into tables that fit a page of paper."""
    return [strings[at : at + _STRINGS_A_TABLE] for at in range(0, len(strings), _STRINGS_A_TABLE)]


def _capitalized(text: str) -> str:
    return text[:1].upper() + text[1:]


def _verdict(verdict: str) -> str:
    return words.VERDICTS[InspectionVerdict(verdict)]


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("oscservice.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    for name, made in {
        "with_error": words.with_error,
        "minute_text": minute_text,
        "listed": words.listed,
        "outcome_of": words.outcome_of,
        "moved": words.moved,
        "is_named": words.is_named,
        "signed": signed,
        "signed_length": words.signed_length,
        "length_number": length_number,
        "told_in": told_in,
        "counted": counted,
        "slices": _slices,
        "capitalized": _capitalized,
        "verdict": _verdict,
    }.items():
        environment.filters[name] = made
    return environment


_EXTRA = "a PDF needs WeasyPrint: pip install 'oscservice[pdf]'"
_PANGO = (
    "a PDF needs Pango, which isn't here: apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 "
    "fonts-dejavu-core"
)


def pdf_of(facts: Facts, paper: str, lengths: LengthUnit = LengthUnit.MM) -> bytes:
    """Return the report as PDF; the same facts give the same bytes.

    Args:
        facts: the report's facts.
        paper: ``A4`` or ``letter``.
        lengths: the unit of the lengths on it.

    Raises:
        InputError: WeasyPrint or Pango is missing; the message names what to install.
    """
    try:
        import weasyprint
    except ImportError:
        raise InputError(_EXTRA) from None
    except OSError:  # its own libraries are missing
        raise InputError(_PANGO) from None
    logging.getLogger("weasyprint").setLevel(logging.CRITICAL)  # it warns of every rule for screens
    text = page(facts, printed=True, paper=paper, lengths=lengths)
    written: bytes = weasyprint.HTML(string=text, url_fetcher=_nothing_else).write_pdf(pdf_variant="pdf/ua-1")
    return written


def _nothing_else(url: str, *_: Any, **__: Any) -> NoReturn:
    raise ValueError(f"a report loads nothing, but this one asks for {url}")
