"""A session's kept sound measured again with today's estimator, and the changes. The journal is only read."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from oscservice.hearing.listener import Listener, NoteDismissed, NoteHeard
from oscservice.hearing.reading import Reading, finite_or_none
from oscservice.instrument.pitch import cents_between
from oscservice.record.kept_sound import AlteredSoundError, KeptSound, MissingSoundError, find, floats, read, sound_of
from oscservice.session import events as ev
from oscservice.session.event_values import survey_text
from oscservice.session.evolve import evolve
from oscservice.session.judgement import comparison_of
from oscservice.session.next_pluck import expected_hz
from oscservice.session.replay import effective_events
from oscservice.session.session_results import summary_of
from oscservice.session.setup_summary import FretError
from oscservice.session.state import State
from oscservice.session.survey import survey_of

MARKED_SD = 2.0
"""A reading is marked if it changes by more than so many of its standard errors."""

_SAME_NOTE_S = 0.1

NumberedEvents = Sequence[tuple[int, ev.Event]]


@dataclass(frozen=True)
class ReadingAgain:
    """A reading, and the same measured again.

    Attributes:
        seq: number of its event.
        then: the reading in the journal.
        now: the reading measured today; None if that is not possible.
        change_cents, se_cents: the change, + sharper, and the standard error of both readings together. They share the
            sound, so chance changes them by far less.
        fault: ``missing``, ``altered`` or ``no note`` if it can't be measured, otherwise empty; ``why`` says more.
        taken_back: the step was undone, so it is no evidence.
    """

    seq: int
    then: ev.ReadingTaken
    now: ev.ReadingTaken | None
    change_cents: float = 0.0
    se_cents: float = 0.0
    fault: str = ""
    why: str = ""
    taken_back: bool = False

    @property
    def marked(self) -> bool:
        """True if it changes by more than `MARKED_SD` standard errors."""
        return self.now is not None and abs(self.change_cents) > MARKED_SD * self.se_cents


@dataclass(frozen=True)
class ErrorAgain:
    """Error of one fret of one string as the session left it, and with today's readings.

    ``marked``: the change is more than the error's own standard error.
    """

    string: int
    note: str
    then: FretError
    now: FretError

    @property
    def change_cents(self) -> float:
        return self.now.error_cents - self.then.error_cents

    @property
    def marked(self) -> bool:
        return abs(self.change_cents) > max(self.then.se_cents, self.now.se_cents)


@dataclass(frozen=True)
class Remeasured:
    """The result. ``without``: number of readings without kept sound; ``errors``: those of every compared fret."""

    readings: tuple[ReadingAgain, ...]
    without: int
    errors: tuple[ErrorAgain, ...]

    @property
    def changes(self) -> bool:
        """True if any reading in use, or any error, is marked."""
        used = (one for one in self.readings if not one.taken_back)
        return any(one.marked for one in used) or any(one.marked for one in self.errors)

    def faults(self, fault: str) -> int:
        """Return the number of readings that can't be measured for this reason."""
        return sum(one.fault == fault for one in self.readings)


def remeasure(
    folder: Path, session: str, events: NumberedEvents, done: Callable[[int], None] = lambda count: None
) -> Remeasured:
    """Measure every kept reading of a session again.

    Args:
        folder: the journal's sound (``kept_sound.folder_of``).
        session: the session's name.
        events: all its events with their numbers, in order.
        done: called with the number of readings measured so far.
    """
    back = taken_back(events)
    state = State()
    readings: list[ReadingAgain] = []
    without = 0
    for seq, event in events:
        if isinstance(event, ev.ReadingTaken):
            sound = sound_of(event)
            if sound is None:
                without += 1
            else:
                again = _again(folder, session, state, seq, event, sound)
                readings.append(replace(again, taken_back=seq in back))
                done(len(readings))
        state = evolve(state, event)
    errors = errors_again(events, {one.seq: one.now for one in readings if one.now is not None})
    return Remeasured(tuple(readings), without, errors)


def taken_back(events: NumberedEvents) -> set[int]:
    """Return the event numbers of the readings whose steps were undone."""
    in_effect = {events[turn.number - 1][0] for turn in effective_events([("", event) for _, event in events]).turns}
    return {seq for seq, event in events if isinstance(event, ev.ReadingTaken)} - in_effect


