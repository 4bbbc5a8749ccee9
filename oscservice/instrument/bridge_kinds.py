"""The kinds of bridge: means to move the saddles, strings that share an adjuster, and values a file may leave out.

A file gives the balance of its bridge and the kind of its saddles. A kind of saddle is one entry of ``SADDLE_KINDS``,
with a preset in ``presets/`` that has such saddles. Files of older versions name both with one word, of
``BUILT_IN_KINDS``. Other packages may add kinds: they are records of the same form.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from oscservice.instrument.hardware import (
    AWAY_FROM_NUT,
    CLAMPED,
    CLOCKWISE_WAYS,
    FIXED,
    PAIRED,
    SCREW_DRIVEN,
    SHAPED_SADDLE,
    SPRING_BALANCED,
    TWO_SCREW_BAR,
)
from oscservice.instrument.spec import (
    ADJUSTER_SHARE,
    BY_HAND,
    MEANS,
    MOST_STRINGS,
    OLD_KINDS,
    SCREW,
    SHAPED,
    THREAD_RANGE_MM,
)
from oscservice.sentences.plural import counted

Layout = Mapping[str, Mapping[int, float]]
"""Each adjuster's name, and the strings it moves: string number -> mm of its saddle per mm of the adjuster."""

_LONGEST_NAME = 40


@dataclass(frozen=True)
class BridgeSize:
    """The dimensions of a bridge that its layout may depend on.

    Attributes:
        strings: number of strings.
        string_spread_mm: distance between the outer strings.
        screw_span_mm: distance between the two screws of a bar.
    """

    strings: int
    string_spread_mm: float = 52.0
    screw_span_mm: float = 82.0


@dataclass(frozen=True)
class BridgeKind:
    """A kind of bridge.

    Attributes:
        means: the way an adjuster is moved, one of MEANS.
        layout: returns the adjusters of a bridge of this size. Raises KeyError for a number of strings that is not in
            ``made_for``.
        slacken: a string must be slackened before its saddle is moved, unless the file says otherwise.
        floating: the bridge is balanced by springs: it moves when the strings' tension changes.
        mm_per_turn: thread of its screws, if the file gives none; None where the file has to, or there is no screw.
        step_mm: smallest step, if the file gives none; None for that of its means.
        made_for: numbers of strings that it is made for.
        may_lack_travel: a file may give no travel: then nothing on the bridge can be moved.
        end_screws: its two screws are at the ends of a bar, outside the strings.
        clockwise: the way of a saddle whose screw is turned clockwise, if the file says nothing; None if not known.
        saddle: its kind of saddle; None for that of another package.
    """

    means: str
    layout: Callable[[BridgeSize], Layout]
    slacken: bool = False
    floating: bool = False
    mm_per_turn: float | None = None
    step_mm: float | None = None
    made_for: Collection[int] = range(1, MOST_STRINGS + 1)
    may_lack_travel: bool = False
    end_screws: bool = False
    clockwise: str | None = None
    saddle: str | None = None

    @property
    def screws(self) -> bool:
        """True if its adjusters are driven by screws."""
        return self.means == SCREW


# Which strings share an adjuster


def _one_for_each(part: str) -> Callable[[BridgeSize], Layout]:
    """Return the layout of a bridge with one such part for each string."""
    return lambda size: {f"{part} {n}": {n: 1.0} for n in range(1, size.strings + 1)}


def _pairs(size: BridgeSize) -> Layout:
    """Return the layout of a bridge with one saddle for two strings; an odd last string has its own."""
    last = size.strings + 1
    pairs = [range(first, min(first + 2, last)) for first in range(1, last, 2)]
    return {f"saddle {'+'.join(map(str, pair))}": dict.fromkeys(pair, 1.0) for pair in pairs}


def _bar(size: BridgeSize) -> Layout:
    """Return the layout of a bar between two screws: each string moves by its place between them."""
    strings, span_mm = size.strings, size.screw_span_mm
    edge_mm = (span_mm - size.string_spread_mm) / 2.0
    step_mm = size.string_spread_mm / (strings - 1) if strings > 1 else 0.0
    first_mm = edge_mm if strings > 1 else span_mm / 2.0
    bass = {n: round((first_mm + step_mm * (n - 1)) / span_mm, 6) for n in range(1, strings + 1)}
    treble = {n: round(1.0 - share, 6) for n, share in bass.items()}
    # A screw right under a string: the other screw does not move that string.
    moving = [{n: share for n, share in side.items() if share >= ADJUSTER_SHARE[0]} for side in (treble, bass)]
    return dict(zip(("treble screw", "bass screw"), moving, strict=True))


