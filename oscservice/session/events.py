"""Events: what can happen in a session. They are stored and replayed, and never refused.

Events that say what comparisons have come to: judgements, surveys, causes, answers to moves. Parts of ``events``.

What can happen in a session. Events are facts: they are stored, replayed and never refused.

Every field is a number, a text or a truth value, so that an event and its JSON body are the same thing.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class StringJudged:
    """A comparison led to a decision: the string's new status, and the advice when it is to move.

    ``ambiguity_cents``: the error by the string pitches less ``error_cents``, None when it could not be told;
    ``ambiguity_mm``: how much further from the nut the saddle would go by them; ``ambiguous``: it matters.
    ``left_cents``: what the move, as far as it can be made, should leave of the error; None without a move.
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


@dataclass(frozen=True)
class StringSurveyed:
    """What a string's errors over the frets are with its saddle where it stands (``session.surveying``, JSON)."""

    string: int
    survey: str


@dataclass(frozen=True)
class CauseNamed:
    """A cause other than a saddle's place stands behind the errors (``advice.finding.Finding``, JSON)."""

    finding: str


@dataclass(frozen=True)
class CausesTested:
    """The pattern of all strings was held against the causes; ``wait``: some were named, and somebody has to look."""

    wait: bool


@dataclass(frozen=True)
class SurveyExtended:
    """What was heard can't tell a cause yet: every fret is plucked so many times in all before it is tried again."""

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
    """What a move did: the change of the error that geometry lets expect, the one heard, and its standard error in
    cents; ``oddity`` says why they may differ by more than a fifth, or is empty."""

    string: int
    geometric_cents: float
    heard_cents: float
    se_cents: float
    oddity: str = ""


@dataclass(frozen=True)
class ScatterFound:
    """The plucks of a comparison scatter too much; they are dropped and it starts again."""

    string: int
    scatter_cents: float


@dataclass(frozen=True)
class StepBegun:
    """A command or a heard note starts a step; taking back undoes everything up to here."""

    what: str


@dataclass(frozen=True)
class SessionBegun:
    """A session on ``instrument`` (its JSON). ``fret`` is where errors are summed up, ``frets`` what is compared
    (``advice.played``); empty in older journals, where ``fret`` alone was. ``day`` it began on, as 2026-11-25;
    ``previous``: the instrument (its JSON) as its last session left it. Empty if not known. ``against``: what a quick
    check is held against (``session.standing``, JSON); empty for a set-up. ``by_hand``: nothing advances by itself."""

    instrument: str
    label: str
    tolerance_cents: float
    fret: int
    frets: str = ""
    day: str = ""
    previous: str = ""
    against: str = ""
    by_hand: bool = False


@dataclass(frozen=True)
class ItemInspected:
    item: str
    verdict: str
    note: str


@dataclass(frozen=True)
class ItemMeasured:
    """A value was measured for an inspection item, mm; ``text`` says how it stands to what is wanted."""

    item: str
    what: str
    value_mm: float
    text: str


@dataclass(frozen=True)
class StringsFitted:
    """The strings were put on on ``day``; ``text`` says how old they are, if that is known."""

    day: str
    text: str


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
    seconds of what was listened to. None stands for what could not be told; the fields with a default are missing in
    older journals. ``sound``: what is kept of the note (``record.kept.Sound``, JSON); empty if nothing is.
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


@dataclass(frozen=True)
class ReadingDoubted:
    """A note could have been either of two strings or places, and waits: no evidence until somebody says which.

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
    """The technician says the string is in tune."""

    string: int


@dataclass(frozen=True)
class TargetsSet:
    """Floating bridge: where each open string should stand now, in cents from its pitch, so that all end at pitch when
    the ``awaiting`` ones were brought to theirs in turn (``advice.rounds``). ``goal_cents`` is where the round is to
    end, ``share`` of the way to pitch: less than 1 where all of it would strain a string. Cents by string number and
    numbers of strings, blanks between."""

    targets_cents: str
    goal_cents: str
    awaiting: str
    share: float = 1.0


@dataclass(frozen=True)
class StringSlackened:
    string: int
    heard: bool


@dataclass(frozen=True)
class SaddleMoved:
    """The string's saddle moved by ``mm``; ``told`` when the technician said so, else taken from the advice."""

    string: int
    mm: float
    told: bool


@dataclass(frozen=True)
class StringProved:
    """The last pass found the string within tolerance."""

    string: int
    error_cents: float
    se_cents: float
    plucks: int
    scatter_cents: float
    ambiguity_cents: float | None = None
    ambiguity_se_cents: float = 0.0


@dataclass(frozen=True)
class PlucksForeseen:
    """So many more plucks are announced for what is being done with a string; ``why`` they became more, empty if they
    did not."""

    string: int
    left: int
    why: str


@dataclass(frozen=True)
class HarmonicPassedOver:
    """The last pass of a string goes without its harmonic."""

    string: int


@dataclass(frozen=True)
class StringReopened:
    """The string goes back to being compared; ``afresh``: what was heard of it and named before no longer counts."""

    string: int
    why: str
    afresh: bool = False


@dataclass(frozen=True)
class StringSetAside:
    string: int
    reason: str


@dataclass(frozen=True)
class StringChecked:
    """A quick check's verdict on a string (``words.Check``, ``words.Drift``), what has changed since the session it is
    held against, and the comparison that says so."""

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


@dataclass(frozen=True)
class ByHandSet:
    on: bool


@dataclass(frozen=True)
class ListeningSet:
    on: bool


@dataclass(frozen=True)
class SessionClosed:
    outcome: str


@dataclass(frozen=True)
class TakenBack:
    """The last step is taken back."""


Event = (
    StepBegun
    | SessionBegun
    | ItemInspected
    | ItemMeasured
    | StringsFitted
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


def to_body(event: Event) -> tuple[str, dict[str, Any]]:
    """Kind and JSON body of an event."""
    return type(event).__name__, asdict(event)


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
