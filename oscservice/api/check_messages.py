"""What ``oscservice check`` says of a set of recordings, as messages. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from oscservice.api.argument_values import MAX_STRINGS, RECORDED_FINDINGS, RECORDED_VERDICTS
from oscservice.api.topics import MOST_CHARACTERS, Topic

MOST_ROWS = 64
"""So many verdicts are sent at most; the summary counts them all."""


@dataclass(frozen=True)
class Recorded:
    """A set of recordings that was checked.

    Attributes:
        rows: of ``/check/recorded``, one a string in the order of the check; of a set without strings one a case.
        summary: of ``/check/summary``; its last value is the same for a person.
    """

    rows: tuple[Topic, ...]
    summary: Topic


def recorded(name: str, printed: bytes | str) -> Recorded:
    """What the check of a set printed as JSON.

    Raises:
        ValueError: it is not what a check prints.
    """
    try:
        told = json.loads(printed)
        strings = [_row(row, row["string"], str(row["case"])) for row in told["strings"]]
        stringless = [case for case in told["cases"] if case["string"] is None]
        rows = strings + [_row(_worst(case), 0, str(case["case"])) for case in stringless]
        verdict, refused = str(told["verdict"]), len(told["refused"])
        if verdict not in RECORDED_VERDICTS:
            raise ValueError(f"a verdict {verdict!r}")
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise ValueError(f"not what a check prints: {type(error).__name__}: {error}") from None
    counts = [sum(row[1] in words for row in rows) for words in (("holds",), ("drifted", "out"), ("unsure",))]
    sentence = _sentence(name, verdict, rows, refused)
    return Recorded(tuple(rows[:MOST_ROWS]), (name, verdict, *counts, refused, sentence))


def ended(name: str, ending: str, why: str) -> Topic:
    """``/check/summary`` of a check that came to no verdict: ``failed`` or ``stopped``, and why."""
    return (name, ending, 0, 0, 0, 0, f"{name}: {ending}: {why}"[:MOST_CHARACTERS])


def _worst(case: Mapping[str, Any]) -> Mapping[str, Any]:
    """The finding that decides a case, as a row of a string has it."""
    verdict = case["verdict"]
    deciding = [one for one in case["found"] if one["verdict"] == verdict]
    return {**(deciding[0] if deciding else {"what": None}), "verdict": verdict}


def _row(row: Mapping[str, Any], string: object, case: str) -> Topic:
    verdict, what = row["verdict"], row["what"]
    if verdict not in RECORDED_VERDICTS or not (isinstance(string, int) and 0 <= string <= MAX_STRINGS):
        raise ValueError(f"string {string!r} {verdict!r}")
    cents, se_cents = _number(row.get("cents")), _number(row.get("se_cents"))
    if what not in RECORDED_FINDINGS or cents is None or se_cents is None:
        what, cents, se_cents = "none", 0.0, 0.0
    return (string, verdict, what, cents, se_cents, case[:MOST_CHARACTERS])


def _number(value: object) -> float | None:
    """A number that can be sent, or None."""
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _sentence(name: str, verdict: str, rows: Sequence[Topic], refused: int) -> str:
    """``between takes: drifted: string 6 open, pitch drift +2.3 ± 0.3 cents; 5 hold; 1 file refused``."""
    parts = []
    for _, its, what, cents, se_cents, where in rows:
        if its != "holds":
            size = "" if what == "none" else f", {what} {cents:+.1f} ± {se_cents:.1f} cents"
            parts.append(f"{'' if its == verdict else f'{its}: '}{where}{size}")
    holding = sum(row[1] == "holds" for row in rows)
    told = [*parts, f"{holding} hold{'s' if holding == 1 else ''}"]
    if refused:
        told.append(f"{refused} file{'s' if refused > 1 else ''} refused")
    return f"{name}: {verdict}: {'; '.join(told)}"[:MOST_CHARACTERS]
