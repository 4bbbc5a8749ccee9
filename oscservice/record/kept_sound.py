"""Kept sound: a reading's note as it came in, in a FLAC file beside the journal, and the limits of these files.

The event names the SHA-256 of the samples, so the session's hashes and seal cover them. FLAC (RFC 9639) is lossless:
a decoded file has the same samples, or it is not the kept file.

Where there is too much sound, that of whole sessions is deleted, the oldest first, but not that of an open session.
Only files with the names that are defined here are deleted.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from oscservice.errors import InputError
from oscservice.hearing.hum import Hum
from oscservice.hearing.listener import Quiet
from oscservice.record.event_chain import SESSION_NAME
from oscservice.session import events as ev

FULL_SCALE = 2**23
"""Samples are 24-bit integers from minus this number, which is -1.0, to one less than it."""

FILE = re.compile(r"(\d{5,})-([0-9a-f]{12})\.flac(\.part)?")
"""A file's name: number of the event and the start of the SHA-256. While it is written, it ends in ``.part``."""


@dataclass(frozen=True)
class KeptSound:
    """An event's record of its kept sound.

    Attributes
    ----------
    sha256 : str
        Hash of the samples: 24-bit, signed, little-endian, one channel.
    rate_hz : int
        Samples per second.
    onset_s : float
        Time of the pluck, from the first sample.
    knew : Quiet
        The listener's floor and hum before the first sample: its ``known``.
    full_scale : float
        The input's value at full scale: 1, or a power of two above 1 where the input went beyond 1.
    only_string : int | None
        The string of the channel, if every string has its own.
    """

    sha256: str
    rate_hz: int
    onset_s: float
    knew: Quiet
    full_scale: float = 1.0
    only_string: int | None = None

    def to_json(self) -> str:
        """Return the text for the event."""
        body = asdict(self)
        hum = self.knew.hum
        if hum is not None:
            body["knew"]["hum"]["amplitudes"] = [[one.real, one.imag] for one in hum.amplitudes]
        return json.dumps(body, allow_nan=False, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> KeptSound:
        """Read what ``to_json`` wrote. Raises ValueError for anything else."""
        try:
            body: dict[str, Any] = json.loads(text)
            return cls(**{**body, "knew": _quiet(**body["knew"])})
        except (TypeError, KeyError) as error:
            raise ValueError(f"{text!r} describes no sound: {error}") from None


def _quiet(floor_dbfs: float, hum: dict[str, Any] | None) -> Quiet:
    if hum is None:
        return Quiet(floor_dbfs)
    amplitudes = tuple(complex(*one) for one in hum["amplitudes"])
    return Quiet(floor_dbfs, Hum(**{**hum, "multiples": tuple(hum["multiples"]), "amplitudes": amplitudes}))


@dataclass(frozen=True, eq=False)
class Stretch:
    """Samples to keep, and what the event records about them.

    Attributes
    ----------
    samples : ndarray of int32, shape (n,)
        Samples of 24 bits, from -``FULL_SCALE`` to ``FULL_SCALE`` - 1.
    sound : KeptSound
        The record.
    """

    samples: NDArray[np.int32]
    sound: KeptSound


class MissingSoundError(Exception):
    """The file is missing or can't be read."""


class AlteredSoundError(Exception):
    """The file has other samples than were kept, or can't be decoded; the text says which."""


def stretch(
    samples: NDArray[np.float32], rate_hz: int, onset_s: float, knew: Quiet, only_string: int | None = None
) -> Stretch | None:
    """Return the samples rounded to 24 bits, as they are kept.

    Where some are beyond full scale, all are halved until none is, and ``full_scale`` records it, so that input from a
    floating-point converter is not clipped.

    Parameters
    ----------
    samples : ndarray of float32, shape (n,)
        One channel, finite, full scale 1.
    rate_hz : int
        Sample rate.
    onset_s : float
        Time of the pluck, from the first sample.
    knew : Quiet
        The listener's floor and hum before the first sample.
    only_string : int | None, optional
        Number of the string of the channel, if every string has its own.

    Returns
    -------
    Stretch | None
        Samples and their record; None if n is 0.
    """
    if not len(samples):
        return None
    full_scale = 1.0
    while not _fits(samples, full_scale):
        full_scale *= 2.0
    whole = np.rint(samples.astype(np.float64) * (FULL_SCALE / full_scale)).astype(np.int32)
    return Stretch(whole, KeptSound(digest(whole), rate_hz, onset_s, knew, full_scale, only_string))


def _fits(samples: NDArray[np.float32], full_scale: float) -> bool:
    """Return True when all samples, rounded, are in the range of 24 bits, which has one value less above zero."""
    top = float(samples.max()) * FULL_SCALE / full_scale
    bottom = float(samples.min()) * FULL_SCALE / full_scale
    return math.floor(top + 0.5) < FULL_SCALE and bottom >= -FULL_SCALE


def pcm(samples: NDArray[np.int32]) -> bytes:
    """Return the samples as bytes: 24-bit, signed, little-endian.

    Parameters
    ----------
    samples : ndarray of int32, shape (n,)
        Samples of 24 bits.

    Returns
    -------
    bytes
        Three a sample.
    """
    return samples.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


def digest(samples: NDArray[np.int32]) -> str:
    """Return the SHA-256 of samples, of their bytes as ``pcm`` returns them.

    Parameters
    ----------
    samples : ndarray of int32, shape (n,)
        Samples of 24 bits.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    return hashlib.sha256(pcm(samples)).hexdigest()


def floats(samples: NDArray[np.int32], sound: KeptSound) -> NDArray[np.float32]:
    """Return the samples as they came in, except for the rounding.

    Parameters
    ----------
    samples : ndarray of int32, shape (n,)
        Samples of 24 bits.
    sound : KeptSound
        Their record.

    Returns
    -------
    ndarray of float32
        Samples, shape (n,), full scale 1; beyond it where the input was.
    """
    return (samples.astype(np.float64) * (sound.full_scale / FULL_SCALE)).astype(np.float32)


def check_rate(rate_hz: int) -> None:
    """Raise InputError for a sample rate that the encoder refuses: above 65,535 Hz a frame's header has space for
    multiples of ten only (RFC 9639, 9.1.2, from memory)."""
    if rate_hz > 0xFFFF and rate_hz % 10:
        raise InputError(
            f"--keep-audio: a FLAC file can't have {rate_hz} samples a second: above 65535 take whole tens, or leave "
            "--keep-audio out"
        )


def flac(kept: Stretch, title: str = "") -> bytes:
    """Return a FLAC file of 24 bits with the samples."""
    file = io.BytesIO()
    with soundfile.SoundFile(file, "w", kept.sound.rate_hz, 1, "PCM_24", format="FLAC") as opened:
        if title:
            opened.title = title
        opened.comment = f"pluck at {kept.sound.onset_s:.3f} s, full scale stands for {kept.sound.full_scale:g}"
        opened.write(np.left_shift(kept.samples, 8))
    return file.getvalue()


def unpacked(file: bytes) -> tuple[NDArray[np.int32], int]:
    """Return the samples of a FLAC file of 24 bits, and its rate.

    Returns
    -------
    tuple[ndarray of int32, int]
        Samples of 24 bits, shape (n,); samples per second.

    Raises
    ------
    AlteredSoundError
        The file can't be decoded, or has several channels.
    """
    try:
        samples, rate_hz = soundfile.read(io.BytesIO(file), dtype="int32")
    except (soundfile.SoundFileError, RuntimeError, ValueError) as error:
        raise AlteredSoundError(f"can't be decoded ({error})") from None
    if samples.ndim != 1:
        raise AlteredSoundError(f"has {samples.shape[1]} channels, not one")
    return np.right_shift(samples, 8), int(rate_hz)


def folder_of(journal: Path) -> Path:
    """Return the folder beside a journal for the sound of its sessions, in which each session has its own folder."""
    real = journal.resolve()  # one folder, however the journal is named
    return real.with_name(f"{real.name}.sound")


def file_name(seq: int, sound: KeptSound) -> str:
    """Return the name of the file in the session's folder; ``seq`` is the first event that has the sound."""
    return f"{seq:05d}-{sound.sha256[:12]}.flac"


def find(folder: Path, session: str, sound: KeptSound) -> Path:
    """Return the path of a sound of a session. Raises MissingSoundError."""
    if SESSION_NAME.fullmatch(session):  # an imported name is no path
        found = sorted((folder / session).glob(f"*-{sound.sha256[:12]}.flac"))
        if found:
            return found[0]
    raise MissingSoundError(sound.sha256)


def read(path: Path, sound: KeptSound) -> NDArray[np.int32]:
    """Return the samples of a file, if they are those that were kept.

    Returns
    -------
    ndarray of int32
        Samples of 24 bits, shape (n,).

    Raises
    ------
    MissingSoundError
        The file can't be read.
    AlteredSoundError
        It can't be decoded, or holds other samples, another rate or several channels.
    """
    try:
        file = path.read_bytes()
    except OSError as error:
        raise MissingSoundError(f"can't be read ({error.strerror})") from None
    samples, rate_hz = unpacked(file)
    if digest(samples) != sound.sha256:
        raise AlteredSoundError("holds other samples than were kept")
    if rate_hz != sound.rate_hz:
        raise AlteredSoundError(f"says {rate_hz} samples a second, kept were {sound.rate_hz}")
    return samples


def sound_of(event: ev.Event) -> KeptSound | None:
    """Return the record of an event's sound; None if it has none."""
    if isinstance(event, ev.ReadingTaken):
        return KeptSound.from_json(event.sound) if event.sound else None
    if isinstance(event, ev.ReadingDoubted):
        text = json.loads(event.first).get("sound", "")
        return KeptSound.from_json(text) if text else None
    return None


def sounds_in(events: Iterable[tuple[int, ev.Event]]) -> Iterator[tuple[int, KeptSound]]:
    """Yield each sound once, with the number of its first event."""
    seen = set()
    for seq, event in events:
        sound = sound_of(event)
        if sound is not None and sound.sha256 not in seen:
            seen.add(sound.sha256)
            yield seq, sound


@dataclass(frozen=True)
class SoundCheck:
    """The check of a session's sound: numbers of unchanged and of missing files, and a line for each altered one."""

    kept: int = 0
    missing: int = 0
    altered: tuple[str, ...] = ()


def checked(folder: Path, session: str, sounds: Iterable[KeptSound]) -> SoundCheck:
    """Check every sound that a session's events name."""
    kept = missing = 0
    altered = []
    for sound in sounds:
        try:
            path = find(folder, session, sound)
            read(path, sound)
            kept += 1
        except MissingSoundError:
            missing += 1
        except AlteredSoundError as error:
            altered.append(f"{path.name} {error}")
    return SoundCheck(kept, missing, tuple(altered))


MEGABYTE = 1_000_000


@dataclass(frozen=True)
class SessionSound:
    """The sound files of one session; `size` in bytes."""

    session: str
    files: tuple[Path, ...]
    size: int

    @property
    def day(self) -> str:
        """The day on which it began, as 2026-11-25."""
        return self.session.rpartition("-")[0]


def sessions_in(folder: Path) -> list[SessionSound]:
    """Return every session with sound in a folder, which need not exist, the oldest first. Raises OSError."""
    if not folder.is_dir():
        return []
    named = [(SESSION_NAME.fullmatch(path.name), path) for path in folder.iterdir()]
    ours = sorted((match[1], int(match[2]), path) for match, path in named if match is not None and path.is_dir())
    return [_session(path) for _, _, path in ours]


def _session(folder: Path) -> SessionSound:
    files = tuple(sorted(path for path in folder.iterdir() if FILE.fullmatch(path.name)))
    return SessionSound(folder.name, files, sum(path.stat().st_size for path in files))


def too_old(found: Sequence[SessionSound], today: date, most_days: int) -> list[SessionSound]:
    """Return those of sessions that began more than so many days ago; 0: none are too old."""
    if most_days == 0:
        return []
    first_day = (today - timedelta(days=most_days)).isoformat()
    return [one for one in found if one.day < first_day]


def too_much(found: Sequence[SessionSound], most_bytes: int, under_way: Collection[str]) -> list[SessionSound]:
    """Return those to delete, the oldest first, so that at most ``most_bytes`` are used; open sessions stay."""
    size = sum(one.size for one in found)
    chosen = []
    for one in found:
        if size <= most_bytes:
            break
        if one.session not in under_way and one.size:
            chosen.append(one)
            size -= one.size
    return chosen


def delete(sound: SessionSound) -> None:
    """Delete a session's files, and its folder if nothing else is in it. Raises OSError."""
    for path in sound.files:
        path.unlink(missing_ok=True)
    if sound.files:
        folder = sound.files[0].parent
        if not any(folder.iterdir()):
            folder.rmdir()
