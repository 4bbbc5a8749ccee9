"""The specification of an instrument: strings, scale, bridge and targets, as frozen and validated records.

Lengths are in mm, + away from the nut; mass per length in kg/m. Strings are numbered from 1, the thinnest, as in the
trade.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, Field, model_validator

from oscservice.defaults import A4_HZ, REFERENCE_RANGE_HZ
from oscservice.instrument.hardware import (
    CLAMPED,
    FIXED,
    PAIRED,
    PEGS,
    SCREW_DRIVEN,
    SHAPED_SADDLE,
    SPRING_BALANCED,
    TOOLS,
    TWO_SCREW_BAR,
    Anchor,
    Clockwise,
    FineTuners,
    Nut,
    Pegs,
    SaddleType,
)
from oscservice.instrument.pitch import Place, note_hz, note_number
from oscservice.instrument.setup_targets import (
    ACTION_LIMITS_MM,
    NUT_LIMITS_MM,
    SetUp,
    over_fret_1_mm,
    with_default_targets,
)
from oscservice.toml_file import Frozen

SCREW = "screw"
BY_HAND = "clamped by hand"
SHAPED = "shaped"
MEANS = (SCREW, BY_HAND, SHAPED)
"""Means to move an adjuster: a screw, the hand (it is then clamped), or shaping the crown of a saddle."""

STEPS_A_TURN = 8
"""A screw is turned to an eighth of a turn (common practice, no source)."""
STEP_MM = {BY_HAND: 0.1, SHAPED: 0.2}
"""Smallest step of an adjuster without a screw (common practice, no source)."""

THREAD_RANGE_MM = (0.1, 3.0)
"""Range of mm per turn."""
ADJUSTER_SHARE = (0.001, 10.0)
"""Range of mm of a saddle per mm of its adjuster, either sign."""

SCALE_RANGE_MM = (300.0, 1000.0)
GAUGE_RANGE_MM = (0.1, 4.2)
OFFSET_RANGE_CENTS = (-50.0, 50.0)
MOST_STRINGS = 12
MOST_FRETS = 36
LONGEST_IDENTITY = 60
MOST_TUNINGS = 12

PERPENDICULAR_FRET = 8
"""Fret that is at right angles to the neck where strings differ in scale (common practice, no source: 7 to 9)."""

BOTH = "+"
"""Between the names of two tunings that one place of the saddles serves: ``standard + drop D``."""

AS_FILED = "as filed"
"""Name of a file's own tuning where it gives none and has others."""


def _known_note(name: str) -> str:
    note_number(name)
    return name


def _known_means(means: str) -> str:
    if means not in MEANS:
        raise ValueError(f"is not known; expected one of {', '.join(MEANS)}")
    return means


def _bare_text(text: str) -> str:
    if text != text.strip() or not text.isprintable():
        raise ValueError("is not bare text")
    return text


def _one_tuning(name: str) -> str:
    if BOTH in name:
        raise ValueError(f"{name!r} has a {BOTH}, which stands between two tunings")
    return name


NoteName = Annotated[str, AfterValidator(_known_note)]
BridgeKindName = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_bare_text)]
AdjusterMeans = Annotated[str, AfterValidator(_known_means)]
ScaleMm = Annotated[float, Field(ge=SCALE_RANGE_MM[0], le=SCALE_RANGE_MM[1])]
GaugeMm = Annotated[float, Field(ge=GAUGE_RANGE_MM[0], le=GAUGE_RANGE_MM[1])]
UnitWeight = Annotated[float, Field(ge=5e-5, le=0.1)]
ReferenceHz = Annotated[float, Field(ge=REFERENCE_RANGE_HZ[0], le=REFERENCE_RANGE_HZ[1])]
FretCount = Annotated[int, Field(ge=1, le=MOST_FRETS)]
TravelMm = Annotated[float, Field(ge=0.0, le=50.0)]
ThreadMm = Annotated[float, Field(ge=THREAD_RANGE_MM[0], le=THREAD_RANGE_MM[1])]
StepMm = Annotated[float, Field(gt=0.0, le=5.0)]
OffsetCents = Annotated[float, Field(ge=OFFSET_RANGE_CENTS[0], le=OFFSET_RANGE_CENTS[1])]
ActionMm = Annotated[float, Field(ge=ACTION_LIMITS_MM[0], le=ACTION_LIMITS_MM[1])]
NutHeightMm = Annotated[float, Field(ge=NUT_LIMITS_MM[0], le=NUT_LIMITS_MM[1])]
SetbackMm = Annotated[float, Field(ge=-20.0, le=30.0)]
NutOffsetMm = Annotated[float, Field(ge=-5.0, le=5.0)]
ToolName = Annotated[str, Field(min_length=1, max_length=60), AfterValidator(_bare_text)]
TuningName = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_bare_text), AfterValidator(_one_tuning)]
Identity = Annotated[str, Field(min_length=1, max_length=LONGEST_IDENTITY), AfterValidator(_bare_text)]


