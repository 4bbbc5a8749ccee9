"""The texts of an inspection item, in words that suit the instrument's hardware."""

from __future__ import annotations

from dataclasses import dataclass

from oscservice.instrument.hardware import SHAPED_SADDLE
from oscservice.instrument.spec import Instrument
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session.state import State

_TOOLS = {
    "strings": ("", "cutter"),
    "frets": ("ruler", "crown"),
    "relief": ("feeler gauge", "truss rod"),
    "action": ("ruler", "height screw"),
    "nut": ("feeler gauge", "nut slot"),
    "bridge": ("", "saddle screw"),
    "pickups": ("ruler", "pickup height"),
    "tuning": ("", "peg"),
}
"""Item -> the step whose tool measures it (``hardware.TOOLS``), empty where it is inspected by eye, and the step whose
tool corrects it."""

_OF_SPRINGS = ("ruler", "spring claw")
"""The same of a spring-balanced bridge."""


@dataclass(frozen=True)
class ItemTexts:
    """An inspection item in words.

    Attributes:
        name: its name.
        what: what is right.
        how: how it is measured, with which tool.
        effect: its effect on the intonation.
        order: why it comes where it does, and what must be done again after a change.
        caution: where the work can hurt.
        tool: the tool that it is measured with; empty where it is inspected by eye.
    """

    name: str
    what: str
    how: str
    effect: str
    order: str
    caution: str
    tool: str = ""


def item_texts(state: State, item: str, sentences: Sentences = ENGLISH) -> ItemTexts:
    """Return the texts of an inspection item for the instrument of a state."""
    instrument = state.instrument
    measured_with, corrected_with = _TOOLS[item]
    if item == "bridge" and instrument is not None and instrument.bridge.floating:
        measured_with, corrected_with = _OF_SPRINGS
    tool = tool_name(instrument, measured_with, sentences) if measured_with else ""
    adjuster = tool_name(instrument, corrected_with, sentences)
    kinds = _kinds(instrument)

    def text(field: str) -> str:
        own = next((f"{field}_{kind}" for kind in kinds if ("item", item, f"{field}_{kind}") in sentences.texts), field)
        return sentences.text("item", item, own, tool=tool, adjuster=adjuster)

    how = text("how")
    if item == "strings" and instrument is not None and instrument.set_up.string_set:
        how = f"{sentences.text('words', 'string_set', name=instrument.set_up.string_set)}. {how}"
    return ItemTexts(text("name"), text("what"), how, text("effect"), text("order"), text("caution"), tool)


def tool_name(instrument: Instrument | None, step: str, sentences: Sentences = ENGLISH) -> str:
    """Return the name of a step's tool: the owner's own, or the usual one."""
    own = instrument.tools.get(step) if instrument is not None else None
    return own or sentences.text("tool", step, "name")


def _kinds(instrument: Instrument | None) -> tuple[str, ...]:
    """Return the ends of fields that suit the hardware: a saddle in one piece, its kind of nut, and its balance."""
    if instrument is None:
        return ()
    saddle = ("one_piece",) if instrument.bridge.saddle == SHAPED_SADDLE else ()
    return *saddle, instrument.nut.kind.replace(" ", "_"), instrument.bridge.balance.replace("-", "_")
