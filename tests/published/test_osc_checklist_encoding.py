"""Rules of OSC 1.0 for packets, E1 to E10: one test a rule, named after its number.

Source, where none is named: M. Wright, The Open Sound Control 1.0 Specification, version 1.0, 26 March 2002, and its
page of examples. The numbers are this project's own.
"""

from __future__ import annotations

import struct

import pytest
from packets import PUBLISHED, blob, bundle, message, padded, time_tag
from pythonosc.osc_message import OscMessage

from oscservice.api.address_table import TABLE
from oscservice.osc.framing import Framer, counted
from oscservice.osc.packet import Message, PacketError, decode, encode

ONE = message(b"/a", b"i", struct.pack(">i", 1))


def only(packet: bytes) -> Message:
    """The one message of a packet."""
    (timed,) = decode(packet)
    return timed.message


def refuses(packet: bytes) -> bool:
    try:
        decode(packet)
    except PacketError:
        return True
    return False


def test_e1_numbers_are_big_endian_and_every_size_is_a_multiple_of_4() -> None:
    assert encode("/n", 1000, -1, 440.0)[-12:].hex() == "000003e8ffffffff43dc0000"  # examples page
    assert only(message(b"/n", b"ihf", bytes.fromhex("000003e800000000000003e843dc0000"))).args == (
        *(1000, 1000),
        440.0,
    )
    for length in range(9):
        assert len(encode("/" + "a" * length, "s" * length)) % 4 == 0
    for size in range(1, 32):
        assert refuses(message(b"/oscillator/4/frequency", b"f", bytes(4))[:size]) or size % 4 == 0
    assert all(refuses(ONE + b"\0" * extra) for extra in (1, 2, 3))


@pytest.mark.parametrize(("text", "packed"), [("OSC", "4f534300"), ("data", "6461746100000000")])
def test_e2_the_specifications_two_strings(text: str, packed: str) -> None:
    """The specification's examples of an OSC-string."""
    assert padded(text.encode()).hex() == packed
    assert encode("/s", text) == message(b"/s", b"s", bytes.fromhex(packed))
    assert only(message(b"/s", b"s", bytes.fromhex(packed))).args == (text,)


def test_e2_int_float_string_and_blob() -> None:
    assert encode("/x", 1) == message(b"/x", b"i", b"\0\0\0\x01")
    assert encode("/x", 1.5) == message(b"/x", b"f", bytes.fromhex("3fc00000"))
    for size in range(6):  # the count of a blob leaves its padding out
        data = struct.pack(">i", size) + b"abcdef"[:size] + b"\0" * (-size % 4)
        assert only(message(b"/x", b"b", data)).args == (b"abcdef"[:size],)
        assert OscMessage(message(b"/x", b"b", data)).params == [b"abcdef"[:size]]
        assert refuses(message(b"/x", b"b", data + bytes(4)))
    assert refuses(message(b"/x", b"s", b"abcd"))  # without its NUL
    assert refuses(message(b"/x", b"s", b"abc\0" + bytes(4)))  # one word of padding too much


def test_e3_the_first_byte_decides() -> None:
    assert only(ONE).address == "/a"
    assert [timed.message.address for timed in decode(bundle(ONE, ONE))] == ["/a", "/a"]
    assert all(refuses(bytes([first]) + ONE[1:]) for first in range(256) if first != ord("/"))
    assert refuses(b"#bundlf\0" + bytes(8))


@pytest.mark.parametrize("packet", PUBLISHED)
def test_e4_the_two_published_messages(packet: str) -> None:
    """The examples page gives every byte of these two; python-osc agrees."""
    address, tags, args = PUBLISHED[packet]
    assert encode(address, *args).hex() == packet
    got = only(bytes.fromhex(packet))
    assert (got.address, got.tags) == (address, tags)
    assert got.args == tuple(struct.unpack(">f", struct.pack(">f", a))[0] if isinstance(a, float) else a for a in args)
    assert list(got.args) == OscMessage(bytes.fromhex(packet)).params


@pytest.mark.parametrize(
    ("tags", "args"),
    [
        ("f", (0.5,)),
        ("iisfff", (1, 2, "three", 4.0, 5.0, 6.0)),
        ("", ()),
        ("ibb", (7, b"abcde", b"")),
    ],
)
def test_e4_the_specifications_type_tag_strings(tags: str, args: tuple[int | float | str | bytes, ...]) -> None:
    """The specification's table of type tag strings: ``,f``, ``,iisfff``, ``,`` and ``,ibb``."""
    pack = {int: ">i", float: ">f"}
    data = b"".join(
        padded(a.encode()) if isinstance(a, str) else blob(a) if isinstance(a, bytes) else struct.pack(pack[type(a)], a)
        for a in args
    )
    assert only(message(b"/x", tags.encode(), data)) == Message("/x", args, tags)
    if "b" not in tags:  # nothing here sends a blob
        assert encode("/x", *(a for a in args if not isinstance(a, bytes))) == message(b"/x", tags.encode(), data)


