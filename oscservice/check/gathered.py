"""Which files a check is of: folders, patterns and single paths, in the order people count in."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import soundfile

from oscservice.check.assigned import Told
from oscservice.check.manifest import Recordings
from oscservice.check.verdicts import Refusal
from oscservice.errors import InputError

_MAGIC = re.compile(r"[*?\[]")
_DIGITS = re.compile(r"(\d+)")
_MORE_SUFFIXES = ("aif", "aifc", "oga", "opus", "wave")  # other endings of formats that libsndfile reads


@dataclass(frozen=True)
class Gathered:
    """One file: where it is, how it is shown, and what is known of it."""

    path: Path
    shown: str
    told: Told


def gather(recordings: Sequence[Recordings]) -> tuple[list[Gathered], list[Refusal]]:
    """The files of a check, each once, and what was refused: patterns and paths without a file, names that their
    pattern does not fit."""
    files: list[Gathered] = []
    refused: list[Refusal] = []
    seen: set[Path] = set()
    for some in recordings:
        for pattern in some.patterns:
            found = list(_files(pattern, some.folder))
            if not found:
                refused.append(Refusal(pattern, _nothing(pattern, some.folder)))
            for path in found:
                if path in seen:
                    continue
                seen.add(path)
                told = _told(path, some)
                if told is None:
                    assert some.names is not None
                    refused.append(Refusal(_shown(path), f"its name does not fit the pattern {some.names.pattern}"))
                else:
                    files.append(Gathered(path, _shown(path), told))
    return files, refused


def listed(text: str) -> tuple[str, ...]:
    """The paths in a list: one a line, blank lines left out."""
    return tuple(line.strip() for line in text.splitlines() if line.strip())


def read_list(path: Path) -> tuple[str, ...]:
    """The paths in a list file. Raises InputError."""
    try:
        return listed(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as trouble:
        why = getattr(trouble, "strerror", None) or "not UTF-8 text"
        raise InputError(f"{path}: the list can't be read ({why})") from None


def in_order(paths: Iterable[Path]) -> list[Path]:
    """Sorted as people count: take 2 before take 10."""
    return sorted(paths, key=lambda path: [_counted(part) for part in path.parts])


def _counted(text: str) -> list[tuple[int, int, str]]:
    parts = _DIGITS.split(text)
    return [(1, int(part), part) if part.isdigit() else (0, 0, part.lower()) for part in parts]


def _told(path: Path, some: Recordings) -> Told | None:
    if some.names is None:
        return some.told
    named = some.names.read(path)
    return (
        None if named is None else Told(named, (), some.told.listen_for, some.told.channel, some.told.string_a_channel)
    )


def _files(pattern: str, folder: Path) -> list[Path]:
    path = folder / Path(pattern).expanduser()
    if path.is_dir():
        endings = _endings()
        return in_order(
            Path(at) / name
            for at, _, names in os.walk(path)
            for name in names
            if name.rpartition(".")[2].lower() in endings and not name.startswith(".")
        )
    if path.exists() or not _MAGIC.search(pattern):
        return [path]  # one that is missing is told of when it is read
    return in_order(Path(found) for found in glob.glob(str(path), recursive=True) if not Path(found).is_dir())


def _endings() -> set[str]:
    return {name.lower() for name in soundfile.available_formats()} | set(_MORE_SUFFIXES)


def _nothing(pattern: str, folder: Path) -> str:
    if (folder / Path(pattern).expanduser()).is_dir():
        return "no recording is in this folder"
    return "no file fits this pattern"


def _shown(path: Path) -> str:
    """The shorter way to write a path: from here, if it is below here."""
    try:
        return str(path.absolute().relative_to(Path.cwd()))
    except ValueError:
        return str(path)
