"""Commands that list audio inputs, instrument presets, OSC addresses, plug-ins, and sentences.

What takes long to import is imported where it is used, so that the help of a command is there at once.
"""

from __future__ import annotations

import contextlib
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from oscservice.cli.arguments import LengthsOption, chosen_lengths
from oscservice.cli.console import plain_table, say
from oscservice.defaults import INCH_MM
from oscservice.sentences.length_text import LengthUnit, length_number
from oscservice.sentences.plural import counted

if TYPE_CHECKING:
    from oscservice.instrument.spec import Instrument
    from oscservice.plugins.registry import Offer, Registry

_NO_DEVICES = """No audio input device was found. To get one:
  - plug in an audio interface or a USB guitar cable, and run this again;
  - on a desktop that uses PipeWire or PulseAudio: apt-get install libasound2-plugins, so that its inputs show up here;
  - as an ordinary user: be in the group audio (usermod -aG audio USER, then log in again).
Without a sound card, {others} and {last} still work."""


def devices() -> None:
    """Print the audio inputs, the default one marked. Raises AudioInputError if PortAudio is missing."""
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    from oscservice.audio.portaudio import list_devices
    from oscservice.audio.source_spec import SOURCE_KINDS

    console = Console()
    found = list_devices()
    if not found:
        *others, last = [f"`--source {one.forms[0]}`" for one in SOURCE_KINDS if one.kind != "device"]
        say(console, _NO_DEVICES.format(others=", ".join(others), last=last), soft_wrap=True)
        return
    table = Table("number", "name", "through", "channels", "rate (Hz)", "", title="Audio inputs", title_justify="left")
    for device in found:
        table.add_row(
            str(device.index),
            escape(device.name),
            escape(device.host_api),
            str(device.channels),
            str(device.default_rate_hz),
            "default" if device.default else "",
        )
    console.print(table)
    console.print("Use one with --source device:NAME (or its number); a part of the name is enough.", highlight=False)


instruments_app = typer.Typer(add_completion=False)


@instruments_app.callback(invoke_without_command=True)
def instruments(context: typer.Context, lengths: LengthsOption = None) -> None:
    """List the presets, unless one of the commands follows."""
    if context.invoked_subcommand is None:
        list_instruments(chosen_lengths(lengths))


def list_instruments(lengths: LengthUnit = LengthUnit.MM) -> None:
    """Print a table of the presets on standard output."""
    from rich.console import Console

    from oscservice.instrument.instrument_file import load_instrument, preset_names

    columns = ("name", "strings", str(lengths), "gauges", "bridge and nut")
    table = plain_table(*columns, fixed=("name", str(lengths), "gauges"), title="Instrument presets")
    for name in preset_names():
        instrument = load_instrument(name)
        table.add_row(
            name,
            _notes(instrument),
            _scale(instrument, lengths),
            _gauges(instrument),
            _bridge_and_nut(instrument),
        )
    Console().print(table)


@instruments_app.command("show", help="Print a preset as the TOML text to copy and edit.")
def show_instrument(name: Annotated[str, typer.Argument(help="A preset's name.")]) -> None:
    """Print a preset's TOML text on standard output. Raises InputError for a name that isn't a preset."""
    from oscservice.instrument.instrument_file import preset_toml

    sys.stdout.write(preset_toml(name))


def _notes(instrument: Instrument) -> str:
    """Return the number of strings, the note of string 1 and the lowest note: ``6: E4-E2``."""
    from oscservice.instrument.pitch import note_number

    lowest = min((string.note for string in instrument.strings), key=note_number)
    return f"{len(instrument.strings)}: {instrument.strings[0].note}-{lowest}"


def _bridge_and_nut(instrument: Instrument) -> str:
    """Return the bridge in words, and the nut if it isn't a plain one."""
    from oscservice.instrument.hardware import PLAIN, ZERO_FRET

    kind = instrument.nut.kind
    nut = {PLAIN: "", ZERO_FRET: f", {ZERO_FRET}"}.get(kind, f", {kind} nut")
    return f"{instrument.bridge.title}{nut}"


