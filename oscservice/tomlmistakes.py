"""A mistake in a TOML file of our own form in one line: file, line, table and key, what stood there, what was expected.

What a key expects is the description of its field in the form, and stands nowhere else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from oscservice.errors import InputError
from oscservice.tomltext import Location, find_line, nearest, shown


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
