"""The text that names a source, as in `--source`, and the source it stands for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import BinaryIO, Literal

from oscservice.audio.block import AudioSource
from oscservice.audio.device_source import DeviceSource
from oscservice.audio.file_source import FileSource
from oscservice.audio.raw_source import RawSource
from oscservice.errors import InputError

Kind = Literal["device", "file", "stdin", "simulated"]

BUILT_IN = ("device", "file", "simulated")
"""First words of the sources that need no plug-in, beside ``-``."""

CHOICES = "device, device:NAME, file:PATH, - (raw samples on standard input) or simulated"


@dataclass(frozen=True)
class SourceSpec:
    """A source by kind. `name` is the device's name (None: the default one) or the file's path, else None."""

    kind: Kind
    name: str | None = None

    def __str__(self) -> str:
        if self.kind == "stdin":
            return "-"
        return self.kind if self.name is None else f"{self.kind}:{self.name}"


def parse_source(text: str) -> SourceSpec:
    """What `text` names. Raises InputError, naming the choices."""
    kind, colon, name = text.partition(":")
    if text == "-":
        return SourceSpec("stdin")
    if kind == "device" and (name or not colon):
        return SourceSpec("device", name or None)
    if kind == "file" and name:
        return SourceSpec("file", name)
    if text == "simulated":
        return SourceSpec("simulated")
    raise InputError(unknown_source(text))


def unknown_source(text: str) -> str:
    """What is said of a source that isn't known."""
    return f"unknown source {text!r}: choose {CHOICES}"


def open_source(
    spec: SourceSpec,
    rate: int | None = None,
    channels: int | None = None,
    format: str | None = None,
    fast: bool = False,
    stdin: BinaryIO | None = None,
) -> AudioSource | None:
    """The source that `spec` names, or None for "simulated", which is built by whoever has the guitar.

    rate in Hz, channels and format describe raw samples on standard input (there the rate is needed, the others default
    to 1 and s16le); for a device, rate and channels are asked of it. A file brings its own.
    Raises InputError for options that don't fit the source, and whatever the source itself raises.
    """
    if fast and spec.kind != "file":
        raise InputError(f"--fast is for a file, not for the source {str(spec)!r}: leave it out")
    if format is not None and spec.kind != "stdin":
        raise InputError(
            f"--format is for raw samples on standard input, not for the source {str(spec)!r}: leave it out"
        )
    match spec.kind:
        case "device":
            return DeviceSource(spec.name, rate, channels)
        case "file":
            return _file(spec.name or "", rate, channels, fast)
        case "stdin":
            if rate is None:
                raise InputError("raw samples on standard input don't say their sample rate: give --rate HZ")
            if stdin is None:
                raise InputError("there is no standard input to read samples from")
            return RawSource(stdin, rate, 1 if channels is None else channels, format or "s16le")
        case "simulated":
            return None


def _file(path: str, rate: int | None, channels: int | None, fast: bool) -> FileSource:
    source = FileSource(path, fast)
    for option, asked, real in (("--rate", rate, source.sample_rate_hz), ("--channels", channels, source.channels)):
        if asked is not None and asked != real:
            source.close()
            raise InputError(f"{path}: {option} {asked} does not fit the file, which has {real}: leave the option out")
    return source
