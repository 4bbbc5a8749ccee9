"""``oscservice predict``: where the saddles should stand by the strings' build, and how they follow a change."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Annotated, Any

import typer
from rich.table import Table

from oscservice.advice import prediction
from oscservice.advice.correction import SHOWN_MM, STAY, direction_of
from oscservice.advice.prediction import SaddleFollowing, StringPrediction, follow_change
from oscservice.cli.arguments import Capo, JsonObject, NewNotes, NewReference, NewSemitones, named_instrument
from oscservice.cli.console import plain_table, say, wide_console
from oscservice.errors import InputError
from oscservice.instrument.modified_instrument import (
    NewGauge,
    tuned_by,
    with_action_raised,
    with_capo,
    with_gauges,
    with_notes,
    with_nut_height,
    with_reference,
)
from oscservice.instrument.spec import GAUGE_RANGE_MM, SHAPED, Instrument
from oscservice.instrument.string_physics import INCH_MM

_PIPED_WIDTH = 100
_KEPT = "-"

_ON_PREDICTIONS = (
    "gauge: inches, p plain, w wound. N: tension. core: its stress as a share of what music wire holds. "
    "B: inharmonicity, millionths. saddle: mm beyond the scale length where fret 12 is true, ± 1 sd. now: as the file "
    "has it. A saddle is moved before the first pluck only if its error is larger than the uncertainty."
)
_ON_FOLLOWING = (
    "before, after: saddle in mm beyond the scale length where fret 12 is true. follow: the way between, ± 1 sd. "
    "if it stays: error at fret 12 in cents, + sharp, of a saddle that was true and isn't moved."
)
_SLACKEN = "Slacken a string before its saddle is moved, face and hands out of its way."


@dataclass(frozen=True)
class Change:
    """A change to an instrument, as the command line gives it; None is no change.

    Attributes:
        action_mm: by how much fret 12's action rises.
        nut_mm: height of the strings over the fret plane at the nut.
        semitones: by how many the tuning rises.
        notes: open notes, string 1 first.
        gauges: GAUGE or GAUGE/CORE in inches for each string, string 1 first; ``-`` leaves a string on.
        reference_hz: A4.
        capo: its fret.
    """

    action_mm: float | None = None
    nut_mm: float | None = None
    semitones: int | None = None
    notes: str | None = None
    gauges: str | None = None
    reference_hz: float | None = None
    capo: int | None = None

    def __str__(self) -> str:
        parts = (
            ("gauges {}", self.gauges),
            ("notes {}", self.notes),
            ("tuned by {:+d} semitones", self.semitones),
            ("A4 = {:g} Hz", self.reference_hz),
            ("{:g} mm high at the nut", self.nut_mm),
            ("action {:+g} mm", self.action_mm),
            ("capo at fret {}", self.capo),
        )
        return ", ".join(form.format(value) for form, value in parts if value is not None)


def predict(
    instrument: Annotated[str, typer.Argument(help="Preset or instrument file.")],
    action_mm: Annotated[float | None, typer.Option(help="Change of the action at fret 12; + is higher.")] = None,
    nut_mm: Annotated[float | None, typer.Option(help="Height of the strings over the frets, at the nut.")] = None,
    semitones: NewSemitones = None,
    notes: NewNotes = None,
    gauges: Annotated[
        str | None,
        typer.Option(help="Gauges in inches, string 1 first; 0.046/0.018 adds a core, - keeps the string."),
    ] = None,
    reference: NewReference = None,
    capo: Capo = None,
    as_json: JsonObject = False,
) -> None:
    """Print the tables, or one JSON object.

    Raises:
        InputError: no such instrument, or a change that can't be made.
    """
    change = Change(action_mm, nut_mm, semitones, notes, gauges, reference, capo)
    before = named_instrument(instrument)
    try:
        after = changed(before, change)
        predicted = prediction.predict(before)
        predicted_after = prediction.predict(after) if str(change) else ()
        followed = follow_change(before, after) if str(change) else ()
    except ValueError as error:
        raise InputError(f"{instrument}: {error}") from None
    cautions = [*_cautions(predicted, ""), *_cautions(predicted_after, f" after the change ({change})")]
    if as_json:
        print(json.dumps(_object(before, change, predicted, followed, cautions)))
        return
    console = wide_console(_PIPED_WIDTH)
    console.print(f"{before.title}: where the saddles should stand", style="italic", highlight=False, markup=False)
    console.print(_predictions(before, predicted))
    console.print(_ON_PREDICTIONS, highlight=False)
    if followed:
        console.print(f"\nHow each saddle has to follow: {change}", style="italic", highlight=False, markup=False)
        console.print(_followings(predicted, predicted_after, followed))
        console.print(_ON_FOLLOWING, highlight=False)
    if before.bridge.slacken:
        console.print(f"\n{_SLACKEN}", highlight=False)
    for caution in cautions:
        say(console, f"\nCaution: {caution}")


def changed(instrument: Instrument, change: Change) -> Instrument:
    """The instrument after the change. Raises ValueError, one line, for one that can't be made."""
    if change.notes is not None and change.semitones is not None:
        raise ValueError("--notes and --semitones: expected one of them")
    if change.gauges is not None:
        instrument = with_gauges(instrument, _gauges(change.gauges, len(instrument.strings)))
    if change.notes is not None:
        instrument = with_notes(instrument, change.notes.replace(",", " ").split())
    if change.semitones is not None:
        instrument = tuned_by(instrument, change.semitones)
    if change.reference_hz is not None:
        instrument = with_reference(instrument, change.reference_hz)
    if change.nut_mm is not None:
        instrument = with_nut_height(instrument, change.nut_mm)
    if change.action_mm is not None:
        instrument = with_action_raised(instrument, change.action_mm)
    if change.capo is not None:
        instrument = with_capo(instrument, change.capo)
    return instrument


