"""TOML files that a person writes: reading them into a form, and one line for each mistake.

A form is a class whose fields are the keys of a table. The description of a field says what its key expects, and the
messages about mistakes take it from there. A message is one line: file, line, table and key, what was found, what was
expected.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, TypeAlias, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from oscservice.errors import InputError


class Frozen(BaseModel):
    """A checked record that can't be changed and takes no unknown field."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Form(Frozen):
    """A table of a file. Strict: a number in quotes is a mistake, not a number.

    A message calls an entry of a list of tables by the name of its class: an ``AdjusterForm`` is ``adjuster 2``.
    """

    model_config = ConfigDict(strict=True)

    @classmethod
    def meant(cls, key: str, found: Any) -> str:
        """Return what was probably meant by a refused value of a key, to follow the message; empty if unknown."""
        return ""


class Converted(float):
    """A number that the file gives in another way: ``key`` and ``written`` are the key and the value there."""

    key: str
    written: str

    def __new__(cls, value: float, key: str, written: str) -> Converted:
        made = super().__new__(cls, value)
        made.key, made.written = key, written
        return made

    def __repr__(self) -> str:
        return repr(self.written)


@dataclass(frozen=True)
class Unusable:
    """A value of a file in place of a number: its key, and the mistake in words."""

    key: str
    words: str


Location: TypeAlias = tuple[int | str, ...]
"""A place in a file as pydantic gives it: ``("string", 2, "gauge_in")`` is ``gauge_in`` of the third ``[[string]]``."""

Expected: TypeAlias = Callable[[type[Form], str], str]
"""Returns the expected value of a key of a form if the description of its field lacks it; else an empty text."""

AnyForm = TypeVar("AnyForm", bound=Form)

LARGEST_FILE = 1_000_000
"""Bytes."""

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_ONE_KEY = r"""(?:"[^"\n]*"|'[^'\n]*'|[\w-]+)"""
_KEY = re.compile(_ONE_KEY)
_ASSIGNED = re.compile(rf"\s*({_ONE_KEY}(?:\s*\.\s*{_ONE_KEY})*)\s*=")
# What matters for where a value ends: texts of all four kinds, comments and brackets.
_TOKEN = re.compile(
    r'"""(?:[^"\\]|\\.|"(?!""))*(?P<long>""")?' + r"|'''(?:[^']|'(?!''))*(?P<raw>''')?"
    r'|"(?:[^"\\\n]|\\.)*"?' + r"|'[^'\n]*'?|#[^\n]*|[\[\]{}]",
    re.DOTALL,
)


def toml_text(path: Path, kind: str, missing: str) -> str:
    """Return the text of a TOML file.

    Args:
        kind: what it should be, with its article: ``a settings file``.
        missing: the message where there is no such file.

    Raises:
        InputError: it is not there, too large, not UTF-8, or can't be read.
    """
    try:
        if not path.is_file():
            raise InputError(missing)
        if path.stat().st_size > LARGEST_FILE:
            raise InputError(f"{path}: too large for {kind}; expected TOML text")
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as mistake:
        raise InputError(f"{path}: is not UTF-8 text (byte {mistake.start}); expected a TOML file") from None
    except (OSError, ValueError) as trouble:
        reason = trouble.strerror if isinstance(trouble, OSError) else trouble
        raise InputError(f"{str(path)[:200]!r}: can't be read ({reason}); check the path") from None