# A saddle's screw has its head behind the bridge and draws the saddle to it: clockwise is away from the nut. A bar's
# two screws go in from behind and push against its posts: clockwise moves that end away from them, and so from the nut
# too (common practice, no source). Where the heads are on the nut's side, the file says so.
#
# Clamps bite into a saddle and a bar's stop screws carry every string: neither is moved under tension.
SADDLE_KINDS: Mapping[str, BridgeKind] = MappingProxyType(
    {
        CLAMPED: BridgeKind(BY_HAND, _one_for_each("saddle"), slacken=True, saddle=CLAMPED),
        SCREW_DRIVEN: BridgeKind(SCREW, _one_for_each("saddle"), clockwise=AWAY_FROM_NUT, saddle=SCREW_DRIVEN),
        PAIRED: BridgeKind(SCREW, _pairs, clockwise=AWAY_FROM_NUT, saddle=PAIRED),
        TWO_SCREW_BAR: BridgeKind(
            SCREW, _bar, slacken=True, end_screws=True, clockwise=AWAY_FROM_NUT, saddle=TWO_SCREW_BAR
        ),
        SHAPED_SADDLE: BridgeKind(
            SHAPED, _one_for_each("crown"), slacken=True, may_lack_travel=True, saddle=SHAPED_SADDLE
        ),
    }
)
"""Kinds of bridge by their saddles, fixed ones."""


def kind_of(balance: str, saddle: str) -> BridgeKind:
    """Return the kind of bridge with this balance and these saddles, one of BALANCES and one of SADDLES."""
    return replace(SADDLE_KINDS[saddle], floating=balance == SPRING_BALANCED)


_OLD_FLOATING = "clamped floating"

BUILT_IN_KINDS: Mapping[str, BridgeKind] = MappingProxyType(
    {name: kind_of(SPRING_BALANCED if name == _OLD_FLOATING else FIXED, saddle) for name, saddle in OLD_KINDS.items()}
)
"""Built-in kinds by the one word that files of older versions give."""

Kinds = Mapping[str, BridgeKind]
"""Kinds from other packages by the name that files give."""

NO_KINDS: Kinds = MappingProxyType({})


def find_kind(name: str, added: Kinds) -> BridgeKind | None:
    """Return the kind of this name, or None. The ``added`` kinds are not read for the name of a built-in one."""
    return BUILT_IN_KINDS.get(name) or added.get(name)


# What is possible


def checked(kind: BridgeKind) -> BridgeKind:
    """Return the same kind, if it is a possible kind of bridge.

    Raises:
        ValueError: the mistake, in one line.
    """
    if kind.means not in MEANS:
        raise ValueError(f"means {kind.means!r}; expected one of {', '.join(MEANS)}")
    if not isinstance(kind.slacken, bool) or not isinstance(kind.floating, bool):
        raise ValueError("slacken and floating are True or False")
    if kind.clockwise is not None and not (kind.screws and kind.clockwise in CLOCKWISE_WAYS):
        raise ValueError(
            f"clockwise {kind.clockwise!r}; expected one of {', '.join(CLOCKWISE_WAYS)} for a screw, or None"
        )
    low, high = THREAD_RANGE_MM
    thread = kind.mm_per_turn
    if thread is not None and not (kind.screws and _number(thread) and low <= thread <= high):
        raise ValueError(f"mm_per_turn {thread!r}; expected {low:g} to {high:g} for a screw, None for what has none")
    if kind.step_mm is not None and not (_number(kind.step_mm) and 0.0 < kind.step_mm <= 5.0):
        raise ValueError(f"step_mm {kind.step_mm!r}; expected a number above 0 and up to 5, or None")
    if not kind.made_for:
        raise ValueError("no number of strings it is made for")
    for strings in kind.made_for:
        _check_layout(strings, kind.layout(BridgeSize(strings)))
    return kind


def _check_layout(strings: int, layout: Layout) -> None:
    where = f"with {counted(strings, 'string')}"
    if not isinstance(layout, Mapping) or not 1 <= len(layout) <= 2 * strings:
        raise ValueError(f"{where}: expected 1 to {2 * strings} adjusters, each name with the strings that it moves")
    for name, influence in layout.items():
        if not isinstance(name, str) or not name.strip() or len(name) > _LONGEST_NAME or not name.isprintable():
            raise ValueError(f"{where}: an adjuster's name is a text of 1 to {_LONGEST_NAME} letters; got {name!r:.60}")
        if not isinstance(influence, Mapping) or not influence:
            raise ValueError(f"{where}: adjuster {name!r} moves no string")
        for number, share in influence.items():
            if type(number) is not int or not 1 <= number <= strings:
                raise ValueError(f"{where}: adjuster {name!r} moves string {number!r:.20}, which isn't there")
            low, high = ADJUSTER_SHARE
            if not _number(share) or not low <= abs(share) <= high:
                raise ValueError(f"{where}: adjuster {name!r} moves string {number} by {share!r:.20} mm a mm")


def _number(value: object) -> bool:
    return isinstance(value, float) or type(value) is int
