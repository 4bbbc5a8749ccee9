"""OSC packets: published bytes, python-osc as the oracle on good packets, and nothing but PacketError on bad ones."""

from __future__ import annotations

import math
import random
import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from packets import PUBLISHED, bundle, message, must_end, nested
from pythonosc.osc_bundle_builder import OscBundleBuilder
from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from oscservice.osc.packet import MAX_STREAM_BYTES, Message, PacketError, Timed, decode, encode, unix_time

NTP_2026_S = 3_976_214_400
"""NTP seconds of 2026-01-01 00:00 UTC: 2208988800 + Unix 1767225600."""


@pytest.mark.parametrize("packet", PUBLISHED)
def test_published_bytes_both_ways(packet: str) -> None:
    """OSC 1.0 examples page (Wright, 2002)."""
    address, tags, args = PUBLISHED[packet]
    assert encode(address, *args).hex() == packet
    (timed,) = decode(bytes.fromhex(packet))
    assert timed.due is None
    assert (timed.message.address, timed.message.tags) == (address, tags)
    for got, expected in zip(timed.message.args, args, strict=True):
        assert got == (pytest.approx(expected, rel=1e-7) if isinstance(expected, float) else expected)


@pytest.mark.parametrize(("text", "packed"), [("OSC", "4f534300"), ("data", "6461746100000000")])
def test_published_strings(text: str, packed: str) -> None:
    """OSC 1.0 specification (Wright, 2002), OSC-string examples."""
    assert encode("/s", text) == message(b"/s", b"s", bytes.fromhex(packed))
    assert decode(encode("/s", text))[0].message.args == (text,)


def test_published_blob_tags_and_immediate_time() -> None:
    """OSC 1.0: the tags of an int and two blobs are ``,ibb``; time tag 1 is immediately."""
    packet = message(b"/b", b"ibb", struct.pack(">ii5s3xi", 7, 5, b"abcde", 0))
    assert decode(packet) == [Timed(None, Message("/b", (7, b"abcde", b""), "ibb"))]
    assert unix_time(0x0000000000000001) is None


def test_time_tags() -> None:
    """RFC 5905: Unix time 0 is NTP second 2208988800; RFC 4330 section 3: seconds below 2**31 count from 2036."""
    assert unix_time(2_208_988_800 << 32) == 0.0
    assert unix_time((2_208_988_800 << 32) | 0x8000_0000) == 0.5
    assert unix_time(1 << 32) == 2**32 + 1 - 2_208_988_800
    assert unix_time(0) is None


def test_every_type_of_osc_1_0_is_decoded() -> None:
    data = struct.pack(">q", -5_000_000_000) + struct.pack(">Q", 1) + struct.pack(">d", 2.25) + b"sym\0"
    data += struct.pack(">I", ord("A")) + struct.pack(">I", 0x11223344) + bytes([0, 0x90, 0x3C, 0x64])
    data += struct.pack(">ii", 1, 2)
    (timed,) = decode(message(b"/all", b"htdScrmTFNI[i[i]]", data))
    colour, midi = 0x11223344, b"\x00\x90\x3c\x64"
    assert timed.message.args == (
        *(-5_000_000_000, 1, 2.25, "sym", "A", colour, midi),
        *(True, False, None, True, (1, (2,))),
    )


def test_a_message_without_type_tags_is_survived() -> None:
    assert decode(b"/old\0\0\0\0") == [Timed(None, Message("/old", (), ""))]


ONE = message(b"/a", b"i", struct.pack(">i", 1))


def test_bundles_keep_their_order_and_times() -> None:
    soon, later = NTP_2026_S << 32, (NTP_2026_S + 5) << 32
    inner_early = bundle(message(b"/c", b""), time_tag=soon)
    packet = bundle(ONE, bundle(message(b"/b", b""), inner_early, time_tag=later), message(b"/d", b""), time_tag=soon)
    assert [(t.message.address, t.due) for t in decode(packet)] == [
        ("/a", 1_767_225_600.0),
        ("/b", 1_767_225_605.0),
        ("/c", 1_767_225_605.0),  # not before the bundle around it
        ("/d", 1_767_225_600.0),
    ]
    assert decode(bundle()) == []


