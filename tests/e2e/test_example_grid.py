"""The example bindings at work: an invented grid surface and a recording program take a guitar from the first press to
the check after a take. Only the hands on the guitar are the simulated technician's.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from control_surface import Surface
from oscservice_process import ROOT, running_daemon, wait_until
from small_instruments import cut_preset

from oscservice.instrument.instrument_file import load_instrument
from oscservice.simulate.technician import Technician

pytestmark = pytest.mark.slow

EXAMPLE = ROOT / "examples" / "grid-surface.toml"
SEED = 4


def told(technician: Technician, address: str) -> object:
    """Return the last values that the technician received at an address before an answer."""
    technician.truth(1)
    return technician._topics[address][0]


def test_from_the_first_press_to_the_check_after_a_take(tmp_path: Path) -> None:
    instrument = cut_preset(tmp_path, "six-string-628-zero-fret", (3, 4))
    surface = Surface()
    path = tmp_path / "grid.toml"
    text = EXAMPLE.read_text(encoding="utf-8")
    assert "port = 9001\n" in text
    path.write_text(text.replace("port = 9001\n", f"port = {surface.port}\n"), encoding="utf-8")
    words = ("--source", "simulated", "--stepped", "--seed", str(SEED), "--instrument", instrument)
    with running_daemon(tmp_path / "j.sqlite3", "--settings", path, *words, longest_s=200.0) as daemon:
        surface.daemon = daemon.port
        technician = Technician("127.0.0.1", daemon.port, seed=SEED)
        try:
            profile = load_instrument(str(instrument))
            technician.know_nominal({n: profile.open_hz(n) for n in (1, 2)})
            technician.subscribe()
            surface.shown("/grid/title", "Begin a session: name the instrument and the job.")
            surface.press("/grid/key/start", 1)
            surface.shown("/grid/warning", 1)
            surface.press("/grid/key/start", 0)
            surface.press("/grid/key/start", 1)
            surface.shown("/grid/title", "Pluck string 2 open.")
            surface.press("/grid/button/1", 127)
            surface.shown("/grid/focus", 1)
            surface.press("/grid/key/undo", 1.0)
            surface.shown("/grid/focus", 2)
            wait_until(lambda: told(technician, "/focus/string") == 2, "the technician was not told of the keys")
            technician.work()
            surface.shown("/grid/lamp/1", 2)
            shown = dict(surface.seen)
            meters = [values[0] for address, values in surface.seen if address == "/grid/fader/2"]
            lamps = {values[0] for address, values in surface.seen if address == "/grid/lamp/2"}
            labels = {values[0] for address, values in surface.seen if address.startswith("/grid/label/")}

            client = daemon.client()
            client.ask("/subscribe")
            client.until("/prompt", "hand_over")
            assert all(abs(technician.truth(n)[1]) <= 2.0 for n in (1, 2))
            surface.press("/recorder/recording", 1)
            surface.press("/recorder/recording", 0)
            client.until("/prompt", "pluck_open")
            technician.truth(1)
            technician.work()
        finally:
            technician.close()
            surface.close()
        _, lines, errors = daemon.end()
    assert shown["/grid/focus"][0] in (1, 2)
    assert len(meters) > 5
    assert all(0.0 <= meter <= 1.0 for meter in meters)
    assert min(abs(meter - 0.5) for meter in meters) < 0.05
    assert {4, 1} <= lamps
    assert "+0.0 mm" in labels
    assert any(label[0] in "+-" and label.endswith(" mm") and label != "+0.0 mm" for label in labels)
    assert lines[-2:] == ["session closed: holds", "audio: ended"]
    assert errors == ""
    assert "session closed: proved" in lines
    assert lines[lines.index("session closed: proved") + 1 :][:2] == ["not listening", "listening"]
    assert not [line for line in lines if line.startswith("refused")]
