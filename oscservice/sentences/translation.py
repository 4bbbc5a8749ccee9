"""A translation of the table of sentences, read from a file and compared with the English one."""

from __future__ import annotations

import re
import string as text_of
from dataclasses import dataclass
from pathlib import Path

from oscservice.errors import InputError
from oscservice.sentences.sentence_table import ENGLISH, Key, Sentences, texts_of
from oscservice.toml_file import find_line, parse, toml_text

LONGEST_TEXT = 400
"""Characters of one text, before it is filled in."""

_LANGUAGE: Key = ("language",)

_UNIT_TWICE = re.compile(r"(\{\w+:\+?length(?:\.[0-3])?\})\s*(?:mm|inch)\b")


@dataclass(frozen=True)
class Translation:
    """A translation completed with English texts.

    Attributes:
        sentences: every text; the English one if the translation has none.
        missing: keys that the translation has no text for.
    """

    sentences: Sentences
    missing: tuple[Key, ...]


def load_translation(path: Path) -> Translation:
    """Return the translation in a file. Texts that it leaves out are taken from the English table.

    Raises:
        InputError: it can't be read, is not TOML, has an unknown code, an empty text, or a text with other fields than
            the English one. One line: file, line, code, and the expected text.
    """
    missing = f"{path}: no such file; `oscservice sentences` prints the table to translate"
    return read_translation(toml_text(path, "a table of sentences", missing), str(path))


def read_translation(text: str, origin: str) -> Translation:
    """Return the translation in a TOML text; ``origin`` names the file in messages. Raises InputError."""
    given = texts_of(parse(text, origin))
    language = given.pop(_LANGUAGE, "")
    if not isinstance(language, str) or not re.fullmatch(r"[A-Za-z0-9-]{1,20}", language):
        where = f"{origin}: line {find_line(text, _LANGUAGE)}: language"
        raise InputError(f'{where}: expected the short name of the language in quotes, as language = "de"')
    for key, value in given.items():
        mistake_in = _mistake(key, value)
        if mistake_in:
            raise InputError(f"{origin}: line {find_line(text, key)}: {' '.join(key)[:80]}: {mistake_in}")
    missing = tuple(key for key in ENGLISH.texts if key not in given)
    return Translation(Sentences(language, {**ENGLISH.texts, **given}), missing)


def _mistake(key: Key, value: object) -> str:
    """Return the mistake in one text of a translation; empty if there is none."""
    english = ENGLISH.texts.get(key)
    if english is None:
        return "no such text in the English table; `oscservice sentences` prints it"
    if not isinstance(value, str) or not value.strip():
        return f"found {str(value)[:40]!r}, expected a text in quotes; leave it out to keep the English one"
    if len(value) > LONGEST_TEXT or not value.isprintable():
        return f"expected one line of at most {LONGEST_TEXT} printable characters"
    wanted = _fields(english)
    try:
        found = _fields(value)
    except ValueError:
        return "a brace is open or closed alone; double it to show one"
    twice = _UNIT_TWICE.search(value)
    if twice:
        return f"{twice[1]} has its unit with it; expected no unit after it"
    if found - wanted:
        return f"{min(found - wanted)} can't be filled in; expected {_listed(wanted)}"
    if wanted - found:
        return f"{min(wanted - found)} is missing; expected {_listed(wanted)}"
    return ""


def _fields(text: str) -> set[str]:
    """Return the fields that a text fills in, as they are written, ``{mm:.1f}``. One with two forms counts as its name
    alone, since the forms are translated. Raises ValueError for unpaired braces."""
    return {
        "{" + name + (f"!{conversion}" if conversion else "") + _format_of(form) + "}"
        for _, name, form, conversion in text_of.Formatter().parse(text)
        if name is not None
    }


def _format_of(form: str | None) -> str:
    two_forms = "|" in (form or "") and "{" not in (form or "")
    return f":{form}" if form and not two_forms else ""


def _listed(fields: set[str]) -> str:
    return " ".join(sorted(fields)) or "nothing in braces"
