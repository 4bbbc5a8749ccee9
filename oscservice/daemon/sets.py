"""Named sets of recordings, which may be checked by name: what comes from a network never names a path."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

SET_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,39}")

MOST_LISTED = 60
"""So many names are told at most: an answer then fits into one message."""


@dataclass(frozen=True)
class Sets:
    """Manifests by name.

    Attributes:
        folder: its TOML files are sets by their bare names; None for no folder.
        named: manifests by the names that the settings give them; they win over files of the same name.
    """

    folder: Path | None = None
    named: Mapping[str, Path] = field(default_factory=dict)

    def names(self) -> list[str]:
        """Every set there is now, in order, at most ``MOST_LISTED``."""
        try:
            files = [one.stem for one in self.folder.glob("*.toml") if one.is_file()] if self.folder else []
        except OSError:
            files = []
        there = {name for name in files if SET_NAME.fullmatch(name)} | set(self.named)
        return sorted(there)[:MOST_LISTED]

    def manifest(self, name: str) -> Path | None:
        """The manifest of a set; None if there is none of that name."""
        if name in self.named:
            return self.named[name]
        if self.folder is None or SET_NAME.fullmatch(name) is None:
            return None
        file = self.folder / f"{name}.toml"
        try:
            return file if file.is_file() else None
        except OSError:
            return None
