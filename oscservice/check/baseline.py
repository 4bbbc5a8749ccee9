"""A baseline: the notes of an accepted earlier state, as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path, PurePath
from typing import Any

from pydantic import ValidationError

from oscservice.check.verdicts import Case, Note, RecordingHeard
from oscservice.errors import InputError
from oscservice.instrument.pitch import Place, note_name, note_number
from oscservice.instrument.spec import Instrument
from oscservice.record.whole_file import whole_file

FORM = "oscservice-baseline-1"
LARGEST_FILE = 200_000_000
"""Bytes: a million notes."""


def baseline_text(heard: RecordingHeard, estimator: str = "") -> str:
    """Return the JSON text of a baseline: the same notes give the same text, wherever their files are.

    ``estimator`` is the number of the estimator that measured them.
    """
    body = {
        "form": FORM,
        "estimator": estimator,
        "reference_hz": heard.reference_hz,
        "instrument": None if heard.instrument is None else json.loads(heard.instrument.to_json()),
        "cases": [
            {
                "string": case.string or None,
                "place": None if case.place is None else str(case.place),
                "note": note_name(case.note),
                "labels": dict(case.labels),
                "notes": [asdict(replace(note, file=PurePath(note.file).name)) for note in notes],
            }
            for case, notes in heard.in_order
        ],
    }
    return json.dumps(body, allow_nan=False, indent=1) + "\n"


def read_baseline(path: Path) -> tuple[RecordingHeard, str]:
    """Return the notes of a baseline, and the number of the estimator that measured them.

    Raises:
        InputError: it can't be read, or is no baseline.
    """
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise InputError(f"{path}: too large for a baseline")
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such baseline; make one with --accept") from None
    except (OSError, ValueError) as trouble:
        why = getattr(trouble, "strerror", None) or "not UTF-8 text"
        raise InputError(f"{path}: the baseline can't be read ({why})") from None
    try:
        return _read(json.loads(text))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, ValidationError) as trouble:
        what = f"no {trouble}" if isinstance(trouble, KeyError) else " ".join(str(trouble).split())[:160]
        raise InputError(f"{path}: not a baseline ({what}); make one with --accept") from None


def write_baseline(path: Path, text: str) -> None:
    """Write a whole baseline or nothing. Raises InputError."""
    try:
        with whole_file(path) as file:
            file.write(text.encode())
    except OSError as trouble:
        raise InputError(
            f"{path}: the baseline can't be written ({trouble.strerror}); the old one is unchanged"
        ) from None


def _read(body: dict[str, Any]) -> tuple[RecordingHeard, str]:
    if body.get("form") != FORM:
        raise ValueError(f"its form is {body.get('form')!r}, expected {FORM!r}")
    instrument = body["instrument"]
    known = None if instrument is None else Instrument.from_json(json.dumps(instrument))
    notes = {}
    for one in body["cases"]:
        place = None if one["place"] is None else Place.parse(one["place"])
        labels = tuple(sorted((_text(name), _text(text)) for name, text in one["labels"].items()))
        case = Case(_number(int, one["string"] or 0), place, note_number(one["note"]), labels)
        if not one["notes"]:
            raise ValueError(f"no note of {case}")
        notes[case] = tuple(_note(**note) for note in one["notes"])
    return RecordingHeard(known, _number(float, body["reference_hz"]), notes), _text(body["estimator"])


def _note(**body: Any) -> Note:
    note = Note(**body)
    if not (_number(float, note.hz) > 0.0 and _number(float, note.se_cents) >= 0.0):
        raise ValueError(f"a note of {note.hz} Hz")
    for known in (note.strength_db, note.inharmonicity, note.inharmonicity_se, note.onset_s):
        if known is not None:
            _number(float, known)
    return note


def _number(kind: Callable[[Any], Any], given: Any) -> Any:
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise ValueError(f"{given!r} where a number was expected")
    return kind(given)


def _text(given: Any) -> str:
    if not isinstance(given, str):
        raise ValueError(f"{given!r} where a text was expected")
    return given
