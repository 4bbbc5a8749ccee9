"""The worked example of plug-ins, installed as anybody would, at work in a daemon; and one beside it that is broken."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest
from oscservice_process import ROOT, command, environment, run_command, run_process, running_daemon
from plugin_packages import package
from small_instruments import SCREWS, STRINGS
from test_serve_sources import assert_same, recorded, session_in_tuning

pytestmark = pytest.mark.slow

EXAMPLE = ROOT / "examples" / "plugin"
SOURCE = "plucked-tone:E2 A2 fast"


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the example in it, put there by pip."""
    folder = tmp_path_factory.mktemp("installed")
    words = ["install", "-q", "--disable-pip-version-check", "--no-index", "--no-deps", "--no-build-isolation"]
    done = subprocess.run(
        [sys.executable, "-m", "pip", *words, "--target", folder, EXAMPLE], capture_output=True, timeout=120
    )
    assert done.returncode == 0, done.stderr.decode()
    return folder


@pytest.fixture
def broken(tmp_path: Path) -> Path:
    """A folder with a package whose listener fails at the first event, and whose source fails in the middle."""
    module = """
    import numpy as np
    from oscservice.audio.block import AudioSource

    class Short(AudioSource):
        def _blocks(self):
            for _ in range(20):
                yield self._block(np.zeros((1024, 1), np.float32))
            raise RuntimeError("the wire came off")
        def _release(self): ...

    def short(rest, rate_hz, channels):
        return Short(48000, 1, "a short wire")

    def heed(rest):
        return lambda event: 1 / 0
    """
    return package(tmp_path / "broken", "broken", module, sources={"short": "short"}, listeners={"clumsy": "heed"})


def instrument_file(folder: Path, kind: str) -> Path:
    """Two strings on the example's kind of bridge."""
    path = folder / "wedged.toml"
    text = SCREWS.replace('kind = "screw-driven fixed"\nthread = "M3"', f'kind = "{kind}"') + STRINGS
    path.write_text(text, encoding="utf-8")
    return path


