"""The options of ``oscservice check``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

_LIMIT = {"min": 0.01, "max": 100.0}


def check(
    files: Annotated[
        list[str] | None, typer.Argument(help="Recordings, folders of them, or patterns such as 'takes/*.wav'.")
    ] = None,
    list_file: Annotated[
        str | None,
        typer.Option("--list", metavar="FILE", help="A file with a path on each line; - for standard input."),
    ] = None,
    manifest: Annotated[Path | None, typer.Option(help="A TOML file that says what the check is of.")] = None,
    names: Annotated[
        str | None, typer.Option(help="What file names say: string{string}_{place}_{take}, {note}_{dynamic}_{take}.")
    ] = None,
    instrument: Annotated[str | None, typer.Option(help="Preset or instrument file; none: notes go by names.")] = None,
    reference: Annotated[float | None, typer.Option(min=380.0, max=500.0, help="A4 in Hz, without instrument.")] = None,
    channel: Annotated[int | None, typer.Option(min=1, max=64, help="The channel to read; else the loudest.")] = None,
    string_a_channel: Annotated[bool, typer.Option("--string-a-channel", help="Channel 1 carries string 1.")] = False,
    baseline: Annotated[Path | None, typer.Option(help="An accepted earlier state to hold the notes against.")] = None,
    accept: Annotated[bool, typer.Option("--accept", help="Make what is heard the baseline.")] = False,
    drift: Annotated[
        float | None, typer.Option(**_LIMIT, help="Cents by which a pitch may differ from the baseline; else 1.")
    ] = None,
    retuned: Annotated[bool, typer.Option("--retuned", help="Tuned anew since: judge errors, not pitches.")] = False,
    tuning: Annotated[float | None, typer.Option(**_LIMIT, help="Cents that an open string may be off.")] = None,
    error: Annotated[float | None, typer.Option(**_LIMIT, help="Cents that a fret may be off its open string.")] = None,
    json: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write the result as a JSON object; - prints it, and no table.")
    ] = None,
    junit: Annotated[Path | None, typer.Option(help="Write the result as JUnit XML, for a build server.")] = None,
    jobs: Annotated[int, typer.Option(min=0, max=256, help="Processes that measure; 0: one a core.")] = 0,
    cluster: Annotated[str, typer.Option(metavar="tcp://HOST:PORT", help="A Dask scheduler to measure on.")] = "",
    no_cache: Annotated[bool, typer.Option("--no-cache", help="Measure all anew, and keep nothing.")] = False,
    cache: Annotated[Path | None, typer.Option(help="Folder of what was measured before; else the user's own.")] = None,
) -> None:
    """Hold recordings against tolerances and a baseline: 0 holds, 1 drifted or out of tolerance, 2 can't be judged."""
    from oscservice.check.verdicts import Limits
    from oscservice.cli.check import CheckOptions, check_command

    options = CheckOptions(
        files or (),
        list_file,
        manifest,
        names,
        instrument,
        reference,
        channel,
        string_a_channel,
        baseline,
        accept,
        Limits(tuning, error, drift, retuned),
        json,
        junit,
        jobs,
        cluster,
        no_cache,
        cache,
    )
    code = check_command(options)
    if code:
        raise typer.Exit(code)
