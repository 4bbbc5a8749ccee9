"""Settings files: their meaning, and mistakes reported with line and key."""

from __future__ import annotations

import inspect
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oscservice.bindings.binding import (
    MOST_CHARACTERS,
    MOST_REMEMBERED,
    Binding,
    Condition,
    Taken,
    When,
)
from oscservice.bindings.settings_file import SettingsFile, load_settings, read_settings
from oscservice.bindings.settings_form import (
    MOST_BINDINGS,
    MOST_CHECKS,
    MOST_LISTENERS,
    MOST_TOPICS,
    ArgumentForm,
    BindingForm,
    CheckForm,
    ConditionForm,
    ListenerForm,
    SettingsForm,
)
from oscservice.bindings.value_mapping import FixedListener, Sending
from oscservice.cli.serve_command import serve
from oscservice.daemon.applied_bindings import unreachable
from oscservice.errors import InputError
from oscservice.osc.pattern import MAX_WILDCARDS

FOLDER = Path("/invented/folder")
TEXT = """\
source = "simulated"
port = 9790
tolerance = 1.5
by_hand = true
allow = ["192.168.7.0/24"]
journal = "bench.sqlite3"

[[listener]]
name = "grid"
host = "192.168.7.20"
port = 9000
topics = ["/bench/prompt/text"]
rate_hz = 10

[[binding]]
from = "/grid/button/*"
when = "rising"
command = "/bench/string/{1}/focus"

[[binding]]
from = "/grid/fader"
when = "above"
value = 0.5
once = true
also = [
    { argument = 2, when = "equals", value = "left" },
]
phases = ["moving", "retuning"]
command = "/bench/string/3/moved"
arguments = [
    { argument = 1, scale = 6, offset = -3, step = 0.1 },
]

[[binding]]
send = "/bench/string/*/status"
to = "grid"
as = "/grid/led/{1}"
arguments = [1, { argument = 1, map = { "to move" = 2, settled = 1 }, otherwise = 0 }]
"""
LINES = TEXT.splitlines()


def read(text: str, root: str | None = None) -> SettingsFile:
    return read_settings(text, "my.toml", FOLDER, root)


def test_a_settings_file_gives_options_bindings_and_listeners() -> None:
    found = read(TEXT)
    assert found.options == {
        "source": "simulated",
        "port": 9790,
        "tolerance": 1.5,
        "by_hand": True,
        "allow": ("192.168.7.0/24",),
        "journal": FOLDER / "bench.sqlite3",
    }
    assert found.bindings == (
        Binding("/grid/button/*", "/bench/string/{1}/focus", (), (Condition(1, When.RISING),)),
        Binding(
            "/grid/fader",
            "/bench/string/3/moved",
            (Taken(argument=1, scale=6.0, offset=-3.0, step=0.1),),
            (Condition(1, When.ABOVE, 0.5, once=True), Condition(2, When.EQUALS, "left")),
            frozenset({"moving", "retuning"}),
        ),
    )
    status = Taken(argument=1, map={"to move": 2, "settled": 1}, otherwise=0)
    led = Sending("/bench/string/*/status", "/grid/led/{1}", (1, status))
    assert found.listeners == (
        FixedListener("grid", "192.168.7.20", 9000, 10.0, 10.0, ("/bench/prompt/text",), (led,)),
    )


def test_an_empty_file_changes_nothing() -> None:
    assert read("") == SettingsFile()


def test_a_settings_file_can_set_every_option_of_serve() -> None:
    options = set(inspect.signature(serve).parameters) - {"context", "settings"}
    assert set(SettingsForm.model_fields) - {"pass_over", "listener", "binding", "check"} == options


def test_paths_begin_at_its_own_folder() -> None:
    found = read('journal = "/elsewhere/j"\nsentences = "de.toml"\ninstrument = "red.toml"\nsource = "file:take.wav"\n')
    assert found.options == {
        "journal": Path("/elsewhere/j"),
        "sentences": FOLDER / "de.toml",
        "instrument": str(FOLDER / "red.toml"),
        "source": f"file:{FOLDER / 'take.wav'}",
    }
    assert read('instrument = "six-string-648"').options == {"instrument": "six-string-648"}
    assert read('source = "device:usb"').options == {"source": "device:usb"}


def test_sets_of_recordings_have_names_and_manifests() -> None:
    text = (
        '[[check]]\nname = "between takes"\nmanifest = "sets/red.toml"\n[[check]]\nname = "all"\nmanifest = "/a.toml"\n'
    )
    assert read(text).checks == {"between takes": FOLDER / "sets" / "red.toml", "all": Path("/a.toml")}
    assert read(text).options == {}


