"""``oscservice serve``: the daemon, one line on standard output for each change of state.

The options of ``oscservice serve``.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sys
from pathlib import Path
from typing import Annotated

import typer

from oscservice.bindings.settings_file import SettingsFile
from oscservice.cli.console import silence_stdout
from oscservice.daemon.app import serve as serve_daemon
from oscservice.instrument.pitch import MOST_SEMITONES
from oscservice.session.vocabulary import TOLERANCE_RANGE_CENTS
from oscservice.settings import (
    DEFAULT_HOST,
    DEFAULT_INSTRUMENT,
    DEFAULT_KEEP_AUDIO_MB,
    DEFAULT_PORT,
    DEFAULT_ROOT,
    DEFAULT_TOLERANCE_CENTS,
    MOST_KEEP_AUDIO_DAYS,
    MOST_KEEP_AUDIO_MB,
    ServeSettings,
    settings_file,
)


def serve_command(settings: ServeSettings, configured: SettingsFile) -> None:
    """Run the daemon, with its bindings and listeners, until SIGINT or SIGTERM.

    Raises OscserviceError if it can't be started.
    """
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="oscservice: %(levelname)s: %(message)s")
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(serve_daemon(settings, tell, configured))


def tell(line: str) -> None:
    """Print one line at once, for a person or a program that reads along. The daemon goes on when nobody does."""
    try:
        print(line, flush=True)
    except OSError:
        silence_stdout()


_LOWEST, _HIGHEST = TOLERANCE_RANGE_CENTS

# Options whose names differ from those of the settings' fields, which have their units, or a plural, in them.
_FIELDS = {
    "root": "prefix",
    "tolerance": "tolerance_cents",
    "bend_range": "bend_range_semitones",
    "plugin": "plugins",
    "without_plugin": "without_plugins",
}
_LISTS = ("allow", "plugin", "without_plugin")


def serve(
    context: typer.Context,
    settings: Annotated[
        Path | None, typer.Option(help="Settings file; the user's own, if there is one, if not given.")
    ] = None,
    source: Annotated[
        str, typer.Option(help="device[:NAME], file:PATH, - (raw samples on stdin), simulated, or a plug-in's.")
    ] = "device",
    rate: Annotated[int | None, typer.Option(help="Sample rate in Hz, of raw samples or a device.")] = None,
    channels: Annotated[int | None, typer.Option(help="Channels, of raw samples or a device.")] = None,
    format: Annotated[str | None, typer.Option(help="Raw samples: s16le, s24le or f32le.")] = None,
    fast: Annotated[bool, typer.Option(help="Read a file as fast as possible.")] = False,
    channel: Annotated[int, typer.Option(min=1, help="The channel that carries all strings.")] = 1,
    string_a_channel: Annotated[bool, typer.Option(help="Channel 1 carries string 1, and so on.")] = False,
    host: Annotated[str, typer.Option(help="Address to listen on for OSC.")] = DEFAULT_HOST,
    port: Annotated[int, typer.Option(help="Port of UDP, TCP and HTTP; 0 takes any free one.")] = DEFAULT_PORT,
    root: Annotated[str, typer.Option(help="Root of all OSC addresses.")] = DEFAULT_ROOT,
    allow: Annotated[
        list[str] | None,
        typer.Option(metavar="CIDR", help="A network that may send, as 192.168.1.0/24; give it again for more."),
    ] = None,
    announce: Annotated[
        bool,
        typer.Option(help="Tell the network that the daemon is there, whatever it listens on."),
    ] = False,
    bend_range: Annotated[
        int,
        typer.Option(
            min=0, max=MOST_SEMITONES, help="Semitones of a whole pitch bend, to send deviations as bends; 0: don't."
        ),
    ] = 0,
    name: Annotated[str, typer.Option(help="Name to be found by; one with the machine's name if not given.")] = "",
    plugin: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME:REST", help="What to give a plug-in that listens, a file, say; again for more."),
    ] = None,
    without_plugin: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="A plug-in to leave alone; give it again for more.")
    ] = None,
    journal: Annotated[Path | None, typer.Option(help="Journal file; the user's own if not given.")] = None,
    keep_audio: Annotated[
        bool, typer.Option(help="Keep each reading's note as FLAC beside the journal, to be measured again.")
    ] = False,
    keep_audio_mb: Annotated[
        int, typer.Option(min=1, max=MOST_KEEP_AUDIO_MB, help="Megabytes it may take; then the oldest goes.")
    ] = DEFAULT_KEEP_AUDIO_MB,
    keep_audio_days: Annotated[
        int, typer.Option(min=0, max=MOST_KEEP_AUDIO_DAYS, help="Days it is kept; 0: as long as there is room.")
    ] = 0,
    instrument: Annotated[str, typer.Option(help="Preset or file on the bench.")] = DEFAULT_INSTRUMENT,
    tolerance: Annotated[float, typer.Option(min=_LOWEST, max=_HIGHEST, help="Error in cents to settle for.")] = (
        DEFAULT_TOLERANCE_CENTS
    ),
    by_hand: Annotated[
        bool,
        typer.Option(help="Nothing advances by itself: /bench/session/next takes each step."),
    ] = False,
    resume: Annotated[bool, typer.Option(help="Take up the newest open session at once.")] = False,
    exit_at_end: Annotated[bool, typer.Option(help="End when the source ends.")] = False,
    seed: Annotated[
        int, typer.Option(min=0, help="Simulated guitar: how far out of tune it is, and where its saddles stand.")
    ] = 1,
    stepped: Annotated[
        bool,
        typer.Option(
            help="Simulated guitar: time stands still until a client sends /bench/simulator/wait SECONDS, and then "
            "passes as fast as the machine allows; /bench/simulator/done tells when all of it has been heard.",
        ),
    ] = False,
    sentences: Annotated[
        Path | None, typer.Option(help="Translation of what prompts say; see `oscservice sentences`.")
    ] = None,
) -> None:
    """Run the daemon: listen, take OSC commands, send what is found to subscribers."""
    from oscservice.bindings.settings_file import NOTHING, load_settings

    given = {name: value for name, value in context.params.items() if _on_the_command_line(context, name)}
    file = settings or (settings_file() if settings_file().is_file() else None)
    configured = NOTHING if file is None else load_settings(file, given.get("root"))
    options = {**configured.options, **given}
    options.pop("settings", None)
    options |= {name: tuple(options[name] or ()) for name in _LISTS if name in options}
    serve_command(ServeSettings(**{_FIELDS.get(name, name): value for name, value in options.items()}), configured)


def _on_the_command_line(context: typer.Context, name: str) -> bool:
    source = context.get_parameter_source(name)
    return source is not None and source.name == "COMMANDLINE"
