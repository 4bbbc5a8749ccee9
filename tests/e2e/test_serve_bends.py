"""A program that knows only notes and bends follows a daemon."""

from __future__ import annotations

from pathlib import Path

import pytest
from oscservice_process import running_daemon

pytestmark = pytest.mark.slow


def test_bends_are_sent_for_the_range_that_was_asked_for(tmp_path: Path) -> None:
    words = ("--source", "simulated", "--stepped", "--bend-range", "12")
    with running_daemon(tmp_path / "j.sqlite3", *words) as daemon:
        client = daemon.client()
        client.begin("six-string-648")
        client.until_it_is("/bend/range", 12)
        for semitones, string in ((12, 6), (2, 5)):
            assert client.ask("/bend/set", semitones) == ()
            client.until_it_is("/bend/range", semitones)
            client.ask("/simulator/pluck", string, "open")
            client.ask("/simulator/wait", 4.0)
            number, midi, bend = client.until("/reading/bend")
            assert (number, midi) == (string, {6: 40, 5: 45}[string])  # E2 and A2
            reading = client.topics["/reading"]
            assert reading[0] == string
            # MIDI 1.0: 8192 is the centre, all the way 8192 units (from memory); the reading's deviation to a unit.
            unit_cents = 100.0 * semitones / 8192
            assert abs((bend - 8192) * unit_cents - reading[6]) <= 0.51 * unit_cents
            assert abs(reading[6]) > 1.0, "the simulated guitar begins out of tune"
            live = [values for address, values in client.heard if address == f"/string/{string}/bend"]
            assert live
            client.until("/simulator/done")
        assert client.ask("/bend/set", 97)[:2] == ("error", 3)
