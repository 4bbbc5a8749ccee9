"""An instrument over months: the values of each session, and their drawing."""

from __future__ import annotations

import errno
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

import pytest
from invented_history import YEAR, live
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.lines import Line2D
from matplotlib.text import Text

from oscservice.errors import InputError
from oscservice.record.journal import Journal
from oscservice.record.session_history import events_of, sessions_of
from oscservice.report.drawing import LIGHT, style
from oscservice.report.history_plot import (
    Visit,
    columns,
    described,
    drawn,
    same_strings,
    stiffness_since_new,
    visit,
    write,
)
from oscservice.session import events as ev
from oscservice.session.replay import fold
from oscservice.session.setup_changes import Side

pytestmark = pytest.mark.slow  # months of sessions are made

SVG = "{http://www.w3.org/2000/svg}"


def visits_of(path: Path) -> list[Visit]:
    with Journal.open(path, readonly=True) as journal:
        found = []
        for row, state in sessions_of(journal, "the red one"):
            found.append(visit(row, state, events_of(journal, row.id), 12))
    return found[::-1]


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> list[Visit]:
    path = tmp_path_factory.mktemp("year") / "j.sqlite3"
    live(path, YEAR)
    return visits_of(path)


@pytest.fixture(scope="module")
def eight(tmp_path_factory: pytest.TempPathFactory) -> list[Visit]:
    path = tmp_path_factory.mktemp("eight") / "j.sqlite3"
    live(path, YEAR[:4], "eight-string-multi-scale")
    return visits_of(path)


def picture(visits: list[Visit], path: Path) -> ElementTree.Element:
    write(visits, "the red one", path)
    return ElementTree.fromstring(path.read_text(encoding="utf-8"))


def texts(root: ElementTree.Element) -> list[str]:
    return [element.text or "" for element in root.iter(f"{SVG}text")]


# Values


def test_each_session_has_its_values_as_found_and_as_left(year):
    assert [one.at.date() for one in year] == [plan.day for plan in YEAR]
    assert [one.quick for one in year] == [plan.quick for plan in YEAR]
    for one in year:
        assert len(one.strings) == 6
        for string in one.strings:
            assert string.open_left is not None
            assert string.error_left is not None
            assert string.inharmonicity is not None
            assert (string.open_found is None) == one.quick, "a check changes nothing"
            assert (string.error_found is not None) == (string.summary.moves > 0)


def test_as_found_is_the_first_that_was_heard_and_as_left_the_last(tmp_path):
    path = tmp_path / "j.sqlite3"
    live(path, YEAR[:1])
    (one,) = visits_of(path)
    with Journal.open(path, readonly=True) as journal:
        events = [event for _, event in events_of(journal, one.session)]
        state = fold(events)
    for string in one.strings:
        heard = [e for e in events if isinstance(e, ev.ReadingTaken) and (e.string, e.place) == (string.string, "open")]
        assert string.open_found is not None
        assert string.open_left is not None
        assert string.open_found.value == heard[0].cents
        assert string.open_left.value == heard[-1].cents
        judged = [e for e in events if isinstance(e, ev.StringJudged) and e.string == string.string]
        if state.string(string.string).moves:
            assert string.error_found == Side(judged[0].error_cents, judged[0].se_cents)


def test_a_reading_that_was_taken_back_was_not_found(tmp_path):
    path = tmp_path / "j.sqlite3"
    live(path, YEAR[:1])
    with Journal.open(path, readonly=True) as journal:
        ((row, state),) = sessions_of(journal, "the red one")
        events = events_of(journal, row.id)
    first = next(n for n, (_, event) in enumerate(events) if isinstance(event, ev.ReadingTaken))
    step = max(n for n in range(first) if isinstance(events[n][1], ev.StepBegun))
    second = next(n for n in range(first, len(events)) if isinstance(events[n][1], ev.StepBegun))
    taken = events[first][1]
    assert isinstance(taken, ev.ReadingTaken)
    wrong = ev.ReadingTaken(**{**vars(taken), "cents": 333.0})
    again = [*events[:step], (0, events[step][1]), (-1, wrong), (-2, ev.TakenBack()), *events[step:]]
    assert second > first
    assert visit(row, state, again, 12) == visit(row, state, events, 12)


