"""Rules of the OSC 1.1 paper beyond OSC 1.0, N1 to N4: one test a rule, named after its number.

Source: A. Freed and A. Schmeder, Features and Future of Open Sound Control version 1.1 for NIME, Proceedings of NIME
2009. Bytes of the framing: RFC 1055 (J. Romkey, 1988). The numbers are this project's own.
"""

from __future__ import annotations

import pytest
from packets import AT_ONCE, blob, bundle, message, padded, time_tag

from oscservice.osc.framing import Framer, slip
from oscservice.osc.packet import decode, encode
from oscservice.osc.pattern import is_pattern, matches


def test_n1_every_required_type_is_taken() -> None:
    data = (
        b"\0\0\0\x07" + bytes.fromhex("43dc0000") + padded(b"text") + blob(b"abcde") + bytes.fromhex("8000000000000000")
    )
    (timed,) = decode(message(b"/x", b"ifsbTFNIt", data))
    assert timed.message.args == (7, 440.0, "text", b"abcde", True, False, None, True, 2**63)
    assert timed.message.tags == "ifsbTFNIt"


def test_n2_slip_has_an_end_before_and_after_each_packet() -> None:
    """RFC 1055: END is c0, in a packet db dc; ESC is db, in a packet db dd. 1.5 is 3fc00000, and so holds an END."""
    framed = bytes.fromhex("c02f7800002c6600003fdbdc0000c0")
    assert slip(encode("/x", 1.5)) == framed
    assert slip(b"\xdb\xc0") == bytes.fromhex("c0dbdddbdcc0")
    assert Framer().feed(framed + framed) == [encode("/x", 1.5)] * 2
    assert Framer().feed(framed + framed[1:] + b"\xc0\xc0" + framed) == [encode("/x", 1.5)] * 3  # shared and stray ENDs


@pytest.mark.parametrize(
    ("pattern", "address", "expected"),
    [
        ("//spherical", "/position/spherical", True),  # the paper's own
        ("//spherical", "/a/b/spherical", True),
        ("//spherical", "/spherical", True),
        ("//spherical", "/position/cartesian", False),
        ("/position//x", "/position/cartesian/x", True),
        ("/position//x", "/velocity/cartesian/x", False),
        ("//string/[1-3]//", "/bench/string/2/fret/12/error", True),
    ],
)
def test_n3_two_slashes_match_any_number_of_levels(pattern: str, address: str, expected: bool) -> None:
    assert is_pattern(pattern)
    assert matches(pattern, address) is expected


def test_n4_only_immediately_has_a_fixed_meaning() -> None:
    """The paper leaves time tags to the application; ours keeps OSC 1.0's: when to carry the bundle out."""
    ping = message(b"/bench/ping", b"")
    assert decode(bundle(ping, time_tag=AT_ONCE))[0].due is None
    assert decode(bundle(ping, time_tag=time_tag(1_800_000_000.25)))[0].due == 1_800_000_000.25
