"""What happened in a session, one after the other: the saddles' moves and the plucks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from oscservice.report.facts import Moved, Plucked, Value
from oscservice.session import events as ev
from oscservice.session.course import Course, Turn
from oscservice.session.words import COMPARED


def moves_of(course: Course) -> tuple[Moved, ...]:
    """Every move of a saddle, in order; a shared one under the string it goes by."""
    found: list[Moved] = []
    for at, turn in enumerate(course.turns):
        if isinstance(turn.event, ev.SaddleMoved):
            found.append(_moved(len(found) + 1, turn, turn.event, course.turns[at + 1 :]))
    return tuple(found)


def plucks_of(course: Course) -> tuple[Plucked, ...]:
    """Every pluck that was read while strings were compared, in order."""
    found: list[Plucked] = []
    for turn in course.turns:
        event, state = turn.event, turn.before
        if isinstance(event, ev.ReadingDiscarded):
            _drop_last(found, event.string)
        if not isinstance(event, ev.ReadingTaken) or state.phase not in COMPARED:
            continue
        found.append(
            Plucked(
                number=turn.number,
                at_utc=turn.at_utc,
                phase=str(state.phase),
                string=event.string,
                place=event.place,
                hz=event.f1_hz,
                pitch=Value(event.cents, event.se_cents),
                attack_cents=event.attack_cents,
                level_dbfs=event.level_dbfs,
                strength_db=event.strength_db,
                flags=event.flags,
                moves=state.string(event.string).moves,
                dropped=False,
            )
        )
    return tuple(found)


def _moved(number: int, turn: Turn, event: ev.SaddleMoved, later: Sequence[Turn]) -> Moved:
    string = turn.before.string(event.string)
    advice = string.advice
    after, oddity = _answer(event.string, later)
    known = string.last if string.judged_here else None
    return Moved(
        number=number,
        at_utc=turn.at_utc,
        string=event.string,
        mm=event.mm,
        told=event.told,
        advised=None if advice is None else Value(advice.mm, advice.se_mm),
        turns=None if advice is None else advice.turns,
        before=None if known is None else Value(known.error_cents, known.se_cents),
        expected_cents=None if advice is None else advice.left_cents,
        after=after,
        oddity=oddity,
    )


def _answer(string: int, later: Sequence[Turn]) -> tuple[Value | None, str]:
    """What was first heard of a string's error after a move, before it was moved again, and what was odd about it."""
    oddity = ""
    for turn in later:
        event = turn.event
        if isinstance(event, ev.SaddleMoved) and event.string == string:
            return None, oddity
        if isinstance(event, ev.ResponseLearnt) and event.string == string:
            oddity = event.oddity
        if isinstance(event, ev.StringJudged | ev.StringProved) and event.string == string:
            return Value(event.error_cents, event.se_cents), oddity
    return None, oddity


def _drop_last(plucks: list[Plucked], string: int) -> None:
    """The string's last pluck that was not dropped yet is."""
    for at in range(len(plucks) - 1, -1, -1):
        if plucks[at].string == string and not plucks[at].dropped:
            plucks[at] = replace(plucks[at], dropped=True)
            return
