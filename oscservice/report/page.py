"""A report as a page of HTML, which needs no network, script or font, for the bench or for the customer; and as PDF.

WeasyPrint, which is an extra and needs Pango, makes the PDF.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from statistics import median
from typing import Any, NoReturn

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from oscservice.errors import InputError
from oscservice.record.event_chain import minute_text
from oscservice.record.job_sheet import NAMES
from oscservice.report import customer_text as customer
from oscservice.report import neck_drawing as neck
from oscservice.report import pitch_track_drawing as tracks
from oscservice.report import report_text as words
from oscservice.report import row_drawing as rows
from oscservice.report import settling_drawing as settling
from oscservice.report.drawing import DARK, LIGHT, PRINTED, Palette, signed, style, svg, variables
from oscservice.report.facts import Facts, StringFact
from oscservice.sentences.length_text import HUNDREDTHS, LengthUnit, length_number, length_text, told_in
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
    more = {
        "title": _title(facts),
        "drawings": _drawings(facts, printed, lengths),
        "heading": words.heading(facts),
        "summary": words.summary(facts),
        "scale": words.scale_text(facts),
        "targets": words.targets_text(facts),
        "is_cut": bool(facts.compared) and neck.is_cut(facts),
        "aside": [one for one in facts.results if one.out],
        "overruled": [one.string for one in facts.results if one.overruled],
        "moved": [one for one in facts.compared if any(at.found is not None for at in one.frets)],
        "settled": list(_settled(facts)),
        "job_names": NAMES,
        "saddles_read": any(one.read_found_mm is not None for one in facts.saddles),
    }
    return _rendered("report.html.j2", facts, printed, paper, lengths, more)


def customer_page(facts: Facts, *, printed: bool = False, paper: str = "", lengths: LengthUnit = LengthUnit.MM) -> str:
    """Return the customer's page as HTML: what was done, how the instrument plays, when to come back.

    Args:
        facts, printed, paper, lengths: as of ``page``.

    Raises:
        InputError: nothing was begun in the session, so that there is nothing to tell.
    """
    if facts.instrument is None:
        raise InputError(f"session {facts.overview.session}: nothing was begun in it, so a customer has no page of it")
    gauges = [length_number(one.gauge_mm, lengths, HUNDREDTHS) for one in facts.instrument.strings]
    more = {
        "title": f"{facts.instrument.identity}: {facts.overview.kind} of {facts.overview.begun_utc[:10]}",
        "drawings": _drawings(facts, printed, lengths, ("rows",)),
        "heading": customer.customer_heading(facts),
        "summary": customer.customer_summary(facts),
        "done": customer.done(facts, lengths),
        "exceptions": customer.exceptions(facts),
        "plays": customer.plays_now(facts),
        "elsewhere": customer.elsewhere(facts),
        "tuning": customer.tuning_text(facts),
        "string_set": customer.string_set_text(facts),
        "gauges": ", ".join(gauges),
        "heights_explained": customer.heights_explained(facts),
        "come_back": customer.when_to_come_back(facts),
    }
    return _rendered("customer.html.j2", facts, printed, paper, lengths, more)


def _rendered(
    template: str, facts: Facts, printed: bool, paper: str, lengths: LengthUnit, more: Mapping[str, object]
) -> str:
    """Return a page from its template, with what all pages have and what this one has."""
    common = {
        "facts": facts,
        "lengths": lengths,
        "css": Markup(_css(facts, printed, paper)),
        "printed": printed,
        "asks": facts.overview.outcome not in (Ending.PROVED, Ending.HOLDS),
        "seal_line": seal_line(facts),
    }
    text: str = _environment().get_template(template).render(**common, **more)
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


def _drawings(
    facts: Facts, printed: bool, lengths: LengthUnit, only: Collection[str] = ()
) -> dict[str, list[tuple[str, Markup]]]:
    """Return by name each drawing for wide and narrow pages; ``only``: the names of those that are wanted."""
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
            if only and name not in only:
                continue
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
        "length_text": length_text,
        "plain_number": "{:g}".format,
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


def pdf_of(text: str) -> bytes:
    """Return a page as PDF; the same text gives the same bytes.

    Args:
        text: a page that is ``printed``, for a paper.

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
    written: bytes = weasyprint.HTML(string=text, url_fetcher=_nothing_else).write_pdf(pdf_variant="pdf/ua-1")
    return written


def _nothing_else(url: str, *_: Any, **__: Any) -> NoReturn:
    raise ValueError(f"a report loads nothing, but this one asks for {url}")
