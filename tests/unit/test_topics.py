"""The state as addresses and values."""

from __future__ import annotations

import math
import unittest.mock
from dataclasses import replace
from pathlib import Path
from typing import cast

import pytest
from made_up_session import BAR, FIXED, FRET, SCREWS, MadeUpSession, MadeUpTechnician, reading

from oscservice.advice.causes import Finding
from oscservice.advice.correction import FIXED_SADDLE
from oscservice.api.address_table import TABLE
from oscservice.api.topics import MOST_CHARACTERS, cause, changed, topics
from oscservice.daemon.coordinator import Coordinator
from oscservice.daemon.session_service import SessionService
from oscservice.hearing.inharmonicity import Stiffness
from oscservice.hearing.listener import NoteHeard
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.osc.packet import encode
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.event_values import finding_text
from oscservice.session.figures import Figures, figures
from oscservice.session.session_results import compared, remaining
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase, Status


def test_an_idle_bench() -> None:
    now = topics(State())
    assert now["/phase"] == ("idle",)
    assert now["/prompt"] == ("begin",)
    assert now["/instrument"] == ("",)
    assert now["/focus/string"] == (0,)
    assert now["/frets"] == ("",)
    assert not any(address.startswith("/string/") for address in now)


def test_unknown_values_have_no_topic() -> None:
    now = topics(MadeUpSession().state)
    assert "/string/6/open/cents" not in now
    assert "/string/6/fret/12/error" not in now
    assert "/string/6/harmonic/error" not in now
    assert now["/string/6/status"] == ("untried",)
    assert now["/string/6/saddle/direction"] == ("none",)


def test_a_comparison_as_it_grows_and_the_advice_that_follows() -> None:
    job = MadeUpSession(SCREWS).tuned()
    job.do(cm.Focus(6, HARMONIC))
    job.hear(6, HARMONIC, 0.5)
    job.hear(6)
    assert topics(job.state)["/focus/fret"] == (12,)
    job.hear(6, FRET, 8.0)
    now = topics(job.state)
    assert now["/string/6/fret/12/plucks"] == (1,)
    assert now["/string/6/fret/12/error"][0] == pytest.approx(8.0)
    assert now["/string/6/harmonic/error"][0] == pytest.approx(0.5 - 0.2596, abs=1e-3), "what stiffness explains is off"
    job.hear(6)
    job.bracket(6, 8.0)
    now = topics(job.state)
    assert now["/phase"] == ("moving",)
    assert now["/string/6/status"] == ("to move",)
    assert now["/string/6/saddle/direction"] == ("away from the nut",)
    (mm,) = now["/string/6/saddle/move"]
    assert now["/string/6/saddle/turns"][0] == pytest.approx(float(mm) / 0.5)  # M3: 0.5 mm a turn (ISO 261)
    assert now["/string/6/saddle/room"] == (5.0,)
    assert now["/string/6/saddle/missing"] == (0.0,)
    assert now["/string/6/saddle/left"][0] == pytest.approx(0.0, abs=0.01)
    job.do(cm.Moved(6, float(mm)))
    now = topics(job.state)
    assert now["/string/6/saddle/moved"] == (mm,)
    assert now["/string/6/saddle/direction"] == ("none",)
    assert "/string/6/open/cents" not in now


def test_the_move_of_a_shared_saddle_is_said_for_the_string_it_is_named_by() -> None:
    job = MadeUpSession(BAR).tuned()
    for string in (6, 5, 4, 3, 2, 1):
        job.bracket(string, 8.0)
    (mm,), (turns,) = topics(job.state)["/string/6/saddle/move"], topics(job.state)["/string/6/saddle/turns"]
    # The bass screw's M3 thread has 0.5 mm a turn (ISO 261), and string 6 takes 82 % of its way.
    assert float(mm) == pytest.approx(float(turns) * 0.5 * 0.817073)


def test_only_changes_are_sent_and_the_prompt_comes_last() -> None:
    job = MadeUpSession(SCREWS).inspected()
    before = topics(job.state)
    job.hear(6, OPEN, -20.0)
    now = topics(job.state)
    sent = changed(before, now)
    opened = ["/string/6/open/cents", "/string/6/open/spread"]
    assert list(sent) == ["/revision", *opened, "/prompt/caution", "/prompt/text", "/prompt"]
    assert list(now)[-1] == "/prompt"
    assert changed(now, now) == {}


