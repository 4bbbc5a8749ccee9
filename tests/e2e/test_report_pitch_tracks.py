"""Pitch tracks of kept sound: read from the files beside the journal, drawn, and reported."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_sessions import Invented, bass, journal_of, normal, with_pitch_tracks
from oscservice_process import run_command

from oscservice.hearing.listener import Quiet
from oscservice.record.kept_sound import file_name, flac, folder_of, stretch
from oscservice.report import pitch_track_drawing as drawing
from oscservice.report.gather_facts import pitch_tracks_of
from oscservice.report.page import page
from oscservice.session import events as ev
from oscservice.session.replay import effective_events

pytestmark = pytest.mark.slow

RATE_HZ, ONSET_S = 24000, 0.2


def note(f1_hz: float) -> np.ndarray:
    """Return a note whose pitch drops by 8 cents with a time constant of half a second."""
    times = np.arange(2 * RATE_HZ) / RATE_HZ
    turns = np.cumsum(2.0 ** (8.0 * np.exp(-2.0 * times) / 1200.0)) / RATE_HZ * f1_hz
    return np.concatenate((np.zeros(round(ONSET_S * RATE_HZ)), 0.3 * np.exp(-times) * np.sin(2.0 * np.pi * turns)))


def with_sound(invented: Invented, folder: Path, count: int) -> Invented:
    """Return the session with kept sound of its last ``count`` plucks, in its folder."""
    events = [event for step in invented.steps for event in step]
    readings = [at for at, event in enumerate(events) if isinstance(event, ev.ReadingTaken)][-count:]
    (folder / invented.name).mkdir(parents=True)
    for at in readings:
        kept = stretch(note(events[at].f1_hz).astype(np.float32), RATE_HZ, ONSET_S, Quiet(-90.0))
        assert kept is not None
        (folder / invented.name / file_name(at + 1, kept.sound)).write_bytes(flac(kept))
        events[at] = replace(events[at], sound=kept.sound.to_json())
    left = iter(events)
    steps = tuple(tuple(next(left) for _ in step) for step in invented.steps)
    return replace(invented, steps=steps)


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Invented]:
    path = tmp_path_factory.mktemp("pitch_tracks") / "journal.sqlite3"
    invented = with_sound(bass(), folder_of(path), 6)
    return journal_of(path, (invented,)), invented


def test_pitch_tracks_are_measured_in_kept_sound(journal):
    path, invented = journal
    found = pitch_tracks_of(folder_of(path), invented.name, effective_events(invented.timed))
    assert (len(found.plucks), found.missing, found.altered) == (6, 0, 0)
    numbers = {pluck.number: pluck for pluck in invented.facts.plucks}
    for track in found.plucks:
        assert (track.string, track.place) == (numbers[track.number].string, numbers[track.number].place)
        assert len(track.at_s) == len(track.cents) == len(track.se_cents) >= 6
        for at_s, cents in zip(track.at_s, track.cents, strict=True):
            assert cents == pytest.approx(8.0 * np.exp(-2.0 * at_s), abs=0.6)


def test_the_report_has_a_pitch_track_for_each_pluck(journal, tmp_path):
    path, _ = journal
    place = tmp_path / "a.json"
    got = run_command("report", "--journal", path, "--json", place, "-o", tmp_path / "a.html")
    assert (got.code, got.err) == (0, "")
    assert len(json.loads(place.read_text(encoding="utf-8"))["falls"]["plucks"]) == 6
    text = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert "From kept sound" in text
    assert "that is left out here" not in text


def test_missing_and_altered_files_are_counted_and_the_rest_is_reported(tmp_path):
    folder = tmp_path / "sound"
    invented = with_sound(bass(), folder, 4)
    first, second, *_ = sorted((folder / invented.name).iterdir())
    first.unlink()
    second.write_bytes(b"no sound at all")
    found = pitch_tracks_of(folder, invented.name, effective_events(invented.timed))
    assert (len(found.plucks), found.missing, found.altered) == (2, 1, 1)
    facts = replace(invented.facts, falls=found)
    assert "Kept sound that is left out here: 1 missing file, 1 changed file." in page(facts)


def test_a_report_without_kept_sound_has_no_pitch_tracks():
    assert pitch_tracks_of(Path("nowhere"), normal().name, effective_events(normal().timed)) is None
    assert "From kept sound" not in page(normal().facts)
    facts = with_pitch_tracks()
    all_missing = replace(facts, falls=replace(facts.falls, plucks=(), missing=3))
    assert "From kept sound" not in page(all_missing)
    assert "Kept sound that is left out here: 3 missing files, 1 changed file." in page(all_missing)


def test_the_scale_of_a_drawing_fits_the_pitch_tracks():
    low, high, seconds = drawing.limits_of(with_pitch_tracks().falls.plucks)
    assert (low, seconds) == (-2.0, 2.0)
    assert 6.0 < high <= 8.0
    assert "falling-wide" in page(with_pitch_tracks())
    assert page(with_pitch_tracks()) == page(with_pitch_tracks())
