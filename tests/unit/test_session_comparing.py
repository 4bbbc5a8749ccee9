"""Comparing: what is asked for, what is evidence, what follows from it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from made_up_session import FRET, SCREWS, MadeUpSession, refused

from oscservice.advice.pluck_scatter import PluckScatter
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session import commands as cm
from oscservice.session.commands import Ignored
from oscservice.session.next_pluck import asked
from oscservice.session.vocabulary import Phase, Status


def test_fretted_notes_are_asked_for_between_open_ones() -> None:
    job = MadeUpSession().tuned()
    for _ in range(2):
        assert (asked(job.state), job.prompt) == ((6, OPEN), "pluck_open")
        job.hear(6)
        for _ in range(2):
            assert (asked(job.state), job.prompt) == ((6, FRET), "pluck_fretted")
            job.hear(6, FRET, 4.0)
    assert [p.place for p in job.string(6).plucks] == [OPEN, FRET, FRET, OPEN, FRET, FRET]


@pytest.mark.parametrize(("share", "between"), [(1.0, 1), (0.5, 2), (0.3, 3), (0.1, 3)])
def test_the_steadier_the_open_string_the_more_fretted_notes_stand_between(share: float, between: int) -> None:
    job = MadeUpSession().tuned()
    job.state = replace(job.state, pluck_scatter=PluckScatter(0.7, 3.0, ((share, 1.0),)))
    job.hear(6)
    for _ in range(between):
        assert asked(job.state) == (6, FRET)
        job.hear(6, FRET, 4.0)
    assert asked(job.state) == (6, OPEN)


def test_a_second_fretted_note_in_a_row_counts_too() -> None:
    job = MadeUpSession().tuned()
    job.hear(6)
    job.hear(6, FRET, 4.0)
    job.hear(6, FRET, 4.1)
    assert [p.place for p in job.string(6).plucks] == [OPEN, FRET, FRET]
    assert job.string(4).open_cents == 0.0, "it was not taken for another open string"


def test_a_bracket_begins_open() -> None:
    job = MadeUpSession().tuned()
    job.do(cm.Focus(6, FRET))
    job.hear(6, FRET, 4.0)
    assert job.string(6).plucks == ()


def test_settled_within_tolerance() -> None:
    job = MadeUpSession().tuned()
    job.bracket(6, 0.2)
    assert job.string(6).status is Status.SETTLED
    assert (job.state.phase, job.state.focus) == (Phase.COMPARING, 5)
    outcome = job.string(6).last
    assert outcome is not None
    assert outcome.error_cents == pytest.approx(0.2, abs=0.2)
    assert job.string(6).first == outcome


@pytest.mark.parametrize(
    ("error", "direction", "sign"),
    [(-8.0, "toward the nut", -1.0), (8.0, "away from the nut", 1.0)],  # common practice, no source
)
def test_flat_goes_toward_the_nut_and_sharp_away(error: float, direction: str, sign: float) -> None:
    job = MadeUpSession().tuned()
    job.bracket(6, error)
    assert (job.state.phase, job.string(6).status) == (Phase.MOVING, Status.TO_MOVE)
    advice = job.string(6).advice
    assert advice is not None
    assert advice.direction == direction
    # 2.7 cents a millimetre at the 12th fret of a common scale (common practice, no source)
    assert advice.mm == pytest.approx(sign * 8.0 / 2.67, rel=0.06)


def test_a_string_that_drifts_far_is_tuned_again_and_compared_afresh() -> None:
    job = MadeUpSession(SCREWS).tuned()
    job.bracket(6, 0.1)
    job.hear(5)
    job.hear(5, FRET, 3.0)
    job.hear(5, OPEN, -30.0)
    assert (job.state.phase, job.state.focus, job.prompt) == (Phase.RETUNING, 5, "tune_up")
    job.hear(5)
    assert (job.state.phase, job.state.focus) == (Phase.COMPARING, 5)
    assert job.string(5).plucks == (), "what was plucked before the peg turned is not compared with what comes after"


def test_a_string_far_off_by_intent_is_compared_where_it_is() -> None:
    job = MadeUpSession(SCREWS).tuned()
    job.hear(6, OPEN, -60.0)
    assert job.phase() is Phase.RETUNING
    job.do(cm.Next())
    assert job.phase() is Phase.COMPARING
    job.hear(6, OPEN, -60.0)
    job.hear(6, FRET, -60.0)
    assert [p.place for p in job.string(6).plucks] == [OPEN, FRET]


@pytest.mark.parametrize("off", [-100.0, 100.0, 60.0])
def test_a_note_of_another_fret_is_no_evidence(off: float) -> None:
    job = MadeUpSession().tuned()
    job.hear(6)
    with pytest.raises(Ignored, match="another place"):
        job.hear(6, FRET, off)
    job.hear(6, FRET, 20.0)


def test_a_fret_plucked_where_a_harmonic_was_asked_for_is_named() -> None:
    job = MadeUpSession().tuned()
    job.hear(6)
    job.do(cm.Focus(6, HARMONIC))
    with pytest.raises(Ignored, match="sounds like string 6 at fret 9: another place than the harmonic of string 6"):
        job.hear(6, Place("fret", 9), -2.0)
    job.hear(6, HARMONIC)


def test_another_open_string_is_noted_and_no_evidence() -> None:
    job = MadeUpSession().tuned()
    job.hear(6)
    job.hear(2, OPEN, -4.0)
    assert job.string(2).open_cents == pytest.approx(-4.0)
    assert asked(job.state) == (6, FRET)
    with pytest.raises(Ignored):
        job.hear(2, OPEN, -90.0)
    with pytest.raises(Ignored):
        job.hear(1, Place("fret", 7))


def test_another_string_does_not_end_a_single_request() -> None:
    job = MadeUpSession().tuned()
    job.do(cm.Focus(6, HARMONIC))
    job.hear(2)
    assert asked(job.state) == (6, HARMONIC)
    job.hear(6, HARMONIC, 1.5)
    # Stiffness puts the second partial of B = 1e-4 above the octave: 600 log2((1 + 4B) / (1 + B)) = 0.26 cents, from
    # f_k = k f0 sqrt(1 + B k^2) (Fletcher, J. Acoust. Soc. Am. 36 (1964) 203). The rest is the string's own.
    assert job.string(6).harmonic_cents == pytest.approx(1.5 - 0.2596, abs=1e-3)
    assert asked(job.state) == (6, OPEN)


def test_an_unsure_note_is_no_evidence() -> None:
    job = MadeUpSession().tuned()
    with pytest.raises(Ignored, match="ring longer"):
        job.hear(6, OPEN, 0.0, se_cents=2.6)


def test_scatter_too_large_twice_sets_the_string_aside() -> None:
    wild = [9.0, -9.0, 8.0, -9.0, 9.0, -8.0]
    job = MadeUpSession().tuned()
    job.bracket(6, 0.0, scatter=wild)
    assert (job.string(6).scattered, job.string(6).plucks, job.prompt) == (1, (), "pluck_again")
    job.bracket(6, 0.0, scatter=wild)
    assert job.string(6).status is Status.SET_ASIDE
    assert "scatter" in job.string(6).reason
    assert job.state.focus == 5


def test_scatter_once_then_a_calm_hand() -> None:
    job = MadeUpSession().tuned()
    job.bracket(6, 0.0, scatter=[9.0, -9.0, 8.0, -9.0])
    job.bracket(6, 0.1)
    assert (job.string(6).status, job.string(6).scattered) == (Status.SETTLED, 0)


def test_the_next_command_needs_evidence() -> None:
    job = MadeUpSession().tuned()
    refused(job, cm.Next(), "refused")
    job.hear(6)
    job.hear(6, FRET, 0.5)
    job.hear(6)
    refused(job, cm.Next(), "refused")
    job.hear(6, FRET, 0.4)
    job.do(cm.Next())
    assert job.string(6).status is Status.SETTLED


def test_the_next_command_to_a_move_needs_three_plucks() -> None:
    job = MadeUpSession(tolerance_cents=0.5).tuned()
    for error in (1.0, 1.3):
        job.hear(6)
        job.hear(6, FRET, error)
    refused(job, cm.Next(), "refused")
    job.hear(6)
    job.hear(6, FRET, 0.9)
    job.do(cm.Next())
    assert (job.state.phase, job.string(6).status) == (Phase.MOVING, Status.TO_MOVE)


def test_a_lower_string_that_rings_along_is_not_taken_for_plucked() -> None:
    # E4 is partial 4 of E2, and its harmonic partial 8: both together sound as if E2 had been plucked.
    job = MadeUpSession(SCREWS).tuned()
    job.do(cm.Focus(1, HARMONIC))
    with pytest.raises(Ignored, match="string 6 may only ring along with the harmonic of string 1"):
        job.hear(6, OPEN, 1.6)
    job.do(cm.Focus(2))
    job.hear(4, OPEN, 1.0)
    assert job.string(4).open_cents == pytest.approx(1.0), "B3 is no partial of D3: that was plucked"


def test_while_tuning_a_string_that_rings_along_is_ignored_and_a_turned_peg_is_not() -> None:
    job = MadeUpSession(SCREWS).inspected()
    for string in (6, 5, 4, 3, 2):
        job.hear(string)
    with pytest.raises(Ignored, match="ring along"):
        job.hear(6, OPEN, 0.5)
    job.hear(6, OPEN, 12.0)
    assert job.state.focus == 6
