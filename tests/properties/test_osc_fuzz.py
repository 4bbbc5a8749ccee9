"""Storms: whatever comes, nothing escapes the server, nothing hangs, and what goes back stays within bounds.

Every packet goes through the whole server, once from this machine, once from another host and once over a connection.
Nothing here is timed; ``tests/bench/storm.py`` is. What hangs is ended by an alarm, and named.
"""

from __future__ import annotations

import asyncio
import logging
import struct
from collections.abc import Iterable, Iterator

import pytest
from grammar import INCOMING, Grammar, changed, good_packets, hostile_packets, truncated
from hypothesis import given
from hypothesis import strategies as st
from packets import STEPS_BACK, bundle, message, must_end, nested, padded, time_tag
from socketless_server import FAR, NEAR, NOW_S, PEERS, SocketlessServer

from oscservice.osc.framing import Framer, FramingError, counted, slip
from oscservice.osc.packet import MAX_DATAGRAM_BYTES, decode, encode
from oscservice.osc.server import MAX_SCHEDULED

MAX_ANSWERS = 200
PING = encode("/bench/ping")
SERVERS_OWN = {"/ping", "/subscribe", "/unsubscribe", "/confirm"}
"""Addresses that never reach the daemon's handler."""


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """The daemon's log holds one line a second of what is refused; the clock here runs fast."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


def storm(packets: Iterable[bytes], seconds: int = 120) -> tuple[int, int]:
    """Send each packet from every peer; gives how many were bad, and how many commands were carried out."""

    async def run() -> tuple[int, int]:
        floor = SocketlessServer(keeps_calls=False)
        packet = b""
        try:
            with must_end(seconds):
                for number, packet in enumerate(packets):
                    for peer in PEERS:
                        check(floor, packet, peer)
                    if number % 256 == 0:
                        await asyncio.sleep(0)  # lets timers run
        except BaseException as error:
            raise AssertionError(f"{packet.hex()}: {error!r}") from error
        assert floor.take(PING, NEAR)[0][1] == encode("/bench/reply", "/bench/ping")
        assert len(floor.server.scheduled) <= MAX_SCHEDULED
        floor.server.close()
        return floor.server.counts.bad, floor.calls

    return asyncio.run(run())


def check(floor: SocketlessServer, packet: bytes, peer: tuple[str, int]) -> None:
    sent = floor.take(packet, peer)
    assert len(sent) <= MAX_ANSWERS, len(sent)
    assert all(len(one) <= MAX_DATAGRAM_BYTES and decode(one) for _, one in sent)
    if peer == FAR:
        back = sum(len(one) for target, one in sent if target.host == peer[0])
        assert back < 3 * len(packet) or not back, (back, len(packet))


def test_the_corpus_is_good_and_holds_every_command() -> None:
    assert storm(good_packets())[0] == 0
    floor = SocketlessServer()
    for packet in good_packets():
        if b"subscribe" not in packet:  # needs a loop
            floor.take(packet, NEAR)
    assert {path for path, _, _ in floor.called} == {a.path for a in INCOMING} - SERVERS_OWN


def test_every_truncation() -> None:
    assert storm(truncated(good_packets()))[0] > 1000


def test_every_single_byte_change() -> None:
    """All 255 of each byte of a small packet of each kind; every 41st of the others (the benchmark: all)."""
    small = [
        PING,
        message(b"/a*", b"sb", padded(b"\xc3\xa9") + struct.pack(">i4s", 3, b"xyz")),
        bundle(PING, STEPS_BACK),
    ]
    assert storm(changed(small))[0] > 1000
    assert storm(changed((packet for packet in good_packets() if len(packet) < 200), 41))[0] > 1000


def test_wicked_packets() -> None:
    packets = hostile_packets()
    assert len(packets) > 60
    assert storm(packets)[0] > 30


@pytest.mark.parametrize("packet", [STEPS_BACK, nested(PING, 400), b"", message(b"/a", b"iQi", bytes(12))])
def test_these_are_bad(packet: bytes) -> None:
    assert storm([packet]) == (3, 0)


@pytest.mark.parametrize("unix_s", [2_085_978_497.0, 2_085_978_497.5, 4_102_444_800.0])
def test_dates_past_february_2036_lie_too_far_ahead(unix_s: float) -> None:
    """NTP seconds wrap on 2036-02-07 06:28:16 UTC, Unix time 2085978496 (RFC 4330 section 3)."""
    floor = SocketlessServer()
    ((_, answer),) = floor.take(bundle(PING, time_tag=time_tag(unix_s) % 2**64), NEAR)
    assert decode(answer)[0].message.args[:2] == ("/bench/ping", 3)
    assert unix_s > NOW_S


def test_twenty_thousand_random_and_built_packets() -> None:
    grammar = Grammar(20261126)
    bad, calls = storm(grammar.packet() for _ in range(20_000))
    assert 20_000 < bad < 55_000
    assert calls > 2_000


def test_the_grammar_is_the_same_for_the_same_seed() -> None:
    first, second, other = Grammar(1), Grammar(1), Grammar(2)
    drawn = [first.packet() for _ in range(50)]
    assert drawn == [second.packet() for _ in range(50)]
    assert drawn != [other.packet() for _ in range(50)]


tags = st.one_of(st.sampled_from([0, 1, 2**64 - 1]), st.integers(0, 2**64 - 1))
elements = st.recursive(
    st.one_of(
        st.binary(max_size=40),
        st.sampled_from(good_packets()[:20]),
        st.builds(
            message,
            st.text("/bench*?[]{},!-1string", max_size=30).map(lambda text: b"/" + text.encode()),
            st.text("ifsbhtdScrmTFNI[]Q", max_size=6).map(str.encode),
            st.binary(max_size=24),
        ),
    ),
    lambda inner: st.builds(lambda items, tag: bundle(*items, time_tag=tag), st.lists(inner, max_size=4), tags),
    max_leaves=12,
)


@given(elements)
def test_any_tree_of_elements(packet: bytes) -> None:
    storm([packet], seconds=20)


@given(st.integers(0, 2**32), st.lists(st.integers(1, 40), min_size=1, max_size=30), st.sampled_from([slip, counted]))
def test_any_stream(seed: int, reads: list[int], framed: object) -> None:
    """Bytes of a stream, cut anywhere and with a byte changed, come out as packets or end the connection."""
    assert callable(framed)
    grammar = Grammar(seed)
    stream = bytearray(b"".join(framed(grammar.packet()[:64]) for _ in range(6)))
    stream[seed % len(stream)] ^= 1 << seed % 8
    framer = Framer(64)
    at = 0
    for size in reads:
        try:
            packets = framer.feed(bytes(stream[at : at + size]))
        except FramingError as error:
            packets = list(error.before)
        assert all(0 < len(packet) <= 64 for packet in packets)
        assert framer.held_bytes <= 128
        at += size
