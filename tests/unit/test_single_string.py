"""Sounds of a workshop are no readings; a plucked string among them still is one.

The limits were set on recorded notes (see ``hearing.alone``); what is tested here is made up.
"""

from __future__ import annotations

import numpy as np
import pytest
from bench.noises import kinds, knock, let_down, scrape, squeak, strum, talk, ting
from conftest import need

from oscservice.hearing.listener import Listener, NoteDismissed, NoteHeard
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN, cents_between
from oscservice.session.decide_reading import SHORT_LIMIT_CENTS, SURE_ENOUGH_CENTS
from oscservice.session.next_pluck import UNSURE_LIMIT_CENTS
from oscservice.simulate.guitar import Guitar

RATE_HZ = 48000
INSTRUMENT = load_instrument("six-string-628")
DRAWS = range(6)
HEARD_DB = -75.0


def listen(*parts: np.ndarray) -> list[NoteHeard | NoteDismissed]:
    """Return the notes heard and dismissed in these parts, played in a row, a second of faint noise around them."""
    quiet = np.zeros(RATE_HZ)
    samples = np.concatenate((quiet, *parts, quiet))
    samples += 10.0 ** (HEARD_DB / 20.0) * np.random.default_rng(1).standard_normal(len(samples))
    listener = Listener(RATE_HZ, live=False)
    events = listener.feed(samples) + listener.finish()
    return [event for event in events if isinstance(event, NoteHeard | NoteDismissed)]


def evidence(events: list[NoteHeard | NoteDismissed]) -> list[NoteHeard]:
    """The readings that a session would use for any string: short ones have to be surer."""
    heard = [event for event in events if isinstance(event, NoteHeard)]
    return [
        each
        for each in heard
        if each.reading.se_cents < (SHORT_LIMIT_CENTS if "short" in each.reading.flags else UNSURE_LIMIT_CENTS)
    ]


def a_guitar() -> Guitar:
    return Guitar.from_instrument(INSTRUMENT, seed=3, noise_dbfs=None, hum_dbfs=None)


def plucked(string: int, seconds: float, strength_mm: float = 1.0) -> np.ndarray:
    guitar = a_guitar()
    guitar.pluck(string, OPEN, strength_mm)
    return guitar.render(round(seconds * RATE_HZ))[:, 0].astype(np.float64)


@pytest.mark.parametrize("noise", [knock, scrape, ting, squeak, let_down], ids=lambda noise: noise.__name__)
@pytest.mark.parametrize("draw", DRAWS)
def test_a_noise_is_no_evidence_and_refusals_have_reasons(noise, draw):
    events = listen(noise(np.random.default_rng(draw), RATE_HZ))
    assert evidence(events) == []
    assert all(event.reason for event in events if isinstance(event, NoteDismissed))


@pytest.mark.parametrize("draw", DRAWS)
def test_a_strum_is_no_evidence(draw):
    assert evidence(listen(strum(np.random.default_rng(draw), RATE_HZ, INSTRUMENT))) == []


@pytest.mark.foreign
@pytest.mark.parametrize("draw", DRAWS)
def test_talk_is_no_evidence(draw):
    program = need("espeak-ng", "espeak-ng")
    assert evidence(listen(talk(np.random.default_rng(draw), RATE_HZ, program))) == []


@pytest.mark.parametrize("string", [6, 3, 1])
def test_a_knock_while_a_string_rings_is_not_a_second_pluck(string):
    tone = plucked(string, 2.4)
    at = round(1.2 * RATE_HZ)
    bump = knock(np.random.default_rng(3), RATE_HZ)
    tone[at : at + len(bump)] += bump
    events = listen(tone)
    assert len(evidence(events)) == 1
    assert abs(evidence(events)[0].onset_s - 1.0) < 0.05
    assert [event.reason for event in events if isinstance(event, NoteDismissed)] in (
        [],
        ["nothing was plucked: that string was ringing already"],
    )


@pytest.mark.parametrize("string", [5, 2])
def test_neighbours_that_ring_along_change_nothing(string):
    guitar = a_guitar()
    for other in range(1, 7):
        guitar.pluck(other, OPEN, 1.0 if other == string else 0.03)
    (heard,) = evidence(listen(guitar.render(round(2.4 * RATE_HZ))[:, 0]))
    assert abs(cents_between(heard.reading.f1_hz, guitar.open_hz(string))) < 0.5


@pytest.mark.parametrize("noise", [knock, scrape, ting, squeak], ids=lambda noise: noise.__name__)
@pytest.mark.parametrize("draw", DRAWS)
def test_a_pluck_with_a_noise_is_right_or_unsure_or_refused(noise, draw):
    tone = plucked(4, 2.4)
    truth_hz = a_guitar().open_hz(4)
    at = round((0.1 + 0.3 * draw) * RATE_HZ)
    bump = noise(np.random.default_rng(draw), RATE_HZ)
    tone[at : at + len(bump)] += bump[: len(tone) - at]
    for heard in evidence(listen(tone)):
        assert abs(cents_between(heard.reading.f1_hz, truth_hz)) < max(1.0, 5.0 * heard.reading.se_cents)


def test_two_strings_at_once_are_refused():
    both = plucked(5, 2.4) + plucked(3, 2.4)
    events = listen(both)
    assert evidence(events) == []
    assert "something else sounds along with the string" in [e.reason for e in events if isinstance(e, NoteDismissed)]


def test_every_kind_of_noise_is_tried_here():
    assert set(kinds(INSTRUMENT, "")) == {"talk", "knock", "strum", "scrape", "ting", "squeak", "let down"}
    assert SHORT_LIMIT_CENTS < SURE_ENOUGH_CENTS < UNSURE_LIMIT_CENTS