def test_a_string_left_out_says_why() -> None:
    job = MadeUpSession(SCREWS).tuned()
    assert topics(job.state)["/string/6/reason"] == ("",)
    job.do(cm.SetAside(6, "worn at the 3rd fret"))
    assert topics(job.state)["/string/6/reason"] == ("worn at the 3rd fret",)
    # The screws of this preset have 5 mm either way: 30 cents ask for some 11 mm.
    job.bracket(5, 30.0)
    job.do(cm.Moved(5, 5.0))
    job.hear(5)
    job.bracket(5, 17.0)
    (reason,) = topics(job.state)["/string/5/reason"]
    assert reason.endswith("mm of travel missing")
    fixed = MadeUpSession(FIXED).tuned()
    fixed.bracket(6, 12.0)
    assert topics(fixed.state)["/string/6/reason"] == (FIXED_SADDLE,)


def surveyed(frets: str = "1 5 12x3 17") -> MadeUpSession:
    """Every string of a made-up guitar compared at several frets, the sixth 9 cents sharp at fret 12."""
    job = MadeUpSession(SCREWS, frets=frets).inspected()
    hands = MadeUpTechnician(job, {n: 9.0 if n == 6 else 0.5 for n in job.state.numbers})
    for _ in range(400):
        if job.phase() is Phase.MOVING or job.prompt == "look_into":
            return job
        hands.step()
    raise AssertionError("no string was judged")


def with_string(state: State, number: int, **changes: object) -> State:
    strings = list(state.strings)
    strings[number - 1] = replace(strings[number - 1], **changes)
    return replace(state, strings=tuple(strings))


def test_every_compared_fret_is_sent_with_the_combined_error() -> None:
    job = surveyed()
    now = topics(job.state)
    assert now["/frets"] == ("1 5 12x3 17",)
    survey = job.string(6).survey
    assert survey is not None
    for index, fret in enumerate((1, 5, 12, 17)):
        at = f"/string/6/fret/{fret}"
        assert now[f"{at}/error"] == (survey.neck.errors_cents[index],)
        assert now[f"{at}/spread"][0] == pytest.approx(math.sqrt(survey.neck.covariance[index][index]))
        assert now[f"{at}/plucks"] == (survey.neck.plucks[index],)
    assert now["/string/6/saddle/error"][0] == pytest.approx(9.0, abs=1.5)
    assert 0.0 < float(now["/string/6/saddle/error/spread"][0]) < 1.0


def test_a_fret_is_sent_as_soon_as_it_is_heard() -> None:
    job = MadeUpSession(SCREWS, frets="3 12").tuned()
    job.hear(6)
    job.hear(6, Place("fret", 3), 3.0)
    now = topics(job.state)
    assert now["/string/6/fret/3/error"][0] == pytest.approx(3.0)
    assert "/string/6/fret/12/error" not in now
    assert "/string/6/saddle/error" not in now
    assert "/string/6/nut/move" not in now


def test_the_nut_is_sent_if_low_frets_were_compared_otherwise_the_reason() -> None:
    now = topics(surveyed().state)
    assert now["/string/6/nut/untold"] == ("",)
    assert abs(float(now["/string/6/nut/move"][0])) < 3.0 * float(now["/string/6/nut/spread"][0]) + 0.3
    high = topics(surveyed("12 14").state)
    assert "low frets" in str(high["/string/6/nut/untold"][0])
    assert "/string/6/nut/move" not in high
    assert "/string/6/nut/untold" not in topics(MadeUpSession(SCREWS).tuned().state)


