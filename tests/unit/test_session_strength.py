"""Use of a reading's strength, string pitch and flags in a session; and of journals without them."""

from __future__ import annotations

import math
from dataclasses import asdict, replace

import pytest
from made_up_session import FRET, SCREWS, MadeUpSession, reading

from oscservice.advice.comparison import PluckReading
from oscservice.advice.pluck_strength import PRIOR_CENTS
from oscservice.api.event_text import sentence
from oscservice.api.topics import topics
from oscservice.instrument.pitch import OPEN, Place
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.replay import fold
from oscservice.session.vocabulary import Phase

SINCE = ("inharmonicity_se", "string_hz", "string_se_cents", "strength_db", "flags")
"""Fields of a reading that older journals don't have."""


class Player:
    """Plucks a made-up string as hard as wanted, its pitch rising with amplitude and its partials straying."""

    def __init__(self, rise_cents: float = 0.0, ambiguity_cents: float = 0.0) -> None:
        self.job = MadeUpSession(SCREWS).tuned()
        self.rise_cents = rise_cents
        self.ambiguity_cents = ambiguity_cents
        self.number = self.job.state.focus

    def pluck(self, place: Place = OPEN, cents: float = 0.0, strength_db: float = -20.0, *flags: str) -> None:
        """``rise_cents`` is what a pluck of -20 dB adds; fretted notes carry the ambiguity."""
        cents += self.rise_cents * 10.0 ** ((strength_db + 20.0) / 20.0)
        hz = self.job.instrument.place_hz(self.number, place) * 2.0 ** (cents / 1200.0)
        string_hz = hz * 2.0 ** ((self.ambiguity_cents if place == FRET else 0.0) / 1200.0)
        self.job.do(cm.Hear(replace(reading(hz), strength_db=strength_db, string_hz=string_hz, flags=flags)))

    def judged(self, error_cents: float) -> ev.StringJudged:
        """Open and fretted in turn, one force each time, until the string is judged."""
        before = len(self.job.events)
        self.pluck()
        for _ in range(20):
            self.pluck(FRET, error_cents)
            self.pluck()
            for event in self.job.events[before:]:
                if isinstance(event, ev.StringJudged):
                    return event
        raise AssertionError("twenty plucks and no judgement")


def last_taken(job: MadeUpSession) -> ev.ReadingTaken:
    return next(e for e in reversed(job.events) if isinstance(e, ev.ReadingTaken))


def test_a_reading_becomes_evidence_with_all_it_carries() -> None:
    player = Player()
    player.pluck(OPEN, 0.0, -17.0, "gliding", "short")
    event = last_taken(player.job)
    assert (event.strength_db, event.flags) == (-17.0, "gliding, short")
    assert event.inharmonicity_se is None, "B was not fitted: an event holds no infinity"
    assert event.string_hz == pytest.approx(event.f1_hz)
    (pluck,) = player.job.string(player.number).plucks
    assert pluck == PluckReading(OPEN, event.f1_hz, event.se_cents, -17.0, event.string_hz, event.string_se_cents)


def test_a_string_pitch_used_for_the_first_partial_is_no_evidence_of_it() -> None:
    player = Player()
    player.pluck(OPEN, 0.0, -20.0, "weak first partial")
    (pluck,) = player.job.string(player.number).plucks
    assert pluck.string_hz is None


def test_a_clipped_reading_counts_less() -> None:
    player = Player()
    player.pluck(OPEN, 0.0, -3.0, "clipped")
    (pluck,) = player.job.string(player.number).plucks
    assert pluck.clipped
    assert pluck.known_strength_db is None
    assert pluck.total_se_cents > pluck.se_cents


def test_a_strength_that_is_no_number_is_not_known() -> None:
    job = MadeUpSession(SCREWS).tuned()
    job.do(cm.Hear(replace(reading(job.instrument.open_hz(6)), strength_db=-math.inf, string_se_cents=math.inf)))
    assert last_taken(job).strength_db is None
    (pluck,) = job.string(6).plucks
    assert (pluck.known_strength_db, pluck.string_hz) == (None, None)


def test_a_string_s_slope_is_learnt_from_one_comparison_to_the_next() -> None:
    player = Player(rise_cents=2.0)
    assert player.job.string(player.number).slope is None
    player.pluck(OPEN, 0.0, -20.0)
    for strength in (-14.0, -24.0, -16.0, -22.0, -15.0, -23.0, -14.0):
        player.pluck(FRET, 8.0, strength)
        player.pluck(OPEN, 0.0, strength - 6.0)
        if player.job.state.phase is Phase.MOVING:
            break
    judged = next(e for e in player.job.events if isinstance(e, ev.StringJudged))
    assert judged.error_cents == pytest.approx(8.0, abs=2.0 * judged.se_cents)
    slope = player.job.string(player.number).slope
    assert slope is not None
    assert slope.at(-20.0).cents == pytest.approx(2.0, abs=2.0 * slope.at(-20.0).se_cents)
    assert slope.se_cents < 0.7 * PRIOR_CENTS
    assert fold(player.job.events) == player.job.state


def test_a_remark_if_the_string_pitch_would_change_the_move() -> None:
    """1.5 cents at fret 12 are some 0.55 mm of a 628 mm scale: L / 1731 a cent."""
    player = Player(ambiguity_cents=1.5)
    judged = player.judged(8.0)
    assert judged.ambiguity_cents == pytest.approx(1.5, abs=1e-6)
    assert judged.ambiguity_mm == pytest.approx(1.5 * 628.0 / 1731.0, rel=0.06)
    assert judged.ambiguous
    line = sentence(judged)
    assert line is not None
    assert line.endswith("; by the string pitch 0.6 mm further away from the nut")
    now = topics(player.job.state)
    assert now["/string/6/fret/12/ambiguity"] == (pytest.approx(1.5, abs=1e-6),)
    assert now["/string/6/saddle/ambiguity"] == (judged.ambiguity_mm,)


def test_no_remark_if_the_string_pitch_would_not_change_the_move() -> None:
    judged = Player(ambiguity_cents=0.1).judged(8.0)
    assert judged.ambiguity_mm == pytest.approx(0.037, abs=0.004)
    assert not judged.ambiguous
    assert "string pitch" not in str(sentence(judged))


def test_an_older_journal_without_strength_has_the_same_decisions() -> None:
    player = Player()
    player.judged(8.0)
    bodies = [ev.to_body(ev.without_conclusions(event)) for event in player.job.events]
    for kind, body in bodies:
        if kind == "ReadingTaken":
            for name in SINCE:
                del body[name]
        if kind == "StringJudged":
            for name in ("ambiguity_cents", "ambiguity_se_cents", "ambiguity_mm", "ambiguous"):
                del body[name]
    state = fold(ev.from_body(kind, body) for kind, body in bodies)
    old, new = state.string(6), player.job.string(6)
    assert (old.status, old.advice, old.open_cents) == (new.status, new.advice, new.open_cents)
    assert old.last is not None
    assert asdict(old.last) == {**asdict(new.last), "ambiguity_cents": None, "ambiguity_se_cents": 0.0}
    assert "/string/6/saddle/ambiguity" not in topics(state)
    assert old.slope is None
