"""The table of sentences: what stands at each code, and the English one."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

ENGLISH_FILE = resources.files("oscservice.sentences") / "en.toml"

Key = tuple[str, ...]
"""Where a text stands in the file: ``("prompt", "slacken", "caution")``."""


@dataclass(frozen=True)
class Sentences:
    """Every text of one language.

    Attributes:
        language: its short name, as in ``en``.
        texts: by where they stand in the file. What is filled in stands in braces, as ``str.format`` has it.
    """

    language: str
    texts: Mapping[Key, str]

    def text(self, *key: str, **values: object) -> str:
        """The text at a key, filled in. Raises KeyError for a key or a value that isn't there."""
        return self.texts[key].format_map(values)

    def caution(self, code: str) -> str:
        """The caution that goes with a prompt; empty for none."""
        return self.texts.get(("prompt", code, "caution"), "")

    def column(self, table: str, field: str) -> dict[str, str]:
        """One field of every entry of a table that has it, by the entry's code, in the order of the file."""
        return {key[1]: text for key, text in self.texts.items() if key[0] == table and key[-1] == field}


def texts_of(data: Mapping[str, Any]) -> dict[Key, Any]:
    """What stands at the ends of nested tables, by the names on the way there."""
    found: dict[Key, Any] = {}
    for name, value in data.items():
        if isinstance(value, dict):
            found |= {(name, *rest): end for rest, end in texts_of(value).items()}
        else:
            found[(name,)] = value
    return found


def english_toml() -> str:
    """The English table as it is shipped, to copy and translate."""
    return ENGLISH_FILE.read_text(encoding="utf-8")


def _english() -> Sentences:
    texts = texts_of(tomllib.loads(english_toml()))
    return Sentences(texts.pop(("language",)), texts)


ENGLISH = _english()
"""What is read unless a translation is given."""
