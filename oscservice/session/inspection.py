"""The inspection before a set-up: items, measured values and their limits, and the commands about them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

from oscservice.advice.instrument_changes import measured_change
from oscservice.instrument.modified_instrument import (
    with_action,
    with_height_over_fret_1,
    with_relief,
    with_strings_fitted,
)
from oscservice.instrument.setup_targets import ACTION_LIMITS_MM, NUT_LIMITS_MM, RELIEF_LIMITS_MM, Range, age_days
from oscservice.instrument.spec import Instrument
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Refused
from oscservice.session.state import State
from oscservice.session.vocabulary import STRINGS, InspectionVerdict

RELIEF, TREBLE, BASS = "relief", "action/treble", "action/bass"

_NUT = re.compile(r"nut/([1-9][0-9]?)")
_ROUNDED = 3  # digits after the point: a 32-bit number differs a little from what was typed


@dataclass(frozen=True)
class MeasuredItem:
    """A measured value and the range it is wanted in, mm."""

    what: str
    value_mm: float
    wanted_mm: Range

    @property
    def by_mm(self) -> float:
        """Distance outside the wanted range; + above, 0 inside."""
        low, high = self.wanted_mm
        return max(0.0, self.value_mm - high) + min(0.0, self.value_mm - low)

    def text(self, sentences: Sentences = ENGLISH) -> str:
        """The value compared with its target, in words."""
        name, _, place = self.what.partition("/")
        key = name if name == "nut" else self.what
        values = {"low": self.wanted_mm[0], "high": self.wanted_mm[1], "by": abs(self.by_mm), "value": self.value_mm}
        what = sentences.text("measured", key, "name", string=place)
        judged = "above" if self.by_mm > 0.0 else "below" if self.by_mm < 0.0 else "within"
        return sentences.text("words", judged, what=what, **values)


@dataclass(frozen=True)
class Age:
    """The age of the strings and the highest age wanted, in days."""

    days: int
    most: int

    def text(self, sentences: Sentences = ENGLISH) -> str:
        """The same in words."""
        return sentences.text("words", "old" if self.days > self.most else "fresh", days=self.days, most=self.most)


def item_of(what: str) -> str:
    """The inspection item of a measured value."""
    return what.partition("/")[0]


def measured_of(state: State, item: str) -> tuple[MeasuredItem, ...]:
    """The values measured for an item in this session, in order."""
    return tuple(_judged(state, what, mm) for what, mm in state.measured if item_of(what) == item)


def age_of(state: State) -> Age | None:
    """The age of the strings on the session's day; None where one of the days isn't known."""
    if state.instrument is None:
        return None
    days = age_days(state.day, state.instrument.set_up.strings_fitted)
    return None if days is None or days < 0 else Age(days, state.instrument.set_up.replace_after_days)


def off(state: State, item: str, sentences: Sentences = ENGLISH) -> str:
    """The reasons why an item can't pass, in words: a measured value out of range, strings too old; empty if it can."""
    texts = [one.text(sentences) for one in measured_of(state, item) if one.by_mm]
    age = age_of(state) if item == STRINGS else None
    if age is not None and age.days > age.most:
        texts.append(age.text(sentences))
    return "; ".join(texts)


# Commands


def inspect(state: State, command: cm.Inspect) -> list[ev.Event]:
    """An item, or all that wait, is passed, waived or failed."""
    names = [name for name, _ in state.items]
    if command.item != "all" and command.item not in names:
        raise Refused("missing", f"no inspection item {command.item!r}; expected all or one of {', '.join(names)}")
    if command.verdict not in (InspectionVerdict.PASSED, InspectionVerdict.WAIVED, InspectionVerdict.FAILED):
        raise Refused("range", f"{command.verdict!r} is no verdict; expected passed, waived or failed")
    if command.verdict == InspectionVerdict.WAIVED and not command.note.strip():
        raise Refused("refused", "an item is waived with a reason; give it as the third argument")
    waiting = [name for name, item in state.items if item.verdict is InspectionVerdict.WAITING]
    chosen = waiting if command.item == "all" else [command.item]
    if not chosen:
        failed = [name for name, item in state.items if item.verdict is InspectionVerdict.FAILED]
        raise Refused("refused", f"no item waits; pass or waive each failed one by name: {', '.join(failed)}")
    for name in chosen:
        against = off(state, name)
        if command.verdict == InspectionVerdict.PASSED and against:
            raise Refused("refused", f"{against}: correct the {name} and pass it again, or waive with a reason")
    return [ev.ItemInspected(name, command.verdict, command.note) for name in chosen]


