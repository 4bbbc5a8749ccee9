"""Texts of the customer's page: plain words, without the moves, plucks and cautions of the bench.

Nothing that was typed at the bench is repeated here, except what the job sheet has for the customer.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from oscservice.advice.causes import Cause
from oscservice.report.drawing import signed
from oscservice.report.facts import Facts, HeightFact, StringFact, Value
from oscservice.report.report_text import largest_error, listed
from oscservice.sentences.length_text import HUNDREDTHS, LengthUnit, length_text
from oscservice.sentences.plural import counted
from oscservice.session.vocabulary import Check, Drift, Ending, InspectionVerdict, Status

LEAST_CENTS = 0.1
"""The smallest error and standard error that is told."""

REMEDIES = {
    Cause.NUT_SLOT: "the slot in the nut is too high; a qualified repairer can file it",
    Cause.NUT_PLACE: "the nut ends the string at the wrong place; a qualified repairer can correct it",
    Cause.FINGER: "its pitch depends on how hard it is pressed; press just behind the fret, and only as hard as needed",
    Cause.UNEVEN: "the string is uneven along its length; a new string is needed",
    Cause.FRET: "a fret is misplaced or worn flat; a qualified repairer can crown it or fit a new one",
    Cause.ACTION: "the strings are too high over the frets; they can be set lower on another visit",
    Cause.MAGNET: "a pickup is so close that its magnets pull the string; the pickup can be set lower on another visit",
    Cause.SCATTER: "its pitch changes from pluck to pluck; a part may be loose, or the string worn",
}
"""Causes beside the saddle's place -> what it is, and what can be done about it."""

_HEIGHTS = {
    "relief": "Relief: how far the neck is bowed.",
    "action": "Action: the height of the string over fret 12.",
}

_ENDINGS = {
    Ending.PROVED: "In tune",
    Ending.PARTLY_PROVED: "In tune, with exceptions",
    Ending.ABANDONED: "Not finished",
    Ending.HOLDS: "Still in tune",
    Ending.DRIFTED: "It has changed",
    Ending.UNSURE: "Not clear",
}


@dataclass(frozen=True)
class PlaysNow:
    """One string as it plays now: in words, and its error in cents, if that is known; ``expected``: as calculated."""

    result: StringFact
    words: str
    error: Value | None
    expected: bool = False


def customer_heading(facts: Facts) -> str:
    """Return how the work ended, in a few words."""
    return _ENDINGS[Ending(facts.overview.outcome)] if facts.overview.outcome else "Not finished"


def customer_summary(facts: Facts) -> str:
    """Return how the work ended, in a sentence or two."""
    outcome = facts.overview.outcome
    out = [one.string for one in facts.results if one.out]
    if facts.quick:
        return _checked(facts)
    if outcome == Ending.PROVED:
        return f"Every string was set, and passed a last test, open and fretted. {_largest(facts)}"
    if outcome == Ending.PARTLY_PROVED:
        if not any(one.proved for one in facts.results):
            return "No string could be set. The reasons are below."
        verb = "was" if len(out) == 1 else "were"
        return f"{_capital(listed(out))} {verb} left out, for the reasons below. {_largest(facts)}"
    return "The set-up is not finished, so this page tells only what was done so far."


def plays_now(facts: Facts) -> tuple[PlaysNow, ...]:
    """Return every string as it plays now, string 1 first."""
    return tuple(_plays(one, facts) for one in facts.results)


