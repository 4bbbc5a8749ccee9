"""Lines of keys in TOML texts, however these are written."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oscservice.errors import InputError
from oscservice.toml_file import find_line, nearest, parse, shown

TEXT = """\
# [binding]
title = "a = [ # no comment"
many = [
    1, # one ]
    { a = "]" },
    [2],
]
words = '''
[[binding]]
from = 1
'''

[[binding]]
from = "/a"
arguments = [
    { argument = 1 },
    { argument = 2 },
]

[[binding]]
"from" = "/b"
also.argument = 3

[binding.deep]
key = 1
[[binding.deep.list]]
x = 1
[[binding.deep.list]]
x = 2
[last]
from = 3
"""


@pytest.mark.parametrize(
    ("location", "line"),
    [
        (("title",), "title"),
        (("many",), "many"),
        (("many", 1, "a"), "many"),
        (("words",), "words"),
        (("binding", 0, "from"), 'from = "/a"'),
        (("binding", 0, "arguments", 1, "argument"), "arguments"),
        (("binding", 1, "from"), '"from"'),
        (("binding", 1, "also", "argument"), "also"),
        (("binding", 1, "also"), "also"),
        (("binding", 1, "deep", "key"), "key"),
        (("binding", 1, "deep", "list", 1, "x"), "x = 2"),
        (("binding", 1, "nothing"), "[[binding]]\n\"from"),
        (("last", "from"), "from = 3"),
        (("last",), "[last]"),
    ],
)  # fmt: skip
def test_the_line_of_a_key(location: tuple[int | str, ...], line: str) -> None:
    parse(TEXT, "x")
    assert find_line(TEXT, location) == TEXT[: TEXT.index("\n" + line) + 1].count("\n") + 1
    assert find_line(TEXT, ("nothing", "here")) == 1


KEY = st.sampled_from("abcdef")
VALUE = st.one_of(
    st.integers(0, 9).map(str),
    st.sampled_from(['"x = 1"', "'[a]'", '"""\nb = 1\n[c]\n"""', "[\n  1,\n  [2], # ]\n]", "{ a = 1 }", "'''\n]\n'''"]),
)


@given(st.lists(st.tuples(KEY, st.dictionaries(KEY, VALUE, min_size=1, max_size=4)), min_size=1, max_size=6))
def test_every_key_of_every_entry_is_found(entries: list[tuple[str, dict[str, str]]]) -> None:
    lines: list[str] = []
    expected: dict[tuple[int | str, ...], int] = {}
    counts: dict[str, int] = {}
    for table, keys in entries:
        lines.append(f"[[{table}]]")
        index = counts.get(table, 0)
        counts[table] = index + 1
        for key, value in keys.items():
            expected[table, index, key] = len(lines) + 1
            lines += f"{key} = {value}".split("\n")
    text = "\n".join(lines)
    parse(text, "x")
    assert {location: find_line(text, location) for location in expected} == expected


def test_invalid_toml_is_reported_without_quoting_it() -> None:
    for text in ("secret words\n", "a = 1\na = 2\n", "[a\n", "a = " + "[" * 5000, "a = " + "1" * 5000):
        with pytest.raises(InputError, match=r"my\.toml: line \d+(, column \d+)?: not valid TOML: ") as caught:
            parse(text, "my.toml")
        assert "secret" not in str(caught.value)
        assert "\n" not in str(caught.value)


def test_words_for_a_person() -> None:
    assert nearest("prot", ["port", "host"]) == "did you mean port?"
    assert nearest("zzz", ["port", "host"]) == "expected one of port, host"
    assert [shown(one) for one in (True, "a", 1.5, "x" * 80)] == ["true", "'a'", "1.5", "'" + "x" * 56 + "..."]
