"""Events that say what comparisons have come to: judgements, surveys, causes, answers to moves. Parts of ``events``."""

from __future__ import annotations

from dataclasses import dataclass


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
