"""Causes that a saddle cannot cure: how probable each is, and the finding in words.

Which cause the pattern of errors over frets and strings speaks for: probabilities of stories, not rules of thumb.

Each story says how a cause would shift every value heard (``expected``), by an amount that is averaged over what it may
reasonably be. Its evidence is the density it gives to what was heard; with prior weights that is its probability
(Bayes). A story that allows much explains little, so a cause is named only where the pattern is its own. After one
cause is named the rest is asked again, with it allowed for.

What each cause looks like over the frets follows from the model (M. Anderson and R. Beausoleil, J. Acoust. Soc. Am. 156
(2024) 683, extended in ``instrument.fretting``) and, for uneven strings, from Rayleigh's principle
(``expected.mass_effect``).

A cause in words and numbers: what was heard that speaks for it, how sure that is, and what to check by hand.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve
from scipy.special import logsumexp

from oscservice.advice.expected_errors import (
    HARMONIC,
    Change,
    ExpectedErrors,
    Survey,
    expected_errors,
    with_higher_action,
    with_higher_nut,
    with_more_take_up,
)
from oscservice.instrument.fretting import FrettedString
from oscservice.instrument.spec import Instrument
from oscservice.sentences.sentence_table import ENGLISH

Floats = npt.NDArray[np.float64]
SizedChange = Callable[[FrettedString, float], FrettedString]


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
class CauseProbability:
    """A cause that the pattern speaks for.

    Attributes:
        cause: which.
        strings: those it is about.
        fret: the fret it is about; 0 for none.
        size, se: how large it is, 1 sd: mm, or for an uneven string the cents of its worst place.
        probability: of this cause against all the others and none.
        shift: cents by which it shifts each value of ``ExpectedErrors``, (n,).
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
_TAKE_UP_MM = np.geomspace(0.006, 0.08, 10)
_ACTIONS_MM = np.linspace(0.3, 2.5, 12)
_NUT_SD_MM = 0.6
_FRET_SD_MM = 0.35
_LEAST_LEARNT = 0.05  # of the prior spread of a size: less says nothing of it
_LEAST_DOUBT = 0.15  # relative: no cause follows its story more closely
_MASS = ((0.01, 200.0), (0.03, 200.0), (0.01, 40.0), (0.03, 40.0), (0.10, 15.0))  # 1 sd of relative mass, reach in mm


@dataclass(frozen=True)
class _CauseModel:
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


def named_causes(expected: ExpectedErrors) -> tuple[CauseProbability, ...]:
    """The causes that what was heard speaks for, the surest first; saddles themselves are not among them."""
    found: list[CauseProbability] = []
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


def ranked_causes(expected: ExpectedErrors) -> tuple[CauseProbability, ...]:
    """Every cause with its probability, the likeliest first, saddles among them; 1 in all."""
    return _ranked(expected, [])


def _ranked(expected: ExpectedErrors, found: list[CauseProbability]) -> tuple[CauseProbability, ...]:
    known = {(one.cause, one.strings, one.fret) for one in found}
    saddles = _saddles(expected)
    stories: dict[tuple[Cause, tuple[int, ...], int], list[tuple[float, float, float, Floats]]] = {}
    for story in _cause_models(expected):
        key = (story.cause, story.strings, story.fret)
        if key not in known:
            told = _score(expected, story, saddles[:1] if story.saddles_known else saddles)
            stories.setdefault(key, []).append(told)
    sums = {key: float(logsumexp([weight for weight, *_ in told])) for key, told in stories.items()}
    total = float(logsumexp(list(sums.values())))
    ranked = []
    for key in sorted(stories, key=lambda key: -sums[key]):
        _, size, se, shift = max(stories[key], key=lambda told: told[0])
        ranked.append(CauseProbability(*key, size, se, float(np.exp(sums[key] - total)), tuple(shift.tolist())))
    return tuple(ranked)


def _saddles(expected: ExpectedErrors) -> list[tuple[float, Floats]]:
    """Log weight and covariance of where saddles may stand: where the file says, or anywhere."""
    spread = expected.saddle @ expected.saddle.T
    return [
        (float(np.log(_FILE_TRUE)), _READ_SD_MM**2 * spread),
        (float(np.log(1.0 - _FILE_TRUE)), _SADDLE_SD_MM**2 * spread),
    ]


