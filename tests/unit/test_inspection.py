"""The inspection: values measured, strings' age, what may be passed, and what changed since the last session."""

from __future__ import annotations

import math

import pytest
from made_up_session import FIXED, FLOATING, SCREWS, MadeUpSession, refused

from oscservice.advice.instrument_changes import SMALLEST_CHANGE_MM
from oscservice.advice.prediction import predict
from oscservice.api.topics import topics
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import NewGauge, tuned_by, with_action, with_gauges, with_reference
from oscservice.instrument.setup_targets import relief_at_12_mm
from oscservice.instrument.spec import Instrument
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.figures import figures
from oscservice.session.inspection import age_of, instrument_as_left, left_of, measured_of, strings_told
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.vocabulary import INSPECTION_ITEMS, InspectionVerdict, Phase

GUITAR = load_instrument(SCREWS)
TODAY = "2026-11-25"


def begun(instrument: Instrument = GUITAR, day: str = TODAY, last_time: cm.LastTime | None = None) -> MadeUpSession:
    """A session of which the day is known, and the one before."""
    job = MadeUpSession(instrument)
    job.do(cm.Abandon())
    job.events.clear()
    job.do(cm.Begin(instrument, "made up", day=day, last_time=last_time))
    return job


def verdict(job: MadeUpSession, item: str) -> InspectionVerdict:
    return dict(job.state.items)[item].verdict


def passed_until(job: MadeUpSession, item: str) -> MadeUpSession:
    """Everything before an item is in order."""
    for name in list(INSPECTION_ITEMS)[: list(INSPECTION_ITEMS).index(item)]:
        job.do(cm.Inspect(name, "passed"))
    return job


# Values


def test_a_value_in_its_range_is_passed_and_kept() -> None:
    job = passed_until(begun(), "relief")
    (event,) = job.do(cm.Measured("relief", 0.25))[1:]
    text = "Relief: 0.25 mm, within the target (0.10 to 0.35)"
    assert ev.without_conclusions(event) == ev.ItemMeasured("relief", "relief", 0.25, text)
    assert job.prompt == "inspect"
    job.do(cm.Inspect("relief", "passed"))
    assert verdict(job, "relief") is InspectionVerdict.PASSED
    assert job.state.measured == (("relief", 0.25),)
    assert job.state.instrument is not None
    assert job.state.instrument.set_up.relief_mm == 0.25


@pytest.mark.parametrize(("mm", "by"), [(2.30, "0.45 mm above"), (1.00, "0.35 mm below")])
def test_a_value_out_of_its_range_is_not_passed_without_a_reason(mm: float, by: str) -> None:
    job = passed_until(begun(), "action")
    job.do(cm.Measured("action/treble", mm))
    now = prompt(job.state)
    assert now.code == "measured_off"
    assert f"Action on the treble side: {mm:.2f} mm, {by} the target (1.35 to 1.85)" in now.text
    assert "Slacken the strings before" in now.caution
    assert by in refused(job, cm.Inspect("action", "passed"), "refused")
    assert by in refused(job, cm.Inspect("all", "passed"), "refused")
    refused(job, cm.Inspect("action", "waived"), "refused")
    job.do(cm.Inspect("action", "waived", "the player wants it so"))
    assert verdict(job, "action") is InspectionVerdict.WAIVED
    assert topics(job.state)["/inspect/action/note"] == ("the player wants it so",)


def test_measured_again_after_it_was_put_right() -> None:
    job = passed_until(begun(), "relief")
    job.do(cm.Measured("relief", 0.6))
    job.do(cm.Inspect("relief", "failed", "truss rod"))
    assert job.prompt == "put_right"
    job.do(cm.Measured("relief", 0.2))
    assert job.prompt == "put_right", "what failed is passed by word"
    job.do(cm.Inspect("relief", "passed"))
    assert job.state.measured == (("relief", 0.2),)


