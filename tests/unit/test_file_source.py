"""Sound files as a source: every sample in order, and what is wrong with a file said in one line."""

from __future__ import annotations

import contextlib
import io
import itertools
import struct
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from oscservice.audio.block import Block, Samples
from oscservice.audio.file_source import FileSource
from oscservice.errors import InputError


def read_file(path: Path) -> tuple[Samples, int, tuple[str, ...]]:
    """All samples of a sound file: float32 (frames, channels), the sample rate in Hz, and the flags of `FileSource`.

    Raises InputError as `FileSource` does.
    """
    with FileSource(path, fast=True) as source:
        samples = np.concatenate([block.samples for block in source])
        return samples, source.sample_rate_hz, source.flags


def tone(frames: int = 5000, channels: int = 1) -> Samples:
    phase = 2 * np.pi * 110.0 / 48_000 * np.arange(frames)
    return np.stack([0.3 * np.sin(phase * (1 + k)) for k in range(channels)], axis=1).astype(np.float32)


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as error:
        read_file(path)
    text = str(error.value)
    assert "\n" not in text
    assert str(path) in text
    return text


def check_positions(blocks: list[Block]) -> None:
    for before, after in itertools.pairwise(blocks):
        assert after.start_frame == before.start_frame + len(before.samples) + after.dropped_frames


@pytest.mark.parametrize(
    ("name", "subtype"), [("a.wav", "FLOAT"), ("a.wav", "PCM_24"), ("a.flac", "PCM_16"), ("a.aiff", "PCM_16")]
)
@pytest.mark.parametrize("channels", [1, 6])
def test_a_file_is_read_completely_and_in_order(tmp_path: Path, name: str, subtype: str, channels: int) -> None:
    path, samples = tmp_path / name, tone(5000, channels)
    soundfile.write(path, samples, 44_100, subtype=subtype)
    with FileSource(path, fast=True) as source:
        assert (source.sample_rate_hz, source.channels, source.state) == (44_100, channels, "starting")
        blocks = list(source)
    assert source.state == "ended"
    assert blocks[0].start_frame == 0
    check_positions(blocks)
    together = np.concatenate([block.samples for block in blocks])
    assert together.dtype == np.float32
    assert together.shape == samples.shape
    # Half a step of the coarsest format plus the scale's own asymmetry: 1/32768.
    np.testing.assert_allclose(together, samples, rtol=0, atol=0 if subtype == "FLOAT" else 2**-15)
    whole, rate, flags = read_file(path)
    assert np.array_equal(whole, together)
    assert (rate, flags) == (44_100, ())


@pytest.mark.parametrize(("name", "subtype"), [("a.wav", "PCM_16"), ("a.aiff", "PCM_16"), ("a.flac", "PCM_16")])
def test_a_truncated_file_is_read_as_far_as_it_goes_and_flagged(tmp_path: Path, name: str, subtype: str) -> None:
    path, samples = tmp_path / name, tone(48_000)
    soundfile.write(path, samples, 48_000, subtype=subtype)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with FileSource(path, fast=True) as source:
        blocks = list(source)
    got = np.concatenate([block.samples for block in blocks])
    assert 15_000 < len(got) < 33_000
    np.testing.assert_allclose(got, samples[: len(got)], rtol=0, atol=2**-15)
    assert [block.flags for block in blocks] == [()] * (len(blocks) - 1) + [("truncated",)]
    assert read_file(path)[2] == ("truncated",)


@pytest.mark.parametrize("promise", [0xFFFF_FFFF, 0x7FFF_F000, 0x8000_0000])
def test_a_wav_written_into_a_pipe_is_not_called_truncated(tmp_path: Path, promise: int) -> None:
    path = tmp_path / "piped.wav"
    soundfile.write(path, tone(3000), 48_000, subtype="PCM_16")
    data = bytearray(path.read_bytes())
    where = data.index(b"data") + 4
    data[where : where + 4] = struct.pack("<I", promise)
    path.write_bytes(data)
    samples, _, flags = read_file(path)
    assert (len(samples), flags) == (3000, ())


def test_samples_that_are_not_finite_become_0_and_are_counted(tmp_path: Path) -> None:
    path, samples = tmp_path / "nan.wav", tone(3000, 2)
    samples[[5, 6, 2500], 1] = np.nan, np.inf, -np.inf
    soundfile.write(path, samples, 48_000, subtype="FLOAT")
    with FileSource(path, fast=True) as source:
        blocks = list(source)
    assert [block.flags for block in blocks] == [("not finite: 2",), (), ("not finite: 1",)]
    whole, _, flags = read_file(path)
    assert flags == ("not finite: 3",)
    assert np.array_equal(whole, np.where(np.isfinite(samples), samples, 0))


