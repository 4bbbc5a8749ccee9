"""A thorough job over a real socket, by a technician who knows the daemon only by what it sends: several frets, the
harmonic, what remains. Truth is the simulated guitar's own geometry, which shares no formula with the advice.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from oscservice_process import DaemonProcess, run_command, running_daemon
from small_instruments import CLAMPS, instrument_file

from oscservice.daemon.simulated_source import rehearsal_guitar
from oscservice.instrument.instrument_file import load_instrument
from oscservice.osc.refusal import ErrorCode
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.technician import Technician

pytestmark = pytest.mark.slow

FRETS = "1 5 12x2 17"
SEED = 4


@dataclass(frozen=True)
class Done:
    """A job done: what was refused before it, errors at fret 12 before and after, the guitar as the hands left it, what
    remains and its standard errors over OSC, and the topics as a new subscriber gets them."""

    journal: Path
    refused: tuple[Any, ...]
    before: dict[int, float]
    rig: Rig
    left: dict[int, tuple[float, ...]]
    spread: dict[int, tuple[float, ...]]
    truth: dict[int, float]
    topics: dict[str, tuple[Any, ...]]


def work(daemon: DaemonProcess, instrument: Path) -> tuple[dict[int, float], Rig]:
    """The whole job; gives what each string was off at fret 12 before it, and the guitar as the hands left it."""
    profile = load_instrument(str(instrument))
    numbers = range(1, len(profile.strings) + 1)
    technician = Technician("127.0.0.1", daemon.port, seed=SEED)
    try:
        technician.know_nominal({n: profile.open_hz(n) for n in numbers})
        technician.subscribe()
        before = {n: technician.truth(n)[1] for n in numbers}
        technician.begin(str(instrument), "thorough (invented)", 2.0, FRETS)
        technician.work()
    finally:
        technician.close()
    rig = rehearsal_guitar(profile, SEED).rig
    moves = technician.account.moves_mm
    saddles = [rig.saddle_mm(n) + sum(moves.get(n, ())) for n in numbers]
    return before, Rig(rig.builds, rig.bridge, rig.adjusters, saddle_mm=saddles)


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """The job, done once, and what a client hears of it in the end."""
    folder = tmp_path_factory.mktemp("thorough")
    instrument, journal = instrument_file(folder, CLAMPS), folder / "journal.sqlite3"
    with running_daemon(
        journal, "--source", "simulated", "--stepped", "--seed", str(SEED), "--instrument", instrument
    ) as daemon:
        client = daemon.client()
        refused = client.ask("/string/1/remains")
        before, rig = work(daemon, instrument)
        left = {n: client.ask(f"/string/{n}/remains") for n in (1, 2)}
        spread = {n: client.ask(f"/string/{n}/remains/spread") for n in (1, 2)}
        truth = {n: client.ask("/simulator/truth", n)[1] for n in (1, 2)}
        client.ask("/subscribe")
        client.until("/prompt")
        return Done(journal, refused, before, rig, left, spread, truth, dict(client.topics))


def test_remaining_errors_are_refused_before_a_string_is_compared(tmp_path: Path) -> None:
    instrument = instrument_file(tmp_path, CLAMPS)
    with running_daemon(
        tmp_path / "j.sqlite3", "--source", "simulated", "--stepped", "--instrument", instrument
    ) as daemon:
        client = daemon.client()
        client.begin(str(instrument))
        word, code, text = client.ask("/string/2/remains")
        assert (word, code) == ("error", int(ErrorCode.WRONG_PHASE))
        assert "string 2 was not compared yet" in text
        assert client.ask("/string/2/remains/spread")[:2] == ("error", int(ErrorCode.WRONG_PHASE))
        assert client.ask("/string/3/remains")[:2] == ("error", int(ErrorCode.NOT_FOUND))


def test_every_string_ends_in_tune(done: Done) -> None:
    assert max(abs(cents) for cents in done.before.values()) > 4.0
    assert all(abs(cents) <= 2.0 for cents in done.truth.values())
    assert done.topics["/prompt"] == ("hand_over",)
    assert done.topics["/frets"] == (FRETS,)
    assert [done.topics[f"/string/{n}/status"] for n in (1, 2)] == [("settled",)] * 2


def test_remaining_errors_of_every_fret_are_sent_on_request(done: Done) -> None:
    assert done.refused[:2] == ("error", int(ErrorCode.NOT_FOUND)), "no session, no string"
    for n in (1, 2):
        assert len(done.left[n]) == len(done.spread[n]) == 22
        for fret, (error, se) in enumerate(zip(done.left[n], done.spread[n], strict=True), start=1):
            assert abs(error - done.rig.error_cents(n, fret)) < 3.5 * se, (n, fret)
        assert abs(done.left[n][11] - done.truth[n]) < 3.5 * done.spread[n][11]
        assert 0.0 < done.spread[n][11] < 1.0, "known to a cent"


def test_every_fret_compared_has_been_sent(done: Done) -> None:
    for n in (1, 2):
        root = f"/string/{n}"
        for fret in (1, 5, 12, 17):
            assert done.topics[f"{root}/fret/{fret}/plucks"][0] >= 1
            # The fret's former and present values come from the same readings.
            apart = done.topics[f"{root}/fret/{fret}/error"][0] - done.left[n][fret - 1]
            assert abs(apart) < 3.0 * done.topics[f"{root}/fret/{fret}/spread"][0]
        assert abs(done.topics[f"{root}/saddle/error"][0]) <= 2.0
        assert f"{root}/harmonic/error" in done.topics
        assert f"{root}/nut/untold" in done.topics
        assert done.topics[f"{root}/predicted/spread"][0] > 0.0
        assert done.topics[f"{root}/cause"] == ("",)


def test_the_record_has_the_same_errors(done: Done) -> None:
    got = run_command("remains", "--journal", done.journal, "--json")
    assert (got.code, got.err) == (0, "")
    found = {one["string"]: one["errors_cents"] for one in json.loads(got.out)["strings"]}
    for n in (1, 2):
        assert done.left[n] == pytest.approx(found[n], abs=1e-4)  # OSC sends 32 bits
