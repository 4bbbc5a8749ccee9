"""A settings file at work: a surface that knows nothing of the daemon drives a session and is shown it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from control_surface import Surface
from oscservice_process import Client, DaemonProcess, run_process, running_daemon
from small_instruments import SCREWS, instrument_file

pytestmark = pytest.mark.slow

BINDINGS = """
source = "simulated"
stepped = true
instrument = "two-strings.toml"
tolerance = 1.5
pass_over = ["/recorder/meter/*"]

[[listener]]
name = "grid"
port = {port}
topics = ["/bench/phase"]
refresh_s = 1

[[binding]]
from = "/grid/start"
when = "rising"
phases = ["idle", "closed"]
command = "/bench/session/begin"
arguments = [".", "from the grid"]

[[binding]]
from = "/grid/start"
when = "rising"
phases = ["inspecting"]
command = "/bench/session/inspect"
arguments = ["all", "passed"]

[[binding]]
from = "/grid/button/*"
command = "/bench/string/{{1}}/focus"

[[binding]]
from = "/grid/move/*"
command = "/bench/string/{{1}}/moved"
arguments = [{{ argument = 1, scale = 4, offset = -2, step = 0.1 }}]

[[binding]]
from = "/recorder/rolling"
when = "rising"
command = "/bench/listen"
arguments = [0]

[[binding]]
from = "/recorder/rolling"
when = "falling"
command = "/bench/listen"
arguments = [1]

[[binding]]
from = "/recorder/rolling"
when = "falling"
phases = ["idle", "closed"]
command = "/bench/session/quick"
arguments = ["."]

[[binding]]
send = "/bench/string/*/status"
to = "grid"
as = "/grid/led/{{1}}"
arguments = [{{ argument = 1, map = {{ comparing = 3 }}, otherwise = 0 }}]

