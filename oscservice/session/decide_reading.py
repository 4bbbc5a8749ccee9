"""A note that was heard: which string and place it is, and the events that follow in each phase."""

from __future__ import annotations

import json
import math
from dataclasses import replace

from oscservice.advice.comparison import harmonic_rise_cents
from oscservice.hearing.note_identity import (
    ASKED_ODDS,
    ASKED_SD_CENTS,
    FARTHEST_CENTS,
    NEW_STRING_CENTS,
    Assignment,
    KnownString,
    NoteIdentity,
    identify,
)
from oscservice.hearing.reading import Reading, finite_or_none
from oscservice.instrument.courses import alike
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, cents_between
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Ignored, Refused
from oscservice.session.hand_steps import left_slack, must_be_slack, opened_first
from oscservice.session.missed_steps import after_tuning, not_slack, still_stretching
from oscservice.session.next_pluck import TUNING_WINDOW_CENTS, UNSURE_LIMIT_CENTS, asked, in_tune, pattern_of, unclear
from oscservice.session.state import DoubtfulReading, State
from oscservice.session.string_state import StringState
from oscservice.session.survey import stiffness_of
from oscservice.session.vocabulary import Phase, Status, place_text

PITCH_RANGE_HZ = (10.0, 20_000.0)
"""Pitches that a reading can have: from well below any string, which nobody hears as a tone, to the highest audible."""

SURE_SHARE = 0.8
"""A note is taken for its likeliest string and place if that is at least four times as likely as the second."""

SAME_NOTE_CENTS = 50.0
"""A note this near the one in doubt is the answer to the question which it was."""

_TUNING = (Phase.PREPARING, Phase.TUNING, Phase.MOVING, Phase.RETUNING, Phase.SECURING)
_FAR_OFF = (*_TUNING, Phase.CHECKING)  # what is asked for may be far from its pitch
_HEARD_SD_CENTS = 15.0  # how far an open string strays from where it was heard
_BY_HAND_SD_CENTS = 30.0  # or from its pitch, if the technician says it is in tune
_ASKED_AGAIN = 10.0  # times likelier is what was asked for once the question was put


def identified(
    state: State,
    f1_hz: float,
    inharmonicity: float = 0.0,
    inharmonicity_se: float = math.inf,
    only_string: int | None = None,
) -> NoteIdentity:
    """String and place of a note of this first partial (Hz) and B, with probabilities; see ``hearing.note_identity``.

    While strings are tuned, every open string; after that, the frets compared at too.
    """
    assert state.instrument is not None
    tuning = state.phase in _TUNING
    return identify(
        state.instrument,
        f1_hz,
        inharmonicity=inharmonicity,
        inharmonicity_se=inharmonicity_se,
        asked=asked(state),
        only_string=only_string,
        also=() if tuning else tuple(Place("fret", fret) for fret in state.played.frets),
        known={n: _known(state, n) for n in state.numbers},
        asked_from_cents=NEW_STRING_CENTS if state.phase in _FAR_OFF else -FARTHEST_CENTS,
        asked_odds=ASKED_ODDS * (_ASKED_AGAIN if answers(state, f1_hz) else 1.0),
    )


def answers(state: State, f1_hz: float) -> bool:
    """True if a note is the note in doubt, plucked again."""
    return state.doubt is not None and abs(cents_between(f1_hz, state.doubt.first.f1_hz)) <= SAME_NOTE_CENTS


def close(identity: NoteIdentity) -> bool:
    """True if the two most probable answers are too close to choose without asking."""
    best, rival = identity.best, identity.rival
    if best is None or rival is None:
        return False
    return best.probability < SURE_SHARE * (best.probability + rival.probability)


def _known(state: State, number: int) -> KnownString:
    string = state.string(number)
    at_hand = number == state.focus
    turned, unknown = state.phase in _TUNING and at_hand, state.phase is Phase.CHECKING and at_hand
    cents, sd_cents = _open_pitch(string, turned=turned, unknown=unknown)
    return KnownString(cents, sd_cents, string.learnt_stiffness)


def _open_pitch(string: StringState, *, turned: bool, unknown: bool) -> tuple[float, float]:
    """The pitch where an open string should be, in cents from its nominal one, and 1 sd.

    ``turned``: its peg is being turned; ``unknown``: until it is heard, it may be as far off as if it were turned.
    """
    if turned and string.open_cents is None:
        return string.target_cents, ASKED_SD_CENTS
    if turned and string.open_cents is not None and (in_tune(string) or not unclear(string)):
        # A peg is turned by about as much as the string was off.
        off = string.open_cents - string.target_cents
        return string.target_cents, min(ASKED_SD_CENTS, math.hypot(_HEARD_SD_CENTS, off))
    if string.open_cents is not None:
        return string.open_cents, math.hypot(_HEARD_SD_CENTS, string.unsure_cents)
    if unknown:
        return 0.0, ASKED_SD_CENTS
    return 0.0, _BY_HAND_SD_CENTS if string.in_tune_by_hand else KnownString().sd_cents