class StringSpec(Frozen):
    """One string on the instrument.

    Attributes:
        note: open note, scientific pitch name.
        scale_mm: scale length: twice the distance from the nut to the 12th fret.
        gauge_mm: outside diameter.
        wound: True for a wound string.
        core_mm: diameter of the core; equal to the gauge on a plain string.
        unit_weight_kg_m: mass per length.
        action_12_mm: height of the string over the fret plane at fret 12.
        nut_height_mm: height of the string over the fret plane at the nut.
        setback_mm: saddle beyond the scale length at the start, + away from the nut.
        offset_cents: wanted pitch of the open string from its note in equal temperament, + sharp.
        nut_offset_mm: edge of a compensated nut from the nominal place of the nut, + toward the saddle.
        fret_targets_cents: fret -> wanted error there, + sharp; 0 at every other fret.
    """

    note: NoteName
    scale_mm: ScaleMm
    gauge_mm: GaugeMm
    wound: bool
    core_mm: GaugeMm
    unit_weight_kg_m: UnitWeight
    action_12_mm: ActionMm
    nut_height_mm: NutHeightMm
    setback_mm: SetbackMm
    offset_cents: OffsetCents = 0.0
    nut_offset_mm: NutOffsetMm = 0.0
    fret_targets_cents: dict[FretCount, OffsetCents] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _core_fits(self) -> StringSpec:
        if self.wound and self.core_mm >= self.gauge_mm:
            raise ValueError(f"core of {self.core_mm} mm is not thinner than the gauge of {self.gauge_mm} mm")
        if not self.wound and self.core_mm != self.gauge_mm:
            raise ValueError("a plain string is its own core")
        return self

    def open_run_mm(self, moved_mm: float = 0.0) -> float:
        """Return the distance from nut to saddle along the neck, the saddle moved by so much since the start."""
        return self.scale_mm + self.setback_mm + moved_mm - self.nut_offset_mm

    def target_cents(self, fret: int) -> float:
        """Return the wanted error of a fret, + sharp of equal temperament."""
        return self.fret_targets_cents.get(fret, 0.0)

    def interval_cents(self, place: Place) -> float:
        """Return the cents above the open string where a place is wanted: in equal temperament, and a fret's target."""
        return 100.0 * place.semitones + (self.target_cents(place.fret) if place.kind == "fret" else 0.0)


class Tuning(Frozen):
    """A named tuning of an instrument.

    Attributes:
        name: its name.
        notes: open notes, string 1 first.
        offsets_cents: wanted pitch of each open string from its note, string 1 first, + sharp.
        fret_targets_cents: as in ``StringSpec``, string 1 first; empty: those that the strings have.
    """

    name: TuningName
    notes: Annotated[tuple[NoteName, ...], Field(min_length=1, max_length=MOST_STRINGS)]
    offsets_cents: tuple[OffsetCents, ...]
    fret_targets_cents: tuple[dict[FretCount, OffsetCents], ...] = ()

    @model_validator(mode="after")
    def _one_for_each_string(self) -> Tuning:
        if len(self.offsets_cents) != len(self.notes):
            raise ValueError(f"{len(self.offsets_cents)} offsets for {len(self.notes)} notes")
        if self.fret_targets_cents and len(self.fret_targets_cents) != len(self.notes):
            raise ValueError(f"targets of the frets of {len(self.fret_targets_cents)} strings for {len(self.notes)}")
        return self


