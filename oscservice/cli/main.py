"""The command line: the table of commands, and errors as one line with an exit code.

A command's module is imported when that command is used. So the version and the list of commands are there at once.
"""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Annotated, Any, NoReturn, cast

import typer
from typer.core import TyperCommand, TyperGroup

from oscservice import __version__
from oscservice.cli.console import replace_unprintable_characters, silence_stdout
from oscservice.errors import InputError, OscserviceError

# The list in --help, in its order: the function of a command, or the typer.Typer of a group of commands, and its help.
COMMANDS = {
    "rehearse": (
        "rehearse_command:rehearse",
        "Run the whole job on a simulated guitar with a simulated technician: no sound card, no instrument.",
    ),
    "serve": (
        "serve_command:serve",
        "Run the daemon: listen, accept OSC commands, send results to subscribers.",
    ),
    "listen-in": (
        "listen_in_command:listen_in",
        "Show what a control surface sends, and print bindings for it. Runs instead of the daemon.",
    ),
    "measure": (
        "measure_command:measure",
        "Measure every note of recordings with the daemon's own listener.",
    ),
    "check": (
        "check_command:check",
        "Compare recordings with tolerances or a baseline: 0 holds, 1 drifted or out of tolerance, 2 can't be judged.",
    ),
    "predict": (
        "predict_command:predict",
        "Predict the saddle places from the strings' build, and how they follow a change.",
    ),
    "remains": (
        "remains_command:remains",
        "Show the errors that remain at every fret after a session, in this tuning or in another.",
    ),
    "history": (
        "history_command:history",
        "List the sessions of an instrument with their results, or draw them over time.",
    ),
    "compare": (
        "compare_command:compare",
        "Show the changes of an instrument between two sessions, and which are more than chance.",
    ),
    "report": (
        "report_command:report",
        "Write a session as a page to read and hand over: HTML, PDF, CSV or JSON.",
    ),
    "job": (
        "job_command:job",
        "Write a session's job sheet: customer, job, notes, photographs. It stays private.",
    ),
    "remeasure": (
        "remeasure_command:remeasure",
        "Measure a session's kept sound again, and show the changes. The exit code is 1 if there are any.",
    ),
    "devices": ("listing_commands:devices", "List the audio inputs."),
    "plugins": ("listing_commands:plugins", "List the installed plug-ins and the state of each."),
    "addresses": ("listing_commands:addresses", "List every OSC address."),
    "sentences": (
        "listing_commands:sentences",
        "Print the English texts of the prompts to translate, or check a translation.",
    ),
    "instruments": (
        "listing_commands:instruments_app",
        "Instrument presets, to use as they are or to copy and edit.",
    ),
    "sessions": ("sessions_command:app", "Recorded sessions: list, verify, export, import."),
}

# The error of Typer for a command line it can't read; its name depends on the version of click that Typer uses.
_UsageError = cast(type[Exception], typer.BadParameter.__mro__[1])


def main() -> None:
    """Run the command line. A user's mistake ends with one line on standard error and its exit code."""
    replace_unprintable_characters()
    try:
        if sys.argv[1:] == ["--version"]:  # Typer loads the library of its checks for any option but --help
            _print_version()
            return
        code = command_line()(prog_name="oscservice", standalone_mode=False)
        sys.stdout.flush()
    except OscserviceError as error:
        _end(str(error), error.exit_code)
    except _UsageError as error:
        _end(_usage(error), InputError.exit_code)
    except (KeyboardInterrupt, typer.Abort):
        sys.exit(130)
    except BrokenPipeError:  # the reader of the output has closed it
        silence_stdout()
    else:
        sys.exit(code if isinstance(code, int) else 0)


def command_line() -> TyperGroup:
    """Return the command ``oscservice`` with all of its commands, none of them imported yet."""
    app = _typer(help="Listen to the strings of a fretted instrument, and report over OSC how to move each saddle.")
    app.callback(invoke_without_command=True)(_top)
    group = cast(TyperGroup, typer.main.get_command(app))
    for name in COMMANDS:
        group.add_command(_LazyCommand(name))
    return group


class _LazyCommand(TyperCommand):
    """A command by its name and help. The real one is imported when it runs, or shows its own help."""

    def __init__(self, name: str) -> None:
        super().__init__(name, help=COMMANDS[name][1])

    def make_context(self, info_name: str | None, args: list[str], parent: Any = None, **extra: Any) -> Any:
        return load_command(info_name or "").make_context(info_name, args, parent=parent, **extra)


def load_command(name: str) -> Any:
    """Import a command's module, and return the command as Typer runs it."""
    target, text = COMMANDS[name]
    module, attribute = target.split(":")
    found = getattr(import_module(f"oscservice.cli.{module}"), attribute)
    if isinstance(found, typer.Typer):
        command = typer.main.get_command(found)
        command.help = text
        return command
    app = _typer()
    app.command(name, help=text)(found)
    return typer.main.get_command(app)


def _typer(help: str | None = None) -> typer.Typer:
    return typer.Typer(name="oscservice", help=help, add_completion=False, pretty_exceptions_enable=False)


def _top(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version and end.")] = False,
) -> None:
    if version:
        _print_version()
        raise typer.Exit
    if context.invoked_subcommand is None:
        print(context.get_help())


def _print_version() -> None:
    print(f"oscservice {__version__}", flush=True)


def _end(complaint: str, code: int) -> NoReturn:
    print(f"oscservice: {complaint}", file=sys.stderr)
    sys.exit(code)


def _usage(error: Any) -> str:
    """Return the line for a mistake on the command line: Typer's message, and the help that explains the options."""
    path = error.ctx.command_path if error.ctx is not None else "oscservice"
    message = " ".join(error.format_message().split()).rstrip(".")
    return f"{message[:1].lower()}{message[1:]}: see `{path} --help`"
