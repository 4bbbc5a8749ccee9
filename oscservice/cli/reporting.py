"""The command line of `report`: what it takes."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class Paper(StrEnum):
    """Papers that a PDF can be laid out for."""

    A4 = "A4"
    LETTER = "letter"


def report(
    session: Annotated[
        str, typer.Argument(help="A session, as `history` names it; or last, last-1 and so on.")
    ] = "last",
    instrument: Annotated[str | None, typer.Option(help="The instrument that last is counted on.")] = None,
    journal: Annotated[Path | None, typer.Option(help="Journal file; the user's own if not given.")] = None,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output", "-o", help="HTML file, - for standard output; SESSION.html here if no form is asked for."
        ),
    ] = None,
    pdf: Annotated[Path | None, typer.Option(help="PDF file, - for standard output.")] = None,
    paper: Annotated[Paper, typer.Option(help="Paper of the PDF.")] = Paper.A4,
    csv: Annotated[Path | None, typer.Option(help="CSV file, - for standard output.")] = None,
    json: Annotated[Path | None, typer.Option(help="JSON file, - for standard output.")] = None,
) -> None:
    """Write a session as a page to read and hand over: HTML, PDF, CSV or JSON."""
    from oscservice.cli.report import report_command

    report_command(session, instrument, journal, output=output, pdf=pdf, paper=paper, csv=csv, json=json)
