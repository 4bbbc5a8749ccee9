"""The table of sentences: the texts that a technician reads, by code; the English one is part of the program."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from string import Formatter
from typing import Any

from oscservice.sentences.length_text import TENTHS, LengthUnit, length_number, length_text, told_in

ENGLISH_FILE = resources.files("oscservice.sentences") / "en.toml"

Key = tuple[str, ...]
"""The place of a text in the file: ``("prompt", "slacken", "caution")``."""


LENGTH_FORM = re.compile(r"(?P<sign>\+?)(?P<what>length|size)(?:\.(?P<decimals>[0-3]))?")
"""Form of a field that is a length in mm: ``length`` with its unit, ``size`` without it."""


class _SentenceFormatter(Formatter):
    """``str.format`` with lengths and with fields of two forms.

    A length is given in mm. ``{mm:length}`` tells it with its unit: ``0.5 mm`` or ``0.020 in``. ``{mm:size}`` is the
    number alone. A ``+`` before either signs it; ``.2`` after it is the number of decimals in mm, else 1.

    Of the two forms in ``{days:# day|# days}`` the first is for 1, the second for other numbers; # is the number. Of a
    list of numbers, # is the list: ``{left:string #|strings #}`` gives ``strings 4, 2``.
    """

    def __init__(self, lengths: LengthUnit) -> None:
        self._lengths = lengths

    def format_field(self, value: Any, format_spec: str) -> str:
        length = LENGTH_FORM.fullmatch(format_spec)
        if length is not None:
            told = length_text if length["what"] == "length" else length_number
            return told(value, self._lengths, int(length["decimals"] or TENTHS), sign=bool(length["sign"]))
        count = value
        if isinstance(value, list | tuple):
            count, value = len(value), ", ".join(map(str, value))
        if "|" not in format_spec:
            return format(value, format_spec)
        one, many = format_spec.split("|", 1)
        return (one if count == 1 else many).replace("#", str(value))


_FORMATTERS = {unit: _SentenceFormatter(unit) for unit in LengthUnit}


@dataclass(frozen=True)
class Sentences:
    """Every text of one language.

    Attributes:
        language: its short name, as in ``en``.
        texts: by their place in the file. Values to fill in are in braces, as in ``str.format``.
        lengths: the unit in which lengths are told.
    """

    language: str
    texts: Mapping[Key, str]
    lengths: LengthUnit = LengthUnit.MM

    def text(self, *key: str, **values: object) -> str:
        """Return the text at a key, filled in. Raises KeyError for a key or a value that doesn't exist."""
        return _FORMATTERS[self.lengths].vformat(self.texts[key], (), values)

    def told(self, text: str) -> str:
        """Return an English text that is not from the table, such as one of a record, with its lengths in the unit in
        which lengths are told."""
        return told_in(text, self.lengths)

    def caution(self, code: str) -> str:
        """Return the caution that goes with a prompt; empty if it has none."""
        return self.optional("prompt", code, "caution")

    def optional(self, *key: str) -> str:
        """Return the text at a key as it is; empty if there is none."""
        return self.texts.get(key, "")

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
