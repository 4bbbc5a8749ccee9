"""Every fret of every string, known from the few that were heard.

What the instrument file lets expect of all frets (``expected``), the saddles anywhere, is a normal prior; what was
heard conditions it (C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, eqs. 2.23 and
2.24, from memory). All strings stand in one vector, so that what one string tells of nut, finger or a fret is used for
the others. Errors are then carried along with saddles moved since. Cents + sharp, mm + away from the nut.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from oscservice.advice.causes import Cause
from oscservice.advice.comparison import Comparison
from oscservice.advice.correction import cents_per_mm, error_after, speaking_lengths_mm
from oscservice.advice.decision import PLACING_SD_MM
from oscservice.advice.expected import (
    HARMONIC,
    Change,
    Expected,
    Survey,
    doubts,
    expect,
    raised_action,
    raised_nut,
    taken_up,
)
from oscservice.advice.finding import Finding
from oscservice.advice.neck import NeckErrors
from oscservice.instrument.spec import Instrument

Floats = npt.NDArray[np.float64]

SADDLE_SD_MM = 10.0
"""How far a saddle may stand from where the file says, before anything is heard: anywhere that a bridge allows."""

FARTHEST = 0.05
"""No saddle is taken to be further off than this share of the scale."""

NAMED_SD: Mapping[str, float] = {
    Cause.NUT_SLOT: 1.0,
    Cause.NUT_PLACE: 2.0,
    Cause.FINGER: 0.05,
    Cause.ACTION: 2.0,
    Cause.FRET: 1.0,
    Cause.UNEVEN: 0.03,
}
"""How large a cause may be once it was named, 1 sd: mm, of an uneven string the share of its mass (assumed)."""

_UNEVEN_REACH_MM = 40.0
_ROUNDS = 2


@dataclass(frozen=True)
class LastPass:
    """A comparison newer than the survey, the saddle where it now stands.

    Attributes:
        comparison: error and standard error at ``fret``, as ``neck.as_one`` sums them up.
        fret: the fret it is given for.
        weights: of each fret that it is made of.
    """

    comparison: Comparison
    fret: int
    weights: Mapping[int, float]


@dataclass(frozen=True)
class Conditioned:
    """Errors of every fret as they are known, and after them, in one vector, what was not known of the strings.

    Attributes:
        rows: string and fret (or HARMONIC) of each error.
        doubts: what was not known: by 1 sd of it, a change of all strings, or of the one named.
        mean: cents, and then each doubt in its own prior sd, (rows + doubts,).
        covariance: of both, (rows + doubts, rows + doubts).
        place_mm: where each saddle now stands by what was heard, from where the file says it stood at the start; + away
            from the nut.
    """

    rows: tuple[tuple[int, int], ...]
    doubts: tuple[tuple[Change, int | None], ...]
    mean: Floats
    covariance: Floats
    place_mm: Mapping[int, float]

    def row(self, string: int, fret: int) -> int:
        """Index of a fret of a string. Raises ValueError for one that isn't there."""
        return self.rows.index((string, fret))

    def of(self, string: int) -> npt.NDArray[np.intp]:
        """Indices of a string's rows."""
        return np.array([i for i, (number, _) in enumerate(self.rows) if number == string])

    def with_heard(self, take: Floats, value: float, se: float) -> Conditioned:
        """Conditioned on one more weighted sum, its weights as ``mean``."""
        spread = self.covariance @ take
        gain = spread / float(take @ spread + se**2)
        mean = self.mean + gain * (value - float(take @ self.mean))
        return replace(self, mean=mean, covariance=self.covariance - np.outer(gain, spread))


