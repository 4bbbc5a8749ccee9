"""Faults at the start of the daemon, and bad messages while it runs."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from oscservice_process import Client, DaemonProcess, run_command, run_process, running_daemon
from pythonosc.osc_message_builder import OscMessageBuilder
from small_instruments import SCREWS, STRINGS, instrument_file


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DaemonProcess]:
    """One daemon for all that must not bring it down; at the end it must end as it should."""
    folder = tmp_path_factory.mktemp("daemon")
    instrument = instrument_file(folder, SCREWS)
    words = ["--source", "simulated", "--stepped", "--instrument", instrument]
    with running_daemon(folder / "j.sqlite3", *words) as running:
        yield running
        code, _, err = running.end()
    assert code == 0
    assert "Traceback" not in err


@pytest.fixture
def client(daemon: DaemonProcess) -> Iterator[Client]:
    """A client of that daemon, which must still answer at the end of the test."""
    made = daemon.client()
    yield made
    assert made.ask("/ping") == ()
    if made.ask("/status")[3] not in ("idle", "closed"):
        assert made.ask("/session/abandon") == ()


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return tmp_path / "j.sqlite3"


# As it starts


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--source", "tape"], "unknown source 'tape': choose device, device:NAME, file:PATH"),
        (["--source", "-"], "give --rate HZ"),
        (
            ["--source", "-", "--rate", "48000", "--format", "u8"],
            "unknown sample format 'u8': choose s16le, s24le, f32le",
        ),
        (["--source", "-", "--rate", "100"], "a sample rate of 100 Hz can't be used"),
        (["--source", "-", "--rate", "48000", "--channels", "0"], "0 channels can't be used"),
        (["--source", "-", "--rate", "48000", "--fast"], "--fast is for a file"),
        (["--source", "-", "--rate", "48000", "--stepped"], "--stepped is for the simulated source"),
        (["--source", "-", "--rate", "48000", "--channel", "2"], "--channel 2: the source has channels 1 to 1"),
        (["--source", "file:nowhere.wav"], "nowhere.wav: there is no such file"),
        (["--source", "file:."], "not a sound file"),
        (["--source", "simulated", "--fast"], "--fast is for a file"),
        (["--source", "simulated", "--format", "s16le"], "--format is for raw samples"),
        (["--source", "simulated", "--rate", "100"], "a sample rate of 100 Hz can't be used"),
        (["--source", "simulated", "--channels", "2"], "--channels 2 does not fit the simulated guitar, which has 1"),
        (["--source", "simulated", "--channel", "2"], "--channel 2: the source has channels 1 to 1"),
        (["--source", "simulated", "--root", "bench"], "--root 'bench'"),
        (["--source", "simulated", "--root", "/bench/"], "--root '/bench/'"),
        (["--source", "simulated", "--root", "/ben*"], "--root '/ben*'"),
        (
            ["--source", "simulated", "--instrument", "no-such-one"],
            "'no-such-one' is neither a preset nor a readable file",
        ),
    ],
)
def test_an_option_that_makes_no_sense_ends_with_2(journal: Path, words: list[str], complaint: str) -> None:
    got = run_command("serve", "--port", "0", "--journal", journal, *words)
    assert (got.code, got.out) == (2, "")
    assert complaint in got.complaint


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("name = ", "line 1"),
        ("\0\x01", "line 1"),
        ('name = "x"\nfrets = 0\nscale_mm = 648.0\n', "bridge"),
        (SCREWS.replace("22", "0") + STRINGS, "frets"),
        ("", "name"),
    ],
)
def test_an_instrument_file_that_cannot_be_read_ends_with_2(
    tmp_path: Path, journal: Path, text: str, complaint: str
) -> None:
    (tmp_path / "bad.toml").write_text(text)
    got = run_command(
        "serve", "--port", "0", "--journal", journal, "--source", "simulated", "--instrument", tmp_path / "bad.toml"
    )
    assert (got.code, got.out) == (2, "")
    assert got.complaint.startswith(str(tmp_path / "bad.toml"))
    assert complaint in got.complaint


def test_files_that_cannot_be_heard_end_with_2(tmp_path: Path, journal: Path) -> None:
    soundfile.write(tmp_path / "whole.wav", np.zeros(4800), 48000)
    whole = (tmp_path / "whole.wav").read_bytes()
    for name, content in {
        "empty": b"",
        "header": whole[:44],
        "half": whole[:30],
        "random": random.Random(1).randbytes(999),
    }.items():
        path = tmp_path / f"{name}.wav"
        path.write_bytes(content)
        got = run_command("serve", "--port", "0", "--journal", journal, "--source", f"file:{path}", "--exit-at-end")
        assert (got.code, got.out) == (2, ""), name
        assert got.complaint.startswith(f"{path}: ")


def test_silence_and_samples_that_are_no_numbers_end_as_they_should(tmp_path: Path, journal: Path) -> None:
    silence = np.zeros(48000, np.float32)
    soundfile.write(tmp_path / "silence.wav", silence, 48000)
    soundfile.write(tmp_path / "nan.wav", silence * np.nan, 48000, subtype="FLOAT")
    for name, remark in {"silence": [], "nan": ["file nan.wav, 48000 Hz, 1 ch: not finite: 48000"]}.items():
        words = ["--source", f"file:{tmp_path / f'{name}.wav'}", "--fast", "--exit-at-end"]
        got = run_command("serve", "--port", "0", "--journal", journal, *words)
        assert (got.code, got.err) == (0, "")
        assert got.out.splitlines()[2:] == ["audio: running", *remark, "audio: ended"]


def test_an_unknown_device_ends_with_3(journal: Path, tmp_path: Path) -> None:
    """With or without a sound card."""
    done = run_process("serve", "--port", "0", "--journal", journal, "--source", "device:no such device")
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr.startswith("oscservice: no audio input device")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("host", "port", "complaint"),
    [("127.0.0.1", "70000", "does not exist"), ("192.0.2.1", "0", "no address of this machine")],  # RFC 5737
)
def test_an_address_that_cannot_be_used_ends_with_4(journal: Path, host: str, port: str, complaint: str) -> None:
    got = run_command("serve", "--source", "simulated", "--journal", journal, "--host", host, "--port", port)
    assert (got.code, got.out) == (4, "")
    assert complaint in got.complaint


def test_a_taken_port_ends_with_4_and_the_first_daemon_continues(
    daemon: DaemonProcess, client: Client, journal: Path
) -> None:
    got = run_command("serve", "--source", "simulated", "--journal", journal, "--port", str(daemon.port))
    assert (got.code, got.out) == (4, "")
    assert f"UDP port {daemon.port} on 127.0.0.1 is taken" in got.complaint


def test_a_journal_that_cannot_be_written_ends_with_5(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"this is no journal, but it is long enough to look at" * 100)
    for place in (tmp_path / "file" / "j.sqlite3", tmp_path, tmp_path / "file", Path("/proc/no/such/j.sqlite3")):
        got = run_command("serve", "--source", "simulated", "--port", "0", "--journal", place)
        assert (got.code, got.out) == (5, ""), place
        assert str(place) in got.complaint


# While it runs


def test_an_instrument_that_is_not_there_is_refused_over_osc(tmp_path: Path, client: Client) -> None:
    (tmp_path / "bad.toml").write_text("frets = twelve\n")
    (tmp_path / "binary.toml").write_bytes(bytes(range(256)))
    for name in ("no-such-one", str(tmp_path / "none.toml"), str(tmp_path), str(tmp_path / "bad.toml")):
        word, code, text = client.ask("/session/begin", name, "a test")
        assert (word, code) == ("error", 5), name
        assert name[:40] in text
    assert client.ask("/session/begin", str(tmp_path / "binary.toml"), "a test")[:2] == ("error", 5)
    assert client.ask("/session/begin", "", "a test")[:2] == ("error", 5)
    assert client.ask("/status")[3] == "idle"


def test_random_bytes_do_no_harm(client: Client) -> None:
    draw = random.Random(7)
    before = client.ask("/status")
    for size in [*range(1, 200), 1000, 1004, 8192, 20000, 65000]:
        client.raw(draw.randbytes(size))
    client.raw(b"")
    for size in range(8, 200, 4):
        client.raw(b"/bench/" + draw.randbytes(size - 7))
        client.raw(b"#bundle\0" + draw.randbytes(size))
    client.send("/ping")
    client.until("/reply", "/bench/ping")
    after = client.ask("/status")
    assert after[3] == before[3]
    assert after[5] > before[5] + 250  # counted as bad


def test_pieces_of_a_good_packet_do_no_harm(client: Client) -> None:
    builder = OscMessageBuilder("/bench/session/begin")
    for value in ("six-string-648", "a test", 2.0):
        builder.add_arg(value)
    whole = builder.build().dgram
    for length in range(len(whole)):
        client.raw(whole[:length])
    client.send("/ping")
    client.until("/reply", "/bench/ping")
    assert client.ask("/status")[3] == "idle"


@pytest.mark.parametrize(
    ("address", "values", "code"),
    [
        ("/nonsense", (), 1),
        ("/phase", ("tuning",), 1),
        ("/string/13/focus", (), 1),
        ("/session/begin", (), 2),
        ("/session/begin", (1, 2), 2),
        ("/session/begin", ("six-string-648", "a test", "2.0"), 2),
        ("/session/begin", ("six-string-648", "a test", float("nan")), 3),
        ("/session/begin", ("six-string-648", "a test", 100.0), 3),
        ("/session/begin", ("six-string-648", "two\nlines", 2.0), 3),
        ("/session/next", (), 4),
        ("/session/undo", (), 4),
        ("/session/finish", (), 4),
        ("/session/abandon", (), 4),
        ("/session/inspect", ("all", "passed"), 4),
        ("/session/inspect", ("all", "perhaps"), 3),
        ("/session/resume", ("2026-01-01-1",), 5),
        ("/string/1/focus", ("somewhere",), 3),
        ("/string/1/moved", (1.0,), 4),
        ("/subscribe", (80,), 3),
        ("/unsubscribe", (50000,), 5),
        ("/listen", (2,), 3),
        ("/simulator/pluck", (3, "open"), 8),
        ("/simulator/pluck", (1, "fret 23"), 8),
        ("/simulator/pluck", (1, "somewhere"), 8),
        ("/simulator/pluck", (0, "open"), 3),
        ("/simulator/peg", (1, 2400.0), 8),
        ("/simulator/peg", (3, 1.0), 8),
        ("/simulator/slacken", (3,), 8),
        ("/simulator/saddle", (1, 24.0), 8),
        ("/simulator/saddle", (3, 0.1), 8),
        ("/simulator/truth", (3,), 8),
        ("/simulator/wait", (-1.0,), 3),
        ("/simulator/wait", (float("inf"),), 3),
    ],
)
def test_an_impossible_command_is_answered_with_its_code(
    client: Client, address: str, values: tuple[float | str, ...], code: int
) -> None:
    answer = client.ask(address, *values)
    assert answer[:2] == ("error", code), answer
    assert "\n" not in answer[2]
    assert "internal failure" not in answer[2]


def test_sessions_can_be_begun_one_after_another(client: Client) -> None:
    first = client.ask("/session/begin", "six-string-648", "first")
    assert client.ask("/session/begin", "six-string-648", "second")[:2] == ("error", 4)
    assert client.ask("/session/abandon") == ()
    assert client.ask("/session/begin", "bass-4-864", "second") != first


def test_simulated_strings_the_session_does_not_have(client: Client) -> None:
    """The guitar has two strings, the session's instrument six: what is played is heard, and nothing breaks."""
    client.begin("six-string-648")
    assert client.ask("/simulator/pluck", 1, "open") == ()
    assert client.ask("/simulator/wait", 2.0) == ()
    client.until("/simulator/done")
    assert client.ask("/simulator/pluck", 6, "open")[:2] == ("error", 8)


def test_the_output_may_lose_its_reader(journal: Path) -> None:
    with running_daemon(journal, "--source", "simulated", "--stepped") as daemon:
        assert daemon.process.stdout is not None
        daemon.process.stdout.close()
        client = daemon.client()
        client.begin("six-string-648")  # a line is printed at each step, and is not read
        assert client.ask("/session/abandon") == ()
        client.until("/phase", "closed")
        daemon.process.stdout = None  # nothing is left to read
        code, _, err = daemon.end()
    assert (code, err) == (0, "")
