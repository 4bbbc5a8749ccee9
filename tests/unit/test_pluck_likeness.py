"""Like with like: a pluck of another strength is asked for again where that matters."""

from __future__ import annotations

import pytest
from made_up_session import SCREWS, MadeUpSession, reading

from oscservice.advice.pluck_strength import Slope
from oscservice.instrument.pitch import OPEN, Place
from oscservice.session import commands as cm
from oscservice.session.prompts import prompt, strength_off_db

FRET = Place("fret", 12)


def plucked(job: MadeUpSession, strengths_db: list[float]) -> MadeUpSession:
    """String 6 open, then fretted, of these strengths."""
    for index, strength_db in enumerate(strengths_db):
        place = OPEN if index == 0 else FRET
        job.do(cm.Hear(reading(job.instrument.place_hz(6, place), 0.1, strength_db)))
    return job


@pytest.mark.parametrize(("last_db", "asks"), [(-20.0, 0), (-19.0, 0), (-12.0, 1), (-28.0, -1)])
def test_a_much_harder_or_softer_pluck_is_noticed(last_db: float, asks: int) -> None:
    job = plucked(MadeUpSession(SCREWS).tuned(), [-20.0, -20.0, last_db])
    off_db = strength_off_db(job.state)
    assert (off_db > 0) - (off_db < 0) == asks
    code, sentence = prompt(job.state).code, prompt(job.state).text
    assert code == {0: "pluck_open", 1: "pluck_softer", -1: "pluck_harder"}[asks]
    if asks:
        assert "8 dB" in sentence
        assert "string 6 at fret 12" in sentence or "string 6 open" in sentence
        assert off_db == pytest.approx(last_db + 20.0)


def test_strength_is_not_asked_for_if_the_strings_slope_is_known_to_be_small() -> None:
    from dataclasses import replace

    job = plucked(MadeUpSession(SCREWS).tuned(), [-20.0, -20.0, -12.0])
    strings = list(job.state.strings)
    strings[5] = replace(strings[5], slope=Slope(0.3, 0.05, -20.0))
    assert strength_off_db(replace(job.state, strings=tuple(strings))) == 0.0


def test_the_finer_the_work_the_sooner_it_matters() -> None:
    assert strength_off_db(plucked(MadeUpSession(SCREWS, 2.0).tuned(), [-20.0, -20.0, -17.0]).state) == 0.0
    assert strength_off_db(plucked(MadeUpSession(SCREWS, 0.5).tuned(), [-20.0, -20.0, -17.0]).state) > 0.0


def test_the_next_pluck_of_like_strength_ends_it() -> None:
    job = plucked(MadeUpSession(SCREWS).tuned(), [-20.0, -20.0, -10.0])
    assert strength_off_db(job.state) > 0.0
    job.do(cm.Hear(reading(job.instrument.open_hz(6), 0.1, -20.0)))
    assert strength_off_db(job.state) == 0.0
