"""Own values as a surface with a fixed layout wants them."""

from __future__ import annotations

from oscservice.bindings.binding import Condition, Taken, When
from oscservice.bindings.value_mapping import Sending, ValueMapper
from oscservice.osc.packet import Message, decode


def messages(dresser: ValueMapper, relative: str, *values: int | float | str) -> list[tuple[str, Message]]:
    found = []
    for key, packet in dresser(relative, values):
        (timed,) = decode(packet)
        found.append((key, timed.message))
    return found


def test_a_topic_goes_out_as_it_is_and_all_else_not_at_all() -> None:
    dresser = ValueMapper("/bench", ["/bench/prompt/text", "//cents"], [])
    assert messages(dresser, "/prompt/text", "Pluck.") == [
        ("/bench/prompt/text", Message("/bench/prompt/text", ("Pluck.",), "s"))
    ]
    assert messages(dresser, "/string/3/cents", -2.5) == [
        ("/bench/string/3/cents", Message("/bench/string/3/cents", (-2.5,), "f"))
    ]
    assert dresser("/phase", ("tuning",)) == []


def test_a_meter_a_label_and_a_colour() -> None:
    meter = Sending("/bench/string/*/cents", "/m/{1}", (Taken(argument=1, scale=0.01, offset=0.5, low=0.0, high=1.0),))
    label = Sending("/bench/string/*/saddle/move", "/l/{1}", (Taken(argument=1, decimals=1, sign=True, after=" mm"),))
    colour = Sending("/bench/string/*/status", "/c/{1}", (1, Taken(argument=1, map={"to move": 255}, otherwise=8)))
    dresser = ValueMapper("/bench", [], [meter, label, colour])
    assert messages(dresser, "/string/2/cents", 25.0)[0][1] == Message("/m/2", (0.75,), "f")
    assert messages(dresser, "/string/2/cents", 900.0)[0][1] == Message("/m/2", (1.0,), "f")
    assert messages(dresser, "/string/6/saddle/move", -0.36)[0][1] == Message("/l/6", ("-0.4 mm",), "s")
    assert messages(dresser, "/string/1/status", "to move")[0][1] == Message("/c/1", (1, 255), "ii")
    assert messages(dresser, "/string/1/status", "slack")[0][1] == Message("/c/1", (1, 8), "ii")


def test_a_colour_of_oscs_own_type() -> None:
    """OSC 1.0: tag ``r``, four bytes, red first."""
    colours = Taken(argument=1, type="rgba", map={"to move": "#FF8000"}, otherwise="#00000080")
    dresser = ValueMapper("/bench", [], [Sending("/bench/string/*/status", "/lamp/{1}", (colours,))])
    assert dresser("/string/1/status", ["to move"])[0][1] == b"/lamp/1\0,r\0\0\xff\x80\x00\xff"
    assert messages(dresser, "/string/1/status", "slack")[0][1] == Message("/lamp/1", (0x80,), "r")


def test_of_two_that_go_to_one_address_the_later_counts() -> None:
    first = Sending("/bench/string/1/status", "/led", (0,))
    second = Sending("/bench/string/*/status", "/led", (5,), (Condition(1, When.EQUALS, "to move"),))
    dresser = ValueMapper("/bench", [], [first, second])
    assert messages(dresser, "/string/1/status", "to move") == [("/led", Message("/led", (5,), "i"))]
    assert messages(dresser, "/string/1/status", "settled") == [("/led", Message("/led", (0,), "i"))]
    assert messages(dresser, "/string/2/status", "settled") == []


def test_the_root_is_part_of_a_requested_address() -> None:
    dresser = ValueMapper("/shop/two", ["/shop/two/phase"], [Sending("/shop/two/*", "/all/{1}", (Taken(argument=1),))])
    assert [key for key, _ in dresser("/phase", ("idle",))] == ["/shop/two/phase", "/all/phase"]


def test_values_that_cannot_be_sent_are_left_out() -> None:
    text = Sending("/bench/phase", "/n", (Taken(argument=1, scale=2.0),))
    large = Sending("/bench/revision", "/n", (Taken(argument=1, scale=1e30, type="int"),))
    dresser = ValueMapper("/bench", [], [text, large])
    assert dresser("/phase", ("idle",)) == []
    assert dresser("/revision", (7,)) == []
