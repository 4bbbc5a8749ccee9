"""The phases in which commands are possible: by the table, the session and the addresses."""

from __future__ import annotations

from functools import cache
from typing import get_args

import pytest
from made_up_session import LOCKING, MadeUpSession, MadeUpTechnician, reading

from oscservice.api.address_reference import reference
from oscservice.api.address_table import TABLE, address_space
from oscservice.api.argument_values import COMMAND, SIMULATOR
from oscservice.api.incoming_addresses import SessionAddress
from oscservice.instrument.instrument_file import load_instrument
from oscservice.osc.address import Call
from oscservice.osc.dispatch import RefusedCall, resolve
from oscservice.osc.packet import Message
from oscservice.osc.refusal import ErrorCode
from oscservice.session import commands as cm
from oscservice.session.commands import POSSIBLE, Ignored, impossible
from oscservice.session.decide import decide
from oscservice.session.replay import fold
from oscservice.session.session_results import summary_of
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase

GUITAR = load_instrument(LOCKING)
COMMANDS: tuple[cm.Command, ...] = (
    *(cm.Begin(GUITAR, "x"), cm.Quick(GUITAR, ""), cm.Inspect("all", "passed"), cm.Measured("relief", 0.2)),
    *(cm.Played(12.5), cm.Stretched(True)),
    *(cm.Fitted("2026-11-25"), cm.Hear(reading(110.0)), cm.Next(), cm.Undo(), cm.Finish(), cm.Abandon(), cm.Focus(3)),
    *(cm.Slackened(3), cm.Moved(3, 0.1), cm.Turned(3, 0.5), cm.SetAside(3, "rusty"), cm.Overrule(3), cm.Plucked(3)),
    *(cm.SaddleAt(3, 12.0), cm.NutClamps(True), cm.Discard(), cm.ByHand(True), cm.Listen(False)),
)
"""One of each kind, with valid arguments."""

# By hand, one letter a phase: I idle, i inspecting, P preparing, t tuning, c comparing, m moving, r retuning,
# S securing, p proving, k checking, C closed.
LETTERS = dict(zip("IiPtcmrSpkC", Phase, strict=True))
EXPECTED = {
    cm.Begin: "IC",
    cm.Quick: "IC",
    cm.Inspect: "i",
    cm.Measured: "iPtcmrSp",
    cm.Fitted: "i",
    cm.Played: "i",
    cm.Stretched: "i",
    cm.Hear: "PtcmrSpk",
    cm.Next: "iPtcmrSpk",
    cm.Undo: "iPtcmrSpk",
    cm.Finish: "PtcmrSpk",
    cm.Abandon: "iPtcmrSpk",
    cm.Focus: "tcrpk",
    cm.Slackened: "tcmrp",
    cm.Moved: "tcmrp",
    cm.Turned: "tcmrp",
    cm.SaddleAt: "iPtcmrSp",
    cm.NutClamps: "PtcmrSp",
    cm.SetAside: "PtcmrSpk",
    cm.Overrule: "tcmrp",
    cm.Plucked: "tcrpk",
    cm.Discard: "tcrpk",
    cm.ByHand: "iPtcmrSp",
    cm.Listen: "iPtcmrSpk",
}


NOT_NOW = (
    (cm.Undo, cm.NOTHING_TO_TAKE_BACK),
    (cm.Plucked, "no pluck is in doubt"),
    (cm.Discard, "no pluck is in doubt"),
    (cm.Next, "still to be inspected"),
    (cm.Next, "nothing to skip in the phase proving"),
)
"""Refusals of commands in a phase in which they are possible, but not in its first state."""


@cache
def states() -> dict[Phase, State]:
    """The first state of a made-up set-up in each phase, and that of a quick check against it."""
    job = MadeUpSession(LOCKING)
    found = {Phase.IDLE: State(), Phase.INSPECTING: job.state}
    hands = MadeUpTechnician(job.inspected(), dict.fromkeys(job.state.numbers, 5.0))
    while job.phase() is not Phase.CLOSED:
        found.setdefault(job.phase(), job.state)
        hands.step()
    found[Phase.CLOSED] = job.state
    left = summary_of(job.state, "before").to_json()
    found[Phase.CHECKING] = fold(decide(State(), cm.Quick(job.instrument, left)).events, State())
    return found


def test_the_table_of_phases_equals_the_one_written_by_hand() -> None:
    assert {type(command) for command in COMMANDS} == set(get_args(cm.Command)) == set(POSSIBLE)
    assert {kind: frozenset(LETTERS[one] for one in letters) for kind, letters in EXPECTED.items()} == POSSIBLE