class Adjuster(Frozen):
    """One part of the bridge that can be moved.

    Attributes:
        name: its name in a prompt.
        influence: string number -> mm of that string's saddle per mm of the adjuster.
        toward_nut_mm: travel toward the nut from its position at the start.
        away_mm: travel away from the nut from its position at the start.
        mm_per_turn: thread in mm per turn; None without a screw.
        means: one of MEANS. By default a screw where there is a thread, else by hand.
        step_mm: smallest step. By default an eighth of a turn, or that of its means.
        clockwise: the way of the saddle when the screw is turned clockwise, seen from its head; None if not known.
    """

    name: str
    influence: dict[int, float]
    toward_nut_mm: TravelMm
    away_mm: TravelMm
    mm_per_turn: ThreadMm | None
    means: AdjusterMeans = BY_HAND
    step_mm: StepMm = STEP_MM[BY_HAND]
    clockwise: Clockwise | None = None

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, given: Any) -> Any:
        """Records written before adjusters had means and steps still load."""
        if not isinstance(given, dict):
            return given
        thread_mm = given.get("mm_per_turn")
        means = given.get("means", BY_HAND if thread_mm is None else SCREW)
        step_mm = STEP_MM.get(means) if isinstance(means, str) else None
        if means == SCREW and isinstance(thread_mm, float):
            step_mm = thread_mm / STEPS_A_TURN
        return {"means": means} | ({} if step_mm is None else {"step_mm": step_mm}) | given

    @model_validator(mode="after")
    def _screw_has_a_thread(self) -> Adjuster:
        if (self.means == SCREW) != (self.mm_per_turn is not None):
            raise ValueError(f"adjuster {self.name!r}: a thread belongs to a screw, and a screw has a thread")
        return self


OLD_KINDS = {
    "clamped floating": CLAMPED,
    "screw-driven fixed": SCREW_DRIVEN,
    "paired saddles": PAIRED,
    "two-screw bar": TWO_SCREW_BAR,
    "fixed saddle": SHAPED_SADDLE,
}
"""Kind of bridge in files and records of older versions -> its kind of saddle."""


class Bridge(Frozen):
    """The bridge as a set of adjusters.

    Attributes:
        kind: name of its kind: balance and saddles, that of a plug-in (which this record doesn't need any more), or one
            of OLD_KINDS.
        floating: the bridge moves when the tension of the strings changes: springs balance it.
        slacken: a string must be slackened before its saddle is moved.
        adjusters: the parts that can be moved; empty on a fixed saddle whose crown can't be shaped.
        saddle: its kind of saddle, one of SADDLES; None for that of a plug-in.
        let_down: a string is let down before a screw moves its saddle away from the nut.
        anchor: where the strings end.
    """

    kind: BridgeKindName
    floating: bool
    slacken: bool
    adjusters: tuple[Adjuster, ...]
    saddle: SaddleType | None = None
    let_down: bool = False
    anchor: Anchor = "bridge"

    @model_validator(mode="before")
    @classmethod
    def _saddle_of_old_kind(cls, given: Any) -> Any:
        """Records written before bridges had a kind of saddle still load."""
        if not isinstance(given, dict) or "saddle" in given or given.get("kind") not in OLD_KINDS:
            return given
        return given | {"saddle": OLD_KINDS[given["kind"]]}

    @property
    def balance(self) -> str:
        """One of BALANCES."""
        return SPRING_BALANCED if self.floating else FIXED

    @property
    def title(self) -> str:
        """The balance and the saddles in words; the name of its kind where the saddles have none."""
        return self.kind if self.saddle is None else bridge_title(self.balance, self.saddle)


def bridge_title(balance: str, saddle: str) -> str:
    """Return the words for a bridge of this balance with these saddles."""
    noun = {TWO_SCREW_BAR: "two-screw bar", SHAPED_SADDLE: "one-piece saddle"}.get(saddle, f"{saddle} saddles")
    return f"{balance}, {noun}"