def measure(state: State, command: cm.Measured) -> list[ev.Event]:
    """Relief, an action or a height over fret 1 was measured."""
    assert state.instrument is not None
    limits = _limits(state.instrument, command.what)
    if limits is None:
        known = f"{RELIEF}, {TREBLE}, {BASS}, nut/1 to nut/{len(state.instrument.strings)}"
        raise Refused("missing", f"{command.what[:40]!r} isn't measured; expected one of {known}")
    low, high = limits
    if not math.isfinite(command.value_mm) or not low <= command.value_mm <= high:
        raise Refused("range", f"{command.what} of {command.value_mm:g} mm; expected {low:g} to {high:g} mm")
    value_mm = round(command.value_mm, _ROUNDED)
    try:
        with_measured(state.instrument, command.what, value_mm, dict(state.measured))
    except ValueError as error:
        raise Refused("range", str(error)) from None
    text = _judged(state, command.what, value_mm).text()
    events: list[ev.Event] = [ev.ItemMeasured(item_of(command.what), command.what, value_mm, text)]
    return events + _noticed(state, command.what, value_mm)


def fit(state: State, command: cm.Fitted) -> list[ev.Event]:
    """Strings were fitted on a day."""
    assert state.instrument is not None
    try:
        instrument = with_strings_fitted(state.instrument, command.day)
        days = age_days(state.day or command.day, command.day)
    except ValueError:
        days = None
    if days is None:
        raise Refused("range", f"{command.day[:40]!r} is no date; expected one as 2026-11-25")
    if days < 0:
        raise Refused("range", f"strings fitted on {command.day}; expected {state.day} or a day before")
    age = age_of(replace(state, instrument=instrument))
    return [ev.StringsFitted(command.day, age.text() if age is not None else "")]


# Conclusions


def passed_but_off(state: State, item: str) -> bool:
    """True if an item passed although a value measured for it is out of range, or the strings are too old."""
    return dict(state.items)[item].verdict is InspectionVerdict.PASSED and bool(off(state, item))


def with_measured(instrument: Instrument, what: str, value_mm: float, before: dict[str, float]) -> Instrument:
    """The instrument with a measured value in it.

    Args:
        what: ``relief``, ``action/treble``, ``action/bass`` or ``nut/N``.
        before: what was measured in the session before. A relief measured for the first time after an action is the one
            that action was measured with; any other change of relief was made with the saddles as high as they are.

    Raises:
        ValueError: a value that can't be on this instrument.
    """
    if what == RELIEF:
        with_it = RELIEF not in before and (TREBLE in before or BASS in before)
        return with_relief(instrument, value_mm, heights_stay=not with_it)
    found = _NUT.fullmatch(what)
    if found is not None:
        return with_height_over_fret_1(instrument, int(found.group(1)), value_mm)
    first, last = instrument.strings[0].action_12_mm, instrument.strings[-1].action_12_mm
    alone = len(instrument.strings) == 1
    return with_action(
        instrument, value_mm if what == TREBLE or alone else first, value_mm if what == BASS or alone else last
    )


def _limits(instrument: Instrument, what: str) -> Range | None:
    found = _NUT.fullmatch(what)
    if found is not None:
        return NUT_LIMITS_MM if int(found.group(1)) <= len(instrument.strings) else None
    return {RELIEF: RELIEF_LIMITS_MM, TREBLE: ACTION_LIMITS_MM, BASS: ACTION_LIMITS_MM}.get(what)


def _judged(state: State, what: str, value_mm: float) -> MeasuredItem:
    assert state.instrument is not None
    wanted = state.instrument.wanted
    treble, bass, nut = wanted.action_treble_wanted_mm, wanted.action_bass_wanted_mm, wanted.nut_wanted_mm
    assert treble is not None
    assert bass is not None
    assert nut is not None
    ranges = {RELIEF: wanted.relief_wanted_mm, TREBLE: treble, BASS: bass}
    return MeasuredItem(what, value_mm, ranges.get(what, nut))


def _noticed(state: State, what: str, value_mm: float) -> list[ev.Event]:
    """The change since the instrument's last session that a measured value shows."""
    left = state.previous
    if left is None or _limits(left, what) is None:
        return []
    last = len(left.strings)
    found = _NUT.fullmatch(what)
    about = {RELIEF: (1, last), TREBLE: (1,), BASS: (last,)}.get(what, (int(found.group(1)),) if found else ())
    try:
        noticed = measured_change(left, with_measured(left, what, value_mm, {}), what, about)
    except ValueError:  # what is measured now couldn't be on the instrument of then
        return []
    return [] if noticed is None else [ev.ChangeNoticed(noticed.what, noticed.text)]
