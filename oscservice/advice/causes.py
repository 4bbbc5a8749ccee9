"""Causes that a saddle cannot cure: how probable each is, and the finding in words.

Each cause is a model (Bayes). It says how the cause would shift every measured value (``expected``), by an amount that
is averaged over its reasonable sizes. Its evidence is the density that it gives to the measured values; evidence times
prior weight gives its probability. A model that allows much explains little, so a cause is named only where the pattern
is its own. After one cause is named the rest is computed again, with that cause allowed for.

The pattern of each cause over the frets follows from the model (M. Anderson and R. Beausoleil, J. Acoust. Soc. Am. 156
(2024) 683, extended in ``instrument.fretting``) and, for uneven strings and for magnets, from Rayleigh's principle
(``expected_errors.mass_effect``, ``advice.magnet_pull``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve
from scipy.special import log_ndtr, logsumexp

from oscservice.advice.expected_errors import (
    HARMONIC_ROW,
    ExpectedErrors,
    Survey,
    expected_errors,
    with_farther_nut,
    with_higher_action,
    with_higher_nut,
    with_more_take_up,
)
from oscservice.advice.magnet_pull import GROWTHS, POLE_SHARES, open_falls, pull_columns
from oscservice.instrument.fretting import FrettedString
from oscservice.instrument.spec import Instrument
from oscservice.sentences.plural import numbered
from oscservice.sentences.sentence_table import ENGLISH

Floats = npt.NDArray[np.float64]
SizedChange = Callable[[FrettedString, float], FrettedString]


class Cause(StrEnum):
    """A possible cause of an error."""

    SADDLE = "saddle"
    NUT_SLOT = "nut slot high"
    NUT_PLACE = "nut misplaced"
    FINGER = "finger pressure or capo"
    UNEVEN = "uneven string"
    FRET = "fret misplaced or flattened"
    ACTION = "action high"
    MAGNET = "magnet pull"
    SCATTER = "scatter too large"


@dataclass(frozen=True)
class CauseProbability:
    """A cause and its probability.

    Attributes
    ----------
    cause : Cause
        The cause.
    strings : tuple[int, ...]
        Strings that have it.
    fret : int
        Fret that has it; 0 for none.
    size, se : float
        Its size and standard error (1 sd): mm; for an uneven string cents at its worst place, for magnets cents by
        which they lower the thickest string when it is open.
    probability : float
        Probability of this cause among all causes and none.
    shift : tuple[float, ...]
        Its shift of each value of ``ExpectedErrors``, cents, (n,).
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
"""Least probability of a named cause, and of one that is named besides another: two at once are rare."""

LEAST_CENTS = 2.0
"""A cause that shifts no value by more is not named."""

MOST_NAMED = 4
"""Largest number of named causes."""


@dataclass(frozen=True)
class _CauseTraits:
    """Properties of a cause, known before anything is heard.

    Attributes
    ----------
    prior : float
        How often it causes an error, relative to the others (assumed); 0 for a cause without a model.
    named_sd : float
        Size of the cause where it was named, 1 sd (assumed): mm, of an uneven string the share of its mass, of magnets
        cents.
    change : SizedChange | None
        The string with so many mm of the cause; None where the cause is no change of the whole string.
    curable : bool
        A saddle can follow it, or advice leaves its fret out; else its strings get no advice.
    unit : str
        Unit of its size: mm or cents.
    size : str
        Its size in words; ``way`` is one of ``ways``.
    ways : tuple[str, str]
        Direction of a size above 0, and of one below.
    """

    prior: float = 0.0
    named_sd: float = 0.0
    change: SizedChange | None = None
    curable: bool = False
    unit: str = "mm"
    size: str = ""
    ways: tuple[str, str] = ("", "")