def test_files_without_samples_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "empty.wav"
    path.touch()
    assert "empty (0 bytes)" in refusal(path)
    soundfile.write(path, tone(0), 48_000)
    assert "no samples" in refusal(path)
    soundfile.write(path, tone(100), 48_000, subtype="PCM_16")
    for length in range(1, 46):  # the header is 44 bytes, a sample 2
        path.write_bytes(path.read_bytes()[:length])
        refusal(path)
        soundfile.write(path, tone(100), 48_000, subtype="PCM_16")


def test_a_file_that_is_no_sound_file_is_refused(tmp_path: Path) -> None:
    assert "there is no such file" in refusal(tmp_path / "missing.wav")
    assert "not a sound file" in refusal(tmp_path)
    text = tmp_path / "text.wav"
    text.write_text("these are words\n" * 100)
    assert "not a sound file" in refusal(text)
    assert "there is no such file" in refusal(Path("a\0b.wav"))


@pytest.mark.parametrize("rate", [8_000, 11_025, 96_000, 192_000])
def test_rates_from_8_to_192_khz_are_taken(tmp_path: Path, rate: int) -> None:
    soundfile.write(tmp_path / "a.wav", tone(100), rate)
    assert read_file(tmp_path / "a.wav")[1] == rate


@pytest.mark.parametrize("rate", [1_000, 7_999, 192_001, 384_000])
def test_other_rates_are_refused(tmp_path: Path, rate: int) -> None:
    soundfile.write(tmp_path / "a.wav", tone(100), rate)
    assert f"{rate} Hz" in refusal(tmp_path / "a.wav")


@pytest.mark.parametrize("cut", [0, 3, 700])
def test_random_damage_is_refused_or_read_but_never_a_crash(tmp_path: Path, cut: int) -> None:
    good = io.BytesIO()
    soundfile.write(good, tone(600), 48_000, subtype="PCM_16", format="WAV")
    random = np.random.default_rng(cut)
    path = tmp_path / "damaged.wav"
    for _ in range(60):
        data = bytearray(good.getvalue()[: len(good.getvalue()) - cut])
        for where in random.integers(0, 60, 3):
            data[where] = random.integers(0, 256)
        path.write_bytes(data)
        with contextlib.suppress(InputError):  # anything else raised fails the test
            samples, rate, _ = read_file(path)
            assert np.isfinite(samples).all()
            assert 8_000 <= rate <= 192_000


def test_a_paced_file_never_runs_ahead_of_the_clock(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, tone(9_600), 48_000)
    start_s = time.monotonic()
    with FileSource(path, fast=False) as source:
        for block in source:
            end_s = (block.start_frame + len(block.samples)) / source.sample_rate_hz
            assert time.monotonic() - start_s >= end_s  # holds however slow the machine is


def test_close_from_another_thread_ends_a_paced_file(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    soundfile.write(path, np.zeros((8_000 * 600, 1), np.float32), 8_000)
    got: list[Block] = []
    source = FileSource(path)
    first = threading.Event()

    def walk() -> None:
        for block in source:
            got.append(block)
            first.set()

    walker = threading.Thread(target=walk)
    walker.start()
    assert first.wait(60)
    source.close()
    walker.join(60)  # the file itself lasts ten minutes
    assert not walker.is_alive()
    assert source.state == "ended"
    assert 1 <= len(got) < 600


def test_states_are_reported_in_order(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", tone(3000), 48_000)
    source = FileSource(tmp_path / "a.wav", fast=True)
    states: list[str] = []
    source.on_state = states.append
    list(source)
    with pytest.raises(RuntimeError, match="only once"):
        next(iter(source))
    source.close()
    assert states == ["running", "ended"]


def test_a_source_closed_before_iteration_yields_nothing(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", tone(3000), 48_000)
    source = FileSource(tmp_path / "a.wav", fast=True)
    source.close()
    source.close()
    assert source.state == "ended"
    assert list(source) == []


def test_raw_samples_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.raw").write_bytes(bytes(4000))
    assert "sample rate" in refusal(tmp_path / "a.raw")
