"""The command line: what each command takes, and errors as one line with an exit code."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any, NoReturn, cast

import typer

from oscservice import __version__
from oscservice.cli.check_command import check
from oscservice.cli.console import silence_stdout, write_what_can_be_written
from oscservice.cli.report_command import report
from oscservice.cli.serve_command import serve
from oscservice.errors import InputError, OscserviceError
from oscservice.session.vocabulary import TOLERANCE_RANGE_CENTS
from oscservice.settings import DEFAULT_HOST, DEFAULT_INSTRUMENT, DEFAULT_PORT, DEFAULT_ROOT

LOWEST, HIGHEST = TOLERANCE_RANGE_CENTS

app = typer.Typer(
    name="oscservice",
    help="Hears a fretted instrument's strings and says over OSC how each saddle has to move.",
    add_completion=False,
    pretty_exceptions_enable=False,
)
instruments_app = typer.Typer(help="Instrument presets, to use as they are or to copy and edit.", no_args_is_help=False)
app.add_typer(instruments_app, name="instruments")
sessions_app = typer.Typer(help="Recorded sessions: list, verify, export, import.", no_args_is_help=False)
app.add_typer(sessions_app, name="sessions")


_JOURNAL = typer.Option(help="Journal file; the user's own if not given.")


# What Typer raises for a command line it can't read; its name depends on which click Typer brings along.
_UsageError = cast(type[Exception], typer.BadParameter.__mro__[1])


def main() -> None:
    """Run the command line. A user's mistake ends with one line on standard error and its exit code."""
    write_what_can_be_written()
    try:
        code = app(prog_name="oscservice", standalone_mode=False)
        sys.stdout.flush()
    except OscserviceError as error:
        _end(str(error), error.exit_code)
    except _UsageError as error:
        _end(_usage(error), InputError.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        sys.exit(130)
    except BrokenPipeError:  # whoever read the output has seen enough
        silence_stdout()
    else:
        sys.exit(code if isinstance(code, int) else 0)


def _end(complaint: str, code: int) -> NoReturn:
    print(f"oscservice: {complaint}", file=sys.stderr)
    sys.exit(code)


def _usage(error: Any) -> str:
    """A mistake on the command line in one line: what Typer says, and where the options are explained."""
    path = error.ctx.command_path if error.ctx is not None else "oscservice"
    said = " ".join(error.format_message().split()).rstrip(".")
    return f"{said[:1].lower()}{said[1:]}: see `{path} --help`"


@app.callback(invoke_without_command=True)
def _top(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version and end.")] = False,
) -> None:
    if version:
        print(f"oscservice {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        print(context.get_help())


@app.command()
def rehearse(
    seed: Annotated[int, typer.Option(min=0, help="Which guitar and which hands; the same seed is the same run.")] = 1,
    real_time: Annotated[bool, typer.Option("--real-time", help="Let time pass as at a real bench.")] = False,
    instrument: Annotated[str, typer.Option(help="Preset or instrument file.")] = DEFAULT_INSTRUMENT,
    tolerance: Annotated[float, typer.Option(min=LOWEST, max=HIGHEST, help="Error in cents to settle for.")] = 1.0,
    frets: Annotated[str, typer.Option(help='Frets to compare, "1 3 5x2 12" (x2: counts twice) or thorough.')] = "12",
    json: Annotated[bool, typer.Option("--json", help="Print the result as one JSON object.")] = False,
) -> None:
    """Run the whole job on a simulated guitar with a simulated technician: no sound card, no instrument."""
    from oscservice.cli.rehearse_command import rehearse_command

    rehearse_command(seed, instrument, tolerance, frets, real_time=real_time, as_json=json)


app.command()(serve)


@app.command("listen-in")
def listen_in(
    port: Annotated[int, typer.Option(help="Port that the surface sends to; 0 takes any free one.")] = DEFAULT_PORT,
    host: Annotated[str, typer.Option(help="Address to listen on; 0.0.0.0 for all of this machine's.")] = DEFAULT_HOST,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="End after so long; else Ctrl-C does.")] = None,
    root: Annotated[str, typer.Option(help="Root of the daemon's own addresses.")] = DEFAULT_ROOT,
    toml: Annotated[bool, typer.Option("--toml", help="Print the bindings only.")] = False,
) -> None:
    """Show what a control surface sends, and offer the bindings for it. Runs in the daemon's place."""
    from oscservice.cli.listen_in_command import listen_in_command

    listen_in_command(host, port, seconds, root, toml=toml)


