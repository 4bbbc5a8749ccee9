"""The prompt: the one thing to do next, as a code and as a sentence.

Codes are fixed; sentences are in ``sentences/en.toml``. A prompt is read off the state: nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median

from oscservice.advice.bridge_plan import strings_moved_together
from oscservice.advice.causes import Finding
from oscservice.advice.correction import AWAY, TOWARD, turns_text
from oscservice.advice.pluck_strength import amplitude, slope_for
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.instrument.spec import SHAPED
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session.inspection import measured_of, off
from oscservice.session.next_pluck import asked, in_tune, unclear
from oscservice.session.state import State
from oscservice.session.string_state import StringState
from oscservice.session.vocabulary import Check, Drift, Ending, InspectionVerdict, Phase, Status, place_text

MATTERS = 0.25
"""Share of the tolerance: a pluck whose strength leaves more than this in doubt (1 sd) is asked for again."""


def strength_off_db(state: State) -> float:
    """The level of the last pluck of the string in focus above its others, in dB, if that matters for the comparison;
    else 0. The pluck counts in both cases, with a larger standard error."""
    if state.phase not in (Phase.COMPARING, Phase.PROVING) or not state.focus:
        return 0.0
    string = state.string(state.focus)
    if len(string.plucks) < 2:
        return 0.0
    *before, last = (pluck.known_strength_db for pluck in string.plucks)
    others = [strength for strength in before if strength is not None]
    if last is None or not others:
        return 0.0
    middle = median(others)
    slope = slope_for([*others, last], string.slope).at(middle)
    doubt_cents = abs(amplitude(last, middle) - 1.0) * slope.se_cents
    return last - middle if doubt_cents > MATTERS * state.tolerance_cents else 0.0


_TURNS = ("tune_up", "tune_down")

_ENDINGS: dict[Ending, str] = {
    Ending.PROVED: "hand_over",
    Ending.PARTLY_PROVED: "hand_over_partly",
    Ending.ABANDONED: "abandoned",
    Ending.HOLDS: "check_holds",
    Ending.DRIFTED: "check_drifted",
    Ending.UNSURE: "check_unsure",
}


@dataclass(frozen=True)
class Prompt:
    """The next thing to do: a fixed code, a sentence, a caution (may be empty)."""

    code: str
    text: str
    caution: str


def prompt(state: State, sentences: Sentences = ENGLISH) -> Prompt:
    """The prompt of a state, in the language of a table of sentences."""
    code, values = _code(state, sentences)
    text, caution = sentences.text("prompt", code, "text", **values), sentences.caution(code)
    if code in _TURNS:
        text = " ".join([text, *_past_pitch(state.string(state.focus), sentences)])
        if state.round_share < 1.0:
            caution = f"{caution} {sentences.text('words', 'part_of_the_way')}"
    return Prompt(code, text, caution)


def _code(state: State, sentences: Sentences) -> tuple[str, dict[str, object]]:
    if state.phase is Phase.IDLE:
        return "begin", {}
    if state.phase is Phase.CLOSED:
        left = [n for n in state.numbers if state.string(n).left_out]
        return _ENDINGS[Ending(state.outcome)], {"left": left, **_checked(state, sentences)}
    if state.phase is Phase.INSPECTING:
        return _inspecting(state, sentences)
    named = state.named(state.focus) if state.unseen else None
    if named is not None:
        return "look_into", {"cause": _cause(named, sentences), "check": sentences.text("cause", named.cause, "check")}
    string = state.string(state.focus)
    values: dict[str, object] = {"string": state.focus, "fret": state.fret}
    if state.phase is Phase.MOVING:
        return _moving(state, values, sentences)
    waited = asked(state)
    place = waited[1] if waited is not None else OPEN
    if state.doubt is not None:
        asked_about = (state.doubt.first, state.doubt.second)
        first, second = (place_text(one.string, Place.parse(one.place), sentences) for one in asked_about)
        return "say_which", {"first": first, "second": second, "wanted": place_text(state.focus, place, sentences)}
    if state.held is not None and state.held.word:
        return "go_on", {
            "string": state.focus,
            "what": sentences.text("words", state.held.word, **dict(state.held.values)),
        }
    off_db = strength_off_db(state)
    if off_db:
        code = "pluck_softer" if off_db > 0.0 else "pluck_harder"
        return code, {"db": abs(off_db), "wanted": place_text(state.focus, place, sentences)}
    if place == HARMONIC:
        return "pluck_harmonic", values
    if place != OPEN:
        return "pluck_fretted", values | {"fret": place.fret}
    if state.phase in (Phase.TUNING, Phase.RETUNING):
        if string.open_cents is None and state.phase is Phase.RETUNING:
            return "bring_up", values
        if string.open_cents is None or unclear(string) or in_tune(string):
            return "pluck_open", values
        off_cents = string.open_cents - string.target_cents
        return "tune_up" if off_cents < 0.0 else "tune_down", values | {"cents": abs(off_cents)}
    if string.scattered and not string.plucks:
        return "pluck_again", values
    return "pluck_open", values


def _checked(state: State, sentences: Sentences) -> dict[str, object]:
    """The findings of a quick check in words."""
    if state.against is None:
        return {}
    checks = {number: state.string(number).check for number in reversed(state.numbers)}
    ways = {"in_tuning": (Drift.TUNING, Drift.BOTH), "in_intonation": (Drift.INTONATION, Drift.BOTH)}
    drifted = []
    for key, kinds in ways.items():
        numbers = [n for n, check in checks.items() if check is not None and check.what in kinds]
        if numbers:
            drifted.append(sentences.text("words", key, strings=_strings(numbers, sentences)))
    unsure = [n for n, check in checks.items() if check is None or check.verdict == Check.UNSURE]
    words = {"drifted": ", ".join(drifted), "unsure": _strings(unsure, sentences)}
    return {"session": state.against.session, **words}


def _past_pitch(string: StringState, sentences: Sentences) -> list[str]:
    """On a floating bridge, how far past its pitch a string is to be brought, and why."""
    cents, pull_cents = round(string.target_cents), string.target_cents - string.goal_cents
    if cents == 0:
        return []
    said = [sentences.text("words", "to_sharp" if cents > 0 else "to_flat", cents=abs(cents))]
    if abs(pull_cents) >= 1.0:
        said.append(sentences.text("words", "pulled_down" if pull_cents > 0.0 else "pulled_up"))
    return said


def _strings(numbers: Iterable[int], sentences: Sentences) -> str:
    """Strings in words, in the order given."""
    names = [str(number) for number in numbers]
    if len(names) == 1:
        return sentences.text("words", "string", string=names[0])
    return sentences.text("words", "strings", strings=", ".join(names))


def _cause(named: Finding, sentences: Sentences) -> str:
    """A cause and where it is, in words."""
    name = sentences.text("cause", named.cause, "name")
    key = "cause_fret" if named.fret else "cause_strings"
    return sentences.text("words", key, cause=name, fret=named.fret, strings=_strings(named.strings, sentences))


def _inspecting(state: State, sentences: Sentences) -> tuple[str, dict[str, object]]:
    """The prompt for the first inspection item that is neither passed nor waived: its code and values."""
    settled = (InspectionVerdict.PASSED, InspectionVerdict.WAIVED)
    name, item = next((n, i) for n, i in state.items if i.verdict not in settled)
    if item.verdict is not InspectionVerdict.FAILED and off(state, name):
        code = "measured_off" if any(one.by_mm for one in measured_of(state, name)) else "strings_old"
        return code, {"off": off(state, name, sentences), "name": sentences.text("item", name, "name")}
    code = "put_right" if item.verdict is InspectionVerdict.FAILED else "inspect"
    return code, {field: sentences.text("item", name, field) for field in ("name", "what")}


def _moving(state: State, values: dict[str, object], sentences: Sentences) -> tuple[str, dict[str, object]]:
    """The prompt for a string whose saddle is moved: its code and values."""
    advice = state.string(state.focus).advice
    if advice is None:
        return "place_saddle", values
    way = {TOWARD: "toward_nut", AWAY: "away_from_nut"}.get(advice.direction, "stay")
    values = values | {"mm": abs(advice.mm), "direction": sentences.text("words", way)}
    assert state.instrument is not None
    if state.instrument.bridge.slacken and state.string(state.focus).status is Status.TO_MOVE:
        together = reversed(strings_moved_together(state.instrument, state.focus))
        return "slacken", values | {"slack": _strings(together, sentences)}
    adjuster = state.instrument.adjuster_of(state.focus)
    if adjuster is not None and adjuster.means == SHAPED:
        return "shape_crown", values
    if advice.turns is not None:
        return "turn_screw", values | {"turns": turns_text(advice.turns, sentences)}
    return "shift_saddle", values
