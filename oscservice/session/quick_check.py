"""The quick check between takes: open and one fret of every string, compared with a sealed session.

There are two changes: that of the open string (tuning), and that of the fret against its own open string (intonation).
Each is compared with its limit (the tuning window, the tolerance) and with its standard error, which includes that of
the sealed session. One open and one fretted pluck between open ones are
mostly enough; more are asked for only while the evidence is too thin to say.
"""

from __future__ import annotations

import math

from oscservice.advice.comparison import Comparison
from oscservice.instrument.pitch import OPEN, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Refused
from oscservice.session.judgement import comparison_of
from oscservice.session.next_pluck import DRIFT_LIMIT_CENTS, TUNING_WINDOW_CENTS
from oscservice.session.session_results import open_se_cents
from oscservice.session.setup_changes import filed_string, unlike
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.state import State
from oscservice.session.vocabulary import INSPECTION_ITEMS, TOLERANCE_RANGE_CENTS, Check, Drift, Ending, Status

MOST_FRETTED = 4
"""Most fretted plucks of a string; after them it is reported as unsure."""

RULED_OUT = 2.0
"""A string holds when the change heard is below the limit, and a change of this many limits is ruled out."""

DRIFT_SD = 2.8
"""A change of fewer standard errors is no drift: there are many strings, and each is looked at several times."""

_RULING_OUT_SD = 2.0
_LIKELY_SD = 1.0  # a drift is this many standard errors beyond the limit


def begin_quick_check(state: State, command: cm.Quick) -> list[ev.Event]:
    """The events that begin a quick check. Raises Refused."""
    instrument = command.instrument
    if not command.against:
        name = instrument.identity
        raise Refused("missing", f"no sealed session of {name!r} to compare with; a proved set-up comes first")
    against = SetupSummary.from_json(command.against)
    tolerance_cents = against.tolerance_cents if command.tolerance_cents is None else command.tolerance_cents
    low, high = TOLERANCE_RANGE_CENTS
    if not low <= tolerance_cents <= high:
        raise Refused("range", f"a tolerance of {tolerance_cents:g} cents; expected {low:g} to {high:g}")
    fret = against.check_fret
    if fret is None or fret > instrument.frets:
        raise Refused("refused", f"session {against.session} compared no fret of this instrument")
    label = f"quick check against session {against.session}"
    first = ev.SessionBegun(
        instrument.to_json(),
        label,
        tolerance_cents,
        fret,
        str(fret),
        against=command.against,
        items=" ".join(INSPECTION_ITEMS),
    )
    aside = _uncheckable(instrument, against, fret)
    waiting = [n for n in range(1, len(instrument.strings) + 1) if n not in aside]
    if not waiting:
        why = next(iter(aside.values()))
        raise Refused("refused", f"no string can be compared with session {against.session}: {why}")
    skipped: list[ev.Event] = [ev.StringSetAside(n, why) for n, why in aside.items()]
    return [first, *skipped, ev.Focused(max(waiting), "")]


def uncheckable(state: State) -> dict[int, str]:
    """Strings that a quick check can't compare with anything, and why."""
    if state.against is None or state.instrument is None:
        return {}
    return _uncheckable(state.instrument, state.against, state.fret)


def _uncheckable(instrument: Instrument, against: SetupSummary, fret: int) -> dict[int, str]:
    found: dict[int, str] = {}
    for number in range(1, len(instrument.strings) + 1):
        before, now = against.string(number), filed_string(instrument, number)
        if before is None:
            found[number] = f"session {against.session} has no such string"
        elif before.status == Status.SET_ASIDE:
            found[number] = f"set aside in session {against.session}: {before.left_out}"
        elif unlike(before, now):
            found[number] = f"not the string of session {against.session}: {unlike(before, now)}"
        elif before.at(fret) is None or before.open_cents is None:
            found[number] = f"not compared in session {against.session}"
    return found


def after_checking(state: State) -> list[ev.Event]:
    """The next events of a quick check: the verdict on the string in focus, the next string, or the end."""
    if state.string(state.focus).status in (Status.CHECKED, Status.SET_ASIDE):
        waiting = unchecked(state)
        return [ev.Focused(max(waiting), "")] if waiting else [ev.SessionClosed(check_ending(state))]
    found = verdict(state)
    return [] if found is None else [found]


def unchecked(state: State) -> list[int]:
    """Strings without a verdict yet."""
    ended = (Status.CHECKED, Status.SET_ASIDE)
    return [n for n in state.numbers if state.string(n).status not in ended]


