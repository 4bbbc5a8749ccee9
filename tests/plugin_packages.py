"""Packages that offer plug-ins, written for a test: modules, and the metadata that an installed package has."""

from __future__ import annotations

import itertools
from pathlib import Path
from textwrap import dedent

from oscservice.plugins.registry import Offer, Registry

_NUMBERS = itertools.count(1)


def package(folder: Path, name: str, module: str, **offers: dict[str, str]) -> Path:
    """Put a package into a folder as if it were installed there, and return the folder.

    Args:
        module: source of its one module, which goes by the package's name.
        offers: for ``sources``, ``bridges`` and ``listeners``: plug-in's name -> name of its object in the module.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{name}.py").write_text(dedent(module), encoding="utf-8")
    info = folder / f"{name}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", encoding="utf-8")
    lines: list[str] = []
    for group, entries in offers.items():
        lines += [f"[oscservice.{group}]", *(f"{key} = {name}:{what}" for key, what in entries.items()), ""]
    (info / "entry_points.txt").write_text("\n".join(lines), encoding="utf-8")
    return folder


def plugin_package(packages_folder: Path, module: str, **offers: dict[str, str]) -> str:
    """Put a package with a name of its own into the folder, and return the name."""
    name = f"made_up_package_{next(_NUMBERS)}"
    package(packages_folder, name, module, **offers)
    return name


class WatchedRegistry(Registry):
    """A registry, and what it said."""

    def __init__(self, *without: str) -> None:
        self.said: list[str] = []
        super().__init__(without, self._note)

    def _note(self, offer: Offer, reason: str) -> None:
        self.said.append(f"{offer.name}: {reason}")

    def the(self, role: str, name: str) -> Offer:
        found = self.offer(role, name)
        assert found is not None
        return found