def test_e5_a_message_without_type_tags_is_survived() -> None:
    assert only(b"/old\0\0\0\0") == Message("/old", (), "")
    assert refuses(b"/old\0\0\0\0" + struct.pack(">f", 1.0))  # ambiguous arguments
    assert refuses(bundle(ONE, b"/old\0\0\0\0" + struct.pack(">i", 1)))


def test_e6_an_unknown_type_tag_discards_the_whole_message() -> None:
    known = b"ifsbhtdScrmTFNI[]"
    for tag in set(range(0x21, 0x7F)) - set(known):
        assert refuses(message(b"/x", bytes([tag]), bytes(16)))
        assert refuses(message(b"/x", b"i" + bytes([tag]) + b"i", bytes(24)))
        assert refuses(message(b"/x", b"T" + bytes([tag])))


@pytest.mark.parametrize(
    ("tag", "data", "value"),
    [
        ("h", "fffffffed5fa0e00", -5_000_000_000),
        ("t", "0000000000000001", 1),
        ("d", "4002000000000000", 2.25),
        ("S", "73796d00", "sym"),
        ("c", "00000041", "A"),
        ("r", "11223344", 0x11223344),
        ("m", "00903c64", b"\x00\x90\x3c\x64"),
        *(("T", "", True), ("F", "", False), ("N", "", None), ("I", "", True)),
    ],
)
def test_e7_the_types_beyond_the_required_four(tag: str, data: str, value: object) -> None:
    """The specification's table of tags that "should be used" if at all, each between two ints that must not shift."""
    framed = message(b"/x", b"i" + tag.encode() + b"i", b"\0\0\0\x07" + bytes.fromhex(data) + b"\0\0\0\x08")
    assert only(framed) == Message("/x", (7, value, 8), f"i{tag}i")


def test_e7_arrays() -> None:
    data = struct.pack(">iii", 1, 2, 3)
    assert only(message(b"/x", b"i[ii]", data)).args == (1, (2, 3))
    assert only(message(b"/x", b"[i[i]]i", data)).args == ((1, (2,)), 3)
    assert only(message(b"/x", b"[]", b"")).args == ((),)
    assert all(refuses(message(b"/x", tags, data)) for tags in (b"ii[i", b"iii]", b"]iii["))


def test_e8_bundles_hold_messages_and_bundles() -> None:
    inner = bundle(message(b"/c", b""), time_tag=time_tag(1_800_000_001.0))
    packet = bundle(ONE, inner, message(b"/d", b""), time_tag=time_tag(1_800_000_000.5))
    assert [(timed.message.address, timed.due) for timed in decode(packet)] == [
        *(("/a", 1_800_000_000.5), ("/c", 1_800_000_001.0)),
        ("/d", 1_800_000_000.5),
    ]
    assert decode(bundle()) == []
    head = b"#bundle\0" + struct.pack(">Q", 1)
    for size in (-4, -1, 0, 1, 2, 3, 5, len(ONE) - 1, len(ONE) + 4, 2**31 - 4, -(2**31)):
        assert refuses(head + struct.pack(">i", size) + ONE)
    assert refuses(head[:12])
    assert refuses(head + b"\0\0\0")


def test_e9_over_a_stream_the_size_comes_first() -> None:
    stream = bytes.fromhex("00000020") + bytes.fromhex(next(iter(PUBLISHED)))
    assert counted(bytes.fromhex(next(iter(PUBLISHED)))) == stream
    framer = Framer()
    assert framer.feed(stream[:3]) == []
    assert framer.feed(stream[3:] + counted(ONE)) == [bytes.fromhex(next(iter(PUBLISHED))), ONE]


def test_e10_utf_8_is_taken_and_addresses_are_ascii() -> None:
    """Beyond the specification, which knows ASCII only."""
    assert only(message(b"/s", b"sS", padded("5 ½ ♯".encode()) + padded("é".encode()))).args == ("5 ½ ♯", "é")
    assert refuses(message(b"/s", b"s", padded(b"\xff")))
    assert refuses(message("/é".encode(), b""))
    assert all(address.path.isascii() for address in TABLE)
    with pytest.raises(ValueError, match="not an OSC address"):
        encode("/é")
