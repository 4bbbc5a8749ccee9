"""``oscservice serve`` hears from a file, a pipe or a sound card just what ``oscservice measure`` reads from a file."""

from __future__ import annotations

import json
import math
import subprocess
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile
from fake_sound_card import sound_card
from numpy.typing import NDArray
from oscservice_process import run_command, run_process, running_daemon
from simulated_recordings import LEAD_S, REST_S, guitar, open_strings

from oscservice.daemon.session_service import SessionService
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN
from oscservice.record.journal import Journal
from oscservice.session import commands as cm

pytestmark = pytest.mark.slow

PRESET = "six-string-648"
PLAYED = (6, 5, 4)


def session_in_tuning(journal: Path) -> str:
    """A session whose strings are to be tuned, left open in a journal; gives its name."""
    with Journal.open(journal) as opened:
        service = SessionService(opened, lambda: datetime(2026, 1, 2, tzinfo=UTC))
        service.carry_out(cm.Begin(load_instrument(PRESET), "a test (invented)"))
        service.carry_out(cm.Inspect("all", "passed"))
        return service.session_id


def recorded(journal: Path, session: str) -> list[tuple[int, str, float]]:
    """String, place and frequency in Hz of each reading in a journal."""
    with Journal.open(journal, readonly=True) as opened:
        bodies = [body for _, _, kind, body in opened.events(session) if kind == "ReadingTaken"]
    return [(body["string"], body["place"], body["f1_hz"]) for body in bodies]


def measured(path: Path, key: str = "f1_hz") -> list[float]:
    got = run_command("measure", "--json", path)
    assert got.code == 0, got.err
    return [json.loads(line)[key] for line in got.out.splitlines()]


def assert_same(heard_hz: Sequence[float], measured_hz: Sequence[float], within_cents: float) -> None:
    assert len(heard_hz) == len(measured_hz)
    for heard, read in zip(heard_hz, measured_hz, strict=True):
        assert abs(1200.0 * math.log2(heard / read)) <= within_cents


@pytest.fixture(scope="module")
def notes() -> NDArray[np.float32]:
    """Strings 6, 5 and 4, open, in tune; shape (frames, 1)."""
    return open_strings(guitar(), PLAYED)


def test_a_file_has_the_same_readings_as_measure(tmp_path: Path, notes: NDArray[np.float32]) -> None:
    path, journal = tmp_path / "notes.wav", tmp_path / "j.sqlite3"
    soundfile.write(path, notes, 48000, subtype="PCM_16")
    session = session_in_tuning(journal)
    source = ["--source", f"file:{path}", "--fast", "--exit-at-end", "--resume"]
    done = run_process("serve", *source, "--port", "0", "--journal", journal)
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0] == f"session {session} resumed; phase: tuning"
    assert lines[-1] == "audio: ended"
    heard = recorded(journal, session)
    assert [(string, place) for string, place, _ in heard] == [(number, "open") for number in PLAYED]
    assert_same([hz for *_, hz in heard], measured(path), 0.001)


def raw(path: Path, format: str) -> bytes:
    """A sound file's samples as raw bytes."""
    if format == "s16le":
        return bytes(soundfile.read(path, dtype="int16")[0].astype("<i2").tobytes())
    if format == "f32le":
        return bytes(soundfile.read(path, dtype="float32")[0].astype("<f4").tobytes())
    words = soundfile.read(path, dtype="int32")[0].astype("<i4")
    return words.view(np.uint8).reshape(-1, 4)[:, 1:].tobytes()


@pytest.mark.parametrize(("format", "subtype"), [("s16le", "PCM_16"), ("s24le", "PCM_24"), ("f32le", "FLOAT")])
def test_a_pipe_has_the_same_readings_as_measure(
    tmp_path: Path, notes: NDArray[np.float32], format: str, subtype: str
) -> None:
    path = tmp_path / "notes.wav"
    soundfile.write(path, notes, 48000, subtype=subtype)
    words = ["--source", "-", "--format", format, "--rate", "48000", "--exit-at-end"]
    with running_daemon(tmp_path / "j.sqlite3", *words, stdin=subprocess.PIPE) as daemon:
        client = daemon.client()
        client.begin(PRESET)
        assert daemon.process.stdin is not None
        daemon.process.stdin.write(raw(path, format))
        daemon.process.stdin.close()
        daemon.process.stdin = None
        heard = [client.until("/reading") for _ in PLAYED]
        client.until("/audio/state", "ended")
        assert client.until("/reply", "/bench/subscribe", 0)  # the end of the source is the end of the daemon
        code, _, err = daemon.wait()
    assert (code, err) == (0, "")
    assert [values[:5] for values in heard] == [
        (6, "open", 0, "E2", 40),
        (5, "open", 0, "A2", 45),
        (4, "open", 0, "D3", 50),
    ]
    assert_same([values[5] for values in heard], measured(path), 0.001)
    for index, key in ((7, "se_cents"), (8, "level_dbfs")):
        assert [values[index] for values in heard] == pytest.approx(measured(path, key), rel=1e-5)


