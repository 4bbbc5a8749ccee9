"""No message can harm a binding: whatever comes is carried over or passed over, and what is offered can be read."""

from __future__ import annotations

import math
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from oscservice.api.address_table import address_space
from oscservice.bindings.binding import Binding, Bindings, Condition, Taken, When, fill, made
from oscservice.bindings.observed_messages import ObservedMessages, offers
from oscservice.bindings.settings_file import read_settings
from oscservice.osc.dispatch import resolve
from oscservice.osc.packet import MAX_ADDRESS_BYTES, Decoded, Message, PacketError, decode, encode
from oscservice.osc.pattern import CapturingPattern, matches

ARGUMENT = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.floats(),
    st.text(max_size=300),
    st.binary(max_size=20),
    st.booleans(),
    st.none(),
    st.tuples(st.integers(), st.text(max_size=5)),
)
ADDRESS = st.one_of(
    st.from_regex(r"/(a|b|grid|button)?(/[0-9a-c*?\[\]{},!-]{0,12}){0,4}", fullmatch=True),
    st.text(max_size=300).map("/".__add__),
)
PATTERN = st.from_regex(r"(/(a|b|\*|\?|[0-9]|\{a,b\}|\[1-5\]|[a-c]\*[a-c]?){1,3}){1,3}", fullmatch=True)


@st.composite
def messages(draw: st.DrawFn) -> Message:
    args: tuple[Decoded, ...] = tuple(draw(st.lists(ARGUMENT, max_size=5)))
    kinds = {bool: "T", int: "h", float: "d", str: "s", bytes: "b", type(None): "N", tuple: "["}
    return Message(draw(ADDRESS)[:MAX_ADDRESS_BYTES], args, "".join(kinds[type(one)] for one in args))


BOUND = [
    Binding("/*", "/bench/session/next"),
    Binding("//*", "/bench/string/{1}/focus", ("fret {1}",)),
    Binding("/grid/*/*", "/bench/string/{2}/moved", (Taken(argument=1, scale=1e9, step=1e-3),)),
    Binding("/a//b*", "/bench/listen", (Taken(argument=2, type="int"),), (Condition(1, When.RISING),)),
    Binding("//?", "/bench/string/{1}/set_aside", (Taken(argument=1, before="<", decimals=2),)),
    Binding("/{a,b}/[0-9]*", "/bench/listen", (Taken(wildcard=2, map={"1": 1}, otherwise=0),)),
    Binding("//*", "/bench/listen", (1,), (Condition(1, When.EQUALS, "x"), Condition(2, When.BELOW, 1.0, once=True))),
]


@given(st.lists(messages(), min_size=1, max_size=12), st.sampled_from(["", "idle", "moving"]))
def test_no_message_can_raise(heard: list[Message], phase: str) -> None:
    bindings = Bindings(BOUND)
    for message in heard:
        for own in bindings.commands(message, "10.0.0.5", phase) or []:
            calls = resolve(own, address_space("/bench", 6, phase=phase))
            assert len(calls) <= 1, "no message becomes a pattern of commands"


@given(PATTERN, st.data())
def test_an_address_is_rebuilt_from_the_parts_that_wildcards_matched(pattern: str, data: st.DataObject) -> None:
    """Each wildcard, replaced by what it is said to have matched, has to give the address again."""
    template, number = "", 0
    rest = pattern
    while rest:
        size = {"{": rest.find("}") + 1, "[": rest.find("]") + 1}.get(rest[0], 1)
        wild = rest[0] in "*?[{"
        number += wild
        template += f"{{{number}}}" if wild else rest[:size]
        rest = rest[size:]
    try:
        capturing = CapturingPattern(pattern)
    except ValueError:
        assert number > 9
        return
    words = {"*": st.text("abc019", max_size=4), "?": st.sampled_from("abc019"), "[": st.sampled_from("12345")}
    kinds = [one for one in pattern if one in "*?[{"]
    drawn = tuple(data.draw(words.get(kind, st.sampled_from(["a", "b"]))) for kind in kinds)
    address = fill(template, drawn)
    found = capturing.match(address)
    assert found is not None
    assert fill(template, found) == address
    other = data.draw(st.one_of(ADDRESS, st.from_regex(r"(/(a|b|grid|[0-9]|ab?c?)){1,5}", fullmatch=True)))
    again = capturing.match(other)
    assert again is None or fill(template, again) == other
    assert (again is not None) is matches(pattern, other)


@given(st.from_regex(r"(/{1,2}(a|b|\*|\?|\{a,bc,\}|a\*c?|\[a-c\]b?)){1,3}/{0,2}", fullmatch=True), st.data())
def test_a_pattern_captures_just_where_it_matches(pattern: str, data: st.DataObject) -> None:
    try:
        capturing = CapturingPattern(pattern)
    except ValueError:
        return
    for _ in range(5):
        address = data.draw(st.from_regex(r"(/(a|b|bc|abc?|))(/(a|b|c|ab|bc|abc|)){0,4}", fullmatch=True))
        assert (capturing.match(address) is not None) is matches(pattern, address), address


NUMBER = st.floats(-3.4e38, 3.4e38)
PIECE = st.builds(
    Taken,
    argument=st.integers(1, 3),
    scale=NUMBER,
    offset=NUMBER,
    low=st.one_of(st.just(-math.inf), NUMBER),
    high=st.one_of(st.just(math.inf), NUMBER),
    step=st.one_of(st.just(0.0), st.floats(0, 3.4e38, exclude_min=True)),
    map=st.one_of(st.just({}), st.dictionaries(st.text(max_size=3), st.integers(-9, 9), max_size=3)),
    otherwise=st.one_of(st.none(), st.integers(), st.text(max_size=3)),
    type=st.sampled_from(["", "int", "float", "text"]),
    decimals=st.one_of(st.none(), st.integers(0, 6)),
    sign=st.booleans(),
    before=st.text(max_size=3),
    after=st.text(max_size=3),
    longest=st.integers(1, 200),
)


@given(PIECE, st.lists(ARGUMENT, max_size=4))
def test_no_value_can_raise(piece: Taken, args: list[Decoded]) -> None:
    for value in made([piece], args, ()) or ():
        assert isinstance(value, int | float | str)
        assert not isinstance(value, bool)
        assert not isinstance(value, float) or math.isfinite(value)
        assert not isinstance(value, str) or len(value) <= piece.longest


@given(st.lists(messages(), max_size=20))
def test_offered_bindings_can_be_read(heard: list[Message]) -> None:
    overheard = ObservedMessages()
    for message in heard:
        overheard.take(message, "10.0.0.5 (udp)")
    lines = [*map(str, overheard), *map(str, overheard.news())]
    bindings = offers(overheard, "/bench")
    assert all(one.isprintable() for line in lines for one in line)
    assert all(one.isprintable() or one == "\n" for text in bindings for one in text)
    read_settings("\n\n".join(bindings), "offered", Path("/"))


@given(messages())
def test_every_bound_command_can_be_sent(message: Message) -> None:
    for own in Bindings(BOUND).commands(message, "a", "") or []:
        try:
            packet = encode(own.address, *own.args)  # type: ignore[arg-type]
            (timed,) = decode(packet)
        except (ValueError, PacketError):  # a number beyond 32 bits, which dispatch refuses by its range
            continue
        assert timed.message.address == own.address