SURE_ENOUGH_CENTS = 2.5
"""A reading whose own standard error is larger is no evidence for a comparison."""

SHORT_LIMIT_CENTS = 1.0
"""A short note is evidence only if it is as sure as this: a word spoken holds its pitch for as long, but less well."""

WRONG_PLACE_CENTS = 50.0
"""A stopped note further than this from where the open string puts it lies nearer to another fret."""

UNASKED_CENTS = 60.0
"""A note further than this from an open string that nobody asked for is not taken for that string."""

HIGHEST_SHARED, SHARED_CENTS = 10, 30.0
"""A lower string's partials up to this one, this near to what was asked for, may be that note and not the string's."""

OCTAVE_FRET, PRESSED_CENTS = 12, 3.0
"""A harmonic further than this from the open octave may have been that fret, pressed down: it is asked which."""

SLACK_CENTS = -150.0
SLACKEST_CENTS = -3600.0
AT_PITCH_CENTS = 150.0


def decide_reading(state: State, command: cm.Hear) -> list[ev.Event]:
    """The events that follow from a note. Raises Ignored when it is no evidence."""
    reading, instrument = command.reading, state.instrument
    assert instrument is not None
    if not state.listening:
        raise Ignored("not listening")
    impossible = _impossible(reading)
    if impossible is not None:
        raise Ignored(impossible)
    if command.only_string is not None and command.only_string not in state.numbers:
        raise Ignored(f"channel {command.only_string} has no string on this instrument")
    if state.phase is Phase.MOVING and state.by_hand:
        raise Ignored(f"the saddle of string {state.focus} is being moved; report the slack string, then the move")
    if state.phase is Phase.MOVING:
        return _while_moving(state, instrument, command)
    identity = identified(state, reading.f1_hz, reading.inharmonicity, reading.inharmonicity_se, command.only_string)
    if identity.best is None:
        raise Ignored(f"{reading.f1_hz:.1f} Hz matches no string that is expected now")
    taken = _taken(identity.best, command)
    wanted = _wanted(state, identity)
    if wanted is not None and wanted != identity.best and state.strayed:
        # The second note in a row of that pitch that seems to be another string: the player may know better.
        if answers(state, reading.f1_hz):
            return _used(state, _taken(wanted, command))
        if _usable(state, _taken(wanted, command)):
            return [_doubted(taken, _taken(wanted, command), identity.best, wanted)]
    pressed = wanted is not None and wanted == identity.best and _may_be_fretted(state, taken)
    if wanted is not None and pressed and not answers(state, reading.f1_hz) and _usable(state, taken):
        fretted = replace(wanted, place=Place("fret", OCTAVE_FRET), probability=0.5)
        return [_doubted(taken, _taken(fretted, command), replace(wanted, probability=0.5), fretted)]
    if identity.rival is not None and close(identity) and not answers(state, reading.f1_hz):
        if wanted is not None and _only_its_double(state, identity, wanted):
            return _used(state, _taken(wanted, command))
        second = _taken(identity.rival, command)
        _need_sure(taken, UNSURE_LIMIT_CENTS if _tuning(state) else SURE_ENOUGH_CENTS)
        if _usable(state, second):
            return [_doubted(taken, second, identity.best, identity.rival)]
    return _used(state, taken)


def _only_its_double(state: State, identity: NoteIdentity, wanted: Assignment) -> bool:
    """True if a note could be what was asked for, or the same on another string of its pitch: such strings sound alike,
    and a technician plucks the one that was asked for.

    Only a string that was never heard may really have been taken for the other one: if that sounded just so before.
    """
    assert state.instrument is not None
    other = identity.rival if identity.best == wanted else identity.best
    if other is None or wanted not in (identity.best, identity.rival) or other.place != wanted.place:
        return False
    heard_cents = state.string(other.string).open_cents
    unheard = state.phase is Phase.TUNING and state.string(wanted.string).open_cents is None
    if unheard and heard_cents is not None and abs(other.cents - heard_cents) <= TUNING_WINDOW_CENTS:
        return False
    return alike(state.instrument, wanted.string, other.string)


def _may_be_fretted(state: State, taken: ev.ReadingTaken) -> bool:
    """True if a harmonic is so far from the open octave that it may have been the fret, pressed down: both have the
    same partials, and a string would be called uneven without reason."""
    string = state.string(taken.string)
    if Place.parse(taken.place) != HARMONIC or string.open_cents is None:
        return False
    octave_cents = string.open_cents + harmonic_rise_cents(stiffness_of(string))
    return abs(taken.cents - octave_cents) > PRESSED_CENTS