@pytest.mark.foreign
def test_a_sound_card_has_the_same_readings_as_measure(tmp_path: Path, notes: NDArray[np.float32]) -> None:
    """The card adds nothing, but its samples begin anywhere in the listener's own steps."""
    path = tmp_path / "notes.wav"
    soundfile.write(path, notes, 48000, subtype="PCM_16")
    with (
        sound_card() as card,
        running_daemon(
            *[tmp_path / "j.sqlite3", "--source", "device:pulse", "--rate", "48000"],
            **{name: card.environment[name] for name in card.environment if name.startswith(("PULSE", "XDG", "HOME"))},
        ) as daemon,
    ):
        client = daemon.client()
        client.begin(PRESET)
        daemon.lines_until("audio: running")
        player = card.play(path)
        heard = [client.until("/reading") for _ in PLAYED]
        assert player.wait(60) == 0
        assert client.ask("/status")[2] == "running"
        code, _, err = daemon.end()
    assert (code, err) == (0, "")
    assert [values[:3] for values in heard] == [(number, "open", 0) for number in PLAYED]
    heard_hz = [values[5] for values in heard]
    assert_same(heard_hz, nearest(notes, tmp_path, heard_hz, 0.05), 0.05)


def nearest(notes: NDArray[np.float32], folder: Path, heard_hz: Sequence[float], within_cents: float) -> list[float]:
    """Return the nearest reading of `measure` to each heard one. The samples begin at any place in a listener's step.
    The search ends when all are near enough.

    Where a beat is just not resolved, a millisecond's shift moves a reading by more than a card could.
    """
    found: list[list[float]] = []
    close: list[float] = []
    for shift in range(0, 384, 25):
        path = folder / f"{shift}.wav"
        soundfile.write(path, np.concatenate((np.zeros((shift, 1), np.float32), notes)), 48000, subtype="PCM_16")
        found.append(measured(path))
        close = [
            min(at, key=lambda hz, heard=heard: abs(hz - heard)) for *at, heard in zip(*found, heard_hz, strict=True)
        ]
        if all(abs(1200.0 * math.log2(hz / heard)) <= within_cents for hz, heard in zip(close, heard_hz, strict=True)):
            break
    return close


def test_with_a_channel_a_string_the_channel_says_which_string_it_is(tmp_path: Path) -> None:
    """The third string, so flat that by pitch alone it would be the fourth gone sharp; then a strum of the others."""
    path, journal = tmp_path / "strum.wav", tmp_path / "j.sqlite3"
    on = guitar(string_a_channel=True)
    on.turn_peg(3, -330.0)  # the bridge gives way, so that it ends less far down
    parts = [on.render(round(LEAD_S * 48000))]
    for chord in ((3,), (6, 5, 4, 2, 1)):
        for number in chord:
            on.pluck(number, OPEN)
            parts.append(on.render(2400))
        parts.append(on.render(round(2.0 * 48000)))
        on.damp()
        parts.append(on.render(round(REST_S * 48000)))
    soundfile.write(path, np.concatenate(parts), 48000, subtype="PCM_24")
    session = session_in_tuning(journal)
    words = ["--source", f"file:{path}", "--fast", "--exit-at-end", "--resume", "--string-a-channel"]
    done = run_process("serve", *words, "--port", "0", "--journal", journal)
    assert (done.returncode, done.stderr) == (0, "")
    readings = recorded(journal, session)
    heard = {string: hz for string, _, hz in readings}
    assert readings[0][0] == 3
    assert sorted(string for string, *_ in readings) == [1, 2, 3, 4, 5, 6]
    for number, hz in heard.items():
        assert abs(1200.0 * math.log2(hz / on.open_hz(number))) < 0.6
    assert 1200.0 * math.log2(heard[3] / 196.0) == pytest.approx(-280.0, abs=20.0)
    assert_same([heard[number] for number in range(1, 7)], measured(path), 0.001)


def test_one_channel_of_a_file_is_heard(tmp_path: Path) -> None:
    path, journal = tmp_path / "stereo.wav", tmp_path / "j.sqlite3"
    both = [open_strings(guitar(), (number,))[:, 0] for number in (6, 5)]
    soundfile.write(path, np.stack(both, axis=1), 48000)
    session = session_in_tuning(journal)
    words = ["--source", f"file:{path}", "--fast", "--exit-at-end", "--resume", "--port", "0", "--journal", journal]
    assert run_process("serve", *words, "--channel", "2").returncode == 0
    assert [string for string, *_ in recorded(journal, session)] == [5]
    done = run_process("serve", *words, "--channel", "3")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "oscservice: --channel 3: the source has channels 1 to 2\n"


def test_a_daemon_stays_when_its_source_has_ended(tmp_path: Path, notes: NDArray[np.float32]) -> None:
    """It says what was wrong with the samples, and goes on answering."""
    path = tmp_path / "cut.wav"
    soundfile.write(path, notes, 48000, subtype="PCM_16")
    path.write_bytes(path.read_bytes()[:300_000])
    with running_daemon(tmp_path / "j.sqlite3", "--source", f"file:{path}", "--fast") as daemon:
        lines = daemon.lines_until("audio: ended")
        assert lines[-2:] == ["file cut.wav, 48000 Hz, 1 ch: truncated", "audio: ended"]
        client = daemon.client()
        client.ask("/subscribe")
        assert client.until("/audio/fault") == ("file cut.wav, 48000 Hz, 1 ch: truncated",)
        assert client.ask("/status")[2:4] == ("ended", "idle")
        assert daemon.end()[0] == 0


def test_a_note_that_clips_is_said(tmp_path: Path) -> None:
    path, journal = tmp_path / "hot.wav", tmp_path / "j.sqlite3"
    soundfile.write(path, np.clip(open_strings(guitar(gain_db=26.0), (6,)), -1.0, 1.0), 48000)
    session_in_tuning(journal)
    words = ["--source", f"file:{path}", "--fast", "--exit-at-end", "--resume", "--port", "0", "--journal", journal]
    done = run_process("serve", *words)
    assert (done.returncode, done.stderr) == (0, "")
    assert "the input clips: turn it down, or pluck less hard" in done.stdout.splitlines()
