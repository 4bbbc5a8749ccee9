"""Golden journals: they replay to the states they did, are read and written alike, and the same commands make them."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

import pytest
from golden.differences import CHANGED_NUMBERS, NEW_COMMANDS, NEW_EVENT_FIELDS, NEW_EVENTS, NEW_ITEMS, NEW_PRESETS
from golden.sessions import SESSIONS
from golden.stored import (
    FOLDER,
    WHERE_CHANGED_NUMBERS_GO,
    WHERE_NEW_FIELDS_GO,
    WHERE_NEW_KINDS_GO,
    difference,
    event_of,
    first_difference,
    history_of,
    line_of,
    read,
)

from oscservice.instrument.instrument_file import preset_names
from oscservice.session import commands as cm
from oscservice.session import events as ev

NAMES = sorted(SESSIONS)


def lines_of(name: str) -> list[str]:
    return read(FOLDER / "journals" / f"{name}.jsonl.gz")


def is_new(event: ev.Event) -> bool:
    """True for an event that no golden journal can have."""
    return type(event).__name__ in NEW_EVENTS or (isinstance(event, ev.ItemInspected) and event.item in NEW_ITEMS)


def test_every_field_of_an_event_is_golden_or_listed_as_new() -> None:
    golden: dict[str, set[str]] = {}
    for line in (line for name in NAMES for line in lines_of(name)):
        event = json.loads(line)
        golden.setdefault(event["kind"], set()).update(event["body"])
    listed = {kind: sorted(names | NEW_EVENT_FIELDS.get(kind, frozenset())) for kind, names in golden.items()}
    kinds = [kind for kind in ev.Event.__args__ if kind.__name__ not in NEW_EVENTS]
    now = {kind.__name__: sorted(field.name for field in fields(kind)) for kind in kinds}
    assert now == listed, WHERE_NEW_FIELDS_GO


def test_every_event_command_and_preset_is_in_them() -> None:
    events = [event_of(line) for name in NAMES for line in lines_of(name)]
    kinds = {type(event).__name__ for event in events}
    assert {kind.__name__ for kind in ev.Event.__args__} - kinds == NEW_EVENTS, WHERE_NEW_KINDS_GO
    begun = {event.what for event in events if isinstance(event, ev.StepBegun)} | {"Undo"}
    assert {command.__name__ for command in cm.Command.__args__} - begun == NEW_COMMANDS, WHERE_NEW_KINDS_GO
    instruments = {json.loads(event.instrument)["name"] for event in events if isinstance(event, ev.SessionBegun)}
    assert set(preset_names()) - instruments == NEW_PRESETS, WHERE_NEW_KINDS_GO


@pytest.mark.parametrize("name", NAMES)
def test_a_journal_replays_to_the_same_states(name: str) -> None:
    golden = [json.loads(line) for line in read(FOLDER / "states" / f"{name}.json.gz")]
    assert first_difference(golden, history_of(map(event_of, lines_of(name)))) is None


@pytest.mark.parametrize("name", NAMES)
def test_a_line_is_written_as_it_was_read(name: str) -> None:
    for line in lines_of(name):
        assert line_of(event_of(line)) == line


@pytest.mark.parametrize("name", NAMES)
def test_the_same_commands_make_the_same_journal(name: str) -> None:
    golden = lines_of(name)
    made = [event for step in SESSIONS[name]().steps for event in step]
    now = [line_of(event) for event in made if not is_new(event)]
    for number, (old, new) in enumerate(zip(golden, now, strict=False), 1):
        found = None if old == new else difference(json.loads(old), json.loads(new))
        assert found is None, f"event {number}: {found}"
    assert len(now) == len(golden)


def test_a_difference_is_seen() -> None:
    one: dict[str, Any] = {"a": [1.0, '{"b": 2}'], "c": "#012345 6789ab"}
    assert difference(one, {**one, "a": [1.0 + 1e-12, '{"b":2}']}) is None or one["a"][0] == 1.0
    assert difference(one, {**one, "a": [1.0 + 1e-6, '{"b": 2}']}) == (
        f"a.1: 1.0 became 1.000001; {WHERE_CHANGED_NUMBERS_GO}"
    )
    assert difference(one, {**one, "a": [1.0, '{"b": 3}']}) == "a.2.b: 2 became 3"
    assert difference(one, {**one, "c": "#112345 6789ab"}) is not None
    assert difference(one, {"a": one["a"]}) == f"on one side only: ['c']; {WHERE_NEW_FIELDS_GO}"


def test_a_number_may_differ_if_it_is_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    one: dict[str, Any] = {"strings": {"6": {"odds": [0.5, 0.25]}}, "strings.6": "#012345 6789ab", "doubt": "#1 2"}
    moved = {**one, "strings": {"6": {"odds": [0.5, 0.2500001]}}}
    digested = {**one, "strings.6": "#112345 7789ab"}
    assert difference(one, moved) is not None
    assert difference(one, digested) is not None
    monkeypatch.setitem(CHANGED_NUMBERS, "strings.odds", 1e-6)
    assert difference(one, moved) is None
    assert difference(one, digested) is None
    assert difference(one, {**one, "doubt": "#2 3"}) is not None
    monkeypatch.setitem(CHANGED_NUMBERS, "why", 0.1)
    assert difference({"why": "string 4: 54% likely"}, {"why": "string 4: 51% likely"}) is None
    assert difference({"why": "string 4: 54% likely"}, {"why": "string 4: 45% likely"}) is not None
    assert difference({"why": "string 4: 54% likely"}, {"why": "string 4: 54% sure"}) is not None
    assert difference({"why": "string 4: 54% likely"}, {"why": "string 4: 54% likely, 1"}) is not None
    assert difference(one, {**one, "strings": {"6": {"odds": [0.5, 0.26]}}}) is not None
    assert difference(one, {**one, "strings": {"6": {"even": [0.5, 0.25]}}}) is not None