def _score(
    expected: ExpectedErrors, story: _CauseModel, saddles: list[tuple[float, Floats]]
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


def _by(change: SizedChange, mm: float) -> Change:
    return lambda string: change(string, mm)


def _cause_models(expected: ExpectedErrors) -> Iterator[_CauseModel]:
    """Every story, with its share of its cause's prior weight."""
    n = len(expected.rows)
    numbers = tuple(expected.strings)
    none, nothing = np.zeros((1, n)), np.zeros((n, n))

    def by_amount(
        cause: Cause, strings: tuple[int, ...], share: float, sizes: Floats, change: SizedChange
    ) -> _CauseModel:
        only = strings[0] if len(strings) == 1 else None
        shifts = [expected.shift(_by(change, mm), only) for mm in sizes.tolist()]
        known = cause is Cause.ACTION  # a saddle that stands elsewhere does the same
        return _CauseModel(cause, strings, 0, share, sizes, np.array(shifts), nothing, np.zeros(n), known)

    def normal(
        cause: Cause, strings: tuple[int, ...], fret: int, share: float, column: Floats, sd: float
    ) -> _CauseModel:
        return _CauseModel(cause, strings, fret, share, np.zeros(1), none, sd**2 * np.outer(column, column), column)

    yield _CauseModel(Cause.SADDLE, numbers, 0, _PRIOR[Cause.SADDLE], np.zeros(1), none, nothing, np.zeros(n))
    slot = _PRIOR[Cause.NUT_SLOT] / (len(numbers) + (len(numbers) > 1))
    for chosen in [(number,) for number in numbers] + ([numbers] if len(numbers) > 1 else []):
        yield by_amount(Cause.NUT_SLOT, chosen, slot, _SLOTS_MM, with_higher_nut)
    if len(numbers) > 1:  # on one string these can't be told from its own open pitch, or its saddle
        place = expected.shift(lambda s: replace(s, nut_shift_mm=s.nut_shift_mm + 1.0))
        yield normal(Cause.NUT_PLACE, numbers, 0, _PRIOR[Cause.NUT_PLACE], place, _NUT_SD_MM)
        yield by_amount(Cause.FINGER, numbers, _PRIOR[Cause.FINGER], _TAKE_UP_MM, with_more_take_up)
        yield by_amount(Cause.ACTION, numbers, _PRIOR[Cause.ACTION], _ACTIONS_MM, with_higher_action)
    for number in numbers:
        for sd, reach_mm in _MASS:
            share = _PRIOR[Cause.UNEVEN] / len(numbers) / len(_MASS)
            spread = expected.uneven(number, sd, reach_mm)
            yield _CauseModel(Cause.UNEVEN, (number,), 0, share, np.zeros(1), none, spread, np.zeros(n))
    frets = sorted({fret for _, fret in expected.rows if fret != HARMONIC})
    for fret in frets:
        has = tuple(number for number, at in expected.rows if at == fret)
        share = _PRIOR[Cause.FRET] / len(frets) / 2.0
        if len(has) > 1:
            yield normal(Cause.FRET, has, fret, share, expected.fret(fret), _FRET_SD_MM)
        for number in has:
            yield normal(Cause.FRET, (number,), fret, share / len(has), expected.fret(fret, number), _FRET_SD_MM)


INCURABLE = (Cause.NUT_SLOT, Cause.NUT_PLACE, Cause.FINGER, Cause.UNEVEN, Cause.SCATTER)
"""Causes that no saddle cures: strings they are about are not advised on. A single fret is left out of the advice
instead; high action a saddle can follow."""

CHECKS: dict[Cause, str] = {Cause(word): check for word, check in ENGLISH.column("cause", "check").items()}
"""What to check by hand (common practice, no source)."""


@dataclass(frozen=True)
class Finding:
    """A cause as it is told and recorded. Fields as of ``causes.Named``, but

    Attributes:
        cause: a word of ``Cause``.
        unit: of size and se: mm or cents.
        evidence: the numbers that speak for it, in words.
        check: what to check by hand.
        stops: whether no saddle cures it, so that strings it is about are not advised on.
    """

    cause: str
    strings: tuple[int, ...]
    fret: int
    size: float
    se: float
    unit: str
    probability: float
    evidence: str
    check: str
    stops: bool

    @property
    def name(self) -> str:
        """The cause and where it is: ``fret misplaced or flattened 5, strings 1, 2, 3``."""
        return _name(self.cause, self.strings, self.fret)

    @property
    def text(self) -> str:
        """The finding as one sentence."""
        return f"{self.name} ({self.probability:.0%} sure): {self.evidence}"


def findings(instrument: Instrument, surveys: Mapping[int, Survey]) -> tuple[Finding, ...]:
    """The causes that the strings' errors speak for beside their saddles, the surest first.

    Raises:
        ValueError: no string was surveyed.
    """
    expected = expected_errors(instrument, surveys)
    return tuple(_finding(expected, one) for one in named_causes(expected))


def suspected_cause(instrument: Instrument, surveys: Mapping[int, Survey]) -> tuple[float, Finding | None]:
    """How probable it is that some cause which no saddle cures is at work, and the likeliest of them, however unsure.

    Raises:
        ValueError: no string was surveyed.
    """
    expected = expected_errors(instrument, surveys)
    incurable = [one for one in ranked_causes(expected) if one.cause in INCURABLE]
    likeliest = _finding(expected, incurable[0]) if incurable else None
    return sum(one.probability for one in incurable), likeliest


def scatter_finding(number: int, scatter_cents: float, limit_cents: float) -> Finding:
    """The finding on a string whose plucks scatter too much."""
    evidence = f"single plucks scatter by {scatter_cents:.1f} cents (1 sd), more than {limit_cents:g}"
    check = CHECKS[Cause.SCATTER]
    return Finding(Cause.SCATTER, (number,), 0, scatter_cents, 0.0, "cents", 1.0, evidence, check, stops=True)


def strings_without_advice(found: tuple[Finding, ...]) -> dict[int, Finding]:
    """Strings that are not to be advised on, with the first finding that says so."""
    stopped: dict[int, Finding] = {}
    for finding in found:
        for number in finding.strings if finding.stops else ():
            stopped.setdefault(number, finding)
    return stopped


def misplaced_frets(found: tuple[Finding, ...], number: int) -> frozenset[int]:
    """Frets that are no ground for advice on a string."""
    return frozenset(f.fret for f in found if f.cause == Cause.FRET and number in f.strings)


def _name(cause: str, strings: tuple[int, ...], fret: int) -> str:
    at = f" {fret}" if fret else ""
    return f"{cause}{at}, string{'s' if len(strings) > 1 else ''} {', '.join(map(str, strings))}"


def _finding(expected: ExpectedErrors, named: CauseProbability) -> Finding:
    unit = "cents" if named.cause is Cause.UNEVEN else "mm"
    return Finding(
        cause=str(named.cause),
        strings=named.strings,
        fret=named.fret,
        size=named.size,
        se=named.se,
        unit=unit,
        probability=named.probability,
        evidence=_evidence(expected, named),
        check=CHECKS[named.cause],
        stops=named.cause in INCURABLE,
    )


def _evidence(expected: ExpectedErrors, named: CauseProbability) -> str:
    """The value that tells most, what was expected there, what the cause makes of it, and how large that makes it."""
    shift = np.array(named.shift)
    sd = np.sqrt(np.diag(expected.covariance))
    index = int(np.argmax(np.abs(shift) / sd))
    number, fret = expected.rows[index]
    place = "12th-fret harmonic" if fret == HARMONIC else f"fret {fret}"
    heard = f"{expected.heard[index]:+.1f} cents heard at string {number}, {place}"
    told = f"{shift[index]:+.1f} of the {heard}, are its doing"
    size = _SIZES[named.cause].format(size=named.size, absolute=abs(named.size), se=named.se, way=_way(named))
    return f"{told}; {size}"


_SIZES: dict[Cause, str] = {
    Cause.NUT_SLOT: "slot {size:.1f} ± {se:.1f} mm higher than in the file",
    Cause.NUT_PLACE: "nut {absolute:.1f} ± {se:.1f} mm too {way} the saddle, alike on all strings and frets",
    Cause.FINGER: "{size:.3f} ± {se:.3f} mm of string taken up, alike on all frets, in the ratio of the strings' cores",
    Cause.UNEVEN: "{size:+.1f} ± {se:.1f} cents at its worst place, which fits no saddle, nut or fret",
    Cause.FRET: "fret {absolute:.2f} ± {se:.2f} mm too {way} the saddle against its neighbours",
    Cause.ACTION: "every saddle asks for more, as for an action {size:.1f} ± {se:.1f} mm higher than in the file",
}


def _way(named: CauseProbability) -> str:
    if named.cause is Cause.NUT_PLACE:
        return "far from" if named.size > 0.0 else "near to"
    return "near to" if named.size > 0.0 else "far from"
