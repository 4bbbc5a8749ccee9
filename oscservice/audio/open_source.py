"""Opening the source that a `SourceSpec` names."""

from __future__ import annotations

from typing import BinaryIO

from oscservice.audio.block import AudioSource, unfit_option
from oscservice.audio.device_source import DeviceSource
from oscservice.audio.file_source import FileSource
from oscservice.audio.raw_source import RawSource
from oscservice.audio.source_spec import SourceSpec
from oscservice.errors import InputError


def open_source(
    spec: SourceSpec,
    rate: int | None = None,
    channels: int | None = None,
    format: str | None = None,
    fast: bool = False,
    stdin: BinaryIO | None = None,
) -> AudioSource | None:
    """Return the source of `spec`; None for "simulated", which the caller builds from its guitar.

    Args:
        spec: the source.
        rate: sample rate in Hz: of raw samples, where it is required; or asked of a device. A file has its own.
        channels: number of channels, likewise; 1 by default for raw samples.
        format: format of raw samples; s16le by default.
        fast: True to read a file as fast as possible.
        stdin: the stream of raw samples.

    Raises:
        InputError: options that don't fit the source.
        AudioInputError: the device can't be used.
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
    """Return the source of a file. Raises InputError when the options don't fit the file."""
    source = FileSource(path, fast)
    complaint = unfit_option(source, rate, channels, "the file")
    if complaint:
        source.close()
        raise InputError(f"{path}: {complaint}: leave the option out")
    return source
