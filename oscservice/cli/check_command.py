"""``oscservice check``: recordings compared with tolerances and a baseline."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape
from rich.table import Table

from oscservice.archive.result_cache import Cache
from oscservice.check.check_output import as_json, as_junit, table_cells
from oscservice.check.file_naming import Names, compile_names
from oscservice.check.manifest import CheckSet, Recordings, listed, load_manifest, read_list
from oscservice.check.run_check import run_check
from oscservice.check.verdicts import VERDICT_TEXTS, CaseFound, CheckResult, CheckVerdict, Limits
from oscservice.cli.arguments import named_instrument
from oscservice.cli.console import plain_table, progress_bar, say, wide_console
from oscservice.errors import InputError
from oscservice.sentences.plural import counted

_MARKS = {CheckVerdict.HOLDS: "", CheckVerdict.UNSURE: "?", CheckVerdict.OUT: "!", CheckVerdict.DRIFTED: "!"}
_MOST_LINES = 20
_MOST_ROWS = 100


_LIMIT = {"min": 0.01, "max": 100.0}


def check(
    files: Annotated[
        list[str] | None, typer.Argument(help="Recordings, folders of them, or patterns such as 'takes/*.wav'.")
    ] = None,
    list_file: Annotated[
        str | None,
        typer.Option("--list", metavar="FILE", help="A file with a path on each line; - for standard input."),
    ] = None,
    manifest: Annotated[Path | None, typer.Option(help="A TOML file that describes the check.")] = None,
    names: Annotated[
        str | None,
        typer.Option(help="Pattern of the file names: string{string}_{place}_{take}, {note}_{dynamic}_{take}."),
    ] = None,
    instrument: Annotated[str | None, typer.Option(help="Preset or instrument file; none: note names only.")] = None,
    reference: Annotated[
        float | None, typer.Option(min=380.0, max=500.0, help="A4 in Hz, if there is no instrument.")
    ] = None,
    channel: Annotated[
        int | None, typer.Option(min=1, max=64, help="The channel to read; by default the loudest.")
    ] = None,
    string_a_channel: Annotated[bool, typer.Option("--string-a-channel", help="Channel 1 carries string 1.")] = False,
    baseline: Annotated[Path | None, typer.Option(help="An accepted earlier state to compare with.")] = None,
    accept: Annotated[bool, typer.Option("--accept", help="Write the measured notes to the baseline.")] = False,
    drift: Annotated[
        float | None, typer.Option(**_LIMIT, help="Largest difference from the baseline in cents; by default 1.")
    ] = None,
    retuned: Annotated[
        bool, typer.Option("--retuned", help="Retuned after the baseline: judge errors, not pitches.")
    ] = False,
    tuning: Annotated[float | None, typer.Option(**_LIMIT, help="Largest error of an open string in cents.")] = None,
    error: Annotated[float | None, typer.Option(**_LIMIT, help="Largest error of a fret in cents.")] = None,
    json_file: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE", help="Write the result as a JSON object; - prints it, and no table."),
    ] = None,
    junit: Annotated[Path | None, typer.Option(help="Write the result as JUnit XML, for a build server.")] = None,
    jobs: Annotated[int, typer.Option(min=0, max=256, help="Number of processes; 0: one for each core.")] = 0,
    cluster: Annotated[str, typer.Option(metavar="tcp://HOST:PORT", help="A Dask scheduler to measure on.")] = "",
    no_cache: Annotated[bool, typer.Option("--no-cache", help="Neither read nor write the cache.")] = False,
    cache: Annotated[Path | None, typer.Option(help="Folder of the cache; by default the user's own.")] = None,
) -> None:
    """Check recordings, print a table and what was refused, and write what was asked for.

    An option that is not given leaves what the manifest says.

    Raises:
        typer.Exit: with the exit code of the verdict, unless all is well.
        InputError: an option or a manifest that can't be used; nothing to check.
    """
    check_set = CheckSet() if manifest is None else load_manifest(manifest)
    patterns = (*(files or ()), *_listed(list_file))
    if patterns:
        recordings = (Recordings(patterns, Path(), check_set.info, check_set.names),)
        check_set = replace(check_set, recordings=recordings)
    pattern = _compiled(names)
    limits = check_set.limits
    check_set = replace(
        check_set,
        recordings=tuple(_changed(some, pattern, channel, string_a_channel) for some in check_set.recordings),
        instrument=instrument or check_set.instrument,
        reference_hz=reference or check_set.reference_hz,
        baseline=baseline or check_set.baseline,
        limits=Limits(
            limits.tuning_cents if tuning is None else tuning,
            limits.error_cents if error is None else error,
            limits.drift_cents if drift is None else drift,
            limits.retuned or retuned,
        ),
    )
    profile = None if check_set.instrument is None else named_instrument(check_set.instrument)
    began_s = time.monotonic()
    results = None if no_cache else Cache.open(cache)
    try:
        with progress_bar("measuring") as measuring:
            result = run_check(
                check_set,
                profile,
                accept=accept,
                jobs=jobs or os.cpu_count() or 1,
                cluster=cluster,
                cache=results,
                measuring=measuring,
            )
    finally:
        if results is not None:
            results.close()
    if results is not None and results.remarks:
        result = replace(result, remarks=(*result.remarks, *results.remarks))
    if junit is not None:
        _write(junit, as_junit(result, time.monotonic() - began_s))
    if json_file is not None:
        text = json.dumps(as_json(result), allow_nan=False)
        if json_file == "-":
            print(text)
        else:
            _write(Path(json_file), text + "\n")
    for refused in result.refused:
        print(f"oscservice: {refused}", file=sys.stderr)
    if json_file != "-":
        _print(result, accepted=accept)
    if result.verdict.exit_code:
        raise typer.Exit(result.verdict.exit_code)


def _listed(list_file: str | None) -> tuple[str, ...]:
    """The paths of a list; ``-`` is standard input. Raises InputError."""
    if list_file is None:
        return ()
    return listed(sys.stdin.read()) if list_file == "-" else read_list(Path(list_file))


def _compiled(names: str | None) -> Names | None:
    """Return the pattern of file names. Raises InputError for a pattern that can't be used."""
    try:
        return None if names is None else compile_names(names)
    except ValueError as mistake:
        raise InputError(f"--names: {mistake}") from None