def test_addresses_go_by_the_root() -> None:
    text = 'root = "/shop/two"\n[[binding]]\nfrom = "/x"\ncommand = "/shop/two/session/next"\n'
    assert read(text).bindings == (Binding("/x", "/shop/two/session/next"),)
    assert "expected one under /bench" in refusal(text, "/bench")
    assert "expected one under /shop/two" in refusal(text.replace('"/shop/two/session', '"/bench/session'))


def refusal(text: str, root: str | None = None) -> str:
    with pytest.raises(InputError) as caught:
        read(text, root)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith("my.toml: line ")
    return message


# Replaced text, replacement, and words that the message must have. The line is that of the first new one.
MISTAKES = [
    ("port = 9790", 'port = "9790"', "port: found '9790', expected a port from 0 to 65535"),
    ("port = 9790", "port = 70000", "port: found 70000"),
    ("port = 9790", "portt = 9790", "portt: unknown key; did you mean port?"),
    ("tolerance = 1.5", "tolerance = 50", "tolerance: found 50, expected a number from 0.2 to 20 (cents)"),
    ("by_hand = true", "by_hand = 1", "by_hand: found 1, expected true or false"),
    ("allow = ", 'allow = ["192.168.7.9/24"] #', "found '192.168.7.9/24', expected a list of networks"),
    ("rate_hz = 10", "rate_hz = 0", "listener 1, rate_hz: found 0, expected how often"),
    ("rate_hz = 10", 'transport = "tcp"', "listener 1, transport: found 'tcp', expected \"udp\""),
    ('host = "192.168.7.20"', 'host = "grid.local"', "listener 1, host: found 'grid.local', expected an IP address"),
    ("topics = ", 'topics = ["/bench/prom"] #', "listener 1, topics: found '/bench/prom', which matches nothing"),
    ("topics = ", 'topics = ["/bench/["] #', "listener 1, topics: found '/bench/[', a malformed pattern"),
    ('host = "192.168.7.20"', 'host = "239.0.0.1"', "found '239.0.0.1', expected the address of one machine"),
    ("port = 9790", 'root = "bench"', "root: found 'bench', expected the root of all addresses in quotes"),
    ("port = 9790", 'root = "/be*ch"', "root: found '/be*ch'"),
    ('from = "/grid/button/*"', 'from = "grid"', "binding 1, from: found 'grid', expected an address"),
    ('from = "/grid/button/*"', 'from = "/a[b"', "binding 1, from: found '/a[b', a malformed pattern: no ] closes ["),
    ('from = "/grid/button/*"', 'from = "/bench/x/*"', "binding 1, from: found '/bench/x/*', expected a foreign"),
    ('from = "/grid/button/*"', 'from = "/grid"', "binding 1, command: found wildcard 1, but its pattern has no"),
    ('when = "rising"', 'when = "pressed"', "binding 1, when: found 'pressed', expected one of any, rising"),
    ('when = "rising"', 'when = "equals"', "binding 1, value: missing; expected the value that equals compares"),
    ('when = "rising"', "value = 3", "binding 1, value: not used with any"),
    ('command = "/bench/string/{1}/focus"', "", "binding 1, command: missing; expected from and command together"),
    ('command = "/bench/string/{1}/focus"', 'command = "/bench/sesion/next"', "did you mean /bench/session/next?"),
    ('command = "/bench/string/{1}/focus"', 'command = "/bench/string/{2}/focus"', "only 1 wildcard"),
    ('command = "/bench/string/{1}/focus"', 'command = "/bench/string/{1}/moved"', "found 0, expected move (/bench"),
    ('command = "/bench/string/{1}/focus"', 'command = "/bench/string/13/overrule"', "no command that the daemon"),
    ('command = "/bench/string/{1}/focus"', 'command = "/bench/subscribe"', "no command that the daemon takes"),
    ('command = "/bench/string/{1}/focus"', 'command = "/bench/phase"', "no command that the daemon takes"),
    ("value = 0.5", 'value = "half"', "binding 2, value: found a text, expected a number for above"),
    ("value = 0.5", "value = [1]", "binding 2, value: found [1], expected a number, or a text"),
    ("also = [", 'also = [{ when = "equals" },', "binding 2, condition 1, value: missing"),
    ("phases = ", 'phases = ["tuned"] #', "binding 2, phases: found 'tuned', expected a list of phases out of idle"),
    ("arguments = [\n", 'arguments = ["far"] #', "argument 1: found 'far': takes f or s (move, mm)"),
    ("arguments = [\n", "arguments = [99.0] #", "argument 1: found 99.0: move (mm) must be -25 to 25"),
    ("arguments = [\n", "arguments = [1.0, 2.0] #", "arguments: found 2, expected move"),
    ("arguments = [\n", "arguments = [{ argument = 0 }] #", "argument 1, argument: found 0, expected which argument"),
    ("arguments = [\n", "arguments = [{ scale = 2 }] #", "argument 1, argument: expected either argument or wildcard"),
    ("arguments = [\n", "arguments = [{ wildcard = 1 }] #", "wildcard: found wildcard 1, but its pattern has no"),
    ("arguments = [\n", "arguments = [{ argument = 1, sclae = 2 }] #", "sclae: unknown key; did you mean scale?"),
    ("arguments = [\n", "arguments = [{ argument = 1, low = 2, high = 1 }] #", "low: found 2, expected no more than"),
    ("arguments = [\n", "arguments = [{ argument = 1, step = 0 }] #", "step: found 0, expected a number above 0"),
    ("arguments = [\n", "arguments = [[1]] #", "argument 1: found [1], expected"),
    ("arguments = [\n", "arguments = [nan] #", "argument 1: found nan, expected"),
    ('send = "/bench/string/*/status"', 'send = "/bench/sring/*/status"', "binding 3, send: found '/bench/sring/*"),
    ('to = "grid"', 'to = "gird"', "binding 3, to: found 'gird', expected one of grid"),
    ('to = "grid"', "", "binding 3, to: missing; expected send and to and as together"),
    ('to = "grid"', 'from = "/x"\nto = "grid"', "expected either from and command, or send, to and as; found both"),
    ('as = "/grid/led/{1}"', 'as = "/grid/*"', "binding 3, as: found '/grid/*', expected an address"),
    ('as = "/grid/led/{1}"', 'as = "/grid/led/{2}"', "binding 3, as: found wildcard 2, but its pattern has only 1"),
    ('as = "/grid/led/{1}"', 'as = "/g"\nphases = ["idle"]', "binding 3, phases: expected them with from and command"),
    ("arguments = [1, {", "arguments = [{ argument = 2 }, {", "argument 1, argument: found 2, expected at most 1"),
    ("arguments = [1, {", "arguments = [{ argument = 1, otherwise = 1 }, {", "otherwise: expected a map beside it"),
    ("arguments = [1, {", 'arguments = [{ argument = 1, type = "int", sign = true }, {', "type: found int, but"),
    ("arguments = [1, {", 'arguments = [{ argument = 1, type = "rgba", map = { x = "red" } }, {', "'red' is no colour"),
    ("arguments = [1, {", 'arguments = [{ argument = 1, type = "rgba", sign = true }, {', "type: found rgba, but"),
    ("arguments = [\n", 'arguments = [{ argument = 1, type = "rgba" }] #', "rgba, but no command takes a colour"),
    ("[[listener]]", "[[listeners]]", "listeners: unknown key; did you mean listener?"),
    ("[[listener]]", '[[listener]]\nname = "grid"\nport = 1\ntopics = ["//"]\n[[listener]]', "found 'grid' again"),
    ("[[binding]]", "[[binding]", "not valid TOML"),
    ("[[listener]]", '[[check]]\nname = "a/b"\nmanifest = "x"\n[[listener]]', "check 1, name: found 'a/b', expected a"),
    ("[[listener]]", '[[check]]\nname = "a"\n[[listener]]', "check 1, manifest: missing; expected a manifest's path"),
    ("[[listener]]", '[[check]]\nname = "a"\nmanifest = 3\n[[listener]]', "check 1, manifest: found 3, expected a"),
    ("[[listener]]", '[[check]]\nnmae = "a"\n[[listener]]', "check 1, nmae: unknown key; did you mean name?"),
    (
        "[[listener]]",
        '[[check]]\nname = "a"\nmanifest = "x"\n[[check]]\nname = "a"\nmanifest = "y"\n[[listener]]',
        "check 2, name: found 'a' again, expected a name of its own",
    ),
    ("port = 9790", 'pass_over = ["/a["]', "pass_over: found '/a[', a malformed pattern: no ] closes ["),
]  # fmt: skip


