"""The event of each sound, and reports about kept sound."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import cast

import numpy as np
import pytest

from oscservice.daemon.record_status import RecordStatus
from oscservice.hearing.listener import Quiet
from oscservice.record.kept_sound import Stretch, stretch
from oscservice.record.sound_writer import SoundWriter
from oscservice.session import events as ev

SESSION = "2026-11-25-1"


class Writer:
    """Takes note of what it is asked for."""

    def __init__(self) -> None:
        self.asked: list[tuple[object, ...]] = []
        self.notes: list[str] = []
        self.state = "kept"

    def keep(self, session: str, seq: int, kept: Stretch, title: str) -> None:
        self.asked.append((session, seq, kept.sound.sha256, title))

    def renamed(self, old: str, new: str) -> None:
        self.asked.append((old, new))

    def take_notes(self) -> list[str]:
        taken, self.notes = self.notes, []
        return taken


@pytest.fixture
def made() -> Stretch:
    found = stretch(np.full(100, 0.25, dtype=np.float32), 48000, 0.001, Quiet())
    assert found is not None
    return found


def recording() -> tuple[RecordStatus, Writer]:
    writer = Writer()
    return RecordStatus(None, cast(SoundWriter, writer)), writer


def taken(made: Stretch) -> ev.ReadingTaken:
    return ev.ReadingTaken(6, "fret 12", 164.8, 0.1, -20.0, 0.5, 1.0, 1e-4, sound=made.sound.to_json())


def test_the_sound_goes_to_the_event_that_names_it(made):
    one, writer = recording()
    one.keep(SESSION, 44, [ev.StepBegun("Hear"), taken(made), ev.PlucksForeseen(6, 2, "")], made)
    title = f"session {SESSION}, event 43: string 6 at fret 12"
    assert writer.asked == [(SESSION, 43, made.sound.sha256, title)]


def test_a_note_in_doubt_is_kept_before_its_string_is_given(made):
    one, writer = recording()
    _, body = ev.to_body(taken(made))
    doubted = ev.ReadingDoubted(json.dumps(body), json.dumps(body), 0.6, 0.3)
    one.keep(SESSION, 9, [ev.StepBegun("Hear"), doubted], made)
    assert writer.asked == [(SESSION, 9, made.sound.sha256, f"session {SESSION}, event 9")]


def test_sound_without_a_reading_is_not_kept(made):
    one, writer = recording()
    one.keep(SESSION, 5, [ev.StepBegun("Hear"), ev.StringSlackened(6, heard=True)], made)
    one.keep(SESSION, 5, [ev.StepBegun("Hear"), replace(taken(made), sound="")], made)
    one.keep(SESSION, 5, [ev.StepBegun("Hear"), taken(made)], None)
    assert writer.asked == []
    RecordStatus(None).keep(SESSION, 5, [ev.StepBegun("Hear"), taken(made)], made)


def test_another_name_is_handed_on_and_the_same_is_none():
    one, writer = recording()
    one.session_renamed(SESSION, SESSION)
    one.session_renamed(SESSION, "2026-11-25-2")
    assert writer.asked == [(SESSION, "2026-11-25-2")]


def test_a_change_is_kept_until_it_was_reported():
    one, writer = recording()
    assert one.topics()["/record/sound"] == ("kept",)
    assert not one.sound_has_changed()
    writer.state = "failing"
    assert one.sound_has_changed()
    assert one.topics()["/record/sound"] == ("failing",)
    assert not one.sound_has_changed()
    writer.notes.append("sound can't be kept for now")
    assert one.new_lines() == ["sound can't be kept for now"]
    assert one.unsent_lines(has_subscribers=True) == ["sound can't be kept for now"]
    assert one.new_lines() == []


def test_without_a_writer_it_is_off():
    assert RecordStatus(None).topics()["/record/sound"] == ("off",)
    assert not RecordStatus(None).sound_has_changed()
