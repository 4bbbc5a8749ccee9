"""An instrument over months: its sessions drawn over time, a row a string, a column a quantity.

A session has two marks: as found and as left. The step between them is the session's work. The step from one session's
"left" to the next one's "found" is the instrument's own drift, and is drawn as a line.

Cents + sharp, standard errors 1 sd, None for what was not heard.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from matplotlib import dates as matplotlib_dates
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from oscservice.errors import InputError
from oscservice.instrument.pitch import OPEN
from oscservice.record.event_chain import SessionRow
from oscservice.record.remeasurement import NumberedEvents, taken_back
from oscservice.record.whole_file import whole_file
from oscservice.report.drawing import LIGHT, blank, page_axes, pdf, png, style, svg
from oscservice.sentences.plural import counted
from oscservice.session import events as ev
from oscservice.session.next_pluck import TUNING_WINDOW_CENTS
from oscservice.session.session_results import open_se_cents, summary_of
from oscservice.session.setup_changes import Side, unlike
from oscservice.session.setup_summary import SetupSummary, StringSummary
from oscservice.session.state import State


@dataclass(frozen=True)
class StringVisit:
    """One string in one session.

    Attributes:
        summary: its summary, as left.
        open_found, open_left: deviation of the open string in cents, as first and as last heard.
        error_found, error_left: error at ``Visit.fret`` in cents: before its saddle was first moved (None if it was
            not), and as left.
        inharmonicity: B.
    """

    summary: StringSummary
    open_found: Side | None
    open_left: Side | None
    error_found: Side | None
    error_left: Side | None
    inharmonicity: Side | None

    @property
    def string(self) -> int:
        """Its number."""
        return self.summary.string


@dataclass(frozen=True)
class Visit:
    """One session. ``fret``: the one of the errors; ``strings_fitted``: the day its strings were put on, as 2026-11-25,
    empty if unknown; ``strings[0]`` is string 1."""

    session: str
    at: datetime
    quick: bool
    tolerance_cents: float
    fret: int | None
    strings_fitted: str
    strings: tuple[StringVisit, ...]


def visit(row: SessionRow, state: State, events: NumberedEvents, fret: int | None = None) -> Visit:
    """Return the values that one session found and left.

    Args:
        row: its line in the journal.
        state: its last state, in which something was begun.
        events: all its events with their numbers.
        fret: of the errors; None: the compared one nearest to the twelfth.
    """
    summary = summary_of(state, row.id)
    fret = summary.check_fret if fret is None else fret
    found = {} if summary.quick else _first_heard(events)
    assert state.instrument is not None
    return Visit(
        session=row.id,
        at=datetime.fromisoformat(row.started_utc),
        quick=summary.quick,
        tolerance_cents=summary.tolerance_cents,
        fret=fret,
        strings_fitted=state.instrument.set_up.strings_fitted,
        strings=tuple(_string(summary, one, state, fret, found.get(one.string)) for one in summary.strings),
    )


def same_strings(before: Visit, after: Visit, string: int) -> bool:
    """Return True when a string is, as far as is known, the same one as in an earlier session."""
    if before.strings_fitted != after.strings_fitted or string > min(len(before.strings), len(after.strings)):
        return False
    return not unlike(before.strings[string - 1].summary, after.strings[string - 1].summary)


def stiffness_since_new(visits: Sequence[Visit], string: int) -> list[Side | None]:
    """Return B of a string in each session, the oldest first, in per cent above the first value of the same string."""
    found: list[Side | None] = []
    first: tuple[Visit, Side] | None = None
    for one in visits:
        heard = one.strings[string - 1].inharmonicity if string <= len(one.strings) else None
        if heard is None or heard.value <= 0.0:
            found.append(None)
            continue
        if first is None or not same_strings(first[0], one, string):
            first = one, heard
            found.append(Side(0.0, 100.0 * heard.se / heard.value))
            continue
        ratio = heard.value / first[1].value
        se = 100.0 * ratio * math.hypot(heard.se / heard.value, first[1].se / first[1].value)
        found.append(Side(100.0 * (ratio - 1.0), se))
    return found


def _first_heard(events: NumberedEvents) -> dict[int, Side]:
    """Return each string's first open reading that was not undone."""
    back = taken_back(events)
    found: dict[int, Side] = {}
    for seq, event in events:
        if isinstance(event, ev.ReadingTaken) and event.place == str(OPEN) and seq not in back:
            found.setdefault(event.string, Side(event.cents, open_se_cents(event.se_cents)))
    return found


