"""What a note that was heard means to the session, phase by phase."""

from __future__ import annotations

import math

from oscservice.hearing.place import NEW_STRING_CENTS, Assignment, assign
from oscservice.hearing.reading import Reading
from oscservice.instrument.pitch import OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.asking import UNSURE_LIMIT_CENTS, asked, in_tune
from oscservice.session.commands import Ignored
from oscservice.session.state import State
from oscservice.session.words import Phase, Status

SURE_ENOUGH_CENTS = 2.5
"""A reading whose own standard error is larger is no evidence for a comparison."""

WRONG_PLACE_CENTS = 50.0
"""A stopped note further than this from where the open string puts it lies nearer to another fret."""

UNASKED_CENTS = 60.0
"""A note further than this from an open string that nobody asked for is not taken for that string."""

SLACK_CENTS = -150.0
SLACKEST_CENTS = -3600.0
AT_PITCH_CENTS = 150.0


def heard(state: State, command: cm.Hear) -> list[ev.Event]:
    """The events that follow from a note. Raises Ignored when it is no evidence."""
    reading, instrument = command.reading, state.instrument
    if instrument is None or state.phase in (Phase.IDLE, Phase.INSPECTING, Phase.CLOSED):
        raise Ignored("no string is waited for in this phase")
    if not state.listening:
        raise Ignored("not listening")
    if not _sound(reading):
        raise Ignored("a reading that is no number")
    if command.only_string is not None and command.only_string not in state.numbers:
        raise Ignored(f"channel {command.only_string} has no string on this instrument")
    if state.phase is Phase.MOVING:
        return _while_moving(state, instrument, command)
    waited = asked(state)
    found = _identified(state, instrument, reading.f1_hz, command.only_string)
    if found is None:
        raise Ignored(f"{reading.f1_hz:.1f} Hz is near no string that is waited for")
    if state.phase in (Phase.TUNING, Phase.RETUNING):
        if found.place != OPEN and (found.string, found.place) != waited:
            raise Ignored("only open strings are tuned")
        if found.string != state.focus and in_tune(state.string(found.string)) and abs(found.cents) > UNASKED_CENTS:
            raise Ignored(f"{reading.f1_hz:.1f} Hz is no string that was in tune: is string {state.focus} far off?")
        _need_sure(reading, UNSURE_LIMIT_CENTS)
        # The string that is plucked is the string that is being tuned.
        follow: list[ev.Event] = [ev.Focused(found.string, "")] if found.string != state.focus else []
        return [*follow, _taken(found, reading)]
    if found.string != state.focus:
        if abs(found.cents) > UNASKED_CENTS:
            raise Ignored(f"{reading.f1_hz:.1f} Hz is near no string that is waited for")
        return [_taken(found, reading)]
    _need_sure(reading, SURE_ENOUGH_CENTS)
    return [_taken(found, reading)]


def _identified(state: State, instrument: Instrument, f1_hz: float, only: int | None) -> Assignment | None:
    """String and place of a note: what was asked for, an open string, or the fret compared at once more."""
    waited = asked(state)
    if state.phase in (Phase.TUNING, Phase.RETUNING):
        return assign(instrument, f1_hz, waited, only, asked_from_cents=NEW_STRING_CENTS)
    found = assign(instrument, f1_hz, waited, only)
    fret = Place("fret", state.fret)
    again = state.phase in (Phase.COMPARING, Phase.PROVING) and waited == (state.focus, OPEN)
    if again and state.string(state.focus).plucks and (found is None or abs(found.cents) > UNASKED_CENTS):
        fretted = assign(instrument, f1_hz, (state.focus, fret), only)
        if fretted is not None and fretted.place == fret and (found is None or abs(fretted.cents) < abs(found.cents)):
            found = fretted
    if found is not None and found.place != OPEN:
        open_cents = state.string(found.string).open_cents or 0.0
        if abs(found.cents - open_cents) > WRONG_PLACE_CENTS:
            raise Ignored(
                f"string {found.string} at {found.place} would be {found.cents - open_cents:+.0f} cents off: "
                "another place, it seems"
            )
    return found


def _while_moving(state: State, instrument: Instrument, command: cm.Hear) -> list[ev.Event]:
    """While a saddle is being moved only two things count: the string has been slackened, or it is back at pitch."""
    reading, number = command.reading, state.focus
    if command.only_string not in (None, number):
        raise Ignored(f"string {number} is being moved; other strings are no evidence now")
    own = cents_between(reading.f1_hz, instrument.open_hz(number))
    string = state.string(number)
    if string.status is Status.TO_MOVE and instrument.bridge.slacken:
        if abs(own) <= AT_PITCH_CENTS:
            raise Ignored(f"string {number} is still at pitch; slacken it before its saddle is moved")
        others = [abs(cents_between(reading.f1_hz, instrument.open_hz(n))) for n in state.numbers if n != number]
        alone = command.only_string == number or min(others, default=math.inf) > UNASKED_CENTS
        if SLACKEST_CENTS < own < SLACK_CENTS and alone:
            return [ev.StringSlackened(number, heard=True)]
        raise Ignored("another string, or a sound that is no string")
    if abs(own) > AT_PITCH_CENTS:
        raise Ignored(f"string {number} is not back at pitch")
    mm = string.advice.mm if string.advice is not None else 0.0
    back = ev.SaddleMoved(number, mm, told=False)
    return [back, _taken(Assignment(number, OPEN, own, 1.0), reading)]


def _taken(found: Assignment, reading: Reading) -> ev.ReadingTaken:
    return ev.ReadingTaken(
        found.string,
        str(found.place),
        reading.f1_hz,
        reading.se_cents,
        reading.level_dbfs,
        found.cents,
        reading.attack_cents,
        reading.inharmonicity,
        inharmonicity_se=_known(reading.inharmonicity_se),
        string_hz=_known(reading.string_hz),
        string_se_cents=_known(reading.string_se_cents),
        strength_db=_known(reading.strength_db),
        flags=", ".join(reading.flags),
    )


def _known(number: float) -> float | None:
    """The number, or None for what is none: an event holds no infinity."""
    return number if math.isfinite(number) else None


def _need_sure(reading: Reading, limit_cents: float) -> None:
    if reading.se_cents > limit_cents:
        raise Ignored(f"the reading is unsure by {reading.se_cents:.1f} cents; let the note ring longer")


def _sound(reading: Reading) -> bool:
    numbers = (reading.f1_hz, reading.se_cents, reading.level_dbfs, reading.attack_cents, reading.inharmonicity)
    return all(math.isfinite(number) for number in numbers) and reading.f1_hz > 0.0 and reading.se_cents >= 0.0
