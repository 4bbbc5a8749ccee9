"""The tables of ``oscservice predict``."""

from __future__ import annotations

from collections.abc import Sequence

from rich.table import Table

from oscservice.advice.correction import SHOWN_MM, STAY, direction_of
from oscservice.advice.prediction import SaddleFollowing, StringPrediction
from oscservice.cli.console import plain_table
from oscservice.defaults import INCH_MM
from oscservice.instrument.spec import SHAPED, Instrument


def prediction_table(instrument: Instrument, predicted: Sequence[StringPrediction]) -> Table:
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
            f"{one.setback_mm:.1f} ± {_se(one.setback_se_mm)}",
            f"{one.saddle_now_mm:.1f}",
            _move(instrument, one),
        )
    return table


def _move(instrument: Instrument, one: StringPrediction) -> str:
    """Return the move before the first pluck, in words."""
    adjuster = instrument.adjuster_of(one.string)
    if not one.worth_moving or direction_of(one.move_mm) == STAY:
        return "leave"
    if adjuster is None:
        return f"fixed: {_words(one.move_mm)} wanted"
    if adjuster.means == SHAPED:
        return f"measure first: {_words(one.move_mm)}"
    if len(adjuster.influence) > 1:
        return f"{_words(one.move_mm)} (shared)"
    needed_mm = one.move_mm / adjuster.influence[one.string]
    room_mm = adjuster.away_mm if needed_mm > 0.0 else adjuster.toward_nut_mm
    short = abs(needed_mm) - room_mm >= SHOWN_MM / 2.0
    return _words(one.move_mm) + (f"; room: {room_mm:.1f} mm" if short else "")


def following_table(
    before: Sequence[StringPrediction], after: Sequence[StringPrediction], followed: Sequence[SaddleFollowing]
) -> Table:
    """Return the table of how the saddles follow a modification, a row for each string."""
    numbers = ("string", "N", "before", "after", "±", "if it stays")
    table = plain_table("string", "note", "N", "before", "after", "follow", "±", "if it stays", right=numbers)
    for old, new, one in zip(before, after, followed, strict=True):
        table.add_row(
            str(one.string),
            _change(one.before_note, one.after_note),
            _change(f"{old.tension_n:.0f}", f"{new.tension_n:.0f}"),
            f"{one.before_mm:.1f}",
            f"{one.after_mm:.1f}",
            _words(one.change_mm),
            _se(one.change_se_mm) if one.change_se_mm > 0.0 else "",
            f"{round(one.stays_cents, 1) + 0.0:+.1f}",
        )
    return table


def _change(before: str, after: str) -> str:
    return after if before == after else f"{before} to {after}"


def _words(mm: float) -> str:
    direction = direction_of(mm)
    return direction if direction == STAY else f"{abs(mm):.1f} mm {direction}"


def _se(mm: float) -> str:
    return f"{max(mm, SHOWN_MM):.1f}"
