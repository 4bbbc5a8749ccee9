"""Events: what can happen in a session. They are facts: stored, replayed, never refused.

Every field is a number, a text or a truth value, so an event and its JSON body are the same thing.

A ``concluded`` field holds what was calculated from the event and the state before it: an estimate, a prediction, a
choice. ``session.conclude`` fills these fields once, when the event is made; replay copies them. They are None, and
missing in the JSON body, where nothing was calculated and in journals of older versions. Their texts are read and
written by ``session.event_values``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from functools import partial
from typing import Any, TypeVar

_CONCLUDED = "concluded"
_conclusion = partial(field, default=None, metadata={_CONCLUDED: True})


@dataclass(frozen=True)
class StringJudged:
    """A comparison led to a decision: the string's new status, and the advice when it is to move.

    ``ambiguity_cents``: the error by the string pitches less ``error_cents``, None if unknown;
    ``ambiguity_mm``: how much further from the nut the saddle would go by them; ``ambiguous``: it matters.
    ``left_cents``: what the move, as far as it can be made, should leave of the error; None without a move.
    ``pluck_scatter``: how plucks scatter, ``strength_slope``: pitch against strength, as known after this comparison.
    """

    string: int
    status: str
    error_cents: float
    se_cents: float
    plucks: int
    scatter_cents: float
    move_mm: float = 0.0
    move_se_mm: float = 0.0
    turns: float | None = None
    direction: str = "stay"
    room_mm: float = 0.0
    missing_mm: float = 0.0
    ambiguity_cents: float | None = None
    ambiguity_se_cents: float = 0.0
    ambiguity_mm: float | None = None
    ambiguous: bool = False
    left_cents: float | None = None
    pluck_scatter: str | None = _conclusion()
    strength_slope: str | None = _conclusion()


@dataclass(frozen=True)
class StringSurveyed:
    """A string's errors over the frets, the saddle where it is (``session.survey``, JSON); see ``StringJudged``."""

    string: int
    survey: str
    pluck_scatter: str | None = _conclusion()
    strength_slope: str | None = _conclusion()


@dataclass(frozen=True)
class CauseNamed:
    """A cause other than the saddle's place explains the errors (``advice.causes.Finding``, JSON)."""

    finding: str


@dataclass(frozen=True)
class CausesTested:
    """The pattern of all strings was compared with the causes; ``wait``: some were named, and somebody has to look."""

    wait: bool


@dataclass(frozen=True)
class SurveyExtended:
    """A cause is still unclear: every fret is plucked so many times in all before causes are tested again."""

    plucks: int
    why: str


@dataclass(frozen=True)
class CausesSeen:
    """Somebody has taken note of what was named."""


@dataclass(frozen=True)
class StringOverruled:
    """The string is advised on, whatever cause was named."""

    string: int


@dataclass(frozen=True)
class ResponseLearnt:
    """Effect of a move: the expected change of the error by geometry, the one heard, and its standard error in cents.

    ``oddity`` says why they may differ by more than a fifth, or is empty. ``response``: how the string responds to
    moves, as known after this one.
    """

    string: int
    geometric_cents: float
    heard_cents: float
    se_cents: float
    oddity: str = ""
    response: str | None = _conclusion()


@dataclass(frozen=True)
class ScatterFound:
    """The plucks of a comparison scatter too much; they are dropped and it starts again."""

    string: int
    scatter_cents: float


@dataclass(frozen=True)
class StepBegun:
    """A command or a heard note starts a step; undo takes back everything from here on.

    ``held``: in a session by hand, the step that waits for the technician once this one is done.
    """

    what: str
    held: str | None = _conclusion()


@dataclass(frozen=True)
class SessionBegun:
    """A session on ``instrument`` (its JSON).

    ``fret`` is where errors are summed up, ``frets`` what is compared (``advice.compared_frets``); empty in older
    journals, where ``fret`` alone was. ``day`` it began on, as 2026-11-25; ``previous``: the instrument (its JSON) as
    its last session left it. Empty if not known. ``against``: the sealed session that a quick check compares with
    (``session.setup_summary``, JSON); empty for a set-up. ``by_hand``: nothing advances by itself. ``items``: the
    inspection items, blanks between; empty in older journals (``vocabulary.FIRST_ITEMS``). ``balance``: what is assumed
    of a spring-balanced bridge before anything is heard.
    """

    instrument: str
    label: str
    tolerance_cents: float
    fret: int
    frets: str = ""
    day: str = ""
    previous: str = ""
    against: str = ""
    by_hand: bool = False
    items: str = ""
    balance: str | None = _conclusion()


@dataclass(frozen=True)
class ItemInspected:
    item: str
    verdict: str
    note: str


@dataclass(frozen=True)
class ItemMeasured:
    """A value was measured for an inspection item, mm; ``text`` compares it with what is wanted.

    ``left``: it is as the work leaves it, measured after the inspection; the comparisons go on with the instrument as
    it was. ``instrument_change``: what it changes of the instrument; ``waits``: its item passed before and waits again.
    """

    item: str
    what: str
    value_mm: float
    text: str
    left: bool = False
    instrument_change: str | None = _conclusion()
    waits: bool | None = _conclusion()


