"""A session over the frets that a player plays: what is asked for, how they are weighed, and a fret that is wrong."""

from __future__ import annotations

import json
import math

import pytest
from made_up_session import BAR, SCREWS, MadeUpSession, MadeUpTechnician, refused

from oscservice.advice.compared_frets import ComparedFrets
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.event_values import survey_of, survey_text
from oscservice.session.judgement import survey_comparison
from oscservice.session.next_pluck import asked
from oscservice.session.replay import fold
from oscservice.session.survey import current_survey, surveys, weights_of
from oscservice.session.vocabulary import Phase, Status

SOUND = {1: 0.3, 2: -0.2, 3: 0.3, 4: 0.1, 5: 0.0, 6: -0.3}


class Neck(MadeUpTechnician):
    """A technician on a guitar with misplaced frets, on all strings or on one: errors that no saddle changes."""

    def __init__(
        self, job: MadeUpSession, errors: dict[int, float], frets: dict[int, float], only: int = 0, seed: int = 1
    ) -> None:
        super().__init__(job, errors, seed=seed)
        self._frets, self._only = frets, only

    def error(self, number: int, fret: int = 12) -> float:
        own = self._frets.get(fret, 0.0) if self._only in (0, number) else 0.0
        return super().error(number, fret) + own


def until(job: MadeUpSession, hands: MadeUpTechnician, prompt: str, most: int = 1500) -> None:
    for _ in range(most):
        if job.prompt == prompt:
            return
        hands.step()
    raise AssertionError(f"{prompt} never came, at {job.prompt}")


def moved(job: MadeUpSession) -> set[int]:
    return {e.string for e in job.events if isinstance(e, ev.SaddleMoved)}


# Requested frets


@pytest.mark.parametrize(
    ("text", "fret", "frets"),
    [("", 12, "12"), ("7", 7, "7"), ("1 3 7", 7, "1 3 7"), ("5x2 17 12", 12, "5x2 12 17"), ("14, 17", 12, "14 17")],
)
def test_beginning_says_which_frets_and_where_errors_are_summed_up(text: str, fret: int, frets: str) -> None:
    job = MadeUpSession(SCREWS, frets=text)
    begun = next(e for e in job.events if isinstance(e, ev.SessionBegun))
    assert (begun.fret, begun.frets) == (fret, frets)
    assert (job.state.fret, str(job.state.played)) == (fret, frets)


@pytest.mark.parametrize("frets", ["25", "5 5", "open", "5x0", " ".join(map(str, range(1, 14)))])
def test_frets_that_cannot_be_begin_nothing(frets: str) -> None:
    job = MadeUpSession(SCREWS)
    job.do(cm.Abandon())
    refused(job, cm.Begin(load_instrument(SCREWS), "", 2.0, frets), "range")


def test_one_fret_is_compared_as_before_and_needs_no_survey() -> None:
    job = MadeUpSession(SCREWS, frets="5").tuned()
    job.hear(6)
    assert asked(job.state) == (6, Place("fret", 5))
    hands = MadeUpTechnician(job, {**SOUND, 6: 8.0})
    until(job, hands, "let_down")
    assert moved(job) == set()
    assert {e.string for e in job.events if isinstance(e, ev.ReadingTaken) and e.place == "fret 5"} == {6}
    assert not any(isinstance(e, ev.CausesTested) for e in job.events)
    advice = job.string(6).advice
    assert advice is not None
    # 8 cents at fret 12 are 2.7 at fret 5, and ask for the same millimetres: 3 mm.
    assert advice.mm == pytest.approx(2.9, abs=0.8)


def test_the_harmonic_is_asked_for_before_causes_are_tested_and_once_in_the_last_pass() -> None:
    job = MadeUpSession(SCREWS, frets="5 12").inspected()
    hands = MadeUpTechnician(job, {**SOUND, 6: 8.0})
    hands.work()
    last_pass = max(i for i, e in enumerate(job.events) if isinstance(e, ev.PhaseEntered) and e.phase == Phase.PROVING)
    proving = [e for e in job.events[last_pass:] if isinstance(e, ev.ReadingTaken)]
    assert [e.string for e in proving if e.place == str(HARMONIC)] == [6, 5, 4, 3, 2, 1]
    kinds = [e for e in job.events[:last_pass] if isinstance(e, ev.ReadingTaken | ev.CausesTested)]
    tested = next(index for index, e in enumerate(kinds) if isinstance(e, ev.CausesTested))
    touched = [i for i, e in enumerate(kinds) if isinstance(e, ev.ReadingTaken) and e.place == str(HARMONIC)]
    assert touched
    assert max(touched) < tested
    assert job.state.outcome == "proved"


