"""The facts of a report as one table of CSV (RFC 4180), one number a row, so that a spreadsheet can sort and filter."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from oscservice.record.job_sheet import NAMES
from oscservice.report.facts import Facts, JobFacts, StringFact, Value
from oscservice.sentences.plural import counted

COLUMNS = ("session", "about", "string", "place", "what", "value", "se", "unit", "text")

_FORMULA = ("=", "+", "-", "@", "\t", "\r")

Row = tuple[str, int | None, str, str, float | None, float | None, str, str]
"""about, string, place, what, value, se, unit, text"""


def csv_text(facts: Facts) -> str:
    """Return the table: a heading line, then a row for each number of the report."""
    with io.StringIO(newline="") as written:
        writer = csv.writer(written)
        writer.writerow(COLUMNS)
        for about, string, place, what, value, se, unit, text in _rows(facts):
            numbers = ["" if number is None else number for number in (string, value, se)]
            writer.writerow(
                [facts.overview.session, about, numbers[0], place, what, *numbers[1:], unit, harmless(text)]
            )
        return written.getvalue()


def harmless(text: str) -> str:
    """Return a text that no spreadsheet reads as a formula: an apostrophe before what could begin one.

    Source: OWASP, "CSV Injection".
    """
    return f"'{text}" if text.startswith(_FORMULA) else text


def _rows(facts: Facts) -> Iterator[Row]:
    overview = facts.overview
    yield "session", None, "", "label", None, None, "", overview.label
    yield "session", None, "", "outcome", None, None, "", overview.outcome or f"open, {overview.phase}"
    yield "session", None, "", "begun", None, None, "UTC", overview.begun_utc
    yield "session", None, "", "closed", None, None, "UTC", overview.closed_utc
    yield "session", None, "", "tolerance", overview.tolerance_cents, None, "cents", ""
    yield "session", None, "", "SHA-256", None, None, "", f"{facts.seal.state} {facts.seal.sha256}"
    if facts.job is not None:
        yield from _job(facts.job)
    for height in facts.heights:
        low, high = height.wanted_mm
        wanted = f"target {low:g} to {high:g}"
        for side, value in (("as found", height.found_mm), ("as left", height.left_mm)):
            if value is not None:
                yield "height", None, height.what, side, value, None, "mm", wanted
    for saddle in facts.saddles:
        yield "saddle", saddle.string, "", "as found", saddle.found_mm, None, "mm", "beyond the scale length"
        yield "saddle", saddle.string, "", "as left", saddle.left_mm, None, "mm", "beyond the scale length"
        for side, value in (("read as found", saddle.read_found_mm), ("read as left", saddle.read_left_mm)):
            if value is not None:
                yield "saddle", saddle.string, "", side, value, None, "mm", "from a fixed edge"
    for item in facts.inspected:
        yield "inspection", None, "", item.name, None, None, "", "; ".join([item.verdict, *item.measured, item.note])
    for change in facts.changes:
        yield "inspection", None, "", "changed", None, None, "", change
    for result in facts.results:
        yield from _result(result)
    for move in facts.moves:
        source = "reported" if move.told else "as advised"
        yield "move", move.string, "", f"move {move.number}", move.mm, None, "mm", source
        yield from _value("move", move.string, "", f"before move {move.number}", move.before, "cents")
        yield from _value("move", move.string, "", f"after move {move.number}", move.after, "cents")
    for pluck in facts.plucks:
        said = ", ".join(part for part in ("dropped" if pluck.dropped else "", pluck.flags) if part)
        yield "pluck", pluck.string, pluck.place, "settled", pluck.pitch.value, pluck.pitch.se, "cents", pluck.at_utc
        yield "pluck", pluck.string, pluck.place, "attack above it", pluck.attack_cents, None, "cents", said
    for cause in facts.causes:
        where = " ".join(map(str, cause.strings))
        yield (
            "cause",
            None,
            f"fret {cause.fret}" if cause.fret else "",
            cause.cause,
            cause.size,
            cause.se,
            cause.unit,
            where,
        )
        yield "cause", None, "", "probability", cause.probability, None, "", f"{cause.evidence}; {cause.check}"


def _job(job: JobFacts) -> Iterator[Row]:
    for key, name in NAMES.items():
        text: str = getattr(job, key)
        if text:
            yield "job", None, "", name, None, None, "", text
    for note in job.notes:
        yield "job", None, "", "note", None, None, "", f"{note.text} ({note.by}, {note.at_utc})"
    for one in job.photographs:
        yield "job", None, "", "photograph", one.size, None, "bytes", f"{one.name} SHA-256 {one.sha256}"


def _result(one: StringFact) -> Iterator[Row]:
    yield "string", one.string, "", "status", None, None, "", one.status + (f": {one.left_out}" if one.out else "")
    yield "string", one.string, "", "saddle moved", one.moved_mm, None, "mm", counted(one.moves, "move")
    yield from _value("string", one.string, "open", "off its pitch", one.open, "cents")
    yield from _value("string", one.string, "harmonic", "above the octave", one.octave, "cents")
    yield from _value("string", one.string, "open", "inharmonicity", one.inharmonicity, "")
    for at in one.frets:
        heard = "plucked" if at.plucked else "expected"
        yield from _value("string", one.string, f"fret {at.fret}", "error as found", at.found, "cents", heard)
        yield from _value("string", one.string, f"fret {at.fret}", "error as left", at.left, "cents", heard)
    if one.check is not None:
        verdict = f"{one.check.verdict}, {one.check.what}"
        yield from _value("string", one.string, "open", "change", one.check.tuning, "cents", verdict)
        yield from _value("string", one.string, "fretted", "change", one.check.intonation, "cents", verdict)


def _value(
    about: str, string: int, place: str, what: str, value: Value | None, unit: str, text: str = ""
) -> Iterator[Row]:
    if value is not None:
        yield about, string, place, what, value.value, value.se, unit, text
