"""The note that a file's name describes, read by the user's pattern.

A pattern is text with fields in braces: ``string{string}_{place}_{take}``. ``{string}`` is a string's number,
``{place}`` is ``open``, ``harmonic`` or a fret (``fret12``, ``fret 12``, ``12``), ``{fret}`` a fret's number with 0 for
open, ``{note}`` a note name with ``b`` or ``#`` (``eb3``). ``{take}`` and ``{any}`` are ignored: takes of one case are
compared with each other. Any other field is a label, such as ``{dynamic}``; other labels are other cases.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from pathlib import PurePath

from oscservice.instrument.pitch import HARMONIC, OPEN, Place, note_name, note_number
from oscservice.toml_file import nearest

MOST_FIELDS = 8
IGNORED_FIELDS = ("take", "any")
MEANT = ("string", "place", "fret", "note")

_MISSPELT = 0.75  # similarity to a field's name that was probably meant

_FIELD = re.compile(r"\{([^{}]*)\}")
_LABEL = re.compile(r"[a-z][a-z0-9_]{0,29}")
_PLACE = r"open|harmonic|(?:fret|f)?[ _-]?\d{1,2}"
_READ = {
    "string": r"\d{1,2}",
    "place": f"(?i:{_PLACE})",
    "fret": r"\d{1,2}",
    "note": r"[A-Ga-g][#b]?-?\d{1,2}",
}
_DIGITS = re.compile(r"\d+")


@dataclass(frozen=True)
class NameParts:
    """The parts of a name; None for those it does not have.

    Attributes:
        string: number of the string, from 1.
        place: where it is stopped.
        note: MIDI note number.
        labels: further parts, pairs of field and text, by field.
    """

    string: int | None = None
    place: Place | None = None
    note: int | None = None
    labels: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Names:
    """A compiled pattern."""

    pattern: str
    parts: int
    _expression: re.Pattern[str]

    def read(self, path: PurePath) -> NameParts | None:
        """Return the parts of a file's name, or None if the pattern does not fit it. The suffix is ignored; a pattern
        with slashes is compared with as many folders too."""
        parts = path.parts[-self.parts :]
        match = self._expression.fullmatch("/".join((*parts[:-1], path.stem)))
        if match is None:
            return None
        fields = match.groupdict()
        string = fields.pop("string", None)
        place = _place(fields.pop("place", None))
        fret = fields.pop("fret", None)
        if fret is not None:
            place = _place(fret)
        note = fields.pop("note", None)
        return NameParts(
            None if string is None else int(string),
            place,
            None if note is None else note_number(note),
            tuple(sorted((name, text) for name, text in fields.items())),
        )


def compile_names(pattern: str) -> Names:
    """Compile a pattern.

    Raises:
        ValueError: an unknown or repeated field, or braces that don't fit; one line.
    """
    text = pattern.strip()
    if not text:
        raise ValueError("an empty pattern; expected text with fields such as {string} and {place}")
    suffix = PurePath(text).suffix
    if suffix and "{" not in suffix and "}" not in suffix:
        text = text[: -len(suffix)]
    expression, at, seen = "", 0, list[str]()
    for field in _FIELD.finditer(text):
        expression += _literal(text[at : field.start()])
        at = field.end()
        name = field.group(1)
        expression += _group(name, seen)
        seen.append(name)
    expression += _literal(text[at:])
    if not seen:
        raise ValueError(f"{pattern!r} has no field; expected some such as {{string}}, {{place}}, {{note}} or {{take}}")
    if len(seen) > MOST_FIELDS:
        raise ValueError(f"{len(seen)} fields; expected {MOST_FIELDS} at most")
    if {"place", "fret"} <= set(seen):
        raise ValueError("{place} and {fret} say the same; expected one of them")
    return Names(pattern, text.count("/") + 1, re.compile(expression))


def _literal(text: str) -> str:
    if "{" in text or "}" in text:
        raise ValueError("a brace without its partner; expected fields as {string}")
    return re.escape(text)


def _group(name: str, seen: list[str]) -> str:
    if name in IGNORED_FIELDS:
        return "[^/]*?"
    if name in seen:
        raise ValueError(f"{{{name}}} is there twice; expected each field once, except {{any}}")
    if name in _READ:
        return f"(?P<{name}>{_READ[name]})"
    if _LABEL.fullmatch(name) is None:
        known = nearest(name, (*MEANT, *IGNORED_FIELDS))
        raise ValueError(f"{{{name}}} is no field: {known}; a label is small letters, digits and _")
    meant = difflib.get_close_matches(name, (*MEANT, *IGNORED_FIELDS), n=1, cutoff=_MISSPELT)
    if meant:
        raise ValueError(f"{{{name}}}: did you mean {{{meant[0]}}}? A label needs a name less like it")
    return f"(?P<{name}>[^/]+?)"


def _place(text: str | None) -> Place | None:
    if text is None:
        return None
    number = _DIGITS.search(text)
    if number is None:
        return HARMONIC if text.lower() == "harmonic" else OPEN
    return Place("fret", int(number.group())) if int(number.group()) else OPEN


def in_words(named: NameParts) -> str:
    """Return the parts of a name in words."""
    words = []
    if named.string is not None:
        words.append(f"string {named.string}")
    if named.place is not None:
        words.append(str(named.place))
    if named.note is not None:
        words.append(note_name(named.note))
    return " ".join(words)
