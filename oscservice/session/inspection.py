"""The inspection before a set-up: items, measured values and their limits, and the commands about them."""

from __future__ import annotations

import math
import re
from contextlib import suppress
from dataclasses import dataclass, replace

from oscservice.advice.instrument_changes import measured_change
from oscservice.instrument.modified_instrument import (
    with_action,
    with_height_over_fret_1,
    with_relief,
    with_strings_described,
    with_strings_fitted,
)
from oscservice.instrument.setup_targets import (
    ACTION_LIMITS_MM,
    MOST_HOURS_PLAYED,
    NUT_LIMITS_MM,
    PICKUP_LIMITS_MM,
    RELIEF_LIMITS_MM,
    Range,
    age_days,
)
from oscservice.instrument.spec import Instrument
from oscservice.sentences.sentence_table import ENGLISH, Sentences
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.commands import Refused
from oscservice.session.state import State
from oscservice.session.vocabulary import STRINGS, InspectionVerdict, Phase

RELIEF, TREBLE, BASS = "relief", "action/treble", "action/bass"
PICKUP_TREBLE, PICKUP_BASS = "pickup/treble", "pickup/bass"

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

    def name(self, sentences: Sentences = ENGLISH) -> str:
        """The measured quantity in words."""
        name, _, place = self.what.partition("/")
        return sentences.text("measured", name if name == "nut" else self.what, "name", string=place)

    def text(self, sentences: Sentences = ENGLISH) -> str:
        """The value compared with its target, in words."""
        values = {"low": self.wanted_mm[0], "high": self.wanted_mm[1], "by": abs(self.by_mm), "value": self.value_mm}
        judged = "above" if self.by_mm > 0.0 else "below" if self.by_mm < 0.0 else "within"
        return sentences.text("words", judged, what=self.name(sentences), **values)


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
    name = what.partition("/")[0]
    return "pickups" if name == "pickup" else name


def measured_of(state: State, item: str) -> tuple[MeasuredItem, ...]:
    """The values measured for an item in this session, in order."""
    return tuple(_judged(state, what, mm) for what, mm in state.measured if item_of(what) == item)


def left_of(state: State, item: str) -> tuple[MeasuredItem, ...]:
    """The values measured for an item as the work leaves it, in order."""
    return tuple(_judged(state, what, mm) for what, mm in state.measured_left if item_of(what) == item)


def instrument_as_left(state: State) -> Instrument:
    """The instrument with the values in it that were measured as left; one that can't be on it is passed over."""
    assert state.instrument is not None
    instrument, before = state.instrument, dict[str, float]()
    for what, mm in state.measured_left:
        with suppress(ValueError):
            instrument = with_measured(instrument, what, mm, before)
            before[what] = mm
    return instrument


def age_of(state: State) -> Age | None:
    """The age of the strings on the session's day; None where one of the days isn't known."""
    if state.instrument is None:
        return None
    days = age_days(state.day, state.instrument.set_up.strings_fitted)
    return None if days is None or days < 0 else Age(days, state.instrument.set_up.replace_after_days)


def off(state: State, item: str, sentences: Sentences = ENGLISH) -> str:
    """The reasons why an item can't pass, in words: a measured value out of range, strings too old or not stretched in;
    empty if it can."""
    texts = [one.text(sentences) for one in measured_of(state, item) if one.by_mm]
    if item == STRINGS:
        texts += [text for text, bad in _of_strings(state, sentences) if bad]
    return "; ".join(texts)


def off_code(state: State, item: str) -> str:
    """The code of the prompt for an item that can't pass."""
    if item != STRINGS:
        return "measured_off"
    return "strings_old" if _too_old(state) else "strings_not_stretched"


def strings_told(state: State, sentences: Sentences = ENGLISH) -> tuple[str, ...]:
    """Return what is known of the strings, a line each: age, hours played, whether they are stretched in."""
    return tuple(text for text, _ in _of_strings(state, sentences))


def _of_strings(state: State, sentences: Sentences) -> list[tuple[str, bool]]:
    """Return the same lines, each with whether it keeps the strings from passing."""
    age, hours = age_of(state), state.instrument.set_up.hours_played if state.instrument is not None else None
    found = [] if age is None else [(age.text(sentences), age.days > age.most)]
    if state.instrument is None:
        return found
    set_up = state.instrument.set_up
    if hours is not None:
        out = hours > set_up.replace_after_hours
        told = sentences.text(
            "words", "played_out" if out else "played", hours=_whole(hours), most=set_up.replace_after_hours
        )
        found.append((told, out))
    if set_up.stretched_in is not None:
        told = sentences.text("words", "stretched" if set_up.stretched_in else "not_stretched")
        found.append((told, not set_up.stretched_in))
    return found