_TRAITS: Mapping[str, _CauseTraits] = {
    Cause.SADDLE: _CauseTraits(prior=0.50, curable=True),
    Cause.NUT_SLOT: _CauseTraits(
        prior=0.12,
        named_sd=1.0,
        change=with_higher_nut,
        size="slot {size:.1f} ± {se:.1f} mm higher than in the file",
    ),
    Cause.NUT_PLACE: _CauseTraits(
        prior=0.05,
        named_sd=2.0,
        change=with_farther_nut,
        size="nut {absolute:.1f} ± {se:.1f} mm too {way} the saddle, the same on all strings and frets",
        ways=("far from", "close to"),
    ),
    Cause.FINGER: _CauseTraits(
        prior=0.05,
        named_sd=0.05,
        change=with_more_take_up,
        size="finger takes up {size:.3f} ± {se:.3f} mm of string, the same at all frets, scaled by the core",
    ),
    Cause.UNEVEN: _CauseTraits(
        prior=0.08,
        named_sd=0.03,
        unit="cents",
        size="{size:+.1f} ± {se:.1f} cents at its worst place, a pattern that no saddle, nut or fret makes",
    ),
    Cause.FRET: _CauseTraits(
        prior=0.08,
        named_sd=1.0,
        curable=True,
        size="fret {absolute:.2f} ± {se:.2f} mm too {way} the saddle, compared with its neighbours",
        ways=("close to", "far from"),
    ),
    Cause.ACTION: _CauseTraits(
        prior=0.12,
        named_sd=2.0,
        change=with_higher_action,
        curable=True,
        size="all saddles need more setback, as if the action were {size:.1f} ± {se:.1f} mm above the file's",
    ),
    Cause.MAGNET: _CauseTraits(
        prior=0.04,
        named_sd=8.0,
        unit="cents",
        size="as if a pickup pulled the thickest string, open, {size:.1f} ± {se:.1f} cents down and thinner ones less",
    ),
    Cause.SCATTER: _CauseTraits(unit="cents"),
}

_READ_SD_MM = 0.3  # distance of a saddle from its place in the file, as read off a ruler
_SADDLE_SD_MM = 3.0  # the same when nobody has read it
_FILE_TRUE = 0.7  # share of files with true saddle places
_SLOTS_MM = np.linspace(0.1, 1.2, 12)
_TAKE_UP_MM = np.geomspace(0.006, 0.08, 10)
_ACTIONS_MM = np.linspace(0.3, 2.5, 12)
_NUT_SD_MM = 0.6
_FRET_SD_MM = 0.35
_LEAST_LEARNT = 0.05  # of the prior spread of a size: less is no information about it
_LEAST_DOUBT = 0.15  # relative: no cause follows its model more closely
_UNEVEN_REACH_MM = 40.0  # of an uneven string that was named
_PULL_SD_CENTS = 8.0
_OWN_PULL_SD = 0.3  # relative: of one string
_PULLED = 0.2  # of the pull on the thickest string: less on a string is not worth a word
_MASS = ((0.01, 200.0), (0.03, 200.0), (0.01, 40.0), (0.03, 40.0), (0.10, 15.0))  # 1 sd of relative mass, reach in mm


@dataclass(frozen=True)
class _CauseModel:
    """One model of a cause: equally probable shifts, or a normal covariance.

    Attributes
    ----------
    cause, strings, fret
        As in ``CauseProbability``.
    prior : float
        Prior probability.
    sizes : ndarray of float64, shape (k,)
        Size for each shift; one 0 for a normal model.
    shifts : ndarray of float64, shape (k, n)
        Shift of each value, cents.
    spread : ndarray of float64, shape (n, n)
        Covariance that a normal model adds.
    column : ndarray of float64, shape (n,)
        Cents per unit of size where the size is normal, else zeros.
    positive : bool
        A normal size is never below 0.
    saddles_known : bool
        The model counts only where the file has the true places of the saddles.
    """

    cause: Cause
    strings: tuple[int, ...]
    fret: int
    prior: float
    sizes: Floats
    shifts: Floats
    spread: Floats
    column: Floats
    positive: bool = False
    saddles_known: bool = False


def named_causes(expected: ExpectedErrors) -> tuple[CauseProbability, ...]:
    """Return the causes that the measured values support, the surest first, without the saddles themselves."""
    found: list[CauseProbability] = []
    while len(found) < MOST_NAMED:
        ranked = _ranked(expected, found)
        if not ranked or ranked[0].cause is Cause.SADDLE or ranked[0].probability < (SURE_TOO if found else SURE):
            break
        one = ranked[0]
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
    """Return every cause with its probability, the likeliest first, saddles among them. The sum is 1."""
    return _ranked(expected, [])


def _ranked(expected: ExpectedErrors, found: list[CauseProbability]) -> tuple[CauseProbability, ...]:
    """Return every cause that is not in ``found`` with its probability, the most probable first."""
    known = {(one.cause, one.strings, one.fret) for one in found}
    saddles = _saddles(expected)
    models: dict[tuple[Cause, tuple[int, ...], int], list[tuple[float, float, float, Floats]]] = {}
    for model in _cause_models(expected):
        key = (model.cause, model.strings, model.fret)
        if key not in known:
            scored = _score(expected, model, saddles[:1] if model.saddles_known else saddles)
            models.setdefault(key, []).append(scored)
    sums = {key: float(logsumexp([weight for weight, *_ in scored])) for key, scored in models.items()}
    total = float(logsumexp(list(sums.values())))
    ranked = []
    for key in sorted(models, key=lambda key: -sums[key]):
        _, size, se, shift = max(models[key], key=lambda scored: scored[0])
        ranked.append(CauseProbability(*key, size, se, float(np.exp(sums[key] - total)), tuple(shift.tolist())))
    return tuple(ranked)


