"""The daemon's run and end: printed lines, messages to subscribers, and real time."""

from __future__ import annotations

import signal
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from oscservice_process import running_daemon
from small_instruments import SCREWS, instrument_file


@pytest.mark.parametrize("kind", ["waiting", "busy", "running", "file", "pipe"])
def test_a_request_to_end_is_sent_to_subscribers_and_obeyed(tmp_path: Path, kind: str) -> None:
    """For every state of the source: stopped, computing, in step with the clock, or waiting for bytes."""
    soundfile.write(tmp_path / "long.wav", np.zeros(48000 * 60), 48000)
    words = {
        "waiting": ["--source", "simulated", "--stepped"],
        "busy": ["--source", "simulated", "--stepped"],
        "running": ["--source", "simulated"],
        "file": ["--source", f"file:{tmp_path / 'long.wav'}"],
        "pipe": ["--source", "-", "--rate", "48000"],
    }[kind]
    with running_daemon(tmp_path / "j.sqlite3", *words, stdin=subprocess.PIPE) as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        if kind == "busy":
            client.ask("/simulator/pluck", 6, "open")
            for _ in range(10):
                client.ask("/simulator/wait", 60.0)
        elif kind in ("running", "file"):
            client.until_it_is("/audio/state", "running")
        daemon.process.send_signal(signal.SIGINT if kind == "waiting" else signal.SIGTERM)
        client.until("/reply", "/bench/subscribe", 0)
        code, lines, err = daemon.wait()
    assert (code, err) == (0, "")
    assert lines[-1] == "audio: ended"


def test_each_change_of_state_is_a_line(tmp_path: Path) -> None:
    with running_daemon(tmp_path / "j.sqlite3", "--source", "simulated", "--stepped") as daemon:
        client = daemon.client()
        client.ask("/session/begin", "six-string-648", "a neck with a dip (invented)")
        client.ask("/session/inspect", "nut", "failed", "slot 2 binds")
        client.ask("/session/inspect", "nut", "passed")
        for item in ("strings", "frets", "relief", "action", "bridge", "pickups"):
            client.ask("/session/inspect", item, "passed")
        client.ask("/session/inspect", "tuning", "waived", "as the customer wants it")
        client.ask("/listen", 0)
        client.ask("/string/6/set_aside", "the winding is loose")
        client.ask("/session/undo")
        client.ask("/session/abandon")
        _, lines, _ = daemon.end()
    assert lines == [
        "session begun: a neck with a dip (invented) (tolerance 2 cents)",
        "inspection: nut failed (slot 2 binds)",
        "inspection: nut passed",
        *[f"inspection: {item} passed" for item in ("strings", "frets", "relief", "action", "bridge", "pickups")],
        "inspection: tuning waived (as the customer wants it)",
        "phase: tuning",
        "not listening",
        "string 6: set aside (the winding is loose)",
        "last step undone",
        "session closed: abandoned",
        "audio: ended",
    ]


def test_events_are_the_lines_and_come_after_the_reply(tmp_path: Path) -> None:
    with running_daemon(tmp_path / "j.sqlite3", "--source", "simulated", "--stepped", "--root", "/shop/two") as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        client.until("/prompt", "begin")
        before = len(client.heard)
        assert client.ask("/session/begin", "six-string-648", "a test (invented)")[0] != "error"
        assert {address for address, _ in client.heard[before:]} <= {"/reply", "/alive"}
        client.until("/event", "session begun: a test (invented) (tolerance 2 cents)")
        client.until("/phase", "inspecting")
        client.until("/prompt", "inspect")


@pytest.mark.slow
def test_in_real_time_a_pluck_is_followed_as_it_sounds(tmp_path: Path) -> None:
    """Time runs by itself: live values while the note sounds, then its reading."""
    path = instrument_file(tmp_path, SCREWS)
    with running_daemon(tmp_path / "j.sqlite3", "--source", "simulated", "--instrument", path, "--seed", "4") as daemon:
        client = daemon.client()
        client.begin(str(path))
        client.until_it_is("/audio/state", "running")
        true_hz, _ = client.ask("/simulator/truth", 2)
        client.ask("/simulator/pluck", 2, "open")
        client.until("/string/2/sounding", 1)
        (live_hz,) = client.until("/string/2/hz")
        assert live_hz == pytest.approx(true_hz, rel=0.02)
        assert client.until("/string/2/level")[0] < 0.0
        reading = client.until("/reading")
        client.ask("/simulator/damp")
    assert reading[:2] == (2, "open")
    assert reading[5] == pytest.approx(true_hz, rel=3e-4)  # half a cent
    assert reading[6] == pytest.approx(1200.0 * np.log2(true_hz / 146.832), abs=0.6)
    assert abs(reading[6]) < 30.0


@pytest.mark.slow
def test_stepped_time_does_not_pass_until_it_is_asked_to(tmp_path: Path) -> None:
    with running_daemon(tmp_path / "j.sqlite3", "--source", "simulated", "--stepped") as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        client.until("/alive")
        assert client.ask("/status")[2] == "starting"  # a second has passed, and not a sample has been heard
        passed_s = []
        for seconds in (0.5, 0.75, 30.0):
            client.ask("/simulator/wait", seconds)
            passed_s.append(client.until("/simulator/done")[0])
            client.until("/alive")
        assert passed_s == [0.5, 1.25, 31.25]
        assert client.ask("/status")[2] == "running"


@pytest.mark.slow
def test_the_seed_is_which_guitar(tmp_path: Path) -> None:
    """Strings up to 25 cents out of tune and saddles misplaced by up to 4 mm, the same for the same seed."""
    truths: list[tuple[float, ...]] = []
    for seed in ("1", "2", "2"):
        with running_daemon(tmp_path / "j.sqlite3", "--source", "simulated", "--stepped", "--seed", seed) as daemon:
            client = daemon.client()
            truths.append(tuple(value for n in range(1, 7) for value in client.ask("/simulator/truth", n)))
    assert truths[0] != truths[1] == truths[2]
    for nominal_hz, (open_hz, error_cents) in zip(
        (329.628, 246.942, 195.998, 146.832, 110.0, 82.407),
        zip(truths[1][::2], truths[1][1::2], strict=True),
        strict=True,
    ):
        assert abs(1200.0 * np.log2(open_hz / nominal_hz)) <= 25.1
        assert 0.0 < abs(error_cents) < 15.0
