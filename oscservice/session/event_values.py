"""Values of events as texts: each ``..._text`` writes a value, the function beside it reads it back.

The texts are JSON with the shortest digits that give every number back to the last bit. Only what has very many
numbers, a spring-balanced bridge and the errors of every fret, is written in binary (base64).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, astuple, dataclass, replace
from typing import Any

import numpy as np

from oscservice.advice.causes import Finding
from oscservice.advice.comparison import Comparison, Flag, HarmonicCheck
from oscservice.advice.expected_errors import Survey
from oscservice.advice.floating_bridge import Balance
from oscservice.advice.neck_errors import NeckErrors
from oscservice.advice.pluck_scatter import PluckScatter
from oscservice.advice.pluck_strength import Slope
from oscservice.advice.remaining_errors import StringRemains
from oscservice.advice.saddle_response import Response
from oscservice.hearing.inharmonicity import Stiffness
from oscservice.instrument.fretting import Terms
from oscservice.instrument.spec import Instrument

_FLOATS = "<f8"


@dataclass(frozen=True)
class JudgedError:
    """A judged comparison of one string: error at the compared fret and its standard error in cents, and by how much
    the string pitches put it sharper than the first partials do."""

    error_cents: float
    se_cents: float
    plucks: int
    scatter_cents: float
    ambiguity_cents: float | None = None
    ambiguity_se_cents: float = 0.0

    def as_comparison(self) -> Comparison:
        """The same as a comparison without flags."""
        found = (self.error_cents, self.se_cents, self.plucks, self.scatter_cents)
        return Comparison(*found, (), self.ambiguity_cents, self.ambiguity_se_cents)


@dataclass(frozen=True)
class LastMove:
    """The last move of a saddle, in cents at the compared fret: the expected change of the error by geometry, the error
    and its standard error before it, and the standard deviation of placing the saddle."""

    geometric_cents: float
    before_cents: float
    before_se_cents: float
    placing_cents: float


@dataclass(frozen=True)
class HeldStep:
    """A step that waits for the technician: a word of the sentence table (``words``; empty: no step waits), and names
    and values of what it says."""

    word: str
    values: tuple[tuple[str, float], ...] = ()


NOTHING_HELD = HeldStep("")


def held_text(held: HeldStep) -> str:
    """The text of a step that waits for the technician; empty if none does."""
    return _text([held.word, *map(list, held.values)]) if held.word else ""


def held_of(text: str) -> HeldStep:
    """The step of a text."""
    if not text:
        return NOTHING_HELD
    word, *values = json.loads(text)
    return HeldStep(word, tuple((name, value) for name, value in values))


def stiffness_text(stiffness: Stiffness) -> str:
    """The text of ln B and its standard deviation."""
    return _text(astuple(stiffness))


def stiffness_of(text: str) -> Stiffness:
    """The stiffness of a text."""
    return Stiffness(*json.loads(text))


def harmonic_text(check: HarmonicCheck) -> str:
    """The text of a harmonic's deviation and its standard error, cents."""
    return _text([check.deviation_cents, check.se_cents])


def harmonic_of(text: str) -> tuple[float, float]:
    """Deviation and standard error of a text, cents."""
    deviation_cents, se_cents = json.loads(text)
    return deviation_cents, se_cents


def scatter_text(scatter: PluckScatter) -> str:
    """The text of how plucks scatter."""
    return _text(astuple(scatter))


def scatter_of(text: str) -> PluckScatter:
    """The scatter of plucks of a text."""
    scatter_cents, weight, shares = json.loads(text)
    return PluckScatter(scatter_cents, weight, tuple((share, probability) for share, probability in shares))


def slope_text(slope: Slope | None) -> str:
    """The text of pitch against strength; empty if nothing is known."""
    return "" if slope is None else _text(astuple(slope))


def slope_of(text: str) -> Slope | None:
    """Pitch against strength, of a text."""
    return Slope(*json.loads(text)) if text else None


def response_text(response: Response) -> str:
    """The text of how a string responds to moves."""
    return _text(astuple(response))


def response_of(text: str) -> Response:
    """The response of a text."""
    return _response(json.loads(text))


@dataclass(frozen=True)
class MoveOutcome:
    """A string as known after a move of its saddle.

    Attributes:
        response: how the string responds to moves.
        expected: the error that the move should leave; None if none was known.
        last_move: the move, to be compared with what is heard after it; None if nothing was heard before it.
        unsure_cents: standard deviation of its open pitch on a spring-balanced bridge; None on a fixed one.
    """

    response: Response
    expected: JudgedError | None
    last_move: LastMove | None
    unsure_cents: float | None = None


def outcomes_text(outcomes: Mapping[int, MoveOutcome]) -> str:
    """The text of a move's outcomes by string number."""
    return _text([[number, *map(_plain, vars(one).values())] for number, one in outcomes.items()])


def outcomes_of(text: str) -> dict[int, MoveOutcome]:
    """The outcomes of a text, by string number."""
    return {
        number: MoveOutcome(
            _response(response),
            None if expected is None else JudgedError(*expected),
            None if last_move is None else LastMove(*last_move),
            unsure_cents,
        )
        for number, response, expected, last_move, unsure_cents in json.loads(text)
    }


def first_balance_text(balance: Balance) -> str:
    """The text of a spring-balanced bridge before anything was heard, with what never changes of it."""
    at_pitch = [balance.tension_n, balance.rate_n_mm, balance.length_mm, balance.core_mm]
    return _text([*at_pitch, _triangle_text(balance.first_doubt), balance_text(balance)])


