"""What a report tells of a session, as plain frozen data: the page, the JSON and the CSV are all made from it.

Cents + sharp, mm + away from the nut, standard errors 1 sd, None for what is not known. Strings count from 1, the
thinnest.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Value:
    """A value and its standard error."""

    value: float
    se: float


@dataclass(frozen=True)
class Overview:
    """The session as a whole.

    Attributes:
        session, label: its name in the journal, and what it was begun as.
        kind: ``set-up``, ``quick check``, or empty where nothing was begun.
        outcome: its ending (``session.words.Ending``); empty while it is open. phase: where it stands.
        day: when it began, as 2026-11-25, as the session was told; empty if it was not.
        begun_utc, closed_utc: as the journal has them; closed_utc is empty while it is open.
        tolerance_cents: errors it settles for; fret: where they are summed up; frets: those compared.
        tuning_cents: what matters of an open string's pitch in a quick check.
        by_hand: nothing advanced by itself. taken_back: steps that were taken back.
        against: the session a quick check is held against; empty in a set-up.
    """

    session: str
    label: str
    kind: str
    outcome: str
    phase: str
    day: str
    begun_utc: str
    closed_utc: str
    tolerance_cents: float
    tuning_cents: float
    fret: int
    frets: tuple[int, ...]
    by_hand: bool
    taken_back: int
    against: str


@dataclass(frozen=True)
class BuiltString:
    """One string as the instrument's file, and what was measured, have it; setback_mm is where its saddle stood at the
    start beyond the scale length."""

    string: int
    note: str
    wanted_hz: float
    gauge_mm: float
    core_mm: float
    wound: bool
    scale_mm: float
    action_12_mm: float
    setback_mm: float


@dataclass(frozen=True)
class Built:
    """The instrument."""

    name: str
    title: str
    identity: str
    reference_hz: float
    frets: int
    bridge: str
    floating: bool
    slacken: bool
    means: tuple[str, ...]
    strings: tuple[BuiltString, ...]


@dataclass(frozen=True)
class Inspected:
    """An inspection item: what it asks, its verdict and note, and lines on what was measured for it."""

    item: str
    name: str
    asks: str
    verdict: str
    note: str
    measured: tuple[str, ...]


@dataclass(frozen=True)
class AtFret:
    """Error of one fret as found before the string's saddle was first moved (None if it was not compared by then, or
    was never moved) and as left (None if that isn't known); ``plucked``: this fret was compared."""

    fret: int
    found: Value | None
    left: Value | None
    plucked: bool


@dataclass(frozen=True)
class Checked:
    """A quick check's verdict, in what the string has drifted, and the changes."""

    verdict: str
    what: str
    tuning: Value
    intonation: Value


@dataclass(frozen=True)
class StringFact:
    """What became of one string.

    Attributes:
        status: the session's word for it; left_out: why it was left out, or empty; overruled: it was advised on
            whatever cause was named.
        proved: it passed the last pass. heard: its error was heard with the saddle where it now stands; if not, what is
            told of it is expected.
        frets: errors over the whole neck; empty where nothing was compared.
        open: its open pitch off what is wanted; octave: the 12th-fret harmonic above the open octave, stiffness taken
            off; inharmonicity: B.
        moved_mm, moves: how far its saddle was moved in all, in how many moves.
        plucks: how many of its plucks were taken while it was compared; scatter_cents: how they scattered at the fret,
            by the last comparison.
        check: in a quick check.
    """

    string: int
    note: str
    status: str
    left_out: str
    overruled: bool
    proved: bool
    heard: bool
    frets: tuple[AtFret, ...]
    open: Value | None
    octave: Value | None
    inharmonicity: Value | None
    moved_mm: float
    moves: int
    plucks: int
    scatter_cents: float | None
    check: Checked | None

    def at(self, fret: int) -> AtFret | None:
        """What is known of a fret, or None."""
        return next((one for one in self.frets if one.fret == fret), None)

    @property
    def out(self) -> bool:
        """Whether it is left out of what was proved."""
        return bool(self.left_out)


@dataclass(frozen=True)
class MoveFact:
    """One move of a saddle, in the order they were made.

    Attributes:
        mm: how far it was moved, as told, or as advised where nobody told; 0 where it stayed.
        told: the technician said so. advised: what was advised; None where nothing was.
        turns: of its screw that were advised; None without a screw.
        before, after: the error that its comparisons came to before and after (summed up at the session's fret); None
            where there was none.
        expected_cents: what the move was to leave; oddity: why it may have answered otherwise, or empty.
    """

    number: int
    at_utc: str
    string: int
    mm: float
    told: bool
    advised: Value | None
    turns: float | None
    before: Value | None
    expected_cents: float | None
    after: Value | None
    oddity: str


@dataclass(frozen=True)
class PluckFact:
    """One pluck that was read while strings were compared.

    Attributes:
        number: of its event in the journal. place: ``open``, ``harmonic``, ``fret K``.
        pitch: where it settled, in cents from what the place should have in equal temperament.
        attack_cents: how far the first tenth of a second stood above that.
        moves: how often the string's saddle had been moved by then.
        dropped: taken out afterwards, as a slip.
    """

    number: int
    at_utc: str
    phase: str
    string: int
    place: str
    hz: float
    pitch: Value
    attack_cents: float
    level_dbfs: float
    strength_db: float | None
    flags: str
    moves: int
    dropped: bool


@dataclass(frozen=True)
class Fall:
    """How one pluck fell: cents above its rest at times after the pluck, with their standard errors, shapes (n,);
    ``number`` as of ``PluckFact``."""

    number: int
    string: int
    place: str
    at_s: tuple[float, ...]
    cents: tuple[float, ...]
    se_cents: tuple[float, ...]


@dataclass(frozen=True)
class Falls:
    """The falls of all plucks whose sound was kept and is there; how many files are missing, and how many hold other
    samples than were kept."""

    plucks: tuple[Fall, ...]
    missing: int
    altered: int


@dataclass(frozen=True)
class CauseFact:
    """A cause beside the saddles' places that was named; ``stands``: it was not dropped when strings were compared
    afresh. Fields as of ``advice.finding.Finding``."""

    name: str
    cause: str
    strings: tuple[int, ...]
    fret: int
    size: float
    se: float
    unit: str
    probability: float
    evidence: str
    check: str
    stops: bool
    stands: bool


@dataclass(frozen=True)
class Sealed:
    """The record itself.

    Attributes:
        state: ``sealed``, ``open``, or ``edited`` where hashes or seal don't fit.
        sha256: the seal; while there is none, the hash of the last event. events: how many it holds.
        fault: what doesn't fit; cut: why events at the end were left out, where damage was. Empty for nothing.
    """

    state: str
    sha256: str
    events: int
    fault: str
    cut: str


@dataclass(frozen=True)
class Facts:
    """Everything a report tells; ``instrument`` is None where nothing was begun, ``falls`` where no sound was kept.
    ``version``: the program's own."""

    version: str
    overview: Overview
    instrument: Built | None
    inspected: tuple[Inspected, ...]
    changes: tuple[str, ...]
    results: tuple[StringFact, ...]
    moves: tuple[MoveFact, ...]
    plucks: tuple[PluckFact, ...]
    causes: tuple[CauseFact, ...]
    cautions: tuple[str, ...]
    seal: Sealed
    falls: Falls | None = None

    @property
    def quick(self) -> bool:
        """Whether it is a quick check."""
        return bool(self.overview.against)

    @property
    def compared(self) -> tuple[StringFact, ...]:
        """The strings whose errors over the neck are known."""
        return tuple(one for one in self.results if one.frets)

    def to_json(self) -> str:
        """One JSON object with every field."""
        return json.dumps(asdict(self), allow_nan=False, indent=1, ensure_ascii=False)
