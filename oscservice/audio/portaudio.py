"""PortAudio's input devices.

PortAudio is imported when it is first used, so that everything else works on a machine without it.
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
    """One device that can record; `default` is True for the one that is used when none is named."""

    index: int
    name: str
    host_api: str
    channels: int
    default_rate_hz: int
    default: bool


def portaudio() -> ModuleType:
    """Return the sounddevice module. Raises AudioInputError with the command that installs PortAudio if it is
    missing."""
    try:
        import sounddevice
    except OSError:  # sounddevice doesn't find the shared library
        raise AudioInputError(
            "live audio needs the PortAudio library, which is not installed: apt-get install libportaudio2"
        ) from None
    except ImportError:
        raise AudioInputError("live audio needs the Python package sounddevice: pip install sounddevice") from None
    module: ModuleType = sounddevice
    return module


def list_devices() -> list[InputDevice]:
    """Return all devices with an input channel. Raises AudioInputError if PortAudio is missing or fails."""
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
    """Return the input device with this name or number, or with this part of its name if no other has it.

    Capitals don't matter in a part of a name. None is the system's default.

    Raises:
        AudioInputError: no device, or more than one, fits.
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
    """Return the same device as it is listed now. Raises AudioInputError while it isn't there.

    A device that was plugged in again may have another number, and with ALSA another card number in its name:
    "(hw:1,0)".
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
    """Make PortAudio list the devices again, which it does only when it starts.

    sounddevice has no public function for this. No stream may be open.
    """
    sd = portaudio()
    for step in (sd._terminate, sd._initialize):
        with suppress(sd.PortAudioError):  # the next use of the list reports a failure
            step()


@contextmanager
def silenced_stderr() -> Iterator[None]:
    """Discard what C libraries print on standard error, so that one clear line can replace it.

    This is for the whole process, so use it only while nothing else runs. (sounddevice does the same when it starts.)
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
    """Return a driver's message on one line."""
    return " ".join(str(part) for part in error.args[:1]).replace("\n", " ") or type(error).__name__
