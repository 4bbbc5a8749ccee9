"""A job sheet as a TOML file that a technician writes: its keys are the fields of `job_sheet`."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated

from pydantic import Field

from oscservice.errors import InputError
from oscservice.record.job_sheet import LONGEST, LONGEST_NOTE, LONGEST_PATH, JobChange, checked_change
from oscservice.record.photographs import photograph
from oscservice.toml_file import Form, read_form, toml_text

_MOST_AT_ONCE = 100


def _text(what: str, most: int) -> str:
    return f"{what} in quotes, at most {most} characters"


class JobForm(Form):
    """The keys of the file. A key that is left out leaves its field as it is."""

    customer: str | None = Field(None, max_length=LONGEST["customer"], description=_text("a name", LONGEST["customer"]))
    number: str | None = Field(
        None, max_length=LONGEST["number"], description=_text("the instrument's own number", LONGEST["number"])
    )
    job: str | None = Field(None, max_length=LONGEST["job"], description=_text("the job's number", LONGEST["job"]))
    technician: str | None = Field(
        None, max_length=LONGEST["technician"], description=_text("a name", LONGEST["technician"])
    )
    string_set: str | None = Field(
        None, max_length=LONGEST["string_set"], description=_text("the set with its gauges", LONGEST["string_set"])
    )
    tuning: str | None = Field(None, max_length=LONGEST["tuning"], description=_text("the tuning", LONGEST["tuning"]))
    message: str | None = Field(
        None, max_length=LONGEST["message"], description=_text("a text for the customer", LONGEST["message"])
    )
    note: str = Field("", max_length=LONGEST_NOTE, description=_text("a note for the bench", LONGEST_NOTE))
    photographs: list[Annotated[str, Field(min_length=1, max_length=LONGEST_PATH)]] = Field(
        [], max_length=_MOST_AT_ONCE, description=f"a list of at most {_MOST_AT_ONCE} files in quotes"
    )


def read_job_file(path: Path) -> JobChange:
    """Return what a job sheet file says. Photographs are looked for from the file's folder on.

    Raises:
        InputError: one line on the first mistake: the file or a photograph can't be read, or a key has no such value.
    """
    text = toml_text(path, "a job sheet", f"{path}: there is no such job sheet")
    form = read_form(JobForm, text, str(path))
    fields = {key: given for key in LONGEST if (given := getattr(form, key)) is not None}
    try:
        pictures = [photograph(name, path.absolute().parent) for name in form.photographs]
        return checked_change(fields, [form.note], pictures)
    except InputError as mistake:
        raise InputError(f"{path}: {mistake}") from None


def login_name() -> str:
    """Return the user's login name, the default author of an entry; `unknown` for a user without a name."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"
