"""Tables of a file that hold lengths: a length has its unit in its key or in its value.

``relief_mm = 0.2`` is the same as ``relief_mm = "0.2 mm"`` and as ``relief = "0.008 in"``, to rounding. Lists too.
"""

from __future__ import annotations

from typing import Any

from pydantic import TypeAdapter, ValidationError, model_validator

from oscservice.defaults import INCH_MM
from oscservice.instrument.length import parse_length_mm
from oscservice.toml_file import Converted, Form, Unusable, shown

_MM, _IN = "_mm", "_in"
_LARGEST = 1_000_000
"""Larger whole numbers are no lengths; some are no floating-point numbers either."""


class LengthForm(Form):
    """A table whose keys that end in ``_mm`` are lengths."""

    @model_validator(mode="before")
    @classmethod
    def _read_lengths(cls, given: Any) -> Any:
        if not isinstance(given, dict):
            return given
        read = dict(given)
        for key in (key for key in cls.model_fields if key.endswith(_MM)):
            bare = key.removesuffix(_MM)
            if key in read:
                read[key] = _with_texts_read(key, read[key])
            if bare in read and bare not in cls.model_fields:
                twice = Unusable(bare, f"found beside {key}; leave one of them out")
                read[key] = twice if key in read else _bare(bare, read[bare])
                del read[bare]
        return read

    @classmethod
    def meant(cls, key: str, found: Any) -> str:
        """Return what was probably meant: inches where mm are expected, or the other way round."""
        if key.endswith(_IN) and _number(found):
            return cls._mm_in_inches(key, float(found))
        if not key.endswith(_MM) or not _lengths(found):
            return ""
        bare = key.removesuffix(_MM)
        if cls._takes(key, _scaled(found, INCH_MM)):
            if isinstance(found, list):
                return f"; inches are written with their unit: {bare} = {[_text(one, 'in') for one in found]}"
            return f'; {_text(found, "in")} is {_scaled(found, INCH_MM):.4g} mm: write {bare} = "{_text(found, "in")}"'
        if isinstance(found, Converted) and cls._takes(key, _scaled(found, 1.0 / INCH_MM)):
            return f'; did you mean "{found / INCH_MM:.4g} mm"?'
        return ""

    @classmethod
    def _mm_in_inches(cls, key: str, found: float) -> str:
        in_mm = key.removesuffix(_IN) + _MM
        if cls._takes(in_mm, found):
            return f"; {found:g} mm is written {in_mm} = {found:g}"
        if cls._takes(in_mm, found * INCH_MM / 1000.0):
            return f"; did you mean {f'{found / 1000.0:.4f}'.removesuffix('0')}?"
        return ""

    @classmethod
    def _takes(cls, key: str, value: Any) -> bool:
        field = cls.model_fields.get(key)
        if field is None:
            return False
        try:
            TypeAdapter(field.rebuild_annotation()).validate_python(value)
        except ValidationError:
            return False
        return True


def _bare(key: str, value: Any) -> Any:
    """Return the lengths of a key without a unit: each value needs its own."""
    if isinstance(value, list):
        return [_bare(key, one) for one in value]
    if isinstance(value, str):
        return _read(key, value)
    if not _number(value):
        return Unusable(key, f'found {shown(value)}, expected a length with its unit in quotes: "0.5 mm" or "0.020 in"')
    return Unusable(key, f'found {value} without a unit; did you mean {key}{_MM}? Else write "{value} in"')


def _with_texts_read(key: str, value: Any) -> Any:
    if isinstance(value, list):
        return [_with_texts_read(key, one) for one in value]
    return _read(key, value) if isinstance(value, str) else value


def _read(key: str, text: str) -> Converted | Unusable:
    try:
        return Converted(parse_length_mm(text), key, text)
    except ValueError as mistake:
        return Unusable(key, str(mistake))


def _number(value: Any) -> bool:
    return isinstance(value, float) or (type(value) is int and abs(value) <= _LARGEST)


def _lengths(found: Any) -> bool:
    return _number(found) or (
        isinstance(found, list)
        and bool(found)
        and all(_number(one) and not isinstance(one, Converted) for one in found)
    )


def _scaled(found: Any, factor: float) -> Any:
    return [one * factor for one in found] if isinstance(found, list) else found * factor


def _text(length: float, unit: str) -> str:
    return f"{float(length):g} {unit}"
