"""Cases of a check, what each came to, and the exit code.

What is held against what: notes gathered by string and place, or by their name alone.

What a check came to: findings by case, what was refused, and the exit code that says it.
"""

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
        labels: what else tells it apart.
    """

    string: int
    place: Place | None
    note: int
    labels: Labels = ()

    def __str__(self) -> str:
        name = f"string {self.string} {self.place}" if self.string else note_name(self.note)
        told = ", ".join(f"{label} {text}" for label, text in self.labels)
        return f"{name} ({told})" if told else name

    @property
    def order(self) -> tuple[int, int, int, Labels]:
        """To sort by: thick strings first, as they are set up, and the open note of each."""
        rank = {OPEN: 0, HARMONIC: 1}.get(self.place or OPEN, 2)
        return (-self.string, rank, self.note, self.labels)

    @property
    def note_name(self) -> str:
        """Name of its nominal note."""
        return note_name(self.note)

    @property
    def stopped(self) -> bool:
        """Whether a finger stops it, as far as is known: such plucks scatter more."""
        return self.place is None or self.place.kind == "fret"


@dataclass(frozen=True)
class Note:
    """One note that was heard.

    Attributes:
        hz, se_cents: settled first partial, and its standard error (1 sd).
        strength_db: how hard it was plucked; None if not known.
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
    """What recordings hold: notes by case, on an instrument if one is known.

    Attributes:
        instrument: None where notes go by their names.
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
        """How many notes there are."""
        return sum(len(notes) for notes in self.notes.values())


class CheckVerdict(StrEnum):
    """What a finding, a case or a whole check comes to."""

    HOLDS = "holds"
    UNSURE = "unsure"
    OUT = "out"
    DRIFTED = "drifted"

    @property
    def exit_code(self) -> int:
        """0: holds; 1: drifted or out of tolerance; 2: could not be judged."""
        return {CheckVerdict.HOLDS: 0, CheckVerdict.UNSURE: 2}.get(self, 1)


VERDICT_TEXTS = {
    CheckVerdict.HOLDS: "within its limit, as far as is heard",
    CheckVerdict.UNSURE: "the evidence is too thin to say",
    CheckVerdict.OUT: "out of tolerance",
    CheckVerdict.DRIFTED: "further from the baseline than the limit, and than chance",
}

_WORST = (CheckVerdict.DRIFTED, CheckVerdict.OUT, CheckVerdict.UNSURE, CheckVerdict.HOLDS)


class What(StrEnum):
    """What is held against a limit."""

    TUNING = "tuning"
    ERROR = "error"
    PITCH_DRIFT = "pitch drift"
    ERROR_DRIFT = "error drift"
    PRESENCE = "presence"


WHAT_TEXTS = {
    What.TUNING: "the open string off the pitch it is wanted at",
    What.ERROR: "a fret or harmonic against the open string, as equal temperament has it",
    What.PITCH_DRIFT: "the pitch against that of the baseline",
    What.ERROR_DRIFT: "the error against that of the baseline",
    What.PRESENCE: "heard in the baseline and here",
}


@dataclass(frozen=True)
class Limits:
    """What is still good, in cents; None: not judged.

    Attributes:
        tuning_cents: an open string off its pitch.
        error_cents: a fret against its open string.
        drift_cents: a change since the baseline.
        retuned: the instrument was tuned anew since the baseline: changes of pitch are no drift, those of error are.
    """

    tuning_cents: float | None = None
    error_cents: float | None = None
    drift_cents: float | None = None
    retuned: bool = False


@dataclass(frozen=True)
class CheckFinding:
    """One quantity of a case, held against its limit.

    Attributes:
        what: which.
        cents, se_cents: its value, + sharp, and its standard error (1 sd); None where it could not be told.
        limit_cents: what is still good.
        verdict: what it comes to.
        why: what speaks against a verdict, or empty.
        wanted: about how many notes at each place would be enough to judge it; 0 where there are enough.
    """

    what: What
    cents: float | None
    se_cents: float | None
    limit_cents: float | None
    verdict: CheckVerdict
    why: str = ""
    wanted: int = 0


@dataclass(frozen=True)
class CaseFound:
    """A case and what was found of it. ``notes`` rest on it here."""

    case: Case
    notes: int
    findings: tuple[CheckFinding, ...]

    @property
    def verdict(self) -> CheckVerdict:
        """The worst of its findings."""
        return worst(finding.verdict for finding in self.findings)

    @property
    def gravest(self) -> CheckFinding | None:
        """The finding its verdict rests on."""
        return next((one for one in self.findings if one.verdict is self.verdict), None)


@dataclass(frozen=True)
class Refusal:
    """A file, or what else was refused, and why, in one line."""

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
        baseline: the file it was held against; empty if none.
        limits: what was judged.
        cases: thick strings first.
        refused: what could not be used.
        remarks: what else is to be said, a line each.
        files, cached: how many files were measured, and how many of these not anew.
        notes: how many notes were judged.
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
        """Of all cases; something refused, or nothing judged, leaves it unsure."""
        found = worst(one.verdict for one in self.cases)
        open_end = bool(self.refused) or not self.cases
        return CheckVerdict.UNSURE if found is CheckVerdict.HOLDS and open_end else found

    @property
    def by_string(self) -> dict[int, CaseFound]:
        """The gravest case of each string, thick ones first; string 0 for notes that go by their names."""
        found: dict[int, CaseFound] = {}
        for one in self.cases:
            before = found.get(one.case.string)
            if before is None or _WORST.index(one.verdict) < _WORST.index(before.verdict):
                found[one.case.string] = one
        return found


def worst(verdicts: Iterable[CheckVerdict]) -> CheckVerdict:
    """The gravest of some verdicts; holds if there are none."""
    found = set(verdicts)
    return next((verdict for verdict in _WORST if verdict in found), CheckVerdict.HOLDS)