def _string(
    summary: SetupSummary, one: StringSummary, state: State, fret: int | None, found: Side | None
) -> StringVisit:
    left = None if fret is None else one.at(fret)
    first = state.string(one.string).first
    moved = one.moves > 0 and first is not None and fret == state.fret
    return StringVisit(
        summary=one,
        open_found=found,
        open_left=None if one.open_cents is None else Side(one.open_cents, one.open_se_cents),
        error_found=Side(first.error_cents, first.se_cents) if moved and first is not None else None,
        error_left=None if left is None else Side(left.error_cents, left.se_cents),
        inharmonicity=None if one.inharmonicity is None else Side(one.inharmonicity, one.inharmonicity_se),
    )


FORMS = (".svg", ".png", ".pdf")
"""Suffixes of a drawing's file."""

Pairs = list[tuple[Side | None, Side | None]]
"""As found and as left, session by session."""

_WIDTH, _LEFT, _RIGHT, _SCALE = 1080.0, 58.0, 16.0, 40.0
_PANEL = (_WIDTH - _LEFT - _RIGHT) / 3.0 - _SCALE
_TOP, _ROW, _GAP, _BOTTOM = 150.0, 66.0, 18.0, 48.0
_SMALL = 11.0
_CHARACTER = 6.6  # width of one at the small size, and a little more: other fonts may be wider
_MOST_TICKS = 6
_dates: Any = matplotlib_dates  # it has no types
# Formats of years, months, days, and shorter times (which do not occur); of a year's or a month's first day; and of
# the year where no label has it.
_DATES = ["%Y", "%b", "%d %b", "", "", ""]
_FIRST_DATES = ["%Y", "%Y", "%d %b", "", "", ""]
_YEARS = ["", "%Y", "%Y", "", "", ""]
_SHARE_ON_SCALE = 0.95  # share of all values on the scale
_LEAST_PAD_DAYS, _PAD = 12.0, 0.05


@dataclass(frozen=True)
class Column:
    """One quantity: its title, its values by string, the possible ends of its scale, and its limit."""

    title: str
    values: dict[int, Pairs]
    ends: tuple[float, ...]
    band: float

    @property
    def end(self) -> float:
        """The end of the scale: the first one beyond all values but the farthest few, which would flatten the
        rest."""
        known = [side for pairs in self.values.values() for pair in pairs for side in pair if side is not None]
        reach = sorted(abs(side.value) + side.se for side in known) or [0.0]
        most = reach[min(len(reach) - 1, int(_SHARE_ON_SCALE * len(reach)))]
        return next((end for end in self.ends if most <= end), self.ends[-1])


def columns(visits: Sequence[Visit]) -> tuple[Column, ...]:
    """Return the three quantities to draw, of sessions from the oldest to the newest."""
    newest, numbers = visits[-1], range(1, max(len(one.strings) for one in visits) + 1)
    opened = {n: [(s.open_found, s.open_left) if s else (None, None) for s in _of(visits, n)] for n in numbers}
    errors = {n: [(s.error_found, s.error_left) if s else (None, None) for s in _of(visits, n)] for n in numbers}
    stiffness: dict[int, Pairs] = {n: [(None, side) for side in stiffness_since_new(visits, n)] for n in numbers}
    fret = "the fret compared" if newest.fret is None else f"fret {newest.fret}"
    return (
        Column("Open string, cents from pitch", opened, (5.0, 10.0, 20.0, 40.0), TUNING_WINDOW_CENTS),
        Column(f"Error at {fret}, cents", errors, (3.0, 5.0, 10.0, 20.0), newest.tolerance_cents),
        Column("Inharmonicity since new, %", stiffness, (5.0, 10.0, 20.0, 40.0), 0.0),
    )


def _of(visits: Sequence[Visit], string: int) -> list[StringVisit | None]:
    return [one.strings[string - 1] if string <= len(one.strings) else None for one in visits]


def write(visits: Sequence[Visit], identity: str, path: Path) -> None:
    """Draw sessions, at least one, the oldest first, into a file with one of the suffixes in ``FORMS``.

    Raises:
        InputError: another suffix, or the file can't be written; an older one of that name then stays.
    """
    form = path.suffix.lower()
    if form not in FORMS:
        raise InputError(f"--plot {path}: the name has to end in {', '.join(FORMS[:-1])} or {FORMS[-1]}")
    with style():
        figure = drawn(visits, identity)
        if form == ".svg":
            written = svg(figure, "history", f"{identity}: {_when(visits)}", described(visits)).encode()
        else:
            written = png(figure) if form == ".png" else pdf(figure)
    try:
        with whole_file(path) as file:
            file.write(written)
    except OSError as error:
        raise InputError(f"--plot {path} can't be written ({error.strerror}): choose another place") from None


def described(visits: Sequence[Visit]) -> str:
    """Return a description of the drawing for readers who can't see it."""
    quick = sum(one.quick for one in visits)
    fitted = _fitted(visits)
    parts = [f"{counted(len(visits) - quick, 'set-up')} and {counted(quick, 'quick check')}"]
    parts += [f"strings put on {', '.join(day.isoformat() for day in fitted)}"] if fitted else []
    for column in columns(visits):
        worst = _worst(column)
        if worst is not None:
            string, value = worst
            parts.append(f"{column.title}: largest {value:+.1f}, string {string}")
    return "; ".join(parts) + "."