def check_ending(state: State) -> Ending:
    """The ending of a quick check with nothing left to check."""
    verdicts = {string.check.verdict for string in state.strings if string.check is not None}
    if Check.DRIFTED in verdicts:
        return Ending.DRIFTED
    return Ending.UNSURE if Check.UNSURE in verdicts or not verdicts else Ending.HOLDS


def verdict(state: State, *, last_word: bool = False) -> ev.StringChecked | None:
    """The verdict on the string in focus; None while more plucks are needed.

    Args:
        state: a quick check.
        last_word: there will be no more plucks.
    """
    string = state.string(state.focus)
    before = None if state.against is None else state.against.string(state.focus)
    comparison = comparison_of(state, state.focus)
    if before is None or comparison is None or string.plucks[-1].place != OPEN:
        return None
    known = before.at(state.fret)
    if known is None or before.open_cents is None:
        return None
    opened_cents, opened_se_cents = _opened(state)
    tuning = opened_cents - before.open_cents, math.hypot(opened_se_cents, before.open_se_cents)
    assert state.instrument is not None
    tempered_cents = comparison.error_cents + state.instrument.string(state.focus).target_cents(state.fret)
    intonation = tempered_cents - known.tempered_cents, math.hypot(comparison.se_cents, known.se_cents)
    enough = last_word or comparison.plucks >= MOST_FRETTED
    tuned = change_verdict(*tuning, TUNING_WINDOW_CENTS, last_word=enough)
    fretted = change_verdict(*intonation, state.tolerance_cents, last_word=enough)
    if tuned is Check.DRIFTED and abs(opened_cents) > DRIFT_LIMIT_CENTS:
        fretted = Check.HOLDS  # so slack or so tight a string frets otherwise: that is the tuning's doing
    if tuned is None or fretted is None:
        return None
    return _checked(state, comparison, (tuned, *tuning), (fretted, *intonation))


def change_verdict(
    change_cents: float, se_cents: float, matters_cents: float, *, last_word: bool, drift_sd: float = DRIFT_SD
) -> Check | None:
    """The verdict on a change; None: more plucks may decide.

    Args:
        change_cents, se_cents: the change and its standard error.
        matters_cents: a change below this doesn't matter.
        last_word: there will be no more plucks: an undecided change is unsure.
        drift_sd: standard errors below which nothing is a drift.
    """
    size = abs(change_cents)
    if size > drift_sd * se_cents and size - _LIKELY_SD * se_cents > matters_cents:
        return Check.DRIFTED
    if size <= matters_cents and size + _RULING_OUT_SD * se_cents <= RULED_OUT * matters_cents:
        return Check.HOLDS
    return Check.UNSURE if last_word else None


def _opened(state: State) -> tuple[float, float]:
    """Deviation of the open string in focus from its nominal pitch, and its standard error, cents."""
    assert state.instrument is not None
    nominal_hz = state.instrument.open_hz(state.focus)
    plucks = [pluck for pluck in state.string(state.focus).plucks if pluck.place == OPEN]
    cents = [cents_between(pluck.f1_hz, nominal_hz) for pluck in plucks]
    reading_se_cents = math.sqrt(sum(pluck.total_se_cents**2 for pluck in plucks) / len(plucks))
    return sum(cents) / len(cents), open_se_cents(reading_se_cents, len(plucks))


def _checked(
    state: State,
    comparison: Comparison,
    tuning: tuple[Check, float, float],
    intonation: tuple[Check, float, float],
) -> ev.StringChecked:
    found = {tuning[0], intonation[0]}
    verdict = next(word for word in (Check.DRIFTED, Check.UNSURE, Check.HOLDS) if word in found)
    tuned, fretted = tuning[0] is Check.DRIFTED, intonation[0] is Check.DRIFTED
    what = Drift.BOTH if tuned and fretted else Drift.TUNING if tuned else Drift.INTONATION if fretted else Drift.NONE
    return ev.StringChecked(
        state.focus,
        verdict,
        what,
        tuning_cents=tuning[1],
        tuning_se_cents=tuning[2],
        intonation_cents=intonation[1],
        intonation_se_cents=intonation[2],
        error_cents=comparison.error_cents,
        se_cents=comparison.se_cents,
        plucks=comparison.plucks,
        scatter_cents=comparison.scatter_cents,
    )