def conditioned(
    instrument: Instrument,
    surveys: Mapping[int, Survey],
    positions_mm: Mapping[int, float],
    last: Mapping[int, LastPass],
    named: Sequence[Finding],
) -> Conditioned:
    """All frets of all strings surveyed, given all that was heard, the saddles where they now stand.

    Args:
        instrument: the instrument as filed.
        surveys: what was compared, by string number.
        positions_mm: how far each string's saddle has moved since the start; where it was surveyed if it isn't named.
        last: what was heard since, by string number.
        named: causes that were named: how large they are is left to what was heard.

    Raises:
        ValueError: no survey, a string or fret that isn't there.
    """
    off_mm = dict.fromkeys(surveys, 0.0)
    # A saddle moves its frets not quite in proportion: the second round starts where the first one found it.
    for _ in range(_ROUNDS):
        expected = expect(instrument, {n: _every_fret(instrument, s, off_mm[n]) for n, s in surveys.items()})
        at, more_mm = _given_surveys(expected, surveys, named, _staying(instrument, surveys))
        off_mm = {n: _within(off_mm[n] + mm, instrument.string(n).scale_mm) for n, mm in more_mm.items()}
    places: dict[int, float] = {}
    for number, survey in surveys.items():
        there_mm = survey.position_mm + off_mm[number]
        moved_mm = positions_mm.get(number, survey.position_mm) - survey.position_mm
        places[number] = there_mm + moved_mm
        if moved_mm:
            at = _carried_along(at, instrument, number, there_mm, moved_mm)
    at = replace(at, place_mm=places)
    for number, newer in last.items():
        if number in surveys:
            take = _summed_up(at, instrument, number, newer)
            at = at.with_heard(take, newer.comparison.error_cents, newer.comparison.se_cents)
    return at


def _within(off_mm: float, scale_mm: float) -> float:
    """No further than any bridge is long, whatever was heard."""
    return max(-FARTHEST * scale_mm, min(FARTHEST * scale_mm, off_mm))


def _every_fret(instrument: Instrument, survey: Survey, off_mm: float) -> Survey:
    """The survey with a row for every fret and nothing heard: ``expect`` then gives the prior alone."""
    frets = tuple(range(1, instrument.frets + 1))
    nothing = (0.0,) * len(frets)
    neck = NeckErrors(frets, nothing, (nothing,) * len(frets), (1,) * len(frets), 0.0)
    harmonic = None if survey.harmonic_cents is None else 0.0
    return Survey(neck, survey.position_mm + off_mm, harmonic, 0.0, survey.stiffness)


def _staying(instrument: Instrument, surveys: Mapping[int, Survey]) -> tuple[tuple[Change, int | None], ...]:
    """What of the strings is not known and stays with them in another tuning, or behind a capo."""
    return tuple((doubt.change, doubt.string) for doubt in doubts(instrument, surveys) if doubt.stays)


def _given_surveys(
    expected: Expected,
    surveys: Mapping[int, Survey],
    named: Sequence[Finding],
    staying: tuple[tuple[Change, int | None], ...],
) -> tuple[Conditioned, dict[int, float]]:
    """The prior conditioned on the surveys; and how far each saddle stands from where it was taken to."""
    errors = expected.covariance + _left_open(expected, named) + SADDLE_SD_MM**2 * expected.saddle @ expected.saddle.T
    cross = np.column_stack([expected.shift(change, only) for change, only in staying])
    prior = np.block([[errors, cross], [cross.T, np.eye(len(staying))]])
    mean = np.concatenate([expected.mean, np.zeros(len(staying))])
    rows, heard, noise = _heard(expected.rows, surveys)
    inverse = np.linalg.inv(prior[np.ix_(rows, rows)] + noise)
    weighed = inverse @ (heard - expected.mean[rows])
    covariance = prior - prior[:, rows] @ inverse @ prior[rows]
    found = Conditioned(expected.rows, staying, mean + prior[:, rows] @ weighed, covariance, {})
    off_mm = SADDLE_SD_MM**2 * expected.saddle[rows].T @ weighed
    return found, dict(zip(expected.strings, off_mm.tolist(), strict=True))


