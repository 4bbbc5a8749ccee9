"""Sound kept by a daemon and measured again: nothing changes, unless the files or the estimator did."""

from __future__ import annotations

import json
import math
import resource
import signal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from oscservice_process import Client, DaemonProcess, run_command, running_daemon, wait_until
from simulated_recordings import guitar, played
from small_instruments import SCREWS, instrument_file
from test_serve_which_string import COURSE

from oscservice.hearing import listener
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import OPEN
from oscservice.record.event_chain import edited
from oscservice.record.journal import Journal

pytestmark = pytest.mark.slow

KEEP = ("--source", "simulated", "--stepped", "--keep-audio")


def pluck(client: Client, string: int, place: str = "open", ring_s: float = 1.5) -> None:
    """Pluck, let it ring, stop it, until all of it is heard."""
    client.ask("/simulator/pluck", string, place)
    for address, *values in (("/simulator/wait", ring_s), ("/simulator/damp",), ("/simulator/wait", 0.4)):
        client.ask(str(address), *values)
        if values:
            client.until("/simulator/done")


def begun(client: Client, instrument: Path) -> str:
    """A session whose two strings have been brought to pitch and not been heard yet."""
    profile = load_instrument(str(instrument))
    name = client.begin(str(instrument))
    client.ask("/simulator/wait", 0.8)
    client.until("/simulator/done")
    for number in (2, 1):
        open_hz, _ = client.ask("/simulator/truth", number)
        client.ask("/simulator/peg", number, 1200.0 * math.log2(profile.open_hz(number) / open_hz))
    return name


def tuned_and_compared(client: Client) -> int:
    """Both strings heard open, the thicker one compared; gives how many plucks that took."""
    for string, place in ((2, "open"), (1, "open"), (2, "open"), (2, "fret 12"), (2, "fret 12"), (2, "open")):
        pluck(client, string, place)
    return 6


def sound_of(journal: Path, session: str) -> list[Path]:
    return sorted((journal.parent / f"{journal.name}.sound" / session).glob("*.flac"))