@app.command()
def measure(
    files: Annotated[list[Path], typer.Argument(help="Recordings, of any kind libsndfile reads.")],
    expect: Annotated[str | None, typer.Option(help="Note to expect, e.g. e2.")] = None,
    instrument: Annotated[str | None, typer.Option(help="Preset or file: name string and place of each note.")] = None,
    reference: Annotated[float, typer.Option(min=380.0, max=500.0, help="A4 in Hz.")] = 440.0,
    json: Annotated[bool, typer.Option("--json", help="Print JSON Lines, one object a note.")] = False,
) -> None:
    """Measure every note of recordings with the daemon's own listener."""
    from oscservice.cli.measure_command import measure_command

    measure_command(files, expect, instrument, reference, as_json=json)


app.command()(check)


@app.command()
def predict(
    instrument: Annotated[str, typer.Argument(help="Preset or instrument file.")],
    action_mm: Annotated[float | None, typer.Option(help="Raise the action at fret 12 by this; - lowers.")] = None,
    nut_mm: Annotated[float | None, typer.Option(help="Height of the strings over the frets at the nut.")] = None,
    semitones: Annotated[
        int | None, typer.Option(min=-24, max=24, help="Tune all strings by this many; - down.")
    ] = None,
    notes: Annotated[str | None, typer.Option(help='Open notes, string 1 first: "D4 A3 F3 C3 G2 C2".')] = None,
    gauges: Annotated[
        str | None,
        typer.Option(help="Gauges in inches, string 1 first; 0.046/0.018 gives a core, - leaves a string on."),
    ] = None,
    reference: Annotated[float | None, typer.Option(help="A4 in Hz.")] = None,
    capo: Annotated[int | None, typer.Option(help="Fret of a capo.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the result as one JSON object.")] = False,
) -> None:
    """Tell from the strings' build where the saddles should stand, and how they have to follow a change."""
    from oscservice.cli.predict_command import Change, predict_command

    change = Change(action_mm, nut_mm, semitones, notes, gauges, reference, capo)
    predict_command(instrument, change, as_json=json)


@app.command()
def remains(
    session: Annotated[str, typer.Argument(help="Name of a session; the newest if not given.")] = "",
    journal: Annotated[Path | None, typer.Option(help="Journal file; the user's own if not given.")] = None,
    semitones: Annotated[
        int | None, typer.Option(min=-24, max=24, help="Tune all strings by this many; - down.")
    ] = None,
    notes: Annotated[str | None, typer.Option(help='Open notes, string 1 first: "D4 A3 F3 C3 G2 C2".')] = None,
    reference: Annotated[float | None, typer.Option(help="A4 in Hz.")] = None,
    capo: Annotated[int | None, typer.Option(help="Fret of a capo.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the result as one JSON object.")] = False,
) -> None:
    """Tell what a session leaves at every fret of every string, in this tuning or in another one."""
    from oscservice.cli.predict_command import Change
    from oscservice.cli.remains_command import remains_command

    change = Change(semitones=semitones, notes=notes, reference_hz=reference, capo=capo)
    remains_command(session, journal, change, as_json=json)


@app.command()
def history(
    instrument: Annotated[str, typer.Argument(help="Identity, name or file of an instrument.")],
    journal: Annotated[Path | None, _JOURNAL] = None,
    plot: Annotated[Path | None, typer.Option(help="Draw them over months into this file: .svg, .png or .pdf.")] = None,
    south: Annotated[bool, typer.Option("--south", help="Seasons of the southern half of the earth.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print a JSON array, one object a session.")] = False,
) -> None:
    """List the sessions of an instrument, and how each left it; or draw what became of it."""
    from oscservice.cli.history_command import history_command

    history_command(instrument, journal, plot, south=south, as_json=json)


