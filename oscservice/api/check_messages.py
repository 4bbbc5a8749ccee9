"""Results of ``oscservice check`` on a set of recordings, as messages, and the words in them. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from oscservice.api.argument_values import MAX_STRINGS
from oscservice.api.topics import MOST_CHARACTERS, Topic
from oscservice.check.verdicts import VERDICT_TEXTS, WHAT_TEXTS
from oscservice.sentences.plural import counted

RECORDED_VERDICTS: dict[str, str] = {str(word): text for word, text in VERDICT_TEXTS.items()}
RECORDED_ENDINGS: dict[str, str] = RECORDED_VERDICTS | {
    "failed": "the check ended without a verdict; its sentence gives the reason",
    "stopped": "a client stopped it, or the daemon ended",
}
RECORDED_FINDINGS: dict[str, str] = {str(word): text for word, text in WHAT_TEXTS.items()} | {
    "none": "nothing could be measured; the numbers beside it are 0",
}

MOST_ROWS = 64
"""Largest number of verdicts that are sent; the summary counts all of them."""


@dataclass(frozen=True)
class RecordedCheck:
    """Result of the check of a set of recordings.

    Attributes:
        rows: values of ``/check/recorded``: one row for each string in the order of the check; for each case in a set
            without strings.
        summary: values of ``/check/summary``; the last one is a sentence for a person.
    """

    rows: tuple[Topic, ...]
    summary: Topic

    @property
    def sentence(self) -> str:
        """The summary as a sentence."""
        return str(self.summary[-1])


def recorded(name: str, printed: bytes | str) -> RecordedCheck:
    """Return the result of the check of a set from the JSON that it printed.

    Raises:
        ValueError: it is not what a check prints.
    """
    try:
        output = json.loads(printed)
        strings = [_row(row, row["string"], str(row["case"])) for row in output["strings"]]
        stringless = [case for case in output["cases"] if case["string"] is None]
        rows = strings + [_row(_worst(case), 0, str(case["case"])) for case in stringless]
        verdict, refused = str(output["verdict"]), len(output["refused"])
        if verdict not in RECORDED_VERDICTS:
            raise ValueError(f"a verdict {verdict!r}")
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise ValueError(f"not what a check prints: {type(error).__name__}: {error}") from None
    counts = [sum(row[1] in words for row in rows) for words in (("holds",), ("drifted", "out"), ("unsure",))]
    sentence = _sentence(name, verdict, rows, refused)
    return RecordedCheck(tuple(rows[:MOST_ROWS]), (name, verdict, *counts, refused, sentence))


def ended(name: str, ending: str, why: str) -> RecordedCheck:
    """Return the result of a check without a verdict: it ``failed`` or was ``stopped``, and why."""
    return RecordedCheck((), (name, ending, 0, 0, 0, 0, f"{name}: {ending}: {why}"[:MOST_CHARACTERS]))


def _worst(case: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the finding that decides a case, with the keys of a string's row."""
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
    """Return the value as a number that can be sent, or None."""
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _sentence(name: str, verdict: str, rows: Sequence[Topic], refused: int) -> str:
    """Return a sentence: ``between takes: drifted: string 6 open, pitch drift +2.3 ± 0.3 cents; 5 hold``."""
    parts = []
    for _, its, what, cents, se_cents, where in rows:
        if its != "holds":
            size = "" if what == "none" else f", {what} {cents:+.1f} ± {se_cents:.1f} cents"
            parts.append(f"{'' if its == verdict else f'{its}: '}{where}{size}")
    holding = sum(row[1] == "holds" for row in rows)
    clauses = [*parts, f"{counted(holding, 'holds', 'hold')}"]
    if refused:
        clauses.append(f"{counted(refused, 'file')} refused")
    return f"{name}: {verdict}: {'; '.join(clauses)}"[:MOST_CHARACTERS]
