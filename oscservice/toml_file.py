"""TOML files that a person writes: reading them, and one line for each mistake.

What every TOML file that a person writes shares: reading it, and saying on which line a mistake stands.

A mistake in a TOML file of our own form in one line: file, line, table and key, what stood there, what was expected.

What a key expects is the description of its field in the form, and stands nowhere else.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

from pydantic import BaseModel, ConfigDict
from pydantic_core import ErrorDetails

from oscservice.errors import InputError


class Frozen(BaseModel):
    """A checked record that can't be changed and takes no unknown field."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Form(Frozen):
    """A record of the file. Strict: a number in quotes is a mistake, not a number."""

    model_config = ConfigDict(strict=True)


Location: TypeAlias = tuple[int | str, ...]
"""A place in a file as pydantic gives it: ``("string", 2, "gauge_in")`` is ``gauge_in`` of the third ``[[string]]``."""

LARGEST_FILE = 1_000_000
"""Bytes."""

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_ASSIGNED = re.compile(r"""\s*((?:["']?[\w-]+["']?\s*\.\s*)*["']?[\w-]+["']?)\s*=""")
_KEY = re.compile(r"[\w-]+")
# What matters for where a value ends: texts of all four kinds, comments and brackets.
_TOKEN = re.compile(
    r'"""(?:[^"\\]|\\.|"(?!""))*(?P<long>""")?' + r"|'''(?:[^']|'(?!''))*(?P<raw>''')?"
    r'|"(?:[^"\\\n]|\\.)*"?' + r"|'[^'\n]*'?|#[^\n]*|[\[\]{}]",
    re.DOTALL,
)


def toml_text(path: Path, kind: str, missing: str) -> str:
    """The text of a TOML file.

    Args:
        kind: what it should be, with its article: ``a settings file``.
        missing: what is said where there is no such file.

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
    """The table in a TOML text. Raises InputError: one line with ``origin``, the line and what is wrong."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as mistake:
        raise InputError(_syntax_line(str(mistake), text, origin)) from None
    except (ValueError, RecursionError):  # a number of thousands of digits, brackets nested thousands deep
        raise InputError(f"{origin}: line 1: not valid TOML: a number too long or brackets too deep") from None


def find_line(text: str, location: Location) -> int:
    """Line number (from 1) of a place in a TOML text: of the key, else of what it stands in, else 1."""
    best, best_size, inside = 1, 0, 0
    for line, path in _places(text):
        if path == location[: len(path)] and len(path) > best_size:
            best, best_size = line, len(path)
        if not inside and path[: len(location)] == location:  # only what stands in it is written: [a.b] for a
            inside = line
    return best if best_size == len(location) or not inside else inside


def _places(text: str) -> Iterator[tuple[int, Location]]:
    """Line and place of every header and every key that a line begins with."""
    table: Location = ()
    counts: dict[Location, int] = {}
    for line, start in _openings(text):
        opened, assigned = _HEADER.match(start), _ASSIGNED.match(start)
        if opened:
            *outer, own = _KEY.findall(opened.group(2)) or [""]
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
            yield line, (*table, *_KEY.findall(assigned.group(1)))


def _newest(table: Location, counts: dict[Location, int]) -> Location:
    return (*table, counts[table]) if table in counts else table


def _openings(text: str) -> Iterator[tuple[int, str]]:
    """Lines that a statement begins on, with their number: none that a longer value goes on in."""
    lines = text.splitlines()
    going_on = _going_on(text)
    for number, line in enumerate(lines, start=1):
        if number not in going_on:
            yield number, line


def _going_on(text: str) -> set[int]:
    """Numbers of the lines that begin within a text of several lines, or within brackets after a ``=``."""
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
    # What stood there is not repeated: the path may be of a file that isn't ours at all, and this message may travel
    # over a network.
    at = re.search(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)", message)
    line = at.group(1) if at and at.group(1) else str(max(1, len(text.splitlines())))
    column = f", column {at.group(2)}" if at and at.group(2) else ""
    what = (message[: at.start()] if at else message).splitlines()[0]
    wanted = "each key and table once" if "twice" in what or "overwrite" in what else "key = value"
    return f"{origin}: line {line}{column}: not valid TOML: {what}; expected {wanted}"


def nearest(word: str, known: Iterable[str]) -> str:
    """What was probably meant by an unknown word, or what there is."""
    words = list(known)
    close = difflib.get_close_matches(word.lower(), words, n=1, cutoff=0.5)
    return f"did you mean {close[0]}?" if close else f"expected one of {', '.join(words)}"


def shown(value: Any) -> str:
    """What stood in the file, as a message shows it."""
    text = repr(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= 60 else text[:57] + "..."


@dataclass(frozen=True)
class Mistakes:
    """Tells of the mistakes in files of one form.

    Attributes:
        form: the form of the whole file.
        entries: lists of tables by their key: what one of them is called, and its form.
        tables: single tables by their key, and the form of each.
        tags: what pydantic calls the forms that one entry may have.
    """

    form: type[BaseModel]
    entries: Mapping[str, tuple[str, type[BaseModel]]] = field(default_factory=dict)
    tables: Mapping[str, type[BaseModel]] = field(default_factory=dict)
    tags: tuple[str, ...] = ()

    def at(self, text: str, origin: str, location: Location, words: str) -> InputError:
        """The error that tells of a mistake at a place of the file."""
        place, _ = self._placed(location)
        return InputError(f"{origin}: line {find_line(text, location)}: {', '.join(place)}: {words}")

    def first(self, errors: Sequence[ErrorDetails], text: str, origin: str) -> InputError:
        """The error that tells of the first mistake in the file. Unknown keys first: they explain what is missing."""
        found = [(error["type"] != "extra_forbidden", *self._described(error)) for error in errors]
        told = sorted((late, find_line(text, at), words, at) for late, at, words in found)
        _, _, words, at = told[0]
        more = f" (and {len(told) - 1} more)" if len(told) > 1 else ""
        return self.at(text, origin, at, words + more)

    def _described(self, error: ErrorDetails) -> tuple[Location, str]:
        """Where a mistake stands, and what is said of it."""
        location = tuple(part for part in error["loc"] if part not in self.tags)
        _, form = self._placed(location)
        entry = len(location) > 1 and isinstance(location[-1], int) and location[-2] in self.entries
        across = not location or (entry and "fixed" not in error["loc"])
        if error["type"] == "value_error" and across:
            words = str(error["ctx"]["error"])  # a check across keys names its key first
            key = words.partition(":")[0]
            return (*location, key), words.partition(": ")[2]
        key = next((part for part in reversed(location) if isinstance(part, str)), "")
        if error["type"] == "extra_forbidden":
            return location, f"unknown key; {nearest(key, _keys(form))}"
        expected = _keys(form).get(key) or "a table"
        if error["type"] == "missing":
            return location, f"missing; expected {expected}"
        return location, f"found {shown(error['input'])}, expected {expected}"

    def _placed(self, location: Location) -> tuple[list[str], type[BaseModel]]:
        """A location in words, ``["binding 3", "argument 2", "scale"]``, and the form of the table it is in."""
        words: list[str] = []
        form = self.form
        for number, part in enumerate(location):
            if isinstance(part, str):
                words.append(part)
                if part in self.tables and number + 1 < len(location):
                    form = self.tables[part]
            elif words and words[-1] in self.entries:
                name, form = self.entries[words.pop()]
                words.append(f"{name} {part + 1}")
        return words, form


def _keys(form: type[BaseModel]) -> dict[str, str]:
    """The keys of a table, and what each expects."""
    return {field.alias or name: field.description or "" for name, field in form.model_fields.items()}