def parse(text: str, origin: str) -> dict[str, Any]:
    """Return the table in a TOML text. Raises InputError: one line with ``origin``, the line and what is wrong."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as mistake:
        raise InputError(_syntax_line(str(mistake), text, origin)) from None
    except (ValueError, RecursionError):  # a number of thousands of digits, brackets nested thousands deep
        raise InputError(f"{origin}: line 1: not valid TOML: a number too long or brackets too deep") from None


def find_line(text: str, location: Location) -> int:
    """Return the line number (from 1) of a place in a TOML text: of the key, else of the table it is in, else 1.

    A key of a length is found without its unit too: ``scale`` for ``scale_mm``.
    """
    best, best_size, inside = 1, 0, 0
    location = _without_unit(location)
    for line, path in ((line, _without_unit(path)) for line, path in _places(text)):
        if path == location[: len(path)] and len(path) > best_size:
            best, best_size = line, len(path)
        if not inside and path[: len(location)] == location:  # only what is in it is written: [a.b] for a
            inside = line
    return best if best_size == len(location) or not inside else inside


def _without_unit(path: Location) -> Location:
    return tuple(part.removesuffix("_mm") if isinstance(part, str) else part for part in path)


def _places(text: str) -> Iterator[tuple[int, Location]]:
    """Return line and place of every header and every key that a line begins with."""
    table: Location = ()
    counts: dict[Location, int] = {}
    for line, start in _openings(text):
        opened, assigned = _HEADER.match(start), _ASSIGNED.match(start)
        if opened:
            *outer, own = _keys_in(opened.group(2)) or [""]
            table = ()
            for key in outer:
                table = _newest((*table, key), counts)
            table = (*table, own)
            if opened.group(1) == "[[":
                yield line, table
                counts[table] = counts.get(table, -1) + 1
                table = (*table, counts[table])
            yield line, table
        elif assigned:
            yield line, (*table, *_keys_in(assigned.group(1)))


def _keys_in(dotted: str) -> list[str]:
    """Return the keys in ``a."b c".d``, without their quotes."""
    return [key.strip("\"'") for key in _KEY.findall(dotted)]


def _newest(table: Location, counts: dict[Location, int]) -> Location:
    return (*table, counts[table]) if table in counts else table


def _openings(text: str) -> Iterator[tuple[int, str]]:
    """Return the lines on which a statement begins, with their numbers; not those that continue a longer value."""
    lines = text.splitlines()
    continued = _continued(text)
    for number, line in enumerate(lines, start=1):
        if number not in continued:
            yield number, line


def _continued(text: str) -> set[int]:
    """Return the numbers of the lines that begin within a text of several lines, or within brackets after a ``=``."""
    found: set[int] = set()
    line, deep, at, opened = 1, 0, 0, 0
    for token in _TOKEN.finditer(text):
        line += text.count("\n", at, token.start())
        at = token.start()
        word = token.group()
        first = text.rfind("\n", 0, at) + 1
        if word in "[{" and (deep or "=" in text[first:at]):
            deep += 1
            opened = line if deep == 1 else opened
        elif word in "]}" and deep:
            deep -= 1
            if not deep:
                found.update(range(opened + 1, line + 1))
        elif "\n" in word:
            found.update(range(line + 1, line + word.count("\n") + 1))
    if deep:
        found.update(range(opened + 1, len(text.splitlines()) + 1))
    return found


def _syntax_line(message: str, text: str, origin: str) -> str:
    # The text itself is not repeated: the path may be that of any file, and this message may travel over a network.
    at = re.search(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)", message)
    line = at.group(1) if at and at.group(1) else str(max(1, len(text.splitlines())))
    column = f", column {at.group(2)}" if at and at.group(2) else ""
    what = (message[: at.start()] if at else message).splitlines()[0]
    wanted = "each key and table once" if "twice" in what or "overwrite" in what else "key = value"
    return f"{origin}: line {line}{column}: not valid TOML: {what}; expected {wanted}"


def nearest(word: str, known: Iterable[str]) -> str:
    """Return the known word that was probably meant by an unknown one, or all known words."""
    words = list(known)
    close = difflib.get_close_matches(word.lower(), words, n=1, cutoff=0.5)
    return f"did you mean {close[0]}?" if close else f"expected one of {', '.join(words)}"


def shown(value: Any) -> str:
    """Return a value of the file as a message shows it."""
    if isinstance(value, list) and value and all(isinstance(one, dict) for one in value):
        return "a list of tables"
    text = str(value).lower() if isinstance(value, bool) else str(value) if isinstance(value, date) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def read_form(
    form: type[AnyForm],
    text: str,
    origin: str,
    context: Mapping[str, object] | None = None,
    expected: Expected | None = None,
) -> AnyForm:
    """Return the checked form of a whole TOML text.

    Args:
        origin: names the file in messages.
        context: what the form's own checks are given.
        expected: what keys expect that are not described in the form.

    Raises:
        InputError: one line about the first mistake.
    """
    data = parse(text, origin)
    try:
        return form.model_validate(data, context=context)
    except ValidationError as mistakes:
        raise first_mistake(form, mistakes.errors(), text, origin, expected) from None


def mistake(form: type[Form], text: str, origin: str, location: Location, words: str) -> InputError:
    """Return the error about a mistake at a place of a file of the given form."""
    place = _place(form, location)
    return InputError(f"{origin}: line {find_line(text, location)}: {', '.join(place.names)}: {words}")


def first_mistake(
    form: type[Form], errors: Sequence[ErrorDetails], text: str, origin: str, expected: Expected | None = None
) -> InputError:
    """Return the error about the first mistake in a file. An unknown key goes first: it explains what is missing."""
    found = [(error["type"] != "extra_forbidden", *_line_and_words(form, error, text, expected)) for error in errors]
    _, line, words = min(found, key=lambda one: one[:2])
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    return InputError(f"{origin}: line {line}: {words}{more}")


@dataclass(frozen=True)
class _Place:
    """A place in a file of some form.

    Attributes:
        form: of the table it is in.
        key: in that table; empty for the table itself.
        inner: the form of the table or tables at the key; None for a plain value.
        path: the location without what pydantic adds to it.
        names: the same for a person: ``("binding 3", "argument 2", "scale")``.
    """

    form: type[Form]
    key: str
    inner: type[Form] | None
    path: Location
    names: tuple[str, ...]


def _place(form: type[Form], location: Location, unknown_key: bool = False) -> _Place:
    """Return the place that a location leads to; ``unknown_key``: its last part is a key that the form lacks."""
    entries: list[str] = []
    path: list[int | str] = []
    table = key = ""
    inner: type[Form] | None = None
    for number, part in enumerate(location, start=1):
        if key and inner is None:  # within a plain value
            path.append(part)
        elif isinstance(part, int) and inner is not None:
            entries.append(f"{inner.__name__.removesuffix('Form').lower()} {part + 1}")
            form, inner, table, key = inner, None, "", ""
            path.append(part)
        elif isinstance(part, str):
            if inner is not None:
                form, inner, table = inner, None, key
            fields = _fields(form)
            if part in fields:
                inner = _form_in(fields[part].annotation)
            elif not unknown_key or number < len(location):
                continue  # one of several forms that an entry may have
            key = part
            path.append(part)
    return _Place(form, key, inner, tuple(path), tuple(name for name in (*entries, table, key) if name))


def _line_and_words(form: type[Form], error: ErrorDetails, text: str, expected: Expected | None) -> tuple[int, str]:
    """Return the line of a mistake, and place and mistake in words."""
    place = _place(form, error["loc"], error["type"] == "extra_forbidden")
    fields = _fields(place.form)
    line = find_line(text, place.path)
    checked = place.inner if place.key else place.form
    if error["type"] == "value_error" and checked is not None:  # a check across keys begins with their names
        named, _, words = str(error["ctx"]["error"]).partition(": ")
        own = _fields(checked)
        keys = [key for one in named.split(", ") for key in own if key == one or key.startswith(one + "_")]
        if keys:
            line = max(line, *(find_line(text, (*place.path, key)) for key in keys))
            return line, f"{', '.join((*place.names, named))}: {words}"
    given = error["input"]
    where = ", ".join((*place.names[:-1], given.key) if isinstance(given, Converted | Unusable) else place.names)
    if isinstance(given, Unusable):
        return line, f"{where}: {given.words}"
    own_words = str(error["ctx"]["error"]) if error["type"] == "value_error" else ""
    if own_words.startswith("found "):  # a check of one value that says it all
        return line, f"{where}: {own_words}"
    if error["type"] == "extra_forbidden":
        return line, f"{where}: unknown key; {nearest(place.key, fields)}"
    described = fields[place.key].description if place.key in fields else None
    wanted = (expected(place.form, place.key) if expected is not None else "") or described or "a table"
    if error["type"] == "missing":
        return line, f"{where}: missing; expected {wanted}"
    return line, f"{where}: found {shown(given)}, expected {wanted}{place.form.meant(place.key, given)}"


def _fields(form: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return the fields of a form by the keys of its table."""
    return {field.alias or name: field for name, field in form.model_fields.items()}


def _form_in(annotation: Any) -> type[Form] | None:
    """Return the form in the type of a field, as in ``list[StringForm] | None``."""
    if isinstance(annotation, type) and issubclass(annotation, Form):
        return annotation
    return next((found for found in map(_form_in, get_args(annotation)) if found is not None), None)
