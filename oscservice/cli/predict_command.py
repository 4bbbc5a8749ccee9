"""``oscservice predict``: the places of the saddles by the strings' build, and their moves after a change."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from oscservice.cli.arguments import (
    Capo,
    JsonObject,
    LengthsOption,
    NewNotes,
    NewReference,
    NewSemitones,
    TuningOption,
    chosen_lengths,
    length_mm,
    named_instrument,
)
from oscservice.cli.console import say, wide_console
from oscservice.errors import InputError

if TYPE_CHECKING:
    from oscservice.advice.prediction import SaddleFollowing, SharedSaddle, StringPrediction
    from oscservice.cli.modification import Modification
    from oscservice.instrument.spec import Instrument

_PIPED_WIDTH = 100

_ON_PREDICTIONS = (
    "gauge: inches, p plain, w wound. N: tension. core: its stress as a share of what music wire holds. "
    "B: inharmonicity, millionths. saddle: {lengths} beyond the scale length where fret 12 is in tune, ± 1 sd. "
    "now: as the file has it. A saddle is moved before the first pluck only if its error is larger than the "
    "uncertainty."
)
_ON_FOLLOWING = (
    "before, after: saddle in {lengths} beyond the scale length where fret 12 is in tune. follow: the move, ± 1 sd. "
    "if it stays: error at fret 12 in cents, + sharp, of a saddle that was in tune and isn't moved."
)
_ON_SHARED = (
    "Saddle in {lengths} beyond the scale length: for both tunings, where the sum of squares of the errors in both is "
    "least, and for each alone. left in: error at fret 12 in cents, + sharp, with the saddle for both. Strings that "
    "both tune alike are left out."
)
_SLACKEN = "Slacken a string before its saddle is moved, face and hands out of its way."


def predict(
    instrument: Annotated[str, typer.Argument(help="Preset or instrument file.")],
    action: Annotated[
        str | None,
        typer.Option(
            "--action",
            "--action-mm",
            metavar="LENGTH",
            help="Change of the action at fret 12, such as 0.2 mm or 1/64 in; + is higher.",
        ),
    ] = None,
    nut: Annotated[
        str | None,
        typer.Option("--nut", "--nut-mm", metavar="LENGTH", help="Height of the strings over the frets, at the nut."),
    ] = None,
    semitones: NewSemitones = None,
    notes: NewNotes = None,
    tuning: TuningOption = None,
    gauges: Annotated[
        str | None,
        typer.Option(help="Gauges in inches, string 1 first; 0.046/0.018 adds a core, - keeps the string."),
    ] = None,
    reference: NewReference = None,
    capo: Capo = None,
    lengths: LengthsOption = None,
    as_json: JsonObject = False,
) -> None:
    """Print the tables, or one JSON object.

    Args:
        action, nut: lengths; in mm without a unit.

    Raises:
        InputError: no such instrument, no length, or a change that can't be made.
    """
    # These take long to import, and the help needs none of them.
    from oscservice.advice import prediction
    from oscservice.cli.modification import Modification, modified
    from oscservice.cli.prediction_tables import following_table, prediction_table, shared_table
    from oscservice.instrument.tunings import both_tunings

    unit = chosen_lengths(lengths)
    change = Modification(
        length_mm(action, "--action"), length_mm(nut, "--nut"), semitones, notes, tuning, gauges, reference, capo
    )
    before = named_instrument(instrument)
    try:
        after = modified(before, change)
        predicted = prediction.predict(before)
        predicted_after = prediction.predict(after) if str(change) else ()
        followed = prediction.follow_change(before, after) if str(change) else ()
        shared = prediction.shared_saddles(after)
    except ValueError as error:
        raise InputError(f"{instrument}: {error}") from None
    cautions = [*_cautions(predicted, ""), *_cautions(predicted_after, f" after the change ({change.told(unit)})")]
    if as_json:
        print(json.dumps(_object(before, change, predicted, followed, shared, cautions)))
        return
    console = wide_console(_PIPED_WIDTH)
    console.print(f"{before.title}: saddle places by the strings' build", style="italic", highlight=False, markup=False)
    console.print(prediction_table(before, predicted, unit))
    console.print(_ON_PREDICTIONS.format(lengths=unit.plural), highlight=False)
    if followed:
        console.print(f"\nHow each saddle follows: {change.told(unit)}", style="italic", highlight=False, markup=False)
        console.print(following_table(predicted, predicted_after, followed, unit))
        console.print(_ON_FOLLOWING.format(lengths=unit.plural), highlight=False)
    if shared:
        console.print(f"\nOne place of each saddle: {after.tuning}", style="italic", highlight=False, markup=False)
        console.print(shared_table([one.tuning for one in both_tunings(after)], shared, unit))
        console.print(_ON_SHARED.format(lengths=unit.plural), highlight=False)
    if before.bridge.slacken:
        console.print(f"\n{_SLACKEN}", highlight=False)
    for caution in cautions:
        say(console, f"\nCaution: {caution}")


def _cautions(predicted: Sequence[StringPrediction], when: str) -> Iterator[str]:
    """Yield a caution for each string that may break."""
    for one in predicted:
        if one.near_breaking:
            yield (
                f"string {one.string} at {one.note}{when}: {one.tension_n:.0f} N is {100.0 * one.strength_share:.0f} % "
                "of the core's strength. It may break: tune up slowly, wear eye protection, keep face and hands away."
            )


def _object(
    instrument: Instrument,
    change: Modification,
    predicted: Sequence[StringPrediction],
    followed: Sequence[SaddleFollowing],
    shared: Sequence[SharedSaddle],
    cautions: Sequence[str],
) -> dict[str, Any]:
    """Return the result as a JSON object."""
    found: dict[str, Any] = {
        "instrument": instrument.name,
        "strings": [asdict(one) | {"move_mm": one.move_mm, "worth_moving": one.worth_moving} for one in predicted],
    }
    if followed:
        found["change"] = {key: value for key, value in asdict(change).items() if value is not None}
        found["following"] = [asdict(one) | {"change_mm": one.change_mm} for one in followed]
    if shared:
        found["shared"] = [asdict(one) for one in shared]
    return found | {"cautions": list(cautions)}
