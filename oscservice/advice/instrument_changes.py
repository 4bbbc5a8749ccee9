"""Changes of an instrument since its last session, and their effect on saddles, pitch and tension.

Setbacks in mm, + away from the nut; cents + sharp. Effects of a change are those of ``prediction.follow_change``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from oscservice.advice.correction import SHOWN_MM
from oscservice.advice.prediction import SaddleFollowing, build_of, follow_change
from oscservice.defaults import INCH_MM
from oscservice.instrument.pitch import cents_between
from oscservice.instrument.spec import Instrument, StringSpec
from oscservice.instrument.string_physics import inharmonicity, tension_n

SMALLEST_CHANGE_MM = 0.05
"""Smaller differences of height or relief are ignored: a ruler and a feeler gauge are no more exact (assumed)."""

SPRINGS_SHARE = 0.02
"""A larger change of the total tension moves a spring-balanced bridge so far that its springs have to be reset (common
practice, no source)."""

_SAME = 1e-9
_MOST_LISTED = 4
"""Most targets of frets that a line lists one by one."""


@dataclass(frozen=True)
class InstrumentChange:
    """One change.

    Attributes:
        what: ``string/N``, ``reference``, ``relief``, ``bridge``, ``strings`` or ``tension``.
        text: the value before and now, and the expected effect, in one line.
    """

    what: str
    text: str


def instrument_changes(filed: Instrument, left: Instrument, now: Instrument) -> tuple[InstrumentChange, ...]:
    """Return the changes between the end of the last session and now.

    Args:
        filed: the instrument as in its file when the last session began.
        left: the same at the end of that session, with the values measured in it.
        now: as in its file now. Where the file has not changed, the values measured in the last session are used.
    """
    if len(left.strings) != len(now.strings):
        counts = f"{len(left.strings)} strings before, {len(now.strings)} now"
        return (InstrumentChange("strings", f"{counts}: nothing of the last session can be compared"),)
    believed = _believed(filed, left, now)
    effects = _effects(left, believed)
    found: list[InstrumentChange] = []
    for number in range(1, len(now.strings) + 1):
        parts = _string_parts(left.string(number), believed.string(number))
        if parts:
            effect = _effect(left, believed, number, effects)
            found.append(InstrumentChange(f"string/{number}", f"string {number}: {', '.join(parts)}: {effect}"))
    found += _whole(left, believed, effects)
    return tuple(found)


def measured_change(left: Instrument, after: Instrument, what: str, strings: Iterable[int]) -> InstrumentChange | None:
    """Return the change that a new measured value shows, or None if it is about the same as before.

    Args:
        left: the instrument at the end of the last session.
        after: the same with the new value.
        what: name of the measured value.
        strings: the strings that it belongs to.
    """
    if len(left.strings) != len(after.strings):
        return None
    numbers = list(strings)
    parts = [
        *_relief_parts(left, after),
        *(part for number in numbers[:1] for part in _height_parts(left.string(number), after.string(number))),
    ]
    if not parts:
        return None
    effects = _effects(left, after)
    each = "; ".join(f"string {number}: {_effect(left, after, number, effects)}" for number in numbers)
    return InstrumentChange(what, f"{what}: {', '.join(parts)}: {each}")


def _believed(filed: Instrument, left: Instrument, now: Instrument) -> Instrument:
    """Return the instrument now, with the values measured last time where the file hasn't changed."""
    strings = []
    for was, end, here in zip(filed.strings, left.strings, now.strings, strict=True):
        kept = {
            field: getattr(end, field)
            for field in ("action_12_mm", "nut_height_mm")
            if abs(getattr(was, field) - getattr(here, field)) < _SAME
        }
        strings.append(here.model_copy(update=kept))
    set_up = now.set_up
    if filed.set_up.relief_mm == set_up.relief_mm:
        set_up = set_up.model_copy(update={"relief_mm": left.set_up.relief_mm})
    return now.model_copy(update={"strings": tuple(strings), "set_up": set_up})


def _effects(before: Instrument, after: Instrument) -> tuple[SaddleFollowing, ...]:
    """Return the moves of the saddles that follow; empty if they can't be computed."""
    try:
        return follow_change(before, after)
    except ValueError:  # no saddle makes fret 12 of some string true
        return ()


def _string_parts(was: StringSpec, here: StringSpec) -> list[str]:
    """Return the changes of a string in words."""
    parts = []
    if (was.gauge_mm, was.wound) != (here.gauge_mm, here.wound):
        parts.append(f"{_gauge(was)} → {_gauge(here)}")
    elif was.core_mm != here.core_mm:
        parts.append(f"core {was.core_mm:.3f} → {here.core_mm:.3f} mm")
    elif was.unit_weight_kg_m != here.unit_weight_kg_m:
        parts.append(f"mass {1e3 * was.unit_weight_kg_m:.3f} → {1e3 * here.unit_weight_kg_m:.3f} g/m")
    if was.note != here.note:
        parts.append(f"tuned {was.note} → {here.note}")
    if was.offset_cents != here.offset_cents:
        parts.append(f"tuned {was.offset_cents:+g} → {here.offset_cents:+g} cents off its note")
    if was.scale_mm != here.scale_mm:
        parts.append(f"scale {was.scale_mm:g} → {here.scale_mm:g} mm")
    if was.nut_offset_mm != here.nut_offset_mm:
        parts.append(f"nut edge {was.nut_offset_mm:+g} → {here.nut_offset_mm:+g} mm toward the saddle")
    if was.fret_targets_cents != here.fret_targets_cents:
        parts.append(f"wanted errors of frets {_targets(was)} → {_targets(here)}")
    return parts + _height_parts(was, here)


