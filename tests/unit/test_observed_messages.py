"""Messages observed from a surface, and the bindings offered for them."""

from __future__ import annotations

import tomllib
from pathlib import Path

from oscservice.bindings.binding import Binding, Condition, When
from oscservice.bindings.observed_messages import (
    MOST_ADDRESSES,
    MOST_SENDERS,
    MOST_VALUES,
    ObservedMessages,
    offers,
    printable,
    quoted,
)
from oscservice.bindings.settings_file import SettingsFile, read_settings
from oscservice.osc.packet import Decoded, Message

ESCAPE = "\x1b[2J\x07"


def heard(*messages: tuple[str, str, tuple[Decoded, ...]], sender: str = "10.0.0.5 (udp)") -> ObservedMessages:
    overheard = ObservedMessages()
    for address, tags, args in messages:
        overheard.take(Message(address, args, tags), sender)
    return overheard


def loaded(overheard: ObservedMessages, root: str = "/bench") -> SettingsFile:
    return read_settings("\n\n".join(offers(overheard, root)), "offered", Path("/"), root)


def test_repeats_are_collected_and_reported_once() -> None:
    overheard = heard(("/f", "f", (0.5,)))
    assert overheard.take(Message("/f", (0.25,), "f"), "10.0.0.6 (tcp)") is None
    assert overheard.take(Message("/f", (1,), "i"), "10.0.0.6 (tcp)") is None, "clients send 1.0 as a whole number"
    assert overheard.take(Message("/f", ("a",), "s"), "10.0.0.6 (tcp)") is not None
    (line,) = map(str, overheard.news())
    assert line.split() == [
        *("/f", "f", "i", "0.25", "to", "1", "(3", "times)", "from", "10.0.0.5", "(udp),", "10.0.0.6", "(tcp)")
    ]
    assert overheard.news() == []


def test_ranges_and_values() -> None:
    overheard = heard(*[("/f", "f", (value / 10,)) for value in range(11)], ("/t", "s", ("stop",)), ("/go", "", ()))
    lines = [str(one) for one in overheard]
    assert "0 to 1  (11 times)" in lines[0]
    assert '"stop"' in lines[1]
    assert "no arguments" in lines[2]


def test_memory_is_bounded() -> None:
    overheard = heard(*[(f"/a/{number}", "i", (number,)) for number in range(MOST_ADDRESSES + 7)])
    assert len(list(overheard)) == MOST_ADDRESSES
    assert overheard.beyond == 7
    one = ObservedMessages()
    for number in range(100):
        one.take(Message("/t", (str(number) + "x" * 5000, b"y" * 5000), "sb"), f"host {number}")
    (only,) = one
    assert len(only.senders) == MOST_SENDERS
    assert [len(seen.values) for seen in only.arguments] == [MOST_VALUES, 1]
    assert max(len(str(value)) for seen in only.arguments for value in seen.values) < 300


def test_nothing_reaches_the_terminal_that_it_could_obey() -> None:
    overheard = heard((f"/x{ESCAPE}", "s", (f"a{ESCAPE}\u202eb",)), ("/y", "s[s]", ("\n", (ESCAPE,))))
    shown = [*map(str, overheard), *offers(overheard, "/bench")]
    assert all(one.isprintable() or one == "\n" for text in shown for one in text)
    assert printable("\x1b\u202e\n") == "\\x1b\\u202e\\n"
    assert len(printable("x" * 500)) == 80


def test_a_button() -> None:
    for values in ((1, 0), (1.0, 0.0), (127, 0, 127), (1,), (0,)):
        found = loaded(heard(*[("/b", "f", (value,)) for value in values]))
        assert found.bindings == (Binding("/b", "/bench/session/next", (), (Condition(1, When.RISING),)),)


def test_a_row_of_buttons_shares_one_binding() -> None:
    row = [(f"/grid/2/button{number}", "i", (value,)) for number in (1, 2, 3) for value in (1, 0)]
    found = loaded(heard(*row), "/shop")
    assert found.bindings == (Binding("/grid/2/button*", "/shop/string/{1}/focus", (), (Condition(1, When.RISING),)),)


def test_a_button_that_says_in_other_arguments_which_it_is() -> None:
    found = loaded(heard(("/key", "iis", (3, 1, "a")), ("/key", "iis", (3, 0, "a"))))
    conditions = (Condition(2, When.RISING), Condition(1, When.EQUALS, 3), Condition(3, When.EQUALS, "a"))
    assert found.bindings == (Binding("/key", "/bench/session/next", (), conditions),)


def test_a_fader_a_text_and_a_bare_message() -> None:
    fader = [("/f", "f", (value,)) for value in (0.0, 0.3, 0.8)]
    found = loaded(heard(*fader, ("/t", "s", ('say "stop"\\\n',)), ("/go", "", ()), ("/n", "N", (None,))))
    assert [(one.pattern, one.conditions) for one in found.bindings] == [
        ("/f", (Condition(1, When.ABOVE, 0.4, once=True),)),
        ("/t", (Condition(1, When.EQUALS, 'say "stop"\\\n'),)),
        ("/go", ()),
        ("/n", ()),
    ]


def test_an_impossible_binding_has_a_reason() -> None:
    found = offers(heard(("/bench/phase", "s", ("idle",)), ("/a/*", "i", (1,)), ("/a//b", "i", (1,))), "/bench")
    assert found == [
        "# /bench/phase: an address of the daemon's own, which needs no binding",
        "# /a/*: a pattern, which can't be bound",
        "# /a//b: a pattern, which can't be bound",
    ]


def test_texts_are_quoted_as_toml_reads_them() -> None:
    for text in ("plain", 'quo"te\\', "\x00\x1f\x7f\n\t", "é中\U0001f3b8\u202e\U000e0001"):
        assert tomllib.loads(f"a = {quoted(text)}")["a"] == text
