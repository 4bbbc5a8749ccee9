"""Kept sound is read back to the last bit, or reported as missing or altered."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.errors import InputError
from oscservice.hearing.hum import Hum
from oscservice.hearing.listener import Quiet
from oscservice.record.kept_sound import (
    FULL_SCALE,
    AlteredSoundError,
    KeptSound,
    MissingSoundError,
    Stretch,
    check_rate,
    checked,
    digest,
    file_name,
    find,
    flac,
    floats,
    folder_of,
    pcm,
    read,
    sound_of,
    sounds_in,
    stretch,
    unpacked,
)
from oscservice.session import events as ev

HUM = Hum(50.01, 0.003, (1, 3), (0.1 + 0.2j, -0.3j), 16000.0, -812.5)
TAKEN = ev.ReadingTaken(6, "open", 82.4, 0.1, -20.0, 0.5, 1.0, 1e-4)
few = settings(max_examples=25)


def kept(samples: list[float] | np.ndarray, rate_hz: int = 48000) -> Stretch:
    made = stretch(np.asarray(samples, dtype=np.float32), rate_hz, 0.25, Quiet(-70.0))
    assert made is not None
    return made


def noise(seconds: float = 0.2, rate_hz: int = 48000, size: float = 0.3) -> np.ndarray:
    return np.random.default_rng(1).uniform(-size, size, round(seconds * rate_hz)).astype(np.float32)


@few
@given(
    seed=st.integers(0, 1000),
    length=st.integers(1, 5000),
    size=st.floats(1e-6, 40.0),
    rate_hz=st.sampled_from([8000, 11025, 44100, 48000, 88200, 192000]),
)
def test_kept_sound_is_read_back_within_half_a_step_of_24_bits(seed, length, size, rate_hz):
    samples = (np.random.default_rng(seed).standard_normal(length) * size).astype(np.float32)
    made = kept(samples, rate_hz)
    assert unpacked(flac(made, "a test"))[1] == rate_hz
    back, _ = unpacked(flac(made))
    assert back.tolist() == made.samples.tolist()
    assert digest(back) == made.sound.sha256
    step = made.sound.full_scale / FULL_SCALE
    assert np.abs(floats(back, made.sound) - samples).max() <= 0.5 * step + 1e-7 * np.abs(samples).max()
    assert made.sound.full_scale == 1.0 or np.abs(samples).max() > 0.49 * made.sound.full_scale, "no more than needed"


@pytest.mark.parametrize(
    ("samples", "full_scale", "whole"),
    [
        ([-1.0, 0.5, (FULL_SCALE - 1) / FULL_SCALE], 1.0, [-FULL_SCALE, FULL_SCALE // 2, FULL_SCALE - 1]),
        ([1.0], 2.0, [FULL_SCALE // 2]),
        ([-1.5, 3.0], 4.0, [-3 * FULL_SCALE // 8, 3 * FULL_SCALE // 4]),
        ([0.0], 1.0, [0]),
    ],
)
def test_beyond_full_scale_all_are_halved_and_it_is_said(samples, full_scale, whole):
    made = kept(samples)
    assert (made.sound.full_scale, made.samples.tolist()) == (full_scale, whole)
    assert floats(made.samples, made.sound).tolist() == samples


def test_a_converter_of_24_bits_loses_nothing():
    whole = np.random.default_rng(2).integers(-(2**23), 2**23, 3000)
    assert kept((whole / 2**23).astype(np.float32)).samples.tolist() == whole.tolist()


@pytest.mark.parametrize(
    ("rate_hz", "there"), [(8001, True), (65535, True), (65536, False), (88200, True), (88201, False)]
)
def test_rates_that_flac_can_have(rate_hz, there):
    if there:
        check_rate(rate_hz)
        assert unpacked(flac(kept(noise(), rate_hz)))[1] == rate_hz
        return
    with pytest.raises(InputError, match=f"--keep-audio: a FLAC file can't have {rate_hz} samples a second"):
        check_rate(rate_hz)


def test_nothing_to_keep_is_no_sound():
    assert stretch(np.zeros(0, dtype=np.float32), 48000, 0.0, Quiet()) is None


def test_the_bytes_that_are_hashed_are_those_that_flac_itself_counts():
    """RFC 9639, 8.2: STREAMINFO ends in the MD5 of the samples, signed, little-endian, in whole bytes. libFLAC computes
    it from what it was given: so the encoder saw the very bytes that the event's SHA-256 is of."""
    made = kept(noise())
    file = flac(made, "a title")
    assert file[:4] == b"fLaC"
    assert file[4] & 0x7F == 0, "STREAMINFO comes first"
    assert file[26:42] == hashlib.md5(pcm(made.samples)).digest()
    assert made.sound.sha256 == hashlib.sha256(pcm(made.samples)).hexdigest()


