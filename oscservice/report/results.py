"""What became of each string: its errors over the neck as found and as left, and the rest that is known of it."""

from __future__ import annotations

from collections.abc import Mapping

from oscservice.advice.remains import StringRemains
from oscservice.report.facts import AtFret, Checked, StringResult, Value
from oscservice.session import events as ev
from oscservice.session.course import Course
from oscservice.session.remaining import compared, remaining
from oscservice.session.standing import StringStanding
from oscservice.session.state import State, StringState
from oscservice.session.summing import standing_of
from oscservice.session.surveying import here
from oscservice.session.words import COMPARED


def results_of(course: Course) -> tuple[StringResult, ...]:
    """One result a string, string 1 first; none where nothing was begun."""
    state = course.state
    if state.instrument is None:
        return ()
    left, found = _errors(state), _found(course)
    plucks = [
        turn.event.string
        for turn in course.turns
        if isinstance(turn.event, ev.ReadingTaken) and turn.before.phase in COMPARED
    ]
    standing = standing_of(state)
    return tuple(
        _result(one, state.string(one.string), found.get(one.string), left.get(one.string), plucks.count(one.string))
        for one in standing.strings
    )


def moved_strings(state: State, event: ev.SaddleMoved) -> tuple[int, ...]:
    """Strings whose saddles a move of one of them moves."""
    assert state.instrument is not None
    adjuster = state.instrument.adjuster_of(event.string)
    return (event.string,) if adjuster is None else tuple(adjuster.influence)


def _errors(state: State) -> dict[int, StringRemains]:
    return remaining(state) if compared(state) else {}


def _found(course: Course) -> dict[int, StringRemains]:
    """By string, what was known of its errors when its saddle was about to be moved for the first time."""
    found: dict[int, StringRemains] = {}
    moved: set[int] = set()
    for turn in course.turns:
        event = turn.event
        if not isinstance(event, ev.SaddleMoved) or event.mm == 0.0:
            continue
        first = set(moved_strings(turn.before, event)) - moved
        if first:
            known = _errors(turn.before)
            found |= {number: known[number] for number in first if number in known}
        moved |= first
    return found


def _result(
    standing: StringStanding,
    string: StringState,
    found: StringRemains | None,
    left: StringRemains | None,
    plucks: int,
) -> StringResult:
    check = string.check
    return StringResult(
        string=standing.string,
        note=standing.note,
        status=standing.status,
        left_out=standing.left_out,
        overruled=string.overruled,
        proved=string.proved,
        heard=string.judged_here or here(string) is not None,
        frets=_frets(found, left),
        open=_value(standing.open_cents, standing.open_se_cents),
        octave=_value(standing.harmonic_cents, standing.harmonic_se_cents),
        inharmonicity=_value(standing.inharmonicity, standing.inharmonicity_se),
        moved_mm=standing.moved_mm,
        moves=standing.moves,
        plucks=plucks,
        scatter_cents=None if string.last is None else string.last.scatter_cents,
        check=None
        if check is None
        else Checked(
            verdict=check.verdict,
            what=check.what,
            tuning=Value(check.tuning_cents, check.tuning_se_cents),
            intonation=Value(check.intonation_cents, check.intonation_se_cents),
        ),
    )


def _frets(found: StringRemains | None, left: StringRemains | None) -> tuple[AtFret, ...]:
    sides = [one for one in (found, left) if one is not None]
    if not sides:
        return ()
    before, after = _by_fret(found), _by_fret(left)
    plucked = {fret for one in sides for fret in one.measured}
    return tuple(AtFret(fret, before.get(fret), after.get(fret), fret in plucked) for fret in sides[-1].frets)


def _by_fret(errors: StringRemains | None) -> Mapping[int, Value]:
    if errors is None:
        return {}
    told = zip(errors.frets, errors.errors_cents, errors.se_cents, strict=True)
    return {fret: Value(cents, se) for fret, cents, se in told}


def _value(value: float | None, se: float) -> Value | None:
    return None if value is None else Value(value, se)
