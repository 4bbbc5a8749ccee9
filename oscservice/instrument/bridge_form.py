"""The form of a bridge in an instrument file: the ``[bridge]`` table and its ``[[bridge.adjuster]]`` entries.

The kinds of bridge are in ``bridge_kinds``. All values that a file takes from a kind are copied into the bridge: a
record of it no longer needs the kind.
"""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import AfterValidator, Field, PlainValidator, ValidationInfo, model_validator

from oscservice.instrument import hardware, spec
from oscservice.instrument.bridge_kinds import (
    BUILT_IN_KINDS,
    NO_KINDS,
    BridgeKind,
    BridgeSize,
    Kinds,
    find_kind,
    kind_of,
)
from oscservice.instrument.length_form import LengthForm
from oscservice.instrument.spec import MEANS
from oscservice.instrument.thread import EXPECTED as THREAD
from oscservice.instrument.thread import thread_mm
from oscservice.toml_file import Expected, Form

KINDS_IN_CONTEXT = "kinds"
"""Under this name the added kinds are handed to pydantic's validation."""

_LARGEST = 1_000_000
"""Larger whole numbers are refused: some are no floating-point numbers."""

OWN_BUILD = "{}, adjusters of its own"
"""Name of the kind of a bridge that has the adjusters of its file, and none of the known saddles."""


def _thread_mm(given: object) -> float:
    if isinstance(given, str | float) or (type(given) is int and abs(given) < _LARGEST):
        return thread_mm(given)
    raise ValueError("is not a thread")


def numbered(given: object) -> dict[int, float]:
    """Return a table whose keys are whole numbers and whose values are numbers: ``{ "1" = 1.0, "2" = 0.5 }``.

    Raises:
        ValueError: it is no such table, or has a key twice.
    """
    if not isinstance(given, dict) or not given:
        raise ValueError("is not a table of numbers")
    numbers = [int(key) for key in given if re.fullmatch(r"[0-9]{1,2}", str(key))]
    values = [
        value for value in given.values() if isinstance(value, float) or (type(value) is int and abs(value) < _LARGEST)
    ]
    if len(set(numbers)) != len(given) or len(values) != len(given):
        raise ValueError("expected each number once")
    return dict(zip(numbers, map(float, values), strict=True))


def _shares(given: object) -> dict[int, float]:
    shares = numbered(given)
    low, high = spec.ADJUSTER_SHARE
    if not all(low <= abs(share) <= high for share in shares.values()):
        raise ValueError("expected mm of the saddle per mm of the adjuster")
    return shares


def _added_kinds(info: ValidationInfo) -> Kinds:
    context: dict[str, Any] = info.context or {}
    kinds: Kinds = context.get(KINDS_IN_CONTEXT, NO_KINDS)
    return kinds


def _known_kind(kind: str, info: ValidationInfo) -> str:
    if find_kind(kind, _added_kinds(info)) is None:
        raise ValueError("not a kind of bridge")
    return kind


def expected_of(kinds: Kinds) -> Expected:
    """Return the expected values of a file that may name these added kinds. The kinds are not read before that."""

    def expected(form: type[Form], key: str) -> str:
        if (form, key) != (BridgeForm, "kind"):
            return ""
        return "balance and saddle instead, or one of " + ", ".join((*BUILT_IN_KINDS, *kinds))

    return expected


_TRAVEL = "a number from 0 to 50 (mm)"
_STEP = "a number above 0 and up to 5 (mm)"


def one_of(words: tuple[str, ...]) -> str:
    """Return the words to choose from, as a key expects them."""
    return f"one of {', '.join(words)}"


ThreadMm = Annotated[float, PlainValidator(_thread_mm)]
Shares = Annotated[dict[int, float], PlainValidator(_shares)]


