"""The facts of a report as plain frozen data. The page, the JSON and the CSV are made from them.

Cents + sharp, mm + away from the nut, standard errors 1 sd, None for unknown values. Strings count from 1, the
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
        session, label: its name in the journal, and its label.
        kind: ``set-up``, ``quick check``, or empty if nothing was begun.
        outcome: its ending (``session.vocabulary.Ending``); empty while it is open. phase: its phase.
        day: the day it began, as 2026-11-25; empty if unknown.
        begun_utc, closed_utc: from the journal; closed_utc is empty while it is open.
        tolerance_cents: of errors; fret: the one that errors are combined at; frets: those compared.
        tuning_cents: limit of an open string's change in a quick check.
        by_hand: nothing advanced by itself. taken_back: number of undone steps.
        against: the session that a quick check is compared with; empty in a set-up.
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
    """One string, from the instrument file and the measured values; setback_mm is the place of its saddle beyond the
    scale length at the start, fret_targets_cents are the wanted errors of frets that have any."""

    string: int
    note: str
    wanted_hz: float
    gauge_mm: float
    core_mm: float
    wound: bool
    scale_mm: float
    action_12_mm: float
    setback_mm: float
    fret_targets_cents: dict[int, float]


@dataclass(frozen=True)
class Built:
    """The instrument; ``perpendicular_fret`` as in ``spec.Instrument``."""

    name: str
    title: str
    identity: str
    reference_hz: float
    frets: int
    perpendicular_fret: int
    bridge: str
    floating: bool
    slacken: bool
    means: tuple[str, ...]
    strings: tuple[BuiltString, ...]


@dataclass(frozen=True)
class Inspected:
    """An inspection item: its question, verdict and note, and lines on the values measured for it."""

    item: str
    name: str
    asks: str
    verdict: str
    note: str
    measured: tuple[str, ...]


@dataclass(frozen=True)
class AtFret:
    """Error of one fret as found, before the string's saddle was first moved (None if it was not compared by then, or
    was never moved), and as left (None if unknown); ``plucked``: this fret was compared."""

    fret: int
    found: Value | None
    left: Value | None
    plucked: bool


@dataclass(frozen=True)
class Checked:
    """A quick check's verdict, the quantity that drifted, and the changes."""

    verdict: str
    what: str
    tuning: Value
    intonation: Value


