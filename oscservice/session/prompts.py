"""The one thing to do next, as a code and as a sentence. All sentences stand here.

Codes are fixed, sentences may change and may be translated.
"""

from __future__ import annotations

from dataclasses import dataclass

from oscservice.advice.correction import FIXED_SADDLE, turns_text
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.instrument.spec import SHAPED
from oscservice.session.asking import UNSURE_LIMIT_CENTS, asked, in_tune
from oscservice.session.judging import sharing
from oscservice.session.state import State
from oscservice.session.words import INSPECTION_ITEMS, Ending, Phase, Status, Verdict

SENTENCES: dict[str, str] = {
    "begin": "Begin a session: name the instrument and the job.",
    "inspect": "Look over the {item}: {what}. Pass it, or waive it with a reason.",
    "put_right": "The {item} did not pass. Put it right, then pass it.",
    "pluck_open": "Pluck string {string} open.",
    "pluck_fretted": "Pluck string {string} at fret {fret}, freshly fretted.",
    "pluck_harmonic": "Pluck the 12th-fret harmonic of string {string}.",
    "bring_up": "Bring string {string} to pitch, and pluck it open.",
    "tune_up": "String {string} is {cents:.1f} cents flat: bring it up, and pluck it open.",
    "tune_down": "String {string} is {cents:.1f} cents sharp: bring it down, and pluck it open.",
    "slacken": "Slacken {slack}, then pluck string {string} or say so. Its saddle is to go {mm:.1f} mm {direction}.",
    "shift_saddle": "Move the saddle of string {string} {mm:.1f} mm {direction}, clamp it, bring the string to pitch.",
    "shape_crown": "Shape the crown of saddle {string}: {mm:.1f} mm {direction}. What is off is gone. Then to pitch.",
    "place_saddle": "String {string} is slack. Move its saddle as you see fit, clamp it, say how far; then to pitch.",
    "turn_screw": "Turn the screw of saddle {string} by {turns}: {mm:.1f} mm {direction}. Tune it, and pluck it open.",
    "say_which": "Was that {first} or {second}? Say which, or pluck {wanted} again.",
    "look_into": "{cause}: {check}. Then take it up again, overrule it, or go on.",
    "pluck_again": "Plucks of string {string} scattered. Same force, same finger: pluck it open.",
    "hand_over": "Done: every string is proved and the record is sealed. Cut the string ends short and hand it over.",
    "hand_over_partly": "Done, but for string {left}: each says why. The record is sealed.",
    "abandoned": "The session was abandoned; its record is kept.",
}

CAUTIONS: dict[str, str] = {
    "bring_up": "A string under tension can break: keep your eyes out of its line.",
    "tune_up": "A string under tension can break: keep your eyes out of its line.",
    "slacken": "Never loosen a saddle clamp under a string at pitch: slacken first, eyes out of its line.",
    "shift_saddle": "Clamp screws snug and no more. Tune up slowly, eyes out of the string's line; its end is sharp.",
    "shape_crown": "Take the string out of the way first, and wear glasses; its end is sharp. Tune up slowly.",
    "place_saddle": "Clamp screws snug and no more. Tune up slowly, eyes out of the string's line; its end is sharp.",
    "turn_screw": "Away from the nut tightens the string: let it down first, eyes out of its line. Force no screw.",
}


_ENDINGS: dict[Ending, str] = {
    Ending.PROVED: "hand_over",
    Ending.PARTLY_PROVED: "hand_over_partly",
    Ending.ABANDONED: "abandoned",
}


@dataclass(frozen=True)
class Prompt:
    """What to do next: a fixed code, a sentence, a caution (may be empty)."""

    code: str
    text: str
    caution: str


def prompt(state: State) -> Prompt:
    """The prompt of a state."""
    code, values = _code(state)
    return Prompt(code, SENTENCES[code].format(**values), CAUTIONS.get(code, ""))


def _code(state: State) -> tuple[str, dict[str, object]]:
    if state.phase is Phase.IDLE:
        return "begin", {}
    if state.phase is Phase.CLOSED:
        left = ", ".join(str(n) for n in state.numbers if state.string(n).left_out)
        return _ENDINGS[Ending(state.outcome)], {"left": left}
    if state.phase is Phase.INSPECTING:
        name, item = next((n, i) for n, i in state.items if i.verdict not in (Verdict.PASSED, Verdict.WAIVED))
        code = "put_right" if item.verdict is Verdict.FAILED else "inspect"
        return code, {"item": name, "what": INSPECTION_ITEMS[name]}
    named = state.named(state.focus) if state.unseen else None
    if named is not None:
        return "look_into", {"cause": named.name[:1].upper() + named.name[1:], "check": named.check}
    string = state.string(state.focus)
    values: dict[str, object] = {"string": state.focus, "fret": state.fret}
    if state.phase is Phase.MOVING:
        return _moving(state, values)
    waited = asked(state)
    place = waited[1] if waited is not None else OPEN
    if state.doubt is not None:
        first, second = (where(one.string, Place.parse(one.place)) for one in (state.doubt.first, state.doubt.second))
        return "say_which", {"first": first, "second": second, "wanted": where(state.focus, place)}
    if place == HARMONIC:
        return "pluck_harmonic", values
    if place != OPEN:
        return "pluck_fretted", values | {"fret": place.fret}
    if state.phase in (Phase.TUNING, Phase.RETUNING):
        if string.open_cents is None and state.phase is Phase.RETUNING:
            return "bring_up", values
        if string.open_cents is None or string.unsure_cents > UNSURE_LIMIT_CENTS or in_tune(string):
            return "pluck_open", values
        code = "tune_up" if string.open_cents < 0.0 else "tune_down"
        return code, values | {"cents": abs(string.open_cents)}
    if string.scattered and not string.plucks:
        return "pluck_again", values
    return "pluck_open", values


def where(string: int, place: Place) -> str:
    """A place on a string in words."""
    if place == HARMONIC:
        return f"the harmonic of string {string}"
    return f"string {string} open" if place == OPEN else f"string {string} at fret {place.fret}"


def left_out_because(state: State, number: int) -> str:
    """Why a string is left out, in one line; empty if it is not."""
    string = state.string(number)
    if string.status is Status.SET_ASIDE:
        return string.reason
    if string.status is not Status.OUT_OF_TRAVEL:
        return ""
    if state.instrument is None or state.instrument.adjuster_of(number) is None:
        return FIXED_SADDLE
    missing_mm = string.advice.missing_mm if string.advice is not None else 0.0
    return f"{missing_mm:.1f} mm of travel missing"


def _moving(state: State, values: dict[str, object]) -> tuple[str, dict[str, object]]:
    advice = state.string(state.focus).advice
    if advice is None:
        return "place_saddle", values
    values = values | {"mm": abs(advice.mm), "direction": advice.direction}
    assert state.instrument is not None
    if state.instrument.bridge.slacken and state.string(state.focus).status is Status.TO_MOVE:
        held = sharing(state.instrument, state.focus)
        names = ", ".join(str(n) for n in reversed(held))
        return "slacken", values | {"slack": f"strings {names}" if len(held) > 1 else f"string {state.focus}"}
    adjuster = state.instrument.adjuster_of(state.focus)
    if adjuster is not None and adjuster.means == SHAPED:
        return "shape_crown", values
    if advice.turns is not None:
        return "turn_screw", values | {"turns": turns_text(advice.turns)}
    return "shift_saddle", values
