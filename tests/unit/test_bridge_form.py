"""The ``[bridge]`` table: balance and saddles, old names, letting down, the way of screws, threads."""

from __future__ import annotations

import json
import re
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.advice.instrument_changes import instrument_changes
from oscservice.errors import InputError
from oscservice.instrument.hardware import BALANCES, SADDLES
from oscservice.instrument.instrument_file import preset_toml, read_instrument
from oscservice.instrument.spec import OLD_KINDS, Bridge, Instrument
from oscservice.instrument.thread import THREADS_MM, thread_mm

HEAD, _, REST = preset_toml("six-string-628").partition("[bridge]")
STRINGS = REST[REST.index("\n[[string]]") :]

SCREWS, TRAVEL = {"screw-driven", "paired", "two-screw bar"}, "toward_nut_mm = 3.0\naway_mm = 3.0\n"


def instrument(table: str) -> Instrument:
    return read_instrument(f"{HEAD}[bridge]\n{table}{STRINGS}", "my.toml")


def bridge(table: str) -> Bridge:
    return instrument(table).bridge


def refusal(table: str) -> str:
    with pytest.raises(InputError) as caught:
        bridge(table)
    found = re.fullmatch(r"my\.toml: line (\d+): ([^\n]*)", str(caught.value))
    assert found is not None, caught.value
    return f"{int(found[1]) - HEAD.count(chr(10)) - 1}: {found[2]}"  # lines from [bridge], which is 0


def words(balance: str, saddle: str) -> str:
    thread = 'thread = "M3"\n' if saddle in SCREWS else ""
    return f'balance = "{balance}"\nsaddle = "{saddle}"\n{TRAVEL}{thread}'


@pytest.mark.parametrize(("balance", "saddle"), list(product(BALANCES, SADDLES)))
def test_balance_and_saddle_go_together_in_any_combination(balance: str, saddle: str) -> None:
    made = bridge(words(balance, saddle))
    assert (made.balance, made.saddle, made.floating) == (balance, saddle, balance == "spring-balanced")
    assert made.kind == made.title
    assert made.title.startswith(f"{balance}, ")
    assert made.slacken == (saddle in ("clamped", "two-screw bar", "shaped"))
    assert made.let_down == (saddle in ("screw-driven", "paired"))
    ways = {adjuster.clockwise for adjuster in made.adjusters}
    assert ways == {"away from the nut" if saddle in SCREWS else None}


def test_a_bridge_is_named_as_the_trade_names_it() -> None:
    titles = [bridge(words("fixed", saddle)).title for saddle in SADDLES]
    assert titles == [
        "fixed, clamped saddles",
        "fixed, screw-driven saddles",
        "fixed, paired saddles",
        "fixed, two-screw bar",
        "fixed, one-piece saddle",
    ]


@pytest.mark.parametrize(("kind", "saddle"), list(OLD_KINDS.items()))
def test_the_one_word_of_older_files_means_the_same(kind: str, saddle: str) -> None:
    balance = "spring-balanced" if kind == "clamped floating" else "fixed"
    new = instrument(words(balance, saddle))
    old = instrument(words(balance, saddle).replace(f'balance = "{balance}"\nsaddle = "{saddle}"', f'kind = "{kind}"'))
    assert old == new


@pytest.mark.parametrize(("kind", "saddle"), list(OLD_KINDS.items()))
def test_a_record_of_an_older_version_is_the_same_bridge(kind: str, saddle: str) -> None:
    now = instrument(words("spring-balanced" if kind == "clamped floating" else "fixed", saddle))
    record = json.loads(now.to_json())
    record["bridge"]["kind"] = kind
    for field in ("saddle", "let_down", "anchor"):
        del record["bridge"][field]
    for adjuster in record["bridge"]["adjusters"]:
        del adjuster["clockwise"]
    for field in ("nut", "fine_tuners", "pegs", "tools"):
        del record[field]
    old = Instrument.from_json(json.dumps(record))
    assert (old.bridge.title, old.bridge.saddle, old.bridge.let_down) == (now.bridge.title, saddle, False)
    assert instrument_changes(old, old, now) == ()


def test_a_change_of_the_bridge_is_told_in_todays_words() -> None:
    record = json.loads(instrument(words("fixed", "screw-driven")).to_json())
    record["bridge"]["kind"] = "screw-driven fixed"
    del record["bridge"]["saddle"]
    old = Instrument.from_json(json.dumps(record))
    (told,) = instrument_changes(old, old, instrument(words("spring-balanced", "screw-driven")))
    assert told.text.startswith(
        "bridge fixed, screw-driven saddles → spring-balanced, screw-driven saddles: strings now"
    )


def test_the_file_has_the_last_word() -> None:
    made = bridge(
        words("fixed", "screw-driven") + 'let_down = false\nclockwise = "toward the nut"\nanchor = "stop tail"\n'
    )
    assert (made.let_down, made.slacken, made.anchor) == (False, False, "stop tail")
    assert {adjuster.clockwise for adjuster in made.adjusters} == {"toward the nut"}
    slack = bridge(words("fixed", "paired") + "slacken = true\n")
    assert (slack.slacken, slack.let_down) == (True, False), "a slack string needs no letting down"
    assert bridge(words("fixed", "two-screw bar") + "slacken = false\n").let_down


