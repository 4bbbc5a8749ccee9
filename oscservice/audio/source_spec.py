"""The text that names a source of blocks, as in `--source`: the table of the built-in kinds, and reading the text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from oscservice.errors import InputError

Kind = Literal["device", "file", "stdin", "simulated"]


@dataclass(frozen=True)
class SourceKind:
    """A built-in kind of source, and the ways to write it.

    Attributes:
        kind: the kind.
        word: the text, or the part of it before the colon.
        name: meaning of the part after the colon; empty where there is none.
        name_optional: True if the word is a source without a name too.
        meaning, short_meaning: in messages and in the help of the option, where the word doesn't say it.
    """

    kind: Kind
    word: str
    name: str = ""
    name_optional: bool = True
    meaning: str = ""
    short_meaning: str = ""

    @property
    def forms(self) -> tuple[str, ...]:
        """Every way to write it, the shortest first."""
        return (self.word,) * self.name_optional + ((f"{self.word}:{self.name}",) if self.name else ())


SOURCE_KINDS = (
    SourceKind("device", "device", "NAME"),
    SourceKind("file", "file", "PATH", name_optional=False),
    SourceKind("stdin", "-", meaning="raw samples on standard input", short_meaning="raw samples on stdin"),
    SourceKind("simulated", "simulated"),
)

BUILT_IN = tuple(one.word for one in SOURCE_KINDS if one.word != "-")
"""First words of the built-in sources, besides ``-``."""


def _explained(text: str, meaning: str) -> str:
    return f"{text} ({meaning})" if meaning else text


def _either(texts: list[str]) -> str:
    """Return two texts or more as a choice: ``a, b or c``."""
    return f"{', '.join(texts[:-1])} or {texts[-1]}"


CHOICES = _either([_explained(form, one.meaning) for one in SOURCE_KINDS for form in one.forms])
"""Every form of every kind, for messages."""

SHORTEST_FORMS = _either([one.forms[0] for one in SOURCE_KINDS])
"""One form of every kind."""

OPTION_FORMS = ", ".join(
    _explained(f"{one.word}[:{one.name}]" if len(one.forms) == 2 else one.forms[0], one.short_meaning)
    for one in SOURCE_KINDS
)
"""Every kind with what may be left out in brackets, for the help of the option."""


@dataclass(frozen=True)
class SourceSpec:
    """A source by kind; `name` is the device's name (None for the default) or the file's path, else None."""

    kind: Kind
    name: str | None = None

    def __str__(self) -> str:
        word = next(one.word for one in SOURCE_KINDS if one.kind == self.kind)
        return word if self.name is None else f"{word}:{self.name}"


def parse_source(text: str) -> SourceSpec:
    """Return the source that `text` names. Raises InputError with the choices."""
    word, _, name = text.partition(":")
    for one in SOURCE_KINDS:
        if one.name_optional and text == one.word:
            return SourceSpec(one.kind)
        if one.name and name and word == one.word:
            return SourceSpec(one.kind, name)
    raise InputError(unknown_source(text))


def unknown_source(text: str) -> str:
    """Return the error message for an unknown source."""
    return f"unknown source {text!r}: choose {CHOICES}"
