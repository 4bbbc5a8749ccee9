"""Storms on a real daemon, over UDP and TCP: a third-party client can still use it, and memory doesn't grow."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import need
from oscservice_process import ROOT, in_own_network
from small_instruments import SCREWS, instrument_file

pytestmark = pytest.mark.slow

MOST_GROWTH_KB = 16 * 1024


@pytest.mark.foreign
def test_a_client_drives_a_session_between_storms(tmp_path: Path) -> None:
    for program in ("oscsend", "oscdump"):
        need(program, "liblo-tools")
    here = Path(__file__).parent
    done = subprocess.run(
        [
            *in_own_network(),
            sys.executable,
            str(here / "storm_script.py"),
            str(tmp_path),
            str(instrument_file(tmp_path, SCREWS)),
        ],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(map(str, (ROOT, here.parent, here)))},
        capture_output=True,
        text=True,
        timeout=200,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    seen = json.loads(done.stdout)
    code, _, complaints = seen["ended"]
    assert code == 0
    assert "Traceback" not in complaints
    warm, *later = seen["rss_kb"]
    assert max(later) - warm < MOST_GROWTH_KB, seen["rss_kb"]
    _, _, _, phase, packets, bad, _, refused, _, lost, _, connections = seen["status"]
    assert phase == "tuning"
    assert packets + lost >= sum(seen["sent"])
    assert bad > 3000
    assert (refused, connections) == (0, 0)