def _wanted(state: State, identity: NoteIdentity) -> Assignment | None:
    """The string and place that were asked for, if the note may be that."""
    waited = asked(state)
    return next((one for one in identity.likely if (one.string, one.place) == waited), None)


def decide_doubt(state: State, doubt: DoubtfulReading, string: int, place: Place) -> list[ev.Event]:
    """The events that follow when somebody says which string the note in doubt was. Raises Refused if it can't be."""
    assert state.instrument is not None
    cents = cents_between(doubt.first.f1_hz, state.instrument.place_hz(string, place))
    if not NEW_STRING_CENTS <= cents <= FARTHEST_CENTS:
        off = f"{doubt.first.f1_hz:.1f} Hz would be {cents:+.0f} cents off"
        raise Refused("range", f"it can't have been {place_text(string, place)}: {off}")
    taken = replace(doubt.first, string=string, place=str(place), cents=cents)
    try:
        return _used(state, taken)
    except Ignored:
        return [ev.ReadingDiscarded(0)]  # what it was is known now, and nothing that is waited for


def _used(state: State, taken: ev.ReadingTaken) -> list[ev.Event]:
    """The events that follow from a reading of a string and place. Raises Ignored when it is no evidence."""
    place, number = Place.parse(taken.place), taken.string
    asked_for = (number, place) == asked(state)
    if _tuning(state):
        if place != OPEN and not asked_for:
            raise Ignored("only open strings are tuned")
        if number != state.focus and in_tune(state.string(number)) and abs(taken.cents) > UNASKED_CENTS:
            raise Ignored(f"{taken.f1_hz:.1f} Hz matches no tuned string: is string {state.focus} far out of tune?")
        known = state.string(number).open_cents
        if number != state.focus and known is not None and abs(taken.cents - known) <= UNSURE_LIMIT_CENTS:
            _need_own(state, taken)
        _need_sure(taken, UNSURE_LIMIT_CENTS)
        # The string that is plucked is the string that is being tuned.
        other = number != state.focus and not state.by_hand
        follow: list[ev.Event] = [ev.Focused(number, "")] if other else []
        return [*follow, taken, *after_tuning(state, taken)]
    if number != state.focus:
        if place != OPEN or abs(taken.cents) > UNASKED_CENTS:
            raise Ignored(f"{taken.f1_hz:.1f} Hz matches no string that is expected now")
        _need_own(state, taken)
        _need_sure(taken, UNSURE_LIMIT_CENTS)
        return [taken]
    if place != OPEN and not asked_for:
        if place not in pattern_of(state, number).stopped:
            raise Ignored(f"{place_text(number, place)} is not expected now")
        if not state.string(number).plucks:
            raise Ignored(f"{place_text(number, place)}: pluck it open first")
    off_cents = taken.cents - (state.string(number).open_cents or 0.0)
    if place != OPEN and abs(off_cents) > WRONG_PLACE_CENTS:
        raise Ignored(f"{_sounds_like(state, taken)}: another place than {place_text(number, place)}")
    _need_sure(taken, SURE_ENOUGH_CENTS)
    return [taken, *still_stretching(state, taken)]


def need_clear(reading: Reading) -> None:
    """Refuse a note that can't be a string's, or is too uncertain to be one. Raises Ignored."""
    impossible = _impossible(reading)
    if impossible is not None:
        raise Ignored(impossible)
    if reading.se_cents > UNSURE_LIMIT_CENTS:
        raise Ignored(f"the reading is uncertain by {reading.se_cents:.1f} cents; let the note ring longer")


def _need_own(state: State, taken: ev.ReadingTaken) -> None:
    """Refuse a string nobody asked for if the pitch asked for is one of its partials: it may only ring along. Raises
    Ignored."""
    waited = asked(state)
    if waited is None:  # a cause waits to be seen: nothing was asked for that could sound along
        return
    assert state.instrument is not None
    asked_hz = state.instrument.place_hz(*waited)
    partial = round(asked_hz / taken.f1_hz)
    if 2 <= partial <= HIGHEST_SHARED and abs(cents_between(asked_hz, partial * taken.f1_hz)) <= SHARED_CENTS:
        raise Ignored(f"string {taken.string} may only ring along with {place_text(*waited)}; mute it, and pluck again")