def test_what_passed_waits_again_once_a_value_speaks_against_it() -> None:
    job = begun()
    job.do(cm.Inspect("action", "passed"))
    job.do(cm.Measured("action/bass", 2.0))
    assert verdict(job, "action") is InspectionVerdict.PASSED
    job.do(cm.Measured("action/bass", 4.0))
    assert verdict(job, "action") is InspectionVerdict.WAITING
    job.do(cm.Undo())
    assert verdict(job, "action") is InspectionVerdict.PASSED
    job.do(cm.Inspect("nut", "waived", "a zero fret"))
    job.do(cm.Measured("nut/2", 2.0))
    assert verdict(job, "nut") is InspectionVerdict.WAIVED, "the reason stands"


def test_values_come_as_32_bit_numbers() -> None:
    job = begun()
    job.do(cm.Measured("action/treble", 1.8500000238418579))
    assert job.state.measured == (("action/treble", 1.85),)
    job.do(cm.Inspect("action", "passed"))


@pytest.mark.parametrize("mm", [math.nan, math.inf, -0.1, 10.5, 1e300])
def test_a_value_that_cannot_be_is_refused(mm: float) -> None:
    refused(begun(), cm.Measured("action/treble", mm), "range")


def test_a_value_that_does_not_fit_the_instrument_is_refused() -> None:
    assert "lie on the frets" in refused(begun(), cm.Measured("action/treble", 0.05), "range")
    assert "nut_height_mm" in refused(begun(), cm.Measured("nut/1", 0.0), "range")
    bent = begun()
    bent.do(cm.Measured("relief", 2.9))
    assert "lie on the frets" in refused(bent, cm.Measured("relief", -1.5), "range")


@pytest.mark.parametrize(
    "what", ["varnish", "action", "nut", "nut/0", "nut/7", "nut/01", "Relief", "", "action/middle"]
)
def test_an_unknown_measured_value_is_refused(what: str) -> None:
    text = refused(begun(), cm.Measured(what, 1.0), "missing")
    assert "nut/1 to nut/6" in text


def test_nothing_is_told_of_the_strings_once_tuning_began() -> None:
    job = begun().inspected()
    for command in (cm.Fitted(TODAY), cm.Played(3.0), cm.Stretched(True)):
        refused(job, command, "phase")


def test_a_pickup_gap_is_measured_and_compared_with_its_target() -> None:
    job = passed_until(begun(), "pickups")
    before = job.state.instrument
    (event,) = job.do(cm.Measured("pickup/bass", 1.2))[1:]
    assert isinstance(event, ev.ItemMeasured)
    assert event.item == "pickups"
    assert event.text == "Pickup gap on the bass side: 1.20 mm, 0.80 mm below the target (2.00 to 4.00)"
    assert job.prompt == "measured_off"
    assert "0.80 mm below" in refused(job, cm.Inspect("pickups", "passed"), "refused")
    job.do(cm.Measured("pickup/bass", 2.5))
    job.do(cm.Measured("pickup/treble", 2.0))
    job.do(cm.Inspect("pickups", "passed"))
    assert topics(job.state)["/inspect/pickups/bass"] == (2.5,)
    assert topics(job.state)["/inspect/pickups/treble"] == (2.0,)
    assert job.state.instrument == before, "no other number depends on it"
    refused(begun(), cm.Measured("pickup/treble", 25.0), "range")


# As left


