"""Packaged recordings of real guitars through the whole listener: each is one note, the right one, and Praat agrees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from packaged.packaged_recordings import RecordedNote, freepats_notes, guitarsounds_notes, momentary_hz, readings
from packaged.praat import first_partial_hz

from oscservice import window_pitch
from oscservice.hearing.listener import ListenerEvent

pytestmark = pytest.mark.slow

WITHIN_CENTS = 30.0
"""A reading this near what its package says is the right note: the next one is 100 cents off, an octave 1200."""

AGREE_CENTS = 0.15
GROSS_CENTS = 5.0


@dataclass(frozen=True)
class Listened:
    """A recording and all that the listener said of it."""

    note: RecordedNote
    events: list[ListenerEvent]


def listened(notes: list[RecordedNote]) -> list[Listened]:
    """Each recording through a listener of its own."""
    return [Listened(note, note.events()) for note in notes]


@pytest.fixture(scope="module")
def open_strings(guitarsounds) -> list[Listened]:
    """Twelve open strings, with handling noise before each pluck."""
    return listened(guitarsounds_notes())


@pytest.fixture(scope="module")
def patches(freepats) -> list[Listened]:
    """Forty sampled notes, each from its pluck on."""
    return listened(freepats_notes())


@pytest.fixture(params=["open_strings", "patches"])
def recorded(request) -> list[Listened]:
    """Either set."""
    return request.getfixturevalue(request.param)


def test_all_recordings_are_there(open_strings, patches):
    assert (len(open_strings), len(patches)) == (12, 40)


def test_every_recording_has_one_reading_and_the_right_note(recorded):
    wrong = {}
    for each in recorded:
        off = [round(each.note.off_cents(heard.reading.f1_hz), 1) for heard in readings(each.events)]
        if len(off) != 1 or abs(off[0]) > WITHIN_CENTS:
            wrong[each.note.name] = off
    assert wrong == {}


def test_handling_noise_is_not_taken_for_the_pluck(open_strings):
    for each in open_strings:
        (heard,) = readings(each.events)
        loudest_s = int(np.argmax(np.abs(each.note.samples))) / each.note.rate_hz  # of all there is, the pluck is
        assert 0.0 < loudest_s - heard.onset_s < 0.1, each.note.name


def test_a_recording_that_starts_with_its_pluck_loses_nothing_of_it(patches):
    for each in patches:
        (heard,) = readings(each.events)
        assert heard.onset_s < 0.02, each.note.name


def test_momentary_values_are_the_note_too(recorded):
    for each in recorded:
        off = [each.note.off_cents(hz) for hz in momentary_hz(each.events)]
        assert len(off) > 10, each.note.name
        assert np.percentile(np.abs(off), 80.0) < WITHIN_CENTS, each.note.name


def test_first_partial_agrees_with_praat_on_the_same_window(recorded):
    # Praat's autocorrelation behind a band-pass around the first partial, on the same samples; it has been checked by
    # others for three decades (Boersma, IFA Proceedings 17 (1993) 97).
    apart = {}
    for each in recorded:
        note = each.note
        (heard,) = readings(each.events)
        window = note.window(heard.onset_s)
        praat_hz = first_partial_hz(window, note.rate_hz, note.nominal_hz)
        assert praat_hz is not None, note.name
        apart[note.name] = note.off_cents(window_pitch(window, note.rate_hz).f1_hz) - note.off_cents(praat_hz)
    assert np.median(np.abs(list(apart.values()))) < AGREE_CENTS
    # Where the first partial beats down to a few per cent of itself, a mean pitch depends on how the mean is taken.
    assert {name: cents for name, cents in apart.items() if abs(cents) > GROSS_CENTS} == {}