def _again(
    folder: Path, session: str, state: State, seq: int, event: ev.ReadingTaken, sound: KeptSound
) -> ReadingAgain:
    try:
        samples = read(find(folder, session, sound), sound)
    except MissingSoundError:
        return ReadingAgain(seq, event, None, fault="missing", why="its file is not there")
    except AlteredSoundError as error:
        return ReadingAgain(seq, event, None, fault="altered", why=f"its file {error}")
    found = heard_again(samples, sound, expected_hz(state, sound.only_string))
    if isinstance(found, str):
        return ReadingAgain(seq, event, None, fault="no note", why=found)
    change = cents_between(found.f1_hz, event.f1_hz)
    return ReadingAgain(seq, event, _as_event(event, found, change), change, math.hypot(event.se_cents, found.se_cents))


def heard_again(samples: NDArray[np.int32], sound: KeptSound, expected: Sequence[float]) -> Reading | str:
    """Return the reading of the note in kept samples.

    Parameters
    ----------
    samples : ndarray of int32, shape (n,)
        Samples of 24 bits, as ``kept_sound.read`` returns them.
    sound : KeptSound
        Their record.
    expected : Sequence[float]
        Pitches in Hz that the technician was asked for.

    Returns
    -------
    Reading | str
        The reading, or one line: the reason why there is none.
    """
    listener = Listener(sound.rate_hz, live=False, known=sound.knew)
    listener.expect(expected)
    found = [*listener.feed(floats(samples, sound)), *listener.finish()]
    near = [
        one
        for one in found
        if isinstance(one, NoteHeard | NoteDismissed) and abs(one.onset_s - sound.onset_s) <= _SAME_NOTE_S
    ]
    best = min(near, key=lambda one: (isinstance(one, NoteDismissed), abs(one.onset_s - sound.onset_s)), default=None)
    if best is None:
        return "no note is heard where one was"
    return best.reading if isinstance(best, NoteHeard) else best.reason


def _as_event(event: ev.ReadingTaken, reading: Reading, change_cents: float) -> ev.ReadingTaken:
    return replace(
        event,
        f1_hz=reading.f1_hz,
        se_cents=reading.se_cents,
        level_dbfs=reading.level_dbfs,
        cents=event.cents + change_cents,
        attack_cents=reading.attack_cents,
        inharmonicity=reading.inharmonicity,
        inharmonicity_se=finite_or_none(reading.inharmonicity_se),
        string_hz=finite_or_none(reading.string_hz),
        string_se_cents=finite_or_none(reading.string_se_cents),
        strength_db=finite_or_none(reading.strength_db),
        flags=", ".join(reading.flags),
    )


def errors_again(events: NumberedEvents, now: Mapping[int, ev.ReadingTaken]) -> tuple[ErrorAgain, ...]:
    """Return the errors of every compared fret, with the journal's readings and with ``now``, by event number."""
    then, after = refolded(events, {}), refolded(events, now)
    if then.instrument is None:
        return ()
    found = []
    for one, other in zip(summary_of(then).strings, summary_of(after).strings, strict=True):
        for error in one.errors:
            changed = other.at(error.fret)
            if changed is not None:
                found.append(ErrorAgain(one.string, one.note, error, changed))
    return tuple(found)


def refolded(events: NumberedEvents, readings: Mapping[int, ev.ReadingTaken]) -> State:
    """Return the state after all events, with some readings replaced (by event number) and the comparisons computed
    again from them. Decisions and moves stay as they were."""
    state = State()
    for seq, event in events:
        state = evolve(state, _recomputed(state, ev.without_conclusions(readings.get(seq, event))))
    return state


def _recomputed(state: State, event: ev.Event) -> ev.Event:
    if isinstance(event, ev.StringSurveyed):
        survey = survey_of(state, event.string)
        return event if survey is None else replace(event, survey=survey_text(survey))
    if isinstance(event, ev.StringProved | ev.StringChecked):
        comparison = comparison_of(state, event.string)
        if comparison is None:
            return event
        return replace(
            event,
            error_cents=comparison.error_cents,
            se_cents=comparison.se_cents,
            scatter_cents=comparison.scatter_cents,
        )
    return event