def test_the_file_has_its_format_title_and_comment(tmp_path):
    path = tmp_path / "a.flac"
    path.write_bytes(flac(kept(noise()), "session 2026-11-25-1, event 12: string 6 open"))
    found = soundfile.SoundFile(path)
    assert (found.format, found.subtype, found.channels, found.samplerate) == ("FLAC", "PCM_24", 1, 48000)
    assert found.title == "session 2026-11-25-1, event 12: string 6 open"
    assert found.comment == "pluck at 0.250 s, full scale stands for 1"


@pytest.mark.parametrize("knew", [Quiet(), Quiet(-71.25), Quiet(-60.0, HUM)])
def test_an_events_record_of_a_sound_is_read_back_equal(knew):
    sound = KeptSound("ab" * 32, 44100, 1.2003, knew, 4.0, 3)
    assert KeptSound.from_json(sound.to_json()) == sound
    json.loads(sound.to_json())


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"sha256": 1}', '{"knew": {"no": 1}}', "no JSON"])
def test_anything_else_is_no_sound(text):
    with pytest.raises(ValueError, match=r"\w"):
        KeptSound.from_json(text)


def put(folder: Path, session: str, seq: int, made: Stretch) -> Path:
    path = folder / session / file_name(seq, made.sound)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(flac(made))
    return path


def test_a_file_is_found_and_read_only_if_it_is_the_one_that_was_kept(tmp_path):
    made, other = kept(noise()), kept(noise(size=0.2))
    path = put(tmp_path, "2026-11-25-1", 12, made)
    assert find(tmp_path, "2026-11-25-1", made.sound) == path
    assert read(path, made.sound).tolist() == made.samples.tolist()
    for session in ("2026-11-25-2", "../" + tmp_path.name + "/2026-11-25-1", ""):
        with pytest.raises(MissingSoundError):
            find(tmp_path, session, made.sound)
    with pytest.raises(AlteredSoundError, match="other samples"):
        read(path, other.sound)
    with pytest.raises(AlteredSoundError, match="48000 samples a second, kept were 44100"):
        read(path, replace(made.sound, rate_hz=44100))
    with pytest.raises(MissingSoundError):
        read(tmp_path / "none.flac", made.sound)


@pytest.mark.parametrize("how", ["one sample", "a byte", "cut", "empty", "two channels", "text"])
def test_an_altered_file_is_reported_and_the_others_are_checked(tmp_path, how):
    good, made = kept(noise(size=0.1)), kept(noise())
    put(tmp_path, "2026-11-25-1", 9, good)
    path = put(tmp_path, "2026-11-25-1", 12, made)
    file = path.read_bytes()
    match how:
        case "one sample":
            samples = made.samples.copy()
            samples[100] += 1
            path.write_bytes(flac(Stretch(samples, made.sound)))
        case "a byte":
            path.write_bytes(file[:5000] + bytes([file[5000] ^ 1]) + file[5001:])
        case "cut":
            path.write_bytes(file[: len(file) // 2])
        case "empty":
            path.write_bytes(b"")
        case "two channels":
            soundfile.write(path, np.zeros((100, 2)), 48000, "PCM_24")
        case "text":
            path.write_text("no sound at all")
    gone = kept(noise(size=0.05))
    found = checked(tmp_path, "2026-11-25-1", [good.sound, made.sound, gone.sound])
    assert (found.kept, found.missing, len(found.altered)) == (1, 1, 1)
    assert found.altered[0].startswith(f"{path.name} ")
    assert "\n" not in found.altered[0]


def test_a_note_in_doubt_has_its_sound_and_it_is_counted_once():
    sound = kept(noise()).sound
    taken = replace(TAKEN, sound=sound.to_json())
    _, body = ev.to_body(taken)
    doubted = ev.ReadingDoubted(json.dumps(body), json.dumps(body), 0.6, 0.4)
    assert sound_of(taken) == sound_of(doubted) == sound
    assert sound_of(TAKEN) is None
    assert sound_of(ev.StepBegun("Hear")) is None
    assert list(sounds_in([(3, doubted), (5, TAKEN), (7, taken)])) == [(3, sound)]


def test_a_journal_has_one_folder_however_it_is_named(tmp_path):
    real = tmp_path / "j.sqlite3"
    real.touch()
    link = tmp_path / "link.sqlite3"
    link.symlink_to(real)
    assert folder_of(link) == folder_of(real) == tmp_path / "j.sqlite3.sound"


def test_numbers_in_names_sort_as_events_do():
    sound = kept(noise()).sound
    names = [file_name(seq, sound) for seq in (2, 10, 99999)]
    assert names == sorted(names)
    assert math.isclose(sound.onset_s, 0.25)