@pytest.mark.parametrize("phase", Phase)
@pytest.mark.parametrize("command", COMMANDS, ids=lambda command: type(command).__name__)
def test_a_command_is_refused_by_phase_where_the_table_says_so_and_nowhere_else(
    command: cm.Command, phase: Phase
) -> None:
    state = states()[phase]
    assert state.phase is phase
    text = None
    try:
        decide(state, command)
    except cm.Refused as refusal:
        text = refusal.text if refusal.code == "phase" else None
    except Ignored as reason:
        text = str(reason)
    expected = impossible(type(command), phase)
    assert (expected is None) is (phase in POSSIBLE[type(command)])
    if expected is not None:
        assert text == expected
        assert "\n" not in text
    else:  # refused by the state, not by the phase
        allowed = {text_now for kind, text_now in NOT_NOW if kind is type(command)}
        assert text is None or isinstance(command, cm.Hear) or text.partition(":")[0] in allowed
        assert text != impossible(cm.Hear, Phase.IDLE)


ASKED = {
    "/session/begin": ("ss", ("six-string-648", "x")),
    "/session/quick": ("s", ("six-string-648",)),
    "/session/resume": ("s", ("2026-11-25-1",)),
    "/session/inspect": ("ss", ("all", "passed")),
    "/session/measured": ("sf", ("relief", 0.2)),
    "/session/fitted": ("s", ("2026-11-25",)),
    "/session/played": ("f", (12.5,)),
    "/session/stretched": ("i", (1,)),
    "/session/by_hand": ("i", (1,)),
    "/string/{string}/moved": ("f", (0.1,)),
    "/string/{string}/turned": ("f", (0.5,)),
    "/string/{string}/saddle/at": ("f", (12.0,)),
    "/nut/closed": ("i", (1,)),
    "/string/{string}/set_aside": ("s", ("rusty",)),
}


def test_every_command_address_names_its_command() -> None:
    rows = [a for a in TABLE if a.direction is COMMAND and a.group != SIMULATOR]
    commands = {a.path: a.command for a in rows if isinstance(a, SessionAddress)}
    assert len(commands) == len(rows)
    # Notes come from the listener in every phase; the daemon decides whether to use them.
    assert {kind for kind in POSSIBLE if kind not in (cm.Hear, cm.Listen)} == set(commands.values())
    session = {a.path for a in TABLE if isinstance(a, SessionAddress)}
    assert session == set(commands), "what is asked is answered in any phase"


@pytest.mark.parametrize("phase", Phase)
def test_dispatch_refuses_commands_outside_their_phases(phase: Phase) -> None:
    space = address_space("/bench", 6, phase=str(phase))
    for address in (a for a in TABLE if isinstance(a, SessionAddress)):
        tags, args = ASKED.get(address.path, ("", ()))
        (item,) = resolve(Message("/bench" + address.path.replace("{string}", "3"), args, tags), space)
        why_not = impossible(address.command, phase)
        if why_not is None:
            assert isinstance(item, Call), address.path
        else:
            assert isinstance(item, RefusedCall), address.path
            assert (item.code, item.text) == (ErrorCode.WRONG_PHASE, why_not), address.path


def test_types_and_ranges_are_looked_at_before_the_phase_and_a_release_is_none() -> None:
    idle = address_space("/bench", 6, phase="idle")
    (wrong,) = resolve(Message("/bench/string/3/moved", ("x",), "s"), idle)
    (far,) = resolve(Message("/bench/string/3/moved", (99.0,), "f"), idle)
    assert isinstance(wrong, RefusedCall)
    assert isinstance(far, RefusedCall)
    assert (wrong.code, far.code) == (ErrorCode.WRONG_TYPES, ErrorCode.OUT_OF_RANGE)
    assert resolve(Message("/bench/session/next", (0.0,), "f"), idle) == []
    (pressed,) = resolve(Message("/bench/session/next", (1.0,), "f"), idle)
    assert isinstance(pressed, RefusedCall)
    assert pressed.code is ErrorCode.WRONG_PHASE


def test_questions_are_answered_in_any_phase_and_no_phase_is_not_looked_at() -> None:
    for phase in ("", *map(str, Phase)):
        space = address_space("/bench", 6, phase=phase)
        assert all(isinstance(one, Call) for one in resolve(Message("/bench/{ping,status,version}", (), ""), space))
    assert isinstance(resolve(Message("/bench/session/next", (), ""), address_space("/bench", 6))[0], Call)


def test_the_reference_page_names_the_phases() -> None:
    rows = {line.split("`")[1]: line for line in reference().splitlines() if line.startswith("| `/bench")}
    assert rows["/bench/session/begin"].endswith("Phases: idle, closed. |")
    assert rows["/bench/session/inspect"].endswith("Phases: inspecting. |")
    assert "Phases" not in rows["/bench/status"]
