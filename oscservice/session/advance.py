"""The steps a session takes by itself: what follows from what is known, one event at a time.

``advance`` is asked again after each event until nothing more follows.
"""

from __future__ import annotations

from oscservice.advice.comparison import Comparison, compare
from oscservice.advice.correction import (
    SHOWN_MM,
    Move,
    adjuster_moves,
    cents_per_mm,
    saddle_correction,
    speaking_lengths_mm,
)
from oscservice.advice.decision import Verdict, judge, proved, with_expected
from oscservice.instrument.pitch import OPEN
from oscservice.instrument.spec import Adjuster
from oscservice.session import events as ev
from oscservice.session.asking import DRIFT_LIMIT_CENTS, in_tune, tuned_strings
from oscservice.session.state import State, StringState
from oscservice.session.words import Phase, Status
from oscservice.session.words import Verdict as ItemVerdict

SCATTER_ROUNDS = 2
"""A string whose plucks scatter too much this many times in a row is set aside."""


def advance(state: State) -> list[ev.Event]:
    """What follows now, or nothing."""
    if state.phase is Phase.INSPECTING:
        if all(item.verdict in (ItemVerdict.PASSED, ItemVerdict.WAIVED) for _, item in state.items):
            return [ev.PhaseEntered(Phase.TUNING), ev.Focused(max(state.numbers), "")]
        return []
    if state.phase in (Phase.TUNING, Phase.RETUNING):
        return _after_tuning(state)
    if state.phase is Phase.COMPARING:
        return _after_comparing(state)
    if state.phase is Phase.PROVING:
        return _after_proving(state)
    return []


def _after_tuning(state: State) -> list[ev.Event]:
    wanted = tuned_strings(state)
    if state.focus in wanted and not in_tune(state.string(state.focus)):
        return []
    waiting = [n for n in wanted if not in_tune(state.string(n))]
    if waiting:
        # Go on down the strings from where the hand is, then round again.
        later = [n for n in waiting if wanted.index(n) > (wanted.index(state.focus) if state.focus in wanted else -1)]
        return [ev.Focused((later or waiting)[0], "")]
    moved = [n for n in wanted if state.string(n).status is Status.RETUNING]
    work = moved[0] if moved else next((n for n in reversed(state.numbers) if not state.string(n).ended), None)
    follow: list[ev.Event] = [ev.StringReopened(n, "back at pitch") for n in moved]
    if work is None:
        return [*follow, ev.PhaseEntered(Phase.PROVING), *_next_to_prove(state)]
    return [*follow, ev.PhaseEntered(Phase.COMPARING), ev.Focused(work, "")]


def _after_comparing(state: State) -> list[ev.Event]:
    string = state.string(state.focus)
    if string.ended:
        return _next_to_compare(state)
    if string.open_cents is not None and abs(string.open_cents) > DRIFT_LIMIT_CENTS:
        return [ev.PhaseEntered(Phase.RETUNING), ev.Focused(state.focus, "")]
    comparison = comparison_of(state, state.focus)
    if comparison is None or string.plucks[-1].place != OPEN:
        return []
    assert state.instrument is not None
    lengths = speaking_lengths_mm(state.instrument.string(state.focus), state.fret, string.moved_mm)
    expected = _expected(string)
    verdict = judge(comparison, state.tolerance_cents, cents_per_mm=cents_per_mm(lengths), expected=expected)
    if verdict is Verdict.MORE_PLUCKS:
        return []
    if verdict is Verdict.SCATTERED:
        return _scattered(state, comparison)
    return judged(state, with_expected(comparison, expected), settled=verdict is Verdict.SETTLED)


def _expected(string: StringState) -> Comparison | None:
    """What the last move should have left, as a comparison of no plucks."""
    if string.expected is None:
        return None
    return Comparison(string.expected.error_cents, string.expected.se_cents, 0, string.expected.scatter_cents)


def judged(state: State, comparison: Comparison, *, settled: bool) -> list[ev.Event]:
    """The decision on the string in focus: settled, to move (and off to moving), or out of travel."""
    assert state.instrument is not None
    adjuster = state.instrument.adjuster_of(state.focus)
    if adjuster is not None and len(adjuster.influence) > 1:
        return _judged_together(state, comparison, adjuster)
    if settled:
        return [_judgement(state.focus, Status.SETTLED, comparison, None)]
    string = state.instrument.string(state.focus)
    move = saddle_correction(comparison, string, state.fret, state.string(state.focus).moved_mm, adjuster)
    return _to_move(state.focus, comparison, move)


def _to_move(number: int, comparison: Comparison, move: Move) -> list[ev.Event]:
    if abs(move.mm) < SHOWN_MM / 2.0:
        status = Status.OUT_OF_TRAVEL if move.out_of_travel or move.refused else Status.SETTLED
        return [_judgement(number, status, comparison, move)]
    return [_judgement(number, Status.TO_MOVE, comparison, move), ev.PhaseEntered(Phase.MOVING)]


