"""A mistake in a settings file in one line: file, line, table and key, what stood there, what was expected."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from oscservice.configured.form import BindingForm, CheckForm, ConditionForm, ListenerForm, SettingsForm, TakenForm
from oscservice.errors import InputError
from oscservice.tomltext import Location, find_line, nearest, shown

_ENTRIES: dict[str, tuple[str, type[BaseModel]]] = {
    "listener": ("listener", ListenerForm),
    "binding": ("binding", BindingForm),
    "check": ("check", CheckForm),
    "arguments": ("argument", TakenForm),
    "also": ("condition", ConditionForm),
}
_TAGS = ("taken", "fixed")  # which form pydantic took an argument for


def mistake(text: str, origin: str, location: Location, words: str) -> InputError:
    """The error that tells of a mistake at a place of the file."""
    place, _ = _placed(location)
    return InputError(f"{origin}: line {find_line(text, location)}: {', '.join(place)}: {words}")


def first_mistake(errors: Sequence[ErrorDetails], text: str, origin: str) -> InputError:
    """The error that tells of the first mistake in the file. Unknown keys go first: they explain what is missing."""
    found = [(error["type"] != "extra_forbidden", *_described(error)) for error in errors]
    told = sorted((late, find_line(text, at), words, at) for late, at, words in found)
    _, _, words, at = told[0]
    more = f" (and {len(told) - 1} more)" if len(told) > 1 else ""
    return mistake(text, origin, at, words + more)


def _described(error: ErrorDetails) -> tuple[Location, str]:
    """Where a mistake stands, and what is said of it."""
    location = tuple(part for part in error["loc"] if part not in _TAGS)
    _, form = _placed(location)
    entry = len(location) > 1 and isinstance(location[-1], int) and location[-2] in _ENTRIES
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


def _keys(form: type[BaseModel]) -> dict[str, str]:
    """The keys of a table, and what each expects."""
    return {field.alias or name: field.description or "" for name, field in form.model_fields.items()}


def _placed(location: Location) -> tuple[list[str], type[BaseModel]]:
    """A location in words, ``["binding 3", "argument 2", "scale"]``, and the form of the table it is in."""
    words: list[str] = []
    form: type[BaseModel] = SettingsForm
    for part in location:
        if isinstance(part, str):
            words.append(part)
        elif words and words[-1] in _ENTRIES:
            name, form = _ENTRIES[words.pop()]
            words.append(f"{name} {part + 1}")
    return words, form
