"""Limits a source and a log line have, with the time as an argument."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from oscservice.osc.rate_limits import LogThrottle, TokenBuckets


def test_a_burst_then_the_rate() -> None:
    buckets = TokenBuckets(rate=100)
    assert [buckets.allow("a", 0.0) for _ in range(101)] == [True] * 100 + [False]
    assert buckets.allow("b", 0.0)
    assert [buckets.allow("a", 0.5) for _ in range(51)] == [True] * 50 + [False]
    assert [buckets.allow("a", 100.0) for _ in range(101)] == [True] * 100 + [False]


@given(st.lists(st.tuples(st.floats(0.0, 0.1), st.integers(0, 200)), min_size=1, max_size=60))
def test_a_client_that_waits_long_enough_is_allowed_then(steps: list[tuple[float, int]]) -> None:
    buckets, now = TokenBuckets(rate=100), 0.0
    for passed, spent in steps:
        now += passed
        wait_s = buckets.wait_s("a", now)
        if wait_s > 1e-9:
            assert not buckets.allow("a", now)
            now += buckets.wait_s("a", now) + 1e-9
        assert buckets.allow("a", now)
        buckets.spend("a", spent)


def test_a_steady_flood_gets_through_at_the_rate() -> None:
    buckets = TokenBuckets(rate=100)
    through = sum(buckets.allow("a", step / 1000) for step in range(10_000))
    assert 1090 <= through <= 1101  # a full bucket, then 100 a second for 10 s


def test_many_sources_cost_bounded_memory_and_those_at_rest_go_first() -> None:
    buckets = TokenBuckets(rate=2, sources=4)
    assert buckets.allow("busy", 10.0)
    assert buckets.allow("busy", 10.0)
    for source in range(3):
        buckets.allow(source, 9.0)
    for source in range(100, 103):
        assert buckets.allow(source, 10.1)
    assert not buckets.allow("busy", 10.1)
    for source in range(1000):
        buckets.allow(source, 10.2)
    assert len(buckets) == 4


def test_one_line_a_second_a_cause() -> None:
    gate = LogThrottle()
    assert gate.admit("size", 0.0) == 0
    assert gate.admit("size", 0.5) is None
    assert gate.admit("size", 0.9) is None
    assert gate.admit("tags", 0.9) == 0
    assert gate.admit("size", 1.0) == 2
    assert gate.admit("size", 2.5) == 0