class Instrument(Frozen):
    """An instrument.

    Attributes:
        name: name of its file or preset.
        title: its description for people.
        identity: the name that its sessions are stored under, independent of the file's name; by default ``name``.
        reference_hz: frequency of A4.
        frets: number of frets.
        strings: the strings; ``strings[0]`` is string 1, the thinnest.
        bridge: the bridge.
        set_up: targets, and values that wear.
        nut: the nut.
        fine_tuners: the fine tuners, or None.
        pegs: plain or locking.
        tools: step -> the owner's own name for its tool; see TOOLS.
        tuning: name of the tuning in use, two with BOTH between where the frets have targets that serve both; empty if
            it has none.
        tunings: the tunings with a name, that of the file first.
        perpendicular_fret: fret that is at right angles to the neck where strings differ in scale; 0 is the nut.
    """

    name: str
    title: str
    identity: str = ""
    reference_hz: ReferenceHz = A4_HZ
    frets: FretCount
    strings: Annotated[tuple[StringSpec, ...], Field(min_length=1, max_length=MOST_STRINGS)]
    bridge: Bridge
    set_up: SetUp = SetUp()
    nut: Nut = Nut()
    fine_tuners: FineTuners | None = None
    pegs: Pegs = PEGS[0]
    tools: dict[str, ToolName] = Field(default_factory=dict)
    tuning: str = ""
    tunings: Annotated[tuple[Tuning, ...], Field(max_length=MOST_TUNINGS)] = ()
    perpendicular_fret: Annotated[int, Field(ge=0, le=MOST_FRETS)] = PERPENDICULAR_FRET

    @model_validator(mode="before")
    @classmethod
    def _named_for_itself(cls, given: Any) -> Any:
        """Records written before instruments had an identity still load."""
        if not isinstance(given, dict) or given.get("identity"):
            return given
        return given | {"identity": given.get("name", "")}

    @model_validator(mode="after")
    def _adjusters_know_the_strings(self) -> Instrument:
        for adjuster in self.bridge.adjusters:
            for number in adjuster.influence:
                if not 1 <= number <= len(self.strings):
                    raise ValueError(f"adjuster {adjuster.name!r} moves string {number}, which isn't there")
        for number in (number for clamp in self.nut.clamps for number in clamp):
            if not 1 <= number <= len(self.strings):
                raise ValueError(f"a clamp of the nut holds string {number}, which isn't there")
        unknown = [name for name in self.tools if name not in TOOLS]
        if unknown:
            raise ValueError(f"no step has a tool {unknown[0]!r}; expected one of {', '.join(TOOLS)}")
        return self

    @model_validator(mode="after")
    def _tunings_fit(self) -> Instrument:
        for tuning in self.tunings:
            if len(tuning.notes) != len(self.strings):
                counts = f"{len(tuning.notes)} notes for {len(self.strings)} strings"
                raise ValueError(f"tuning {tuning.name!r} has {counts}")
        names = [tuning.name for tuning in self.tunings]
        if len(set(names)) != len(names):
            raise ValueError("two tunings have one name")
        return self

    def string(self, number: int) -> StringSpec:
        """Return string ``number`` (from 1). Raises ValueError for a string that isn't there."""
        if not 1 <= number <= len(self.strings):
            raise ValueError(f"string {number} isn't there; expected 1 to {len(self.strings)}")
        return self.strings[number - 1]

    def open_hz(self, number: int) -> float:
        """Return the wanted frequency of an open string in Hz: that of its note with the string's own offset."""
        string = self.string(number)
        note = note_hz(note_number(string.note), self.reference_hz)
        return note * float(2.0 ** (string.offset_cents / 1200.0))

    def place_hz(self, number: int, place: Place) -> float:
        """Return the wanted frequency in Hz of a place on a string: ``StringSpec.interval_cents`` above ``open_hz``."""
        return self.open_hz(number) * float(2.0 ** (self.string(number).interval_cents(place) / 1200.0))

    def adjuster_of(self, number: int) -> Adjuster | None:
        """Return the adjuster that moves this string's saddle most (the first of equals), or None."""
        self.string(number)
        moving = [a for a in self.bridge.adjusters if a.influence.get(number)]
        return max(moving, key=lambda a: abs(a.influence[number]), default=None)

    def saddles_moved_with(self, number: int) -> dict[int, float]:
        """Return the strings whose saddles the adjuster of this string moves, and the move of each per mm of it.

        Without an adjuster it is this string alone, 1.
        """
        adjuster = self.adjuster_of(number)
        return {number: 1.0} if adjuster is None else dict(adjuster.influence)

    @property
    def wanted(self) -> SetUp:
        """The targets; those that the file doesn't give follow from the heights of its strings."""
        actions_mm = [string.action_12_mm for string in self.strings]
        over_mm = [over_fret_1_mm(string.nut_height_mm, string.action_12_mm) for string in self.strings]
        return with_default_targets(self.set_up, actions_mm, over_mm)

    def to_json(self) -> str:
        """Return JSON text that ``from_json`` reads back to an equal instrument."""
        return self.model_dump_json()

    @classmethod
    def from_json(cls, text: str) -> Instrument:
        """Read the text of ``to_json``. Raises ValueError (pydantic's ValidationError) for anything else."""
        return cls.model_validate_json(text)