@dataclass(frozen=True)
class StringFact:
    """The results of one string.

    Attributes:
        status: in the session; left_out: why it was left out, or empty; overruled: its cause was overruled.
        proved: it passed the last pass. heard: its error was measured with the saddle at its present place; if not, the
            errors are expected ones.
        frets: errors over the whole neck; empty if nothing was compared.
        open: deviation of its open pitch; octave: the 12th-fret harmonic above the open octave, less the effect of
            stiffness; inharmonicity: B.
        moved_mm, moves: distance its saddle was moved in all, and number of moves.
        plucks: number of its plucks while it was compared; scatter_cents: their scatter at the fret, from the last
            comparison.
        check: result of a quick check.
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
        """Return the errors of a fret, or None."""
        return next((one for one in self.frets if one.fret == fret), None)

    @property
    def out(self) -> bool:
        """True if the string was left out."""
        return bool(self.left_out)


@dataclass(frozen=True)
class MoveFact:
    """One move of a saddle, in the order they were made.

    Attributes:
        mm: distance, as reported, or as advised if nobody reported it; 0 if it stayed.
        told: the technician reported it. advised: the advice; None without any.
        turns: advised turns of its screw; None without a screw.
        before, after: error by the comparison before and after (at the session's fret); None without one.
        expected_cents: the error expected after the move; oddity: why the answer may differ from it, or empty.
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
        pitch: settled pitch, in cents from where the place is wanted.
        attack_cents: excess of the first tenth of a second over it.
        moves: number of moves of the string's saddle until then.
        dropped: discarded afterwards, as a slip.
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
class PitchTrackFact:
    """The pitch track of one pluck: cents above its settled pitch at times after the pluck, with standard errors,
    shapes (n,); ``number`` as in ``PluckFact``."""

    number: int
    string: int
    place: str
    at_s: tuple[float, ...]
    cents: tuple[float, ...]
    se_cents: tuple[float, ...]


@dataclass(frozen=True)
class PitchTrackFacts:
    """The pitch tracks of all plucks with kept sound; the number of missing files, and of files with other samples than
    were kept."""

    plucks: tuple[PitchTrackFact, ...]
    missing: int
    altered: int


@dataclass(frozen=True)
class CauseFact:
    """A cause, other than the saddle's place, that was named; ``stands``: it was not dropped when strings were compared
    again. Other fields as in ``advice.causes.Finding``."""

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
class HeightFact:
    """Relief, an action, a height over fret 1 or of a pickup.

    Attributes:
        what: its code, as it was measured; name: in words.
        found_mm: the first value of the inspection; None if it was measured only as left. left_mm: as left; None if it
            was not measured again.
        wanted_mm: its target, lowest and highest.
    """

    what: str
    name: str
    found_mm: float | None
    left_mm: float | None
    wanted_mm: tuple[float, float]

    @property
    def last_mm(self) -> float | None:
        """The value that was measured last."""
        return self.found_mm if self.left_mm is None else self.left_mm


@dataclass(frozen=True)
class SaddleFact:
    """The place of a string's saddle.

    Attributes:
        string, note: the string.
        found_mm, left_mm: its distance beyond the scale length, by the instrument file and the moves.
        read_found_mm, read_left_mm: first and last reading from a fixed edge; None if it was not read.
    """

    string: int
    note: str
    found_mm: float
    left_mm: float
    read_found_mm: float | None
    read_left_mm: float | None


@dataclass(frozen=True)
class StringsFact:
    """The strings as a set.

    Attributes:
        set_name: of the instrument file; tuning: the name of its tuning. Empty if it has none.
        fitted: the day, as 2026-11-25; empty if it is not known.
        age_days: on the day of the session; None if it is not known.
        replace_after_days, replace_after_hours: limits of their age and of the hours played.
        hours_played: None if not known.
    """

    set_name: str
    tuning: str
    fitted: str
    age_days: int | None
    replace_after_days: int
    replace_after_hours: float
    hours_played: float | None


@dataclass(frozen=True)
class JobEntryFact:
    """One entry of the job sheet: number, time, author, a line on each change; ``after_seal``: the session was closed
    by then."""

    number: int
    at_utc: str
    by: str
    after_seal: bool
    changes: tuple[str, ...]


@dataclass(frozen=True)
class JobNoteFact:
    """A note of the job sheet: time, author and text."""

    at_utc: str
    by: str
    text: str


@dataclass(frozen=True)
class PhotographFact:
    """A photograph that the job sheet names: when it was attached, its file name, SHA-256 and size in bytes."""

    at_utc: str
    name: str
    sha256: str
    size: int


@dataclass(frozen=True)
class JobFacts:
    """The job sheet of the session; what nobody wrote is empty. It is private.

    Attributes:
        customer, number, job, technician, string_set, tuning: as written; ``number`` is the instrument's own.
        message: for the customer's page.
        notes, photographs, entries: as recorded.
        fault: the entry that doesn't fit its hash, or empty. sha256: the last hash.
    """

    customer: str
    number: str
    job: str
    technician: str
    string_set: str
    tuning: str
    message: str
    notes: tuple[JobNoteFact, ...]
    photographs: tuple[PhotographFact, ...]
    entries: tuple[JobEntryFact, ...]
    fault: str
    sha256: str


@dataclass(frozen=True)
class Sealed:
    """The record itself.

    Attributes:
        state: ``sealed``, ``open``, or ``edited`` if hashes or seal don't fit.
        sha256: the seal; without one, the hash of the last event. events: their number.
        fault: the part that doesn't fit; cut: why events at the end are missing. Empty for none.
    """

    state: str
    sha256: str
    events: int
    fault: str
    cut: str


@dataclass(frozen=True)
class Facts:
    """All facts of a report.

    ``instrument`` and ``string_set`` are None if nothing was begun; ``falls``, the pitch tracks, if no sound was kept;
    ``job`` without a job sheet. ``version``: of this program.
    """

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
    falls: PitchTrackFacts | None = None
    heights: tuple[HeightFact, ...] = ()
    saddles: tuple[SaddleFact, ...] = ()
    string_set: StringsFact | None = None
    job: JobFacts | None = None

    @property
    def quick(self) -> bool:
        """True if the session is a quick check."""
        return bool(self.overview.against)

    @property
    def compared(self) -> tuple[StringFact, ...]:
        """The strings with known errors over the neck."""
        return tuple(one for one in self.results if one.frets)

    def to_json(self) -> str:
        """Return one JSON object with every field."""
        return json.dumps(asdict(self), allow_nan=False, indent=1, ensure_ascii=False)