class AdjusterForm(LengthForm):
    """One ``[[bridge.adjuster]]`` entry, instead of those that the kind of bridge has."""

    name: str = Field(min_length=1, max_length=40, description="a text of 1 to 40 letters in quotes")
    influence: Shares = Field(
        description='mm that saddles move per mm of the adjuster, each string once: { "1" = 1.0, "2" = 0.5 }'
    )
    toward_nut_mm: spec.TravelMm = Field(0.0, description=_TRAVEL)
    away_mm: spec.TravelMm = Field(0.0, description=_TRAVEL)
    means: spec.AdjusterMeans | None = Field(None, description=one_of(MEANS))
    thread: ThreadMm | None = Field(None, description=THREAD)
    step_mm: spec.StepMm | None = Field(None, description=_STEP)
    clockwise: hardware.Clockwise | None = Field(None, description=one_of(hardware.CLOCKWISE_WAYS))

    @property
    def screw(self) -> bool:
        """True if a screw moves it."""
        return self.thread is not None

    @model_validator(mode="after")
    def _can_be_moved(self) -> AdjusterForm:
        _check_travel(self.toward_nut_mm, self.away_mm, self.step_mm)
        if self.means == spec.SCREW and self.thread is None:
            raise ValueError('means: found a screw without its thread, expected thread = "M3", say, or mm a turn')
        if self.means not in (None, spec.SCREW) and self.thread is not None:
            raise ValueError(f"thread: an adjuster that is {self.means} has no screw; leave it out")
        if self.clockwise is not None and not self.screw:
            raise ValueError("clockwise: this adjuster has no screw; leave it out, or give its thread")
        return self


class BridgeForm(LengthForm):
    """The ``[bridge]`` table. Travel is counted from the places of the saddles at the start.

    ``balance`` and ``saddle`` name its kind; ``kind`` is that of another package, or one word of older files for both.
    """

    balance: hardware.Balance | None = Field(None, description=one_of(hardware.BALANCES))
    saddle: hardware.SaddleType | None = Field(None, description=one_of(hardware.SADDLES))
    kind: Annotated[str, AfterValidator(_known_kind)] | None = None
    toward_nut_mm: spec.TravelMm = Field(0.0, description=_TRAVEL)
    away_mm: spec.TravelMm = Field(0.0, description=_TRAVEL)
    thread: ThreadMm | None = Field(None, description=THREAD)
    clockwise: hardware.Clockwise | None = Field(None, description=one_of(hardware.CLOCKWISE_WAYS))
    step_mm: spec.StepMm | None = Field(None, description=_STEP)
    slacken: bool | None = Field(None, description="true or false")
    let_down: bool | None = Field(None, description="true or false")
    anchor: hardware.Anchor = Field(hardware.ANCHORS[0], description=one_of(hardware.ANCHORS))
    string_spread_mm: float = Field(
        BridgeSize.string_spread_mm, ge=5.0, le=150.0, description="a number from 5 to 150 (mm)"
    )
    screw_span_mm: float = Field(BridgeSize.screw_span_mm, ge=5.0, le=200.0, description="a number from 5 to 200 (mm)")
    adjuster: Annotated[list[AdjusterForm], Field(min_length=1, max_length=2 * spec.MOST_STRINGS)] | None = Field(
        None, description=f"1 to {2 * spec.MOST_STRINGS} [[bridge.adjuster]] entries"
    )

    @property
    def travel_mm(self) -> float:
        """The room to move in both directions together."""
        return self.toward_nut_mm + self.away_mm

    @property
    def named_by(self) -> tuple[str, str]:
        """The key that names the kind of its saddles, and the value there."""
        return ("kind", self.kind) if self.kind is not None else ("saddle", self.saddle or "")

    def kind_in(self, kinds: Kinds) -> BridgeKind | None:
        """Return its kind; None for one that only its own adjusters describe."""
        if self.kind is not None:
            return find_kind(self.kind, kinds)
        return None if self.saddle is None or self.balance is None else kind_of(self.balance, self.saddle)

    @model_validator(mode="after")
    def _names_its_kind(self) -> BridgeForm:
        if self.kind is not None:
            for field in ("balance", "saddle"):
                if getattr(self, field) is not None:
                    raise ValueError(f"{field}: found beside kind, which says the same; leave one of them out")
        elif self.balance is None:
            raise ValueError(f"balance: missing; expected {one_of(hardware.BALANCES)}")
        elif self.saddle is None and self.adjuster is None:
            raise ValueError(f"saddle: missing; expected {one_of(hardware.SADDLES)}")
        return self

    @model_validator(mode="after")
    def _fits_the_kind(self, info: ValidationInfo) -> BridgeForm:
        if self.adjuster is not None:
            for field in ("toward_nut_mm", "away_mm", "thread", "step_mm"):
                if getattr(self, field):
                    raise ValueError(f"{field}: each [[bridge.adjuster]] has its own; leave it out here")
            self._check_screws("a bridge with these adjusters", any(one.screw for one in self.adjuster))
            return self
        kind = self.kind_in(_added_kinds(info))
        assert kind is not None  # the field has checked it
        key, name = self.named_by
        this = f"a bridge of the kind {name}" if key == "kind" else f'a bridge with saddle = "{name}"'
        if kind.screws and self.thread is None and kind.mm_per_turn is None:
            raise ValueError(f"thread: {this} needs its thread, e.g. M3, or mm a turn")
        if not kind.screws and self.thread is not None:
            raise ValueError(f"thread: {this} has no saddle screw; leave it out")
        self._check_screws(this, kind.screws)
        if kind.end_screws and self.screw_span_mm < self.string_spread_mm:
            raise ValueError("screw_span_mm: the screws of a bar are outside the strings")
        if not kind.may_lack_travel or self.step_mm is not None or self.travel_mm > 0.0:
            _check_travel(self.toward_nut_mm, self.away_mm, self.step_mm)
        return self

    def _check_screws(self, this: str, screws: bool) -> None:
        if screws:
            return
        for field in ("clockwise", "let_down"):
            if getattr(self, field):
                raise ValueError(f"{field}: {this} has no saddle screw; leave it out")