BAD = {
    "empty": b"",
    "size": b"/ab",
    "first byte": b"abcd",
    "too large": message(b"/a", b"s", b"x" * 8192 + b"\0\0\0\0"),
    "bundle cut": b"#bundle\0\0\0\0\0",
    "bundle name": b"#bundel\0" + bytes(8),
    "element size -4": b"#bundle\0" + bytes(7) + b"\x01" + b"\xff\xff\xff\xfc" + b"\0\0\0\0",
    "element size 0": b"#bundle\0" + bytes(7) + b"\x01" + bytes(4),
    "element size 6": b"#bundle\0" + bytes(7) + b"\x01" + struct.pack(">i", 6) + bytes(8),
    "element beyond": b"#bundle\0" + bytes(7) + b"\x01" + struct.pack(">i", 16) + bytes(8),
    "one bad element of two": bundle(ONE, message(b"/a", b"Q")),
    "129 elements": bundle(*[b"/a\0\0"] * 129),
    "129 elements in two": bundle(bundle(*[b"/a\0\0"] * 64), bundle(*[b"/a\0\0"] * 63)),
    "17 patterns": bundle(*[b"/a*\0"] * 16, b"//a\0"),
    "address without end": b"/abc",
    "address of 256": message(b"/" + b"a" * 255, b""),
    "address not ASCII": message("/é".encode(), b""),
    "address with control": message(b"/a\n", b""),
    "address padding": b"/a\0x" + b",\0\0\0",
    "no tags but data": b"/a\0\0" + bytes(4),
    "65 tags": message(b"/a", b"T" * 65),
    "unknown tag": message(b"/a", b"iQi", struct.pack(">iii", 1, 2, 3)),
    "tags without end": b"/a\0\0,iii",
    "tag padding": b"/a\0\0,i\0x" + bytes(4),
    "array open": message(b"/a", b"[i", bytes(4)),
    "array closed": message(b"/a", b"i]", bytes(4)),
    "cut int": message(b"/a", b"i"),
    "cut double": message(b"/a", b"d", bytes(4)),
    "string without end": message(b"/a", b"s", b"abcd"),
    "string padding": message(b"/a", b"s", b"ab\0c"),
    "string not UTF-8": message(b"/a", b"s", b"\xff\0\0\0"),
    "blob negative": message(b"/a", b"b", b"\xff\xff\xff\xff"),
    "blob beyond": message(b"/a", b"b", struct.pack(">i", 5) + bytes(4)),
    "blob padding": message(b"/a", b"b", struct.pack(">i", 1) + b"xy\0\0"),
    "character": message(b"/a", b"c", struct.pack(">I", 0x110000)),
    "trailing": message(b"/a", b"i", bytes(8)),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_packets_are_refused(name: str) -> None:
    with must_end(10), pytest.raises(PacketError):
        decode(BAD[name])


def test_limits_are_where_they_are_said_to_be() -> None:
    assert len(decode(bundle(*[b"/a*\0"] * 16, ONE))) == 17
    large = message(b"/a", b"b", struct.pack(">i", MAX_STREAM_BYTES - 12) + bytes(MAX_STREAM_BYTES - 12))
    assert len(decode(large, MAX_STREAM_BYTES)) == 1
    with pytest.raises(PacketError, match="larger than 65532 bytes"):
        decode(large, MAX_STREAM_BYTES - 4)
    assert len(decode(bundle(*[b"/a\0\0"] * 128))) == 128
    assert len(decode(message(b"/" + b"a" * 254, b""))) == 1
    assert len(decode(message(b"/a", b"T" * 64))[0].message.args) == 64
    assert len(decode(nested(ONE, 8))) == 1
    with pytest.raises(PacketError, match="deeper"):
        decode(nested(ONE, 9))


def test_four_hundred_nested_bundles_are_refused() -> None:
    deep = nested(ONE, 400)
    assert len(deep) < 8192
    with pytest.raises(PacketError, match="deeper"):
        decode(deep)


CORPUS = [
    *map(bytes.fromhex, PUBLISHED),
    bundle(ONE, bundle(message(b"/s", b"sb", b"hi\0\0" + struct.pack(">i", 2) + b"xy\0\0"))),
    message(b"/all/[1-3]", b"hdTFNIcrmt[i]", bytes(40)),
]


def outcome(packet: bytes) -> str:
    try:
        decode(packet)
    except PacketError:
        return "refused"
    return "decoded"


def test_every_truncation_is_refused_or_decoded() -> None:
    with must_end(60):
        for packet in CORPUS:
            assert outcome(packet) == "decoded"
            outcomes = [outcome(packet[:size]) for size in range(len(packet))]
            assert outcomes.count("refused") >= len(packet) * 3 // 4  # sizes that are no multiple of 4, at least


def test_every_single_byte_change_is_refused_or_decoded() -> None:
    with must_end(120):
        seen = {
            outcome(packet[:at] + bytes([value]) + packet[at + 1 :])
            for packet in CORPUS
            for at in range(len(packet))
            for value in range(256)
        }
    assert seen == {"refused", "decoded"}


@given(st.one_of(st.binary(max_size=200), st.binary(max_size=120).map(lambda b: b"#bundle\0" + b)))
def test_random_bytes_raise_nothing_else(packet: bytes) -> None:
    assert outcome(packet) in ("refused", "decoded")


def test_random_words_of_osc_raise_nothing_else() -> None:
    """Packets made of pieces of real ones get deeper into the decoder than random bytes do."""
    chance = random.Random(20260101)
    pieces = [
        b"#bundle\0",
        b"/a\0\0",
        b",i\0\0",
        b",[s]",
        b"\0\0\0\0",
        b"\0\0\0\x04",
        b"\0\0\0\x10",
        b"\xff\xff\xff\xfc",
    ]
    with must_end(60):
        seen = {outcome(b"".join(chance.choices(pieces, k=chance.randint(1, 12)))) for _ in range(20_000)}
    assert seen == {"refused", "decoded"}


texts = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=20)
arguments = st.one_of(
    st.tuples(st.just("i"), st.integers(-(2**31), 2**31 - 1)),
    st.tuples(st.just("h"), st.integers(-(2**63), 2**63 - 1)),
    st.tuples(st.just("f"), st.floats(width=32, allow_nan=False)),
    st.tuples(st.just("d"), st.floats(allow_nan=False)),
    st.tuples(st.just("s"), texts),
    st.tuples(st.just("b"), st.binary(min_size=1, max_size=20)),
    st.sampled_from([("T", True), ("F", False), ("N", None)]),
)