def _worst(column: Column) -> tuple[int, float] | None:
    known = [(n, s.value) for n, pairs in column.values.items() for pair in pairs for s in pair if s is not None]
    return max(known, key=lambda one: abs(one[1]), default=None)


def _fitted(visits: Sequence[Visit]) -> list[date]:
    """Return the known days on which strings were put on."""
    return [date.fromisoformat(day) for day in sorted({one.strings_fitted for one in visits} - {""})]


def _when(visits: Sequence[Visit]) -> str:
    """Return the number of sessions, and their first and last day."""
    first, last = visits[0].at.date(), visits[-1].at.date()
    return f"{counted(len(visits), 'session')}, {first}" + (f" to {last}" if last != first else "")


@dataclass(frozen=True)
class _Time:
    """The axis of time, in matplotlib's days."""

    first: float
    last: float

    def x(self, at: float, left: float) -> float:
        return left + _PANEL * (at - self.first) / (self.last - self.first)


def _day_of(moment: date) -> float:
    return float(_dates.date2num(moment))


def drawn(visits: Sequence[Visit], identity: str) -> Figure:
    """Return the figure. Call within ``drawing.style``."""
    quantities = columns(visits)
    numbers = sorted(quantities[0].values)
    height = _TOP + len(numbers) * (_ROW + _GAP) + _BOTTOM
    figure = blank(_WIDTH, height)
    page = page_axes(figure)
    begun, ended = _day_of(visits[0].at), _day_of(visits[-1].at)
    pad = max(_LEAST_PAD_DAYS, _PAD * (ended - begun))
    time = _Time(begun - pad, ended + pad)
    size = min(17.0, 17.0 * 38.0 / len(identity))  # room for the longest name in the widest letters
    page.text(16.0, 28.0, identity, fontsize=size, fontweight="bold", va="center")
    page.text(_WIDTH - _RIGHT, 28.0, _when(visits), fontsize=13.0, ha="right", va="center")
    _legend(page)
    lefts = [_LEFT + _SCALE + n * (_PANEL + _SCALE) for n in range(3)]
    bottom = _TOP + len(numbers) * (_ROW + _GAP) - _GAP
    for left, column in zip(lefts, quantities, strict=True):
        page.text(left, 120.0, column.title, fontweight="bold", va="center")
        _calendar(page, time, left, bottom, _fitted(visits))
    for row, number in enumerate(numbers):
        top = _TOP + row * (_ROW + _GAP)
        note = next(one.strings[number - 1].summary.note for one in reversed(visits) if number <= len(one.strings))
        page.text(16.0, top + _ROW / 2.0, f"{number}  {note}", fontsize=14.0, fontweight="bold", va="center")
        for left, column in zip(lefts, quantities, strict=True):
            _panel(page, time, left, top, column, visits, number)
    _foot(page, bottom + 46.0, visits)
    return figure


def _calendar(page: Axes, time: _Time, left: float, bottom: float, fitted: Sequence[date]) -> None:
    """Draw string changes, and the dates below the last row."""
    locator = _dates.AutoDateLocator(minticks=3, maxticks=_MOST_TICKS)
    ticks = locator.tick_values(*(_dates.num2date(day) for day in (time.first, time.last)))
    formatter = _dates.ConciseDateFormatter(locator, formats=_DATES, zero_formats=_FIRST_DATES, offset_formats=_YEARS)
    for day, label in zip(ticks, formatter.format_ticks(ticks), strict=True):
        if time.first <= day <= time.last:
            x = time.x(day, left)
            page.plot([x, x], [_TOP, bottom], color=LIGHT.faint, linewidth=1.0, zorder=1.0)
            page.plot([x, x], [bottom, bottom + 5.0], color=LIGHT.line, linewidth=1.0)
            inside = min(x, left + _PANEL + _RIGHT - _CHARACTER * len(label) / 2.0)
            page.text(inside, bottom + 14.0, label, fontsize=_SMALL, color=LIGHT.soft, ha="center", va="center")
    year = formatter.get_offset()
    page.text(left + _PANEL, bottom + 28.0, year, fontsize=_SMALL, color=LIGHT.soft, ha="right", va="center")
    for day in map(_day_of, fitted):
        if time.first <= day <= time.last:
            x = time.x(day, left)
            page.plot([x, x], [_TOP - 6.0, bottom], color=LIGHT.alert, lw=1.2, ls=(0, (4, 3)), zorder=2.5)
            page.plot([x], [_TOP - 6.0], marker="v", markersize=8.0, color=LIGHT.alert, linestyle="none")