def _changed(some: Recordings, names: Names | None, channel: int | None, string_a_channel: bool) -> Recordings:
    """The recordings, with names and channels as the command line gives them."""
    info = some.info
    if string_a_channel:
        info = replace(info, channel=0, string_a_channel=True)
    elif channel is not None:
        info = replace(info, channel=channel, string_a_channel=False)
    return replace(some, info=info, names=names or some.names)


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as trouble:
        raise InputError(f"{path}: can't be written ({trouble.strerror}); choose another place") from None


def _print(result: CheckResult, *, accepted: bool) -> None:
    console = wide_console()
    if result.cases:
        against = "what was heard"
        if not accepted:
            against = "against tolerances" if result.limits.drift_cents is None else f"against {result.baseline}"
        say(console, f"{result.name or 'Recordings'} {against}", soft_wrap=True)
        shown = result.cases
        if len(shown) > _MOST_ROWS:  # of a large archive only what doesn't hold
            shown = tuple(one for one in shown if one.verdict is not CheckVerdict.HOLDS)[:_MOST_ROWS]
        if shown:
            console.print(_accepted(shown) if accepted else _table(shown))
        if len(shown) < len(result.cases):
            say(console, f"{len(result.cases) - len(shown)} more are not shown; --json has them all", soft_wrap=True)
        for verdict in (
            sorted({one.verdict for one in result.cases}, key=list(CheckVerdict).index) if not accepted else ()
        ):
            say(console, f"{verdict}: {VERDICT_TEXTS[verdict]}", soft_wrap=True)
    for remark in result.remarks[:_MOST_LINES]:
        say(console, remark, soft_wrap=True)
    if len(result.remarks) > _MOST_LINES:
        say(console, f"... and {len(result.remarks) - _MOST_LINES} more remarks; --json has them all", soft_wrap=True)
    counts = ", ".join(f"{result.counts[v]} {_words(v)}" for v in reversed(CheckVerdict) if result.counts[v])
    known = f" ({result.cached} from the cache)" if result.cached else ""
    refused = f", {len(result.refused)} refused" if result.refused else ""
    judged = "" if accepted else f": {counts or 'none judged'}"
    say(
        console,
        f"{counted(result.files, 'file')}{known}, {counted(result.notes, 'note')}{refused}{judged}",
        soft_wrap=True,
    )


def _words(verdict: CheckVerdict) -> str:
    return {CheckVerdict.HOLDS: "hold", CheckVerdict.UNSURE: "unsure", CheckVerdict.OUT: "out of tolerance"}.get(
        verdict, str(verdict)
    )


def _table(shown: Sequence[CaseFound]) -> Table:
    columns = ("", "place", "notes", "what", "cents", "±", "limit")
    table = plain_table(*columns, "verdict", right=("notes", "cents", "±", "limit"), fixed=columns)
    table.caption, table.caption_justify = "Cents, + sharp, ± 1 sd.", "left"
    for one in shown:
        for row, finding in enumerate(one.findings):
            first = [_MARKS[finding.verdict], escape(str(one.case)), str(one.notes)] if row == 0 else ["", "", ""]
            table.add_row(*first, *map(escape, table_cells(finding)))
        if not one.findings:
            table.add_row("", escape(str(one.case)), str(one.notes), "", "", "", "", "compared by others")
    return table


def _accepted(shown: Sequence[CaseFound]) -> Table:
    table = plain_table("place", "notes", right=("notes",))
    for one in shown:
        table.add_row(escape(str(one.case)), str(one.notes))
    return table