def again(journal: Path, session: str = "last") -> tuple[int, dict[str, Any]]:
    """Return the exit code and the output of ``remeasure --json``."""
    done = run_command("remeasure", session, "--journal", journal, "--json")
    assert done.err == ""
    return done.code, json.loads(done.out)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A journal with one session that was left open, its last step taken back; not to be changed."""
    folder = tmp_path_factory.mktemp("kept")
    instrument, journal = instrument_file(folder, SCREWS), folder / "j.sqlite3"
    with running_daemon(journal, *KEEP, "--instrument", instrument) as daemon:
        client = daemon.client()
        name = begun(client, instrument)
        client.until_it_is("/record/sound", "kept")
        plucks = tuned_and_compared(client)
        pluck(client, 2, "fret 12")
        assert client.ask("/session/undo") == ()
        code, _, errors = daemon.end()
        assert (code, errors) == (0, "")
    assert len(sound_of(journal, name)) == plucks + 1
    return journal, name


def copied(session: tuple[Path, str], folder: Path) -> tuple[Path, list[Path]]:
    """A copy of the journal and its sound, to be changed."""
    journal, name = session
    copy = folder / journal.name
    copy.write_bytes(journal.read_bytes())
    files = folder / f"{journal.name}.sound" / name
    files.mkdir(parents=True)
    for path in sound_of(journal, name):
        (files / path.name).write_bytes(path.read_bytes())
    return copy, sound_of(copy, name)


def test_measured_again_nothing_changes(session):
    journal, name = session
    code, found = again(journal)
    assert (code, found["session"], found["changes"]) == (0, name, False)
    assert (found["without_sound"], found["missing"], found["altered"]) == (0, 0, 0)
    assert len(found["readings"]) == 7
    for one in found["readings"]:
        assert abs(one["change_cents"]) < 0.05 * one["then"]["se_cents"], "24 bits, and what came before the stretch"
        assert not one["marked"]
    assert [one["taken_back"] for one in found["readings"]] == [False] * 6 + [True]
    (error,) = found["errors"]
    assert (error["string"], error["fret"], error["marked"]) == (2, 12, False)
    assert abs(error["change_cents"]) < 0.01

    table = run_command("remeasure", name, "--journal", journal)
    assert table.code == 0
    assert f"session {name}: 7 of 7 readings measured again" in table.out
    assert "string 2 at fret 12 (x)" in table.out
    verified = run_command("sessions", "verify", name, "--journal", journal)
    assert verified.code == 0
    assert "sound of 7 of 7 notes as kept" in verified.out


def test_the_events_and_so_the_chain_cover_the_sound(session):
    journal, name = session
    with Journal.open(journal, readonly=True) as opened:
        assert edited(opened.record(name)) is None
        bodies = [body for _, _, kind, body in opened.events(name) if kind == "ReadingTaken"]
    named = [json.loads(body["sound"])["sha256"] for body in bodies]
    assert [path.stem.split("-")[1] for path in sound_of(journal, name)] == [one[:12] for one in named]


def test_an_estimator_that_reads_otherwise_is_shown(session, monkeypatch):
    journal, _ = session
    read = listener.read_decimated

    def sharper(*arguments, **more):
        reading = read(*arguments, **more)
        cents = 2.0 if reading.f1_hz > 200.0 else 0.0  # the fretted notes of the thicker string, and the thinner one
        return type(reading)(**{**vars(reading), "f1_hz": reading.f1_hz * 2 ** (cents / 1200)})

    monkeypatch.setattr(listener, "read_decimated", sharper)
    code, found = again(journal)
    assert (code, found["changes"]) == (1, True)
    for one in found["readings"]:
        high = one["place"] != "open"
        assert one["marked"] == high, one
        assert one["change_cents"] == pytest.approx(2.0 if high else 0.0, abs=0.01)
    (error,) = found["errors"]
    assert error["change_cents"] == pytest.approx(2.0, abs=0.05)
    assert error["marked"]
    table = run_command("remeasure", "last", "--journal", journal)
    assert table.code == 1
    assert "+2.00 *" in table.out


def test_files_that_were_altered_or_lost_each_have_a_line_and_the_others_are_measured(session, tmp_path):
    journal, files = copied(session, tmp_path)
    samples, rate_hz = soundfile.read(files[1], dtype="int32")
    samples[2000] += 256
    soundfile.write(files[1], samples, rate_hz, "PCM_24")
    files[3].unlink()
    code, found = again(journal)
    assert (code, found["altered"], found["missing"]) == (1, 1, 1)
    assert [one["fault"] for one in found["readings"]] == ["", "altered", "", "missing", "", "", ""]
    done = run_command("remeasure", "last", "--journal", journal)
    assert done.code == 1
    numbers = [one["event"] for one in found["readings"]]
    assert f"event {numbers[1]}: altered: its file holds other samples than were kept" in done.out
    assert f"event {numbers[3]}: missing: its file is not there" in done.out
    assert "5 of 7 readings measured again, 1 missing, 1 ALTERED" in done.out
    verified = run_command("sessions", "verify", "--journal", journal)
    assert verified.code == 1
    assert f"sound EDITED or damaged: {files[1].name} holds other samples" in verified.out


def test_a_lost_file_is_reported_and_is_no_edit(session, tmp_path):
    journal, files = copied(session, tmp_path)
    files[0].unlink()
    assert again(journal)[0] == 0
    verified = run_command("sessions", "verify", "--journal", journal)
    assert verified.code == 0
    assert "sound of 6 of 7 notes as kept (1 missing)" in verified.out


def test_a_session_without_its_sound_is_bad_input(session, tmp_path):
    journal, files = copied(session, tmp_path)
    for path in files:
        path.unlink()
    done = run_command("remeasure", "last", "--journal", journal)
    assert done.code == 2
    assert "it was deleted, or left elsewhere" in done.complaint
    assert run_command("remeasure", "last-1", "--journal", journal).code == 2
    assert run_command("remeasure", "2001-01-01-1", "--journal", journal).code == 5


def test_taken_elsewhere_a_session_finds_its_sound_once_that_is_copied(session, tmp_path):
    journal, name = session
    there, lines = tmp_path / "there.sqlite3", tmp_path / "lines.jsonl"
    assert run_command("sessions", "export", "-o", lines, "--journal", journal).code == 0
    assert run_command("sessions", "import", lines, "--journal", there).code == 0
    assert run_command("remeasure", name, "--journal", there).code == 2
    folder = tmp_path / "there.sqlite3.sound" / name
    folder.mkdir(parents=True)
    for path in sound_of(journal, name):
        (folder / path.name).write_bytes(path.read_bytes())
    assert again(there)[0] == 0


def test_without_the_option_nothing_is_kept(tmp_path):
    instrument, journal = instrument_file(tmp_path, SCREWS), tmp_path / "j.sqlite3"
    with running_daemon(journal, *KEEP[:-1], "--instrument", instrument) as daemon:
        client = daemon.client()
        name = begun(client, instrument)
        client.until_it_is("/record/sound", "off")
        pluck(client, 2)
        daemon.end()
    assert list(tmp_path.glob("*.sound")) == []
    done = run_command("remeasure", name, "--journal", journal)
    assert done.code == 2
    assert done.complaint == (
        f"no sound of session {name} was kept: `oscservice serve --keep-audio` keeps it from now on"
    )


def test_a_note_in_doubt_is_kept_and_measured_again_once_its_string_is_given(tmp_path):
    instrument, journal = instrument_file(tmp_path, SCREWS, COURSE), tmp_path / "j.sqlite3"
    with running_daemon(journal, *KEEP, "--instrument", instrument) as daemon:
        client = daemon.client()
        name = begun(client, instrument)
        for string in (2, 1):
            pluck(client, string, ring_s=2.4)
        client.until_it_is("/prompt", "say_which")
        assert client.ask("/string/1/plucked", 1.0) == ()
        daemon.end()
    assert len(sound_of(journal, name)) == 2
    code, found = again(journal)
    assert code == 0
    assert [(one["string"], one["fault"]) for one in found["readings"]] == [(2, ""), (1, "")]
    assert "sound of 2 of 2 notes as kept" in run_command("sessions", "verify", "--journal", journal).out


def test_a_string_a_channel_keeps_its_own_channel(tmp_path):
    instrument, journal = instrument_file(tmp_path, SCREWS), tmp_path / "j.sqlite3"
    with running_daemon(journal, *KEEP, "--instrument", instrument, "--string-a-channel") as daemon:
        client = daemon.client()
        name = begun(client, instrument)
        pluck(client, 2)
        pluck(client, 1)
        daemon.end()
    assert len(sound_of(journal, name)) == 2
    code, found = again(journal)
    assert code == 0
    assert [one["string"] for one in found["readings"]] == [2, 1]
    with Journal.open(journal, readonly=True) as opened:
        bodies = [body for _, _, kind, body in opened.events(name) if kind == "ReadingTaken"]
    assert [json.loads(body["sound"])["only_string"] for body in bodies] == [2, 1]


def test_after_a_crash_the_session_still_keeps_sound(tmp_path):
    instrument, journal = instrument_file(tmp_path, SCREWS), tmp_path / "j.sqlite3"
    with running_daemon(journal, *KEEP, "--instrument", instrument) as daemon:
        client = daemon.client()
        name = begun(client, instrument)
        pluck(client, 2)
        wait_until(lambda: len(sound_of(journal, name)) == 1, "the first note's file")
        daemon.process.send_signal(signal.SIGKILL)
        daemon.wait()
    with running_daemon(journal, *KEEP, "--instrument", instrument) as daemon:
        client = daemon.client()
        client.ask("/subscribe")
        assert client.ask("/session/resume", name) == (name,)
        pluck(client, 2)
        daemon.end()
    assert len(sound_of(journal, name)) == 2
    code, found = again(journal)
    assert code in (0, 1), "another guitar was on the bench, but what was kept is what was measured"
    assert [one["fault"] for one in found["readings"]] == ["", ""]
    assert not found["changes"]


def until_said(daemon: DaemonProcess, start: str) -> str:
    """The line that begins so, of those that the daemon prints."""
    while not (line := daemon.line()).startswith(start):
        assert line, start
    return line


def test_sound_that_cant_be_written_holds_up_nothing_and_is_made_up_for(tmp_path):
    instrument, journal = instrument_file(tmp_path, SCREWS), tmp_path / "j.sqlite3"
    in_the_way = tmp_path / "j.sqlite3.sound"
    in_the_way.write_text("no folder")
    with running_daemon(journal, *KEEP, "--instrument", instrument) as daemon:
        client = daemon.client()
        name = begun(client, instrument)
        pluck(client, 2)
        client.until_it_is("/record/sound", "failing")
        assert str(in_the_way) in until_said(daemon, "sound can't be kept for now")
        pluck(client, 1)
        assert [address for address, _ in client.heard].count("/reading") == 2
        assert client.topics["/record/state"] == ("recording",)
        in_the_way.unlink()
        client.until_it_is("/record/sound", "kept")
        until_said(daemon, "sound is kept again")
        assert daemon.end()[0] == 0
    assert len(sound_of(journal, name)) == 2
    assert again(journal)[0] == 0


def test_a_disk_too_full_for_sound_still_takes_the_journal(tmp_path):
    """As on a disk that is nearly full: a file that is to grow beyond a quarter of a megabyte can't be written."""
    instrument, journal = instrument_file(tmp_path, SCREWS), tmp_path / "j.sqlite3"
    with running_daemon(journal, *KEEP, "--instrument", instrument) as daemon:
        client = daemon.client()
        name = begun(client, instrument)
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (250_000, resource.RLIM_INFINITY))
        for _ in range(2):
            pluck(client, 2, ring_s=2.8)
        client.until_it_is("/record/sound", "failing")
        assert [address for address, _ in client.heard].count("/reading") == 2
        assert client.topics["/record/state"] == ("recording",)
        assert sound_of(journal, name) == []
        unlimited = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, unlimited)
        client.until_it_is("/record/sound", "kept")
        assert daemon.end()[0] == 0
    assert len(sound_of(journal, name)) == 2
    assert again(journal)[0] == 0


