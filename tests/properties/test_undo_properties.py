"""Whatever a note makes the session do by itself, one command takes it back."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st
from made_up_session import FLOATING, PAIRED, SCREWS, MadeUpSession, MadeUpTechnician

from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.decide import decide
from oscservice.session.replay import fold
from oscservice.session.vocabulary import Phase


@given(
    instrument=st.sampled_from([FLOATING, SCREWS, PAIRED]),
    seed=st.integers(0, 1000),
    errors=st.lists(st.floats(-9.0, 9.0), min_size=6, max_size=6),
    by_hand=st.booleans(),
)
@settings(max_examples=12, deadline=None)
def test_one_command_takes_back_every_automatic_step(
    instrument: str, seed: int, errors: list[float], by_hand: bool
) -> None:
    job = MadeUpSession(instrument).inspected()
    hands = MadeUpTechnician(job, dict(enumerate(errors, 1)), seed=seed, commands=by_hand)
    if by_hand:
        job.do(cm.ByHand(True))
    automatic = 0
    for _ in range(60):
        before, count = job.state, len(job.events)
        hands.step()
        new = job.events[count:]
        if job.phase() is Phase.CLOSED or sum(isinstance(event, ev.StepBegun) for event in new) != 1:
            continue
        automatic += sum(not isinstance(event, ev.StepBegun | ev.ReadingTaken) for event in new)
        back = fold(decide(job.state, cm.Undo()).events, job.state)
        assert replace(back, revision=0) == replace(before, revision=0)
        assert back.past is before.past
    assert automatic > 5
