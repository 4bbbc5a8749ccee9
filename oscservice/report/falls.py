"""How plucks fell, from the sound that was kept of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from oscservice.hearing.fall import fall
from oscservice.hearing.resample import decimate, decimation
from oscservice.record.kept import AlteredSoundError, MissingSoundError, find, floats, read, sound_of
from oscservice.report.facts import Fall, Falls
from oscservice.session import events as ev
from oscservice.session.course import Course
from oscservice.session.words import COMPARED

_DIGITS = 4  # of seconds and cents: more say nothing


def falls_of(
    folder: Path, session: str, course: Course, done: Callable[[int], None] = lambda count: None
) -> Falls | None:
    """The falls of the plucks that were compared; None where no sound was kept of any.

    Args:
        folder: where the journal's sound is (``record.kept.folder_of``).
        session: the session's name.
        course: what stands of its events.
        done: called with how many were looked at so far.
    """
    found: list[Fall] = []
    missing = altered = count = 0
    for turn in course.turns:
        event = turn.event
        sound = sound_of(event) if turn.before.phase in COMPARED else None
        if sound is None or not isinstance(event, ev.ReadingTaken):
            continue
        count += 1
        done(count)
        try:
            samples = floats(read(find(folder, session, sound), sound), sound)
        except MissingSoundError:
            missing += 1
            continue
        except AlteredSoundError:
            altered += 1
            continue
        factor = decimation(sound.rate_hz)
        moments = fall(decimate(samples, factor), sound.rate_hz / factor, sound.onset_s, event.f1_hz)
        if moments:
            at_s = tuple(round(one.at_s, _DIGITS) for one in moments)
            cents = tuple(round(one.cents, _DIGITS) for one in moments)
            se_cents = tuple(round(one.se_cents, _DIGITS) for one in moments)
            found.append(Fall(turn.number, event.string, event.place, at_s, cents, se_cents))
    return Falls(tuple(found), missing, altered) if count else None