@pytest.mark.parametrize(("stood", "instead", "words"), MISTAKES)
def test_a_mistake_is_reported_with_its_line_and_key(stood: str, instead: str, words: str) -> None:
    assert stood in TEXT
    edited = TEXT.replace(stood, instead, 1)
    if stood == "arguments = [\n":
        edited = edited.replace("    { argument = 1, scale = 6, offset = -3, step = 0.1 },\n]\n", "", 1)
        edited = edited.replace(" #", "\n", 1)
    message = refusal(edited)
    assert words in message, message
    line = int(re.match(r"my\.toml: line (\d+)", message).group(1))  # type: ignore[union-attr]
    first = TEXT[: TEXT.index(stood)].count("\n") + 1
    opened = [n for n, text in enumerate(edited.splitlines(), 1) if text.startswith("[[") and n <= first]
    assert max(opened, default=1) <= line <= first + instead.count("\n") + 2


def test_the_line_is_that_of_the_key() -> None:
    for stood, instead in (
        ("rate_hz = 10", "rate_hz = 0"),
        ("value = 0.5", "value = []"),
        ("port = 9790", "port = -1"),
    ):
        assert f"line {LINES.index(stood) + 1}:" in refusal(TEXT.replace(stood, instead))
    many = TEXT.replace("port = 9790", "port = -1").replace("rate_hz = 10", "rate_hz = 0")
    assert "(and 1 more)" in refusal(many)
    assert f"line {LINES.index('port = 9790') + 1}:" in refusal(many)


