"""What is told of the inspection: each item, what was measured for it, and what changed since last time. Pure."""

from __future__ import annotations

from oscservice.daemon.told import MOST_CHARACTERS, Topic
from oscservice.session.inspecting import BASS, RELIEF, TREBLE, age_of, off
from oscservice.session.state import State

_MEASURED = {
    RELIEF: "/inspect/relief/value",
    TREBLE: "/inspect/action/treble",
    BASS: "/inspect/action/bass",
}


def inspection_topics(state: State) -> dict[str, Topic]:
    """Every item, and what is known of it; what was not measured has no topic."""
    values: dict[str, Topic] = {}
    for name, item in state.items:
        values[f"/inspect/{name}"] = (str(item.verdict),)
        values[f"/inspect/{name}/note"] = (item.note[:MOST_CHARACTERS],)
        values[f"/inspect/{name}/off"] = (off(state, name)[:MOST_CHARACTERS],)
    for what, mm in state.measured:
        nut, _, number = what.partition("/")
        values[_MEASURED.get(what, f"/string/{number}/{nut}/height")] = (mm,)
    age = age_of(state)
    if age is not None:
        values["/inspect/strings/days"] = (age.days,)
    # Line after line, whole ones only: each was told by itself already.
    text = "; ".join(text for _, text in state.changes)
    while len(text) > MOST_CHARACTERS:
        text = text.rpartition("; ")[0]
    return values | {"/changes": (text,)}