def test_sound_of_the_oldest_session_is_deleted_for_the_present_one(tmp_path):
    instrument, journal = instrument_file(tmp_path, SCREWS), tmp_path / "j.sqlite3"
    with running_daemon(journal, *KEEP, "--instrument", instrument, "--keep-audio-mb", "1") as daemon:
        client = daemon.client()
        first = begun(client, instrument)
        for string in (2, 1) * 4:
            pluck(client, string)
        client.until_it_is("/record/sound", "full")
        assert first in until_said(daemon, "no more sound of session")
        client.ask("/session/abandon")
        second = begun(client, instrument)
        for string in (2, 1) * 2:
            pluck(client, string)
        until_said(daemon, f"kept sound of session {first} deleted")
        client.until_it_is("/record/sound", "kept")
        daemon.end()
    assert sound_of(journal, first) == []
    files = sound_of(journal, second)
    assert files
    assert sum(path.stat().st_size for path in files) <= 1_000_000
    assert again(journal, second)[0] == 0
    assert run_command("remeasure", first, "--journal", journal).code == 2
    verified = run_command("sessions", "verify", "--journal", journal)
    assert verified.code == 0


def test_a_rate_that_flac_can_not_have_is_refused_at_the_start(tmp_path):
    journal = tmp_path / "j.sqlite3"
    done = run_command("serve", "--source", "simulated", "--rate", "88201", "--keep-audio", "--journal", journal)
    assert done.code == 2
    assert "--keep-audio: a FLAC file can't have 88201 samples a second" in done.complaint


def test_input_beyond_full_scale_is_kept_as_it_came(tmp_path):
    """Floating-point input may pass 1.0: it is halved as often as it takes, and that is said."""
    samples = played(guitar(gain_db=26.0), [(6, OPEN)], note_s=1.6)
    full_scale = 2.0 ** math.ceil(math.log2(float(np.abs(samples).max())))
    assert full_scale > 1.0
    journal = tmp_path / "j.sqlite3"
    with running_daemon(
        journal, "--source", "-", "--rate", "48000", "--format", "f32le", "--keep-audio", stdin=-1
    ) as daemon:
        client = daemon.client()
        name = client.begin("six-string-648")
        assert daemon.process.stdin is not None
        daemon.process.stdin.write(samples.astype("<f4").tobytes())
        daemon.process.stdin.flush()
        client.until("/reading")
        daemon.process.stdin.close()
        daemon.process.stdin = None
        daemon.end()
    (file,) = sound_of(journal, name)
    assert soundfile.SoundFile(file).comment.endswith(f"full scale stands for {full_scale:g}")
    code, found = again(journal)
    assert (code, [one["fault"] for one in found["readings"]]) == (0, [""])