def _saddles(expected: ExpectedErrors) -> list[tuple[float, Floats]]:
    """Return log weight and covariance of the saddle places: as in the file, or anywhere."""
    spread = expected.saddle @ expected.saddle.T
    return [
        (float(np.log(_FILE_TRUE)), _READ_SD_MM**2 * spread),
        (float(np.log(1.0 - _FILE_TRUE)), _SADDLE_SD_MM**2 * spread),
    ]


def _score(
    expected: ExpectedErrors, model: _CauseModel, saddles: list[tuple[float, Floats]]
) -> tuple[float, float, float, Floats]:
    """Return the log of prior times evidence, and size, its standard error and shift, for one model."""
    logs, sizes, variances, shifts = [], [], [], []
    for log_weight, saddle in saddles:
        covariance = expected.covariance + saddle + model.spread
        factor = cho_factor(covariance, lower=True)
        left = expected.heard - expected.mean - model.shifts  # (k, n)
        solved = cho_solve(factor, left.T)  # (n, k)
        misfit = np.einsum("kn,nk->k", left, solved)
        log_density = -0.5 * misfit - np.log(np.diag(factor[0])).sum()
        if model.spread.any():
            # The normal amount, given the measured values.
            shift = model.spread @ solved[:, 0]
            variance = model.spread - model.spread @ cho_solve(factor, model.spread)
            if model.column.any():
                gain = np.linalg.pinv(model.column[:, None])[0]
                left_over = gain @ variance @ gain
                # The size comes from the measured values alone: the prior is about how likely the cause is.
                learnt = max(_LEAST_LEARNT, 1.0 - left_over / (gain @ model.spread @ gain))
                size = gain @ shift / learnt
                spare = 0.0
                if model.positive:  # half of a normal prior, twice as dense; its pattern is one of several near ones
                    log_density = log_density + np.log(2.0) + log_ndtr(gain @ shift / left_over**0.5)
                    spare = (_LEAST_DOUBT * size) ** 2
                sizes.append(np.array([size]))
                variances.append(np.array([left_over / learnt + spare]))
                shift = shift / learnt
            else:
                worst = int(np.argmax(np.abs(shift)))
                sizes.append(np.array([shift[worst]]))
                variances.append(np.array([variance[worst, worst]]))
            shifts.append(shift[None, :])
        else:
            sizes.append(model.sizes)
            variances.append(np.zeros(len(model.sizes)))
            shifts.append(model.shifts)
        logs.append(log_weight + log_density - np.log(len(model.sizes)))
    flat = np.concatenate(logs)
    total = float(logsumexp(flat))
    share = np.exp(flat - total)
    all_sizes = np.concatenate(sizes)
    mean = float(share @ all_sizes)
    square = float(share @ ((all_sizes - mean) ** 2 + np.concatenate(variances)))
    return total + float(np.log(model.prior)), mean, square**0.5, np.asarray(share @ np.concatenate(shifts))


def _shift_by(expected: ExpectedErrors, cause: str, mm: float, only: int | None = None) -> Floats:
    """Return the shift of each value in cents by ``mm`` of a cause, of one string or of all, (n,)."""
    change = _TRAITS[cause].change
    if change is None:
        raise ValueError(f"{cause} is no change of a whole string")
    return expected.shift(lambda string: change(string, mm), only)


