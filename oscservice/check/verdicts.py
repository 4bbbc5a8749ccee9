"""Cases of a check (notes by string and place, or only by name), their findings, verdicts, and the exit code."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from oscservice.instrument.pitch import HARMONIC, OPEN, Place, note_name
from oscservice.instrument.spec import Instrument

Labels = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Case:
    """One thing that is judged.

    Attributes:
        string: its number; 0 where only the note is known.
        place: where the string is stopped; None where only the note is known.
        note: MIDI note number of its nominal pitch.
        labels: further parts of its name.
    """

    string: int
    place: Place | None
    note: int
    labels: Labels = ()

    def __str__(self) -> str:
        name = f"string {self.string} {self.place}" if self.string else note_name(self.note)
        labels = ", ".join(f"{label} {text}" for label, text in self.labels)
        return f"{name} ({labels})" if labels else name

    @property
    def order(self) -> tuple[int, int, int, Labels]:
        """The sort key: thick strings first, and the open note of each first."""
        rank = {OPEN: 0, HARMONIC: 1}.get(self.place or OPEN, 2)
        return (-self.string, rank, self.note, self.labels)

    @property
    def note_name(self) -> str:
        """Name of its nominal note."""
        return note_name(self.note)

    @property
    def stopped(self) -> bool:
        """True if a finger may stop it: such plucks scatter more."""
        return self.place is None or self.place.kind == "fret"


@dataclass(frozen=True)
class Note:
    """One note that was heard.

    Attributes:
        hz, se_cents: settled first partial, and its standard error (1 sd).
        strength_db: strength of the pluck; None if not known.
        inharmonicity, inharmonicity_se: B and its standard error; None if not known.
        file, onset_s: where it is.
    """

    hz: float
    se_cents: float
    strength_db: float | None = None
    inharmonicity: float = 0.0
    inharmonicity_se: float | None = None
    file: str = ""
    onset_s: float = 0.0


@dataclass(frozen=True)
class RecordingHeard:
    """The notes of recordings by case, on an instrument if one is known.

    Attributes:
        instrument: None if notes are known by name only.
        reference_hz: A4.
        notes: of each case, in the order they were read.
    """

    instrument: Instrument | None
    reference_hz: float
    notes: dict[Case, tuple[Note, ...]] = field(default_factory=dict)

    @property
    def in_order(self) -> list[tuple[Case, tuple[Note, ...]]]:
        """Cases with their notes, thick strings first."""
        return sorted(self.notes.items(), key=lambda item: item[0].order)

    @property
    def count(self) -> int:
        """The number of notes."""
        return sum(len(notes) for notes in self.notes.values())


class CheckVerdict(StrEnum):
    """The verdict of a finding, a case or a whole check."""

    HOLDS = "holds"
    UNSURE = "unsure"
    OUT = "out"
    DRIFTED = "drifted"

    @property
    def exit_code(self) -> int:
        """0: holds; 1: drifted or out of tolerance; 2: could not be judged."""
        return {CheckVerdict.HOLDS: 0, CheckVerdict.UNSURE: 2}.get(self, 1)


VERDICT_TEXTS = {
    CheckVerdict.HOLDS: "within its limit",
    CheckVerdict.UNSURE: "too few readings to decide",
    CheckVerdict.OUT: "out of tolerance",
    CheckVerdict.DRIFTED: "changed since the baseline, by more than the limit and more than chance",
}

_WORST = (CheckVerdict.DRIFTED, CheckVerdict.OUT, CheckVerdict.UNSURE, CheckVerdict.HOLDS)


class CheckedQuantity(StrEnum):
    """A quantity that is compared with a limit."""

    TUNING = "tuning"
    ERROR = "error"
    PITCH_DRIFT = "pitch drift"
    ERROR_DRIFT = "error drift"
    PRESENCE = "presence"


WHAT_TEXTS = {
    CheckedQuantity.TUNING: "the open string's deviation from its pitch",
    CheckedQuantity.ERROR: "a fret or harmonic compared with the open string, from where it is wanted",
    CheckedQuantity.PITCH_DRIFT: "the pitch compared with the baseline",
    CheckedQuantity.ERROR_DRIFT: "the error compared with the baseline",
    CheckedQuantity.PRESENCE: "heard both in the baseline and here",
}


@dataclass(frozen=True)
class Limits:
    """Limits in cents; None: not judged.

    Attributes:
        tuning_cents: deviation of an open string from its pitch.
        error_cents: error of a fret compared with its open string.
        drift_cents: a change since the baseline.
        retuned: the instrument was retuned after the baseline: a change of pitch is no drift, a change of error is.
    """

    tuning_cents: float | None = None
    error_cents: float | None = None
    drift_cents: float | None = None
    retuned: bool = False


@dataclass(frozen=True)
class CheckFinding:
    """One quantity of a case, compared with its limit.

    Attributes:
        what: the quantity.
        cents, se_cents: its value, + sharp, and its standard error (1 sd); None if it is unknown.
        limit_cents: the limit.
        verdict: of this quantity.
        why: why it could not be judged, or empty.
        wanted: about how many notes at each place would be enough to judge it; 0 if there are enough.
    """

    what: CheckedQuantity
    cents: float | None
    se_cents: float | None
    limit_cents: float | None
    verdict: CheckVerdict
    why: str = ""
    wanted: int = 0


@dataclass(frozen=True)
class CaseFound:
    """A case, the number of its ``notes`` here, and its findings."""

    case: Case
    notes: int
    findings: tuple[CheckFinding, ...]

    @property
    def verdict(self) -> CheckVerdict:
        """The worst of its findings."""
        return worst(finding.verdict for finding in self.findings)

    @property
    def gravest(self) -> CheckFinding | None:
        """The finding that decides the verdict."""
        return next((one for one in self.findings if one.verdict is self.verdict), None)


@dataclass(frozen=True)
class Refusal:
    """Something that was refused, mostly a file, and the reason in one line."""

    file: str
    why: str

    def __str__(self) -> str:
        return f"{self.file}: {self.why}"


@dataclass(frozen=True)
class CheckResult:
    """A whole check.

    Attributes:
        name: of the set.
        instrument: its identity; empty if none is known.
        baseline: the file it was compared with; empty if none.
        limits: of the quantities that were judged.
        cases: thick strings first.
        refused: files that could not be used.
        remarks: further lines.
        files, cached: number of files, and of those found in the cache.
        notes: number of notes that were judged.
    """

    name: str
    instrument: str
    baseline: str
    limits: Limits
    cases: tuple[CaseFound, ...]
    refused: tuple[Refusal, ...] = ()
    remarks: tuple[str, ...] = ()
    files: int = 0
    cached: int = 0
    notes: int = 0
    counts: Counter[CheckVerdict] = field(default_factory=Counter, init=False)

    def __post_init__(self) -> None:
        self.counts.update(one.verdict for one in self.cases)

    @property
    def verdict(self) -> CheckVerdict:
        """The worst of all cases; unsure at best if something was refused or nothing was judged."""
        found = worst(one.verdict for one in self.cases)
        open_end = bool(self.refused) or not self.cases
        return CheckVerdict.UNSURE if found is CheckVerdict.HOLDS and open_end else found

    @property
    def by_string(self) -> dict[int, CaseFound]:
        """The worst case of each string, thick ones first; string 0 for notes known by name only."""
        found: dict[int, CaseFound] = {}
        for one in self.cases:
            before = found.get(one.case.string)
            if before is None or _WORST.index(one.verdict) < _WORST.index(before.verdict):
                found[one.case.string] = one
        return found


def worst(verdicts: Iterable[CheckVerdict]) -> CheckVerdict:
    """Return the worst of some verdicts; holds if there are none."""
    found = set(verdicts)
    return next((verdict for verdict in _WORST if verdict in found), CheckVerdict.HOLDS)