def _gauges(text: str, strings: int) -> dict[int, NewGauge]:
    words = text.replace(",", " ").split()
    if len(words) != strings:
        raise ValueError(f"--gauges: found {len(words)}, expected {strings}, string 1 first ({_KEPT} leaves one on)")
    return {number: _gauge(word) for number, word in enumerate(words, start=1) if word != _KEPT}


def _gauge(word: str) -> NewGauge:
    try:
        mm = [float(part) * INCH_MM for part in word.split("/")]
    except ValueError:
        mm = []
    if len(mm) not in (1, 2) or not all(GAUGE_RANGE_MM[0] <= one <= GAUGE_RANGE_MM[1] for one in mm):
        raise ValueError(f"--gauges: found {word!r}, expected inches, e.g. 0.011, or with a core, 0.046/0.018")
    return NewGauge(*mm)


def _cautions(predicted: Sequence[StringPrediction], when: str) -> Iterator[str]:
    for one in predicted:
        if one.near_breaking:
            yield (
                f"string {one.string} at {one.note}{when}: {one.tension_n:.0f} N is {100.0 * one.strength_share:.0f} % "
                "of the core's strength. It may break: tune up slowly, wear eye protection, keep face and hands away."
            )


def _object(
    instrument: Instrument,
    change: Change,
    predicted: Sequence[StringPrediction],
    followed: Sequence[SaddleFollowing],
    cautions: Sequence[str],
) -> dict[str, Any]:
    found: dict[str, Any] = {
        "instrument": instrument.name,
        "strings": [asdict(one) | {"move_mm": one.move_mm, "worth_moving": one.worth_moving} for one in predicted],
    }
    if followed:
        found["change"] = {key: value for key, value in asdict(change).items() if value is not None}
        found["following"] = [asdict(one) | {"change_mm": one.change_mm} for one in followed]
    return found | {"cautions": list(cautions)}


def _predictions(instrument: Instrument, predicted: Sequence[StringPrediction]) -> Table:
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
    """The move before the first pluck, in words."""
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


def _followings(
    before: Sequence[StringPrediction], after: Sequence[StringPrediction], followed: Sequence[SaddleFollowing]
) -> Table:
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
