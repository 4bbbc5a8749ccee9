"""Sets of recordings checked over OSC while the daemon runs: a simulated guitar is recorded, accepted, put out on one
string and recorded again; whoever asks knows the daemon only by what it sends.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench.planted import NAMES, PRESET, Planted, Studio, drifted, studio_rig
from conftest import need
from control_surface import Surface
from oscservice_process import (
    Client,
    DaemonProcess,
    command,
    environment,
    in_own_network,
    run_process,
    running_daemon,
    wait_until,
)
from small_instruments import SCREWS, instrument_file

from oscservice.instrument.instrument_file import load_instrument
from oscservice.osc.refusal import ErrorCode
from oscservice.session.vocabulary import Drift

pytestmark = pytest.mark.slow

STRINGS = (6, 5)
PLUCKS = 4
FLAT_CENTS = -5.0
MANIFEST = f"""
instrument = "{PRESET}"
names = "{NAMES}"
files = "TAKE/*.flac"
baseline = "accepted.json"
"""
SETTINGS = """
source = "simulated"
stepped = true
instrument = "{instrument}"

[[check]]
name = "between takes"
manifest = "sets/now.toml"

[[check]]
name = "gone"
manifest = "sets/gone.toml"

[[listener]]
name = "recorder"
port = {port}
topics = ["/bench/check/recorded", "/bench/check/summary"]

[[binding]]
from = "/recorder/recording"
when = "falling"
command = "/bench/check/run"
arguments = ["between takes"]
"""


@pytest.fixture(scope="module")
def sets(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with manifests: ``accepted``, which is the baseline, and ``now``, with string 6 flat."""
    folder = tmp_path_factory.mktemp("sets")
    instrument = load_instrument(PRESET)
    rig = studio_rig(instrument, 1)
    studio = Studio(instrument, rig, 1)
    studio.notes_a_file(folder / "accepted", STRINGS, PLUCKS)
    studio.bring(drifted(rig, Planted(6, Drift.TUNING, FLAT_CENTS)))
    studio.notes_a_file(folder / "now", STRINGS, PLUCKS)
    for take in ("accepted", "now"):
        (folder / f"{take}.toml").write_text(MANIFEST.replace("TAKE", take))
    done = run_process("check", "--manifest", folder / "accepted.toml", "--accept", "--no-cache")
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture
def surface() -> Iterator[Surface]:
    made = Surface()
    yield made
    made.close()


def settings(folder: Path, sets: Path, port: int) -> Path:
    """A settings file beside which the sets are found as ``sets``."""
    (folder / "sets").symlink_to(sets)
    path = folder / "settings.toml"
    path.write_text(SETTINGS.format(instrument=instrument_file(folder, SCREWS), port=port))
    return path


def verdicts(client: Client) -> list[tuple[int, str, str]]:
    return [values[:3] for address, values in client.heard if address == "/check/recorded"]


def test_a_check_runs_while_the_daemon_listens(tmp_path: Path, sets: Path, surface: Surface) -> None:
    words = ("--settings", settings(tmp_path, sets, surface.port))
    with running_daemon(tmp_path / "j.sqlite3", *words, XDG_CACHE_HOME=str(tmp_path / "cache")) as daemon:
        client = daemon.client()
        name = str(tmp_path / "two-strings.toml")
        client.begin(name)
        assert client.ask("/check/sets") == ("between takes", "gone")
        assert client.ask("/check/run", "between takes", "id=7") == ("id=7",)
        client.until_it_is("/check/running", "between takes")
        assert client.ask("/check/run", "gone")[:2] == ("error", int(ErrorCode.TOO_MANY))
        client.ask("/simulator/pluck", 2, "open")
        client.ask("/simulator/wait", 3.0)
        assert client.until("/reading")[:2] == (2, "open")
        assert "/check/summary" not in client.topics, "the reading did not wait for the check"
        summary = client.until("/check/summary")
        client.until("/check/running", "")
        assert summary[:6] == ("between takes", "drifted", 1, 1, 0, 0)
        assert re.fullmatch(
            r"between takes: drifted: string 6 open, pitch drift -[45]\.\d ± 0\.\d cents; 1 holds", summary[6]
        )
        assert verdicts(client) == [(6, "drifted", "pitch drift"), (5, "holds", "pitch drift")]
        (row,) = (values for address, values in client.heard if address == "/check/recorded" and values[0] == 6)
        assert abs(row[3] - FLAT_CENTS) < 3.0 * row[4]
        assert client.topics["/phase"] == ("tuning",), "no step of the session"

        # Again, and stopped before it is done.
        client.heard.clear()
        assert client.ask("/check/run", "between takes") == ()
        assert client.ask("/check/stop") == ()
        assert client.until("/check/summary")[:2] == ("between takes", "stopped")
        assert verdicts(client) == []

        assert client.ask("/check/run", "gone") == ()
        assert client.until("/check/summary")[1:6] == ("failed", 0, 0, 0, 0)
        assert "gone.toml" in client.topics["/check/summary"][6]
        for name in ("none", "../sets/now", str(sets / "now")):
            assert client.ask("/check/run", name)[:2] == ("error", int(ErrorCode.NOT_FOUND))
        code, _, err = daemon.end()
    assert (code, err) == (0, "")