def test_stiffness_is_relative_to_new_strings(year):
    told = stiffness_since_new(year, 3)
    changed = [n for n, plan in enumerate(YEAR) if plan.new_strings]
    assert [n for n, side in enumerate(told) if side is not None and side.value == 0.0] == changed
    last = told[-1]
    assert last is not None
    age_days = (YEAR[-1].day - YEAR[10].day).days
    assert last.value == pytest.approx(100 * 0.0006 * age_days, abs=3.0 * last.se)
    assert not same_strings(year[4], year[5], 3)
    assert same_strings(year[5], year[6], 3)


# Drawing


@pytest.mark.slow
def test_the_same_sessions_are_the_same_bytes(year, tmp_path):
    for form in ("svg", "png", "pdf"):
        for name in ("a", "b"):
            write(year, "the red one", tmp_path / f"{name}.{form}")
        assert (tmp_path / f"a.{form}").read_bytes() == (tmp_path / f"b.{form}").read_bytes()
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")


def test_the_drawing_has_a_description(year, tmp_path):
    root = picture(year, tmp_path / "a.svg")
    words = texts(root)
    for wanted in (
        "the red one",
        "15 sessions, 2025-11-20 to 2026-11-19",
        "Open string, cents from pitch",
        "Error at fret 12, cents",
        "Inharmonicity since new, %",
        "as found",
        "new strings",
        "within limits",
        "change between sessions",
        "1  E4",
        "6  E2",
    ):
        assert wanted in words
    assert [words.count(label) for label in ("2026", "Apr", "Jul", "Oct")] == [3, 3, 3, 3], "once a column"
    assert root.get("role") == "img"
    assert root.findtext(f"{SVG}desc") == described(year)
    assert "6 set-ups and 9 quick checks; strings put on 2025-11-20, 2026-03-03, 2026-07-20" in described(year)
    assert set(re.findall(r"#[0-9a-f]{6}", (tmp_path / "a.svg").read_text())) <= set(LIGHT.roles().values())


@pytest.mark.parametrize(
    ("days", "labels"),
    [
        (["2026-05-01", "2026-09-01"], ["May", "Jun", "Jul", "Aug", "Sep", "2026"]),
        (["2025-12-20", "2026-01-05"], ["15 Dec", "01 Jan", "15 Jan", "2026"]),
        (["2016-03-01", "2025-03-01"], ["2016", "2018", "2020", "2022", "2024"]),
    ],
)
def test_dates_are_written_below(year, tmp_path, days, labels):
    visits = [replace(year[0], at=datetime.fromisoformat(f"{day}T12:00+00:00"), strings_fitted="") for day in days]
    words = texts(picture(visits, tmp_path / "a.svg"))
    first = words.index(labels[0])
    assert words[first : first + len(labels)] == labels


def test_a_date_is_drawn_where_a_session_of_that_day_is(year):
    visits = [replace(year[0], at=datetime(2026, month, 1, tzinfo=UTC), strings_fitted="") for month in (5, 7, 9)]
    with style():
        figure = drawn(visits, "the red one")
    july = min(text.get_position()[0] for text in figure.findobj(Text) if text.get_text() == "Jul")
    marks = [line.get_xdata()[0] for line in figure.findobj(Line2D) if line.get_marker() == "s"]
    assert min(abs(x - july) for x in marks) < 1e-6