def _targets(string: StringSpec) -> str:
    """Return the frets with a target in words."""
    wanted = string.fret_targets_cents
    if len(wanted) > _MOST_LISTED:
        return f"({len(wanted)} frets, {min(wanted.values()):+.1f} to {max(wanted.values()):+.1f} cents)"
    listed = [f"{fret}: {cents:+.1f}" for fret, cents in sorted(wanted.items())]
    return f"({', '.join(listed)} cents)" if listed else "(none)"


def _height_parts(was: StringSpec, here: StringSpec) -> list[str]:
    """Return the changes of a string's heights in words."""
    heights = (
        ("action", was.action_12_mm, here.action_12_mm),
        ("height at the nut", was.nut_height_mm, here.nut_height_mm),
    )
    return [f"{name} {a:.2f} → {b:.2f} mm" for name, a, b in heights if abs(a - b) >= SMALLEST_CHANGE_MM]


def _relief_parts(left: Instrument, now: Instrument) -> list[str]:
    """Return the change of the relief in words, if there is one."""
    was_mm, here_mm = left.set_up.relief_mm, now.set_up.relief_mm
    if was_mm is None or here_mm is None or abs(was_mm - here_mm) < SMALLEST_CHANGE_MM:
        return []
    return [f"relief {was_mm:.2f} → {here_mm:.2f} mm"]


def _whole(left: Instrument, now: Instrument, effects: tuple[SaddleFollowing, ...]) -> list[InstrumentChange]:
    """Return the changes of the instrument as a whole."""
    found = []
    if left.reference_hz != now.reference_hz:
        cents = cents_between(now.reference_hz, left.reference_hz)
        pitch = f"A4 {left.reference_hz:g} → {now.reference_hz:g} Hz: every string {cents:+.0f} cents"
        found.append(InstrumentChange("reference", f"{pitch}, {_range(effects)}"))
    for part in _relief_parts(left, now):
        found.append(InstrumentChange("relief", f"{part}: measure the action again, it goes with the neck"))
    if left.bridge.title != now.bridge.title:
        pulls = (
            "strings now pull one another out of tune"
            if now.bridge.floating
            else "strings no longer pull one another out of tune"
        )
        effect = pulls if now.bridge.floating != left.bridge.floating else "saddles are moved another way"
        found.append(InstrumentChange("bridge", f"bridge {left.bridge.title} → {now.bridge.title}: {effect}"))
    before_n, after_n = (sum(_pull_n(one, n) for n in range(1, len(now.strings) + 1)) for one in (left, now))
    share = after_n / before_n - 1.0
    if now.bridge.floating and abs(share) > SPRINGS_SHARE:
        more = "more" if share > 0.0 else "less"
        pull = f"all strings pull {abs(share):.0%} {more} ({before_n:.0f} → {after_n:.0f} N)"
        found.append(
            InstrumentChange(
                "tension", f"{pull}: springs have to be reset; never release springs or strings all at once"
            )
        )
    return found


def _range(effects: tuple[SaddleFollowing, ...]) -> str:
    """Return the range of the saddles' moves in words."""
    if not effects:
        return "how far the saddles must move is unknown"
    moves = [one.change_mm for one in effects]
    return f"saddles {_tenths(min(moves))} to {_tenths(max(moves))} mm"


def _tenths(value: float) -> str:
    return f"{round(value, 1) + 0.0:+.1f}"


def _effect(left: Instrument, now: Instrument, number: int, effects: tuple[SaddleFollowing, ...]) -> str:
    """Return the effect on a string: move of its saddle, error if that stays, tension, and B if it is another
    string."""
    pulls = _pull_n(left, number), _pull_n(now, number)
    parts = ["how far its saddle must move is unknown"]
    if effects:
        one = effects[number - 1]
        parts = [
            f"saddle {_tenths(one.change_mm)} ± {max(SHOWN_MM, one.change_se_mm):.1f} mm",
            f"fret 12 {_tenths(one.stays_cents)} cents if nothing is moved",
        ]
    if abs(pulls[1] / pulls[0] - 1.0) > 0.001:
        parts.append(f"pull {pulls[0]:.0f} → {pulls[1]:.0f} N ({pulls[1] / pulls[0] - 1.0:+.0%})")
    stiffness = _b(left, number), _b(now, number)
    if build_of(left.string(number)) != build_of(now.string(number)):
        parts.append(f"B {stiffness[0]:.1e} → {stiffness[1]:.1e}")
    return ", ".join(parts)


def _pull_n(instrument: Instrument, number: int) -> float:
    spec = instrument.string(number)
    return tension_n(spec.unit_weight_kg_m, instrument.open_hz(number), spec.open_run_mm())


def _b(instrument: Instrument, number: int) -> float:
    spec = instrument.string(number)
    return inharmonicity(spec.core_mm, _pull_n(instrument, number), spec.open_run_mm())


def _gauge(spec: StringSpec) -> str:
    """Return a string's gauge as the trade writes it: ``plain .017``."""
    return f"{'wound' if spec.wound else 'plain'} {spec.gauge_mm / INCH_MM:.3f}".replace(" 0.", " .")
