"""Read an instrument file, and say in one line what is wrong with it: file, line, field, what stood there."""

from __future__ import annotations

import tomllib

from pydantic import ValidationError

from oscservice.errors import InputError
from oscservice.instrument.tomlform import InstrumentForm


def read_form(text: str, origin: str) -> InstrumentForm:
    """The checked form in the TOML ``text``; ``origin`` names the file in messages.

    Raises:
        InputError: one line with the file, the line, the field, what stood there and what was expected.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as mistake:
        raise InputError(f"{origin}: not valid TOML: {mistake}") from None
    try:
        return InstrumentForm.model_validate(data)
    except ValidationError as mistake:
        first = mistake.errors()[0]
        raise InputError(f"{origin}: {'.'.join(map(str, first['loc']))}: {first['msg']}") from None
