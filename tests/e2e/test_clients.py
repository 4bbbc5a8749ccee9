"""Other people's OSC clients, each from its own driver in ``clients``: all go through the same short session. What they
print is what they understood. The language of SuperCollider and the recording program are in ``test_examples.py``.
"""

from __future__ import annotations

import importlib.util
import json
import re
import sys
from pathlib import Path
from typing import Any

import pytest
from conftest import miss, need
from oscservice_process import wait_until
from outside_programs import CLIENTS, INSTRUMENT, PORT, DaemonWithPrograms, node_modules, on_one_daemon

pytestmark = pytest.mark.foreign

DRIVEN = ["inspecting", "tuning", "closed"]


bench, stage = on_one_daemon("clients")


def check(stage: DaemonWithPrograms, printed: list[str], label: str, *, lease: bool = True) -> None:
    """The whole session as a client printed it, and as the daemon did.

    Args:
        printed: the client's lines, each an address and values, with other text around them.
        label: the session's.
        lease: whether the client subscribed, and was sent the live values too.
    """
    told = [re.sub(r"[\"/,]", " ", line).split() for line in printed]
    told = [[word for word in words if word not in ("heard:", "bench")] for words in told]
    everything = "\n".join(printed)

    status = next((words for words in told if {"reply", "status"} <= {*words}), [])
    assert {"idle", "closed"} & {*status}, everything
    phases = [words[-1] for words in told if words and words[0] == "phase"]
    assert phases[-len(DRIVEN) :] == DRIVEN, everything
    assert [words for words in told if words and words[0] == "error" and "unsubscribe" not in words] == [], everything

    (reading,) = [words for words in told if words and words[0] == "reading"]
    at = reading.index("open")
    assert (int(reading[at - 1]), int(reading[at + 1]), reading[at + 2]) == (2, 0, "D3"), reading
    hz, cents = float(reading[at + 4]), float(reading[at + 5])
    assert 140 < hz < 154, reading
    assert -30 < cents < 30, reading
    if lease:
        leases = [words for words in told if {"reply", "subscribe"} <= {*words} and words[-1] == "120"]
        assert leases, everything
        live = [float(words[-1]) for words in told if words[:3] == ["string", "2", "cents"]]
        assert len(live) >= 2, everything
        assert all(-30 < value < 30 for value in live), live

    stage.daemon.until(f"^session begun: {label} ")
    stage.daemon.until("^phase: tuning$")
    stage.daemon.until("^session closed: abandoned$")


def test_the_clients_code_contains_no_expected_values() -> None:
    """No driver can print what it did not hear: none of them contains notes or pitches."""
    for driver in CLIENTS.iterdir():
        if driver.suffix in (".js", ".py", ".sh", ".pd", ".scd", ".lua"):
            assert not re.search(r"\bD3\b|14[0-9]\.", driver.read_text(encoding="utf-8")), driver


@pytest.mark.parametrize("way", ["udp", "tcp"])
def test_liblo_on_the_command_line(stage: DaemonWithPrograms, way: str) -> None:
    for program, package in (("oscdump", "liblo-tools"), ("socat", "socat")):
        need(program, package)
    check(stage, stage.run("bash", CLIENTS / "liblo.sh", way), f"liblo {way}")


def test_liblo_replays_a_file(stage: DaemonWithPrograms, tmp_path: Path) -> None:
    """oscsendfile sends the lines that oscdump prints, at the times of their tags. Texts must have no spaces."""
    oscsendfile = need("oscsendfile", "liblo-tools")
    lines = (f'/bench/session/begin ss "{INSTRUMENT}" "replayed"', '/bench/session/inspect ss "all" "passed"')
    file = tmp_path / "begin.txt"
    file.write_text("".join(f"eeb11678.{n}0000000 {line}\n" for n, line in enumerate(lines)), encoding="utf-8")
    stage.run(oscsendfile, "127.0.0.1", str(PORT), file)
    stage.daemon.until("^session begun: replayed ")
    stage.daemon.until("^phase: tuning$")


def test_topics_in_bundles(stage: DaemonWithPrograms) -> None:
    """A client that asks for some topics, at a rate and in bundles, is sent these and no others."""
    dump = stage.start(need("oscdump", "liblo-tools"), "-L", "19331")

    def subscribed() -> bool:  # oscdump does not say when it listens
        stage.say("subscribe", "isfi", 19331, "//phase //prompt /bench/string/[12]/cents", 10, 1)
        return bool(dump.lines)

    wait_until(subscribed, "nothing came")
    stage.say("session/begin", "ss", INSTRUMENT, "in bundles")
    stage.say("session/inspect", "ss", "all", "passed")
    dump.until('/bench/phase s "tuning"$')
    stage.say("simulator/pluck", "is", 2, "open")
    stage.say("simulator/wait", "f", 4)
    dump.until('/bench/prompt s "tune_up"$')
    told = [line.split(" ", 2) for line in dump.lines]
    addresses = {address for _, address, _ in told}
    assert addresses == {"/bench/reply", "/bench/phase", "/bench/prompt", "/bench/string/2/cents"}
    together = [(at, address) for at, address, values in told if values in ('s "tuning"', 's "pluck_open"')]
    assert [address for _, address in together] == ["/bench/phase", "/bench/prompt"]
    assert together[0][0] == together[1][0]  # one packet: liblo gives both its time
    stage.say("unsubscribe", "i", 19331)


