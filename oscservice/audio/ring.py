"""The last seconds of one channel as they came in, so that a note can be kept once it is known to be one."""

from __future__ import annotations

from collections import deque

import numpy as np

from oscservice.audio.block import Samples


class Ring:
    """Samples without a gap: the last block, however long it is, and ``longest_frames`` before it or a block more.

    Frames are counted on the source's own time line (``audio.block``).
    """

    def __init__(self, longest_frames: int) -> None:
        self._longest = longest_frames
        self._pieces: deque[Samples] = deque()
        self._held = 0
        self._end = 0

    def take(self, samples: Samples, start_frame: int) -> None:
        """Hold a channel's next samples, shape (n,), the first of which is frame ``start_frame``.

        What came before a gap is let go.
        """
        if start_frame != self._end:
            self.clear()
        while self._pieces and self._held - len(self._pieces[0]) >= self._longest:
            self._held -= len(self._pieces.popleft())
        self._pieces.append(samples.copy())  # a source may use its block again
        self._held += len(samples)
        self._end = start_frame + len(samples)

    def clear(self) -> None:
        """Samples were lost, nobody knows how many: what comes next is not next to what was held."""
        self._pieces.clear()
        self._held = 0

    def stretch(self, first_frame: int, end_frame: int) -> tuple[int, Samples]:
        """The samples from one frame to before another, as far as they are held: number of the first, shape (n,)."""
        start = self._end - self._held
        first, end = max(first_frame, start), min(end_frame, self._end)
        if first >= end:
            return first, np.empty(0, dtype=np.float32)
        return first, np.concatenate(self._pieces)[first - start : end - start]