def _cause_models(expected: ExpectedErrors) -> Iterator[_CauseModel]:
    """Yield every model, with its share of its cause's prior weight."""
    n = len(expected.rows)
    numbers = tuple(expected.strings)
    none, nothing = np.zeros((1, n)), np.zeros((n, n))

    def by_amount(cause: Cause, strings: tuple[int, ...], share: float, sizes: Floats) -> _CauseModel:
        only = strings[0] if len(strings) == 1 else None
        shifts = [_shift_by(expected, cause, mm, only) for mm in sizes.tolist()]
        known = cause is Cause.ACTION  # a misplaced saddle does the same
        blank = np.zeros(n)
        return _CauseModel(cause, strings, 0, share, sizes, np.array(shifts), nothing, blank, saddles_known=known)

    def normal(
        cause: Cause, strings: tuple[int, ...], fret: int, share: float, column: Floats, sd: float
    ) -> _CauseModel:
        return _CauseModel(cause, strings, fret, share, np.zeros(1), none, sd**2 * np.outer(column, column), column)

    yield _CauseModel(Cause.SADDLE, numbers, 0, _TRAITS[Cause.SADDLE].prior, np.zeros(1), none, nothing, np.zeros(n))
    slot = _TRAITS[Cause.NUT_SLOT].prior / (len(numbers) + (len(numbers) > 1))
    for chosen in [(number,) for number in numbers] + ([numbers] if len(numbers) > 1 else []):
        yield by_amount(Cause.NUT_SLOT, chosen, slot, _SLOTS_MM)
    if len(numbers) > 1:  # on one string these look like its own open pitch, or its saddle
        place = _shift_by(expected, Cause.NUT_PLACE, 1.0)
        yield normal(Cause.NUT_PLACE, numbers, 0, _TRAITS[Cause.NUT_PLACE].prior, place, _NUT_SD_MM)
        yield by_amount(Cause.FINGER, numbers, _TRAITS[Cause.FINGER].prior, _TAKE_UP_MM)
        yield by_amount(Cause.ACTION, numbers, _TRAITS[Cause.ACTION].prior, _ACTIONS_MM)
    if len(numbers) > 1:  # on one string it looks like an uneven one
        yield from _magnet_models(expected)
    for number in numbers:
        for sd, reach_mm in _MASS:
            share = _TRAITS[Cause.UNEVEN].prior / len(numbers) / len(_MASS)
            spread = expected.uneven(number, sd, reach_mm)
            yield _CauseModel(Cause.UNEVEN, (number,), 0, share, np.zeros(1), none, spread, np.zeros(n))
    frets = sorted({fret for _, fret in expected.rows if fret != HARMONIC_ROW})
    for fret in frets:
        has = tuple(number for number, at in expected.rows if at == fret)
        share = _TRAITS[Cause.FRET].prior / len(frets) / 2.0
        if len(has) > 1:
            yield normal(Cause.FRET, has, fret, share, expected.fret(fret), _FRET_SD_MM)
        for number in has:
            yield normal(Cause.FRET, (number,), fret, share / len(has), expected.fret(fret, number), _FRET_SD_MM)


def _magnet_models(expected: ExpectedErrors) -> Iterator[_CauseModel]:
    """Yield a model of the pull for each place of the poles and each growth of the pull."""
    pulled = tuple(number for number, fall in open_falls(expected).items() if fall >= _PULLED)
    share = _TRAITS[Cause.MAGNET].prior / len(POLE_SHARES) / len(GROWTHS)
    none = np.zeros((1, len(expected.rows)))
    for at, growth in product(POLE_SHARES, GROWTHS):
        columns = pull_columns(expected, at, growth)
        column = columns.sum(axis=1)
        spread = _PULL_SD_CENTS**2 * (np.outer(column, column) + _OWN_PULL_SD**2 * columns @ columns.T)
        yield _CauseModel(Cause.MAGNET, pulled, 0, share, np.zeros(1), none, spread, column, positive=True)


INCURABLE = tuple(cause for cause in Cause if not _TRAITS[cause].curable)
"""Causes that no saddle cures: their strings get no advice. A single fret is left out of the advice instead;
a saddle can follow high action."""

CHECKS: dict[Cause, str] = {Cause(word): check for word, check in ENGLISH.column("cause", "check").items()}
"""Checks to make by hand (common practice, no source)."""