def _too_old(state: State) -> bool:
    """True if the strings are over the limit of days or of hours."""
    age, set_up = age_of(state), state.instrument.set_up if state.instrument is not None else None
    played_out = set_up is not None and (set_up.hours_played or 0.0) > set_up.replace_after_hours
    return played_out or (age is not None and age.days > age.most)


def _whole(hours: float) -> float:
    """Hours to a tenth, without a point where they are whole."""
    return int(hours) if hours == int(hours) else round(hours, 1)


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
    """Relief, an action, a pickup gap or a height over fret 1 was measured; after the inspection it is as left."""
    assert state.instrument is not None
    limits = _limits(state.instrument, command.what)
    if limits is None:
        known = ", ".join([RELIEF, TREBLE, BASS, PICKUP_TREBLE, PICKUP_BASS, "nut/1"])
        known += f" to nut/{len(state.instrument.strings)}"
        raise Refused("missing", f"{command.what[:40]!r} isn't measured; expected one of {known}")
    low, high = limits
    if not math.isfinite(command.value_mm) or not low <= command.value_mm <= high:
        raise Refused("range", f"{command.what} of {command.value_mm:g} mm; expected {low:g} to {high:g} mm")
    value_mm, left = round(command.value_mm, _ROUNDED), state.phase is not Phase.INSPECTING
    instrument, before = (
        (instrument_as_left(state), state.measured_left) if left else (state.instrument, state.measured)
    )
    try:
        with_measured(instrument, command.what, value_mm, dict(before))
    except ValueError as error:
        raise Refused("range", str(error)) from None
    text = _judged(state, command.what, value_mm).text()
    event = ev.ItemMeasured(item_of(command.what), command.what, value_mm, text, left)
    return [event] if left else [event, *_noticed(state, command.what, value_mm)]


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


def describe_strings(state: State, command: cm.Played | cm.Stretched) -> list[ev.Event]:
    """The hours that the strings were played were told, or whether they are stretched in."""
    assert state.instrument is not None
    hours, stretched = (round(command.hours, 1), None) if isinstance(command, cm.Played) else (None, command.on)
    try:
        instrument = with_strings_described(state.instrument, hours, stretched)
    except ValueError:
        raise Refused("range", f"{hours:g} hours played; expected 0 to {MOST_HOURS_PLAYED:g}") from None
    return [ev.StringsDescribed(hours, stretched, "; ".join(strings_told(replace(state, instrument=instrument))))]


# Conclusions


def passed_but_off(state: State, item: str) -> bool:
    """True if an item passed although a value measured for it is out of range, or the strings are too old."""
    return dict(state.items)[item].verdict is InspectionVerdict.PASSED and bool(off(state, item))


def with_measured(instrument: Instrument, what: str, value_mm: float, before: dict[str, float]) -> Instrument:
    """The instrument with a measured value in it.

    Args:
        what: ``relief``, ``action/treble``, ``action/bass``, ``nut/N``, or a pickup gap, which changes nothing of it.
        before: what was measured in the session before. A relief measured for the first time after an action is the one
            that action was measured with; any other change of relief was made with the saddles as high as they are.

    Raises:
        ValueError: a value that can't be on this instrument.
    """
    if what in (PICKUP_TREBLE, PICKUP_BASS):
        return instrument
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
    pickups = dict.fromkeys((PICKUP_TREBLE, PICKUP_BASS), PICKUP_LIMITS_MM)
    return {RELIEF: RELIEF_LIMITS_MM, TREBLE: ACTION_LIMITS_MM, BASS: ACTION_LIMITS_MM, **pickups}.get(what)


def _judged(state: State, what: str, value_mm: float) -> MeasuredItem:
    assert state.instrument is not None
    wanted = state.instrument.wanted
    treble, bass, nut = wanted.action_treble_wanted_mm, wanted.action_bass_wanted_mm, wanted.nut_wanted_mm
    assert treble is not None
    assert bass is not None
    assert nut is not None
    gaps = {PICKUP_TREBLE: wanted.pickup_treble_wanted_mm, PICKUP_BASS: wanted.pickup_bass_wanted_mm}
    ranges = {RELIEF: wanted.relief_wanted_mm, TREBLE: treble, BASS: bass, **gaps}
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
