"""What a check came to: findings by case, what was refused, and the exit code that says it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from oscservice.check.cases import Case


class Verdict(StrEnum):
    """What a finding, a case or a whole check comes to."""

    HOLDS = "holds"
    UNSURE = "unsure"
    OUT = "out"
    DRIFTED = "drifted"

    @property
    def exit_code(self) -> int:
        """0: holds; 1: drifted or out of tolerance; 2: could not be judged."""
        return {Verdict.HOLDS: 0, Verdict.UNSURE: 2}.get(self, 1)


VERDICT_TEXTS = {
    Verdict.HOLDS: "within its limit, as far as is heard",
    Verdict.UNSURE: "the evidence is too thin to say",
    Verdict.OUT: "out of tolerance",
    Verdict.DRIFTED: "further from the baseline than the limit, and than chance",
}

_WORST = (Verdict.DRIFTED, Verdict.OUT, Verdict.UNSURE, Verdict.HOLDS)


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
class Finding:
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
    verdict: Verdict
    why: str = ""
    wanted: int = 0


@dataclass(frozen=True)
class CaseFound:
    """A case and what was found of it. ``notes`` rest on it here."""

    case: Case
    notes: int
    findings: tuple[Finding, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst of its findings."""
        return worst(finding.verdict for finding in self.findings)

    @property
    def gravest(self) -> Finding | None:
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
class Result:
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
    counts: Counter[Verdict] = field(default_factory=Counter, init=False)

    def __post_init__(self) -> None:
        self.counts.update(one.verdict for one in self.cases)

    @property
    def verdict(self) -> Verdict:
        """Of all cases; something refused, or nothing judged, leaves it unsure."""
        found = worst(one.verdict for one in self.cases)
        open_end = bool(self.refused) or not self.cases
        return Verdict.UNSURE if found is Verdict.HOLDS and open_end else found

    @property
    def by_string(self) -> dict[int, CaseFound]:
        """The gravest case of each string, thick ones first; string 0 for notes that go by their names."""
        found: dict[int, CaseFound] = {}
        for one in self.cases:
            before = found.get(one.case.string)
            if before is None or _WORST.index(one.verdict) < _WORST.index(before.verdict):
                found[one.case.string] = one
        return found


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The gravest of some verdicts; holds if there are none."""
    found = set(verdicts)
    return next((verdict for verdict in _WORST if verdict in found), Verdict.HOLDS)
