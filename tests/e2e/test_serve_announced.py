"""Two daemons on one network, in a network namespace of their own: both are found, and both are left."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import need
from oscservice_process import environment, in_own_network

pytestmark = pytest.mark.slow

BROWSING = Path(__file__).with_name("service_browser.py")
NETWORK = """
set -eu
ip link set lo multicast on
ip addr add 192.0.2.7/24 dev lo
ip route add 224.0.0.0/4 dev lo src 192.0.2.7
cd "$2"
mkfifo told go
daemons=
for port in 9787 9788; do
  "$1" -m oscservice serve --source simulated --stepped --host 0.0.0.0 --port $port --allow 192.0.2.0/24 \\
    --name bench --root /bench/$port --journal journal-$port.db > served-$port.txt 2>&1 &
  daemons="$daemons $!"
done
exec 3<>go
"$1" "$4" 192.0.2.7 2 _oscjson._tcp.local. < go > told &
exec 4< told
read -r line <&4; printf '%s\\n' "$line"
"$3" -s 'http://192.0.2.7:9787/?HOST_INFO'; echo
"$3" -s 'http://192.0.2.7:9788/bench/9788/phase?VALUE'; echo
for daemon in $daemons; do kill -TERM $daemon; done
for daemon in $daemons; do wait $daemon; done
echo >&3
read -r line <&4; printf '%s\\n' "$line"
"""


def test_two_daemons_of_one_name_are_both_found_beyond_the_loopback(tmp_path: Path) -> None:
    done = subprocess.run(
        [
            *in_own_network(),
            "bash",
            "-c",
            NETWORK,
            "network",
            sys.executable,
            str(tmp_path),
            need("curl", "curl"),
            str(BROWSING),
        ],
        capture_output=True,
        env=environment(),
        timeout=60,
    )
    lines = done.stdout.decode().splitlines()
    assert len(lines) == 4, (lines, done.stderr.decode(), (tmp_path / "served-9787.txt").read_text())
    found, info, value, gone = lines
    names = ["bench-2._oscjson._tcp.local.", "bench._oscjson._tcp.local."]
    services = json.loads(found)
    assert [port for _, _, port, _, _ in services] == [9787, 9788]
    assert sorted(name for _, name, _, _, _ in services) == json.loads(gone) == names
    assert [addresses for _, _, _, addresses, _ in services] == [["192.0.2.7"]] * 2
    told = json.loads(info)
    assert (told["NAME"], told["OSC_PORT"]) == ("bench", 9787)
    assert "OSC_IP" not in told  # every address of this machine: clients take the one they have asked
    assert json.loads(value) == {"VALUE": ["idle"]}


NO_NETWORK = """
set -eu
cd "$2"
"$1" -m oscservice serve --source simulated --stepped --port 9787 --host ::1 --announce --journal journal.db \\
  > served.txt 2> log.txt &
served=$!
for _ in $(seq 200); do "$3" -sf 'http://[::1]:9787/bench/phase?VALUE' && break; sleep 0.1; done
for _ in $(seq 200); do [ -s log.txt ] && break; sleep 0.1; done
kill -TERM $served
wait $served
"""


def test_without_a_network_the_daemon_continues_and_reports_it_in_one_line(tmp_path: Path) -> None:
    done = subprocess.run(
        [*in_own_network(), "bash", "-c", NO_NETWORK, "alone", sys.executable, str(tmp_path), need("curl", "curl")],
        capture_output=True,
        env=environment(),
        timeout=60,
    )
    assert done.returncode == 0, done.stderr.decode()
    assert json.loads(done.stdout) == {"VALUE": ["idle"]}
    (line,) = (tmp_path / "log.txt").read_text(encoding="utf-8").splitlines()
    assert line.startswith("oscservice: WARNING: ")
    assert "on the network: " in line
    assert "Network is unreachable" in line