def test_strings_within_tolerance_are_settled_by_their_survey() -> None:
    job = MadeUpSession(SCREWS, frets="1 3 5 7 12 17").inspected()
    hands = MadeUpTechnician(job, SOUND)
    for _ in range(1500):
        if job.state.phase is Phase.PROVING:
            break
        hands.step()
    assert moved(job) == set()
    assert all(job.string(n).status is Status.SETTLED for n in job.state.numbers)
    judged = [e for e in job.events if isinstance(e, ev.StringJudged)]
    assert sorted(e.string for e in judged) == list(job.state.numbers)
    assert all(abs(e.error_cents - SOUND[e.string]) < 3.5 * e.se_cents for e in judged)


def test_a_survey_is_of_the_place_of_the_saddle() -> None:
    job = MadeUpSession(SCREWS, frets="5 12").inspected()
    hands = MadeUpTechnician(job, {**SOUND, 6: 8.0})
    until(job, hands, "let_down")
    assert current_survey(job.string(6)) is not None
    found = survey_comparison(job.state, 6)
    assert found is not None
    assert found.error_cents == pytest.approx(8.0, abs=3.5 * found.se_cents)
    job.do(cm.Moved(6, 2.0))
    assert current_survey(job.string(6)) is None
    assert survey_comparison(job.state, 6) is None
    assert current_survey(job.string(5)) is not None


# Weights


def test_frets_the_player_plays_more_come_out_nearer() -> None:
    left = {}
    for frets in ("5x10 17", "5 17x10"):
        job = MadeUpSession(SCREWS, frets=frets, tolerance_cents=1.0).inspected()
        # The low fret asks for less than the high one: no saddle does both.
        hands = Neck(job, {**SOUND, 6: 8.0}, {5: -1.5}, only=6)
        until(job, hands, "let_down")
        advice = job.string(6).advice
        assert advice is not None
        spec, error = job.instrument.string(6), {}
        for fret in (5, 17):
            open_mm = spec.scale_mm + spec.setback_mm
            fret_mm = open_mm - spec.scale_mm * (1.0 - 2.0 ** (-fret / 12.0))
            moved_cents = 1200.0 * math.log2((open_mm + advice.mm) / open_mm * fret_mm / (fret_mm + advice.mm))
            error[fret] = abs(hands.error(6, fret) + moved_cents)
        left[frets] = error
    assert left["5x10 17"][5] < left["5 17x10"][5]
    assert left["5 17x10"][17] < left["5x10 17"][17]


def test_a_fret_that_is_wrong_is_named_and_left_out_of_the_advice() -> None:
    job = MadeUpSession(SCREWS, frets="1 3 5 7 12 17").inspected()
    hands = Neck(job, {**SOUND, 5: 7.0}, {7: 7.0})
    until(job, hands, "look_into")
    assert [(f.cause, f.fret, f.strings) for f in job.state.findings] == [
        ("fret misplaced or flattened", 7, (1, 2, 3, 4, 5, 6))
    ]
    finding = job.state.findings[0]
    spec = job.instrument.string(1)
    # 7 cents at fret 7 by the lengths alone: dx = 7 X0 / (K gamma).
    mm = 7.0 * (spec.scale_mm + spec.setback_mm) / (1200.0 / math.log(2.0)) / 2.0 ** (7.0 / 12.0)
    assert finding.size == pytest.approx(mm, abs=3.0 * finding.se + 0.1)
    assert not any(string.status is Status.SET_ASIDE for string in job.state.strings)
    assert weights_of(job.state, 3) == {1: 1.0, 3: 1.0, 5: 1.0, 7: 0.0, 12: 1.0, 17: 1.0}
    job.do(cm.Next())
    hands.work()
    assert job.state.outcome == "proved"
    # The fret's seven cents moved no saddle but the one that was off.
    assert moved(job) == {5}
    assert all(abs(hands.error(n)) <= 2.0 for n in job.state.numbers)


def test_overruled_the_fret_counts_again() -> None:
    job = MadeUpSession(SCREWS, frets="1 3 5 7 12 17").inspected()
    until(job, Neck(job, SOUND, {7: 7.0}), "look_into")
    job.do(cm.Overrule(4))
    assert weights_of(job.state, 4)[7] == 1.0
    assert weights_of(job.state, 5)[7] == 0.0


def test_if_only_wrong_frets_are_left_all_of_them_count() -> None:
    state = MadeUpSession(SCREWS, frets="7 12").tuned().state
    finding = {"cause": "fret misplaced or flattened", "strings": [3], "size": 1.0, "se": 0.1, "unit": "mm"}
    finding |= {"probability": 1.0, "evidence": "", "check": "", "stops": False}
    state = fold([ev.CauseNamed(json.dumps(finding | {"fret": fret})) for fret in (7, 12)], state)
    assert weights_of(state, 3) == {7: 1.0, 12: 1.0}
    assert weights_of(state, 2) == {7: 1.0, 12: 1.0}


