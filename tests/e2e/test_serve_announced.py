"""Two daemons on one network, in a network namespace of their own: both are found, and both are left."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from conftest import need
from served import apart, environment

BROWSE = """
import ast, sys, time
from zeroconf import ServiceBrowser, ServiceStateChange, Zeroconf
found, gone = {}, set()
def changed(zeroconf, service_type, name, state_change):
    if state_change is ServiceStateChange.Removed:
        gone.add(name)
        return
    info = zeroconf.get_service_info(service_type, name)
    found[info.port] = (name, info.parsed_addresses())
z = Zeroconf(interfaces=["192.0.2.7"])
browser = ServiceBrowser(z, "_oscjson._tcp.local.", handlers=[changed])
end = time.monotonic() + 20
while len(found) < 2 and time.monotonic() < end:
    time.sleep(0.05)
print(found, flush=True)
sys.stdin.readline()
end = time.monotonic() + 10
while len(gone) < 2 and time.monotonic() < end:
    time.sleep(0.05)
print(sorted(gone), flush=True)
z.close()
"""
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
"$1" browse.py < go > told &
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
    (tmp_path / "browse.py").write_text(BROWSE, encoding="utf-8")
    done = subprocess.run(
        [*apart(), "bash", "-c", NETWORK, "network", sys.executable, str(tmp_path), need("curl", "curl")],
        capture_output=True,
        env=environment(),
        timeout=60,
    )
    lines = done.stdout.decode().splitlines()
    assert len(lines) == 4, (lines, done.stderr.decode(), (tmp_path / "served-9787.txt").read_text())
    found, info, value, gone = lines
    names = ["bench-2._oscjson._tcp.local.", "bench._oscjson._tcp.local."]
    assert found.startswith("{978")
    for port in (9787, 9788):
        assert f"{port}: ('bench" in found
    assert all(name in found and name in gone for name in names)
    assert found.count("['192.0.2.7']") == 2
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


def test_without_a_network_the_daemon_goes_on_and_says_so_in_one_line(tmp_path: Path) -> None:
    done = subprocess.run(
        [*apart(), "bash", "-c", NO_NETWORK, "alone", sys.executable, str(tmp_path), need("curl", "curl")],
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
