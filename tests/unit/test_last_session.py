"""The last session of an instrument, looked up in the journal."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from oscservice.daemon.session_service import SessionService, last_session
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import with_action
from oscservice.instrument.spec import Instrument
from oscservice.record.journal import Journal
from oscservice.record.recorder import Recorder
from oscservice.session import commands as cm

GUITAR = load_instrument("six-string-648")


def clock() -> datetime:
    return datetime(2026, 11, 25, 9, 30, tzinfo=UTC)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite3") as opened:
        yield opened


def session(journal: Journal, instrument: Instrument = GUITAR, treble_mm: float | None = None) -> None:
    """A whole session, abandoned; with an action measured in it."""
    service = SessionService(journal, clock)
    service.carry_out(cm.Begin(instrument, "made up"))
    if treble_mm is not None:
        service.carry_out(cm.Measured("action/treble", treble_mm))
    service.carry_out(cm.Abandon())


def test_the_newest_closed_session_is_the_last_with_what_was_measured_in_it(journal: Journal) -> None:
    assert last_session(journal, GUITAR) is None
    session(journal, treble_mm=1.4)
    session(journal, treble_mm=1.8)
    session(journal, load_instrument("bass-4-864"))
    SessionService(journal, clock).carry_out(cm.Begin(GUITAR, "still open"))
    assert last_session(journal, GUITAR) == cm.LastTime(GUITAR, with_action(GUITAR, 1.8, 2.0))


def test_an_instrument_goes_by_its_identity_and_not_by_its_name(journal: Journal) -> None:
    blue = GUITAR.model_copy(update={"identity": "the blue one"})
    session(journal, blue)
    assert last_session(journal, GUITAR) is None
    assert last_session(journal, blue.model_copy(update={"name": "renamed"})) == cm.LastTime(blue, blue)


def test_events_only_in_memory_count_too(tmp_path: Path) -> None:
    (tmp_path / "j").mkdir()
    recorder = Recorder(None, tmp_path / "j", "no disk")
    assert last_session(recorder, GUITAR) is None
    service = SessionService(recorder, clock)
    service.carry_out(cm.Begin(GUITAR, "made up"))
    service.carry_out(cm.Measured("action/bass", 2.2))
    service.carry_out(cm.Abandon())
    assert last_session(recorder, GUITAR) == cm.LastTime(GUITAR, with_action(GUITAR, 1.6, 2.2))


def test_a_session_that_cannot_be_read_is_skipped(
    journal: Journal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    session(journal, treble_mm=1.4)
    session(journal, treble_mm=1.8)
    with sqlite3.connect(tmp_path / "journal.sqlite3") as other:
        other.execute("UPDATE events SET body = '{}' WHERE session LIKE '%-2' AND kind = 'ItemMeasured'")
    other.close()
    assert last_session(journal, GUITAR) == cm.LastTime(GUITAR, with_action(GUITAR, 1.4, 2.0))
    assert "2026-11-25-2 is skipped" in caplog.text


def test_the_service_knows_the_day_and_the_last_session(journal: Journal) -> None:
    session(journal, treble_mm=1.8)
    begin = SessionService(journal, clock).with_history(cm.Begin(GUITAR, "next", 1.0, "5 12"))
    here = clock().astimezone().date().isoformat()
    last = cm.LastTime(GUITAR, with_action(GUITAR, 1.8, 2.0))
    assert begin == cm.Begin(GUITAR, "next", 1.0, "5 12", here, last)
