"""The table of sentences and translations of it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from made_up_session import SCREWS, MadeUpSession

from oscservice.advice.causes import CHECKS, Cause
from oscservice.advice.correction import turns_text
from oscservice.api.topics import topics
from oscservice.cli.listing_commands import sentences
from oscservice.errors import InputError
from oscservice.instrument.pitch import HARMONIC, OPEN
from oscservice.sentences.length_text import LengthUnit
from oscservice.sentences.plural import counted, numbered
from oscservice.sentences.sentence_table import ENGLISH, Sentences, english_toml
from oscservice.sentences.translation import LONGEST_TEXT, load_translation, read_translation
from oscservice.session import commands as cm
from oscservice.session.item_texts import item_texts
from oscservice.session.prompts import prompt
from oscservice.session.vocabulary import place_text

EXAMPLES = Path(__file__).parents[2] / "examples"
GERMAN = EXAMPLES / "sentences-de.toml"
WITHIN = "{what}: {value:length.2} mm ({low:size.2} bis {high:size.2})"
GREEK = '[prompt.begin]\ntext = "Ξεκινήστε"\n'


def complaint(text: str) -> str:
    """The one line with which a translation is refused."""
    with pytest.raises(InputError) as mistake:
        read_translation(text, "own.toml")
    line = str(mistake.value)
    assert line.startswith("own.toml: ")
    assert "\n" not in line
    return line.removeprefix("own.toml: ")


def test_the_english_table_is_a_whole_translation_of_itself() -> None:
    found = read_translation(english_toml(), "en.toml")
    assert found.missing == ()
    assert found.sentences == ENGLISH
    assert all(text.isprintable() and 0 < len(text) <= LONGEST_TEXT for text in ENGLISH.texts.values())


def test_no_length_of_the_english_table_is_bound_to_mm() -> None:
    assert [text for text in ENGLISH.texts.values() if re.search(r"\bmm\b", re.sub(r"\{[^}]*\}", "", text))] == []


def test_every_cause_but_the_saddle_has_a_name_and_a_check() -> None:
    assert set(CHECKS) == set(Cause) - {Cause.SADDLE}
    assert set(ENGLISH.column("cause", "name")) == set(ENGLISH.column("cause", "check"))


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("sentences-*.toml")), ids=lambda path: path.stem)
def test_translations_in_the_examples_are_whole_and_their_own(path: Path) -> None:
    found = load_translation(path)
    assert found.missing == ()
    assert path.stem == f"sentences-{found.sentences.language}"
    alike = [key for key, text in found.sentences.texts.items() if text == ENGLISH.texts[key]]
    assert alike == [], "left in English"


def test_there_is_an_example() -> None:
    assert GERMAN.is_file()


def test_sentences_missing_in_a_translation_stay_english() -> None:
    found = read_translation('language = "el"\n' + GREEK, "own.toml")
    assert found.sentences.language == "el"
    assert len(found.missing) == len(ENGLISH.texts) - 1
    job = MadeUpSession()
    before = prompt(job.state, found.sentences)
    assert before == prompt(job.state)
    job.do(cm.Abandon())
    assert prompt(type(job.state)(), found.sentences).text == "Ξεκινήστε"


def test_prompts_and_topics_in_another_language_have_the_same_codes() -> None:
    german = load_translation(GERMAN).sentences
    job = MadeUpSession(SCREWS).tuned()
    job.bracket(6, 8.0)
    told = prompt(job.state, german)
    assert told.code == prompt(job.state).code == "let_down"
    assert told.text != prompt(job.state).text
    assert "Halbtöne" in told.text
    assert told.caution == german.caution("let_down") != ""
    values = topics(job.state, german)
    assert values["/prompt/text"] == (told.text,)
    assert values["/prompt/caution"] == (told.caution,)
    translated = re.compile(r"/prompt/.*|/inspect/\w+/(how|effect|caution)")
    assert {k: v for k, v in values.items() if not translated.fullmatch(k)} == {
        k: v for k, v in topics(job.state).items() if not translated.fullmatch(k)
    }
    assert values["/inspect/relief/how"] == (item_texts(job.state, "relief", german).how,)
    assert place_text(2, OPEN, german) == "Saite 2 leer"
    assert place_text(2, HARMONIC, german) != place_text(2, HARMONIC)
    assert turns_text(1.375, german) == "1 3/8 Umdrehungen"


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('language = "de\n', None, "line 1, column 15: not valid TOML"),
        ('language = 3\n[prompt.begin]\ntext = "x"\n', 1, 'language = "de"'),
        ('[prompt.begin]\ntext = "x"\n', 1, "language"),
        ('language = "de"\n[prompt.begun]\ntext = "x"\n', 3, "prompt begun text: no such text"),
        ('language = "de"\n\n[prompt.begin]\ncaution = "x"\n', 4, "prompt begin caution: no such text"),
        ('language = "de"\nbegin = "x"\n', 2, "begin: no such text"),
        ('language = "de"\n[prompt.slacken]\ncaution = ""\n', 3, "leave it out to keep the English one"),
        ('language = "de"\n[prompt.begin]\ntext = 3\n', 3, "expected a text in quotes"),
        ('language = "de"\n[prompt.begin]\ntext = ["x"]\n', 3, "expected a text in quotes"),
        ('language = "de"\n[prompt.begin]\ntext = """a\nb"""\n', 3, "expected one line"),
        ('language = "de"\n[prompt.begin]\ntext = "' + "x" * 401 + '"\n', 3, "at most 400"),
        ('language = "de"\n[prompt.pluck_open]\ntext = "Leer."\n', 3, "{string} is missing"),
        ('language = "de"\n[prompt.pluck_open]\ntext = "{string} {fret}"\n', 3, "{fret} can't be filled in"),
        ('language = "de"\n[prompt.begin]\ntext = "{string}"\n', 3, "expected nothing in braces"),
        ('language = "de"\n[prompt.pluck_open]\ntext = "{string.__class__}"\n', 3, "can't be filled in"),
        ('language = "de"\n[prompt.pluck_open]\ntext = "{string!r}"\n', 3, "can't be filled in"),
        ('language = "de"\n[prompt.tune_up]\ntext = "{string} {cents}"\n', 3, "{cents} can't be filled in"),
        ('language = "de"\n[prompt.tune_up]\ntext = "{string} {cents:.9999f}"\n', 3, "can't be filled in"),
        ('language = "de"\n[prompt.pluck_open]\ntext = "{string} }"\n', 3, "a brace"),
        (f'language = "de"\n[words]\nwithin = "{WITHIN}"\n', 3, "{value:length.2} has its unit with it"),
        (f'language = "de"\n[words]\nwithin = "{WITHIN.replace("length", "size")}"\n', 3, "{value:size.2} can't be"),
        ('language = "de"\n[cause."nut slot high"]\nname = ""\n', 3, "cause nut slot high name"),
        ('language = "de"\nprompt = { begin = { text = "" } }\n', 2, "prompt begin text"),
    ],
)
def test_a_mistake_in_a_translation_is_one_line_that_says_where(text: str, line: int | None, words: str) -> None:
    told = complaint(text)
    assert words in told
    if line is not None:
        assert told.startswith(f"line {line}: ")


def test_files_that_cannot_be_read_are_one_line(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b'language = "de" # \xe4\n')
    (tmp_path / "huge.toml").write_bytes(b"#" * 1_000_001)
    for path, words in (("none.toml", "no such file"), ("latin.toml", "not UTF-8"), ("huge.toml", "too large")):
        with pytest.raises(InputError, match=words):
            load_translation(tmp_path / path)


def test_the_command_prints_the_table_and_checks_a_translation(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sentences(None)
    assert capsys.readouterr().out == english_toml()
    sentences(GERMAN)
    assert capsys.readouterr().out == f"{GERMAN}: {len(ENGLISH.texts)} of {len(ENGLISH.texts)} texts in de\n"
    part = tmp_path / "el.toml"
    part.write_text('language = "el"\n' + GREEK, encoding="utf-8")
    sentences(part)
    first, *rest = capsys.readouterr().out.splitlines()
    assert first.endswith(f"1 of {len(ENGLISH.texts)} texts in el")
    assert len(rest) == len(ENGLISH.texts) - 1
    assert "still English: prompt slacken caution" in rest


@pytest.mark.parametrize(
    ("text", "value", "shown"),
    [
        ("{n:# day|# days}", 0, "0 days"),
        ("{n:# day|# days}", 1, "1 day"),
        ("{n:# day|# days}", 2, "2 days"),
        ("{n:string #|strings #}", [4], "string 4"),
        ("{n:string #|strings #}", [4, 2], "strings 4, 2"),
        ("{n}", [4, 2], "4, 2"),
        ("{n:.1f}", 1.0, "1.0"),
    ],
)
def test_a_field_with_two_forms_follows_its_number(text: str, value: object, shown: str) -> None:
    assert Sentences("en", {("words", "some"): text}).text("words", "some", n=value) == shown


@pytest.mark.parametrize(
    ("text", "value", "in_mm", "in_inches"),
    [
        ("{n:length}", 0.5, "0.5 mm", "0.020 in"),
        ("{n:+length}", 0.5, "+0.5 mm", "+0.020 in"),
        ("{n:length.2}", 0.2, "0.20 mm", "0.008 in"),
        ("{n:size.2} to {n:length.2}", 0.2, "0.20 to 0.20 mm", "0.008 to 0.008 in"),
        ("{n:+size}", -0.5, "-0.5", "-0.020"),
    ],
)
def test_a_length_is_told_in_the_unit_of_the_table(text: str, value: float, in_mm: str, in_inches: str) -> None:
    key = ("words", "some")
    assert Sentences("en", {key: text}).text(*key, n=value) == in_mm
    assert Sentences("en", {key: text}, LengthUnit.INCH).text(*key, n=value) == in_inches


def test_a_translation_has_plural_forms_or_only_the_number() -> None:
    for form in ("{days:# jour|# jours}", "{days}"):
        text = f"{form} {{most}}"
        found = read_translation(f'language = "fr"\n[words]\nfresh = "{text}"\n', "own.toml")
        assert found.sentences.text("words", "fresh", days=1, most=60) in ("1 jour 60", "1 60")
    for form in ("{days:# jour}", "{days:{most}|#}", "{days:.1f}"):
        assert "can't be filled in" in complaint(f'language = "fr"\n[words]\nfresh = "{form} {{most}}"\n')


def test_english_plurals() -> None:
    assert [counted(n, "cent") for n in (0, 0.5, 1, 2)] == ["0 cents", "0.5 cents", "1 cent", "2 cents"]
    assert counted(2, "guitar of its kind", "guitars of their kind") == "2 guitars of their kind"
    assert numbered("string", [4]) == "string 4"
    assert numbered("string", [4, 2]) == "strings 4, 2"
