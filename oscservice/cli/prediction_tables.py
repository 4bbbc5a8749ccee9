"""The tables of ``oscservice predict``."""

from __future__ import annotations

from collections.abc import Sequence

from rich.table import Table

from oscservice.advice.correction import SHOWN_MM, STAY, direction_of
from oscservice.advice.prediction import SaddleFollowing, SharedSaddle, StringPrediction
from oscservice.cli.console import plain_table
from oscservice.defaults import INCH_MM
from oscservice.instrument.spec import SHAPED, Instrument
from oscservice.sentences.length_text import LengthUnit, length_number, length_text


def prediction_table(
    instrument: Instrument, predicted: Sequence[StringPrediction], lengths: LengthUnit = LengthUnit.MM
) -> Table:
    """Return the table of the predicted saddle places, a row for each string."""
    numbers = ("gauge", "N", "core", "B", "saddle", "now")
    table = plain_table("string", "note", *numbers, "before the first pluck", right=("string", *numbers))
    for one in predicted:
        spec = instrument.string(one.string)
        table.add_row(
            str(one.string),
            one.note,
            f"{spec.gauge_mm / INCH_MM:.3f}".lstrip("0") + (" w" if spec.wound else " p"),
            f"{one.tension_n:.0f}",
            f"{100.0 * one.strength_share:.0f} %",
            f"{1e6 * one.inharmonicity:.0f}",
            f"{length_number(one.setback_mm, lengths)} ± {_se(one.setback_se_mm, lengths)}",
            length_number(one.saddle_now_mm, lengths),
            _move(instrument, one, lengths),
        )
    return table


def _move(instrument: Instrument, one: StringPrediction, lengths: LengthUnit) -> str:
    """Return the move before the first pluck, in words."""
    adjuster = instrument.adjuster_of(one.string)
    if not one.worth_moving or direction_of(one.move_mm) == STAY:
        return "leave"
    if adjuster is None:
        return f"fixed: {_words(one.move_mm, lengths)} wanted"
    if adjuster.means == SHAPED:
        return f"measure first: {_words(one.move_mm, lengths)}"
    if len(adjuster.influence) > 1:
        return f"{_words(one.move_mm, lengths)} (shared)"
    needed_mm = one.move_mm / adjuster.influence[one.string]
    room_mm = adjuster.away_mm if needed_mm > 0.0 else adjuster.toward_nut_mm
    short = abs(needed_mm) - room_mm >= SHOWN_MM / 2.0
    return _words(one.move_mm, lengths) + (f"; room: {length_text(room_mm, lengths)}" if short else "")


def following_table(
    before: Sequence[StringPrediction],
    after: Sequence[StringPrediction],
    followed: Sequence[SaddleFollowing],
    lengths: LengthUnit = LengthUnit.MM,
) -> Table:
    """Return the table of how the saddles follow a modification, a row for each string."""
    numbers = ("string", "N", "before", "after", "±", "if it stays")
    table = plain_table("string", "note", "N", "before", "after", "follow", "±", "if it stays", right=numbers)
    for old, new, one in zip(before, after, followed, strict=True):
        table.add_row(
            str(one.string),
            _change(one.before_note, one.after_note),
            _change(f"{old.tension_n:.0f}", f"{new.tension_n:.0f}"),
            length_number(one.before_mm, lengths),
            length_number(one.after_mm, lengths),
            _words(one.change_mm, lengths),
            _se(one.change_se_mm, lengths) if one.change_se_mm > 0.0 else "",
            f"{round(one.stays_cents, 1) + 0.0:+.1f}",
        )
    return table


def shared_table(tunings: Sequence[str], shared: Sequence[SharedSaddle], lengths: LengthUnit = LengthUnit.MM) -> Table:
    """Return the table of saddles for two tunings, a row for each string that they tune differently."""
    numbers = ("both", *tunings, *(f"left in {name}" for name in tunings))
    table = plain_table("string", "note", *numbers, right=("string", *numbers))
    for one in shared:
        if one.notes[0] != one.notes[1] or one.alone_mm[0] != one.alone_mm[1]:
            table.add_row(
                str(one.string),
                _change(*one.notes),
                *(length_number(mm, lengths) for mm in (one.setback_mm, *one.alone_mm)),
                *(f"{round(cents, 1) + 0.0:+.1f}" for cents in one.left_cents),
            )
    return table


def _change(before: str, after: str) -> str:
    return after if before == after else f"{before} to {after}"


def _words(mm: float, lengths: LengthUnit) -> str:
    direction = direction_of(mm)
    return direction if direction == STAY else f"{length_text(abs(mm), lengths)} {direction}"


def _se(mm: float, lengths: LengthUnit) -> str:
    return length_number(max(mm, SHOWN_MM), lengths)
