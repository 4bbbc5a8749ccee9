"""A whole check: gather recordings, measure them, assign each note to its case, judge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from oscservice.archive.measure_many import Wanted, measure_many
from oscservice.archive.result_cache import Cache
from oscservice.check.assignment import RecordingInfo, assign
from oscservice.check.baseline import baseline_text, read_baseline, write_baseline
from oscservice.check.judge import default_limits, judge
from oscservice.check.manifest import CheckSet, gather
from oscservice.check.verdicts import Case, CaseFound, CheckResult, Limits, Note, RecordingHeard, Refusal
from oscservice.errors import InputError
from oscservice.hearing import ESTIMATOR
from oscservice.instrument.spec import Instrument
from oscservice.sentences.plural import counted


def run_check(
    check_set: CheckSet,
    instrument: Instrument | None,
    *,
    accept: bool = False,
    jobs: int = 1,
    cluster: str = "",
    cache: Cache | None = None,
    measuring: Callable[[int, int], None] | None = None,
) -> CheckResult:
    """Check a set of recordings; with ``accept``, make a baseline of them instead of comparing them with one.

    Args:
        check_set: the set.
        instrument: the instrument that it names.
        accept: write the notes to ``check_set.baseline``.
        jobs: number of processes that measure.
        cluster: address of a Dask scheduler to measure on instead.
        cache: of earlier results.
        measuring: called with the number of measured files and of all files.

    Raises:
        InputError: there is nothing to check, or nothing to compare it with; a cluster that can't be reached; a
            baseline that can't be written.
    """
    files, refused = gather(check_set.recordings)
    refused = [_refusal(line) for line in check_set.refused] + refused
    if not files and not refused:
        raise InputError("there is nothing to check; name recordings, or a manifest with --manifest")
    if accept and check_set.baseline is None:
        raise InputError("--accept needs to know where the baseline goes; add --baseline FILE")
    baseline, more, remarked = (None, [], []) if accept else _baseline(check_set, instrument)
    limits = _limits(check_set, instrument, baseline=baseline is not None)
    if not accept and limits == Limits(retuned=limits.retuned) and not more:
        raise InputError("there is nothing to compare notes with; add --baseline FILE, or --instrument for tolerances")
    wanted = [Wanted(one.path, _expected_hz(one.info, instrument)) for one in files]
    outcomes = measure_many(
        wanted,
        jobs=jobs,
        cluster=cluster,
        cache=cache,
        done=None if measuring is None else lambda count: measuring(count, len(files)),
    )
    notes: dict[Case, list[Note]] = {}
    remarks: list[str] = remarked
    for one, outcome in zip(files, outcomes, strict=True):
        if outcome.measured is None:
            refused.append(Refusal(one.shown, outcome.fault))
            continue
        assigned = assign(one.shown, outcome.measured, one.info, instrument, check_set.reference_hz)
        refused += [Refusal(one.shown, why) for why in assigned.refused]
        remarks += [f"{one.shown}: {remark}" for remark in assigned.remarks]
        for case, note in assigned.notes:
            notes.setdefault(case, []).append(note)
    heard = RecordingHeard(instrument, check_set.reference_hz, {case: tuple(found) for case, found in notes.items()})
    refused += more
    if accept:
        cases, left_out = [CaseFound(case, len(found), ()) for case, found in heard.in_order], list[str]()
    else:
        cases, left_out = judge(heard, baseline, limits)
    result = CheckResult(
        check_set.name,
        "" if instrument is None else instrument.identity,
        "" if check_set.baseline is None else str(check_set.baseline),
        limits,
        tuple(cases),
        tuple(refused),
        (*remarks, *left_out),
        len(files),
        sum(outcome.cached for outcome in outcomes),
        heard.count,
    )
    return _accepted(result, heard, check_set.baseline) if accept and check_set.baseline is not None else result


def _accepted(result: CheckResult, heard: RecordingHeard, path: Path) -> CheckResult:
    """Write the baseline, unless something was refused."""
    if result.refused or not heard.count:
        line = "the baseline was not written: something was refused, and a smaller baseline would replace the old one"
        return replace(result, remarks=(*result.remarks, line))
    write_baseline(path, baseline_text(heard, str(ESTIMATOR)))
    line = f"{path}: baseline of {counted(heard.count, 'note')} at {counted(len(heard.notes), 'place')} written"
    return replace(result, remarks=(*result.remarks, line))


def _baseline(
    check_set: CheckSet, instrument: Instrument | None
) -> tuple[RecordingHeard | None, list[Refusal], list[str]]:
    """Return the baseline and remarks on it, or the reason why it can't be used: tolerances are judged anyway."""
    if check_set.baseline is None:
        return None, [], []
    try:
        found, measured_by = read_baseline(check_set.baseline)
    except InputError as fault:
        return None, [_refusal(str(fault))], []
    theirs = "" if found.instrument is None else found.instrument.identity
    ours = "" if instrument is None else instrument.identity
    if theirs != ours:
        why = f"a baseline of {theirs or 'notes without an instrument'}, but this is {ours or 'without one'}"
        return None, [Refusal(str(check_set.baseline), why)], []
    if measured_by == str(ESTIMATOR):
        return found, [], []
    line = (
        f"{check_set.baseline} was measured with another estimator: "
        "accept its recordings again to rule out a change in the measuring"
    )
    return found, [], [line]


def _refusal(line: str) -> Refusal:
    """Return the refusal of a line that begins with the name of its file."""
    path, _, why = line.partition(": ")
    return Refusal(path, why)


def _limits(check_set: CheckSet, instrument: Instrument | None, *, baseline: bool) -> Limits:
    """Return the limits that were given, and the defaults for the rest."""
    usual, given = default_limits(instrument, baseline=baseline), check_set.limits
    return Limits(
        given.tuning_cents if given.tuning_cents is not None else usual.tuning_cents,
        given.error_cents if given.error_cents is not None else usual.error_cents,
        (given.drift_cents if given.drift_cents is not None else usual.drift_cents) if baseline else None,
        given.retuned,
    )


def _expected_hz(info: RecordingInfo, instrument: Instrument | None) -> tuple[float, ...]:
    """Return the pitches that are likely in a file: they decide near ties between octaves."""
    if instrument is None:
        return ()
    numbers: Sequence[int] = range(1, len(instrument.strings) + 1)
    if info.named.string is not None:
        numbers = [info.named.string] if info.named.string in numbers else []
    return tuple(instrument.open_hz(number) for number in numbers)