def _check_travel(toward_nut_mm: float, away_mm: float, step_mm: float | None) -> None:
    travel_mm = toward_nut_mm + away_mm
    if travel_mm == 0.0:
        raise ValueError("toward_nut_mm, away_mm: found no travel; expected how far it can still move, in mm")
    if step_mm is not None and step_mm > travel_mm:
        raise ValueError(f"step_mm: found {step_mm:g}, expected no more than the travel of {travel_mm:g} mm")


def bridge_of(form: BridgeForm, strings: int, kinds: Kinds = NO_KINDS) -> spec.Bridge:
    """Return the bridge that a checked form describes, on an instrument with this number of strings; ``kinds`` as when
    the form was checked.

    Raises:
        KeyError: a kind that is not there, or is not made for so many strings.
    """
    kind = form.kind_in(kinds)
    if form.kind is not None and kind is None:
        raise KeyError(form.kind)
    if form.adjuster is not None:
        own = form.adjuster
    else:
        assert kind is not None  # the form has checked it
        own = _adjusters_of_kind(form, strings, kind)
    adjusters = tuple(_adjuster(entry, form.clockwise) for entry in own)
    floating = form.balance == hardware.SPRING_BALANCED if kind is None else kind.floating
    saddle = None if kind is None else kind.saddle
    # A bridge of its own build is slackened unless the file says that its parts move under tension.
    slacken = form.slacken if form.slacken is not None else kind is None or kind.slacken
    screws = any(adjuster.means == spec.SCREW for adjuster in adjusters)
    balance = hardware.SPRING_BALANCED if floating else hardware.FIXED
    own_name = form.kind if form.kind is not None else OWN_BUILD.format(balance)
    return spec.Bridge(
        kind=own_name if saddle is None else spec.bridge_title(balance, saddle),
        floating=floating,
        slacken=slacken,
        adjusters=adjusters,
        saddle=saddle,
        # A screw that is turned against the tension of its string wears, and the string may break.
        let_down=form.let_down if form.let_down is not None else screws and not slacken,
        anchor=form.anchor,
    )


def _adjuster(form: AdjusterForm, clockwise: str | None) -> spec.Adjuster:
    # Means and step that the file leaves out are filled in by the record itself.
    given = {"means": form.means, "step_mm": form.step_mm}
    return spec.Adjuster.model_validate(
        {
            "name": form.name,
            "influence": form.influence,
            "toward_nut_mm": form.toward_nut_mm,
            "away_mm": form.away_mm,
            "mm_per_turn": form.thread,
            "clockwise": (form.clockwise or clockwise) if form.screw else None,
            **{field: value for field, value in given.items() if value is not None},
        }
    )


def _adjusters_of_kind(form: BridgeForm, strings: int, kind: BridgeKind) -> list[AdjusterForm]:
    """Return the adjusters that a bridge of this kind has."""
    if kind.may_lack_travel and form.travel_mm == 0.0:
        return []
    size = BridgeSize(strings, form.string_spread_mm, form.screw_span_mm)
    return [
        AdjusterForm(
            name=name,
            influence=dict(influence),
            toward_nut_mm=form.toward_nut_mm,
            away_mm=form.away_mm,
            means=kind.means,
            thread=kind.mm_per_turn if form.thread is None else form.thread,
            step_mm=kind.step_mm if form.step_mm is None else form.step_mm,
            clockwise=kind.clockwise if form.clockwise is None else form.clockwise,
        )
        for name, influence in kind.layout(size).items()
    ]
