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
from oscservice.instrument.courses import course_of
from oscservice.instrument.hardware import AWAY_FROM_NUT, STRING_LOCK, TWO_SCREW_BAR, UP
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.instrument.spec import SHAPED, Adjuster
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session.events import MissedStepNoticed
from oscservice.session.hand_steps import LET_DOWN_SEMITONES, far_moved, moved_next, must_be_slack, waiting_step
from oscservice.session.inspection import off, off_code
from oscservice.session.item_texts import item_texts, tool_name
from oscservice.session.next_pluck import asked, in_tune, unclear
from oscservice.session.state import Item, State
from oscservice.session.string_state import StringState
from oscservice.session.tuning_rounds import rise_when_slack
from oscservice.session.tuning_target import tuning_target
from oscservice.session.vocabulary import Check, Drift, Ending, InspectionVerdict, Phase, Status, place_text

MATTERS = 0.25
"""Share of the tolerance: a pluck whose strength leaves more than this in doubt (1 sd) is asked for again."""


def strength_off_db(state: State) -> float:
    """The level of the last pluck of the string in focus above its others, in dB, if that matters for the comparison;
    else 0. The pluck counts in both cases, with a larger standard error. A harmonic sounds softer by its nature, so it
    is not compared with others."""
    if state.phase not in (Phase.COMPARING, Phase.PROVING) or not state.focus:
        return 0.0
    string = state.string(state.focus)
    alike = [pluck for pluck in string.plucks if pluck.place != HARMONIC]
    if len(alike) < 2 or alike[-1] is not string.plucks[-1]:
        return 0.0
    *before, last = (pluck.known_strength_db for pluck in alike)
    others = [strength for strength in before if strength is not None]
    if last is None or not others:
        return 0.0
    middle = median(others)
    slope = slope_for([*others, last], string.slope).at(middle)
    doubt_cents = abs(amplitude(last, middle) - 1.0) * slope.se_cents
    return last - middle if doubt_cents > MATTERS * state.tolerance_cents else 0.0


_TURNS = ("tune_up", "tune_down")

_ITEMS = ("inspect", "put_right", "measured_off")
"""Prompts about an inspection item: they have its tool, its reason and its caution."""

_SEALED = ("hand_over", "hand_over_partly")

_SOUNDING = ("bring_up", "tune_up", "tune_down", "pluck_open", "pluck_fretted", "pluck_harmonic", "pluck_again")
"""Prompts for a string to sound alone."""

_ENDINGS: dict[Ending, str] = {
    Ending.PROVED: "hand_over",
    Ending.PARTLY_PROVED: "hand_over_partly",
    Ending.ABANDONED: "abandoned",
    Ending.HOLDS: "check_holds",
    Ending.DRIFTED: "check_drifted",
    Ending.UNSURE: "check_unsure",
}


_TOOLS = {
    "centre_fine_tuners": "fine tuner",
    "open_nut": "nut clamp",
    "close_nut": "nut clamp",
    "check_action": "ruler",
    "slacken": "saddle rule",
    "shift_saddle": "saddle clamp",
    "place_saddle": "saddle clamp",
    "turn_screw": "saddle screw",
    "shape_crown": "crown",
}
"""Prompt -> the tool of its step (``hardware.TOOLS``)."""

_RISING_MM = 0.3  # after a shorter way of the saddle the old bend of the string still lies on it
_RISE_CENTS = 3.0  # a smaller rise of the other strings is not worth a sentence


@dataclass(frozen=True)
class Prompt:
    """The next thing to do: a fixed code, a sentence, a caution, the tool and the reason (these may be empty)."""

    code: str
    text: str
    caution: str
    tool: str = ""
    reason: str = ""


def prompt(state: State, sentences: Sentences = ENGLISH) -> Prompt:
    """The prompt of a state, in the language of a table of sentences."""
    code, values = _code(state, sentences)
    tool = tool_for(state, _TOOLS[code], sentences) if code in _TOOLS else ""
    text = sentences.text("prompt", code, "text", **{"tool": tool, **values})
    cautions, reason = [sentences.caution(code)], sentences.optional("prompt", code, "reason")
    if code in _ITEMS:
        item = item_texts(state, _item_now(state)[0], sentences)
        tool, reason = item.tool, f"{item.effect} {item.order}"
        cautions.append(item.caution)
    if code in _TURNS:
        text = " ".join([text, *_pulled(state.string(state.focus), sentences)])
        if state.round_share < 1.0:
            cautions.append(sentences.text("words", "part_of_the_way"))
    before, after = _around(state, code, sentences)
    missed = notice_text(state, sentences)
    if state.notice is not None:
        cautions.append(sentences.optional("notice", state.notice.what, "caution"))
    text = " ".join(part for part in (missed, before, text, after) if part)
    caution = " ".join(part for part in cautions if part)
    return Prompt(code, text, caution, tool, reason)