@given(st.lists(arguments, max_size=12))
def test_python_osc_decodes_its_own_messages_the_same(items: list[tuple[str, Any]]) -> None:
    builder = OscMessageBuilder("/string/3/moved")
    for tag, value in items:
        builder.add_arg(value, tag)
    packet = builder.build().dgram
    (timed,) = decode(packet)
    oracle = OscMessage(packet)
    assert (timed.message.address, list(timed.message.args)) == (oracle.address, oracle.params)
    assert timed.message.tags == "".join(tag for tag, _ in items)


def test_python_osc_bundles_decode_in_order() -> None:
    outer, inner = OscBundleBuilder(1_767_225_600.5), OscBundleBuilder(0)  # type: ignore[arg-type]
    for builder, address in ((inner, "/b"), (outer, "/a")):
        content = OscMessageBuilder(address)
        content.add_arg(1)
        builder.add_content(content.build())
    outer.add_content(inner.build())
    assert [(t.message.address, t.due) for t in decode(outer.build().dgram)] == [
        ("/a", 1_767_225_600.5),
        ("/b", 1_767_225_600.5),
    ]


@given(
    st.lists(
        st.one_of(st.integers(-(2**31), 2**31 - 1), st.floats(width=32, allow_nan=False, allow_infinity=False), texts),
        max_size=20,
    )
)
def test_encoded_packets_are_decoded_equal(values: list[int | float | str]) -> None:
    (timed,) = decode(encode("/x", *values))
    assert list(timed.message.args) == values
    assert timed.message.tags == "".join({int: "i", float: "f", str: "s"}[type(value)] for value in values)


def test_numpy_scalars_and_booleans_are_converted() -> None:
    packet = encode("/x", np.float32(1.5), np.float64(2.5), np.int64(3), np.bool_(True), np.str_("a"), False)
    assert decode(packet)[0].message == Message("/x", (1.5, 2.5, 3, 1, "a", 0), "ffiisi")


@pytest.mark.parametrize(
    "value",
    [
        *(math.nan, math.inf, -math.inf, 3.5e38, np.float32("nan"), np.float64("inf"), 2**31, -(2**31) - 1),
        *("a\0b", "\ud800", b"x", None, [1], 1j, "x" * 8200),
    ],
)
def test_types_that_clients_cannot_take_are_never_sent(value: Any) -> None:
    with pytest.raises(ValueError):
        encode("/x", value)


@pytest.mark.parametrize("address", ["x", "", "/a b", "/é", "/a*", "/a#", "/a\n"])
def test_only_plain_addresses_are_sent(address: str) -> None:
    with pytest.raises(ValueError, match="not an OSC address"):
        encode(address)
