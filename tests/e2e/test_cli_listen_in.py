"""``oscservice listen-in``: what it shows of a surface, and that what it offers works when it is copied."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import need
from control_surface import Surface
from oscservice_process import PATIENCE_S, command, environment, run_process, running_daemon

pytestmark = pytest.mark.slow

ESCAPE = "\x1b[2J"


class Listening:
    """``listen-in`` in a process of its own."""

    def __init__(self, *words: str) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.process = subprocess.Popen(
            command("listen-in", "--port", str(self.port), *words),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=environment(),
        )
        self._guard = threading.Timer(PATIENCE_S, self.process.kill)  # a line that never comes ends the wait for it
        self._guard.start()

    def line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().decode().rstrip("\n")

    def end(self) -> tuple[int, str, str]:
        self.process.send_signal(signal.SIGINT)
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, out.decode(), err.decode()

    def close(self) -> None:
        self._guard.cancel()
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def listening() -> Iterator[Listening]:
    made = Listening()
    assert made.line() == f"listening in on 127.0.0.1 port {made.port}, UDP and TCP; Ctrl-C ends it"
    yield made
    made.close()


def say(way: str, port: int, *words: str) -> None:
    subprocess.run([need("oscsend", "liblo-tools"), f"osc.{way}://127.0.0.1:{port}", *words], check=True)


@pytest.mark.foreign
def test_offered_bindings_work_when_they_are_copied(tmp_path: Path, listening: Listening) -> None:
    """Heard from liblo over UDP and TCP, copied as it is, and pressed again on a daemon."""
    for number in "12":
        for value in "10":
            say("udp", listening.port, f"/grid/button/{number}", "i", value)
    say("tcp", listening.port, "/grid/begin", "s", "first")
    say("udp", listening.port, "/grid/fader", "fff", "0.2", "0.5", "0.5")
    say("udp", listening.port, "/grid/fader", "fff", "0.9", "0.5", "0.5")
    say("udp", listening.port, "/grid/fader", "fff", "0.6", "0.5", "0.5")
    lines = [listening.line() for _ in range(4)]
    assert [line.split()[0] for line in lines] == ["/grid/button/1", "/grid/button/2", "/grid/begin", "/grid/fader"]
    assert "from 127.0.0.1 (tcp)" in lines[2]
    code, out, err = listening.end()
    assert (code, err) == (0, "")
    offered = out[out.index("For the settings file") :].partition("\n\n")[2]
    assert "# 2 buttons: /grid/button/1, /grid/button/2\n" in offered
    assert "# a fader (0.2 to 0.9 seen)" in offered

    begin = 'command = "/bench/session/begin"\narguments = [".", "copied"]'
    edited = re.sub(r'(value = "first"\n)command = "[^"]*"', rf"\1{begin}", offered)
    assert begin in edited
    path = tmp_path / "settings.toml"
    settings = 'source = "simulated"\nstepped = true\ninstrument = "six-string-648"\n'
    path.write_text(settings + edited, encoding="utf-8")
    with running_daemon(tmp_path / "j.sqlite3", "--settings", path) as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        say("tcp", daemon.port, "/grid/begin", "s", "first")
        client.until("/phase", "inspecting")
        client.ask("/session/inspect", "all", "passed")
        client.until("/phase", "tuning")
        say("udp", daemon.port, "/grid/button/2", "i", "1")
        client.until("/focus/string", 2)
        say("udp", daemon.port, "/grid/fader", "fff", "0.7", "0.5", "0.5")
        client.until("/event", "string 2: accepted as tuned")


def test_received_texts_cannot_control_the_terminal(listening: Listening) -> None:
    surface = Surface()
    surface.daemon = listening.port
    surface.press("/x", f"a{ESCAPE}b\u202e")
    assert r'"a\x1b[2Jb\u202e"' in listening.line()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as raw:
        raw.sendto(f"no osc {ESCAPE}".encode(), ("127.0.0.1", listening.port))
    assert listening.line().startswith("not OSC: ")
    surface.close()
    code, out, _ = listening.end()
    assert code == 0
    assert "packets that were no OSC: 1" in out
    assert all(one.isprintable() or one == "\n" for one in out)


def test_only_the_bindings() -> None:
    made = Listening("--toml", "--seconds", "2")
    surface = Surface()
    surface.daemon = made.port
    try:
        while made.process.poll() is None:
            surface.press("/pedal", 1.0)
            try:
                made.process.wait(0.2)
            except subprocess.TimeoutExpired:
                continue
        out, err = made.process.communicate()
    finally:
        surface.close()
        made.close()
    assert (made.process.returncode, err) == (0, b"")
    assert out.decode() == (
        '# a button (1 seen)\n[[binding]]\nfrom = "/pedal"\nwhen = "rising"\ncommand = "/bench/session/next"\n'
    )


def test_a_port_that_is_taken() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        done = run_process("listen-in", "--port", str(port), "--seconds", "1")
    assert (done.returncode, done.stdout) == (4, "")
    assert done.stderr.startswith(f"oscservice: UDP port {port} on 127.0.0.1 is taken")


def test_nothing_heard() -> None:
    done = run_process("listen-in", "--port", "0", "--seconds", "0.2")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[1] == "nothing arrived: does the surface send to this address and port?"