def test_a_listener_that_is_sent_nothing() -> None:
    alone = '[[listener]]\nname = "a"\nport = 9000\n'
    assert 'expected some, ["//"] for everything, or a binding' in refusal(alone)
    everything = read(alone + 'topics = ["//"]\n').listeners
    assert everything[0].host == "127.0.0.1"
    assert unreachable(everything, "127.0.0.1") is None


def test_a_listener_on_another_machine_needs_a_host_that_reaches_it() -> None:
    listeners = read(TEXT).listeners
    assert unreachable(listeners, "127.0.0.1") is listeners[0]
    assert unreachable(listeners, "192.168.7.5") is None
    assert unreachable(listeners, "0.0.0.0") is None
    assert unreachable(listeners, "::") is listeners[0]
    six = [replace(listeners[0], host="fe80::5")]
    assert unreachable(six, "fe80::1%eth0") is None
    assert unreachable(six, "0.0.0.0") is six[0]


def test_words_in_commands_may_come_from_wildcards() -> None:
    text = '[[binding]]\nfrom = "/step/{next,undo}"\ncommand = "/bench/session/{1}"\n'
    assert read(text).bindings == (Binding("/step/{next,undo}", "/bench/session/{1}"),)
    place = '[[binding]]\nfrom = "/place/*"\ncommand = "/bench/string/1/focus"\narguments = ["fret {1}"]\n'
    assert read(place).bindings[0].arguments == ("fret {1}",)


def test_files_that_cant_be_read(tmp_path: Path) -> None:
    for path, words in ((tmp_path / "none.toml", "is no file"), (tmp_path, "is no file")):
        with pytest.raises(InputError, match=words):
            load_settings(path)
    binary, large = tmp_path / "binary.toml", tmp_path / "large.toml"
    binary.write_bytes(b"a = \xff")
    large.write_bytes(b"#" * 1_000_001)
    for path, words in ((binary, "is not UTF-8 text"), (large, "too large for a settings file")):
        with pytest.raises(InputError, match=words):
            load_settings(path)


@settings(max_examples=250, deadline=None)
@given(st.data())
def test_any_edit_is_read_or_refused_in_one_line(data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(TEXT)))
    end = data.draw(st.integers(start, min(len(TEXT), start + 40)))
    instead = data.draw(st.text(alphabet="abc=[]{}\"'\n.#0159-_e\x00é /*", max_size=12))
    message = "my.toml: line 1"
    try:
        read(TEXT[:start] + instead + TEXT[end:])
    except InputError as refused:
        message = str(refused)
    assert re.fullmatch(r"my\.toml: line \d+[^\n]*", message)


DOCUMENT = Path(__file__).parents[2] / "docs" / "bindings.md"


def test_the_document_names_every_key_and_its_examples_are_right() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    for form in (SettingsForm, ListenerForm, BindingForm, ConditionForm, ArgumentForm, CheckForm):
        for name, field in form.model_fields.items():
            assert f"`{field.alias or name}`" in text or f"[[{name}]]" in text, name
    examples = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    assert len(examples) == 7
    for example in examples:
        read(example)


def test_the_documents_limits_are_those_of_the_code() -> None:
    limits = DOCUMENT.read_text(encoding="utf-8").partition("## Limits")[2]
    numbers = [int(number) for number in re.findall(r"\d+", limits)]
    assert numbers == [
        MOST_BINDINGS,
        MOST_LISTENERS,
        MOST_TOPICS,
        MOST_TOPICS,
        MOST_CHECKS,
        MAX_WILDCARDS,
        MOST_CHARACTERS,
        MOST_REMEMBERED,
        1,
    ]
