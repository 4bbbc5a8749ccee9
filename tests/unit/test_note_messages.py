"""Readings as notes and bends: the note of a place, what the deviation is relative to, bends that go with both."""

from __future__ import annotations

import asyncio
import unittest.mock
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_up_session import SCREWS, clock
from made_up_session import reading as made_up_reading

from oscservice.api.address_table import TABLE
from oscservice.api.note_messages import PitchBends, midi_note, reading_message
from oscservice.daemon.coordinator import Coordinator
from oscservice.daemon.session_service import SessionService
from oscservice.hearing.listener import LiveReading, NoteHeard
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import tuned_by, with_capo, with_notes, with_reference
from oscservice.instrument.pitch import (
    BEND_CENTRE,
    BEND_HIGHEST,
    HARMONIC,
    MOST_SEMITONES,
    OPEN,
    Place,
    cents_between,
    pitch_bend,
)
from oscservice.instrument.spec import Instrument
from oscservice.osc.packet import encode
from oscservice.osc.peer import Peer
from oscservice.record.journal import Journal
from oscservice.session.events import ReadingTaken

GUITAR = load_instrument(SCREWS)
RANGES = st.integers(1, MOST_SEMITONES)


def taken(instrument: Instrument, string: int, place: Place, cents: float) -> ReadingTaken:
    hz = instrument.place_hz(string, place) * 2.0 ** (cents / 1200.0)
    return ReadingTaken(string, str(place), hz, 0.1, -20.0, cents, 1.0, 1e-4)


# Frequencies of equal temperament at A4 = 440 Hz, ISO 16:1975; MIDI numbers as in the MIDI 1.0 specification, where
# middle C is 60 and A4 is 69 (from memory).
@pytest.mark.parametrize(
    ("string", "place", "name", "midi", "hz"),
    [
        (6, OPEN, "E2", 40, 82.4069),
        (5, OPEN, "A2", 45, 110.0),
        (1, OPEN, "E4", 64, 329.6276),
        (1, Place("fret", 5), "A4", 69, 440.0),
        (2, Place("fret", 1), "C4", 60, 261.6256),
        (5, HARMONIC, "A3", 57, 220.0),
        (6, Place("fret", 12), "E3", 52, 164.8138),
        (3, Place("fret", 14), "A4", 69, 440.0),
    ],
)
def test_the_note_of_a_place(string: int, place: Place, name: str, midi: int, hz: float) -> None:
    sent = reading_message(taken(GUITAR, string, place, 0.0), GUITAR)
    assert sent[:5] == (string, place.kind, place.fret, name, midi)
    assert sent[5] == pytest.approx(hz, rel=1e-6)
    assert sent[6] == 0.0


@pytest.mark.parametrize("cents", [-240.0, -61.0, -3.0, 0.0, 49.0, 130.0])
@pytest.mark.parametrize("place", [OPEN, HARMONIC, Place("fret", 7)])
def test_note_and_deviation_fit_at_any_distance(place: Place, cents: float) -> None:
    """Note and deviation together give the pitch that was heard, whatever the nearest note would be."""
    _, _, _, _, midi, hz, off, *_ = reading_message(taken(GUITAR, 4, place, cents), GUITAR)
    assert isinstance(midi, int)
    assert float(hz) == pytest.approx(440.0 * 2.0 ** ((midi - 69 + float(off) / 100.0) / 12.0), rel=1e-9)


def test_at_another_reference_the_deviation_is_from_the_note_at_that_reference() -> None:
    low = with_reference(GUITAR, 432.0)
    event = taken(low, 1, Place("fret", 5), 2.0)
    assert event.f1_hz == pytest.approx(432.0 * 2.0 ** (2.0 / 1200.0))
    assert reading_message(event, low)[3:5] == ("A4", 69)
    assert reading_message(event, low)[6] == 2.0
    assert cents_between(event.f1_hz, 440.0) == pytest.approx(2.0 - 31.7667, abs=1e-3), "which is not what is sent"


@pytest.mark.parametrize(
    ("instrument", "string", "place", "note"),
    [
        (tuned_by(GUITAR, -2), 6, Place("fret", 12), ("D3", 50)),
        (with_notes(GUITAR, ["D4", "B3", "G3", "D3", "A2", "D2"]), 6, OPEN, ("D2", 38)),
        (with_capo(GUITAR, 3), 6, OPEN, ("G2", 43)),
        (with_capo(GUITAR, 3), 6, Place("fret", 9), ("E3", 52)),
        (load_instrument("bass-5-864"), 5, OPEN, ("B0", 23)),
    ],
)
def test_in_other_tunings(instrument: Instrument, string: int, place: Place, note: tuple[str, int]) -> None:
    assert reading_message(taken(instrument, string, place, 1.0), instrument)[3:5] == note
    assert midi_note(instrument, string, place) == note[1]


def test_a_strings_own_offset_is_in_its_target() -> None:
    """A string wanted 4 cents flat of its note is in tune there: deviation 0, no bend."""
    strings = (*GUITAR.strings[:5], GUITAR.strings[5].model_copy(update={"offset_cents": -4.0}))
    sweet = GUITAR.model_copy(update={"strings": strings})
    event = taken(sweet, 6, OPEN, 0.0)
    assert cents_between(event.f1_hz, 82.40689) == pytest.approx(-4.0, abs=1e-3)
    assert reading_message(event, sweet)[6] == 0.0
    assert PitchBends(2).reading(event, sweet) == {"/reading/bend": (6, 40, BEND_CENTRE)}


