"""Packets on a byte stream: RFC 1055 byte for byte, sizes split over reads, and streams made to fill memory."""

from __future__ import annotations

import struct
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.osc.framing import Framer, FramingError, counted, slip
from oscservice.osc.packet import MAX_STREAM_BYTES, encode

ONE_AND_A_HALF = bytes.fromhex("2f7800002c6600003fc00000")
"""``/x`` ``,f`` 1.5: its third word holds a c0, which SLIP has to escape. Put together by hand from OSC 1.0."""


def words(count: int) -> bytes:
    return b"abcd" * count


def fed(framer: Framer, data: bytes, cuts: list[int]) -> tuple[list[bytes], str]:
    """Packets and fault of a stream that comes in reads cut at these places."""
    edges = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    packets: list[bytes] = []
    for start, end in pairwise(edges):
        try:
            packets += framer.feed(data[start:end])
        except FramingError as error:
            return [*packets, *error.before], str(error)
    return packets, ""


def test_a_float_that_holds_an_end_byte() -> None:
    """RFC 1055: END c0 is sent as db dc; the OSC 1.1 paper (NIME 2009) has END before and after."""
    framed = bytes.fromhex("c02f7800002c6600003fdbdc0000c0")
    assert encode("/x", 1.5) == ONE_AND_A_HALF
    assert slip(ONE_AND_A_HALF) == framed
    framer = Framer()
    assert framer.feed(framed) == [ONE_AND_A_HALF]
    assert framer.framing == "slip"
    assert framer.frame(ONE_AND_A_HALF) == framed


def test_the_four_escapes() -> None:
    """RFC 1055: END c0 becomes db dc and ESC db becomes db dd; dc and dd alone stay what they are."""
    assert slip(bytes.fromhex("c0dbdcdd")) == bytes.fromhex("c0dbdcdbdddcddc0")
    assert Framer().feed(bytes.fromhex("c0dbdcdbdddcddc0")) == [bytes.fromhex("c0dbdcdd")]


def test_size_count() -> None:
    """OSC 1.0: over a stream the packet's size comes before it, as an int32."""
    framed = bytes.fromhex("0000000c") + ONE_AND_A_HALF
    assert counted(ONE_AND_A_HALF) == framed
    framer = Framer()
    assert framer.feed(framed * 2) == [ONE_AND_A_HALF] * 2
    assert framer.framing == "count"
    assert framer.frame(ONE_AND_A_HALF) == framed


def test_one_end_between_packets_and_stray_ends_are_taken() -> None:
    framer = Framer()
    assert framer.feed(b"\xc0abcd\xc0efgh\xc0\xc0\xc0\xc0ijkl\xc0") == [b"abcd", b"efgh", b"ijkl"]
    assert framer.refused == 0


@pytest.mark.parametrize("bad", [b"ab\xdbxcd", b"abcd\xdb", b"\xdb\xdb\xdc", b"\xdb"])
def test_a_bad_escape_refuses_its_packet_and_no_other(bad: bytes) -> None:
    framer = Framer()
    assert framer.feed(slip(b"abcd") + bad + b"\xc0" + slip(b"efgh")) == [b"abcd", b"efgh"]
    assert framer.refused == 1


def test_a_size_split_over_reads() -> None:
    framer = Framer()
    assert [framer.feed(bytes([byte])) for byte in counted(b"abcd")] == [[]] * 7 + [[b"abcd"]]


@pytest.mark.parametrize("size", [0, -4, -1, 2, 7, -(2**31)])
def test_a_wrong_size_ends_the_connection_at_once(size: int) -> None:
    framer = Framer()
    with pytest.raises(FramingError, match="positive multiple of 4") as fault:
        framer.feed(counted(b"abcd") + struct.pack(">i", size))
    assert fault.value.before == (b"abcd",)
    assert framer.held_bytes == 0
    with pytest.raises(FramingError, match="positive multiple of 4"):
        framer.feed(counted(b"efgh"))


def test_a_size_over_the_limit_keeps_nothing() -> None:
    largest = words(MAX_STREAM_BYTES // 4)
    assert Framer().feed(counted(largest)) == [largest]
    framer = Framer()
    assert framer.feed(b"\0\x01\0") == []
    with pytest.raises(FramingError, match="larger than 65536 bytes"):
        framer.feed(b"\x04" + words(100))
    assert framer.held_bytes == 0
    with pytest.raises(FramingError, match="larger than 8 bytes"):
        Framer(8).feed(struct.pack(">i", 12))


def test_a_slip_packet_over_the_limit_is_thrown_away_while_it_comes() -> None:
    framer = Framer(8)
    assert framer.feed(b"\xc0") == []
    for _ in range(1000):
        assert framer.feed(words(1)) == []
        assert framer.held_bytes <= 16
    assert framer.feed(b"\xc0" + slip(words(2)) + slip(words(3))) == [words(2)]
    assert framer.refused == 2
    assert framer.feed(slip(b"\xc0" * 8)) == [b"\xc0" * 8]  # the limit is on the packet, not on its escapes


@pytest.mark.parametrize("first", [b"/x\0\0", b"GET / HTTP/1.1", b"\xdb", b"\x01"])
def test_a_stream_of_neither_framing_is_refused(first: bytes) -> None:
    framer = Framer()
    assert framer.feed(b"") == []
    with pytest.raises(FramingError, match="neither"):
        framer.feed(first)


packets = st.lists(st.binary(min_size=1, max_size=16).map(lambda b: b * 4), min_size=1, max_size=6)
cuts = st.lists(st.integers(0, 500), max_size=8)


@given(packets, cuts)
def test_slip_round_trip_does_not_depend_on_how_reads_are_cut(sent: list[bytes], cuts: list[int]) -> None:
    framer = Framer()
    assert fed(framer, b"".join(map(slip, sent)), cuts) == (sent, "")
    assert (framer.refused, framer.held_bytes) == (0, 0)


@given(packets, cuts)
def test_size_count_round_trip_does_not_depend_on_how_reads_are_cut(sent: list[bytes], cuts: list[int]) -> None:
    framer = Framer()
    assert fed(framer, b"".join(map(counted, sent)), cuts) == (sent, "")
    assert framer.held_bytes == 0


streams = st.one_of(
    st.binary(max_size=200),
    st.lists(st.sampled_from([b"\xc0", b"\xdb", b"\xdb\xdc", b"\xdb\xdd", b"abcd", b"\0"]), max_size=60).map(b"".join),
    st.lists(st.sampled_from([b"\0\0\0\x04", b"\0\0\0\x08", b"abcd", b"\0", b"\xff"]), max_size=60).map(b"".join),
)


@given(streams, cuts)
def test_decoded_bytes_do_not_depend_on_how_reads_are_cut(data: bytes, cuts: list[int]) -> None:
    whole, pieces = Framer(16), Framer(16)
    assert fed(whole, data, []) == fed(pieces, data, cuts)
    assert (whole.refused, whole.held_bytes, whole.framing) == (pieces.refused, pieces.held_bytes, pieces.framing)
    assert whole.held_bytes <= 32