def test_a_recording_program_asks_at_the_end_of_a_take(tmp_path: Path, sets: Path, surface: Surface) -> None:
    words = ("--settings", settings(tmp_path, sets, surface.port))
    with running_daemon(tmp_path / "j.sqlite3", *words, XDG_CACHE_HOME=str(tmp_path / "cache")) as daemon:
        surface.daemon = daemon.port
        surface.press("/recorder/recording", 1)
        surface.press("/recorder/recording", 0)
        surface.shown("/bench/check/summary")
        shown = [(address, values[0]) for address, values in surface.seen if "/check/" in address]
        assert shown == [
            ("/bench/check/recorded", 6),
            ("/bench/check/recorded", 5),
            ("/bench/check/summary", "between takes"),
        ]


def checking(daemon: DaemonProcess) -> int:
    """The process that checks, once it is there."""
    found: list[int] = []

    def there() -> bool:
        pid = daemon.process.pid
        for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
            if b"check\0--manifest\0" in Path(f"/proc/{child}/cmdline").read_bytes():
                found.append(int(child))
        return bool(found)

    wait_until(there, "no check was begun")
    return found[0]


@pytest.mark.parametrize("sign", [signal.SIGTERM, signal.SIGINT])
def test_a_check_ends_with_the_daemon(tmp_path: Path, sets: Path, surface: Surface, sign: signal.Signals) -> None:
    words = ("--settings", settings(tmp_path, sets, surface.port))
    with running_daemon(tmp_path / "j.sqlite3", *words, XDG_CACHE_HOME=str(tmp_path / "cache")) as daemon:
        client = daemon.client()
        client.ask("/check/run", "between takes")
        process = checking(daemon)
        daemon.process.send_signal(sign)
        code, _, err = daemon.wait()
        assert (code, err) == (0, "")
        assert not Path(f"/proc/{process}").exists()


def test_a_check_that_is_killed_is_one_line(tmp_path: Path, sets: Path, surface: Surface) -> None:
    words = ("--settings", settings(tmp_path, sets, surface.port))
    with running_daemon(tmp_path / "j.sqlite3", *words, XDG_CACHE_HOME=str(tmp_path / "cache")) as daemon:
        client = daemon.client()
        client.ask("/subscribe", 0, "//check//")
        client.ask("/check/run", "between takes")
        os.kill(checking(daemon), signal.SIGKILL)
        sentence = "between takes: failed: ended by signal 9"
        assert client.until("/check/summary") == ("between takes", "failed", 0, 0, 0, 0, sentence)
        assert sentence in daemon.lines_until(sentence)


# A shell beside the daemon, in a network namespace of its own: no port can clash there.
BESIDE = """
"$@" >"$FOLDER/out" 2>"$FOLDER/err" & daemon=$!
oscdump -L 9100 >"$FOLDER/dump" & dump=$!
until grep -q '^listening' "$FOLDER/out"; do sleep 0.1; done
until grep -q '/bench/alive' "$FOLDER/dump"; do oscsend 127.0.0.1 9787 /bench/subscribe i 9100; sleep 0.5; done
oscsend 127.0.0.1 9787 /bench/check/sets
oscsend 127.0.0.1 9787 /bench/check/run s "between takes"
for _ in $(seq 500); do grep -q '/bench/check/summary' "$FOLDER/dump" && break; sleep 0.1; done
kill -TERM $daemon; wait $daemon; echo "daemon $?"; kill $dump
"""


@pytest.mark.foreign
def test_third_party_programs_ask_for_checks_and_read_them(tmp_path: Path, sets: Path) -> None:
    for program in ("oscsend", "oscdump"):
        need(program, "liblo-tools")
    file = settings(tmp_path, sets, 9002)
    daemon = command("serve", "--settings", file, "--journal", tmp_path / "j.sqlite3")
    done = subprocess.run(
        [*in_own_network(), "bash", "-c", BESIDE, "beside", *daemon],
        env=environment(FOLDER=str(tmp_path), XDG_CACHE_HOME=str(tmp_path / "cache")),
        capture_output=True,
        text=True,
        timeout=100,
    )
    assert done.stdout.splitlines() == ["daemon 0"], done.stdout + done.stderr + (tmp_path / "err").read_text()
    lines = [line.split(" ", 1)[1] for line in (tmp_path / "dump").read_text().splitlines() if "/check/" in line]
    assert '/bench/check/running s ""' in lines[0]
    told = [line for line in lines if line.startswith(("/bench/check/recorded", "/bench/check/summary"))]
    assert told[0].startswith('/bench/check/recorded issffs 6 "drifted" "pitch drift" -')
    assert told[1].startswith('/bench/check/recorded issffs 5 "holds" "pitch drift" ')
    assert told[2].startswith('/bench/check/summary ssiiiis "between takes" "drifted" 1 1 0 0 "between takes: drifted')