def test_what_is_measured_after_the_inspection_is_recorded_as_left() -> None:
    job = begun()
    job.do(cm.Measured("relief", 0.2))
    job.inspected()
    instrument, found = job.state.instrument, job.state.measured
    for what, mm in (
        ("relief", 0.25),
        ("action/treble", 1.4),
        ("action/bass", 2.9),
        ("pickup/bass", 2.2),
        ("nut/3", 0.5),
    ):
        (event,) = job.do(cm.Measured(what, mm))[1:]
        assert isinstance(event, ev.ItemMeasured)
        assert event.left
    assert "0.65 mm above the target" in [e.text for e in job.events if isinstance(e, ev.ItemMeasured)][3]
    job.do(cm.Measured("action/bass", 2.1))
    assert dict(job.state.measured_left) == {
        "relief": 0.25, "action/treble": 1.4, "action/bass": 2.1, "pickup/bass": 2.2, "nut/3": 0.5
    }  # fmt: skip
    assert (job.state.instrument, job.state.measured) == (instrument, found), "the comparisons go on as they were"
    now = topics(job.state)
    assert (now["/left/relief"], now["/left/action/treble"], now["/left/action/bass"]) == ((0.25,), (1.4,), (2.1,))
    assert (now["/left/pickups/bass"], now["/string/3/nut/left"]) == ((2.2,), (0.5,))
    assert now["/inspect/relief/value"] == (0.2,)
    assert "/left/pickups/treble" not in now
    assert [one.what for one in left_of(job.state, "action")] == ["action/treble", "action/bass"]
    job.do(cm.Undo())
    assert dict(job.state.measured_left)["action/bass"] == 2.9
    assert fold(ev.from_body(*ev.to_body(event)) for event in job.events) == job.state


def test_the_next_session_is_compared_with_the_instrument_as_left() -> None:
    job = begun().inspected()
    assert instrument_as_left(job.state) == GUITAR
    job.do(cm.Measured("relief", 0.3))
    job.do(cm.Measured("action/treble", 1.5))
    job.do(cm.Measured("action/bass", 2.4))
    left = instrument_as_left(job.state)
    assert left.set_up.relief_mm == 0.3
    assert (left.strings[0].action_12_mm, left.strings[-1].action_12_mm) == (1.5, 2.4)
    assert job.state.instrument == GUITAR


def test_a_value_as_left_that_cannot_be_is_refused() -> None:
    job = begun().inspected()
    assert "lie on the frets" in refused(job, cm.Measured("action/treble", 0.05), "range")
    assert "pickup/treble" in refused(job, cm.Measured("varnish", 0.05), "missing")


# Use of measured values


def test_actions_feed_the_predicted_setback_of_every_string() -> None:
    job = begun()
    before = [topics(job.state)[f"/string/{n}/predicted/setback"][0] for n in range(1, 7)]
    job.do(cm.Measured("action/treble", 1.9))
    job.do(cm.Measured("action/bass", 2.4))
    assert job.state.instrument is not None
    assert [s.action_12_mm for s in job.state.instrument.strings] == pytest.approx([1.9, 2.0, 2.1, 2.2, 2.3, 2.4])
    now = topics(job.state)
    after = [now[f"/string/{n}/predicted/setback"][0] for n in range(1, 7)]
    assert after == [one.setback_mm for one in predict(with_action(GUITAR, 1.9, 2.4))]
    assert all(b > a for a, b in zip(before, after, strict=True))
    assert (now["/inspect/action/treble"], now["/inspect/action/bass"]) == ((1.9,), (2.4,))
    job.do(cm.Undo())
    job.do(cm.Undo())
    assert [topics(job.state)[f"/string/{n}/predicted/setback"][0] for n in range(1, 7)] == before


def test_relief_feeds_it_too_but_never_twice() -> None:
    """Bent after the actions of the file were measured, it raises them; an action measured later holds it."""

    def action(job: MadeUpSession) -> float:
        assert job.state.instrument is not None
        return job.state.instrument.strings[0].action_12_mm

    job = begun()  # the file knows 0.2
    job.do(cm.Measured("relief", 0.3))
    assert action(job) == pytest.approx(1.6 + relief_at_12_mm(0.1, GUITAR.frets))
    assert figures(job.state).strings[0].prediction != figures(begun().state).strings[0].prediction
    job.do(cm.Measured("action/treble", 1.7))
    assert action(job) == 1.7
    job.do(cm.Measured("relief", 0.2))
    assert action(job) == pytest.approx(1.7 - relief_at_12_mm(0.1, GUITAR.frets))
    first_action = begun()
    first_action.do(cm.Measured("action/treble", 1.7))
    first_action.do(cm.Measured("relief", 0.3))
    assert action(first_action) == 1.7, "the action was measured with the relief as it is"


