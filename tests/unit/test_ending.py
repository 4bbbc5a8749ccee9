"""The end of a daemon whose audio thread is busy: it waits for the thread, but not for ever."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from oscservice.audio.block import AudioSource, Block
from oscservice.daemon import app as run
from oscservice.record.journal import Journal
from oscservice.settings import ServeSettings


class _Stuck(AudioSource):
    """A source that does not react for ``stuck_s`` seconds, as in the middle of a long reading."""

    def __init__(self, stuck_s: float) -> None:
        super().__init__(48000, 1, "a stuck source")
        self.begun = threading.Event()
        self.let_go = threading.Event()
        self._stuck_s = stuck_s

    def _blocks(self) -> Iterator[Block]:
        yield self._block(np.zeros((64, 1), np.float32))
        self.begun.set()
        self.let_go.wait(self._stuck_s)

    def _release(self) -> None:
        pass


def _lines(source: _Stuck, tmp_path: Path) -> list[str]:
    lines: list[str] = []

    async def live() -> None:
        settings = ServeSettings(port=0, journal=tmp_path / "j.sqlite3")
        with source, Journal.open(settings.journal) as journal:
            async with run.running(settings, source, journal, lines.append):
                while not source.begun.is_set():
                    await asyncio.sleep(0.01)

    asyncio.run(live())
    return lines


def test_the_end_waits_for_a_busy_audio_thread(tmp_path: Path) -> None:
    assert _lines(_Stuck(1.5), tmp_path) == ["audio: running", "audio: ended"]


def test_an_audio_thread_that_hangs_does_not_stop_the_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "_END_TIMEOUT_S", 0.1)
    source = _Stuck(60.0)
    assert _lines(source, tmp_path) == ["audio: running", "audio: ended"]
    source.let_go.set()