@pytest.mark.slow
@pytest.mark.parametrize("which", ["year", "eight", "one", "two", "ten years", "a month"])
def test_no_text_is_cut_off_or_runs_into_another(which, year, eight):
    long = [Visit(**{**vars(one), "at": one.at.replace(year=2016 + n % 10)}) for n, one in enumerate(year)]
    visits = {
        "year": year,
        "eight": eight,
        "one": year[:1],
        "two": year[:2],
        "ten years": sorted(long, key=lambda one: one.at),
        "a month": [replace(year[0], at=datetime(2026, 11, day, tzinfo=UTC)) for day in (3, 19)],  # ends at a date
    }[which]
    with style():
        figure = drawn(visits, "W" * 60)
        renderer = FigureCanvasAgg(figure).get_renderer()
        written = [text for text in figure.findobj(Text) if text.get_text()]
        boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in written]
    whole = figure.bbox
    assert len(boxes) > 30
    for n, (text, box) in enumerate(boxes):
        assert min(box.x0 - whole.x0, whole.x1 - box.x1, box.y0 - whole.y0, whole.y1 - box.y1) >= 0.0, text
        for other, there in boxes[n + 1 :]:
            apart = min(box.x1, there.x1) - max(box.x0, there.x0), min(box.y1, there.y1) - max(box.y0, there.y0)
            assert min(apart) <= 0.0, (text, other)


def test_values_beyond_a_scale_are_drawn_as_arrows(year):
    opened, errors, _ = columns(year)
    assert opened.end in (10.0, 20.0)
    assert errors.end <= 10.0
    far = [(Side(-250.0, 1.0), Side(0.5, 1.0))]
    wild = type(opened)(opened.title, {1: far}, opened.ends, opened.band)
    assert wild.end == 40.0
    few = type(opened)(opened.title, {1: [(Side(-250.0, 1.0), None)] + 30 * [(None, Side(2.0, 0.5))]}, opened.ends, 3.0)
    assert few.end == 5.0, "one that is far off does not flatten the others"
    nothing = type(opened)(opened.title, {1: [(None, None)]}, opened.ends, opened.band)
    assert nothing.end == 5.0


def test_sessions_in_which_nothing_was_heard_are_drawn_as_nothing(year, tmp_path):
    strings = tuple(type(one)(one.summary, None, None, None, None, None) for one in year[0].strings)
    silent = Visit("2026-11-20-1", datetime(2026, 11, 20, tzinfo=UTC), False, 2.0, None, "", strings)
    words = texts(picture([silent], tmp_path / "a.svg"))
    assert "Error at the fret compared, cents" in words
    assert any("Strings whose date is unknown count as the same ones" in word for word in words)
    assert described([silent]) == "1 set-up and 0 quick checks."


@pytest.mark.parametrize("name", ["a", "a.jpg", "a.svg.gz", "svg"])
def test_other_endings_are_refused(year, tmp_path, name):
    with pytest.raises(InputError, match=r"the name has to end in \.svg, \.png or \.pdf"):
        write(year, "the red one", tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_an_unwritable_place_is_reported(year, tmp_path):
    with pytest.raises(InputError, match=r"can't be written \(No such file or directory\): choose another place"):
        write(year, "the red one", tmp_path / "none" / "a.svg")


def test_a_drawing_that_cannot_be_written_leaves_the_older_file(year, tmp_path, monkeypatch):
    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    path = tmp_path / "a.svg"
    path.write_text("older")
    monkeypatch.setattr("oscservice.record.whole_file.os.fsync", full)
    with pytest.raises(InputError, match=r"^--plot .*a\.svg can't be written \(No space left on device\): choose"):
        write(year, "the red one", path)
    assert [(one.name, one.read_text()) for one in tmp_path.iterdir()] == [("a.svg", "older")]


def test_strings_that_are_added_have_a_row_from_then_on(year, eight, tmp_path):
    words = texts(picture([year[0], eight[-1]], tmp_path / "a.svg"))
    assert [word for word in words if re.fullmatch(r"\d  \S+", word)][-1] == "8  F#1"
    assert not same_strings(year[0], eight[-1], 8)