def _sounds_like(state: State, taken: ev.ReadingTaken) -> str:
    """The place on its string whose pitch a note is nearest to, in words; for one that has none such, its pitch."""
    assert state.instrument is not None
    above_cents = taken.cents + state.instrument.string(taken.string).interval_cents(Place.parse(taken.place))
    fret = round((above_cents - (state.string(taken.string).open_cents or 0.0)) / 100.0)
    if not 0 <= fret <= state.instrument.frets:
        return f"{taken.f1_hz:.1f} Hz"
    return f"that sounds like {place_text(taken.string, Place('fret', fret) if fret else OPEN)}"


def _tuning(state: State) -> bool:
    return state.phase in (Phase.TUNING, Phase.RETUNING)


def _usable(state: State, taken: ev.ReadingTaken) -> bool:
    try:
        _used(state, taken)
    except Ignored:
        return False
    return True


def _doubted(first: ev.ReadingTaken, second: ev.ReadingTaken, best: Assignment, rival: Assignment) -> ev.ReadingDoubted:
    body, second_body = (json.dumps(ev.to_body(one)[1], allow_nan=False) for one in (first, second))
    return ev.ReadingDoubted(body, second_body, best.probability, rival.probability)


def _while_moving(state: State, instrument: Instrument, command: cm.Hear) -> list[ev.Event]:
    """While a saddle is moved only two things count: the string was slackened, or it is back at pitch. One that stays
    slack for the next saddle is plucked slack."""
    reading, number = command.reading, state.focus
    if command.only_string not in (None, number):
        raise Ignored(f"string {number} is being moved; other strings do not count now")
    own = cents_between(reading.f1_hz, instrument.open_hz(number))
    string = state.string(number)
    if string.status is Status.TO_MOVE and must_be_slack(state, number):
        if abs(own) <= AT_PITCH_CENTS:
            return not_slack(state, own)
        others = [abs(cents_between(reading.f1_hz, instrument.open_hz(n))) for n in state.numbers if n != number]
        alone = command.only_string == number or min(others, default=math.inf) > UNASKED_CENTS
        if SLACKEST_CENTS < own < SLACK_CENTS and alone:
            _need_sure(_taken(Assignment(number, OPEN, own, 1.0), command), UNSURE_LIMIT_CENTS)
            return [*opened_first(state, heard=True), ev.StringSlackened(number, heard=True)]
        raise Ignored("another string, or no string")
    mm = string.advice.mm if string.advice is not None else 0.0
    back = ev.SaddleMoved(number, mm, told=False)
    if SLACKEST_CENTS < own < SLACK_CENTS and left_slack(state, number, heard=True):
        _need_sure(_taken(Assignment(number, OPEN, own, 1.0), command), UNSURE_LIMIT_CENTS)
        return [back, *left_slack(state, number, heard=True)]
    if abs(own) > AT_PITCH_CENTS:
        raise Ignored(f"string {number} is not back at pitch")
    return [*opened_first(state, heard=True), back, _taken(Assignment(number, OPEN, own, 1.0), command)]


def _taken(found: Assignment, command: cm.Hear) -> ev.ReadingTaken:
    reading = command.reading
    return ev.ReadingTaken(
        found.string,
        str(found.place),
        reading.f1_hz,
        reading.se_cents,
        reading.level_dbfs,
        found.cents,
        reading.attack_cents,
        reading.inharmonicity,
        inharmonicity_se=finite_or_none(reading.inharmonicity_se),
        string_hz=finite_or_none(reading.string_hz),
        string_se_cents=finite_or_none(reading.string_se_cents),
        strength_db=finite_or_none(reading.strength_db),
        flags=", ".join(reading.flags),
        onset_s=command.onset_s,
        sound=command.sound,
    )


def _need_sure(taken: ev.ReadingTaken, limit_cents: float) -> None:
    if "short" in taken.flags.split(", "):
        limit_cents = min(limit_cents, SHORT_LIMIT_CENTS)
    if taken.se_cents > limit_cents:
        raise Ignored(f"the reading is uncertain by {taken.se_cents:.1f} cents; let the note ring longer")


def _impossible(reading: Reading) -> str | None:
    """The reason why a reading can't be that of a string, in one line; None if it can."""
    low_hz, high_hz = PITCH_RANGE_HZ
    numbers = (reading.f1_hz, reading.se_cents, reading.level_dbfs, reading.attack_cents, reading.inharmonicity)
    if not all(math.isfinite(number) for number in numbers):
        return "a reading that is no number"
    for hz in (reading.f1_hz, finite_or_none(reading.string_hz)):
        if hz is not None and not low_hz <= hz <= high_hz:
            return f"{hz:g} Hz is not the pitch of a string; expected {low_hz:g} to {high_hz:g} Hz"
    return None if reading.se_cents >= 0.0 else f"a standard error of {reading.se_cents:g} cents; expected 0 or more"
