"""Figures: what is calculated from a state for display alone. No decision depends on them.

They are calculated again only for strings whose inputs changed.
"""

from __future__ import annotations

from dataclasses import dataclass

from oscservice.advice.comparison import Comparison
from oscservice.advice.correction import TOWARD
from oscservice.advice.neck_errors import NeckErrors, SaddleAndNut, saddle_and_nut
from oscservice.advice.prediction import StringPrediction, predict
from oscservice.advice.travel import travel_remedies
from oscservice.hearing.inharmonicity import Stiffness
from oscservice.instrument.fretting import fretted_string
from oscservice.instrument.hardware import SHAPED_SADDLE
from oscservice.instrument.spec import Bridge, Instrument, StringSpec
from oscservice.session.judgement import ambiguity_of, comparison_of
from oscservice.session.state import State
from oscservice.session.string_state import StringState
from oscservice.session.survey import neck_of, weights_of
from oscservice.session.vocabulary import Status

_NO_BRIDGE = Bridge(kind="none", floating=False, slacken=False, adjusters=(), saddle=SHAPED_SADDLE)


@dataclass(frozen=True)
class PredictionInputs:
    """The inputs of a prediction. ``stiffness``: B as heard; it replaces B by the core in the file."""

    spec: StringSpec
    reference_hz: float
    stiffness: Stiffness | None


@dataclass(frozen=True)
class StringFigures:
    """Figures of one string.

    Attributes:
        comparison: of the comparison under way, or else the last one; None before the first.
        ambiguity_mm: how far apart first partial and string pitch put the saddle; None if unknown.
        neck: errors of the comparison under way by fret, where several frets are compared; None before the first.
        nut: how the errors of all frets are shared between saddle and nut; None until all were plucked.
        prediction: by the string's build; None if no saddle puts its octave in tune.
        prediction_inputs: its inputs.
        remedies: for a string whose saddle can't move far enough, the least invasive first.
        cautions: one for each remedy.
    """

    comparison: Comparison | None
    ambiguity_mm: float | None
    neck: NeckErrors | None
    nut: SaddleAndNut | None
    prediction: StringPrediction | None
    prediction_inputs: PredictionInputs
    remedies: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class Figures:
    """Figures of a state.

    Attributes:
        state: the state.
        strings: figures of each string, string 1 first.
        coupling_cents: of a spring-balanced bridge, by string: how far each string moves when this one is tuned by 100
            cents; empty for a fixed one.
    """

    state: State
    strings: tuple[StringFigures, ...]
    coupling_cents: tuple[tuple[float, ...], ...]


NO_FIGURES = Figures(State(), (), ())


def figures(state: State, before: Figures = NO_FIGURES) -> Figures:
    """The figures of a state.

    Args:
        state: the session.
        before: figures of an earlier state: what still holds of them is taken over.
    """
    if state.instrument is None:
        return Figures(state, (), ())
    earlier = before.strings if len(before.strings) == len(state.strings) else (None,) * len(state.strings)
    shared = before.state.instrument is not None and _shared(state) == _shared(before.state)
    found = tuple(
        one
        if one is not None and shared and state.string(number) == before.state.string(number)
        else _string_figures(state, state.instrument, number, one)
        for number, one in zip(state.numbers, earlier, strict=True)
    )
    coupling = before.coupling_cents if state.balance is before.state.balance else _coupling_cents(state)
    return Figures(state, found, coupling)


def _shared(state: State) -> tuple[object, ...]:
    """The inputs of every string's figures, beside its own state."""
    return state.instrument, state.played, state.fret, state.pluck_scatter, state.findings


def _string_figures(state: State, instrument: Instrument, number: int, before: StringFigures | None) -> StringFigures:
    string = state.string(number)
    several = state.played.several
    neck = neck_of(state, number) if several else None
    comparison = comparison_of(state, number)
    if comparison is None and string.last is not None:
        comparison = string.last.as_comparison()
    ambiguity = None if comparison is None else ambiguity_of(state, number, comparison)
    inputs = _prediction_inputs(instrument, number, string.learnt_stiffness)
    known = before is not None and before.prediction_inputs == inputs
    remedies = _remedies(instrument, number, string)
    return StringFigures(
        comparison=comparison,
        ambiguity_mm=None if ambiguity is None else ambiguity.mm,
        neck=neck,
        nut=_nut(state, instrument, number, neck) if several else None,
        prediction=before.prediction if before is not None and known else _prediction(inputs),
        prediction_inputs=inputs,
        remedies=tuple(text for text, _ in remedies),
        cautions=tuple(caution for _, caution in remedies),
    )


def _nut(state: State, instrument: Instrument, number: int, running: NeckErrors | None) -> SaddleAndNut | None:
    """Saddle and nut by the comparison under way once every fret was plucked, or else by the survey."""
    string = state.string(number)
    if running is not None and running.frets == state.played.frets:
        neck, position_mm = running, string.moved_mm
    elif string.survey is not None:
        neck, position_mm = string.survey.neck, string.survey.position_mm
    else:
        return None
    weights = {fret: weight for fret, weight in weights_of(state, number).items() if fret in neck.frets}
    return saddle_and_nut(neck, instrument.string(number), position_mm, weights)


def _prediction_inputs(instrument: Instrument, number: int, stiffness: Stiffness | None) -> PredictionInputs:
    """Each reading changes B a little: it counts to a hundredth, which is a hundredth of a millimetre of setback."""
    rounded = None if stiffness is None else Stiffness(round(stiffness.log_b, 2), round(stiffness.sd, 2))
    return PredictionInputs(instrument.string(number), instrument.reference_hz, rounded)


def _prediction(inputs: PredictionInputs) -> StringPrediction | None:
    alone = Instrument(
        name="", title="", reference_hz=inputs.reference_hz, frets=12, strings=(inputs.spec,), bridge=_NO_BRIDGE
    )
    try:
        return predict(alone, stiffness={} if inputs.stiffness is None else {1: inputs.stiffness})[0]
    except ValueError:
        return None


def _remedies(instrument: Instrument, number: int, string: StringState) -> list[tuple[str, str]]:
    """Remedies for a string out of travel, each with its caution; empty for any other string."""
    if string.status is not Status.OUT_OF_TRAVEL or string.advice is None:
        return []
    known, spec = string.learnt_stiffness, instrument.string(number)
    fretted = fretted_string(
        spec,
        instrument.open_hz(number),
        log_stiffness=None if known is None else known.log_b,
        setback_mm=spec.setback_mm + string.moved_mm,
    )
    missing_mm = string.advice.missing_mm * (-1.0 if string.advice.direction == TOWARD else 1.0)
    return [(way.text, way.caution) for way in travel_remedies(instrument, number, missing_mm, fretted)]


def _coupling_cents(state: State) -> tuple[tuple[float, ...], ...]:
    if state.balance is None:
        return ()
    return tuple(tuple(round(100.0 * share, 1) for share in column) for column in state.balance.coupling().T.tolist())