@dataclass(frozen=True)
class Finding:
    """A named cause as it is reported and recorded.

    Attributes
    ----------
    cause : str
        Value of a ``Cause``.
    strings, fret, size, se, probability
        As in ``CauseProbability``.
    unit : str
        Unit of size and se: mm or cents.
    evidence : str
        The numbers that support it, in words.
    check : str
        What to check by hand.
    stops : bool
        True when no saddle cures it, so that its strings get no advice.
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
    """Return the causes, other than saddles, that the strings' errors support, the surest first.

    Raises
    ------
    ValueError
        No string was surveyed.
    """
    expected = expected_errors(instrument, surveys)
    return tuple(_finding(expected, one) for one in named_causes(expected))


def suspected_cause(instrument: Instrument, surveys: Mapping[int, Survey]) -> tuple[float, Finding | None]:
    """Return the probability of all causes that no saddle cures, and the likeliest of them, however unsure.

    Raises
    ------
    ValueError
        No string was surveyed.
    """
    expected = expected_errors(instrument, surveys)
    incurable = [one for one in ranked_causes(expected) if one.cause in INCURABLE]
    likeliest = _finding(expected, incurable[0]) if incurable else None
    return sum(one.probability for one in incurable), likeliest


def scatter_finding(number: int, scatter_cents: float, limit_cents: float) -> Finding:
    """Return the finding on a string whose plucks scatter too much."""
    evidence = f"single plucks scatter by {scatter_cents:.1f} cents (1 sd), more than {limit_cents:g}"
    check, unit = CHECKS[Cause.SCATTER], _TRAITS[Cause.SCATTER].unit
    return Finding(Cause.SCATTER, (number,), 0, scatter_cents, 0.0, unit, 1.0, evidence, check, stops=True)


def strings_without_advice(found: tuple[Finding, ...]) -> dict[int, Finding]:
    """Return the strings that get no advice, each with the first finding that stops it."""
    stopped: dict[int, Finding] = {}
    for finding in found:
        for number in finding.strings if finding.stops else ():
            stopped.setdefault(number, finding)
    return stopped


def misplaced_frets(found: tuple[Finding, ...], number: int) -> frozenset[int]:
    """Return the frets that advice on a string leaves out."""
    return frozenset(f.fret for f in found if f.cause == Cause.FRET and number in f.strings)


def _name(cause: str, strings: tuple[int, ...], fret: int) -> str:
    """Return a cause with its fret and strings."""
    at = f" {fret}" if fret else ""
    return f"{cause}{at}, {numbered('string', list(strings))}"


def _finding(expected: ExpectedErrors, named: CauseProbability) -> Finding:
    """Return a cause as a finding in words."""
    return Finding(
        cause=str(named.cause),
        strings=named.strings,
        fret=named.fret,
        size=named.size,
        se=named.se,
        unit=_TRAITS[named.cause].unit,
        probability=named.probability,
        evidence=_evidence(expected, named),
        check=CHECKS[named.cause],
        stops=named.cause in INCURABLE,
    )


def _evidence(expected: ExpectedErrors, named: CauseProbability) -> str:
    """Return the value that the cause explains best, its share of it, and the cause's size, as a text."""
    shift = np.array(named.shift)
    sd = np.sqrt(np.diag(expected.covariance))
    index = int(np.argmax(np.abs(shift) / sd))
    number, fret = expected.rows[index]
    place = "12th-fret harmonic" if fret == HARMONIC_ROW else f"fret {fret}"
    share = f"{shift[index]:+.1f} of the {expected.heard[index]:+.1f} cents measured at string {number}, {place}"
    traits = _TRAITS[named.cause]
    way = traits.ways[0] if named.size > 0.0 else traits.ways[1]
    size = traits.size.format(size=named.size, absolute=abs(named.size), se=named.se, way=way)
    return f"explains {share}; {size}"


def covariance_of(expected: ExpectedErrors, finding: Finding) -> Floats:
    """Return the covariance that a named cause of unknown size adds to the values.

    Parameters
    ----------
    expected : ExpectedErrors
        The measured and expected errors, n values.
    finding : Finding
        The named cause.

    Returns
    -------
    ndarray of float64, shape (n, n)
        Covariance in cents squared.
    """
    n = len(expected.rows)
    traits = _TRAITS.get(finding.cause, _CauseTraits())
    numbers = set(finding.strings) & set(expected.strings)
    if finding.cause == Cause.UNEVEN:
        uneven = [expected.uneven(number, traits.named_sd, _UNEVEN_REACH_MM) for number in numbers]
        return sum(uneven, np.zeros((n, n)))
    if finding.cause == Cause.MAGNET:
        return traits.named_sd**2 * _pull_covariance(expected, numbers)
    column = np.zeros(n)
    for number in numbers:
        if finding.cause == Cause.FRET:
            column += expected.fret(finding.fret, number)
        elif traits.change is not None:
            column += _shift_by(expected, finding.cause, 1.0, number)
    column *= traits.named_sd
    return np.outer(column, column)


def _pull_covariance(expected: ExpectedErrors, numbers: set[int]) -> Floats:
    """Return the covariance of a pull on these strings, (n, n): 1 cent (1 sd) on the one that it lowers most, the place
    of the poles and the growth unknown."""
    falls = open_falls(expected)
    largest = max((falls[number] for number in numbers), default=1.0)
    chosen = [index for index, number in enumerate(expected.strings) if number in numbers]
    columns = [pull_columns(expected, *one)[:, chosen].sum(axis=1) / largest for one in product(POLE_SHARES, GROWTHS)]
    return np.asarray(np.mean([np.outer(column, column) for column in columns], axis=0))