def test_the_example_is_listed(installed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = run_process("plugins", "--json", first_path=str(installed))
    assert (done.returncode, done.stderr) == (0, "")
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert {(one["role"], one["name"], one["package"], one["state"]) for one in found} == {
        ("source", "plucked-tone", "oscservice-example", "usable"),
        ("bridge", "wedge saddles", "oscservice-example", "usable"),
        ("listener", "csv", "oscservice-example", "usable"),
    }
    assert "No plug-in is installed" in run_command("plugins").out
    monkeypatch.syspath_prepend(installed)
    shown = run_command("plugins").out
    assert all(word in shown for word in ("plucked-tone", "wedge saddles", "csv", "can be used"))


def test_a_daemon_hears_the_examples_notes_and_its_table_is_written(tmp_path: Path, installed: Path) -> None:
    journal, table = tmp_path / "j.sqlite3", tmp_path / "readings.csv"
    session = session_in_tuning(journal)
    words = ["--port", "0", "--journal", journal, "--resume", "--exit-at-end", "--plugin", f"csv:{table}"]
    done = run_process("serve", "--source", SOURCE, *words, first_path=str(installed))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[-1] == "audio: ended"
    readings = recorded(journal, session)
    assert [(string, place) for string, place, _ in readings] == [(6, "open"), (5, "open")]
    # E2 and A2 in equal temperament at A4 = 440 Hz (ISO 16:1975), the first partial sharp by its stiffness, 1e-4.
    first = [hz * (1.0 + 1e-4) ** 0.5 for hz in (82.40689, 110.0)]
    assert_same([hz for *_, hz in readings], first, 0.1)
    with table.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [(row["session"], int(row["string"]), row["place"]) for row in rows] == [
        (session, 6, "open"),
        (session, 5, "open"),
    ]
    assert [float(row["f1_hz"]) for row in rows] == [hz for *_, hz in readings]


def test_an_instrument_on_the_examples_bridge_is_set_up(tmp_path: Path, installed: Path) -> None:
    path = instrument_file(tmp_path, "wedge saddles")
    one = path.read_text(encoding="utf-8").rpartition("[[string]]")[0]  # a single string goes all the way too
    path.write_text(one, encoding="utf-8")
    words = ("rehearse", "--seed", "2", "--tolerance", "2", "--instrument", path)
    done = subprocess.run(
        command(*words), capture_output=True, text=True, env=environment(first_path=str(installed)), timeout=300
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "session closed: proved" in done.stdout
    assert "slackened" in done.stdout
    without = run_command(*words)
    assert without.code == 2
    assert "bridge, kind: found 'wedge saddles', expected balance and saddle instead, or one of" in without.complaint


def test_a_session_continues_without_the_plug_in_of_its_bridge(tmp_path: Path, installed: Path) -> None:
    path, journal = instrument_file(tmp_path, "wedge saddles"), tmp_path / "j.sqlite3"
    simulated = ("--source", "simulated", "--stepped")
    with running_daemon(journal, *simulated, "--instrument", path, first_path=str(installed)) as daemon:
        client = daemon.client()
        session = client.begin(str(path))
        daemon.end()
    with running_daemon(journal, *simulated) as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        assert client.ask("/session/resume", session) == (session,)
        client.until_it_is("/instrument", "two strings, screws")
        client.until_it_is("/phase", "tuning")
        assert client.ask("/string/1/turned", 1.0) == (
            "error",
            8,
            "slacken string 1 first and report it: this saddle is clamped",
        )


def test_a_broken_listener_is_reported_and_the_daemon_continues(tmp_path: Path, installed: Path, broken: Path) -> None:
    table = tmp_path / "readings.csv"
    words = ("--source", "simulated", "--stepped", "--plugin", f"csv:{table}")
    with running_daemon(tmp_path / "j.sqlite3", *words, first_path=f"{installed}:{broken}") as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        client.until_it_is("/plugins/disabled", "")
        client.ask("/session/begin", "six-string-648", "a test (invented)")
        client.until("/plugins/disabled", "clumsy: ZeroDivisionError: division by zero")
        line = "plug-in clumsy (listener of broken 1.0) is disabled: ZeroDivisionError: division by zero"
        assert ("/event", (line,)) in client.heard
        assert client.ask("/session/inspect", "all", "passed") == ()
        client.until_it_is("/phase", "tuning")
        assert client.ask("/simulator/pluck", 6, "open") == ()
        assert client.ask("/simulator/wait", 4.0) == ()
        client.until("/reading")
        client.until("/simulator/done")
        later = daemon.client()
        later.ask("/subscribe")
        later.until("/plugins/disabled", "clumsy: ZeroDivisionError: division by zero")
        code, lines, errors = daemon.end()
    assert (code, errors) == (0, "")
    assert lines.count(line) == 1
    assert len(table.read_text(encoding="utf-8").splitlines()) == 2, "the heading, and the reading"
    assert "disabled: " not in run_process("plugins", first_path=str(broken)).stdout, "it fails in use only"


def test_a_source_that_breaks_is_audio_lost(tmp_path: Path, broken: Path) -> None:
    journal = tmp_path / "j.sqlite3"
    words = ["--source", "short", "--port", "0", "--journal", journal, "--without-plugin", "clumsy"]
    done = run_process("serve", *words, "--exit-at-end", first_path=str(broken))
    assert done.returncode == 3
    assert done.stderr == "oscservice: the source short is lost: RuntimeError: the wire came off\n"
    lines = done.stdout.splitlines()
    assert "plug-in short (source of broken 1.0) is disabled: RuntimeError: the wire came off" in lines
    assert lines[-2:] == ["the source short is lost: RuntimeError: the wire came off", "audio: ended"]
    with running_daemon(journal, "--source", "short", "--without-plugin", "clumsy", first_path=str(broken)) as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        client.until_it_is("/audio/fault", "the source short is lost: RuntimeError: the wire came off")
        client.until_it_is("/plugins/disabled", "short: RuntimeError: the wire came off")
        assert client.ask("/session/begin", "six-string-648", "a test (invented)")[0] != "error"


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--source", "no-such"], "unknown source 'no-such': choose device, device:NAME"),
        (["--source", "plucked-tone"], "--source plucked-tone: no notes; say which"),
        (["--source", "plucked-tone:H2"], "--source plucked-tone: 'H2' is not a note name"),
        (
            ["--source", SOURCE, "--stepped"],
            "--stepped is not for the source 'plucked-tone', a plug-in's: leave it out",
        ),
        (["--source", SOURCE, "--channels", "2"], "--channels 2 does not fit the source plucked-tone, which has 1"),
        (["--source", SOURCE, "--plugin", "cvs:x"], "--plugin 'cvs': no such listener"),
    ],
)
def test_mistakes_on_the_command_line(
    tmp_path: Path, installed: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], complaint: str
) -> None:
    monkeypatch.syspath_prepend(installed)
    got = run_command("serve", *words, "--port", "0", "--journal", tmp_path / "j.sqlite3")
    assert (got.code, got.out) == (2, "")
    assert complaint in got.complaint