def _heard(
    rows: tuple[tuple[int, int], ...], surveys: Mapping[int, Survey]
) -> tuple[npt.NDArray[np.intp], Floats, Floats]:
    """Which rows were heard, the values, and their covariance."""
    index: list[int] = []
    cents: list[float] = []
    blocks: list[Floats] = []
    for number, survey in sorted(surveys.items()):
        index += [rows.index((number, fret)) for fret in survey.neck.frets]
        cents += survey.neck.errors_cents
        blocks.append(np.array(survey.neck.covariance))
        if survey.harmonic_cents is not None:
            index.append(rows.index((number, HARMONIC)))
            cents.append(survey.harmonic_cents)
            blocks.append(np.array([[survey.harmonic_se_cents**2]]))
    covariance = np.zeros((len(index), len(index)))
    start = 0
    for block in blocks:
        covariance[start : start + len(block), start : start + len(block)] = block
        start += len(block)
    return np.array(index), np.array(cents), covariance


def _left_open(expected: Expected, named: Sequence[Finding]) -> Floats:
    """Covariance of causes that were named, each as large as it may be."""
    found = np.zeros((len(expected.rows), len(expected.rows)))
    for finding in named:
        sd = NAMED_SD.get(finding.cause, 0.0)
        if finding.cause == Cause.UNEVEN:
            for number in set(finding.strings) & set(expected.strings):
                found += expected.uneven(number, sd, _UNEVEN_REACH_MM)
            continue
        column = sd * _column(expected, finding)
        found += np.outer(column, column)
    return found


def _column(expected: Expected, finding: Finding) -> Floats:
    """Cents by which a cause shifts each row per mm of it, (n,)."""
    found = np.zeros(len(expected.rows))
    for number in set(finding.strings) & set(expected.strings):
        match finding.cause:
            case Cause.NUT_SLOT:
                found += expected.shift(lambda s: raised_nut(s, 1.0), number)
            case Cause.NUT_PLACE:
                found += expected.shift(lambda s: replace(s, nut_shift_mm=s.nut_shift_mm + 1.0), number)
            case Cause.FINGER:
                found += expected.shift(lambda s: taken_up(s, 1.0), number)
            case Cause.ACTION:
                found += expected.shift(lambda s: raised_action(s, 1.0), number)
            case Cause.FRET:
                found += expected.fret(finding.fret, number)
    return found


def _carried_along(
    at: Conditioned, instrument: Instrument, number: int, there_mm: float, moved_mm: float
) -> Conditioned:
    """After a saddle was moved and the string retuned; a hand places it so well and no better."""
    spec = instrument.string(number)
    shift, slope = np.zeros(len(at.mean)), np.zeros(len(at.mean))
    for index in at.of(number):
        fret = at.rows[index][1]
        if fret != HARMONIC:
            lengths = speaking_lengths_mm(spec, fret, there_mm)
            shift[index] = error_after(0.0, lengths, moved_mm)
            slope[index] = cents_per_mm((lengths[0] + moved_mm, lengths[1] + moved_mm))
    covariance = at.covariance + PLACING_SD_MM**2 * np.outer(slope, slope)
    return replace(at, mean=at.mean + shift, covariance=covariance)


def _summed_up(at: Conditioned, instrument: Instrument, number: int, newer: LastPass) -> Floats:
    """Weight of each row in what a last pass sums up: least squares of the saddle's part (``neck.as_one``)."""
    spec, place_mm = instrument.string(number), at.place_mm[number]
    reference = cents_per_mm(speaking_lengths_mm(spec, newer.fret, place_mm))
    take = np.zeros(len(at.mean))
    for fret, weight in newer.weights.items():
        take[at.row(number, fret)] = weight * cents_per_mm(speaking_lengths_mm(spec, fret, place_mm))
    squares = sum(take[i] ** 2 / newer.weights[at.rows[i][1]] for i in np.flatnonzero(take))
    return np.asarray(take * reference / squares)
