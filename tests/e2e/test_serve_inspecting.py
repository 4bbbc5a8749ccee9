"""The inspection over the socket: measured values, what may not be passed, and what changed since the last session."""

from __future__ import annotations

from pathlib import Path

import pytest
from oscservice_process import running_daemon

from oscservice.instrument.instrument_file import preset_toml

pytestmark = pytest.mark.slow

SIMULATED = ["--source", "simulated", "--stepped"]


def test_measured_values_hold_the_start_are_used_and_a_change_is_noticed_in_the_next_session(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(preset_toml("six-string-628"), encoding="utf-8")
    journal = tmp_path / "j.sqlite3"
    with running_daemon(journal, *SIMULATED, "--instrument", own) as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        client.ask("/session/begin", str(own), "first")
        (before,) = client.until("/string/1/predicted/setback")
        client.ask("/session/measured", "action/treble", 2.3)
        client.until("/event", "measured: Action on the treble side: 2.30 mm, 0.45 mm above the target (1.35 to 1.85)")
        (after,) = client.until("/string/1/predicted/setback")
        assert after > before
        answer = client.ask("/session/inspect", "action", "passed")
        assert answer[0] == "error"
        assert "0.45 mm above the target" in str(answer[-1])
        for item in ("strings", "frets"):
            client.ask("/session/inspect", item, "passed")
        client.ask("/session/measured", "relief", 0.2)
        client.ask("/session/inspect", "relief", "passed")
        client.until("/prompt", "measured_off")
        client.ask("/session/inspect", "action", "waived", "as the player wants it")
        client.until("/inspect/action/note", "as the player wants it")
        assert client.ask("/session/fitted", "2020-02-30")[0] == "error"
        client.ask("/session/inspect", "all", "passed")
        client.until("/phase", "tuning")
        client.ask("/session/abandon")
        daemon.end()
    text = own.read_text(encoding="utf-8").replace("gauge_in = 0.010", "gauge_in = 0.011", 1)
    own.write_text(text, encoding="utf-8")
    with running_daemon(journal, *SIMULATED, "--instrument", own) as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        client.ask("/session/begin", str(own), "second")
        what, told = client.until("/change")
        assert what == "string/1"
        assert "plain .010 → plain .011" in told
        assert "(+21%)" in told
        client.until("/event", f"since the last session: {told}")
        client.until("/changes", told)
        client.ask("/session/measured", "action/treble", 1.7)
        what, told = client.until("/change")
        assert what == "action/treble"
        assert "action 2.30 → 1.70 mm" in told
        _, lines, err = daemon.end()
    assert err == ""
    assert f"since the last session: {told}" in lines


def test_lengths_are_taken_and_told_in_inches_and_sent_in_mm(tmp_path: Path) -> None:
    with running_daemon(tmp_path / "j.sqlite3", *SIMULATED, OSCSERVICE_LENGTHS="in") as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        client.ask("/session/begin", "six-string-648", "any")
        client.ask("/session/measured", "relief", "0.008 in")
        client.until("/event", "measured: Relief: 0.008 in, within the target (0.004 to 0.014)")
        assert client.until("/inspect/relief/value") == (pytest.approx(0.203),)
        client.ask("/session/measured", "relief", "1/64 in")
        client.until("/event", "measured: Relief: 0.016 in, 0.002 in above the target (0.004 to 0.014)")
        answer = client.ask("/session/measured", "relief", "0.008")
        assert answer[:2] == ("error", 2)
        assert "add mm or in" in str(answer[-1])


@pytest.mark.parametrize(("what", "mm", "code"), [("varnish", 1.0, 5), ("nut/9", 0.5, 5), ("relief", 5.0, 3)])
def test_an_impossible_measured_value_is_an_error(tmp_path: Path, what: str, mm: float, code: int) -> None:
    with running_daemon(tmp_path / "j.sqlite3", *SIMULATED) as daemon:
        client = daemon.client()
        client.ask("/session/begin", "six-string-648", "any")
        assert client.ask("/session/measured", what, mm)[:2] == ("error", code)