@dataclass(frozen=True)
class StringsFitted:
    """The strings were put on on ``day``; ``text`` says how old they are, if that is known.

    ``waits``: the inspection item passed before and waits again.
    """

    day: str
    text: str
    waits: bool | None = _conclusion()


@dataclass(frozen=True)
class StringsDescribed:
    """The hours that the strings were played, and whether they are stretched in; None for what was not told.

    ``text`` says the same in words. ``waits``: the inspection item passed before and waits again.
    """

    hours_played: float | None = None
    stretched_in: bool | None = None
    text: str = ""
    waits: bool | None = _conclusion()


@dataclass(frozen=True)
class ChangeNoticed:
    """Something is different since the instrument's last session; ``text`` says what, and what to expect of it."""

    what: str
    text: str


@dataclass(frozen=True)
class PhaseEntered:
    phase: str


@dataclass(frozen=True)
class Focused:
    """Attention goes to a string; ``place`` is asked for once, or empty to follow the work."""

    string: int
    place: str


@dataclass(frozen=True)
class ReadingTaken:
    """A note became evidence; ``cents`` is its deviation from the place's nominal pitch.

    ``string_hz`` is the string pitch, ``flags`` those of the reading with commas between, ``onset_s`` its pluck in
    seconds of what was listened to. None stands for what is not known; the fields with a default are missing in
    older journals. ``sound``: what is kept of the note (``record.kept_sound``, JSON); empty if nothing is.

    ``counted``: it is a pluck of the string's comparison. ``strayed``: it has the pitch that was asked for, but is
    another string or place. ``learnt_stiffness``: B of the open string, as known after it. ``harmonic``: what the
    harmonic says beside the last open note. ``balance``: a spring-balanced bridge after it.
    """

    string: int
    place: str
    f1_hz: float
    se_cents: float
    level_dbfs: float
    cents: float
    attack_cents: float
    inharmonicity: float
    inharmonicity_se: float | None = None
    string_hz: float | None = None
    string_se_cents: float | None = None
    strength_db: float | None = None
    flags: str = ""
    onset_s: float | None = None
    sound: str = ""
    counted: bool | None = _conclusion()
    strayed: bool | None = _conclusion()
    learnt_stiffness: str | None = _conclusion()
    harmonic: str | None = _conclusion()
    balance: str | None = _conclusion()


@dataclass(frozen=True)
class ReadingDoubted:
    """A note fits two strings or places, and waits: it is no evidence until somebody says which.

    ``first`` and ``second`` are the bodies, as JSON, of the ReadingTaken it would be, the likelier first.
    """

    first: str
    second: str
    probability: float
    second_probability: float


@dataclass(frozen=True)
class ReadingDiscarded:
    """The string's last pluck is taken out of its comparison; string 0: the note in doubt is dropped."""

    string: int


@dataclass(frozen=True)
class TunedByHand:
    """The technician says the string is in tune. ``balance``: a spring-balanced bridge after it."""

    string: int
    balance: str | None = _conclusion()


@dataclass(frozen=True)
class TargetsSet:
    """Spring-balanced bridge: where each open string should be now, in cents from its pitch, so that all end at pitch
    when the ``awaiting`` ones are brought to theirs in turn (``advice.floating_bridge``).

    ``goal_cents`` is where the round should end, ``share`` of the way to pitch: less than 1 where all of it would
    strain a string. Cents by string number and numbers of strings, blanks between.
    """

    targets_cents: str
    goal_cents: str
    awaiting: str
    share: float = 1.0


@dataclass(frozen=True)
class StringSlackened:
    """The string was slackened; ``heard`` when the daemon heard it. ``balance``: a spring-balanced bridge after it."""

    string: int
    heard: bool
    balance: str | None = _conclusion()


@dataclass(frozen=True)
class SaddleMoved:
    """The string's saddle moved by ``mm``; ``told`` when the technician said so, else taken from the advice.

    ``outcomes``: what the move should leave of every string's error that it moves. ``balance``: a spring-balanced
    bridge after it. ``as_found``: remaining errors, before the move, of the strings that were never moved before.
    """

    string: int
    mm: float
    told: bool
    outcomes: str | None = _conclusion()
    balance: str | None = _conclusion()
    as_found: str | None = _conclusion()


@dataclass(frozen=True)
class FineTunersCentred:
    """Every fine tuner is in the middle of its range; ``heard``: a pluck said so, else the technician."""

    heard: bool


@dataclass(frozen=True)
class NutClamped:
    """The clamps of the locking nut were closed or opened; see FineTunersCentred. Every string may have another pitch.

    ``balance``: a spring-balanced bridge after it.
    """

    closed: bool
    heard: bool
    balance: str | None = _conclusion()


