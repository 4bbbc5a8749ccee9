"""``oscservice check``: recordings compared with tolerances and a baseline."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape
from rich.table import Table

from oscservice.archive.result_cache import Cache
from oscservice.check.check_output import as_json, as_junit
from oscservice.check.file_naming import Names, compile_names
from oscservice.check.manifest import CheckSet, Recordings, listed, load_manifest, read_list
from oscservice.check.run_check import run_check
from oscservice.check.verdicts import VERDICT_TEXTS, CaseFound, CheckFinding, CheckResult, CheckVerdict, Limits, What
from oscservice.cli.arguments import named_instrument
from oscservice.cli.console import plain_table, progress_bar, say, wide_console
from oscservice.errors import InputError

_MARKS = {CheckVerdict.HOLDS: "", CheckVerdict.UNSURE: "?", CheckVerdict.OUT: "!", CheckVerdict.DRIFTED: "!"}
_MOST_LINES = 20
_MOST_ROWS = 100


@dataclass(frozen=True)
class CheckOptions:
    """What the command line says; None or empty: what the manifest says, or the usual."""

    files: Sequence[str] = ()
    list_file: str | None = None
    manifest: Path | None = None
    names: str | None = None
    instrument: str | None = None
    reference_hz: float | None = None
    channel: int | None = None
    string_a_channel: bool = False
    baseline: Path | None = None
    accept: bool = False
    limits: Limits = field(default_factory=Limits)
    json: str | None = None
    junit: Path | None = None
    jobs: int = 0
    cluster: str = ""
    no_cache: bool = False
    cache: Path | None = None


def check_command(options: CheckOptions) -> int:
    """Check recordings, print a table and what was refused, write what was asked for, and give the exit code.

    Raises:
        InputError: an option or a manifest that can't be used; nothing to check.
    """
    asked = _asked(options)
    instrument = None if asked.instrument is None else named_instrument(asked.instrument)
    began_s = time.monotonic()
    cache = None if options.no_cache else Cache.open(options.cache)
    try:
        with progress_bar("measuring") as measuring:
            result = run_check(
                asked,
                instrument,
                accept=options.accept,
                jobs=options.jobs or os.cpu_count() or 1,
                cluster=options.cluster,
                cache=cache,
                measuring=measuring,
            )
    finally:
        if cache is not None:
            cache.close()
    if cache is not None and cache.remarks:
        result = replace(result, remarks=(*result.remarks, *cache.remarks))
    if options.junit is not None:
        _write(options.junit, as_junit(result, time.monotonic() - began_s))
    if options.json is not None:
        text = json.dumps(as_json(result), allow_nan=False)
        if options.json == "-":
            print(text)
        else:
            _write(Path(options.json), text + "\n")
    for refused in result.refused:
        print(f"oscservice: {refused}", file=sys.stderr)
    if options.json != "-":
        _print(result, accepted=options.accept)
    return result.verdict.exit_code


def _asked(options: CheckOptions) -> CheckSet:
    """The set, by the manifest and by what the command line says in its place."""
    asked = CheckSet() if options.manifest is None else load_manifest(options.manifest)
    patterns = tuple(options.files)
    if options.list_file is not None:
        patterns += listed(sys.stdin.read()) if options.list_file == "-" else read_list(Path(options.list_file))
    try:
        names = None if options.names is None else compile_names(options.names)
    except ValueError as mistake:
        raise InputError(f"--names: {mistake}") from None
    recordings = asked.recordings
    if patterns:
        recordings = (Recordings(patterns, Path(), asked.info, asked.names),)
    recordings = tuple(_in_its_place(some, names, options) for some in recordings)
    limits = {name: value for name, value in vars(options.limits).items() if value not in (None, False)}
    return replace(
        asked,
        recordings=recordings,
        instrument=options.instrument or asked.instrument,
        reference_hz=options.reference_hz or asked.reference_hz,
        baseline=options.baseline or asked.baseline,
        limits=replace(asked.limits, **limits),
    )


def _in_its_place(some: Recordings, names: Names | None, options: CheckOptions) -> Recordings:
    """The recordings with what the command line says of names and channels in place of what the manifest does."""
    info = some.info
    if options.string_a_channel:
        info = replace(info, channel=0, string_a_channel=True)
    elif options.channel is not None:
        info = replace(info, channel=options.channel, string_a_channel=False)
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
    known = f" ({result.cached} known from before)" if result.cached else ""
    refused = f", {len(result.refused)} refused" if result.refused else ""
    judged = "" if accepted else f": {counts or 'none judged'}"
    say(console, f"{result.files} files{known}, {result.notes} notes{refused}{judged}", soft_wrap=True)


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
            table.add_row(*first, *_cells(finding))
        if not one.findings:
            table.add_row("", escape(str(one.case)), str(one.notes), "", "", "", "", "held against by others")
    return table


def _cells(finding: CheckFinding) -> list[str]:
    cents = "" if finding.cents is None else f"{round(finding.cents, 1) + 0.0:+.1f}"
    se = "" if finding.se_cents is None else f"{max(finding.se_cents, 0.05):.1f}"
    limit = "" if not finding.limit_cents or finding.what is What.PRESENCE else f"{finding.limit_cents:g}"
    wanted = f", about {finding.wanted} notes would tell" if finding.wanted else ""
    why = f": {finding.why}{wanted}" if finding.why else ""
    return [str(finding.what), cents, se, limit, escape(f"{finding.verdict}{why}")]


def _accepted(shown: Sequence[CaseFound]) -> Table:
    table = plain_table("place", "notes", right=("notes",))
    for one in shown:
        table.add_row(escape(str(one.case)), str(one.notes))
    return table


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