def test_the_cause_is_the_saddle_where_nothing_else_was_named() -> None:
    job = MadeUpSession(SCREWS).tuned()
    assert topics(job.state)["/string/6/cause"] == ("",)
    job.bracket(6, 8.0)
    assert job.string(6).status is Status.TO_MOVE
    now = topics(job.state)
    assert now["/string/6/cause"] == ("saddle",)
    assert now["/string/6/cause/probability"] == (0.0,)
    found = Finding("uneven string", (6, 2), 0, -3.0, 0.5, "cents", 0.96, "heard", "feel", stops=True)
    now = topics(replace(job.state, findings=(found,)))
    assert now["/string/6/cause"] == now["/string/2/cause"] == ("uneven string",)
    assert now["/string/6/cause/probability"] == (0.96,)
    assert now["/string/6/cause/evidence"] == ("heard",)
    assert now["/string/6/cause/check"] == ("feel",)
    assert now["/string/5/cause"] == ("",)
    assert "/string/5/cause/check" not in now
    tried = topics(with_string(job.state, 6, status=Status.SETTLED))
    assert tried["/string/6/cause"] == tried["/string/6/cause/check"] == tried["/string/6/ways_out"] == ("",)
    assert cause(found) == ("6, 2", 0, "uneven string", -3.0, 0.5, "cents", 0.96, "heard")


def test_the_response_of_a_string_is_sent_once_a_move_showed_it() -> None:
    job = MadeUpSession(SCREWS).inspected()
    hands = MadeUpTechnician(job, dict.fromkeys(job.state.numbers, 10.0), response=0.5)
    assert "/string/6/response" not in topics(job.state)
    while job.string(6).moves == 0 or job.string(6).last_move is not None:
        hands.step()
    now = topics(job.state)
    assert now["/string/6/response"][0] == pytest.approx(0.5, abs=0.12)
    assert "of the expected effect" in str(now["/string/6/response/oddity"][0])
    assert "/string/1/response" not in now


def test_the_expectation_from_the_build_follows_the_measured_stiffness() -> None:
    job = MadeUpSession(SCREWS)
    now = topics(job.state)
    # Mersenne's law: T = mu (2 L f)^2
    spec = job.instrument.string(6)
    pull = spec.unit_weight_kg_m * (2.0 * (spec.scale_mm + spec.setback_mm) / 1000.0 * job.instrument.open_hz(6)) ** 2
    assert now["/string/6/predicted/tension"][0] == pytest.approx(pull, rel=1e-6)
    assert float(now["/string/6/predicted/spread"][0]) > 0.0
    known = Stiffness(math.log(2.0 * float(now["/string/6/predicted/stiffness"][0])), 0.05)
    then = topics(with_string(job.state, 6, learnt_stiffness=known))
    assert then["/string/6/predicted/stiffness"][0] == pytest.approx(math.exp(known.log_b))
    assert float(then["/string/6/predicted/setback"][0]) > float(now["/string/6/predicted/setback"][0])
    assert then["/string/5/predicted/setback"] == now["/string/5/predicted/setback"]
    same = Stiffness(math.log(float(now["/string/6/predicted/stiffness"][0])), 0.05)
    surer = topics(with_string(job.state, 6, learnt_stiffness=same))
    assert float(surer["/string/6/predicted/spread"][0]) < float(now["/string/6/predicted/spread"][0])


def test_remedies_are_sent_if_travel_is_missing() -> None:
    job = MadeUpSession(FIXED)
    assert "/string/6/ways_out" not in topics(job.state)
    job.tuned()
    job.bracket(6, 12.0)
    assert job.string(6).status is Status.OUT_OF_TRAVEL
    (text,) = topics(job.state)["/string/6/ways_out"]
    ways = str(text).split("; ")
    assert ways[0].startswith("Lower the string by")
    assert ways[-2].startswith("Accept it")
    assert "face away" in str(topics(job.state)["/string/6/ways_out/caution"][0])


class Named:
    """A service for whom a note names a cause."""

    session_id = "made up"
    last_seq = 1

    def __init__(self, state: State, finding: Finding) -> None:
        self.state = state
        self._finding = finding

    listening = True

    def carry_out(self, command: cm.Command) -> list[ev.Event]:
        return [ev.CauseNamed(finding_text(self._finding))]

    def figures(self) -> Figures:
        return figures(self.state)


