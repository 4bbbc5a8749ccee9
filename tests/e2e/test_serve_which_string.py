"""Notes of an uncertain string on the simulated guitar, over a real socket: decided by stiffness, or by a question."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from oscservice_process import Client, running_daemon
from small_instruments import SCREWS, instrument_file

from oscservice.instrument.instrument_file import load_instrument
from oscservice.record.journal import Journal
from oscservice.session import events as ev
from oscservice.session.replay import fold

pytestmark = pytest.mark.slow

COURSE = """
[[string]]
note = "E4"
kind = "plain"
gauge_in = 0.010
setback_mm = 1.3

[[string]]
note = "E4"
kind = "plain"
gauge_in = 0.010
setback_mm = 1.3
"""

OCTAVES = """
[[string]]
note = "E3"
kind = "wound"
gauge_in = 0.024
core_mm = 0.356
setback_mm = 2.6

[[string]]
note = "E2"
kind = "wound"
gauge_in = 0.046
core_mm = 0.457
setback_mm = 4.9
"""


def pluck(client: Client, string: int, place: str = "open") -> list[tuple[str, tuple[Any, ...]]]:
    """Pluck, let it ring, stop it; gives all that came until it was heard."""
    before = len(client.heard)
    client.ask("/simulator/pluck", string, place)
    for address, *values in (("/simulator/wait", 2.4), ("/simulator/damp",), ("/simulator/wait", 0.25)):
        client.ask(str(address), *values)
        if values:
            client.until("/simulator/done")
    return client.heard[before:]


def readings(came: list[tuple[str, tuple[Any, ...]]]) -> list[tuple[int, str, int]]:
    """String, kind of place and fret of the readings among what came."""
    return [values[:3] for address, values in came if address == "/reading"]


def begun(client: Client, instrument: Path) -> str:
    """A session whose strings have been brought to pitch, and not yet been heard."""
    profile = load_instrument(str(instrument))
    name = client.begin(str(instrument))
    for number in (2, 1):
        open_hz, _ = client.ask("/simulator/truth", number)
        client.ask("/simulator/peg", number, 1200.0 * math.log2(profile.open_hz(number) / open_hz))
    return name


def test_two_strings_of_one_pitch_cause_a_question_and_both_answers_continue(tmp_path: Path) -> None:
    instrument, journal = instrument_file(tmp_path, SCREWS, COURSE), tmp_path / "j.sqlite3"
    with running_daemon(journal, "--source", "simulated", "--stepped", "--instrument", instrument) as daemon:
        client = daemon.client()
        session = begun(client, instrument)
        assert client.ask("/string/1/plucked")[:2] == ("error", 4), "nothing is in doubt"
        assert readings(pluck(client, 2)) == [(2, "open", 0)]
        assert readings(pluck(client, 1)) == []
        assert client.topics["/prompt"] == ("say_which",)
        first, second = client.topics["/doubt/first"], client.topics["/doubt/second"]
        assert {first[:3], second[:3]} == {(1, "open", 0), (2, "open", 0)}
        assert 0.9 < first[3] + second[3] <= 1.0
        # A word, from a surface with a button a string.
        assert client.ask("/string/1/plucked", 1.0) == ()
        assert client.until("/reading")[:3] == (1, "open", 0)
        client.until_it_is("/prompt", "pluck_open")
        assert client.topics["/phase"] == ("comparing",)
        assert client.topics["/doubt/first"] == (0, "open", 0, 0.0)
        # After undo the question is there again; plucks answer it.
        client.ask("/session/undo")
        client.until("/prompt", "say_which")
        assert readings(pluck(client, 1)) == [(1, "open", 0)]
        assert client.topics["/phase"] == ("comparing",)
        at_the_end = dict(client.topics)
        code, lines, err = daemon.end()
    assert (code, err) == (0, "")
    assert [line for line in lines if line.startswith("unclear: string ")]
    with Journal.open(journal, readonly=True) as opened:
        state = fold(ev.from_body(kind, body) for _, _, kind, body in opened.events(session))
    assert (str(state.phase), state.revision) == (at_the_end["/phase"][0], at_the_end["/revision"][0])
    assert state.string(1).open_cents == pytest.approx(at_the_end["/string/1/open/cents"][0], abs=1e-4)


def test_an_open_string_is_not_taken_for_the_fret_that_was_asked_for(tmp_path: Path) -> None:
    """Fret 12 of the low string is the open pitch of the other, and nearly ten times as stiff."""
    instrument = instrument_file(tmp_path, SCREWS, OCTAVES)
    with running_daemon(
        tmp_path / "j.sqlite3", "--source", "simulated", "--stepped", "--instrument", instrument
    ) as daemon:
        client = daemon.client()
        begun(client, instrument)
        heard = [readings(pluck(client, number)) for number in (2, 1)]
        assert heard == [[(2, "open", 0)], [(1, "open", 0)]]
        client.until_it_is("/phase", "comparing")
        assert readings(pluck(client, 2)) == [(2, "open", 0)]
        assert client.topics["/prompt"] == ("pluck_fretted",)
        assert readings(pluck(client, 1)) == [(1, "open", 0)]
        assert client.topics["/prompt"] == ("pluck_fretted",)
        assert readings(pluck(client, 2, "fret 12")) == [(2, "fret", 12)]