def _panel(
    page: Axes, time: _Time, left: float, top: float, column: Column, visits: Sequence[Visit], number: int
) -> None:
    end = column.end
    middle, half = top + _ROW / 2.0, _ROW / 2.0

    def y(value: float) -> float:
        return middle - half * max(-1.0, min(1.0, value / end))

    right = left + _PANEL
    if column.band:
        page.fill([left, right, right, left], [y(column.band)] * 2 + [y(-column.band)] * 2, color=LIGHT.band, lw=0.0)
        for edge in (column.band, -column.band):
            page.plot([left, right], [y(edge)] * 2, color=LIGHT.line, linewidth=0.7, linestyle=(0, (2, 3)))
    page.plot([left, right], [middle, middle], color=LIGHT.line, linewidth=1.0)
    for edge in (top, top + _ROW):
        page.plot([left, right], [edge, edge], color=LIGHT.faint, linewidth=1.0)
    for value in (end, 0.0, -end):
        at = y(value) + (4.0 if value > 0.0 else -4.0 if value < 0.0 else 0.0)
        text = f"{value:+g}".replace("-", "−") if value else "0"
        page.text(left - 6.0, at, text, fontsize=_SMALL, color=LIGHT.soft, ha="right", va="center")
    pairs = column.values[number]
    before: tuple[int, float, Side] | None = None
    for n, (found, last) in enumerate(pairs):
        x = time.x(_day_of(visits[n].at), left)
        came = found or last
        if came is not None and before is not None and same_strings(visits[before[0]], visits[n], number):
            page.plot([before[1], x], [y(before[2].value), y(came.value)], color=LIGHT.line, lw=1.1, zorder=2.0)
        if found is not None and last is not None:
            page.plot([x, x], [y(found.value), y(last.value)], color=LIGHT.before, lw=1.1, zorder=2.2)
        if found is not None:
            _mark(page, x, y, found, end, "o", LIGHT.before, hollow=True)
        if last is not None:
            shape, colour = ("D", LIGHT.ink) if visits[n].quick else ("s", LIGHT.after)
            _mark(page, x, y, last, end, shape, colour)
        if last is not None or found is not None:
            before = n, x, last or found or Side(0.0, 0.0)


def _mark(
    page: Axes,
    x: float,
    y: Callable[[float], float],
    side: Side,
    end: float,
    shape: str,
    colour: str,
    *,
    hollow: bool = False,
) -> None:
    """Draw one value with its standard error, or an arrow at the edge if it is beyond the scale."""
    beyond = abs(side.value) > end
    if beyond:
        shape = "^" if side.value > 0.0 else "v"
    else:
        page.plot([x, x], [y(side.value - side.se), y(side.value + side.se)], color=colour, lw=1.3, zorder=2.4)
    size = 6.5 if hollow else 5.5 if shape == "s" else 5.0
    fill = LIGHT.paper if hollow else colour
    page.plot([x], [y(side.value)], marker=shape, ms=size, color=fill, mec=colour, mew=1.4, ls="none", zorder=3.0)


def _legend(page: Axes) -> None:
    """Draw the meaning of the marks, in two lines."""
    x, y = 22.0, 58.0
    marks = (
        ("o", LIGHT.before, True, "as found"),
        ("s", LIGHT.after, False, "as left by a set-up"),
        ("D", LIGHT.ink, False, "quick check"),
        ("^", LIGHT.ink, False, "beyond the scale"),
        ("v", LIGHT.alert, False, "new strings"),
    )
    for shape, colour, hollow, text in marks:
        fill = LIGHT.paper if hollow else colour
        page.plot([x], [y], marker=shape, markersize=7.0, color=fill, mec=colour, mew=1.4, linestyle="none")
        page.text(x + 10.0, y, text, va="center")
        x += 36.0 + 7.6 * len(text)
    page.plot([x, x], [y - 8.0, y + 8.0], color=LIGHT.ink, linewidth=1.3)
    page.text(x + 8.0, y, "1 standard error", va="center")
    x, y = 16.0, 82.0
    page.fill([x, x + 16.0, x + 16.0, x], [y - 7.0, y - 7.0, y + 7.0, y + 7.0], color=LIGHT.band, linewidth=0.0)
    page.text(x + 22.0, y, "within limits", va="center")
    x += 152.0
    page.plot([x, x + 18.0], [y, y], color=LIGHT.line, linewidth=1.1)
    page.text(x + 24.0, y, "change between sessions", va="center")


def _foot(page: Axes, y: float, visits: Sequence[Visit]) -> None:
    unknown = not all(one.strings_fitted for one in visits)
    words = "Inharmonicity: compared with the first session with the same strings."
    if unknown:
        words += " Strings whose date is unknown count as the same ones."
    page.text(16.0, y, words, fontsize=_SMALL, color=LIGHT.soft, va="center")
