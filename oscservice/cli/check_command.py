"""``oscservice check``: recordings compared with tolerances and a baseline."""

from __future__ import annotations

import json
import os
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from oscservice.cli.arguments import TuningOption, named_instrument
from oscservice.cli.console import progress_bar
from oscservice.defaults import LARGEST_LIMIT_CENTS, MOST_CHANNELS, REFERENCE_RANGE_HZ
from oscservice.errors import InputError

if TYPE_CHECKING:
    from oscservice.check.file_naming import Names
    from oscservice.check.manifest import Recordings

_REFERENCE = {"min": REFERENCE_RANGE_HZ[0], "max": REFERENCE_RANGE_HZ[1]}
_LIMIT = {"min": 0.01, "max": LARGEST_LIMIT_CENTS}


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
    in_tuning: TuningOption = None,
    reference: Annotated[float | None, typer.Option(**_REFERENCE, help="A4 in Hz, if there is no instrument.")] = None,
    channel: Annotated[
        int | None, typer.Option(min=1, max=MOST_CHANNELS, help="The channel to read; by default the loudest.")
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
    """Check recordings, print a table and the refused files, and write the files that the options name.

    An option that is not given leaves what the manifest says.

    Raises:
        typer.Exit: with the exit code of the verdict, unless all is well.
        InputError: an option or a manifest that can't be used; nothing to check.
    """
    # These take long to import, and the help needs none of them.
    from oscservice.archive.result_cache import Cache
    from oscservice.check.check_output import as_json, as_junit
    from oscservice.check.manifest import CheckSet, Recordings, load_manifest
    from oscservice.check.run_check import run_check
    from oscservice.check.verdicts import Limits
    from oscservice.cli.check_table import print_result

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
    if in_tuning is not None and check_set.instrument is None:
        raise InputError("--in-tuning: found no instrument; expected the one whose file names the tuning")
    profile = None if check_set.instrument is None else named_instrument(check_set.instrument, in_tuning)
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
        print_result(result, accepted=accept)
    if result.verdict.exit_code:
        raise typer.Exit(result.verdict.exit_code)


def _listed(list_file: str | None) -> tuple[str, ...]:
    """Return the paths of a list; ``-`` is standard input. Raises InputError."""
    from oscservice.check.manifest import listed, read_list

    if list_file is None:
        return ()
    return listed(sys.stdin.read()) if list_file == "-" else read_list(Path(list_file))


def _compiled(names: str | None) -> Names | None:
    """Return the pattern of file names. Raises InputError for a pattern that can't be used."""
    from oscservice.check.file_naming import compile_names

    try:
        return None if names is None else compile_names(names)
    except ValueError as mistake:
        raise InputError(f"--names: {mistake}") from None


def _changed(some: Recordings, names: Names | None, channel: int | None, string_a_channel: bool) -> Recordings:
    """Return the recordings, with names and channels as the command line gives them."""
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
