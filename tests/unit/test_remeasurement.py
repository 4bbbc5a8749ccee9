"""A session with readings measured again: comparisons are calculated again, nothing else changes."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench.silent import SilentBench, Work, set_up

from oscservice.hearing.listener import Quiet
from oscservice.instrument.instrument_file import load_instrument
from oscservice.record.kept_sound import KeptSound
from oscservice.record.remeasurement import errors_again, refolded, taken_back
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.decide import decide
from oscservice.session.next_pluck import asked
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.session_results import summary_of
from oscservice.session.state import State
from oscservice.simulate.guitar_builder import rig_of

Events = list[tuple[int, ev.Event]]


class NumberingTechnician(Work):
    """A technician who keeps the session's events, numbered as in a journal."""

    def __init__(self, *arguments, **more):
        self.events: Events = []
        super().__init__(*arguments, **more)

    def do(self, command):
        for event in decide(self.state, command).events:
            self.events.append((len(self.events) + 1, event))
        super().do(command)


def session(frets: str = "12", preset: str = "six-string-628", seed: int = 3, steps: int = 4000) -> Events:
    """The events of a set-up, or of its first steps."""
    instrument = load_instrument(preset)
    rig = rig_of(instrument, saddle_error_mm=[1.5, -1.0, 0.5, 2.0, -2.0, 0.0], detune_cents=[5.0] * 6)
    work = NumberingTechnician(instrument, SilentBench(rig, seed), seed, 0.2, False)
    work.do(cm.Begin(instrument, "silent", 2.0, frets))
    work.do(cm.Inspect("all", "passed"))
    for _ in range(steps):
        code = prompt(work.state).code
        if code in ("hand_over", "hand_over_partly"):
            break
        work.step(code)
    return work.events


@pytest.fixture(scope="module")
def events():
    return session()


def readings(events: Events) -> dict[int, ev.ReadingTaken]:
    return {seq: event for seq, event in events if isinstance(event, ev.ReadingTaken)}


def plain(events: Events) -> State:
    return fold(event for _, event in events)


def unsealed(state: State) -> State:
    """The state without the remaining errors as stored when it closed: what is computed again has none stored."""
    return replace(state, as_left=None)


@pytest.mark.slow
@pytest.mark.parametrize("frets", ["12", "thorough"])
def test_with_the_same_readings_nothing_changes_by_a_bit(frets):
    found = session(frets)
    assert refolded(found, {}) == unsealed(plain(found))
    assert summary_of(refolded(found, readings(found))) == summary_of(plain(found))
    errors = errors_again(found, readings(found))
    assert {one.string for one in errors} == {1, 2, 3, 4, 5, 6}
    assert all(one.then == one.now and one.change_cents == 0.0 and not one.marked for one in errors)


def test_an_estimator_that_reads_fretted_notes_sharper_changes_errors_by_as_much(events):
    """Whatever the weights of single plucks: a shift of all fretted ones is a shift of the error."""
    sharper = {
        seq: replace(event, f1_hz=event.f1_hz * 2 ** (1.5 / 1200), cents=event.cents + 1.5)
        for seq, event in readings(events).items()
        if event.place == "fret 12" and event.string == 5
    }
    errors = errors_again(events, sharper)
    for one in errors:
        assert one.change_cents == pytest.approx(1.5 if one.string == 5 else 0.0, abs=0.02)
        assert one.marked == (one.string == 5)
    assert unsealed(plain(events)) == refolded(events, {}), "the session itself is left alone"


def test_decisions_and_moves_stay(events):
    sharper = {seq: replace(event, cents=event.cents + 3.0) for seq, event in readings(events).items()}
    before, after = plain(events), refolded(events, sharper)
    assert [s.moved_mm for s in after.strings] == [s.moved_mm for s in before.strings]
    assert (after.phase, after.outcome) == (before.phase, before.outcome)


def test_a_quick_check_is_calculated_again_too():
    instrument = load_instrument("six-string-628")
    rig = rig_of(instrument)
    account = set_up(instrument, rig, 4)
    against = summary_of(account.state, "2026-11-25-1")
    events: Events = []
    now = State()
    bench = SilentBench(rig, 5)
    command: cm.Command = cm.Quick(instrument, against.to_json())
    while True:
        new = decide(now, command).events
        events += [(len(events) + n, event) for n, event in enumerate(new, 1)]
        now = fold(new, now)
        if now.outcome:
            break
        wanted = asked(now)
        assert wanted is not None
        command = cm.Hear(bench.reading(*wanted))
    assert refolded(events, {}) == unsealed(now)
    errors = errors_again(events, {s: replace(e, f1_hz=e.f1_hz * 1.001) for s, e in readings(events).items()})
    assert all(abs(one.change_cents) < 0.01 for one in errors), "all alike sharper is no error"


def test_a_session_that_was_only_begun_has_noerrors_again(events):
    begun = [one for one in events if one[0] <= 3]
    assert errors_again(begun, {}) == ()
    assert errors_again([], {}) == ()


def test_readings_of_undone_steps_are_found():
    found = session(steps=30)
    heard = [seq for seq, event in found if isinstance(event, ev.ReadingTaken)]
    steps = [seq for seq, event in found if isinstance(event, ev.StepBegun)]
    assert taken_back(found) == set()
    once = [*found, (len(found) + 1, ev.TakenBack())]
    assert taken_back(once) == {seq for seq in heard if seq > steps[-1]}
    thrice = [*once, (len(once) + 1, ev.TakenBack()), (len(once) + 2, ev.TakenBack())]
    assert taken_back(thrice) == {seq for seq in heard if seq > steps[-3]}
    assert taken_back(thrice)


def test_the_sound_of_a_reading_is_no_part_of_its_evidence(events):
    sound = KeptSound("00" * 32, 48000, 1.2, Quiet(-60.0)).to_json()
    kept = [
        (seq, replace(event, sound=sound) if isinstance(event, ev.ReadingTaken) else event) for seq, event in events
    ]
    assert plain(kept) == plain(events)
