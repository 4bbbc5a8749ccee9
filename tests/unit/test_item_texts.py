"""The texts of inspection items: all there, and in words that suit the hardware."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from made_up_session import FIXED, FLOATING, LOCKING, SCREWS, MadeUpSession

from oscservice.api.topics import MOST_CHARACTERS, topics
from oscservice.instrument.hardware import Nut
from oscservice.instrument.instrument_file import load_instrument
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.sentences.translation import load_translation
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.item_texts import ItemTexts, item_texts
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.state import State
from oscservice.session.vocabulary import FIRST_ITEMS, INSPECTION_ITEMS, InspectionVerdict

GERMAN = load_translation(Path(__file__).parents[2] / "examples" / "sentences-de.toml").sentences
ORDER = ["strings", "frets", "relief", "action", "nut", "bridge", "pickups", "tuning"]
"""Common practice, no source."""


def texts(preset: str, item: str, sentences: Sentences = ENGLISH) -> ItemTexts:
    return item_texts(MadeUpSession(preset).state, item, sentences)


def test_items_come_in_the_order_of_the_work() -> None:
    assert list(INSPECTION_ITEMS) == ORDER
    assert [name for name, _ in MadeUpSession().state.items] == ORDER


@pytest.mark.parametrize("sentences", [ENGLISH, GERMAN])
@pytest.mark.parametrize("preset", [LOCKING, FLOATING, SCREWS, FIXED])
def test_every_item_has_all_of_its_texts(preset: str, sentences: Sentences) -> None:
    state = MadeUpSession(preset).state
    for item in ORDER:
        found = item_texts(state, item, sentences)
        for text in (found.how, found.effect, found.order, found.caution):
            assert re.fullmatch(r"[A-ZÄÖÜ][^{}\n]*\.", text), item
        assert len(f"{found.effect} {found.order}") < MOST_CHARACTERS
        assert found.what in sentences.texts.values()
        assert (found.tool in found.how) if found.tool else (item in ("strings", "bridge", "tuning"))


def test_texts_without_an_instrument_are_those_of_any() -> None:
    assert item_texts(State(), "bridge").what == ENGLISH.text("item", "bridge", "what")


def test_only_a_spring_balanced_bridge_has_springs() -> None:
    springs, fixed = texts(FLOATING, "bridge"), texts(SCREWS, "bridge")
    assert "claw (screwdriver)" in springs.how
    assert "Never release the springs or the claw all at once" in springs.caution
    assert not [text for text in vars(fixed).values() if re.search("spring|claw|level", text)]
    assert "one string at a time" in texts(FLOATING, "strings").caution
    assert "one string at a time" not in texts(SCREWS, "strings").caution


def test_the_nut_is_told_as_it_is() -> None:
    assert "clamps and pads" in texts(LOCKING, "nut").what
    assert "clamp" not in "".join(vars(texts(SCREWS, "nut")).values())
    guitar = load_instrument(SCREWS).model_copy(update={"nut": Nut(kind="zero fret")})
    zero = item_texts(MadeUpSession(guitar).state, "nut")
    assert zero.what.startswith("zero fret")
    assert "filed" not in zero.caution


def test_a_saddle_in_one_piece_has_neither_screws_nor_clamps() -> None:
    for item in ("action", "bridge"):
        found = texts("acoustic-645", item)
        assert not re.search("screw|clamp|hex key", " ".join(vars(found).values())), item
    assert "screw" in texts(SCREWS, "bridge").how


def test_the_owners_tools_and_string_set_are_named() -> None:
    guitar = load_instrument(FLOATING)
    tools = {"feeler gauge": "0.2 mm strip", "truss rod": "4 mm hex key", "spring claw": "long screwdriver"}
    own = guitar.model_copy(
        update={"tools": tools, "set_up": guitar.set_up.model_copy(update={"string_set": "ten to forty-six"})}
    )
    state = MadeUpSession(own).state
    relief = item_texts(state, "relief")
    assert relief.tool == "0.2 mm strip"
    assert "(0.2 mm strip)" in relief.how
    assert "(4 mm hex key)" in relief.caution
    assert "(long screwdriver)" in item_texts(state, "bridge").how
    assert item_texts(state, "strings").how.startswith("String set: ten to forty-six. Look")


@pytest.mark.parametrize("item", ["relief", "action", "tuning"])
def test_measurements_are_made_as_the_instrument_is_held(item: str) -> None:
    assert "held as it is played" in (how := texts(SCREWS, item).how) or "hold the instrument as it is played" in how


def test_cautions_where_the_work_can_hurt() -> None:
    expected = {
        "strings": ("eye protection", "face away", "sharp"),
        "frets": ("qualified repairer", "solvent", "dust"),
        "relief": ("eighth of a turn", "Never force", "qualified repairer"),
        "action": ("let a string down",),
        "nut": ("qualified repairer", "dust", "Slacken"),
        "pickups": ("loud", "mains", "licensed"),
        "tuning": ("face away",),
    }
    for item, words in expected.items():
        caution = texts(SCREWS, item).caution
        assert all(word.lower() in caution.lower() for word in words), item
    for cause in ("nut slot high", "fret misplaced or flattened"):
        assert "qualified repairer" in ENGLISH.text("cause", cause, "check")


def test_the_prompt_of_an_item_says_how_with_which_tool_and_why() -> None:
    job = MadeUpSession(SCREWS)
    for item in ORDER:
        now, found = prompt(job.state), item_texts(job.state, item)
        assert now.code == "inspect"
        assert found.what in now.text
        assert found.how in now.text
        assert (now.tool, now.caution) == (found.tool, found.caution)
        assert now.reason == f"{found.effect} {found.order}"
        sent = topics(job.state)
        assert sent[f"/inspect/{item}/how"] == (found.how,)
        assert sent[f"/inspect/{item}/effect"] == (now.reason,)
        assert sent[f"/inspect/{item}/caution"] == (found.caution,)
        job.do(cm.Inspect(item, "failed"))
        assert found.caution in prompt(job.state).caution
        job.do(cm.Inspect(item, "passed"))


def test_a_session_of_an_older_journal_has_the_items_it_had() -> None:
    job = MadeUpSession(SCREWS)
    begun = next(event for event in job.events if isinstance(event, ev.SessionBegun))
    assert begun.items.split() == ORDER
    old = fold([replace(begun, items="")])
    assert tuple(name for name, _ in old.items) == FIRST_ITEMS
    assert {item.verdict for _, item in old.items} == {InspectionVerdict.WAITING}