def done(facts: Facts, lengths: LengthUnit = LengthUnit.MM) -> list[str]:
    """Return what was done, a sentence each, in the order of the work."""
    if facts.quick:
        return ["The tuning and the intonation of the strings were compared with those after the last set-up."]
    said = []
    if facts.string_set is not None and facts.string_set.fitted and facts.string_set.age_days == 0:
        said.append("New strings were fitted.")
    by_verdict = {
        verdict: [one.name for one in facts.inspected if one.verdict == verdict] for verdict in InspectionVerdict
    }
    if by_verdict[InspectionVerdict.PASSED]:
        said.append(f"Inspected, and in order: {', '.join(by_verdict[InspectionVerdict.PASSED])}.")
    left = by_verdict[InspectionVerdict.WAIVED] + by_verdict[InspectionVerdict.FAILED]
    if left:
        said.append(f"Inspected, and left as it was: {', '.join(left)}. Ask the technician for the reason.")
    said += [text for one in facts.heights if (text := _corrected(one, lengths))]
    moved = [one.string for one in facts.results if one.moves]
    stayed = [one.string for one in facts.results if not one.moves and one.proved]
    if moved:
        said.append(
            f"The saddle of {listed(moved)} was moved at the bridge, so that fretted notes agree with the open string."
            if len(moved) == 1
            else f"The saddles of {listed(moved)} were moved at the bridge, so that fretted notes agree with the open "
            "strings."
        )
    if stayed:
        place = "saddle of" if len(stayed) == 1 else "saddles of"
        said.append(f"The {place} {listed(stayed)} {'was' if len(stayed) == 1 else 'were'} in the right place already.")
    if any(one.proved for one in facts.results):
        said.append("The strings were tuned, and each was tested once more, open and fretted.")
    return said or ["Nothing was changed on the instrument."]


def exceptions(facts: Facts) -> list[str]:
    """Return a sentence on each string that was left out, and on each other cause that was found and still stands."""
    said = []
    named: set[str] = set()
    for one in facts.results:
        if not one.out:
            continue
        cause = next((cause for cause in facts.causes if one.left_out.startswith(cause.name)), None)
        if cause is not None:
            named.add(cause.name)
            why = REMEDIES[Cause(cause.cause)]
        elif one.status == Status.OUT_OF_TRAVEL:
            why = "the bridge has too little room to move its saddle as far as needed"
        else:
            why = "the technician set it aside; ask for the reason"
        said.append(f"String {one.string} ({one.note}) was left out: {why}.")
    for cause in facts.causes:
        if cause.stands and cause.name not in named:
            about = f"{_capital(listed(cause.strings))}: " if cause.strings else ""
            where = f" (fret {cause.fret})" if cause.fret else ""
            said.append(_capital(f"{about}{REMEDIES[Cause(cause.cause)]}{where}."))
    return said


def when_to_come_back(facts: Facts) -> list[str]:
    """Return when to have the instrument looked at again, a sentence each.

    The season and the other signs are common practice, no source.
    """
    said = []
    if facts.overview.outcome == Ending.DRIFTED:
        said.append("Now: have the changed strings set again.")
    elif facts.overview.outcome in ("", Ending.ABANDONED):
        said.append("Soon: the work is not finished.")
    strings = facts.string_set
    if strings is not None:
        hours = f"{counted(strings.replace_after_hours, 'hour')} of playing"
        played = "" if strings.hours_played is None else f" ({strings.hours_played:g} so far)"
        days = counted(strings.replace_after_days, "day")
        if not strings.fitted:
            said.append(
                f"New strings: {days} after these were put on, or after {hours}{played}, whichever comes first."
            )
        elif strings.age_days is not None and strings.age_days > strings.replace_after_days:
            said.append(f"New strings: now. These have been on since {strings.fitted}, longer than {days}.")
        else:
            by = date.fromisoformat(strings.fitted) + timedelta(days=strings.replace_after_days)
            said.append(
                f"New strings: by {by.isoformat()} ({days} after these were put on), or after {hours}{played}, "
                "whichever comes first."
            )
    said.append(
        "A check: when the season changes. Dry air and damp air bend the neck, and that changes the string height and "
        "the tuning."
    )
    said.append(
        "Sooner: if it buzzes, if chords up the neck sound out of tune, or if it was dropped or left in heat or cold."
    )
    floats = facts.instrument is not None and facts.instrument.floating
    springs = " Springs balance the bridge, so it must be set again too." if floats else ""
    said.append(f"Before you change to another gauge of strings or another tuning: ask for a new set-up.{springs}")
    return said


def error_in_words(error: Value | None, tolerance_cents: float) -> str:
    """Return an error in words: ``in tune``, ``3.2 cents sharp``, ``0.8 cents flat``."""
    if error is None:
        return "not measured"
    if abs(error.value) <= tolerance_cents:
        return "in tune"
    cents = counted(round(abs(error.value), 1), "cent")
    return f"{cents} {'sharp' if error.value > 0.0 else 'flat'}"


