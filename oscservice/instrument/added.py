"""Kinds of bridge that other packages add, as plain data: what an instrument file may name beside the built-in kinds.

What a file makes of a kind goes into the instrument itself, so that a record needs the kind no more.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from oscservice.instrument.spec import ADJUSTER_SHARE, MEANS, SCREW, THREAD_RANGE_MM

Layout = Mapping[str, Mapping[int, float]]
"""Each adjuster's name, and what it moves: string number -> mm of that string's saddle per mm of the adjuster."""

_LONGEST_NAME = 40


@dataclass(frozen=True)
class AddedKind:
    """A kind of bridge.

    Attributes:
        means: what moves an adjuster, one of MEANS.
        slacken: a string must be slackened before its saddle is moved, unless the file says otherwise.
        floating: the bridge moves when the strings' tension changes.
        mm_per_turn: thread of its screws, if the file gives none; None where the file has to, or there is no screw.
        step_mm: smallest step, if the file gives none; None for that of its means.
        layouts: number of strings -> the adjusters of a bridge for so many.
    """

    means: str
    slacken: bool
    floating: bool
    mm_per_turn: float | None
    step_mm: float | None
    layouts: Mapping[int, Layout]

    @property
    def screws(self) -> bool:
        """Whether its adjusters are driven by screws."""
        return self.means == SCREW


Kinds = Mapping[str, AddedKind]
"""Added kinds by the name that files give."""

NO_KINDS: Kinds = MappingProxyType({})


def checked(kind: AddedKind) -> AddedKind:
    """The same, if it can be a kind of bridge.

    Raises:
        ValueError: what can't be, in one line.
    """
    if kind.means not in MEANS:
        raise ValueError(f"means {kind.means!r}; expected one of {', '.join(MEANS)}")
    if not isinstance(kind.slacken, bool) or not isinstance(kind.floating, bool):
        raise ValueError("slacken and floating are True or False")
    low, high = THREAD_RANGE_MM
    thread = kind.mm_per_turn
    if thread is not None and not (kind.screws and _number(thread) and low <= thread <= high):
        raise ValueError(f"mm_per_turn {thread!r}; expected {low:g} to {high:g} for a screw, None for what has none")
    if kind.step_mm is not None and not (_number(kind.step_mm) and 0.0 < kind.step_mm <= 5.0):
        raise ValueError(f"step_mm {kind.step_mm!r}; expected a number above 0, to 5, or None")
    if not kind.layouts:
        raise ValueError("no number of strings it is made for")
    for strings, layout in kind.layouts.items():
        _check_layout(strings, layout)
    return kind


def _check_layout(strings: int, layout: Layout) -> None:
    where = f"with {strings} strings"
    if not isinstance(layout, Mapping) or not 1 <= len(layout) <= 2 * strings:
        raise ValueError(f"{where}: expected 1 to {2 * strings} adjusters, each name with what it moves")
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
