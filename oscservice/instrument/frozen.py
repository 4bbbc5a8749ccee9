"""The kind of record that instruments are made of."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Frozen(BaseModel):
    """A checked record that can't be changed and takes no unknown field."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Form(Frozen):
    """A record of the file. Strict: a number in quotes is a mistake, not a number."""

    model_config = ConfigDict(strict=True)