@dataclass(frozen=True)
class ActionChecked:
    """The action was measured again after long moves of saddles; see FineTunersCentred."""

    heard: bool


@dataclass(frozen=True)
class SaddleMeasured:
    """The saddle is ``at_mm`` from a fixed edge, + away from the nut."""

    string: int
    at_mm: float


@dataclass(frozen=True)
class MissedStepNoticed:
    """A step was left out or done wrongly, by what was heard or reported (``vocabulary.MissedStep``).

    ``wanted`` and ``found``: the change that was asked for and the one found: mm of a saddle, else cents of a string.
    ``read``: a saddle's place was read before and after, so its move is known without this.
    """

    what: str
    string: int
    wanted: float
    found: float
    read: bool = False


@dataclass(frozen=True)
class StringProved:
    """The last pass found the string within tolerance; see ``StringJudged``."""

    string: int
    error_cents: float
    se_cents: float
    plucks: int
    scatter_cents: float
    ambiguity_cents: float | None = None
    ambiguity_se_cents: float = 0.0
    pluck_scatter: str | None = _conclusion()
    strength_slope: str | None = _conclusion()


@dataclass(frozen=True)
class PlucksForeseen:
    """So many more plucks are expected for the present work on a string; ``why`` they became more, empty if they did
    not."""

    string: int
    left: int
    why: str


@dataclass(frozen=True)
class HarmonicPassedOver:
    """The last pass of a string goes without its harmonic."""

    string: int


@dataclass(frozen=True)
class StringReopened:
    """The string is compared again; ``afresh``: what was heard of it and named before no longer counts."""

    string: int
    why: str
    afresh: bool = False


@dataclass(frozen=True)
class StringSetAside:
    string: int
    reason: str


@dataclass(frozen=True)
class StringChecked:
    """A quick check's verdict on a string (``vocabulary.Check``, ``vocabulary.Drift``), what has changed since the
    session it is compared with, and the comparison that says so; see ``StringJudged``."""

    string: int
    verdict: str
    what: str
    tuning_cents: float
    tuning_se_cents: float
    intonation_cents: float
    intonation_se_cents: float
    error_cents: float
    se_cents: float
    plucks: int
    scatter_cents: float
    pluck_scatter: str | None = _conclusion()
    strength_slope: str | None = _conclusion()


@dataclass(frozen=True)
class ByHandSet:
    on: bool


@dataclass(frozen=True)
class ListeningSet:
    on: bool


@dataclass(frozen=True)
class SessionClosed:
    """The session ended; ``as_left``: remaining errors of every string that was compared."""

    outcome: str
    as_left: str | None = _conclusion()


@dataclass(frozen=True)
class TakenBack:
    """The last step is taken back."""


Event = (
    StepBegun
    | SessionBegun
    | ItemInspected
    | ItemMeasured
    | StringsFitted
    | StringsDescribed
    | ChangeNoticed
    | PhaseEntered
    | Focused
    | ReadingTaken
    | ReadingDoubted
    | ReadingDiscarded
    | TunedByHand
    | TargetsSet
    | StringJudged
    | StringSurveyed
    | CauseNamed
    | CausesTested
    | SurveyExtended
    | CausesSeen
    | StringOverruled
    | ResponseLearnt
    | ScatterFound
    | StringSlackened
    | SaddleMoved
    | FineTunersCentred
    | NutClamped
    | ActionChecked
    | SaddleMeasured
    | MissedStepNoticed
    | StringProved
    | PlucksForeseen
    | HarmonicPassedOver
    | StringReopened
    | StringSetAside
    | StringChecked
    | ByHandSet
    | ListeningSet
    | SessionClosed
    | TakenBack
)

_KINDS: dict[str, type] = {kind.__name__: kind for kind in Event.__args__}
_CONCLUSIONS: dict[type, tuple[str, ...]] = {
    kind: tuple(one.name for one in fields(kind) if _CONCLUDED in one.metadata) for kind in Event.__args__
}

_AnyEvent = TypeVar("_AnyEvent", bound=Event)


def without_conclusions(event: _AnyEvent) -> _AnyEvent:
    """The event as it was before anything was concluded from it."""
    names: dict[str, Any] = dict.fromkeys(_CONCLUSIONS[type(event)])
    return replace(event, **names) if names else event


def to_body(event: Event) -> tuple[str, dict[str, Any]]:
    """Kind and JSON body of an event."""
    body = dict(vars(event))
    for name in _CONCLUSIONS[type(event)]:
        if body[name] is None:
            del body[name]
    return type(event).__name__, body


def from_body(kind: str, body: dict[str, Any]) -> Event:
    """The event of a kind and body.

    Raises:
        ValueError: unknown kind, or a body that doesn't fit it.
    """
    if kind not in _KINDS:
        raise ValueError(f"unknown event {kind!r}")
    try:
        event: Event = _KINDS[kind](**body)
    except TypeError as error:
        raise ValueError(f"event {kind} does not fit: {error}") from None
    return event