def test_a_height_over_fret_1_is_the_strings_own() -> None:
    job = begun()
    job.do(cm.Measured("nut/3", 0.5))
    assert job.state.instrument is not None
    heights = [s.nut_height_mm for s in job.state.instrument.strings]
    assert heights[2] != GUITAR.strings[2].nut_height_mm
    assert heights[:2] + heights[3:] == [s.nut_height_mm for k, s in enumerate(GUITAR.strings) if k != 2]
    assert topics(job.state)["/string/3/nut/height"] == (0.5,)
    job.do(cm.Measured("nut/3", 0.9))
    assert "Height of string 3 over fret 1" in refused(job, cm.Inspect("nut", "passed"), "refused")


def test_a_set_up_continues_with_the_measured_values() -> None:
    job = begun()
    job.do(cm.Measured("relief", 0.2))
    job.do(cm.Measured("action/treble", 1.7))
    job.inspected()
    for number in reversed(job.state.numbers):
        job.hear(number)
    job.bracket(6, 8.0)
    assert job.phase() is Phase.MOVING
    assert fold(ev.from_body(*ev.to_body(event)) for event in job.events) == job.state


# Strings


@pytest.mark.parametrize(
    ("day", "age", "fresh"), [(TODAY, 0, True), ("2026-09-26", 60, True), ("2026-09-25", 61, False)]
)
def test_strings_are_passed_while_they_are_fresh(day: str, age: int, fresh: bool) -> None:
    job = begun()
    assert "/inspect/strings/days" not in topics(job.state)
    job.do(cm.Fitted(day))
    assert topics(job.state)["/inspect/strings/days"] == (age,)
    assert job.prompt == ("inspect" if fresh else "strings_old")
    if fresh:
        job.do(cm.Inspect("strings", "passed"))
        return
    assert "Strings 61 days old, over the limit of 60" in prompt(job.state).text
    assert "61 days old" in refused(job, cm.Inspect("strings", "passed"), "refused")
    assert topics(job.state)["/inspect/strings/off"] != ("",)
    job.do(cm.Fitted(TODAY))
    job.do(cm.Inspect("strings", "passed"))


def test_the_file_may_know_when_they_were_fitted() -> None:
    old = GUITAR.model_copy(update={"set_up": GUITAR.set_up.model_copy(update={"strings_fitted": "2026-01-01"})})
    assert begun(old).prompt == "strings_old"
    assert begun(old, day="").prompt == "inspect", "no day, no age"
    assert age_of(begun(old, day="2025-12-31").state) is None, "a day to come tells nothing"
    assert age_of(State()) is None


@pytest.mark.parametrize("day", ["2026-11-26", "2026-02-30", "20261125", "", "yesterday", "2026-11-25T10:00:00"])
def test_a_day_that_cannot_be_is_refused(day: str) -> None:
    refused(begun(), cm.Fitted(day), "range")


def test_strings_are_passed_until_they_were_played_for_their_hours() -> None:
    job = begun()
    job.do(cm.Fitted(TODAY))
    (event,) = job.do(cm.Played(40.0))[1:]
    assert isinstance(event, ev.StringsDescribed)
    assert event.text == "Strings 0 days old (limit 60); Strings played for 40 hours (limit 40)"
    job.do(cm.Inspect("strings", "passed"))
    job.do(cm.Played(40.5))
    assert verdict(job, "strings") is InspectionVerdict.WAITING
    assert job.prompt == "strings_old"
    assert "played for 40.5 hours, over the limit of 40" in refused(job, cm.Inspect("strings", "passed"), "refused")
    assert topics(job.state)["/inspect/strings/hours"] == (40.5,)
    job.do(cm.Fitted("2026-11-24"))
    assert "/inspect/strings/hours" not in topics(job.state), "other strings: not known"
    job.do(cm.Inspect("strings", "passed"))
    job.do(cm.Played(1.0))
    assert "played for 1 hour (" in strings_told(job.state)[1]