def test_a_named_cause_is_sent_as_one_message_and_in_words(tmp_path: Path) -> None:
    found = Finding("nut slot high", (3,), 0, 0.5, 0.1, "mm", 0.93, "+4.0 cents heard", "file it", stops=True)
    told: list[str] = []
    service = cast(SessionService, Named(MadeUpSession(SCREWS).tuned().state, found))
    coordinator = Coordinator(service, tell=told.append, instrument_folder=tmp_path)
    sent: dict[str, tuple[object, ...]] = {}
    with unittest.mock.patch.object(coordinator.server, "publish", sent.update):
        coordinator.hear(0, [NoteHeard(0.1, reading(82.4))])
    assert sent["/cause"] == ("3", 0, "nut slot high", 0.5, 0.1, "mm", 0.93, "+4.0 cents heard")
    assert told == ["cause: nut slot high, string 3 (93% sure): +4.0 cents heard"]


def test_a_new_session_is_no_larger_a_burst_than_a_receive_buffer_holds() -> None:
    """Some 250 small datagrams, by default, on Linux: twelve strings are begun within it."""
    six = load_instrument(SCREWS)
    adjusters = tuple(
        six.bridge.adjusters[0].model_copy(update={"name": f"saddle {n}", "influence": {n: 1.0}}) for n in range(1, 13)
    )
    bridge = six.bridge.model_copy(update={"adjusters": adjusters})
    twelve = six.model_copy(update={"strings": six.strings * 2, "bridge": bridge})
    assert len(changed(topics(State()), topics(MadeUpSession(twelve).state))) < 210


def test_every_topic_value_can_be_sent() -> None:
    """As declared, finite, and within one packet of any network."""
    for job in (surveyed(), MadeUpSession(), MadeUpSession(FIXED).tuned()):
        long = Finding("uneven string", (6,), 0, 1.0, 1.0, "cents", 1.0, "x" * 5000, "y" * 5000, stops=True)
        now = topics(replace(job.state, findings=(long,)))
        for address, values in now.items():
            assert len(encode("/bench" + address, *TABLE.typed(address, values))) <= MOST_CHARACTERS + 300
            assert all(math.isfinite(value) for value in values if isinstance(value, float)), address
        assert len(encode("/bench/cause", *TABLE.typed("/cause", cause(long)))) <= MOST_CHARACTERS + 300


def test_the_remaining_errors_of_a_session() -> None:
    """Sharp by 9 cents at fret 12 for its saddle: 9 u at every fret, u = 2^(n/12) - 1."""
    job = surveyed()
    left = remaining(job.state)[6]
    wanted = [9.0 * (2.0 ** (fret / 12.0) - 1.0) for fret in left.frets]
    told = list(zip(left.frets, left.errors_cents, left.se_cents, wanted, strict=True))
    assert all(abs(error - want) < 3.5 * se for fret, error, se, want in told if fret in (1, 5, 12, 17)), told
    assert left.measured == (1, 5, 12, 17)
    with pytest.raises(ValueError, match="no string was compared"):
        remaining(MadeUpSession(SCREWS).tuned().state)


def test_a_single_fret_and_its_last_pass_count() -> None:
    job = MadeUpSession(SCREWS).inspected()
    hands = MadeUpTechnician(job, dict.fromkeys(job.state.numbers, 3.0))
    hands.work()
    assert set(compared(job.state)) == set(job.state.numbers)
    opened = replace(job.state, as_left=None)
    for number, left in remaining(job.state, (5, 12)).items():
        assert abs(left.errors_cents[1] - hands.error(number)) < 3.5 * left.se_cents[1]
        unproved = remaining(with_string(opened, number, proved=False), (12,))[number]
        assert left.se_cents[1] < unproved.se_cents[0]
    old = opened
    for number in job.state.numbers:
        old = with_string(old, number, survey=None)
    assert set(remaining(old, (12,))) == set(job.state.numbers)
    assert remaining(old, (12,))[6].errors_cents[0] == pytest.approx(job.string(6).last.error_cents, abs=0.2)  # type: ignore[union-attr]


def test_remains_in_another_tuning_need_the_same_strings() -> None:
    job = surveyed()
    with pytest.raises(ValueError, match=r"another one|scale"):
        remaining(job.state, None, load_instrument("acoustic-645"))
