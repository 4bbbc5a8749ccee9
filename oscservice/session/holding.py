"""Sessions that go on by hand: what follows from what is known is held back until somebody says to go on."""

from __future__ import annotations

from oscservice.sentences.table import ENGLISH, Sentences
from oscservice.session import events as ev
from oscservice.session.advance import following
from oscservice.session.state import State


def held_back(state: State) -> list[ev.Event]:
    """The step that a hands-free session would have taken by now; nothing in a hands-free session."""
    return following(state) if state.by_hand else []


def heard_enough(state: State, sentences: Sentences = ENGLISH) -> str | None:
    """What is known of the string at hand, in words, when a step is held back; None when none is."""
    for event in held_back(state):
        match event:
            case ev.StringJudged(error_cents=error, se_cents=se) | ev.StringProved(error_cents=error, se_cents=se):
                return sentences.text("words", "error", error=error, se=se)
            case ev.ScatterFound(scatter_cents=scatter):
                return sentences.text("words", "scatter", scatter=scatter)
            case ev.Focused(string=string):
                return sentences.text("words", "go_to", string=string)
    return sentences.text("words", "step_done") if held_back(state) else None