def tool_for(state: State, step: str, sentences: Sentences = ENGLISH) -> str:
    """The name of a step's tool: the owner's own, or the usual one."""
    return tool_name(state.instrument, step, sentences)


def notice_text(state: State, sentences: Sentences = ENGLISH) -> str:
    """The step that was left out or done wrongly, in words; empty if none was noticed in the last step."""
    return "" if state.notice is None else missed_text(state.notice, sentences)


def missed_text(notice: MissedStepNoticed, sentences: Sentences) -> str:
    """A step that was left out or done wrongly, in words."""
    values = {"string": notice.string, "wanted": notice.wanted, "found": notice.found}
    return sentences.text("notice", notice.what, "text", **values)


def _around(state: State, code: str, sentences: Sentences) -> tuple[str, str]:
    """Sentences before and after that of the prompt, which the hardware makes necessary."""
    before, after = [], []
    if state.phase is Phase.MOVING and state.nut_closed:
        before.append(sentences.text("words", "open_nut_first", tool=tool_for(state, "nut clamp", sentences)))
    if code in ("slacken", "let_down"):
        semitones = LET_DOWN_SEMITONES if code == "let_down" else None
        rise_cents = rise_when_slack(state, state.focus, semitones)
        if rise_cents >= _RISE_CENTS and len(_together(state)) > 1:
            before.append(sentences.text("words", "block_bridge"))
        elif rise_cents >= _RISE_CENTS:
            after.append(sentences.text("words", "others_rise", cents=rise_cents))
    beside = _beside(state) if code in _SOUNDING else []
    if beside:
        after.append(sentences.text("words", "mute", strings=_strings(beside, sentences)))
    compromises = _compromises(state) if code in _SEALED else []
    if compromises:
        before.append(sentences.text("words", "compromise", strings=_strings(compromises, sentences)))
    return " ".join(before), " ".join(after)


def _beside(state: State) -> list[int]:
    """The other strings of the course that the string in focus belongs to."""
    if state.instrument is None or not state.focus:
        return []
    return [n for n in course_of(state.instrument, state.focus) if n != state.focus]


def _compromises(state: State) -> list[int]:
    """Strings that are proved beyond the tolerance, since their saddle is also that of other strings."""
    assert state.instrument is not None
    proved = {n: state.string(n).last for n in reversed(state.numbers) if state.string(n).proved}
    beyond = [n for n, last in proved.items() if last is not None and abs(last.error_cents) > state.tolerance_cents]
    return [n for n in beyond if len(strings_moved_together(state.instrument, n)) > 1]


def _bend(state: State, mm: float, sentences: Sentences) -> str:
    """The words for the bend of a string whose saddle has moved ``mm``; empty where it is still at the saddle."""
    assert state.instrument is not None
    if mm <= _RISING_MM or state.instrument.bridge.anchor == STRING_LOCK:
        return ""
    return sentences.text("words", "witness_bend")


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
    step = waiting_step(state)
    if step is not None:
        return str(step), values | {"strings": _strings(far_moved(state), sentences)}
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
        # A string whose nut clamp was closed or opened is only some cents off: it is heard before it is tuned.
        if string.open_cents is None and state.phase is Phase.RETUNING and string.clamp_from_cents is None:
            return "bring_up", values | {"target": tuning_target(state, state.focus).text(sentences)}
        if string.open_cents is None or unclear(string) or in_tune(string):
            return "pluck_open", values
        off_cents = string.open_cents - string.target_cents
        assert state.instrument is not None
        means = _by_fine_tuner(state, off_cents < 0.0, sentences)
        more = {"means": means, "target": tuning_target(state, state.focus).text(sentences)}
        return "tune_up" if off_cents < 0.0 else "tune_down", values | more | {"cents": abs(off_cents)}
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


def _by_fine_tuner(state: State, up: bool, sentences: Sentences) -> str:
    """The fine tuner and the way to turn it, with a blank before; empty where the peg is turned."""
    tuners = state.instrument.fine_tuners if state.instrument is not None else None
    if tuners is None or not state.nut_closed:
        return ""
    sense = "clockwise" if up == (tuners.clockwise == UP) else "counterclockwise"
    return sentences.text("words", "at_fine_tuner", sense=sentences.text("words", sense))


def _pulled(string: StringState, sentences: Sentences) -> list[str]:
    """On a spring-balanced bridge, why a string is brought to another pitch than its own."""
    pull_cents = string.target_cents - string.goal_cents
    if round(string.target_cents) == 0 or abs(pull_cents) < 1.0:
        return []
    return [sentences.text("words", "pulled_down" if pull_cents > 0.0 else "pulled_up")]


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
    name, item = _item_now(state)
    if item.verdict is not InspectionVerdict.FAILED and off(state, name):
        return off_code(state, name), {"off": off(state, name, sentences), "name": sentences.text("item", name, "name")}
    texts = item_texts(state, name, sentences)
    code = "put_right" if item.verdict is InspectionVerdict.FAILED else "inspect"
    return code, {"name": texts.name, "what": texts.what, "how": texts.how}


