"""The input devices PortAudio knows.

PortAudio is imported when first needed, so that everything else works on a machine without it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from types import ModuleType

from oscservice.errors import AudioInputError

_CARD_NUMBER = re.compile(r"\(hw:\d+,\d+\)")


@dataclass(frozen=True)
class InputDevice:
    """One device that can record. `default` tells whether it is the one used when none is named."""

    index: int
    name: str
    host_api: str
    channels: int
    default_rate_hz: int
    default: bool


def portaudio() -> ModuleType:
    """The sounddevice module. Raises AudioInputError with the command that installs PortAudio when it is missing."""
    try:
        import sounddevice
    except OSError:  # how sounddevice says that the shared library isn't there
        raise AudioInputError(
            "live audio needs the PortAudio library, which is not installed: apt-get install libportaudio2"
        ) from None
    except ImportError:
        raise AudioInputError("live audio needs the Python package sounddevice: pip install sounddevice") from None
    module: ModuleType = sounddevice
    return module


def list_devices() -> list[InputDevice]:
    """All devices with at least one input channel. Raises AudioInputError if PortAudio is missing or fails."""
    sd = portaudio()
    try:
        apis = sd.query_hostapis()
        chosen = sd.default.device[0]
        default = chosen if chosen >= 0 else apis[sd.default.hostapi]["default_input_device"]
        return [
            InputDevice(
                index=index,
                name=device["name"],
                host_api=apis[device["hostapi"]]["name"],
                channels=device["max_input_channels"],
                default_rate_hz=round(device["default_samplerate"]),
                default=index == default,
            )
            for index, device in enumerate(sd.query_devices())
            if device["max_input_channels"] > 0
        ]
    except sd.PortAudioError as error:
        raise AudioInputError(f"PortAudio can't list the audio devices ({one_line(error)})") from None


def find_device(name: str | None) -> InputDevice:
    """The input device of that name or number: the whole name, else a part of only one name (capitals don't matter).

    None means the system's default. Raises AudioInputError.
    """
    devices = list_devices()
    if not devices:
        raise AudioInputError("no audio input device was found: see `oscservice devices`")
    if name is None:
        found = [device for device in devices if device.default]
        if not found:
            raise AudioInputError("no input device is the default: name one of those that `oscservice devices` lists")
        return found[0]
    wanted = name.casefold()
    ways = (
        [device for device in devices if device.name == name],
        [device for device in devices if str(device.index) == name],
        [device for device in devices if name and not name.isdigit() and wanted in device.name.casefold()],
    )
    found = next((way for way in ways if way), [])
    if not found:
        raise AudioInputError(f"no audio input device is called {name!r}: see `oscservice devices`")
    if len(found) > 1:
        choices = ", ".join(f"{device.index} ({device.name}, {device.host_api})" for device in found)
        raise AudioInputError(f"{name!r} fits several audio input devices, so give the number of one: {choices}")
    return found[0]


def same_device(device: InputDevice) -> InputDevice:
    """The device as it is listed now, never another one. Raises AudioInputError while it isn't there.

    A replugged device may get another number, and ALSA another card number in its name: "(hw:1,0)".
    """
    listed = [other for other in list_devices() if other.host_api == device.host_api]
    ways = (
        [other for other in listed if (other.name, other.index) == (device.name, device.index)],
        [other for other in listed if other.name == device.name],
        [other for other in listed if _CARD_NUMBER.sub("", other.name) == _CARD_NUMBER.sub("", device.name)],
    )
    found = next((way for way in ways if way), [])
    if not found:
        raise AudioInputError(f"input device {device.name!r} is not there: plug it in, or see `oscservice devices`")
    return found[0]


def refresh_devices() -> None:
    """Make PortAudio list the devices afresh: it does so only when it starts.

    sounddevice has no public way to do this. There must be no open stream.
    """
    sd = portaudio()
    for step in (sd._terminate, sd._initialize):
        with suppress(sd.PortAudioError):  # where it fails, the next look at the list tells
            step()


@contextmanager
def silenced_stderr() -> Iterator[None]:
    """Keep what C libraries print on the standard error to themselves, so that one clear line can stand for it.

    It holds for the whole process: only for while nothing else runs yet. (sounddevice does the same as it starts.)
    """
    kept = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def one_line(error: Exception) -> str:
    """A driver's message on one line."""
    return " ".join(str(part) for part in error.args[:1]).replace("\n", " ") or type(error).__name__
