"""``oscservice report``: a session as HTML or PDF, for the bench or for the customer, and as CSV or JSON."""

from __future__ import annotations

import re
import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from oscservice import __version__
from oscservice.cli.arguments import (
    CountedInstrument,
    JournalOption,
    LengthsOption,
    SessionArgument,
    chosen_lengths,
    named_session,
)
from oscservice.cli.console import progress_bar
from oscservice.cli.output_file import output_file
from oscservice.errors import InputError, JournalError

if TYPE_CHECKING:
    from oscservice.report.facts import Facts, PitchTrackFacts
    from oscservice.session.replay import EffectiveEvents

STANDARD_OUTPUT = Path("-")
_NO_NAME = re.compile(r"^\.|[^A-Za-z0-9._-]")
MARK = b'<meta name="generator" content="oscservice '


class PageKind(StrEnum):
    """Pages that a session can be told on."""

    BENCH = "bench"
    CUSTOMER = "customer"


class Paper(StrEnum):
    """Papers that a PDF can be laid out for."""

    A4 = "A4"
    LETTER = "letter"


def report(
    session: SessionArgument = "last",
    instrument: CountedInstrument = None,
    journal: JournalOption = None,
    page: Annotated[
        PageKind, typer.Option(help="Page for the bench, with everything; or for the customer, in plain words.")
    ] = PageKind.BENCH,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            help="HTML file, - for standard output; by default SESSION.html here if no other form is given "
            "(SESSION-customer.html for the customer).",
        ),
    ] = None,
    pdf: Annotated[Path | None, typer.Option(help="PDF file, - for standard output.")] = None,
    paper: Annotated[Paper, typer.Option(help="Paper of the PDF.")] = Paper.A4,
    csv: Annotated[Path | None, typer.Option(help="CSV file, - for standard output.")] = None,
    json: Annotated[Path | None, typer.Option(help="JSON file, - for standard output.")] = None,
    lengths: LengthsOption = None,
) -> None:
    """Write a session's report in each form that is asked for; HTML without any.

    Args:
        session: its name; or ``last``, ``last-1`` and so on, of the instrument if one is given.
        instrument: its identity, name or file, for ``last``.
        journal: the journal file; the user's own if None.
        page: the page for the bench or for the customer; CSV and JSON are for the bench.
        output, pdf, csv, json: files to write; ``-`` is standard output. Without any, HTML is written to
            ``SESSION.html`` (``SESSION-customer.html``) in the current folder, which replaces an older report but no
            other file.
        paper: of the PDF.
        lengths: unit of the lengths on the page; CSV and JSON have mm.

    Raises:
        InputError: a file that can't be written, a library for PDF is missing, a form that a page doesn't have, or a
            session in which nothing was begun has no page for the customer.
        JournalError: no such session, or the journal can't be read.
    """
    if page is PageKind.CUSTOMER and (csv is not None or json is not None):
        raise InputError("--csv and --json are for the bench: leave them out, or leave out --page customer")
    forms = [place for place in (output, pdf, csv, json) if place is not None]
    if forms.count(STANDARD_OUTPUT) > 1:
        raise InputError("only one form can go to standard output: name a file for the others")
    announce = STANDARD_OUTPUT not in forms
    unit = chosen_lengths(lengths)
    facts = _facts(session, instrument, journal)
    if output is not None or pdf is not None or not forms:
        from oscservice.report import page as pages

        made = pages.customer_page if page is PageKind.CUSTOMER else pages.page
        if output is not None or not forms:
            place = output or _own_place(facts.overview.session, page)
            _write(place, made(facts, lengths=unit).encode(), announce)
        if pdf is not None:
            _write(pdf, pages.pdf_of(made(facts, printed=True, paper=paper, lengths=unit)), announce)
    if csv is not None:
        from oscservice.report.csv_table import csv_text

        _write(csv, csv_text(facts).encode(), announce)
    if json is not None:
        _write(json, f"{facts.to_json()}\n".encode(), announce)


def _facts(session: str, instrument: str | None, journal: Path | None) -> Facts:
    """Return the facts of a session's report. Raises InputError and JournalError as ``report``."""
    # These take long to import, and the help needs none of them.
    from oscservice.record.journal import Journal
    from oscservice.record.kept_sound import folder_of
    from oscservice.record.session_history import state_of, timed_events
    from oscservice.report.gather_facts import gather_facts
    from oscservice.session.replay import effective_events

    with Journal.open(journal, readonly=True) as opened:
        if not opened.sessions():
            raise JournalError(f"there is no session in the journal {opened.path}")
        name = named_session(opened, session, instrument)
        state_of(opened, name)  # says in one line what can't be read
        effective = effective_events(timed_events(opened, name))
        tracks = _pitch_tracks(folder_of(opened.path), name, effective)
        return gather_facts(opened.record(name), effective, __version__, tracks, opened.jobs.entries(name))


def _pitch_tracks(folder: Path, session: str, effective: EffectiveEvents) -> PitchTrackFacts | None:
    """Return the pitch tracks of kept sound; a progress bar is shown on a terminal."""
    from oscservice.report.gather_facts import pitch_tracks_of

    with progress_bar("kept sound") as looking:
        return pitch_tracks_of(folder, session, effective, lambda count: looking(count, None))


def _own_place(session: str, kind: PageKind) -> Path:
    """Return ``SESSION.html``, or ``SESSION-customer.html``, in the current folder. Raises InputError if a file of that
    name is no report."""
    end = "-customer" if kind is PageKind.CUSTOMER else ""
    place = Path(f"{_NO_NAME.sub('_', session)}{end}.html")  # an imported session's name may be a path, or anything
    try:
        with place.open("rb") as there:
            ours = MARK in there.read(4096)
    except FileNotFoundError:
        return place
    except OSError as error:
        raise InputError(f"{place} can't be written over ({error.strerror}): say where to with -o FILE") from None
    if not ours:
        raise InputError(f"{place} is there, and is no report: say where to with -o FILE")
    return place


def _write(place: Path, text: bytes, announce: bool) -> None:
    """Write a whole file or none; print its name and size if ``announce``. Raises InputError."""
    if place == STANDARD_OUTPUT:
        sys.stdout.flush()
        sys.stdout.buffer.write(text)
        return
    with output_file(place) as file:
        file.write(text)
    if announce:
        print(f"{place}: {len(text) / 1000.0:.0f} kB")
