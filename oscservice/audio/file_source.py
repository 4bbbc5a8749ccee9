"""Source of blocks from a sound file, at the pace of a live input or as fast as they are taken."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

import soundfile

from oscservice.audio.block import BLOCK_FRAMES, TRUNCATED, AudioSource, Block, Samples, check_channels, check_rate
from oscservice.errors import InputError

# Programs that write a WAV into a pipe don't know its length, and set it to nearly the largest value (2 or 4 GiB).
_UNKNOWN_LENGTH_BYTES = 0x7FFF_0000

# libsndfile's note that the length of a chunk doesn't fit the file. The outermost size of RIFF and FORM files is
# ignored: many writers get it wrong by a few bytes, and the size of the sample data is given too.
_WRONG_LENGTH = re.compile(r"^(?!\s*(?:RIFF|FORM)\b).*: (\d+) \(should be (\d+)\)", re.MULTILINE)


class FileSource(AudioSource):
    """Any file that libsndfile reads. A file shorter than in its header is flagged "truncated" on the last block.

    Args:
        path: the file.
        fast: False to give each block when its last frame would have been recorded.

    Raises:
        InputError: the file can't be read, has no samples, or a sample rate outside 8 to 192 kHz.
    """

    def __init__(self, path: str | os.PathLike[str], fast: bool = False) -> None:
        self._path = Path(path)
        self._file = _open(self._path)
        try:
            if self._file.frames == 0:
                raise InputError(f"{self._path}: the sound file holds no samples")
            rate_hz = check_rate(self._file.samplerate, str(self._path))
            channels = check_channels(self._file.channels, str(self._path))
        except InputError:
            self._file.close()
            raise
        super().__init__(rate_hz, channels, f"file {self._path.name}, {rate_hz} Hz, {channels} ch")
        self._fast = fast

    def _blocks(self) -> Iterator[Block]:
        start_s = time.monotonic()
        current = self._read()
        if current is None:
            raise InputError(f"{self._path}: the sound file holds no samples that can be read")
        while current is not None and not self._closed.is_set():
            following = self._read()  # read ahead, to know which block is the last
            cut = following is None and self._is_cut(self._next_frame + len(current))
            block = self._block(current, flags=(TRUNCATED,) if cut else ())
            if not self._fast:
                self._wait_until(start_s + self._next_frame / self.sample_rate_hz)
            yield block
            current = following

    def _read(self) -> Samples | None:
        """Return up to BLOCK_FRAMES frames, or None at the end, or where a truncated file can't be decoded further."""
        try:
            samples: Samples = self._file.read(BLOCK_FRAMES, dtype="float32", always_2d=True)
        except soundfile.LibsndfileError:
            self._flag(TRUNCATED)
            return None
        return samples if len(samples) else None

    def _is_cut(self, frames: int) -> bool:
        """Return True when the file, which gave so many frames, should be longer."""
        lengths = ((int(stated), int(real)) for stated, real in _WRONG_LENGTH.findall(self._file.extra_info))
        short = any(real < stated < _UNKNOWN_LENGTH_BYTES for stated, real in lengths)
        return short or frames < self._file.frames or TRUNCATED in self.flags

    def _release(self) -> None:
        self._file.close()


def _open(path: Path) -> soundfile.SoundFile:
    """Open a sound file. Raises InputError with the reason in one line."""
    try:
        if not path.is_file():
            raise InputError(f"{path}: {'not a sound file' if path.exists() else 'there is no such file'}")
        with path.open("rb") as probe:  # libsndfile says only "System error": the system gives the reason
            if not probe.read(1):
                raise InputError(f"{path}: the file is empty (0 bytes)")
        return soundfile.SoundFile(path)
    except soundfile.LibsndfileError as error:
        why = " ".join(error.error_string.split()).rstrip(".")
        raise InputError(f"{path}: not a sound file that can be read ({why}); WAV, FLAC, AIFF and Ogg can") from None
    except TypeError:  # a name that ends in .raw
        raise InputError(f"{path}: raw samples don't say their sample rate: make a WAV or FLAC of them") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{path}: the file can't be read ({why})") from None
