"""An instrument in one of its named tunings, or with its saddles for two of them.

A saddle serves one tuning: in another one the tension differs, and with it how much a fretted note is sharpened. For
two tunings the best place of the saddle leaves the least sum of squares of the errors in both. Where the frets' errors
are e in the first tuning, they are e + d in the second, by the model (``instrument.fretting``) with the same saddle.
The sum e^2 + (e + d)^2 is least at e = -d/2: this is the wanted error of each fret in the first tuning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from oscservice.instrument.fretting import fretted_error_cents, fretted_string, true_setback_mm
from oscservice.instrument.modified_instrument import with_fret_targets, with_strings, with_tuning
from oscservice.instrument.spec import BOTH, Instrument


def in_tuning(instrument: Instrument, text: str) -> Instrument:
    """Return the instrument in the tuning that a text names; for two names with BOTH between, ``for_two_tunings``.

    Raises:
        ValueError: a name that no tuning has, more than two names, a tension that no string of the trade has.
    """
    names = [name.strip() for name in text.split(BOTH)]
    if len(names) > 2:
        raise ValueError(f"tuning: found {len(names)} names, expected one, or two with {BOTH} between")
    return with_tuning(instrument, names[0]) if len(names) == 1 else for_two_tunings(instrument, *names)


def for_two_tunings(instrument: Instrument, first: str, second: str) -> Instrument:
    """Return the instrument in the tuning ``first``, its frets with targets that serve both tunings alike.

    Each fret's target is its own one in the first tuning plus half of the error that changing to the second one would
    take away.

    Raises:
        ValueError: a name that no tuning has, or the same one twice; a tension that no string of the trade has; no
            saddle makes a fret true; a target out of range.
    """
    if first == second:
        raise ValueError(f"tuning: found {first!r} twice, expected two tunings")
    one, other = with_tuning(instrument, first), with_tuning(instrument, second)
    own_cents = tuple(spec.fret_targets_cents for spec in one.strings)
    targets_cents = {}
    for number, (spec, after) in enumerate(zip(one.strings, other.strings, strict=True), start=1):
        if one.open_hz(number) != other.open_hz(number):
            halves = [change / 2.0 for change in change_cents(one, other, number)]
            wanted = after.fret_targets_cents
            targets_cents[number] = {
                fret: (spec.fret_targets_cents.get(fret, 0.0) + wanted.get(fret, 0.0)) / 2.0 - half
                for fret, half in enumerate(halves, start=1)
            }
    # The tunings keep the frets' own targets, which count again when only one tuning is asked for.
    kept = [
        tuning.model_copy(update={"fret_targets_cents": tuning.fret_targets_cents or own_cents})
        for tuning in one.tunings
    ]
    served = with_fret_targets(one, targets_cents)
    return with_strings(served, {}, tuning=f"{first} {BOTH} {second}", tunings=[t.model_dump() for t in kept])


def change_cents(before: Instrument, after: Instrument, number: int) -> tuple[float, ...]:
    """Return the change of the error of every fret of a string, lowest fret first, when only its pitch changes.

    The saddle is half way between those that make fret 12 true in either tuning: another place makes no difference that
    matters.

    Raises:
        ValueError: no saddle makes fret 12 true.
    """
    strings = [fretted_string(one.string(number), one.open_hz(number)) for one in (before, after)]
    setback_mm = sum(true_setback_mm(string) for string in strings) / 2.0
    old, new = (replace(string, setback_mm=setback_mm) for string in strings)
    return tuple(fretted_error_cents(new, fret) - fretted_error_cents(old, fret) for fret in range(1, before.frets + 1))


def both_tunings(instrument: Instrument) -> tuple[Instrument, ...]:
    """Return the instrument in each of the tunings that its saddles serve, its own targets at the frets; empty unless
    they are two."""
    names: Sequence[str] = [name.strip() for name in instrument.tuning.split(BOTH)]
    return tuple(with_tuning(instrument, name) for name in names) if len(names) == 2 else ()