[[binding]]
send = "/bench/tolerance"
to = "grid"
as = "/grid/label"
arguments = [{{ argument = 1, decimals = 1, after = " cents" }}]
"""


@pytest.fixture
def surface() -> Iterator[Surface]:
    made = Surface()
    yield made
    made.close()


@pytest.fixture
def daemon(tmp_path: Path, surface: Surface) -> Iterator[DaemonProcess]:
    instrument_file(tmp_path, SCREWS)
    path = tmp_path / "settings.toml"
    path.write_text(BINDINGS.format(port=surface.port), encoding="utf-8")
    with running_daemon(tmp_path / "j.sqlite3", "--settings", path) as running:
        surface.daemon = running.port
        yield running


def client_of(daemon: DaemonProcess) -> Client:
    client = daemon.client()
    client.ask("/subscribe")
    client.until("/prompt")
    return client


def test_a_surface_drives_a_session_and_is_shown_it(daemon: DaemonProcess, surface: Surface) -> None:
    client = client_of(daemon)
    surface.shown("/bench/phase", "idle")
    surface.press("/grid/start", 1)
    surface.shown("/bench/phase", "inspecting")
    surface.shown("/grid/led/2", 0)
    surface.shown("/grid/label", "1.5 cents")
    client.until_it_is("/tolerance", 1.5)
    surface.press("/grid/start", 0)
    surface.press("/grid/start", 1)
    surface.shown("/bench/phase", "tuning")
    for value, focus in ((1.0, 1), (0.0, 1)):  # its release is no second press
        surface.press("/grid/button/1", value)
        client.ask("/ping")
        client.until_it_is("/focus/string", focus)
    # Both strings taken as tuned by hand: then one is compared.
    for _ in range(2):
        client.ask("/session/next")
    surface.shown("/bench/phase", "comparing")
    surface.shown("/grid/led/2", 3)
    surface.press("/grid/move/2", 0.8)
    client.until("/string/2/saddle/moved", pytest.approx(1.2))
    surface.press("/recorder/meter/1", 0.3)
    client.ask("/ping")
    assert not surface.answered()
    surface.press("/recorder/other", 0.3)
    assert surface.answered(), "what is neither bound nor passed over is an unknown address"


def test_a_surface_that_is_switched_on_later_is_shown_everything(daemon: DaemonProcess, surface: Surface) -> None:
    surface.shown("/bench/phase", "idle")
    surface.shown("/bench/phase", "idle")


def test_a_refused_press_is_a_line_and_an_event(daemon: DaemonProcess, surface: Surface) -> None:
    client = client_of(daemon)
    surface.press("/grid/button/1", 1)
    (line,) = client.until("/event")
    assert line == "refused: /grid/button/1 asked for /bench/string/1/focus: not possible in the phase idle"
    for _ in range(20):
        surface.press("/grid/button/1", 1)
    assert client.ask("/ping") == ()
    _, lines, errors = daemon.end()
    assert lines.count(line) == 1
    assert errors == ""
    assert not surface.answered()


def test_recording_arms_and_disarms_listening_before_any_session(daemon: DaemonProcess, surface: Surface) -> None:
    client = client_of(daemon)
    assert client.topics["/listening"] == (1,)
    surface.press("/recorder/rolling", 0)
    surface.press("/recorder/rolling", 1)
    client.until("/listening", 0)
    client.ask("/session/begin", ".", "a test (invented)")
    client.ask("/session/inspect", "all", "passed")
    client.until_it_is("/phase", "tuning")
    client.ask("/simulator/pluck", 2, "open")
    client.ask("/simulator/wait", 4.0)
    client.until("/reading/ignored", "not listening")
    client.until("/simulator/done")
    assert not [values for address, values in client.heard if address == "/reading"]
    surface.press("/recorder/rolling", 0)
    client.until("/listening", 1)
    client.ask("/session/undo")  # of the inspection: what a recorder said in between is no step
    client.until("/phase", "inspecting")
    assert client.topics["/listening"] == (1,)


def test_a_check_starts_when_recording_stops(daemon: DaemonProcess, surface: Surface) -> None:
    """Without a sealed set-up there is nothing to check against: the refusal shows that the check was asked for."""
    client = client_of(daemon)
    surface.press("/recorder/rolling", 1)
    surface.press("/recorder/rolling", 0)
    assert [client.until("/event")[0] for _ in range(2)] == ["not listening", "listening"]
    (line,) = client.until("/event")
    assert line.startswith("refused: /recorder/rolling asked for /bench/session/quick: no sealed session of")


def test_the_command_line_wins_and_mistakes_end_it(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text('source = "simulated"\ninstrument = "no-such"\nby_hand = true\n', encoding="utf-8")
    with running_daemon(
        tmp_path / "j", "--settings", path, "--instrument", "six-string-648", "--no-by-hand"
    ) as running:
        client = client_of(running)
        client.ask("/session/begin", ".", "a test (invented)")
        client.until_it_is("/by_hand", 0)
        client.until_it_is("/instrument", "six-string-648")
    path.write_text("source = 3\n", encoding="utf-8")
    done = run_process("serve", "--settings", path, "--port", "0")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        f"oscservice: {path}: line 1: source: found 3, expected what to listen to, in quotes: device, file:PATH, - or "
        "simulated\n"
    )
    text = '[[listener]]\nname = "a"\nhost = "192.0.2.1"\nport = 9000\ntopics = ["//"]\n'
    path.write_text(text, encoding="utf-8")
    done = run_process("serve", "--settings", path, "--port", "0", "--source", "simulated", "--journal", tmp_path / "k")
    assert (done.returncode, done.stdout) == (2, "")
    assert "listener 'a' at 192.0.2.1 can't be reached from 127.0.0.1" in done.stderr


def test_the_users_own_settings_are_found(tmp_path: Path) -> None:
    own = tmp_path / "oscservice" / "settings.toml"
    own.parent.mkdir()
    own.write_text('source = "simulated"\nroot = "/shop"\n', encoding="utf-8")
    with running_daemon(tmp_path / "j.sqlite3", XDG_CONFIG_HOME=str(tmp_path)) as running:
        assert running.client().ask("/ping") == ()
