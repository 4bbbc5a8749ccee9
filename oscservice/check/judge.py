"""Recordings compared with tolerances and a baseline.

Two quantities are judged separately, as in a quick check: tuning, the open string's pitch; and intonation, a fret
compared with its open string. A note without an open string is judged by its own pitch. A drift is more than the limit
and more than chance: of a hundred runs without a change, one alarms.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from oscservice.advice.comparison import harmonic_rise_cents
from oscservice.check.place_levels import (
    Level,
    Levels,
    Scatter,
    degrees_of,
    levels_of,
    limit_sd,
    scatter_of,
    sounds_of,
    string_of,
)
from oscservice.check.verdicts import (
    Case,
    CaseFound,
    CheckedQuantity,
    CheckFinding,
    CheckVerdict,
    Limits,
    Note,
    RecordingHeard,
)
from oscservice.defaults import DEFAULT_TOLERANCE_CENTS
from oscservice.instrument.pitch import HARMONIC, OPEN, note_hz
from oscservice.instrument.spec import Instrument
from oscservice.session.next_pluck import DRIFT_LIMIT_CENTS, TUNING_WINDOW_CENTS
from oscservice.session.quick_check import DRIFT_SD, RULED_OUT, change_verdict
from oscservice.session.setup_changes import unlike
from oscservice.session.vocabulary import Check

DEFAULT_DRIFT_CENTS = 1.0
"""Default limit of a change since the baseline: half the tolerance of a set-up."""

ALARMS = 0.01
"""Probability that a run alarms if nothing has changed."""

BASELINE, NOW = 0, 1

_FINEST_SHARE = 0.25  # of the limit: no finer standard error is asked for


def default_limits(instrument: Instrument | None, *, baseline: bool) -> Limits:
    """Return the default limits: of changes if there is a baseline, else a session's tolerances if the instrument is
    known."""
    if baseline:
        return Limits(drift_cents=DEFAULT_DRIFT_CENTS)
    if instrument is None:
        return Limits()
    return Limits(tuning_cents=TUNING_WINDOW_CENTS, error_cents=DEFAULT_TOLERANCE_CENTS)


@dataclass(frozen=True)
class ComparableString:
    """A string with the values that must be equal for its notes to be comparable (``session.setup_changes``)."""

    note: str
    nominal_hz: float
    gauge_mm: float
    core_mm: float
    wound: bool
    scale_mm: float


def comparable_string(instrument: Instrument, number: int) -> ComparableString:
    """Return string ``number`` of an instrument."""
    spec = instrument.string(number)
    return ComparableString(
        spec.note, instrument.open_hz(number), spec.gauge_mm, spec.core_mm, spec.wound, spec.scale_mm
    )


def judge(heard: RecordingHeard, baseline: RecordingHeard | None, limits: Limits) -> tuple[list[CaseFound], list[str]]:
    """Return every case that was heard here or in the baseline, thick strings first; and remarks, a line each.

    Args:
        heard: the notes of the recordings.
        baseline: the notes to compare with, of the same instrument; None: tolerances only.
        limits: of each quantity.
    """
    sets = [{} if baseline is None else baseline.notes, heard.notes]
    nominal_hz = _nominal(heard, [*sets[0], *sets[1]])
    strings, louder = sounds_of(sets, nominal_hz)
    scatter = scatter_of(list(strings.values()))
    fitted = {string: levels_of(sounds, scatter) for string, sounds in strings.items()}
    judging = _Judging(heard, baseline, limits, fitted, scatter, louder)
    cases = sorted({*sets[0], *sets[1]}, key=lambda case: case.order)
    quantities = [(case, judging.quantities(case)) for case in cases]
    chance = ALARMS / max(1, sum(len(found) for _, found in quantities))
    judged = [CaseFound(case, len(heard.notes.get(case, ())), _findings(found, chance)) for case, found in quantities]
    return _unsure_if_out_of_tune(judged), _left_out(fitted)


@dataclass(frozen=True)
class _Quantity:
    what: CheckedQuantity
    limit_cents: float
    cents: float | None = None
    se_cents: float | None = None
    why: str = ""
    plucks: int = 1
    degrees: float = math.inf


class _Judging:
    """Computes the quantities to compare with limits, case by case."""

    def __init__(
        self,
        heard: RecordingHeard,
        baseline: RecordingHeard | None,
        limits: Limits,
        fitted: Mapping[tuple[object, ...], Levels],
        scatter: Scatter,
        louder: float,
    ) -> None:
        self._heard = heard
        self._baseline = baseline
        self._limits = limits
        self._fitted = fitted
        self._scatter = scatter
        self._louder = louder

    def quantities(self, case: Case) -> list[_Quantity]:
        """Return the quantities of a case."""
        found = []
        opened = self._open_of(case)
        limits = self._limits
        here = case in self._heard.notes
        if here and limits.tuning_cents is not None and case.place == OPEN and self._heard.instrument is not None:
            found.append(self._quantity(CheckedQuantity.TUNING, limits.tuning_cents, case, {(NOW, case): 1.0}))
        if here and limits.error_cents is not None and case.place not in (OPEN, None):
            found.append(self._error(case, opened, limits.error_cents))
        if (
            self._baseline is not None
            and limits.drift_cents is not None
            and not (limits.retuned and case.place == OPEN)
        ):
            found.append(self._drift(case, opened, limits.drift_cents))
        if not found and here and case.place != OPEN:
            found.append(_Quantity(CheckedQuantity.PRESENCE, 0.0, why="there is nothing to compare it with"))
        return found

    def _error(self, case: Case, opened: Case | None, limit_cents: float) -> _Quantity:
        if opened is None or opened not in self._heard.notes:
            return _Quantity(CheckedQuantity.ERROR, limit_cents, why="its open string was not heard")
        found = self._quantity(CheckedQuantity.ERROR, limit_cents, case, {(NOW, case): 1.0, (NOW, opened): -1.0})
        if case.place == HARMONIC and found.cents is not None:
            return replace(found, cents=found.cents - harmonic_rise_cents(_stiffness(self._heard.notes[opened])))
        return found

    def _drift(self, case: Case, opened: Case | None, limit_cents: float) -> _Quantity:
        assert self._baseline is not None
        before, now = self._baseline.notes, self._heard.notes
        if case not in now:
            return _Quantity(CheckedQuantity.PRESENCE, limit_cents, why="in the baseline, but not heard here")
        if case not in before:
            return _Quantity(CheckedQuantity.PRESENCE, limit_cents, why="not in the baseline; accept a new one")
        instruments = self._baseline.instrument, self._heard.instrument
        if case.string and instruments[0] is not None and instruments[1] is not None:
            why = unlike(*(comparable_string(one, case.string) for one in instruments if one is not None))
            if why:
                return _Quantity(
                    CheckedQuantity.PITCH_DRIFT, limit_cents, why=f"not the same string as in the baseline: {why}"
                )
        weights: dict[Level, float] = {(NOW, case): 1.0, (BASELINE, case): -1.0}
        if opened is None or opened not in before or opened not in now:
            if self._limits.retuned:
                why = "retuned, and its open string was not heard"
                return _Quantity(CheckedQuantity.ERROR_DRIFT, limit_cents, why=why)
            return self._quantity(CheckedQuantity.PITCH_DRIFT, limit_cents, case, weights)
        weights |= {(NOW, opened): -1.0, (BASELINE, opened): 1.0}
        return self._quantity(CheckedQuantity.ERROR_DRIFT, limit_cents, case, weights)

    def _quantity(
        self, what: CheckedQuantity, limit_cents: float, case: Case, weights: dict[Level, float]
    ) -> _Quantity:
        levels = self._fitted[string_of(case)]
        cents, se_cents = levels.combined(weights, self._louder)
        plucks = min(levels.counts[levels.at[level]] for level in weights)
        degrees = degrees_of(weights, levels, self._scatter, se_cents)
        return _Quantity(what, limit_cents, cents, se_cents, plucks=plucks, degrees=degrees)

    def _open_of(self, case: Case) -> Case | None:
        """Return the open string to compare a stopped one with: the one with its labels, or the only one."""
        if not case.string or case.place in (OPEN, None):
            return None
        opened = {one for notes in self._sets() for one in notes if one.string == case.string and one.place == OPEN}
        alike = [one for one in opened if one.labels == case.labels]
        if alike:
            return alike[0]
        return next(iter(opened)) if len(opened) == 1 else None

    def _sets(self) -> list[Mapping[Case, tuple[Note, ...]]]:
        return [self._heard.notes, *([] if self._baseline is None else [self._baseline.notes])]


def _findings(quantities: list[_Quantity], chance: float) -> tuple[CheckFinding, ...]:
    return tuple(_finding(one, max(DRIFT_SD, limit_sd(chance, one.degrees))) for one in quantities)


def _finding(quantity: _Quantity, drift_sd: float) -> CheckFinding:
    what, limit_cents = quantity.what, quantity.limit_cents
    if quantity.cents is None or quantity.se_cents is None:
        return CheckFinding(what, None, None, limit_cents, CheckVerdict.UNSURE, quantity.why)
    check = change_verdict(quantity.cents, quantity.se_cents, limit_cents, last_word=True, drift_sd=drift_sd)
    verdict = CheckVerdict.HOLDS if check is Check.HOLDS else CheckVerdict.UNSURE
    why, wanted = "", 0
    if check is Check.DRIFTED:
        verdict = CheckVerdict.OUT if what in (CheckedQuantity.TUNING, CheckedQuantity.ERROR) else CheckVerdict.DRIFTED
    elif check is Check.UNSURE:
        wanted = _wanted(quantity.plucks, abs(quantity.cents), quantity.se_cents, limit_cents, drift_sd)
        near = abs(quantity.cents) > limit_cents
        why = "over the limit, but not clearly" if near else "too few readings"
    return CheckFinding(what, quantity.cents, quantity.se_cents, limit_cents, verdict, why, wanted)


def _wanted(plucks: int, size_cents: float, se_cents: float, limit_cents: float, drift_sd: float) -> int:
    """Return about the number of plucks at each place that would decide, if the change is as large as it looks."""
    if size_cents <= limit_cents:
        enough = 0.5 * (RULED_OUT * limit_cents - size_cents)
    else:
        enough = min(size_cents / drift_sd, size_cents - limit_cents)
    enough = max(enough, _FINEST_SHARE * limit_cents)
    return max(plucks + 1, math.ceil(plucks * (se_cents / enough) ** 2))


def _unsure_if_out_of_tune(cases: list[CaseFound]) -> list[CaseFound]:
    """Make the errors of a string that is far out of tune unsure: its tuning by itself changes them."""
    far = {
        one.case.string
        for one in cases
        if one.case.string and one.case.place == OPEN and one.verdict in (CheckVerdict.DRIFTED, CheckVerdict.OUT)
        if any(f.cents is not None and abs(f.cents) > DRIFT_LIMIT_CENTS for f in one.findings)
    }
    found = []
    for one in cases:
        if one.case.string in far and one.case.place != OPEN:
            why = "the string is too far out of tune to judge this"
            blamed = [
                replace(f, verdict=CheckVerdict.UNSURE, why=why)
                if f.what in (CheckedQuantity.ERROR, CheckedQuantity.ERROR_DRIFT)
                else f
                for f in one.findings
            ]
            one = replace(one, findings=tuple(blamed))
        found.append(one)
    return found


def _left_out(fitted: Mapping[tuple[object, ...], Levels]) -> list[str]:
    lines = []
    for levels in fitted.values():
        for sound in levels.left_out:
            which, case = sound.level
            off = sound.cents - levels.cents[levels.at[sound.level]]
            where = f"{sound.note.file} at {sound.note.onset_s:.1f} s" if which == NOW else "a note of the baseline"
            lines.append(f"left out: {where}, {off:+.1f} cents from the other notes of {case}")
    return lines


def _nominal(heard: RecordingHeard, cases: list[Case]) -> dict[Case, float]:
    instrument = heard.instrument
    found = {}
    for case in cases:
        known = instrument is not None and case.place is not None and 0 < case.string <= len(instrument.strings)
        if known and instrument is not None and case.place is not None:
            found[case] = instrument.place_hz(case.string, case.place)
        else:
            found[case] = note_hz(case.note, heard.reference_hz)
    return found


def _stiffness(notes: tuple[Note, ...]) -> float:
    """Return B of an open string, the mean of its notes weighted by their standard errors."""
    known = [(n.inharmonicity, n.inharmonicity_se) for n in notes if n.inharmonicity_se]
    if not known:
        return 0.0
    weights = [se**-2 for _, se in known if se]
    return sum(w * b for w, (b, _) in zip(weights, known, strict=True)) / sum(weights)
