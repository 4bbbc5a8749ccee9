"""Steps by hand that can't be heard: fine tuners to the middle, nut clamps open or closed, the action measured again.

A pluck after the step, or ``next``, says that it is done. Also here: which strings have to be slack before a saddle is
moved, since that depends on the hardware.
"""

from __future__ import annotations

from dataclasses import replace

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.advice.correction import SHOWN_MM
from oscservice.instrument.spec import SCREW, Instrument
from oscservice.session import events as ev
from oscservice.session.last_pass import next_to_prove
from oscservice.session.state import State
from oscservice.session.vocabulary import HandStep, Phase, Status

LET_DOWN_SEMITONES = 2
"""How far a string is let down before a screw tightens it: a millimetre of saddle is worth about as much (derived from
the stretch of plain strings)."""


def waiting_step(state: State) -> HandStep | None:
    """The step that waits in the phases ``preparing`` and ``securing``; None if all are done."""
    instrument = state.instrument
    if instrument is None:
        return None
    if state.phase is Phase.PREPARING:
        if instrument.fine_tuners is not None and not state.tuners_centred:
            return HandStep.CENTRE_FINE_TUNERS
        if instrument.nut.locking and state.nut_closed is not False:
            return HandStep.OPEN_NUT
    if state.phase is Phase.SECURING:
        if far_moved(state) and not state.action_checked:
            return HandStep.CHECK_ACTION
        if instrument.nut.locking and not state.nut_closed:
            return HandStep.CLOSE_NUT
    return None


def far_moved(state: State) -> tuple[int, ...]:
    """Strings whose saddles moved so far that their action may have changed."""
    far_mm = None if state.instrument is None else state.instrument.set_up.recheck_action_mm
    return tuple(n for n in state.numbers if far_mm is not None and abs(state.string(n).moved_mm) > far_mm)


def done(step: HandStep, *, heard: bool) -> ev.Event:
    """The event that a step is done."""
    match step:
        case HandStep.CENTRE_FINE_TUNERS:
            return ev.FineTunersCentred(heard)
        case HandStep.CHECK_ACTION:
            return ev.ActionChecked(heard)
    return ev.NutClamped(step is HandStep.CLOSE_NUT, heard)


def after_hand_steps(state: State) -> list[ev.Event]:
    """The events that follow once nothing waits in the phases ``preparing`` and ``securing``; else none."""
    if waiting_step(state) is not None:
        return []
    if state.phase is Phase.PREPARING:
        return [ev.PhaseEntered(Phase.TUNING), ev.Focused(max(state.numbers), "")]
    if state.nut_closed and any(s.open_cents is None for s in state.strings if not s.left_out):
        return [ev.PhaseEntered(Phase.RETUNING), ev.Focused(max(state.numbers), "")]
    return to_last_pass(state)


def to_tuning(state: State) -> list[ev.Event]:
    """On from the inspection: to tuning, by way of the steps before it."""
    waits = waiting_step(replace(state, phase=Phase.PREPARING)) is not None
    return [ev.PhaseEntered(Phase.PREPARING if waits else Phase.TUNING), ev.Focused(max(state.numbers), "")]


def to_last_pass(state: State) -> list[ev.Event]:
    """On to the last pass, by way of the steps before it that are not done yet."""
    if waiting_step(replace(state, phase=Phase.SECURING)) is not None:
        return [ev.PhaseEntered(Phase.SECURING), ev.Focused(max(state.numbers), "")]
    return [ev.PhaseEntered(Phase.PROVING), *next_to_prove(state)]


def opened_first(state: State, *, heard: bool) -> list[ev.Event]:
    """The event that the nut clamps are open, where a string could not have been slackened or tuned otherwise."""
    return [ev.NutClamped(False, heard)] if state.nut_closed else []


def moved_next(state: State, number: int) -> int | None:
    """The string whose saddle is moved in the same go as that of string ``number``, which is slack, before any of them
    is tuned: a bar's other screw. None if there is none."""
    instrument = state.instrument
    if instrument is None or not instrument.bridge.slacken or state.string(number).status is not Status.SLACK:
        return None
    together = strings_moved_together(instrument, number)
    waiting = (n for n in reversed(together) if n != number and state.string(n).status is Status.TO_MOVE)
    return next((n for n in waiting if state.string(n).advice is not None), None)


def left_slack(state: State, number: int, *, heard: bool) -> list[ev.Event]:
    """The event that the string of the next saddle is slack already; ``state`` is before that of ``number`` moved."""
    follows = None if state.by_hand else moved_next(state, number)
    return [] if follows is None else [ev.StringSlackened(follows, heard)]


def must_be_slack(state: State, number: int) -> bool:
    """True if a string has to be slackened or let down before its saddle is moved as advised."""
    instrument = state.instrument
    if instrument is None:
        return False
    return instrument.bridge.slacken or _tightened(state, instrument, number)


def _tightened(state: State, instrument: Instrument, number: int) -> bool:
    """True if the screw of a saddle is to be turned in the way that tightens a string."""
    adjuster, advice = instrument.adjuster_of(number), state.string(number).advice
    if not instrument.bridge.let_down or adjuster is None or adjuster.means != SCREW or advice is None:
        return False
    shares = instrument.saddles_moved_with(number)
    return any(advice.mm * share / shares[number] > SHOWN_MM / 2.0 for share in shares.values())
