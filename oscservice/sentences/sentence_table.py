"""The table of sentences: the texts that a technician reads, by code; the English one is part of the program."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from string import Formatter
from typing import Any

ENGLISH_FILE = resources.files("oscservice.sentences") / "en.toml"

Key = tuple[str, ...]
"""The place of a text in the file: ``("prompt", "slacken", "caution")``."""


class _PluralFormatter(Formatter):
    """``str.format`` with two forms of a field: ``{days:# day|# days}`` gives ``1 day`` and ``2 days``.

    The first form is for 1, the second for other numbers; # is the number. Of a list of numbers, # is the list:
    ``{left:string #|strings #}`` gives ``strings 4, 2``.
    """

    def format_field(self, value: Any, format_spec: str) -> str:
        count = value
        if isinstance(value, list | tuple):
            count, value = len(value), ", ".join(map(str, value))
        if "|" not in format_spec:
            return format(value, format_spec)
        one, many = format_spec.split("|", 1)
        return (one if count == 1 else many).replace("#", str(value))


_FORMATTER = _PluralFormatter()


@dataclass(frozen=True)
class Sentences:
    """Every text of one language.

    Attributes:
        language: its short name, as in ``en``.
        texts: by their place in the file. Values to fill in are in braces, as in ``str.format``.
    """

    language: str
    texts: Mapping[Key, str]

    def text(self, *key: str, **values: object) -> str:
        """Return the text at a key, filled in. Raises KeyError for a key or a value that doesn't exist."""
        return _FORMATTER.vformat(self.texts[key], (), values)

    def caution(self, code: str) -> str:
        """Return the caution that goes with a prompt; empty if it has none."""
        return self.texts.get(("prompt", code, "caution"), "")

    def column(self, table: str, field: str) -> dict[str, str]:
        """Return one field of all entries of a table that have it, by the entry's code, in the order of the file."""
        return {key[1]: text for key, text in self.texts.items() if key[0] == table and key[-1] == field}


def texts_of(data: Mapping[str, Any]) -> dict[Key, Any]:
    """Return the values in nested tables, each by the keys that lead to it."""
    found: dict[Key, Any] = {}
    for name, value in data.items():
        if isinstance(value, dict):
            found |= {(name, *rest): end for rest, end in texts_of(value).items()}
        else:
            found[(name,)] = value
    return found


def english_toml() -> str:
    """Return the English table as a TOML text, to copy and translate."""
    return ENGLISH_FILE.read_text(encoding="utf-8")


def _english() -> Sentences:
    texts = texts_of(tomllib.loads(english_toml()))
    return Sentences(texts.pop(("language",)), texts)


ENGLISH = _english()
"""The texts in use unless a translation is given."""
