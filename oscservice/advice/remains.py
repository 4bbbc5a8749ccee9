"""What a set-up leaves: the error at every fret of every string, from the few that were compared; and what the same
saddles would give in another tuning. Cents + sharp, mm + away from the nut.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from oscservice.advice.conditioned import LastPass, conditioned
from oscservice.advice.expected import FINGER_MM, PRESS_MM, Change, Survey
from oscservice.advice.finding import Finding
from oscservice.instrument.fretting import FrettedString, Terms, fretted_error_cents, fretted_string
from oscservice.instrument.spec import Instrument
from oscservice.instrument.strings import fret_position_mm

Floats = npt.NDArray[np.float64]

LAST_TERMS_FRET = 19
"""The three terms are fitted up to this fret; they follow the full model no further."""


@dataclass(frozen=True)
class StringRemains:
    """What one string is left with.

    Attributes:
        string: its number, from 1.
        frets: rising, (n,).
        errors_cents, se_cents: error of each fret against the open string in equal temperament, + sharp, and its
            standard error (1 sd), (n,).
        terms, terms_se: the three terms with the least squares over the frets up to 19, and their standard errors.
            Single frets stand off them as far as they were heard to; where none does, within 0.1 cents.
        measured: frets that were compared.
    """

    string: int
    frets: tuple[int, ...]
    errors_cents: tuple[float, ...]
    se_cents: tuple[float, ...]
    terms: Terms
    terms_se: Terms
    measured: tuple[int, ...]


def remains(
    instrument: Instrument,
    surveys: Mapping[int, Survey],
    positions_mm: Mapping[int, float],
    frets: Sequence[int] | None = None,
    *,
    last: Mapping[int, LastPass] | None = None,
    named: Sequence[Finding] = (),
) -> dict[int, StringRemains]:
    """Errors over the frets of every string surveyed, by string number.

    Args:
        instrument: the instrument as filed.
        surveys: what was compared, by string number.
        positions_mm: how far each string's saddle has moved since the start; where it was surveyed if it isn't named.
        frets: the frets to tell; all of them if None.
        last: what was heard since, by string number.
        named: causes that were named: how large they are is left to what was heard.

    Raises:
        ValueError: no survey, a string or fret that isn't there.
    """
    wanted = _checked(instrument, frets)
    at = conditioned(instrument, surveys, positions_mm, last or {}, named)
    every = _checked(instrument, None)
    found: dict[int, StringRemains] = {}
    for number, survey in sorted(surveys.items()):
        rows = np.array([at.row(number, fret) for fret in every])
        covariance = at.covariance[np.ix_(rows, rows)]
        found[number] = _told(number, wanted, at.mean[rows], covariance, survey.neck.frets)
    return found


def remains_after(
    instrument: Instrument,
    changed: Instrument,
    surveys: Mapping[int, Survey],
    positions_mm: Mapping[int, float],
    frets: Sequence[int] | None = None,
    *,
    last: Mapping[int, LastPass] | None = None,
    named: Sequence[Finding] = (),
) -> dict[int, StringRemains]:
    """The same of the instrument after a change (``instrument.change``), the saddles where they stand.

    What stands off the model stays as it was heard; but finger, core, ends and action, as far as they were told, go
    through the model of the strings as they then are. With a capo at fret c, fret k is fret c + k of before and the
    capo's fret is its nut, so what stands off the model at fret c is taken off all of them.

    Args:
        instrument, surveys, positions_mm, last, named: as in ``remains``, before the change.
        changed: the instrument after it.
        frets: the frets to tell, counted from the capo if there is one; all of them if None.

    Raises:
        ValueError: as ``remains``; other strings than before or not as many, or a board that is no capo's.
    """
    capo = _capo_fret(instrument, changed)
    wanted, every = _checked(changed, frets), _checked(changed, None)
    at = conditioned(instrument, surveys, positions_mm, last or {}, named)
    found: dict[int, StringRemains] = {}
    for number, survey in sorted(surveys.items()):
        log_b = None if survey.stiffness is None else survey.stiffness.log_b
        before = _string(instrument, number, at.place_mm[number], log_b)
        if log_b is not None:
            log_b = _carried(log_b, instrument, changed, number)
        after = _string(changed, number, at.place_mm[number], log_b)
        modelled, by_doubt = _modelled(before, at.doubts, number, [capo + fret for fret in every])
        off = np.eye(len(at.mean))[[at.row(number, capo + fret) for fret in every]]
        if capo:
            at_nut, nut_by_doubt = _modelled(before, at.doubts, number, [capo])
            modelled, by_doubt = modelled - at_nut, by_doubt - nut_by_doubt
            off[:, at.row(number, capo)] -= 1.0
        mean, changed_by_doubt = _modelled(after, at.doubts, number, every)
        off[:, len(at.rows) :] += changed_by_doubt - by_doubt
        told = tuple(fret - capo for fret in survey.neck.frets if fret > capo)
        found[number] = _told(number, wanted, mean - modelled + off @ at.mean, off @ at.covariance @ off.T, told)
    return found


def _modelled(
    string: FrettedString, doubts: Sequence[tuple[Change, int | None]], number: int, frets: Sequence[int]
) -> tuple[Floats, Floats]:
    """The model's error at each fret, (n,), and what 1 sd of each doubt adds to it, (n, doubts)."""
    strings = [change(string) if only in (None, number) else string for change, only in doubts]
    errors = np.array([fretted_error_cents(string, fret) for fret in frets])
    shifted = np.array([[fretted_error_cents(one, fret) for one in strings] for fret in frets])
    return errors, shifted - errors[:, None]