@app.command()
def compare(
    first: Annotated[str, typer.Argument(help="A session, as `history` names it; or last, last-1 and so on.")],
    second: Annotated[str, typer.Argument(help="Another one.")],
    instrument: Annotated[str | None, typer.Option(help="The instrument that last is counted on.")] = None,
    journal: Annotated[Path | None, _JOURNAL] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the result as one JSON object.")] = False,
) -> None:
    """Tell what changed on an instrument between two sessions, and what of it is more than chance."""
    from oscservice.cli.compare_command import compare_command

    compare_command(first, second, instrument, journal, as_json=json)


app.command()(report)


@app.command()
def remeasure(
    session: Annotated[str, typer.Argument(help="A session, as `history` names it; or last, last-1 and so on.")],
    instrument: Annotated[str | None, typer.Option(help="The instrument that last is counted on.")] = None,
    journal: Annotated[Path | None, _JOURNAL] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the result as one JSON object.")] = False,
) -> None:
    """Measure a session's kept sound again, and tell what changes. Ends with 1 if something does."""
    from oscservice.cli.remeasure_command import remeasure_command

    if not remeasure_command(session, instrument, journal, as_json=json):
        raise typer.Exit(1)


@app.command()
def devices() -> None:
    """List the audio inputs."""
    from oscservice.cli.listing_commands import devices_command

    devices_command()


@app.command()
def plugins(
    json: Annotated[bool, typer.Option("--json", help="Print JSON Lines, one object a plug-in.")] = False,
) -> None:
    """List the plug-ins that are installed, and whether they can be used."""
    from oscservice.cli.listing_commands import plugins_command

    plugins_command(as_json=json)


@app.command()
def addresses(
    markdown: Annotated[bool, typer.Option("--markdown", help="Print the reference page.")] = False,
) -> None:
    """List every OSC address."""
    from oscservice.cli.listing_commands import addresses_command

    addresses_command(markdown)


@app.command()
def sentences(
    translation: Annotated[Path | None, typer.Argument(help="A translation to check.")] = None,
) -> None:
    """Print the English table of what prompts say, to copy and translate; or check a translation of it."""
    from oscservice.cli.listing_commands import sentences_command

    sentences_command(translation)


@instruments_app.callback(invoke_without_command=True)
def _instruments(context: typer.Context) -> None:
    """List the presets."""
    if context.invoked_subcommand is None:
        from oscservice.cli.listing_commands import list_instruments

        list_instruments()


@instruments_app.command("show")
def _show(name: Annotated[str, typer.Argument(help="A preset's name.")]) -> None:
    """Print a preset as the TOML text to copy and edit."""
    from oscservice.cli.listing_commands import show_instrument

    show_instrument(name)


@sessions_app.callback(invoke_without_command=True)
def _sessions(context: typer.Context, journal: Annotated[Path | None, _JOURNAL] = None) -> None:
    """List the sessions, the newest first."""
    if context.invoked_subcommand is None:
        from oscservice.cli.sessions_command import list_sessions

        list_sessions(journal)
    elif journal is not None:
        raise InputError("--journal belongs after the command: oscservice sessions verify --journal FILE")


@sessions_app.command("verify")
def _verify(
    session: Annotated[str, typer.Argument(help="Name of a session; all if not given.")] = "",
    journal: Annotated[Path | None, _JOURNAL] = None,
) -> None:
    """Tell which sessions were edited since they were recorded, and from which event on."""
    from oscservice.cli.sessions_command import verify_sessions

    if not verify_sessions(session, journal):
        raise typer.Exit(1)


@sessions_app.command("export")
def _export(
    sessions: Annotated[list[str] | None, typer.Argument(help="Names of sessions; all if none is given.")] = None,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="File; standard output if not given.")] = None,
    journal: Annotated[Path | None, _JOURNAL] = None,
) -> None:
    """Write sessions as JSON Lines."""
    from oscservice.cli.sessions_command import export_sessions

    export_sessions(sessions or [], output, journal)


@sessions_app.command("import")
def _import(
    file: Annotated[Path, typer.Argument(help="What `oscservice sessions export` wrote.")],
    journal: Annotated[Path | None, _JOURNAL] = None,
) -> None:
    """Add exported sessions to the journal."""
    from oscservice.cli.sessions_command import import_sessions

    import_sessions(file, journal)