def _item_now(state: State) -> tuple[str, Item]:
    """The first inspection item that is neither passed nor waived."""
    settled = (InspectionVerdict.PASSED, InspectionVerdict.WAIVED)
    return next((name, item) for name, item in state.items if item.verdict not in settled)


def _moving(state: State, values: dict[str, object], sentences: Sentences) -> tuple[str, dict[str, object]]:
    """The prompt for a string whose saddle is moved: its code and values."""
    assert state.instrument is not None
    number = state.focus
    advice = state.string(number).advice
    hold, rule = (tool_for(state, step, sentences) for step in ("saddle hold", "saddle rule"))
    values = values | {"target": tuning_target(state, number).text(sentences), "hold": hold, "rule": rule}
    if advice is None:
        return "place_saddle", values
    way = {TOWARD: "toward_nut", AWAY: "away_from_nut"}.get(advice.direction, "stay")
    values |= {"mm": abs(advice.mm), "direction": sentences.text("words", way)}
    values |= {"then": _then(state, values, _bend(state, advice.mm, sentences), sentences)}
    adjuster = state.instrument.adjuster_of(number)
    if adjuster is not None:
        bar = state.instrument.bridge.saddle == TWO_SCREW_BAR
        values |= {"part": _part(state, adjuster, sentences), "screw": _screw(state, adjuster, sentences)}
        values |= {"where": sentences.text("words", "at_string", string=number) if bar else ""}
    turns = ""
    if advice.turns is not None:
        turns = turns_text(advice.turns, sentences) + _sense(state, number, sentences)
    values |= {"turns": turns}
    if state.string(number).status is Status.TO_MOVE and must_be_slack(state, number):
        together = _strings(reversed(_together(state)), sentences)
        if state.instrument.bridge.slacken:
            return "slacken", values | {"slack": together}
        below = tuning_target(state, number, LET_DOWN_SEMITONES).text(sentences)
        key = "down_to" if len(strings_moved_together(state.instrument, number)) == 1 else "down_to_of"
        below = sentences.text("words", key, string=number, target=below)
        return "let_down", values | {"slack": together, "below": below}
    if adjuster is not None and adjuster.means == SHAPED:
        return "shape_crown", values
    return "turn_screw" if advice.turns is not None else "shift_saddle", values


def _together(state: State) -> list[int]:
    """The strings that are slackened for the saddle of the string in focus."""
    return [] if state.instrument is None else list(strings_moved_together(state.instrument, state.focus))


def _then(state: State, values: dict[str, object], bend: str, sentences: Sentences) -> str:
    """The words for what follows a move: the string is tuned, or stays slack for the next saddle."""
    key = "then_tune" if moved_next(state, state.focus) is None else "then_next"
    return sentences.text("words", key, bend=bend, **values)


def _part(state: State, adjuster: Adjuster, sentences: Sentences) -> str:
    """The part that is moved for the string in focus, in words."""
    assert state.instrument is not None
    crown, bar = adjuster.means == SHAPED, state.instrument.bridge.saddle == TWO_SCREW_BAR
    return sentences.text("words", "crown" if crown else "bar" if bar else "saddle", string=state.focus)


def _screw(state: State, adjuster: Adjuster, sentences: Sentences) -> str:
    """The screw that is turned for the string in focus, in words."""
    assert state.instrument is not None
    if state.instrument.bridge.saddle == TWO_SCREW_BAR:
        first = list(state.instrument.bridge.adjusters).index(adjuster) == 0
        return sentences.text("words", "treble_screw" if first else "bass_screw", string=state.focus)
    if len(adjuster.influence) > 1:
        return sentences.text(
            "words", "screw_of", strings=_strings(sorted(adjuster.influence, reverse=True), sentences)
        )
    return sentences.text("words", "screw", string=state.focus)


def _sense(state: State, number: int, sentences: Sentences) -> str:
    """The way to turn a screw, in words with a blank before; empty if the file does not say which way it moves."""
    way = turning_sense(state, number)
    return f" {sentences.text('words', way)}" if way else ""


def turning_sense(state: State, number: int) -> str:
    """``clockwise`` or ``counterclockwise``, seen from the screw's head, for the advised move of a string; empty if it
    is not known."""
    advice = state.string(number).advice
    adjuster = state.instrument.adjuster_of(number) if state.instrument is not None else None
    if advice is None or advice.turns is None or adjuster is None or adjuster.clockwise is None or not advice.turns:
        return ""
    away = advice.turns > 0.0
    return "clockwise" if away == (adjuster.clockwise == AWAY_FROM_NUT) else "counterclockwise"