def first_balance_of(text: str) -> Balance:
    """The spring-balanced bridge of a text of ``first_balance_text``."""
    *at_pitch, doubt, now = json.loads(text)
    tension_n, rate_n_mm, length_mm, core_mm = map(tuple, at_pitch)
    count = len(tension_n)
    first_doubt = _triangle_of(_floats_of(doubt), count + 1)
    return balance_of(now, Balance(tension_n, rate_n_mm, length_mm, core_mm, (0.0,) * (2 * count + 1), (), first_doubt))


def balance_text(balance: Balance) -> str:
    """The text of a spring-balanced bridge as known now: its mean, and the upper triangle of its covariance by rows."""
    return _floats_text([*balance.mean, *_triangle(balance.covariance)])


def balance_of(text: str, before: Balance) -> Balance:
    """The spring-balanced bridge of a text of ``balance_text``.

    Args:
        text: its mean and covariance.
        before: the same bridge at any time, for what never changes of it.
    """
    numbers, count = _floats_of(text), len(before.mean)
    return replace(before, mean=tuple(numbers[:count]), covariance=_triangle_of(numbers[count:], count))


def remains_text(strings: Iterable[StringRemains]) -> str:
    """The text of remaining errors at every fret of some strings."""
    return _text([[one.string, list(one.measured), _floats_text(_numbers(one))] for one in strings])


def remains_of(text: str) -> tuple[StringRemains, ...]:
    """The remaining errors of a text of ``remains_text``."""
    return tuple(_remains(*one) for one in json.loads(text))


def instrument_change_text(before: Instrument, after: Instrument) -> str:
    """The text of the fields in which an instrument differs from the same before: its own, and those of its strings."""
    old, new = before.model_dump(mode="json"), after.model_dump(mode="json")
    strings = zip(old.pop("strings"), new.pop("strings"), strict=True)
    return _text([_changed(old, new), *(_changed(one, other) for one, other in strings)])


def changed_instrument(text: str, before: Instrument) -> Instrument:
    """The instrument after the change of a text."""
    own, *strings = json.loads(text)
    old = before.model_dump(mode="json")
    changed = [one | more for one, more in zip(old["strings"], strings, strict=True)]
    return Instrument.model_validate_json(json.dumps(old | own | {"strings": changed}))


def survey_text(survey: Survey) -> str:
    """The text of a string's errors over the frets."""
    return json.dumps(asdict(survey), allow_nan=False)


def survey_of(text: str) -> Survey:
    """The survey of a text."""
    body: dict[str, Any] = json.loads(text)
    neck = body.pop("neck")
    stiffness = body.pop("stiffness")
    return Survey(
        NeckErrors(
            tuple(neck["frets"]),
            tuple(neck["errors_cents"]),
            tuple(tuple(row) for row in neck["covariance"]),
            tuple(neck["plucks"]),
            neck["scatter_cents"],
            tuple(Flag(flag) for flag in neck["flags"]),
            tuple((cents, se) for cents, se in neck["ambiguity"]),
            neck["scatter_bound_cents"],
        ),
        stiffness=None if stiffness is None else Stiffness(**stiffness),
        **body,
    )


def finding_text(finding: Finding) -> str:
    """The text of a cause that was named."""
    return json.dumps(asdict(finding), allow_nan=False)


def finding_of(text: str) -> Finding:
    """The cause of a text."""
    body: dict[str, Any] = json.loads(text)
    return Finding(**{**body, "strings": tuple(body["strings"])})


def _text(value: Any) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


def _plain(value: Any) -> Any:
    return value if value is None or isinstance(value, float) else astuple(value)


def _response(parts: list[list[float]]) -> Response:
    weights, means, sds = map(tuple, parts)
    return Response(weights, means, sds)


def _numbers(one: StringRemains) -> list[float]:
    """The numbers of a string's remaining errors: both triples of terms, the errors, their standard errors."""
    return [*astuple(one.terms), *astuple(one.terms_se), *one.errors_cents, *one.se_cents]


def _remains(string: int, measured: list[int], text: str) -> StringRemains:
    numbers = tuple(_floats_of(text))
    terms, terms_se, cents = Terms(*numbers[:3]), Terms(*numbers[3:6]), numbers[6:]
    last = len(cents) // 2
    frets = tuple(range(1, last + 1))
    return StringRemains(string, frets, cents[:last], cents[last:], terms, terms_se, tuple(measured))


def _changed(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in after.items() if before[name] != value}


def _floats_text(numbers: list[float]) -> str:
    return base64.b64encode(np.array(numbers, dtype=_FLOATS).tobytes()).decode("ascii")


def _floats_of(text: str) -> list[float]:
    return [float(number) for number in np.frombuffer(base64.b64decode(text), dtype=_FLOATS)]


def _triangle(matrix: tuple[tuple[float, ...], ...]) -> list[float]:
    return [number for index, row in enumerate(matrix) for number in row[index:]]


def _triangle_text(matrix: tuple[tuple[float, ...], ...]) -> str:
    return _floats_text(_triangle(matrix))


def _triangle_of(numbers: list[float], size: int) -> tuple[tuple[float, ...], ...]:
    """The symmetric matrix of its upper triangle by rows."""
    upper = np.triu_indices(size)
    matrix = np.zeros((size, size))
    matrix[upper] = matrix.T[upper] = numbers
    return tuple(tuple(row) for row in matrix.tolist())
