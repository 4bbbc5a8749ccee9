"""Each client in ``examples/`` drives or follows a real session, as its head says it is run."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
from conftest import need
from outside_programs import CLIENTS, EXAMPLES, INSTRUMENT, PORT, DaemonWithPrograms, node_modules, on_one_daemon

pytestmark = [pytest.mark.foreign, pytest.mark.slow]


bench, stage = on_one_daemon("examples")


def session_by(stage: DaemonWithPrograms, label: str) -> None:
    """Drive a session beside a program that follows it."""
    stage.say("session/begin", "ss", INSTRUMENT, label)
    stage.say("session/inspect", "ss", "all", "passed")
    stage.daemon.until("^phase: tuning")
    stage.say("simulator/pluck", "is", 2, "open")
    stage.say("simulator/wait", "f", 4)


def abandon(stage: DaemonWithPrograms) -> None:
    stage.say("session/abandon")
    stage.daemon.until("^session closed: abandoned")


def test_python_with_python_osc(stage: DaemonWithPrograms) -> None:
    client = stage.start(sys.executable, EXAMPLES / "bench.py", "127.0.0.1", str(PORT))
    status = client.until(r"^reply: /bench/status (.*)")
    assert re.fullmatch(r"\d+ \d+ (starting|running) (idle|closed) .*", status[1])
    client.type(f'session/begin {INSTRUMENT} "by a terminal" 1.5')
    client.until(r"^event: session begun: by a terminal \(tolerance 1\.5 cents\)$")
    client.until("^> Inspect the strings")
    client.type("session/inspect all passed")
    client.until("^event: phase: tuning$")
    client.until(r"^> Pluck string 2 open\.$")
    client.type("simulator/pluck 2 open 1.0")
    client.type("simulator/wait 4")
    meter = client.until(r"^string 2 +(\S+) cents  -*\|-*")
    assert -30 < float(meter[1]) < 30
    reading = client.until(r"^reading: 2 open 0 D3 50 (\S+) ")
    assert 140 < float(reading[1]) < 154
    client.until("^! A string under tension can break")
    client.until("^> Tune string 2 up by .* cents to .*, then pluck it open")
    client.type("session/next now")
    client.until("^error: /bench/session/next 2 ")
    client.type("session/abandon")
    client.until("^event: session closed: abandoned$")
    assert client.end_of_typing() == 0


def test_node_with_osc(stage: DaemonWithPrograms) -> None:
    modules = node_modules()
    client = stage.start(need("node", "nodejs"), EXAMPLES / "bench.js", NODE_PATH=str(modules))
    client.until(r"^reply: /bench/subscribe 120")
    status = client.until(r"^reply: /bench/status (.*)")
    assert re.fullmatch(r"\d+ \d+ (starting|running) (idle|closed) .*", status[1])
    client.type(f'session/begin {INSTRUMENT} "by a script" 1.5')
    client.until(r"^event: session begun: by a script \(tolerance 1\.5 cents\)$")
    client.until("^> Inspect the strings")
    client.type("session/inspect all passed")
    client.until(r"^> Pluck string 2 open\.$")
    client.type("simulator/pluck 2 open 1.0")
    client.type("simulator/wait 4")
    meter = client.until(r"^string 2 (\S+) cents$")
    assert -30 < float(meter[1]) < 30
    client.until(r"^reading: 2 open 0 D3 50 1[45]\d\.\d+ ")
    client.until("^! A string under tension can break")
    client.type("session/abandon")
    client.until("^event: session closed: abandoned$")
    assert client.end_of_typing() == 0


def test_shell_with_liblo(stage: DaemonWithPrograms) -> None:
    for program in ("oscsend", "oscdump"):
        need(program, "liblo-tools")
    client = stage.start("bash", EXAMPLES / "bench.sh", str(PORT), "19300")
    client.until(r"^alive: \d+ \d+ ")
    client.type(f'session/begin ssf {INSTRUMENT} "by a shell" 1.5')
    client.until(r'^event: "session begun: by a shell \(tolerance 1\.5 cents\)"$')
    client.until('^> "Inspect the strings')
    client.type("session/inspect ss all passed")
    client.until(r'^> "Pluck string 2 open\."$')
    client.type("simulator/pluck is 2 open")
    client.type("simulator/wait f 4")
    client.until(r"^string 2 -?\d+\.\d+ cents$")
    client.until(r'^reading: 2 "open" 0 "D3" 50 1[45]\d\.\d+ ')
    client.until('^! "A string under tension can break')
    client.type("session/abandon")
    client.until('^event: "session closed: abandoned"$')
    assert client.end_of_typing() == 0


def test_a_pure_data_patch(stage: DaemonWithPrograms) -> None:
    """Its buttons are pressed by messages to their names, as the window would; a patch beside it reads a slider."""
    pd = need("pd", "puredata-core")
    words = ("-nogui", "-noaudio", "-nomidi", "-stderr", "-open", EXAMPLES / "bench.pd")
    beside = (*("-open", CLIENTS / "beside.pd"), "-send", "bench-status bang")
    client = stage.start(pd, *words, *beside)
    client.until(r"^reply: /bench/subscribe 120")
    client.until(r"^reply: /bench/status \d+ \d+ \w+ (idle|closed) ")
    session_by(stage, "watched by a patch")
    client.until("^event: session begun: watched by a patch")
    client.until(r"^prompt: Pluck string 2 open\.$")
    client.until(r"^shown: list Pluck string 2 open\.$")
    meter = client.until(r"^slider-2: (\S+)$")
    assert -30 < float(meter[1]) < 30
    client.until(r"^reading: 2 open 0 D3 50 1[45]\d\.\d+ ")
    client.until("^caution: A string under tension")
    stage.run("oscsend", "127.0.0.1", "19301", "/by-hand", "i", "1")
    client.until("^reply: /bench/session/by_hand")
    stage.daemon.until("^by hand")
    abandon(stage)


def test_supercollider(stage: DaemonWithPrograms) -> None:
    """The example is loaded by a file that then evaluates the lines of its head."""
    sclang = need("sclang", "supercollider-language")
    quiet = {"QT_QPA_PLATFORM": "offscreen", "QTWEBENGINE_DISABLE_SANDBOX": "1"}
    client = stage.start(sclang, CLIENTS / "example.scd", EXAMPLE=str(EXAMPLES / "bench.scd"), **quiet)
    client.until(r"^reply: /bench/subscribe 120")
    client.until(r"^reply: /bench/status \d+ \d+ \w+ (idle|closed) ")
    client.until(r"^event: session begun: by a language \(tolerance 2 cents\)$")
    client.until("^> Inspect the strings")
    client.until(r"^> Pluck string 2 open\.$")
    client.until(r"^string 2 -?\d+\.\d+ cents$")
    client.until(r"^reading: 2 open 0 D3 50 1[45]\d\.\d+ ")
    client.until("^! A string under tension can break")
    client.until("^event: session closed: abandoned$")
    assert client.end_of_typing() == 0


def test_a_session_script_of_a_recording_program(stage: DaemonWithPrograms, tmp_path: Path) -> None:
    """The program itself records, with a made-up sound card; what it would call on each change is called."""
    lua = need("ardour7-lua", "ardour")
    stage.say("session/begin", "ss", INSTRUMENT, "before the take")
    stage.daemon.until("^session begun: before the take")
    take = {"SCRIPT": str(EXAMPLES / "between_takes.lua"), "SESSION": str(tmp_path / "take")}
    client = stage.start(lua, CLIENTS / "take.lua", **take)
    stage.daemon.until("^not listening$")
    stage.daemon.until("^listening$")
    abandon(stage)
    client.type("")
    stage.daemon.until("^session begun: quick check against session 2026-11-25-1 ")
    assert client.end_of_typing() == 0
    said = [line for line in client.lines if line in ("recording", "stopped")]
    assert said == ["recording", "stopped"] * 2
    abandon(stage)