def _scale(instrument: Instrument, lengths: LengthUnit) -> str:
    """Return the scale length as it is written in the file, or to a hundredth of an inch; the outer two of several."""
    scales_mm = sorted({string.scale_mm for string in instrument.strings})
    outer = [f"{one:g}" if lengths is LengthUnit.MM else length_number(one, lengths, 0) for one in scales_mm]
    return outer[0] if len(outer) == 1 else f"{outer[0]}-{outer[-1]}"


def _gauges(instrument: Instrument) -> str:
    """Return the thinnest and the thickest gauge in inches: ``.010-.046``."""
    gauges_mm = [string.gauge_mm for string in instrument.strings]
    thinnest, thickest = (f"{mm / INCH_MM:.3f}".lstrip("0") for mm in (min(gauges_mm), max(gauges_mm)))
    return f"{thinnest}-{thickest}"


def addresses(
    markdown: Annotated[bool, typer.Option("--markdown", help="Print the reference page.")] = False,
) -> None:
    """Print every OSC address the daemon takes and sends: its type tags, arguments and meaning.

    Args:
        markdown: print the reference page in Markdown instead of tables.
    """
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    from oscservice.api.address_reference import grouped, reference
    from oscservice.api.address_table import DEFAULT_PREFIX, TABLE
    from oscservice.osc.address import arguments_text

    if markdown:
        print(reference(), end="")
        return
    console = Console()
    longest = max(len(DEFAULT_PREFIX + address.path) for address in TABLE)
    for heading, group in grouped().items():
        table = Table("address", "tags", "meaning and arguments", title=heading, title_justify="left", expand=True)
        table.columns[0].no_wrap = True
        table.columns[0].min_width = longest
        table.columns[2].ratio = 1
        for address in group:
            meaning = escape(address.text)
            if address.arguments:
                meaning += f"\n[dim]{escape(arguments_text(address.arguments))}[/dim]"
            table.add_row(escape(DEFAULT_PREFIX + address.path), address.tags, meaning)
        console.print(table)


_NO_PLUGINS = "No plug-in is installed. A package offers one under the entry points {}."
WORKS = "can be used"


def plugins(
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON Lines, one object a plug-in.")] = False,
) -> None:
    """Load every plug-in and print its state: a table, or JSON Lines, one object a plug-in."""
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    from oscservice.plugins.registry import GROUPS, Registry

    registry = Registry()
    found = [(offer, state_of(offer, registry)) for offer in registry.offers()]
    if as_json:
        for offer, fault in found:
            print(json.dumps({"name": offer.name, "role": offer.role, "package": offer.package, **_rest(offer, fault)}))
        return
    console = Console()
    if not found:
        console.print(_NO_PLUGINS.format(", ".join(GROUPS.values())), highlight=False)
        return
    table = Table("name", "role", "package", "state", title="Plug-ins", title_justify="left")
    for offer, fault in found:
        table.add_row(escape(offer.name), offer.role, escape(f"{offer.package} {offer.version}"), escape(_state(fault)))
    console.print(table)
    say(
        console,
        "Sources: --source NAME[:REST]. Bridges: kind = NAME in an instrument file. Listeners get every event; "
        "--plugin NAME:REST gives one its argument. --without-plugin NAME disables one.",
    )


def state_of(offer: Offer, registry: Registry) -> str:
    """Return the reason why a plug-in can't be used; empty if it loads."""
    from oscservice.plugins.registry import PluginError, added

    with contextlib.suppress(PluginError):
        added(offer, registry) if offer.role == "bridge" else registry.load(offer)
    return registry.faults().get(offer, "")


def _state(fault: str) -> str:
    return f"disabled: {fault}" if fault else WORKS


def _rest(offer: Offer, fault: str) -> dict[str, str]:
    return {"version": offer.version, "state": "disabled" if fault else "usable", "reason": fault}


def sentences(
    translation: Annotated[Path | None, typer.Argument(help="A translation to check.")] = None,
) -> None:
    """Print the English table, or check a translation and print what it leaves in English. Raises InputError."""
    from oscservice.sentences.sentence_table import ENGLISH, english_toml
    from oscservice.sentences.translation import load_translation

    if translation is None:
        sys.stdout.write(english_toml())
        return
    found = load_translation(translation)
    done = len(ENGLISH.texts) - len(found.missing)
    print(f"{translation}: {done} of {counted(len(ENGLISH.texts), 'text')} in {found.sentences.language}")
    for key in found.missing:
        print(f"still English: {' '.join(key)}")