# MIDI 1.0 Detailed Specification, Pitch Bend Change, and registered parameter 0, pitch bend sensitivity (both from
# memory): 14 bits, 2000 hex the centre, 0 and 3FFF hex the ends, two semitones the usual range.
@pytest.mark.parametrize(
    ("cents", "semitones", "bend"),
    [
        (0.0, 2, 0x2000),
        (-200.0, 2, 0),
        (200.0, 2, 0x3FFF),
        (100.0, 2, 0x3000),
        (-100.0, 2, 0x1000),
        (-4800.0, 48, 0),
        (4800.0, 48, 0x3FFF),
        (1200.0, 12, 0x3FFF),
        (1e6, 2, 0x3FFF),
        (-1e6, 2, 0),
    ],
)
def test_published_pitch_bends(cents: float, semitones: int, bend: int) -> None:
    assert pitch_bend(cents, semitones) == bend


def test_a_published_bend_is_split_into_two_bytes_of_seven_bits() -> None:
    """The same specification: no bend is sent as the data bytes 00 40 hex, the lower seven bits first."""
    assert (BEND_CENTRE & 0x7F, BEND_CENTRE >> 7) == (0x00, 0x40)
    assert (BEND_HIGHEST & 0x7F, BEND_HIGHEST >> 7) == (0x7F, 0x7F)


def cents_of(bend: int, semitones: int) -> float:
    """A bend as a program that knows only MIDI takes it: so much of the range, up or down."""
    return (bend - 0x2000) / 0x2000 * semitones * 100.0


@given(RANGES, st.integers(0, BEND_HIGHEST))
def test_a_bend_says_its_cents_and_back(semitones: int, bend: int) -> None:
    assert pitch_bend(cents_of(bend, semitones), semitones) == bend
    assert -100.0 * semitones <= cents_of(bend, semitones) < 100.0 * semitones


@given(RANGES, st.floats(-1.0, 0.9998))
def test_cents_come_back_to_half_a_unit(semitones: int, share: float) -> None:
    cents = share * 100.0 * semitones
    assert abs(cents_of(pitch_bend(cents, semitones), semitones) - cents) <= 100.0 * semitones / 8192 / 2 * 1.0001


@given(RANGES, st.floats(-1e5, 1e5), st.floats(-1e5, 1e5))
def test_sharper_never_bends_lower(semitones: int, first: float, second: float) -> None:
    low, high = sorted((first, second))
    assert pitch_bend(low, semitones) <= pitch_bend(high, semitones)


def test_no_range_is_no_bend() -> None:
    for wrong in (0, -2):
        with pytest.raises(ValueError, match="expected 1 or more"):
            pitch_bend(0.0, wrong)
    off = PitchBends()
    assert (off.topics(), off.live(3, 5.0), off.reading(taken(GUITAR, 3, OPEN, 5.0), GUITAR)) == (
        {"/bend/range": (0,)},
        {},
        {},
    )


def test_the_bench_sends_bends_once_a_range_is_set(tmp_path: Path) -> None:
    async def run() -> None:
        with Journal.open(tmp_path / "journal.sqlite3") as journal:
            coordinator = Coordinator(
                SessionService(journal, clock), tell=lambda line: None, instrument_folder=tmp_path
            )
            sent: dict[str, Any] = {}

            def ask(path: str, *values: int | str) -> None:
                coordinator.server.receive(encode("/bench" + path, *values), sender)

            def pluck(string: int) -> None:
                hz = GUITAR.open_hz(string) * 2.0 ** (12.0 / 1200.0)
                coordinator.hear(0, [LiveReading(0.1, hz, 0.3, -20.0), NoteHeard(0.1, made_up_reading(hz))])

            with unittest.mock.patch.object(coordinator.server, "publish", sent.update):
                ask("/session/begin", SCREWS, "made up")
                ask("/session/inspect", "all", "passed")
                pluck(6)
                assert sent["/reading"][3:5] == ("E2", 40)
                assert not [address for address in sent if address.endswith("/bend")]
                ask("/bend/set", 2)
                await asyncio.sleep(0)
                assert sent["/bend/range"] == (2,)
                pluck(5)
                twelve_cents = 8192 + round(12 / 200 * 8192)
                assert sent["/reading/bend"] == (5, 45, twelve_cents)
                assert sent["/string/5/bend"] == (twelve_cents,)
                assert coordinator.snapshot()["/bend/range"] == (2,)
                sent.clear()
                ask("/bend/set", 0)
                pluck(4)
                assert not [address for address in sent if address.endswith("/bend")]
            for address, values in {
                "/reading/bend": (5, 45, 8683),
                "/string/5/bend": (8683,),
                "/bend/range": (2,),
            }.items():
                assert encode("/bench" + address, *TABLE.typed(address, values))

    sender = Peer("127.0.0.1", 5000)
    asyncio.run(run())