def _told(
    number: int, wanted: tuple[int, ...], mean: Floats, covariance: Floats, measured: tuple[int, ...]
) -> StringRemains:
    """The frets wanted, and the three terms, from all frets of the string: mean (frets,), covariance (frets, frets)."""
    last = min(len(mean), LAST_TERMS_FRET)
    u = 2.0 ** (np.arange(1, last + 1) / 12.0) - 1.0
    solve = np.linalg.pinv(np.column_stack([1.0 / u, np.ones(last), u]))
    terms = solve @ mean[:last]
    terms_se = np.sqrt(np.maximum(np.diag(solve @ covariance[:last, :last] @ solve.T), 0.0))
    rows = np.array(wanted) - 1
    se = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    values = tuple(mean[rows].tolist()), tuple(se[rows].tolist())
    kept = tuple(fret for fret in measured if fret in wanted)
    return StringRemains(number, wanted, *values, Terms(*terms.tolist()), Terms(*terms_se.tolist()), kept)


def _string(instrument: Instrument, number: int, place_mm: float, log_b: float | None) -> FrettedString:
    spec = instrument.string(number)
    setback_mm = spec.setback_mm + place_mm
    string = fretted_string(spec, instrument.open_hz(number), log_stiffness=log_b, setback_mm=setback_mm)
    return replace(string, finger_mm=FINGER_MM, press_mm=PRESS_MM)


def _carried(log_b: float, before: Instrument, after: Instrument, number: int) -> float:
    """ln B of the same string at another tension and length: B goes with 1 / (T L^2), and T with (f L)^2."""
    old, new = before.string(number), after.string(number)
    lengths = (new.scale_mm + new.setback_mm) / (old.scale_mm + old.setback_mm)
    pitches = after.open_hz(number) / before.open_hz(number)
    return float(log_b - 2.0 * np.log(pitches) - 4.0 * np.log(lengths))


def _capo_fret(before: Instrument, after: Instrument) -> int:
    """Fret of the capo that makes the one of the other; 0 for none. Raises ValueError for another instrument."""
    if len(before.strings) != len(after.strings):
        raise ValueError(f"{len(after.strings)} strings after the change, {len(before.strings)} before")
    capo = before.frets - after.frets
    for number, (old, new) in enumerate(zip(before.strings, after.strings, strict=True), start=1):
        if (old.gauge_mm, old.core_mm, old.wound) != (new.gauge_mm, new.core_mm, new.wound):
            raise ValueError(f"string {number} is another one: what was heard of the old one says nothing of it")
        scale_mm = old.scale_mm - (fret_position_mm(old.scale_mm, capo) if capo > 0 else 0.0)
        if capo < 0 or abs(new.scale_mm - scale_mm) > 0.01 or new.setback_mm != old.setback_mm:
            raise ValueError(f"string {number}: scale or saddle differ by more than a capo makes")
    return capo


def _checked(instrument: Instrument, frets: Sequence[int] | None) -> tuple[int, ...]:
    if frets is None:
        return tuple(range(1, instrument.frets + 1))
    if not frets:
        raise ValueError("no fret is asked for")
    for fret in frets:
        if not 1 <= fret <= instrument.frets:
            raise ValueError(f"fret {fret} isn't there; expected 1 to {instrument.frets}")
    return tuple(sorted(set(frets)))
