"""The quick check between takes over a real socket: a guitar is set up, one peg slips, one saddle creeps, and somebody
who knows the daemon only by what it sends checks it. Truth is the simulated guitar's own geometry.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from oscservice_process import Client, run_command, running_daemon
from small_instruments import SCREWS, STRINGS, THIRD, instrument_file

from oscservice.instrument.instrument_file import load_instrument
from oscservice.osc.refusal import ErrorCode
from oscservice.simulate.technician import Technician

pytestmark = pytest.mark.slow

SEED = 4
PEG_CENTS = 6.0
FLAT_CENTS = -100.0
SADDLE_MM = 2.0
OWN = 'identity = "two by the window"\n'


@dataclass(frozen=True)
class Done:
    """Three quick checks of a guitar that was set up, as a client sees them.

    Attributes:
        refused: answer to a quick check before the set-up.
        changed: changes of open pitch and of error at fret 12 in cents, by string.
        held: topics of a check before the changes.
        topics: topics of the check after them.
        flat: verdicts of a check with string 2 a semitone flat.
    """

    journal: Path
    refused: tuple[Any, ...]
    changed: dict[int, tuple[float, float]]
    held: dict[str, tuple[Any, ...]]
    topics: dict[str, tuple[Any, ...]]
    verdicts: list[tuple[Any, ...]]
    sentence: str
    under_way: tuple[Any, ...]
    flat: list[tuple[Any, ...]]


def begin_quick(technician: Technician, instrument: str) -> None:
    """Begin a quick check against the last sealed session of an instrument."""
    technician._ask("/session/quick", instrument)
    technician._pause(0.3)


def truth(client: Client, numbers: range) -> dict[int, tuple[float, float]]:
    return {n: client.ask("/simulator/truth", n) for n in numbers}  # type: ignore[misc]


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """Set up, checked as it is, put out, and checked again."""
    folder = tmp_path_factory.mktemp("quick")
    instrument, journal = instrument_file(folder, OWN + SCREWS, THIRD + STRINGS), folder / "journal.sqlite3"
    name, numbers = str(instrument), range(1, 4)
    words = ("--source", "simulated", "--stepped", "--seed", str(SEED), "--instrument", instrument)
    with running_daemon(journal, *words, longest_s=300.0) as daemon:
        client = daemon.client()
        refused = client.ask("/session/quick", name)
        technician = Technician("127.0.0.1", daemon.port, seed=SEED)
        try:
            profile = load_instrument(name)
            technician.know_nominal({n: profile.open_hz(n) for n in numbers})
            technician.subscribe()
            technician.begin(name, "set-up (invented)", 2.0)
            under_way = client.ask("/session/quick", name)
            technician.work()
            begin_quick(technician, name)
            technician.work()
            client.ask("/subscribe")
            client.until("/prompt")
            held = dict(client.topics)
            before = truth(client, numbers)
            client.ask("/simulator/peg", 3, PEG_CENTS)
            client.ask("/simulator/saddle", 1, SADDLE_MM)
            for _ in range(4):
                hz = client.ask("/simulator/truth", 1)[0]
                client.ask("/simulator/peg", 1, 1200.0 * math.log2(before[1][0] / hz))
            after = truth(client, numbers)
            client.heard.clear()
            begin_quick(technician, name)
            technician.work()
            client.until_it_is("/prompt", "check_drifted")
            topics = dict(client.topics)
            verdicts = [values for address, values in client.heard if address == "/check/string"]
            sentence = str(client.topics["/prompt/text"][0])
            client.ask("/simulator/peg", 2, FLAT_CENTS)
            client.heard.clear()
            begin_quick(technician, name)
            technician.work()
            client.until("/prompt", "check_drifted")
            flat = [values for address, values in client.heard if address == "/check/string"]
        finally:
            technician.close()
        changed = {n: (1200.0 * math.log2(after[n][0] / before[n][0]), after[n][1] - before[n][1]) for n in numbers}
        return Done(journal, refused, changed, held, topics, verdicts, sentence, under_way, flat)


def test_without_a_set_up_there_is_nothing_to_check_against(done: Done) -> None:
    word, code, text = done.refused
    assert (word, code) == ("error", int(ErrorCode.NOT_FOUND))
    assert "no sealed session of 'two by the window'" in text


def test_a_set_up_under_way_is_not_disturbed(done: Done) -> None:
    assert done.under_way[:2] == ("error", int(ErrorCode.WRONG_PHASE))


def test_an_unchanged_instrument_holds(done: Done) -> None:
    assert done.held["/prompt"] == ("check_holds",)
    assert [done.held[f"/string/{n}/check"] for n in (1, 2, 3)] == [("holds",)] * 3
    assert done.held["/check/against"][0].endswith("-1")


def test_the_right_strings_have_drifted_in_the_right_way(done: Done) -> None:
    said = {values[0]: values[1:3] for values in done.verdicts}
    assert said == {3: ("drifted", "tuning"), 2: ("holds", "none"), 1: ("drifted", "intonation")}
    assert [values[0] for values in done.verdicts] == [3, 2, 1], "from the thickest"
    # The check is compared with the sealed set-up, not with the check before.
    assert done.topics["/check/against"][0].endswith("-1")
    assert "string 3 in tuning" in done.sentence
    assert "string 1 in intonation" in done.sentence


def test_by_how_much_is_right_within_its_error(done: Done) -> None:
    assert done.changed[3][0] == pytest.approx(PEG_CENTS, abs=0.1)
    assert abs(done.changed[1][0]) < 0.1
    assert abs(done.changed[1][1]) > 4.0, "2 mm: 0.374 mm a cent at fret 12 of 648 mm (the ratio of lengths)"
    for number, (tuning, intonation) in done.changed.items():
        root = f"/string/{number}/check"
        for what, true in (("tuning", tuning), ("intonation", intonation)):
            found, se = (done.topics[f"{root}/{what}{more}"][0] for more in ("", "/spread"))
            assert abs(found - true) < 3.0 * se, (number, what)
            assert 0.0 < se < 1.5


def test_a_string_that_is_a_semitone_flat_is_taken_for_itself(done: Done) -> None:
    assert [values[:3] for values in done.flat] == [
        (3, "drifted", "tuning"),
        (2, "drifted", "tuning"),
        (1, "drifted", "intonation"),
    ]
    assert done.flat[1][3] == pytest.approx(FLAT_CENTS, abs=3.0)


def test_the_record_has_the_same_results(done: Done) -> None:
    got = run_command("history", "two by the window", "--journal", done.journal, "--json")
    assert (got.code, got.err) == (0, "")
    rows = json.loads(got.out)
    assert [row["kind"] for row in rows] == ["quick check", "quick check", "quick check", "set-up"]
    assert [row["outcome"] for row in rows] == ["drifted", "drifted", "holds", "proved"]
    got = run_command(
        "compare", "last-3", "last-1", "--instrument", "two by the window", "--journal", done.journal, "--json"
    )
    assert (got.code, got.err) == (0, "")
    cells = {(c["string"], c["what"]): c for c in json.loads(got.out)["cells"]}
    assert cells[3, "open pitch"]["mark"] != ""
    assert cells[1, "error"]["mark"] != ""
    change = cells[1, "error"]["change"]
    assert abs(change["value"] - done.changed[1][1]) < 3.0 * change["se"]