def _judged_together(state: State, comparison: Comparison, adjuster: Adjuster) -> list[ev.Event]:
    """A saddle shared by several strings: compare them all, then move for the best of all of them."""
    assert state.instrument is not None
    linked = [a for a in state.instrument.bridge.adjusters if set(a.influence) & set(adjuster.influence)]
    strings = sorted({n for a in linked for n in a.influence})
    together = [n for n in strings if state.string(n).status is not Status.SET_ASIDE]
    errors = {state.focus: comparison}
    for number in together:
        other = comparison_of(state, number)
        if number != state.focus and other is not None:
            errors[number] = other
    missing = [n for n in together if n not in errors]
    if missing:
        return [ev.Focused(max(missing), "")]
    positions = {a.name: _position(state, a) for a in state.instrument.bridge.adjusters}
    plan = adjuster_moves(errors, state.instrument, positions, state.fret)
    for chosen in state.instrument.bridge.adjusters:
        move = plan.moves[chosen.name]
        strings = [n for n in together if n in chosen.influence]
        if not strings or abs(move.mm) < 2.0 * SHOWN_MM:
            continue
        # The adjuster is named by the string it moves most.
        number = max(strings, key=lambda n: abs(chosen.influence[n]))
        judgement = _to_move(number, errors[number], move)[0]
        return [judgement, ev.Focused(number, ""), ev.PhaseEntered(Phase.MOVING)]
    return [_judgement(n, Status.SETTLED, errors[n], None) for n in together]


def _position(state: State, adjuster: Adjuster) -> float:
    number, share = max(adjuster.influence.items(), key=lambda item: abs(item[1]))
    return state.string(number).moved_mm / share


def comparison_of(state: State, number: int) -> Comparison | None:
    """The comparison that a string's plucks so far allow, or None before the first bracket."""
    plucks = state.string(number).plucks
    places = {pluck.place for pluck in plucks}
    return compare(plucks, state.fret) if OPEN in places and len(places) > 1 else None


def _scattered(state: State, comparison: Comparison) -> list[ev.Event]:
    found = ev.ScatterFound(state.focus, comparison.scatter_cents)
    if state.string(state.focus).scattered + 1 < SCATTER_ROUNDS:
        return [found]
    reason = f"plucks scatter by {comparison.scatter_cents:.1f} cents: look for a loose part or a worn string"
    return [found, ev.StringSetAside(state.focus, reason)]


def _judgement(number: int, status: Status, comparison: Comparison, move: Move | None) -> ev.StringJudged:
    found = (comparison.error_cents, comparison.se_cents, comparison.plucks, comparison.scatter_cents)
    if move is None:
        return ev.StringJudged(number, status, *found)
    return ev.StringJudged(
        number, status, *found, move.mm, move.se_mm, move.turns, move.direction, move.room_mm, move.missing_mm
    )


def _next_to_compare(state: State) -> list[ev.Event]:
    waiting = [n for n in reversed(state.numbers) if not state.string(n).ended]
    if waiting:
        return [ev.Focused(waiting[0], "")]
    return [ev.PhaseEntered(Phase.PROVING), *_next_to_prove(state)]


def _next_to_prove(state: State) -> list[ev.Event]:
    waiting = [n for n in reversed(state.numbers) if not state.string(n).proved and not state.string(n).left_out]
    return [ev.Focused(waiting[0], "")] if waiting else [ev.SessionClosed("proved")]


def _after_proving(state: State) -> list[ev.Event]:
    string = state.string(state.focus) if state.focus else None
    if string is None or string.proved or string.left_out:
        return _next_to_prove(state)
    if string.open_cents is not None and abs(string.open_cents) > DRIFT_LIMIT_CENTS:
        return [ev.PhaseEntered(Phase.RETUNING), ev.Focused(state.focus, "")]
    comparison = comparison_of(state, state.focus)
    if comparison is None or string.plucks[-1].place != OPEN or string.last is None:
        return []
    before = Comparison(string.last.error_cents, string.last.se_cents, string.last.plucks, string.last.scatter_cents)
    answer = proved(comparison, _proving_tolerance(state, before), before)
    if answer is None:
        return []
    if answer:
        found = (comparison.error_cents, comparison.se_cents, comparison.plucks, comparison.scatter_cents)
        return [ev.StringProved(state.focus, *found)]
    return [ev.StringReopened(state.focus, "not within tolerance in the last pass"), ev.PhaseEntered(Phase.COMPARING)]


def _proving_tolerance(state: State, before: Comparison) -> float:
    """The tolerance; for a saddle shared by several strings, the compromise settled on and half a tolerance more."""
    assert state.instrument is not None
    adjuster = state.instrument.adjuster_of(state.focus)
    if adjuster is None or len(adjuster.influence) == 1:
        return state.tolerance_cents
    return max(state.tolerance_cents, abs(before.error_cents) + state.tolerance_cents / 2.0)
