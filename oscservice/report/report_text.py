"""Texts of a report: how a session ended, the state of a string, and numbers with their errors."""

from __future__ import annotations

from collections.abc import Sequence

from oscservice.instrument.spec import BOTH
from oscservice.report.drawing import signed
from oscservice.report.facts import Facts, StringFact, Value
from oscservice.sentences.length_text import TENTHS, LengthUnit, length_number
from oscservice.sentences.plural import counted
from oscservice.session.vocabulary import PHASE_TEXTS, Check, Drift, Ending, InspectionVerdict, Phase, Status

LEAST_SE = 0.1
"""The smallest standard error that is shown, in cents or mm."""

VERDICTS = {
    InspectionVerdict.WAITING: "not inspected",
    InspectionVerdict.PASSED: "in order",
    InspectionVerdict.WAIVED: "waived",
    InspectionVerdict.FAILED: "not in order",
}
_HEADINGS = {
    Ending.PROVED: "Proved",
    Ending.PARTLY_PROVED: "Partly proved",
    Ending.ABANDONED: "Abandoned",
    Ending.HOLDS: "Holds",
    Ending.DRIFTED: "Drifted",
    Ending.UNSURE: "Unclear",
}
_CHECKS = {Check.HOLDS: "holds", Check.UNSURE: "unclear"}
_DRIFTS = {
    Drift.TUNING: "drifted in tuning",
    Drift.INTONATION: "drifted in intonation",
    Drift.BOTH: "drifted in tuning and intonation",
}


def with_error(value: Value | None) -> str:
    """Return a value and its standard error to a tenth: ``+1.2 ± 0.3``; a dash if it is unknown."""
    return "–" if value is None else f"{signed(value.value)} ± {max(value.se, LEAST_SE):.1f}"


def listed(numbers: Sequence[int]) -> str:
    """Return strings in words: ``string 4``, ``strings 2 and 4``, ``strings 1, 2 and 4``."""
    words = [str(number) for number in numbers]
    joined = words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
    return f"string{'s' if len(words) > 1 else ''} {joined}"


def heading(facts: Facts) -> str:
    """Return how the session ended, in a word or two."""
    if not facts.overview.kind:
        return "Nothing begun"
    return _HEADINGS[Ending(facts.overview.outcome)] if facts.overview.outcome else "Still open"


def scale_text(facts: Facts) -> str:
    """Return where errors count from, in words."""
    aimed = facts.instrument is not None and any(one.fret_targets_cents for one in facts.instrument.strings)
    return "equal temperament, from the target of each fret that has one" if aimed else "equal temperament"


def targets_text(facts: Facts) -> str:
    """Return the targets of frets in words; empty without any."""
    if facts.instrument is None or scale_text(facts) == "equal temperament":
        return ""
    if facts.string_set is not None and BOTH in facts.string_set.tuning:
        return "chosen so that the saddles serve both tunings alike"
    strings = []
    for one in facts.instrument.strings:
        frets = [f"fret {fret} {signed(cents)}" for fret, cents in sorted(one.fret_targets_cents.items())]
        if frets:
            strings.append(f"string {one.string}: {', '.join(frets)}")
    return f"{'; '.join(strings)} (cents, + sharp)"


def summary(facts: Facts) -> str:
    """Return how the session ended, in a sentence or two."""
    overview, results = facts.overview, facts.results
    if not overview.kind:
        return "The journal has this session, but no set-up and no check was begun in it."
    if facts.quick:
        return _checked(facts)
    out = [one.string for one in results if one.out]
    proved = [one.string for one in results if one.proved]
    if overview.outcome == Ending.PROVED:
        return f"Every string was set and passed the last pass. {_largest(facts)}"
    if overview.outcome == Ending.PARTLY_PROVED:
        if not proved:
            return f"Left out: {listed(out)}; see the reasons below."
        said = f"Only {listed(proved)}" if len(proved) < len(out) else f"All but {listed(out)}"
        return f"{said} passed the last pass; see the reasons below. {_largest(facts)}"
    if overview.outcome == Ending.ABANDONED:
        return f"The set-up was abandoned before it was finished. {_so_far(facts)}"
    return f"The set-up is not finished: {PHASE_TEXTS[Phase(overview.phase)]}. {_so_far(facts)}"


def outcome_of(one: StringFact) -> str:
    """Return the state of a string, in a word or two."""
    if one.check is not None:
        check = Check(one.check.verdict)
        return _DRIFTS[Drift(one.check.what)] if check is Check.DRIFTED else _CHECKS[check]
    if one.proved:
        return "proved"
    status = Status(one.status)
    return {Status.UNTRIED: "not compared", Status.COMPARING: "being compared", Status.RETUNING: "to be retuned"}.get(
        status, str(status)
    )


def signed_length(length_mm: float, lengths: LengthUnit = LengthUnit.MM) -> str:
    """Return a move in mm as a number in the unit of the page's lengths, signed as ``drawing.signed`` does it."""
    number = length_number(length_mm, lengths, TENTHS, sign=True)
    return number.replace("-", "−") if float(number) else number.lstrip("+")


def moved(one: StringFact, lengths: LengthUnit = LengthUnit.MM) -> str:
    """Return how far a string's saddle was moved in all, and the number of moves if there were several."""
    if not one.moves:
        return "stayed"
    return signed_length(one.moved_mm, lengths) + (f" ({one.moves})" if one.moves > 1 else "")


def is_named(reason: str, facts: Facts) -> bool:
    """Return True when a string is left out because of a named cause."""
    return any(reason.startswith(cause.name) for cause in facts.causes)


def largest_error(facts: Facts) -> tuple[Value, int] | None:
    """Return the largest error at the session's fret among the strings that were not left out, and its string."""
    known = [
        (at.left, one.string)
        for one in facts.results
        if not one.out and (at := one.at(facts.overview.fret)) is not None and at.left is not None
    ]
    return max(known, key=lambda item: abs(item[0].value), default=None)


def _largest(facts: Facts) -> str:
    found = largest_error(facts)
    if found is None:
        return ""
    value, string = found
    tolerance = counted(facts.overview.tolerance_cents, "cent")
    among = "Of those that passed, the" if any(one.out for one in facts.results) else "The"
    largest = f"{among} largest error at fret {facts.overview.fret} is {with_error(value)} cents (string {string})"
    return f"{largest}; the tolerance is {tolerance}."


def _so_far(facts: Facts) -> str:
    done = [one.string for one in facts.results if one.proved or one.status == Status.SETTLED]
    if not any(one.frets for one in facts.results):
        return "No string was compared."
    if not done:
        return "No string was settled."
    return f"So far {listed(done)} {'was' if len(done) == 1 else 'were'} settled."


def _checked(facts: Facts) -> str:
    since = f"session {facts.overview.against}"
    drifted, unsure, waiting = (
        [one.string for one in facts.results if (one.check.verdict if one.check else "") == verdict]
        for verdict in (Check.DRIFTED, Check.UNSURE, "")
    )
    if drifted:
        said = [f"Drifted since {since}: {listed(drifted)}."]
    elif facts.overview.outcome == Ending.HOLDS:
        said = [f"No string that was checked has changed beyond its limits since {since}."]
    else:
        said = [f"No string is known to have drifted since {since}."]
    if unsure:
        said.append(f"{listed(unsure).capitalize()} {'is' if len(unsure) == 1 else 'are'} unclear.")
    if waiting:
        said.append(f"Not checked: {listed(waiting)}.")
    return " ".join(said)
