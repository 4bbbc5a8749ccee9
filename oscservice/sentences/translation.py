"""A translation of the table of sentences, read from a file and held against the English one."""

from __future__ import annotations

import re
import string as text_of
import tomllib
from dataclasses import dataclass
from pathlib import Path

from oscservice.errors import InputError
from oscservice.sentences.sentence_table import ENGLISH, Key, Sentences, texts_of
from oscservice.toml_file import toml_text

LONGEST_TEXT = 400
"""Characters of one text, before it is filled in."""

_LANGUAGE: Key = ("language",)


@dataclass(frozen=True)
class Translation:
    """A translation made whole with English, and which texts were missing in it."""

    sentences: Sentences
    missing: tuple[Key, ...]


def load_translation(path: Path) -> Translation:
    """Read a translation. What it leaves out is taken from the English table.

    Raises:
        InputError: it can't be read, is no TOML, has a code that isn't known, a text that is none, or one that fills
            in something else than the English text does. One line: file, line, code, and what was expected.
    """
    missing = f"{path}: no such file; `oscservice sentences` prints the table to translate"
    return read_translation(toml_text(path, "a table of sentences", missing), str(path))


def read_translation(text: str, origin: str) -> Translation:
    """The translation in a TOML text; ``origin`` names the file in messages. Raises InputError."""
    try:
        given = texts_of(tomllib.loads(text))
    except (ValueError, RecursionError) as mistake:
        what = (str(mistake).splitlines() or [""])[0]
        raise InputError(f"{origin}: not valid TOML: {what}; expected key = value") from None
    language = given.pop(_LANGUAGE, "")
    if not isinstance(language, str) or not re.fullmatch(r"[A-Za-z0-9-]{1,20}", language):
        where = f"{origin}: line {_line(text, _LANGUAGE)}: language"
        raise InputError(f'{where}: expected the short name of the language in quotes, as language = "de"')
    for key, value in given.items():
        mistake_in = _mistake(key, value)
        if mistake_in:
            raise InputError(f"{origin}: line {_line(text, key)}: {' '.join(key)[:80]}: {mistake_in}")
    missing = tuple(key for key in ENGLISH.texts if key not in given)
    return Translation(Sentences(language, {**ENGLISH.texts, **given}), missing)


def _mistake(key: Key, value: object) -> str:
    """What is wrong with one text of a translation, or an empty text."""
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
    if found - wanted:
        return f"{min(found - wanted)} can't be filled in; expected {_listed(wanted)}"
    if wanted - found:
        return f"{min(wanted - found)} is missing; expected {_listed(wanted)}"
    return ""


def _fields(text: str) -> set[str]:
    """What a text fills in, as it stands there: ``{mm:.1f}``. Raises ValueError for braces that don't fit."""
    return {
        "{" + name + (f"!{conversion}" if conversion else "") + (f":{form}" if form else "") + "}"
        for _, name, form, conversion in text_of.Formatter().parse(text)
        if name is not None
    }


def _listed(fields: set[str]) -> str:
    return " ".join(sorted(fields)) or "nothing in braces"


def _line(text: str, key: Key) -> int:
    """Line of a key in a TOML text, from 1: of its table if the key is not found, else 1."""
    table = re.compile(r"\s*\[\s*" + r"\s*\.\s*".join(_name(part) for part in key[:-1]) + r"\s*\]")
    entry = re.compile(r"\s*" + _name(key[-1]) + r"\s*=")
    here, header = len(key) == 1, 0
    for number, line in enumerate(text.splitlines(), start=1):
        if line.lstrip().startswith("["):
            here = bool(table.match(line)) if len(key) > 1 else False
            header = number if here else header
        elif here and entry.match(line):
            return number
    return header or 1


def _name(part: str) -> str:
    return rf"""["']?{re.escape(part)}["']?"""
