"""The ring gives back what came in, as far as it goes, and nothing from before a gap."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.audio.block import SampleRing


def filled(longest: int, blocks: list[int], begin: int = 0) -> tuple[SampleRing, int]:
    """A ring that was given the numbers from ``begin`` on, in blocks of these sizes; and the number after the last."""
    ring, at = SampleRing(longest), begin
    for size in blocks:
        ring.take(np.arange(at, at + size, dtype=np.float32), at)
        at += size
    return ring, at


@given(
    longest=st.integers(1, 200),
    blocks=st.lists(st.integers(1, 60), min_size=1, max_size=20),
    back=st.integers(0, 300),
    length=st.integers(0, 300),
)
def test_a_stretch_has_the_samples_of_those_frames_that_the_ring_has(longest, blocks, back, length):
    ring, end = filled(longest, blocks, begin=1000)
    held = min(longest + blocks[-1], end - 1000)
    first, samples = ring.stretch(end - back, end - back + length)
    assert samples.tolist() == list(range(first, min(end - back + length, end)))[: len(samples)]
    if length and back and min(back, held) > max(0, back - length):
        assert len(samples) >= min(back, held) - max(0, back - length), "what was asked for and is held is given"


@pytest.mark.parametrize("last", [30, 1, 4000])
def test_the_ring_has_at_most_two_blocks_more_than_asked_for(last):
    ring, end = filled(100, [30] * 50 + [last])
    first, samples = ring.stretch(0, end)
    assert 100 + last <= len(samples) <= 130 + last, "what came before a long block is held too"
    assert first == end - len(samples)


def test_nothing_is_given_from_before_a_gap():
    ring, end = filled(1000, [50, 50])
    ring.take(np.full(10, 7.0, dtype=np.float32), end + 3)
    assert ring.stretch(0, end + 100)[0] == end + 3
    assert ring.stretch(0, end + 100)[1].tolist() == [7.0] * 10
    ring.clear()
    ring.take(np.full(4, 8.0, dtype=np.float32), end + 13)
    assert ring.stretch(0, end + 100)[1].tolist() == [8.0] * 4


def test_a_block_that_is_used_again_does_not_change_the_ring():
    ring, block = SampleRing(10), np.ones(5, dtype=np.float32)
    ring.take(block, 0)
    block[:] = 0.0
    assert ring.stretch(0, 5)[1].tolist() == [1.0] * 5