@pytest.mark.parametrize("hours", [math.nan, math.inf, -0.1, 1e6])
def test_hours_that_cannot_be_are_refused(hours: float) -> None:
    assert "expected 0 to 100000" in refused(begun(), cm.Played(hours), "range")


def test_strings_that_still_stretch_are_stretched_in_first() -> None:
    new = GUITAR.model_copy(update={"set_up": GUITAR.set_up.model_copy(update={"stretched_in": False})})
    job = begun(new)
    now = prompt(job.state)
    assert now.code == "strings_not_stretched"
    assert now.text.startswith("Strings not stretched in. Stretch them in")
    assert "face away" in now.caution
    refused(job, cm.Inspect("all", "passed"), "refused")
    job.do(cm.Stretched(True))
    assert topics(job.state)["/inspect/strings/stretched"] == (1,)
    job.do(cm.Inspect("strings", "passed"))
    job.do(cm.Stretched(False))
    assert verdict(job, "strings") is InspectionVerdict.WAITING
    job.do(cm.Undo())
    assert verdict(job, "strings") is InspectionVerdict.PASSED
    job.do(cm.Inspect("strings", "waived", "the player wants it so"))
    job.do(cm.Stretched(False))
    assert verdict(job, "strings") is InspectionVerdict.WAIVED
    assert fold(ev.from_body(*ev.to_body(event)) for event in job.events) == job.state


def test_without_a_day_of_the_session_any_day_is_taken() -> None:
    job = begun(day="")
    (event,) = job.do(cm.Fitted("2031-01-01"))[1:]
    assert ev.without_conclusions(event) == ev.StringsFitted("2031-01-01", "")


# Since the last session


def noticed(now: Instrument, filed: Instrument, left: Instrument | None = None) -> dict[str, str]:
    job = begun(now, last_time=cm.LastTime(filed, left or filed))
    events = [e for e in job.events if isinstance(e, ev.ChangeNoticed)]
    assert job.state.changes == tuple((e.what, e.text) for e in events)
    assert topics(job.state)["/changes"] == ("; ".join(e.text for e in events),)
    assert fold(ev.from_body(*ev.to_body(event)) for event in job.events) == job.state
    return dict(job.state.changes)


def test_the_first_session_and_equal_values_have_no_remarks() -> None:
    assert begun().state.changes == ()
    assert noticed(GUITAR, GUITAR) == {}


def test_another_gauge_is_reported_with_its_effect() -> None:
    heavier = with_gauges(GUITAR, {1: NewGauge(0.011 * 25.4)})
    told = noticed(heavier, GUITAR)
    assert list(told) == ["string/1"]
    assert "plain .010 → plain .011" in told["string/1"]
    # Mersenne: pull goes with the gauge squared, 1.21 of it.
    assert "(+21%)" in told["string/1"]
    assert "B " in told["string/1"]
    assert "saddle +" in told["string/1"]
    assert "cents if nothing is moved" in told["string/1"]


def test_another_tuning_and_reference_are_pointed_out() -> None:
    told = noticed(tuned_by(GUITAR, -2), GUITAR)
    assert list(told) == [f"string/{n}" for n in range(1, 7)]
    assert "tuned E4 → D4" in told["string/1"]
    # Two semitones down: 2^(-4/12) of the pull.
    assert all("(-21%)" in text for text in told.values())
    told = noticed(with_reference(GUITAR, 432.0), GUITAR)
    assert list(told) == ["reference"]
    # 1200 log2(432 / 440) = -31.8
    assert "A4 440 → 432 Hz: every string -32 cents, saddles +" in told["reference"]


