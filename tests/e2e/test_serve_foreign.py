"""A whole session driven by a third-party client: liblo's oscsend and oscdump, from a shell script."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from conftest import need
from oscservice_process import command, environment, in_own_network
from small_instruments import cut_preset

pytestmark = [pytest.mark.foreign, pytest.mark.slow]

DRIVER = Path(__file__).with_name("foreign_technician.sh")
LISTEN_PORT = 19201

# The daemon beside the driver, ended as a service manager ends it. Ports can't clash in a namespace of its own.
BESIDE = """
"$@" >"$FOLDER/out" 2>"$FOLDER/err" & daemon=$!
timeout 240 bash "$DRIVER" 9787 "$LISTEN_PORT" "$INSTRUMENT"; echo "driver $?"
kill -TERM $daemon; wait $daemon; echo "daemon $?"
"""


@pytest.mark.parametrize("preset", ["six-string-648-compensated", "six-string-648"], ids=["screws", "clamps"])
def test_a_session_is_driven_from_idle_to_closed(tmp_path: Path, preset: str) -> None:
    for program, package in (("oscsend", "liblo-tools"), ("oscdump", "liblo-tools"), ("socat", "socat")):
        need(program, package)
    instrument = cut_preset(tmp_path, preset, (3, 4))
    words = ["--source", "simulated", "--stepped", "--seed", "1", "--instrument", instrument]
    daemon = command("serve", *words, "--journal", tmp_path / "j.sqlite3")
    done = subprocess.run(
        [*in_own_network(), "bash", "-c", BESIDE, "beside", *daemon],
        env=environment(
            FOLDER=str(tmp_path), DRIVER=str(DRIVER), LISTEN_PORT=str(LISTEN_PORT), INSTRUMENT=str(instrument)
        ),
        capture_output=True,
        text=True,
        timeout=300,
    )
    lines = done.stdout.splitlines()
    assert lines[-2:] == ["driver 0", "daemon 0"], done.stdout + done.stderr + (tmp_path / "err").read_text()
    assert (tmp_path / "err").read_text() == ""

    phases = [line.removeprefix("phase ") for line in lines if line.startswith("phase ")]
    assert phases[:5] == ["idle", "inspecting", "tuning", "comparing", "moving"]
    assert phases[-2:] == ["proving", "closed"]
    assert not [line for line in lines if line.startswith("error")]
    statuses = dict(line.split(" ", 2)[1:] for line in lines if line.startswith("status "))
    assert statuses == {"1": "settled", "2": "settled"}

    # The daemon's messages to subscribers equal its printed lines.
    events = [line.removeprefix("event ") for line in lines if line.startswith("event ")]
    printed = (tmp_path / "out").read_text().splitlines()
    assert printed[0].startswith("listening for OSC on 127.0.0.1 port 9787")
    assert [line for line in printed if line in events] == events
    assert events[-1] == "session closed: proved"
    assert "inspection: nut waived (invented guitar)" in events

    # By the guitar's own geometry, with saddles up to 4 mm misplaced at the start.
    truths = {int(n): float(cents) for word, n, _, cents in map(str.split, lines[-4:-2]) if word == "truth"}
    assert set(truths) == {1, 2}
    assert all(abs(cents) <= 2.0 for cents in truths.values()), truths
    moved = [line for line in events if "saddle moved" in line]
    assert len(moved) >= 2
