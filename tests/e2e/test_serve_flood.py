"""One sender floods a daemon while the guitar is played: no reading is lost, and every packet is counted.

Nothing here is timed; ``tests/bench/flood.py`` is, at four times the rate.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from oscservice_process import running_daemon
from packet_flood import Arrivals, Counted, Flood, readings_lost
from small_instruments import SCREWS, instrument_file

pytestmark = pytest.mark.slow

RATE_HZ, SECONDS = 5000.0, 2.0


def test_a_flood_loses_no_reading_and_its_drops_add_up(tmp_path: Path) -> None:
    journal, instrument = tmp_path / "j.sqlite3", instrument_file(tmp_path, SCREWS)
    with running_daemon(journal, "--source", "simulated", "--stepped", "--instrument", instrument) as daemon:
        arrivals = Arrivals(daemon.port)
        plain = daemon.client()
        plain.begin(str(instrument))
        client = Counted(plain)
        flood = Flood(daemon.port, RATE_HZ, SECONDS)
        plucks = 0
        while flood.running or plucks < 3:
            for act, seconds in ((("/simulator/pluck", plucks % 2 + 1, "open", 1.0), 1.6), (("/simulator/damp",), 0.3)):
                start = len(arrivals.came)
                assert client.ask(*act) == ()
                assert client.ask("/simulator/wait", seconds) == ()
                arrivals.next("/simulator/done", start)
            plucks += 1
        sent, _ = flood.end()
        counts = client.counted()
        assert daemon.end()[0] == 0
        arrivals.end()
    recorded, lost = readings_lost(journal, arrivals)
    assert recorded >= 2
    assert lost == 0
    assert [values for _, values in arrivals.of("/audio/dropped") if values != (0,)] == []
    assert sent > RATE_HZ * SECONDS / 2
    assert counts["packets"] + counts["lost"] == sent + client.sent
    assert counts["dropped"] > 0
    assert counts["bad"] > 0
    assert counts["refused"] == 0
