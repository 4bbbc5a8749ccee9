"""`oscservice devices`: what can be listened to."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from oscservice.audio.portaudio import list_devices

_NONE = """No audio input device was found. To get one:
  - plug in an audio interface or a USB guitar cable, and run this again;
  - on a desktop that uses PipeWire or PulseAudio: apt-get install libasound2-plugins, so that its inputs show up here;
  - as an ordinary user: be in the group audio (usermod -aG audio USER, then log in again).
Without a sound card, `--source file:PATH`, `--source -` and `--source simulated` still work."""


def devices_command(console: Console | None = None) -> None:
    """Print the input devices, the default one marked. Raises AudioInputError if PortAudio is missing."""
    out = console or Console()
    devices = list_devices()
    if not devices:
        out.print(_NONE, highlight=False, markup=False, soft_wrap=True)
        return
    table = Table("number", "name", "through", "channels", "rate (Hz)", "", title="Audio inputs", title_justify="left")
    for device in devices:
        table.add_row(
            str(device.index),
            escape(device.name),
            escape(device.host_api),
            str(device.channels),
            str(device.default_rate_hz),
            "default" if device.default else "",
        )
    out.print(table)
    out.print("Use one with --source device:NAME (or its number); a part of the name is enough.", highlight=False)