OWN = """balance = "spring-balanced"
clockwise = "toward the nut"
[[bridge.adjuster]]
name = "treble block"
influence = { "1" = 1.0, "2" = 1.0, "3" = 1.0 }
toward_nut = "1/8 in"
thread = "40 per inch"
[[bridge.adjuster]]
name = "bass block"
influence = { "4" = 1.0, "5" = 1.0, "6" = 1.0 }
away_mm = 2.5
thread = "M3"
clockwise = "away from the nut"
[[bridge.adjuster]]
name = "tilt"
influence = { "1" = 1.0, "6" = -1.0 }
away_mm = 1.0
"""


def test_a_bridge_of_its_own_build_needs_no_known_saddle() -> None:
    made = bridge(OWN)
    assert (made.title, made.floating, made.slacken, made.let_down) == (
        "spring-balanced, adjusters of its own", True, True, False
    )  # fmt: skip
    assert [a.clockwise for a in made.adjusters] == ["toward the nut", "away from the nut", None]
    assert made.adjusters[0].mm_per_turn == pytest.approx(0.635)
    assert bridge("slacken = false\n" + OWN).let_down, "its screws turn against the strings"
    unsaid = bridge(OWN.replace('clockwise = "toward the nut"\n', "", 1))
    assert unsaid.adjusters[0].clockwise is None, "nobody knows where the head of such a screw is"


# The table, and the message: its line from [bridge] on, which is 0.
MISTAKES = [
    ("", "0: bridge, balance: missing; expected one of spring-balanced, fixed"),
    (
        'balance = "fixed"\n',
        "0: bridge, saddle: missing; expected one of clamped, screw-driven, paired, two-screw bar, sh",
    ),
    ('saddle = "shaped"\n', "0: bridge, balance: missing; expected one of spring-balanced, fixed"),
    (
        'kind = "fixed saddle"\nbalance = "fixed"\n',
        "2: bridge, balance: found beside kind, which says the same; leave one of them out",
    ),
    (
        words("fixed", "paired") + "clockwise = 1\n",
        "6: bridge, clockwise: found 1, expected one of toward the nut, away fr",
    ),
    (
        words("fixed", "clamped") + 'clockwise = "toward the nut"\n',
        '5: bridge, clockwise: a bridge with saddle = "clamped" has no saddle screw; leave it out',
    ),
    (
        words("fixed", "shaped") + "let_down = true\n",
        '5: bridge, let_down: a bridge with saddle = "shaped" has no saddle screw; leave it out',
    ),
    (
        words("fixed", "paired") + 'anchor = "tail"\n',
        "6: bridge, anchor: found 'tail', expected one of bridge, stop tail, b",
    ),
    (
        OWN.replace('thread = "M3"\n', ""),
        "12: adjuster 2, clockwise: this adjuster has no screw; leave it out, or give its thread",
    ),
    (
        words("fixed", "floating"),
        "2: bridge, saddle: found 'floating', expected one of clamped, screw-driven, paired, two",
    ),
    (words("floating", "paired"), "1: bridge, balance: found 'floating', expected one of spring-balanced, fixed"),
]


@pytest.mark.parametrize(("table", "message"), MISTAKES)
def test_a_mistake_in_the_table_is_one_line(table: str, message: str) -> None:
    assert refusal(table).startswith(message)


# Threads


@pytest.mark.parametrize(
    ("given", "mm"),
    [
        ("M3", 0.5),
        ("m2.5", 0.45),
        ("M3x0.5", 0.5),
        ("M4 × 0.5", 0.5),
        ("#6-32", 25.4 / 32),
        ("6-32", 25.4 / 32),
        ("#4-40 UNC", 0.635),
        ("1/4-20", 1.27),
        ("40 per inch", 0.635),
        ("40 TPI", 0.635),
        ("32 threads per inch", 25.4 / 32),
        ("0.5 mm", 0.5),
        ("1/40 in", 0.635),
        (0.7, 0.7),
        (1, 1.0),
    ],
)
def test_a_thread_is_a_name_or_a_pitch(given: str | float, mm: float) -> None:
    assert thread_mm(given) == pytest.approx(mm)


@given(st.sampled_from(sorted(THREADS_MM)))
def test_every_named_thread_is_in_the_range_of_threads(name: str) -> None:
    assert thread_mm(name) == THREADS_MM[name]


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        ("0.025", '; 0.025 in is 0.635 mm: write "0.025 in"'),
        ("40", '; 40 threads an inch are written "40 per inch"'),
        ("0.0001", ""),
        ('"M3.7"', ""),
        ('"40"', ""),
        ('"1000 per inch"', ""),
        ('"0 per inch"', ""),
        ('"5 mm"', ""),
    ],
)
def test_a_thread_that_is_none_is_told_with_what_was_meant(given: str, meant: str) -> None:
    message = refusal(words("fixed", "paired").replace('"M3"', given))
    expected = "expected mm a turn from 0.1 to 3, or in quotes M3, #6-32, 40 per inch, 0.5 mm"
    assert message == f"5: bridge, thread: found {given.replace(chr(34), chr(39))}, {expected}{meant}"
