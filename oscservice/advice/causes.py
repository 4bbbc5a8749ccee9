"""Which cause the pattern of errors over frets and strings speaks for: probabilities of stories, not rules of thumb.

Each story says how a cause would shift every value heard (``expected``), by an amount that is averaged over what it may
reasonably be. Its evidence is the density it gives to what was heard; with prior weights that is its probability
(Bayes). A story that allows much explains little, so a cause is named only where the pattern is its own. After one
cause is named the rest is asked again, with it allowed for.

What each cause looks like over the frets follows from the model (M. Anderson and R. Beausoleil, J. Acoust. Soc. Am. 156
(2024) 683, extended in ``instrument.fretting``) and, for uneven strings, from Rayleigh's principle
(``expected.mass_effect``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve
from scipy.special import logsumexp

from oscservice.advice.expected import HARMONIC, Change, Expected, raised_action, raised_nut, taken_up
from oscservice.instrument.fretting import FrettedString

Floats = npt.NDArray[np.float64]
Growing = Callable[[FrettedString, float], FrettedString]


class Cause(StrEnum):
    """What can be behind an error."""

    SADDLE = "saddle"
    NUT_SLOT = "nut slot high"
    NUT_PLACE = "nut misplaced"
    FINGER = "finger pressure or capo"
    UNEVEN = "uneven string"
    FRET = "fret misplaced or flattened"
    ACTION = "action high"
    SCATTER = "scatter too large"


@dataclass(frozen=True)
class Named:
    """A cause that the pattern speaks for.

    Attributes:
        cause: which.
        strings: those it is about.
        fret: the fret it is about; 0 for none.
        size, se: how large it is, 1 sd: mm, or for an uneven string the cents of its worst place.
        probability: of this cause against all the others and none.
        shift: cents by which it shifts each value of ``Expected``, (n,).
    """

    cause: Cause
    strings: tuple[int, ...]
    fret: int
    size: float
    se: float
    probability: float
    shift: tuple[float, ...]


SURE = 0.85
SURE_TOO = 0.97
"""A cause is named at this probability; beside another one at the second: two at once are rare."""

LEAST_CENTS = 2.0
"""A cause that shifts no value by more is not worth naming."""

MOST_NAMED = 4

_PRIOR = {
    Cause.SADDLE: 0.50,
    Cause.NUT_SLOT: 0.12,
    Cause.NUT_PLACE: 0.05,
    Cause.FINGER: 0.05,
    Cause.UNEVEN: 0.08,
    Cause.FRET: 0.08,
    Cause.ACTION: 0.12,
}
"""How often each is behind an error, before anything is heard (assumed)."""

_READ_SD_MM = 0.3  # how far a saddle may be from where the file says it stands, read off a ruler
_SADDLE_SD_MM = 3.0  # or where nobody has read it
_FILE_TRUE = 0.7  # share of files that tell where the saddles stand
_SLOTS_MM = np.linspace(0.1, 1.2, 12)
_TAKEN_UP_MM = np.geomspace(0.006, 0.08, 10)
_ACTIONS_MM = np.linspace(0.3, 2.5, 12)
_NUT_SD_MM = 0.6
_FRET_SD_MM = 0.35
_LEAST_LEARNT = 0.05  # of the prior spread of a size: less says nothing of it
_LEAST_DOUBT = 0.15  # relative: no cause follows its story more closely
_MASS = ((0.01, 200.0), (0.03, 200.0), (0.01, 40.0), (0.03, 40.0), (0.10, 15.0))  # 1 sd of relative mass, reach in mm


@dataclass(frozen=True)
class _Story:
    """One way a cause may show: shifts it may bring, each as likely, and covariance it adds."""

    cause: Cause
    strings: tuple[int, ...]
    fret: int
    prior: float
    sizes: Floats  # (k,), of each shift; (1,) of 0 for one that is all in ``spread``
    shifts: Floats  # (k, n)
    spread: Floats  # (n, n) beside the rest
    column: Floats  # (n,) cents per unit of size where the size is normal, else zeros
    saddles_known: bool = False  # told only where the file's word on the saddles is true


def named_causes(expected: Expected) -> tuple[Named, ...]:
    """The causes that what was heard speaks for, the surest first; saddles themselves are not among them."""
    found: list[Named] = []
    while len(found) < MOST_NAMED:
        told = _ranked(expected, found)
        if not told or told[0].cause is Cause.SADDLE or told[0].probability < (SURE_TOO if found else SURE):
            break
        one = told[0]
        shift = np.array(one.shift)
        if np.abs(shift).max() < LEAST_CENTS:
            break
        found.append(one)
        doubt = one.se / abs(one.size) if one.size else 1.0
        covariance = expected.covariance + np.outer(shift, shift) * min(1.0, max(_LEAST_DOUBT, doubt)) ** 2
        if one.cause is Cause.UNEVEN:
            covariance = covariance + expected.uneven(one.strings[0], *_MASS[3])
        expected = replace(expected, mean=expected.mean + shift, covariance=covariance)
    return tuple(found)


def ranked_causes(expected: Expected) -> tuple[Named, ...]:
    """Every cause with its probability, the likeliest first, saddles among them; 1 in all."""
    return _ranked(expected, [])


def _ranked(expected: Expected, found: list[Named]) -> tuple[Named, ...]:
    known = {(one.cause, one.strings, one.fret) for one in found}
    saddles = _saddles(expected)
    stories: dict[tuple[Cause, tuple[int, ...], int], list[tuple[float, float, float, Floats]]] = {}
    for story in _stories(expected):
        key = (story.cause, story.strings, story.fret)
        if key not in known:
            told = _tell(expected, story, saddles[:1] if story.saddles_known else saddles)
            stories.setdefault(key, []).append(told)
    sums = {key: float(logsumexp([weight for weight, *_ in told])) for key, told in stories.items()}
    total = float(logsumexp(list(sums.values())))
    ranked = []
    for key in sorted(stories, key=lambda key: -sums[key]):
        _, size, se, shift = max(stories[key], key=lambda told: told[0])
        ranked.append(Named(*key, size, se, float(np.exp(sums[key] - total)), tuple(shift.tolist())))
    return tuple(ranked)


def _saddles(expected: Expected) -> list[tuple[float, Floats]]:
    """Log weight and covariance of where saddles may stand: where the file says, or anywhere."""
    spread = expected.saddle @ expected.saddle.T
    return [
        (float(np.log(_FILE_TRUE)), _READ_SD_MM**2 * spread),
        (float(np.log(1.0 - _FILE_TRUE)), _SADDLE_SD_MM**2 * spread),
    ]


def _tell(
    expected: Expected, story: _Story, saddles: list[tuple[float, Floats]]
) -> tuple[float, float, float, Floats]:
    """Log of prior times evidence; size, its standard error and shift, given the story."""
    logs, sizes, variances, shifts = [], [], [], []
    for log_weight, saddle in saddles:
        covariance = expected.covariance + saddle + story.spread
        factor = cho_factor(covariance, lower=True)
        left = expected.heard - expected.mean - story.shifts  # (k, n)
        solved = cho_solve(factor, left.T)  # (n, k)
        misfit = np.einsum("kn,nk->k", left, solved)
        log_density = -0.5 * misfit - np.log(np.diag(factor[0])).sum()
        logs.append(log_weight + log_density - np.log(len(story.sizes)))
        if story.spread.any():
            # What a normal amount must have been, given what was heard.
            shift = story.spread @ solved[:, 0]
            variance = story.spread - story.spread @ cho_solve(factor, story.spread)
            if story.column.any():
                gain = np.linalg.pinv(story.column[:, None])[0]
                left_over = gain @ variance @ gain
                # How large it is is told by what was heard alone: the prior says how likely the cause is, not its size.
                learnt = max(_LEAST_LEARNT, 1.0 - left_over / (gain @ story.spread @ gain))
                sizes.append(np.array([gain @ shift / learnt]))
                variances.append(np.array([left_over / learnt]))
                shift = shift / learnt
            else:
                worst = int(np.argmax(np.abs(shift)))
                sizes.append(np.array([shift[worst]]))
                variances.append(np.array([variance[worst, worst]]))
            shifts.append(shift[None, :])
        else:
            sizes.append(story.sizes)
            variances.append(np.zeros(len(story.sizes)))
            shifts.append(story.shifts)
    flat = np.concatenate(logs)
    total = float(logsumexp(flat))
    share = np.exp(flat - total)
    all_sizes = np.concatenate(sizes)
    size = float(share @ all_sizes)
    square = float(share @ ((all_sizes - size) ** 2 + np.concatenate(variances)))
    return total + float(np.log(story.prior)), size, square**0.5, np.asarray(share @ np.concatenate(shifts))


def _by(change: Growing, mm: float) -> Change:
    return lambda string: change(string, mm)


def _stories(expected: Expected) -> Iterator[_Story]:
    """Every story, with its share of its cause's prior weight."""
    n = len(expected.rows)
    numbers = tuple(expected.strings)
    none, nothing = np.zeros((1, n)), np.zeros((n, n))

    def by_amount(cause: Cause, strings: tuple[int, ...], share: float, sizes: Floats, change: Growing) -> _Story:
        only = strings[0] if len(strings) == 1 else None
        shifts = [expected.shift(_by(change, mm), only) for mm in sizes.tolist()]
        known = cause is Cause.ACTION  # a saddle that stands elsewhere does the same
        return _Story(cause, strings, 0, share, sizes, np.array(shifts), nothing, np.zeros(n), known)

    def normal(cause: Cause, strings: tuple[int, ...], fret: int, share: float, column: Floats, sd: float) -> _Story:
        return _Story(cause, strings, fret, share, np.zeros(1), none, sd**2 * np.outer(column, column), column)

    yield _Story(Cause.SADDLE, numbers, 0, _PRIOR[Cause.SADDLE], np.zeros(1), none, nothing, np.zeros(n))
    slot = _PRIOR[Cause.NUT_SLOT] / (len(numbers) + (len(numbers) > 1))
    for chosen in [(number,) for number in numbers] + ([numbers] if len(numbers) > 1 else []):
        yield by_amount(Cause.NUT_SLOT, chosen, slot, _SLOTS_MM, raised_nut)
    if len(numbers) > 1:  # on one string these can't be told from its own open pitch, or its saddle
        place = expected.shift(lambda s: replace(s, nut_shift_mm=s.nut_shift_mm + 1.0))
        yield normal(Cause.NUT_PLACE, numbers, 0, _PRIOR[Cause.NUT_PLACE], place, _NUT_SD_MM)
        yield by_amount(Cause.FINGER, numbers, _PRIOR[Cause.FINGER], _TAKEN_UP_MM, taken_up)
        yield by_amount(Cause.ACTION, numbers, _PRIOR[Cause.ACTION], _ACTIONS_MM, raised_action)
    for number in numbers:
        for sd, reach_mm in _MASS:
            share = _PRIOR[Cause.UNEVEN] / len(numbers) / len(_MASS)
            spread = expected.uneven(number, sd, reach_mm)
            yield _Story(Cause.UNEVEN, (number,), 0, share, np.zeros(1), none, spread, np.zeros(n))
    frets = sorted({fret for _, fret in expected.rows if fret != HARMONIC})
    for fret in frets:
        has = tuple(number for number, at in expected.rows if at == fret)
        share = _PRIOR[Cause.FRET] / len(frets) / 2.0
        if len(has) > 1:
            yield normal(Cause.FRET, has, fret, share, expected.fret(fret), _FRET_SD_MM)
        for number in has:
            yield normal(Cause.FRET, (number,), fret, share / len(has), expected.fret(fret, number), _FRET_SD_MM)