# Bridges that several strings share, and what is kept


def test_a_bar_is_moved_for_all_its_strings_over_all_frets() -> None:
    job = MadeUpSession(BAR, frets="5 12", tolerance_cents=1.5).inspected()
    hands = MadeUpTechnician(job, dict.fromkeys(job.state.numbers, 6.0))
    hands.work()
    assert job.state.outcome == "proved"
    assert all(abs(hands.error(n)) <= 2.0 for n in job.state.numbers)


def test_surveys_come_back_from_the_journal_as_they_were() -> None:
    job = MadeUpSession(SCREWS, frets="5 12").inspected()
    until(job, MadeUpTechnician(job, {**SOUND, 6: 8.0}), "let_down")
    kept = surveys(job.state)
    assert sorted(kept) == list(job.state.numbers)
    for survey in kept.values():
        assert survey_of(survey_text(survey)) == survey


def test_an_older_journal_is_of_its_one_fret() -> None:
    body = ev.to_body(next(e for e in MadeUpSession(SCREWS, frets="7").events if isinstance(e, ev.SessionBegun)))[1]
    del body["frets"]
    state = fold([ev.from_body("SessionBegun", body)])
    assert state.played == ComparedFrets((7,), (1.0,))
    state = fold(
        [
            ev.from_body("PhaseEntered", {"phase": "comparing"}),
            ev.from_body("Focused", {"string": 6, "place": ""}),
            ev.from_body("ReadingTaken", old_reading(6, "open")),
            ev.from_body("ReadingTaken", old_reading(6, "fret 7")),
            ev.from_body("SaddleMoved", {"string": 6, "mm": 1.0, "told": True}),
        ],
        state,
    )
    assert state.string(6).moved_mm == 1.0
    assert state.string(6).survey is None


def old_reading(string: int, place: str) -> dict[str, object]:
    """The body of a reading as the first journals kept it."""
    hz = load_instrument(SCREWS).place_hz(string, Place.parse(place))
    body = {"string": string, "place": place, "f1_hz": hz, "se_cents": 0.1, "level_dbfs": -20.0, "cents": 0.0}
    return body | {"attack_cents": 2.0, "inharmonicity": 1e-4}


FIRST_FIELDS = {
    "SessionBegun": "instrument label tolerance_cents fret",
    "ReadingTaken": "string place f1_hz se_cents level_dbfs cents attack_cents inharmonicity",
    "StringJudged": "string status error_cents se_cents plucks scatter_cents"
    " move_mm move_se_mm turns direction room_mm missing_mm",
    "StringProved": "string error_cents se_cents plucks scatter_cents",
    "StringReopened": "string why",
}
"""Fields of these events in the first journals."""

LATER = ev.StringSurveyed | ev.CauseNamed | ev.CausesTested | ev.SurveyExtended | ev.CausesSeen | ev.ResponseLearnt


def test_a_whole_journal_from_before_several_frets_is_read_to_its_end() -> None:
    job = MadeUpSession(SCREWS).inspected()
    MadeUpTechnician(job, {**SOUND, 1: 6.0, 2: -5.0, 6: 8.0}).work()
    old = []
    for event in job.events:
        kind, body = ev.to_body(event)
        kept = FIRST_FIELDS.get(kind, " ".join(body)).split()
        if not isinstance(event, LATER):
            old.append((kind, {name: body[name] for name in kept}))
    state = fold(ev.from_body(kind, body) for kind, body in old)
    assert (state.phase, state.outcome) == (Phase.CLOSED, "proved")
    assert state.played.frets == (12,)
    for number in state.numbers:
        then, now = state.string(number), job.string(number)
        assert (then.moved_mm, then.moves, then.status, then.proved) == (
            now.moved_mm,
            now.moves,
            now.status,
            now.proved,
        )
        assert then.last is not None
        assert now.last is not None
        assert then.last.error_cents == now.last.error_cents
        assert then.survey is None
    assert state.findings == ()


def test_a_fret_that_is_not_compared_is_no_evidence() -> None:
    job = MadeUpSession(SCREWS, frets="5 12").tuned()
    job.hear(6)
    before = job.state
    with pytest.raises(cm.Ignored, match="string 6"):
        job.hear(6, Place("fret", 9))
    assert job.state is before
    waited = asked(job.state)
    assert waited == (6, HARMONIC)
    job.hear(*waited)
    assert [p.place for p in job.string(6).plucks] == [OPEN, HARMONIC]


def test_no_saddle_is_moved_past_the_last_fret_compared() -> None:
    job = MadeUpSession(SCREWS, frets="12 22").inspected()
    for _ in range(6):
        job.do(cm.Next())
    job.do(cm.Moved(6, -50.0))
    assert "string 6" in refused(job, cm.Moved(6, -50.0), "range")
