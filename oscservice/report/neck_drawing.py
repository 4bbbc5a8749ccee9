"""The neck as a player sees it: each string is a line, displaced at each fret by its error in cents.

On a wide page the neck lies: the nut is on the left, string 1 on top, and up is sharp. On a narrow page it is upright:
the nut is on top, string 1 on the right, and right is sharp. Frets are at their real distances, and thick strings are
drawn thicker. Where strings differ in scale, the frets fan out, and the saddles are drawn too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from oscservice.report.drawing import (
    DASHED,
    DOTTED,
    LIGHT,
    NARROW_PX,
    PIECE_PX,
    ROW_PX,
    SMALL_PX,
    WIDE_PX,
    Entry,
    arrow,
    blank,
    dot,
    draw_key,
    line,
    marked,
    name_string,
    nice_above,
    nice_below,
    page_axes,
    rows_of,
    signed,
    width_px,
)
from oscservice.report.facts import AtFret, Facts, StringFact, Value
from oscservice.report.neck_plan import NeckPlan, neck_plan
from oscservice.sentences.plural import counted
from oscservice.session.vocabulary import Status

_UPRIGHT_NECK_PX = 560.0
_LABEL_PX = 58.0
_SHARE = 0.46  # largest error, as a share of the distance between two strings
_MOST_TOLERANCES = 8.0  # largest error drawn: the tolerance itself must be visible
_LEAST_TOLERANCES = 3.0
_LEAST_LIMIT_CENTS = 4.0
_USUAL_FRETS = (12, 5, 7, 3, 9, 17, 24, 1, 15, 19, 21, 36, 29, 33, 27, 31)
_FRET_SPACE_PX = 20.0
_SADDLE = 0.3  # half of a saddle's breadth, as a share of the distance between two strings
_SADDLE_LW = 2.5


@dataclass(frozen=True)
class _Board:
    """The scale of the drawing. ``to`` turns a share of the way along the neck, and pixels from a string's rest toward
    sharp, into a place on the page. Cents are drawn up to ``limit_cents``, each ``cent_px``."""

    facts: Facts
    plan: NeckPlan
    axes: Axes
    lying: bool
    between_px: float
    limit_cents: float
    rest_px: Callable[[int], float]
    nut_px: float
    neck_px: float

    @property
    def cent_px(self) -> float:
        return self.between_px * _SHARE / self.limit_cents

    def to(self, string: int, along: float, across_px: float) -> tuple[float, float]:
        at = self.nut_px + along * self.neck_px
        rest = self.rest_px(string)
        return (at, rest - across_px) if self.lying else (rest + across_px, at)

    def along(self, string: int, fret: int) -> float:
        """Return the place of a fret under a string as a share of the way along the neck; fret 0 is the nut."""
        return self.plan.frets[fret][string - 1]

    def edge_px(self, fret: int) -> float:
        """Return where a fret meets the side of the board, beyond the last string."""
        return self.nut_px + self.plan.edges(fret)[1] * self.neck_px


def limit_of(facts: Facts) -> float:
    """Return the largest error in cents that is drawn: all errors as left, if the tolerance remains visible."""
    tolerance = facts.overview.tolerance_cents
    left = [abs(value.value) + value.se for value in _values(facts, found=False)]
    most = max(_MOST_TOLERANCES * tolerance, _LEAST_LIMIT_CENTS)
    return nice_above(min(max([*left, _LEAST_TOLERANCES * tolerance]), most))


def is_cut(facts: Facts) -> bool:
    """Return True when an error is larger than is drawn."""
    return any(abs(value.value) > limit_of(facts) for value in [*_values(facts, True), *_values(facts, False)])


def draw(facts: Facts, *, wide: bool) -> Figure:
    """Return the neck, horizontal on a wide page or upright on a narrow one. Call within ``drawing.style``."""
    return _lying(facts) if wide else _upright(facts)


def _lying(facts: Facts) -> Figure:
    count = len(facts.results)
    remarks = {one.string: _remarks(one) for one in facts.results}
    right = max((width_px(text) for said in remarks.values() for text in said), default=0.0) + 18.0
    limit = limit_of(facts)
    between = 76.0 if count <= 6 else 66.0 if count <= 8 else 56.0
    key = rows_of(_key(facts, limit, between, lying=True), WIDE_PX)
    top = len(key) * ROW_PX + 8.0
    bottom = top + count * between
    figure = blank(WIDE_PX, bottom + 26.0)
    axes = page_axes(figure)
    draw_key(axes, key, 2.0, 0.0)
    neck_px = WIDE_PX - _LABEL_PX - right
    plan = _plan(facts)
    board = _Board(facts, plan, axes, True, between, limit, lambda n: top + (n - 0.5) * between, _LABEL_PX, neck_px)
    _frets(board, top, bottom)
    for fret in _labelled(board):
        axes.text(board.edge_px(fret), bottom + 17.0, str(fret), ha="center", color=LIGHT.soft, size=SMALL_PX)
    axes.text(_LABEL_PX - 9.0, bottom + 17.0, "fret", ha="right", color=LIGHT.soft, size=SMALL_PX)
    for one in facts.results:
        y = board.rest_px(one.string)
        name_string(axes, 2.0, y + 4.0, one.string, one.note)
        said = remarks[one.string]
        for row, text in enumerate(said):
            shift = (row - 0.5 * (len(said) - 1)) * 14.0
            axes.text(WIDE_PX - right + 12.0, y + 4.0 + shift, text, size=SMALL_PX)
        _string(board, one)
    return figure


def _upright(facts: Facts) -> Figure:
    count = len(facts.results)
    left = 30.0
    limit = limit_of(facts)
    between = min((NARROW_PX - left - 4.0) / count, 110.0)
    key = rows_of(_key(facts, limit, between, lying=False), NARROW_PX)
    top = len(key) * ROW_PX + 26.0
    nut = top + 24.0
    figure = blank(NARROW_PX, nut + _UPRIGHT_NECK_PX + 6.0)
    axes = page_axes(figure)
    draw_key(axes, key, 2.0, 0.0)
    plan = _plan(facts)
    board = _Board(
        facts, plan, axes, False, between, limit, lambda n: left + (count - n + 0.5) * between, nut, _UPRIGHT_NECK_PX
    )
    _frets(board, left, left + count * between)
    for fret in _labelled(board):
        axes.text(left - 7.0, board.edge_px(fret) + 4.0, str(fret), ha="right", color=LIGHT.soft, size=SMALL_PX)
    for one in facts.results:
        x = board.rest_px(one.string)
        axes.text(x, top, f"{one.string}×" if one.out else f"{one.string}", ha="center", weight="bold")
        size = SMALL_PX if count <= 8 else 9.5
        axes.text(x, top + 15.0, one.note, ha="center", size=size, color=LIGHT.soft)
        _string(board, one)
    return figure


def _plan(facts: Facts) -> NeckPlan:
    assert facts.instrument is not None
    return neck_plan(facts.instrument, {one.string: one.moved_mm for one in facts.results})


def _values(facts: Facts, found: bool) -> Iterator[Value]:
    for one in facts.compared:
        for at in one.frets:
            value = at.found if found else at.left
            if value is not None:
                yield value


def _labelled(board: _Board) -> list[int]:
    """Return the frets with a number: those that were compared, then the usual ones, where there is space."""
    assert board.facts.instrument is not None
    last = board.facts.instrument.frets
    found: list[int] = []
    for fret in (*board.facts.overview.frets, *_USUAL_FRETS, last):
        distances = (abs(board.edge_px(fret) - board.edge_px(other)) for other in found)
        if fret <= last and all(px >= _FRET_SPACE_PX for px in distances):
            found.append(fret)
    return found


def _frets(board: _Board, first_px: float, last_px: float) -> None:
    assert board.facts.instrument is not None
    for fret, places in enumerate(board.plan.frets):
        edges = board.plan.edges(fret)
        rows = [(board.rest_px(number), share) for number, share in enumerate(places, start=1)]
        sides = [(first_px, edges[0] if board.lying else edges[1]), (last_px, edges[1] if board.lying else edges[0])]
        points = [(row, board.nut_px + share * board.neck_px) for row, share in sorted(rows + sides)]
        if not board.plan.fanned:
            points = [points[0], points[-1]]
        ends = [(at, row) for row, at in points] if board.lying else points
        line(board.axes, ends, color=LIGHT.line if fret else LIGHT.ink, lw=0.6 if fret else 4.0, solid_capstyle="butt")
    for number, share in enumerate(board.plan.saddles, start=1):
        half = _SADDLE * board.between_px
        ends = [board.to(number, share, across) for across in (half, -half)]
        line(board.axes, ends, color=LIGHT.soft, lw=_SADDLE_LW, solid_capstyle="butt")


def _string(board: _Board, one: StringFact) -> None:
    """Draw one string: the band of its tolerance, its rest, its errors as found and as left."""
    axes, number = board.axes, one.string
    within = board.facts.overview.tolerance_cents * board.cent_px
    nut, end = board.along(number, 0), board.plan.ends[number - 1]
    corners = [board.to(number, *at) for at in ((nut, within), (end, within), (end, -within), (nut, -within))]
    axes.fill([x for x, _ in corners], [y for _, y in corners], color=LIGHT.band, lw=0.0)
    for across in (within, -within):
        line(axes, [board.to(number, nut, across), board.to(number, end, across)], color=LIGHT.line, lw=0.8, ls=DOTTED)
    far = board.plan.saddles[number - 1] if board.plan.fanned else end
    line(axes, [board.to(number, nut, 0.0), board.to(number, far, 0.0)], color=LIGHT.line, lw=0.8)
    if not one.frets:
        if board.lying:
            x, y = board.to(number, 0.5, 0.0)
            axes.text(x, y + 4.0, "not compared", ha="center", size=SMALL_PX, bbox={"fc": LIGHT.paper, "lw": 0.0})
        return
    found = [(at.fret, at.found.value) for at in one.frets if at.found is not None]
    _line_over_frets(board, number, found, color=LIGHT.before, lw=1.4, ls=DASHED)
    assert board.facts.instrument is not None
    thick = 0.9 + 1.5 * math.sqrt(board.facts.instrument.strings[number - 1].gauge_mm)
    left = [(at.fret, at.left.value) for at in one.frets if at.left is not None]
    _line_over_frets(board, number, left, color=LIGHT.after, lw=thick)
    for at in one.frets:
        if at.left is not None:
            _whisker(board, number, at, at.left)


def _line_over_frets(board: _Board, number: int, points: Sequence[tuple[int, float]], **how: object) -> None:
    """Draw a line from the nut over the frets. Where it leaves the drawing it ends in an arrowhead."""
    before = (board.along(number, 0), 0.0)
    inside = [board.to(number, *before)]
    for fret, cents in points:
        along = board.along(number, fret)
        if abs(cents) <= board.limit_cents:
            inside.append(board.to(number, along, cents * board.cent_px))
            before = (along, cents)
            continue
        edge = math.copysign(board.limit_cents, cents)
        share = (edge - before[1]) / (cents - before[1])
        x, y = board.to(number, before[0] + share * (along - before[0]), edge * board.cent_px)
        inside.append((x, y))
        arrow(board.axes, x, y, _turned(board, cents), colour=str(how["color"]), size=7.0)
        break
    if points:
        line(board.axes, inside, **how)


def _turned(board: _Board, cents: float) -> float:
    return (0.0 if cents > 0.0 else 180.0) - (0.0 if board.lying else 90.0)


def _whisker(board: _Board, number: int, at: AtFret, left: Value) -> None:
    """Draw the standard error at a fret, a dot if it was plucked, an arrowhead if the error is clearly too large."""
    along, limit = board.along(number, at.fret), board.limit_cents
    if abs(left.value) <= limit:
        ends = [max(-limit, min(limit, left.value + way * left.se)) * board.cent_px for way in (1.0, -1.0)]
        line(board.axes, [board.to(number, along, end) for end in ends], color=LIGHT.after, lw=1.7)
        if at.plucked:
            dot(board.axes, *board.to(number, along, left.value * board.cent_px))
    if marked(left.value, left.se, board.facts.overview.tolerance_cents):
        out = min(abs(left.value) + left.se, limit) * board.cent_px + 6.0
        x, y = board.to(number, along, math.copysign(out, left.value))
        arrow(board.axes, x, y, _turned(board, left.value), size=6.5)


def _remarks(one: StringFact) -> tuple[str, ...]:
    """Return the remarks beside a string: whether it was left out, its largest error and the fret."""
    said = {Status.SET_ASIDE: ["set aside"], Status.OUT_OF_TRAVEL: ["out of travel"]}.get(Status(one.status), [])
    known = [(at.left.value, at.fret) for at in one.frets if at.left is not None]
    if known:
        cents, fret = max(known, key=lambda item: abs(item[0]))
        said.append(f"largest {signed(cents)} at {fret}")
        if not one.heard:
            said.append("expected")
    return tuple(said)


def _key(facts: Facts, limit_cents: float, between_px: float, *, lying: bool) -> list[Entry]:
    tolerance = facts.overview.tolerance_cents
    cent_px = between_px * _SHARE / limit_cents
    ruler_cents = nice_below((ROW_PX - 3.0 if lying else PIECE_PX) / cent_px)
    ruler_px = ruler_cents * cent_px

    def as_left(axes: Axes, x: float, y: float) -> None:
        line(axes, [(x, y), (x + PIECE_PX, y)], color=LIGHT.after, lw=2.0)

    def plucked(axes: Axes, x: float, y: float) -> None:
        line(axes, [(x + PIECE_PX / 2.0, y - 8.0), (x + PIECE_PX / 2.0, y + 8.0)], color=LIGHT.after, lw=1.7)
        dot(axes, x + PIECE_PX / 2.0, y)

    def as_found(axes: Axes, x: float, y: float) -> None:
        line(axes, [(x, y), (x + PIECE_PX, y)], color=LIGHT.before, lw=1.4, ls=DASHED)

    def band(axes: Axes, x: float, y: float) -> None:
        axes.fill([x, x + PIECE_PX, x + PIECE_PX, x], [y - 5.0, y - 5.0, y + 5.0, y + 5.0], color=LIGHT.band, lw=0.0)
        for across in (5.0, -5.0):
            line(axes, [(x, y + across), (x + PIECE_PX, y + across)], color=LIGHT.line, lw=0.8, ls=DOTTED)
        line(axes, [(x, y), (x + PIECE_PX, y)], color=LIGHT.line, lw=0.8)

    def saddle(axes: Axes, x: float, y: float) -> None:
        x += PIECE_PX / 2.0
        ends = [(x, y - 7.0), (x, y + 7.0)] if lying else [(x - 7.0, y), (x + 7.0, y)]
        line(axes, ends, color=LIGHT.soft, lw=_SADDLE_LW, solid_capstyle="butt")

    def too_far(axes: Axes, x: float, y: float) -> None:
        arrow(axes, x + PIECE_PX / 2.0, y, 0.0)

    def ruler(axes: Axes, x: float, y: float) -> None:
        x += PIECE_PX / 2.0
        half = ruler_px / 2.0
        ends = [(x, y - half), (x, y + half)] if lying else [(x - half, y), (x + half, y)]
        line(axes, ends, color=LIGHT.ink, lw=2.0, solid_capstyle="butt")

    entries = [Entry("as left", as_left)]
    if any(True for _ in _values(facts, found=True)):
        entries.append(Entry("as found", as_found))
    entries += [
        Entry("plucked, ± 1 sd", plucked),
        Entry(f"tolerance ± {counted(tolerance, 'cent')}", band),
    ]
    if any(marked(value.value, value.se, tolerance) for value in _values(facts, found=False)):
        entries.append(Entry("clearly beyond it", too_far))
    if _plan(facts).fanned:
        entries.append(Entry("saddle", saddle))
    entries.append(Entry(f"{counted(ruler_cents, 'cent')}; {'up' if lying else 'right'} is sharp", ruler))
    return entries