def elsewhere(facts: Facts) -> str:
    """Return a sentence on the largest error that is expected at any fret; empty if only one fret is known."""
    known = [
        (at.left, one.string, at.fret)
        for one in facts.results
        if not one.out
        for at in one.frets
        if at.left is not None and at.fret != facts.overview.fret
    ]
    if facts.quick or not known:
        return ""
    value, string, fret = max(known, key=lambda item: abs(item[0].value))
    told = error_in_words(value, 0.0)
    return f"At the other frets the largest difference to expect is {told}: string {string}, fret {fret}."


def heights_explained(facts: Facts) -> str:
    """Return what the heights that were measured are; empty if none was."""
    kinds = dict.fromkeys(one.what.partition("/")[0] for one in facts.heights)
    return " ".join(text for kind, text in _HEIGHTS.items() if kind in kinds)


def tuning_text(facts: Facts) -> str:
    """Return the tuning: its name, if it has one, and its notes from the thickest string to the thinnest."""
    if facts.instrument is None:
        return ""
    notes = " ".join(one.note for one in reversed(facts.instrument.strings))
    own = "" if facts.string_set is None else facts.string_set.tuning
    name = (facts.job.tuning if facts.job is not None else "") or own
    return f"{name}: {notes}" if name else notes


def string_set_text(facts: Facts) -> str:
    """Return the set of strings; empty if it has no name."""
    own = "" if facts.string_set is None else facts.string_set.set_name
    return (facts.job.string_set if facts.job is not None else "") or own


def _plays(one: StringFact, facts: Facts) -> PlaysNow:
    if facts.quick:
        if one.check is None:
            return PlaysNow(one, "not checked", None)
        drift = {
            Drift.TUNING: "has changed in tuning",
            Drift.INTONATION: "has changed in intonation",
            Drift.BOTH: "has changed in tuning and intonation",
        }
        words = {Check.HOLDS: "as it was", Check.UNSURE: "not clear"}
        verdict = Check(one.check.verdict)
        told = drift.get(Drift(one.check.what), "has changed") if verdict is Check.DRIFTED else words[verdict]
        return PlaysNow(one, told, one.check.intonation)
    at = one.at(facts.overview.fret)
    error = None if at is None else at.left
    told = error_in_words(error, facts.overview.tolerance_cents)
    expected = error is not None and not one.heard
    remark = ", not set" if one.out else ", expected" if expected else ""
    return PlaysNow(one, told + remark, error, expected and not one.out)


def _largest(facts: Facts) -> str:
    found = largest_error(facts)
    if found is None:
        return ""
    value, string = found
    tolerance = counted(facts.overview.tolerance_cents, "cent")
    among = "Of the others, the" if any(one.out for one in facts.results) else "The"
    size = counted(round(max(abs(value.value), LEAST_CENTS), 1), "cent")
    return (
        f"{among} largest error at fret {facts.overview.fret} is {size} (string {string}); the limit for this work was "
        f"{tolerance}."
    )


def _checked(facts: Facts) -> str:
    changed = [one.string for one in facts.results if one.check is not None and one.check.verdict == Check.DRIFTED]
    unsure = [one.string for one in facts.results if one.check is not None and one.check.verdict == Check.UNSURE]
    if changed:
        verb = "has" if len(changed) == 1 else "have"
        said = f"{_capital(listed(changed))} {verb} changed since the last set-up."
    else:
        said = "No string is known to have changed since the last set-up."
    return said + (f" {_capital(listed(unsure))} {'is' if len(unsure) == 1 else 'are'} not clear." if unsure else "")


def _corrected(one: HeightFact, lengths: LengthUnit) -> str:
    """Return a sentence on a height that was changed; empty if it was not."""
    if one.found_mm is None or one.left_mm is None or signed(100.0 * (one.left_mm - one.found_mm)) == "0.0":
        return ""
    found, left = (length_text(mm, lengths, HUNDREDTHS) for mm in (one.found_mm, one.left_mm))
    return f"{one.name}: {found} when it came in, {left} now."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
