"""The summary of a session, and the changes between two."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from made_up_session import SCREWS, MadeUpSession, MadeUpTechnician

from oscservice.instrument.modified_instrument import NewGauge, with_gauges, with_notes
from oscservice.instrument.pitch import OPEN
from oscservice.session import commands as cm
from oscservice.session.session_results import open_se_cents, remaining, summary_of
from oscservice.session.setup_changes import BY_CHANCE, FRET, SADDLE, Cell, Changes, Side, changes, unlike
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.vocabulary import Status


@pytest.fixture(scope="module")
def done() -> tuple[MadeUpSession, MadeUpTechnician]:
    """A made-up guitar set up over two frets, one string set aside."""
    job = MadeUpSession(SCREWS, frets="5 12").inspected()
    job.do(cm.SetAside(4, "rusty"))
    hands = MadeUpTechnician(job, {1: 6.0, 2: -5.0, 3: 0.3, 5: 0.0, 6: 9.0, 4: 0.0})
    hands.work()
    return job, hands


def left(job: MadeUpSession, session: str = "one") -> SetupSummary:
    return summary_of(job.state, session)


def test_the_summary_of_a_session(done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    job, hands = done
    found = left(job)
    assert (found.session, found.identity, found.outcome, found.quick) == ("one", SCREWS, "partly proved", False)
    assert [one.string for one in found.strings] == [1, 2, 3, 4, 5, 6]
    for one in found.strings:
        spec = job.instrument.string(one.string)
        assert (one.note, one.gauge_mm, one.filed_setback_mm) == (spec.note, spec.gauge_mm, spec.setback_mm)
        assert one.saddle_mm == pytest.approx(spec.setback_mm + job.string(one.string).moved_mm)
        if one.string == 4:
            assert (one.status, one.left_out, one.errors) == (Status.SET_ASIDE, "rusty", ())
            continue
        assert [error.fret for error in one.errors] == [5, 12]
        for error in one.errors:
            assert abs(error.error_cents - hands.error(one.string, error.fret)) < 3.5 * error.se_cents
        assert one.open_cents == job.string(one.string).open_cents
        assert one.open_se_cents == pytest.approx(math.hypot(0.1, 0.6)), "0.1 of the reading, 0.6 of the pluck"
    worst = found.worst
    assert worst is not None
    assert abs(worst[1].error_cents) == max(abs(e.error_cents) for one in found.strings for e in one.errors)
    told = remaining(job.state, (5, 12))
    one = found.string(6)
    assert one is not None
    assert tuple(error.error_cents for error in one.errors) == told[6].errors_cents


def test_a_summary_equals_its_json(done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    found = left(done[0])
    assert SetupSummary.from_json(found.to_json()) == found
    begun = left(MadeUpSession().inspected())
    assert SetupSummary.from_json(begun.to_json()) == begun
    assert (begun.worst, begun.check_fret, begun.outcome) == (None, None, "")
    assert begun.string(7) is None
    with pytest.raises(ValueError, match="no session was begun"):
        summary_of(type(done[0].state)())


def test_the_fret_of_a_quick_check_is_the_nearest_to_the_twelfth(done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    found = left(done[0])
    assert found.check_fret == 12
    only_5 = replace(found, strings=tuple(replace(one, errors=one.errors[:1]) for one in found.strings))
    assert only_5.check_fret == 5


def test_unknown_values_of_an_open_string() -> None:
    assert open_se_cents(0.8) == pytest.approx(1.0), "0.6 of the pluck beside it"
    assert open_se_cents(0.8, plucks=4) == pytest.approx(0.5)
    assert open_se_cents(0.8, unsure_cents=5.0) == pytest.approx(math.sqrt(26.0))


def test_nothing_changes_between_a_session_and_itself(done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    found = changes(left(done[0]), left(done[0], "two"))
    assert found.remarks == ()
    for cell in found.cells:
        assert found.mark(cell) == ""
        if cell.what == SADDLE and done[0].string(cell.string).moves:
            assert "the file still has the saddle" in cell.why
        else:
            assert cell.change is not None
            assert cell.change.value == 0.0
    assert [cell.what for cell in found.cells if cell.string == 4] == [SADDLE]


def shifted(summary: SetupSummary, number: int, **more: object) -> SetupSummary:
    strings = tuple(replace(one, **more) if one.string == number else one for one in summary.strings)
    return replace(summary, session="two", strings=strings)


def test_a_change_is_marked_where_the_errors_do_not_explain_it(done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    before = left(done[0])
    one = before.string(3)
    assert one is not None
    assert one.open_cents is not None
    open_sd = math.sqrt(2.0) * one.open_se_cents
    for by_sd, mark in ((1.9, ""), (2.2, "*"), (-6.0, "**")):
        found = changes(before, shifted(before, 3, open_cents=one.open_cents + by_sd * open_sd))
        cell = next(c for c in found.cells if (c.string, c.what) == (3, "open pitch"))
        assert cell.z == pytest.approx(by_sd)
        assert found.mark(cell) == mark
        assert sum(found.mark(c) != "" for c in found.cells) == (mark != "")
        assert found.heard == sum(c.change is not None and c.what != SADDLE for c in found.cells)
        assert found.by_chance == pytest.approx(found.heard * 0.0455, rel=1e-3)  # normal law: 4.55 % beyond 2 sd


def test_marks_by_chance_are_as_many_as_said() -> None:
    draw = random.Random(3)
    tables = []
    for _ in range(400):
        sides = [(draw.gauss(0.0, 1.0), draw.gauss(0.0, 1.0)) for _ in range(30)]
        cells = tuple(Cell(1, FRET, 12, Side(a, 1.0), Side(b, 1.0)) for a, b in sides)
        tables.append(Changes(cells, ()))
    marked = sum(table.mark(cell) != "" for table in tables for cell in table.cells) / (400 * 30)
    assert marked == pytest.approx(BY_CHANCE, abs=0.008)
    twice = sum(any(table.mark(cell) == "**" for cell in table.cells) for table in tables) / 400
    assert twice == pytest.approx(0.05, abs=0.035)  # Bonferroni: at most 1 of 20


def test_strings_that_are_others_are_not_compared(done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    job, _ = done
    heavier = MadeUpSession(with_gauges(job.instrument, {2: NewGauge(0.36)})).inspected()
    found = changes(left(job), left(heavier, "two"))
    assert "string 2: another string (0.33 and 0.36 mm)" in found.remarks
    for cell in found.cells:
        if cell.string == 2 and cell.what != SADDLE:
            assert "another string" in cell.why
            assert (cell.change, cell.z, found.mark(cell)) == (None, None, "")
    down = MadeUpSession(with_notes(job.instrument, ["D#4", "A#3", "F#3", "C#3", "G#2", "D#2"])).inspected()
    assert "string 1: another tuning (E4 and D#4)" in changes(left(job), left(down, "two")).remarks
    bass, other = left(MadeUpSession("bass-4-864")), changes(left(job), left(MadeUpSession("bass-4-864")))
    assert other.remarks[0] == f"two instruments: {SCREWS} and {bass.identity}"
    assert "6 strings and 4" in other.remarks[1]
    assert "another scale length" in other.remarks[2]
    assert {cell.string for cell in other.cells} == {1, 2, 3, 4}


def test_other_strings_in_so_many_words(done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    one = left(done[0]).strings[0]
    assert unlike(one, one) == ""
    assert unlike(one, replace(one, wound=True)) == "another string (plain and wound)"
    assert unlike(one, replace(one, core_mm=0.2)).startswith("another string (core")
    assert unlike(one, replace(one, nominal_hz=one.nominal_hz * 432.0 / 440.0)).startswith("another tuning (")


def test_a_fret_heard_in_only_one_session_is_reported(done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    job, _ = done
    only_12 = MadeUpSession(SCREWS).tuned()
    for number in (6, 5):
        only_12.bracket(number, 0.2)
    found = changes(left(job), left(only_12, "two"))
    said = {(cell.string, cell.what, cell.fret): cell.why for cell in found.cells}
    assert said[6, FRET, 12] == ""
    assert said[6, FRET, 5] == "not heard in the second"
    assert said[4, "open pitch", 0] == "not heard in the first"
    assert (4, FRET, 12) not in said


def test_saddles_by_the_file_and_the_moves(done: tuple[MadeUpSession, MadeUpTechnician]) -> None:
    before = left(done[0])
    one = before.string(6)
    assert one is not None
    assert one.moves > 0
    told = shifted(before, 6, filed_setback_mm=one.saddle_mm, moved_mm=0.5, moves=1)
    cell = next(c for c in changes(before, told).cells if (c.string, c.what) == (6, SADDLE))
    assert cell.change is not None
    assert cell.change.value == pytest.approx(0.5)
    assert cell.change.se == pytest.approx(0.12 * math.sqrt(one.moves + 1))


def test_a_string_that_shifted_since_is_less_sure() -> None:
    job = MadeUpSession().inspected()
    for number in (6, 5):
        job.hear(number, OPEN, 20.0)
        job.hear(number, OPEN, 0.0)
    sixth = left(job).string(6)
    assert sixth is not None
    unsure_cents = job.string(6).unsure_cents
    assert 0.5 < unsure_cents < 0.2 * 20.0, "some of what string 5 was tuned by"
    assert sixth.open_se_cents == pytest.approx(math.hypot(0.1, 0.6, unsure_cents))