@pytest.mark.parametrize("way", ["udp", "tcp"])
def test_liblo_from_python(stage: DaemonWithPrograms, way: str) -> None:
    if importlib.util.find_spec("pyliblo3") is None:
        miss("needs pyliblo3: pip install pyliblo3")
    check(stage, stage.run(sys.executable, CLIENTS / "pyliblo.py", way), f"pyliblo3 {way}")


@pytest.mark.parametrize("way", ["udp", "slip", "count"])
def test_python_osc(stage: DaemonWithPrograms, way: str) -> None:
    check(stage, stage.run(sys.executable, CLIENTS / "python_osc.py", way), f"python-osc {way}")


def test_pure_data_with_two_sockets(stage: DaemonWithPrograms) -> None:
    pd = need("pd", "puredata-core")
    words = ("-nogui", "-noaudio", "-nomidi", "-stderr")
    check(stage, stage.run(pd, *words, "-open", CLIENTS / "pd-vanilla.pd"), "pd-vanilla")


def test_pure_data_with_an_external(stage: DaemonWithPrograms) -> None:
    pd = need("pd", "puredata-core")
    found = list(Path("/usr/lib").glob("**/pd/extra/osc/unpackOSC.pd_linux"))
    if not found:
        miss("needs pd-osc: apt-get install -y --no-install-recommends pd-osc")
    words = ("-nogui", "-noaudio", "-nomidi", "-stderr", "-path", found[0].parent)
    check(stage, stage.run(pd, *words, "-open", CLIENTS / "pd-osc.pd"), "pd-osc")


@pytest.mark.parametrize(
    ("words", "label"),
    [
        (("osc.js", "udp"), "osc udp"),
        (("osc.js", "tcp"), "osc tcp"),
        (("osc.js", "websocket"), "osc websocket"),
        (("osc-js.js", "udp"), "osc-js udp"),
        (("osc-js.js", "websocket"), "osc-js websocket"),
        (("node-osc.js",), "node-osc"),
        (("ws.js",), "ws"),
    ],
    ids=["osc-udp", "osc-tcp", "osc-websocket", "osc-js-udp", "osc-js-websocket", "node-osc", "ws"],
)
def test_clients_for_node(stage: DaemonWithPrograms, words: tuple[str, ...], label: str) -> None:
    printed = stage.run(need("node", "nodejs"), CLIENTS / words[0], *words[1:], NODE_PATH=str(node_modules()))
    check(stage, printed, label, lease=label != "ws")  # which names the paths it listens to
    if label == "ws":
        assert not [line for line in printed if "string/2" in line], printed


def test_a_query_client_reads_the_state_of_the_session(stage: DaemonWithPrograms) -> None:
    node, modules = need("node", "nodejs"), str(node_modules())

    def described() -> dict[str, tuple[int, Any]]:
        """Access and arguments by path, and what the daemon says of itself as the path ``host``."""
        told = {}
        for line in stage.run(node, CLIENTS / "oscquery.js", NODE_PATH=modules):
            path, access, arguments = line.split(" ", 2)
            told[path] = int(access), json.loads(arguments)
        return told

    before = described()
    assert (before["host"][1]["oscPort"], before["host"][1]["wsPort"]) == (PORT, PORT)
    assert before["/bench/phase"][1][0]["value"] in ("idle", "closed")
    assert before["/bench/session/undo"] == (2, [])
    stage.say("session/begin", "ss", INSTRUMENT, "queried")
    stage.say("session/inspect", "ss", "all", "passed")
    stage.daemon.until("^session begun: queried ")
    stage.daemon.until("^phase: tuning$")
    stage.say("simulator/pluck", "is", 2, "open")
    stage.say("simulator/wait", "f", 4)
    after: dict[str, tuple[int, Any]] = {}

    def heard() -> bool:
        after.update(described())
        return after["/bench/prompt"][1][0]["value"] == "tune_up"

    wait_until(heard, "no prompt to tune up came")
    assert after["/bench/phase"][1][0]["value"] == "tuning"
    assert after["/bench/string/2/open/cents"][0] == 1
    reading = [argument["value"] for argument in after["/bench/reading"][1]]
    assert reading[:4] == [2, "open", 0, "D3"]
    assert 140 < reading[5] < 154
    assert after["/bench/reading"][1][0]["range"] == {"min": 1, "max": 12}
    assert "/bench/string/3/open/cents" not in after