def test_a_sprung_bridge_is_spoken_of_where_the_strings_pull_otherwise() -> None:
    floating = load_instrument(FLOATING)
    told = noticed(tuned_by(floating, -2), floating)
    assert "21% less" in told["tension"]
    assert "springs have to be reset; never release" in told["tension"]
    assert "tension" not in noticed(tuned_by(GUITAR, -2), GUITAR)
    offset = floating.model_copy(update={"reference_hz": 441.0})
    assert "tension" not in noticed(offset, floating), "half a percent of pull"


def test_another_bridge_or_number_of_strings() -> None:
    fixed = GUITAR.model_copy(update={"bridge": load_instrument(FLOATING).bridge})
    assert "strings now pull one another" in noticed(fixed, GUITAR)["bridge"]
    assert "no longer" in noticed(GUITAR, fixed)["bridge"]
    shaped = GUITAR.model_copy(update={"bridge": load_instrument(FIXED).bridge})
    assert "another way" in noticed(shaped, GUITAR)["bridge"]
    seven = load_instrument("seven-string-648")
    assert list(noticed(seven, GUITAR)) == ["strings"]


def test_an_action_that_the_file_changed_is_pointed_out_and_a_measured_one_is_believed_meanwhile() -> None:
    measured = with_action(GUITAR, 2.0, 2.4)
    assert noticed(GUITAR, GUITAR, measured) == {}, "the file says what it said"
    higher = with_action(GUITAR, 1.9, 2.3)
    told = noticed(higher, GUITAR)
    assert list(told) == [f"string/{n}" for n in range(1, 7)]
    assert "action 1.60 → 1.90 mm" in told["string/1"]
    assert "saddle +" in told["string/1"]
    told = noticed(higher, GUITAR, measured)
    assert "action 2.00 → 1.90 mm" in told["string/1"]


def test_measured_values_are_compared_with_the_last_session() -> None:
    left = with_action(GUITAR, 1.6, 2.0)
    job = begun(last_time=cm.LastTime(GUITAR, left))
    assert not [
        e
        for e in job.do(cm.Measured("action/treble", 1.6 + SMALLEST_CHANGE_MM / 2.0))
        if isinstance(e, ev.ChangeNoticed)
    ]
    (told,) = [e for e in job.do(cm.Measured("action/treble", 1.85)) if isinstance(e, ev.ChangeNoticed)]
    assert told.what == "action/treble"
    assert "action 1.60 → 1.85 mm: string 1: saddle +" in told.text
    (told,) = [e for e in job.do(cm.Measured("action/bass", 2.2)) if isinstance(e, ev.ChangeNoticed)]
    assert "action 2.00 → 2.20 mm: string 6" in told.text
    (told,) = [e for e in job.do(cm.Measured("relief", 0.35)) if isinstance(e, ev.ChangeNoticed)]
    assert "relief 0.20 → 0.35 mm" in told.text
    (told,) = [e for e in job.do(cm.Measured("nut/2", 0.68)) if isinstance(e, ev.ChangeNoticed)]
    assert "height at the nut 0.35 →" in told.text
    assert [what for what, _ in job.state.changes] == ["action/treble", "action/bass", "relief", "nut/2"]
    job.do(cm.Undo())
    assert len(job.state.changes) == 3
    assert [one.what for one in measured_of(job.state, "action")] == ["action/treble", "action/bass"]


def test_journals_from_before_any_of_this_replay() -> None:
    body = ev.to_body(ev.SessionBegun(GUITAR.to_json(), "old", 2.0, 12))[1]
    del body["day"]
    del body["previous"]
    state = fold([ev.from_body("SessionBegun", body)])
    assert (state.day, state.previous, state.measured, state.changes) == ("", None, (), ())
