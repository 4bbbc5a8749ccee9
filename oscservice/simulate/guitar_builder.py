"""A simulated guitar's mechanics, built from an instrument, and its possible faults.

A fault is mechanical: a part in another place or of another size, not its effect on the pitch. Strings and frets are
numbered from 1. Lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from oscservice.instrument.spec import BY_HAND, Instrument, StringSpec
from oscservice.simulate.guitar_mechanics import AdjusterBuild, Rig
from oscservice.simulate.pickup_magnet import PickupMagnet
from oscservice.simulate.rig_hardware import RigHardware
from oscservice.simulate.spring_bridge import BridgeBuild
from oscservice.simulate.string_path import StringBuild, crown_mm
from oscservice.simulate.uneven_string import Uneven


@dataclass(frozen=True)
class Faults:
    """Differences of a guitar from its instrument file; by default there are none.

    Attributes:
        nut_raised_mm: string -> how much too high its nut slot is; the saddle stays at its height.
        nut_shift_mm: displacement of the nut, + away from the saddle; the frets stay.
        take_up_mm: string that the finger, or a capo, pulls in behind the fret on every fretted note.
        uneven: string -> its uneven stretch.
        fret_shift_mm: fret -> its displacement under all strings, + toward the saddle.
        groove_mm: (string, fret) -> how far a groove moves the point where that string leaves the fret, + toward the
            saddle.
        action_raised_mm: how much higher all strings pass over fret 12 than filed, by saddles that are higher.
        core_factor: string -> its core's diameter over the filed one; the mass per length is as filed.
        scatter_cents: string -> standard deviation by which re-fretting changes its pitch, instead of the guitar's.
        pickup_pull: string -> the magnet that pulls it.
        unstretched_mm: string -> mm of it that its windings will still let out: it is not stretched in.
    """

    nut_raised_mm: Mapping[int, float] = field(default_factory=dict)
    nut_shift_mm: float = 0.0
    take_up_mm: float = 0.0
    uneven: Mapping[int, Uneven] = field(default_factory=dict)
    fret_shift_mm: Mapping[int, float] = field(default_factory=dict)
    groove_mm: Mapping[tuple[int, int], float] = field(default_factory=dict)
    action_raised_mm: float = 0.0
    core_factor: Mapping[int, float] = field(default_factory=dict)
    scatter_cents: Mapping[int, float] = field(default_factory=dict)
    pickup_pull: Mapping[int, PickupMagnet] = field(default_factory=dict)
    unstretched_mm: Mapping[int, float] = field(default_factory=dict)

    def core_only(self) -> Faults:
        """Return these faults of the cores, and no others."""
        return replace(SOUND, core_factor=self.core_factor)

    def fret_shifts_mm(self, string: int) -> dict[int, float]:
        """Return fret -> displacement of the point where this string leaves it, + toward the saddle."""
        shifts = dict(self.fret_shift_mm)
        for (number, fret), mm in self.groove_mm.items():
            if number == string:
                shifts[fret] = shifts.get(fret, 0.0) + mm
        return shifts

    def check(self, strings: int, frets: int) -> None:
        """Raise ValueError unless every string, fret and value is possible on a guitar of so many strings and frets."""
        named = {*self.nut_raised_mm, *self.uneven, *self.core_factor, *self.scatter_cents}
        named |= {*self.pickup_pull, *self.unstretched_mm}
        _check_numbers("string", named | {string for string, _ in self.groove_mm}, strings)
        _check_numbers("fret", {*self.fret_shift_mm} | {fret for _, fret in self.groove_mm}, frets)
        lengths = [self.nut_shift_mm, self.take_up_mm, self.action_raised_mm]
        lengths += [*self.nut_raised_mm.values(), *self.fret_shift_mm.values(), *self.groove_mm.values()]
        for mm in lengths:
            if not math.isfinite(mm):
                raise ValueError(f"a fault of {mm} mm; expected a number")
        for factor in self.core_factor.values():
            if not 0.0 < factor < math.inf:
                raise ValueError(f"a core of {factor} times the filed one; expected above 0")
        for mm in self.unstretched_mm.values():
            if not 0.0 <= mm < math.inf:
                raise ValueError(f"{mm} mm of a string are not stretched in; expected 0 or more")
        for cents in self.scatter_cents.values():
            if not 0.0 <= cents < math.inf:
                raise ValueError(f"a scatter of {cents} cents; expected 0 or more")


SOUND = Faults()
"""Nothing is wrong."""


def _check_numbers(what: str, numbers: Iterable[int], most: int) -> None:
    for number in numbers:
        if not 1 <= number <= most:
            raise ValueError(f"a fault on {what} {number}, which isn't there; expected 1 to {most}")


def rig_of(
    instrument: Instrument,
    *,
    saddle_error_mm: Sequence[float] | None = None,
    detune_cents: Sequence[float] | None = None,
    faults: Faults = SOUND,
    seed: int = 0,
    as_found: bool = False,
) -> Rig:
    """Return the mechanics of an instrument. See ``guitar.Guitar.from_instrument``; its hardware has ``seed``."""
    faults.check(len(instrument.strings), instrument.frets)
    builds = _builds(instrument, faults)
    for n, build in enumerate(builds, start=1):
        _check_fingerboard(n, build, instrument.frets)
    bridge = BridgeBuild(floating=instrument.bridge.floating)
    adjusters = [
        AdjusterBuild(a.name, dict(a.influence), a.toward_nut_mm, a.away_mm, clamped=a.means == BY_HAND)
        for a in instrument.bridge.adjusters
    ]
    saddles = [spec.setback_mm for spec in instrument.strings]
    if saddle_error_mm is not None:
        if len(saddle_error_mm) != len(builds):
            raise ValueError(f"{len(saddle_error_mm)} saddle errors for {len(builds)} strings")
        in_order = Rig(_builds(instrument, faults.core_only()), bridge, saddle_mm=saddles)
        saddles = [in_order.find_saddle_in_tune_mm(n) + off for n, off in enumerate(saddle_error_mm, start=1)]
    hardware = RigHardware(
        seed=seed,
        nut_clamps=instrument.nut.clamps,
        fine_tuner_range_cents=instrument.fine_tuners.range_cents if instrument.fine_tuners else None,
        fine_tuners_off=as_found,
        unstretched_mm=faults.unstretched_mm,
    )
    rig = Rig(
        builds,
        bridge,
        adjusters,
        saddle_mm=saddles,
        detune_cents=detune_cents,
        slacken_first=instrument.bridge.slacken,
        hardware=hardware,
    )
    if as_found and instrument.nut.locking:
        rig.set_clamp(None, True)
    return rig


def _builds(instrument: Instrument, faults: Faults) -> list[StringBuild]:
    return [_build(instrument, n, spec, faults) for n, spec in enumerate(instrument.strings, start=1)]


def _build(instrument: Instrument, string: int, spec: StringSpec, faults: Faults) -> StringBuild:
    # The straight string begins at its own edge of the nut and passes fret 12 at the action, so the saddle's height
    # follows. A zero fret is an edge like any: it clamps the string as a fret does, and its height is the file's.
    nut_mm = spec.nut_offset_mm
    slope = (spec.action_12_mm + faults.action_raised_mm - spec.nut_height_mm) / (spec.scale_mm / 2.0 - nut_mm)
    return StringBuild(
        open_hz=instrument.open_hz(string),
        scale_mm=spec.scale_mm,
        core_mm=spec.core_mm * faults.core_factor.get(string, 1.0),
        unit_weight_kg_m=spec.unit_weight_kg_m,
        nut_height_mm=spec.nut_height_mm + faults.nut_raised_mm.get(string, 0.0),
        saddle_height_mm=spec.nut_height_mm + slope * (spec.scale_mm + spec.setback_mm - nut_mm),
        nut_shift_mm=faults.nut_shift_mm - nut_mm,
        take_up_mm=faults.take_up_mm,
        fret_shift_mm=faults.fret_shifts_mm(string),
        uneven=faults.uneven.get(string),
        magnet=faults.pickup_pull.get(string),
        scatter_cents=faults.scatter_cents.get(string),
    )


def _check_fingerboard(string: int, build: StringBuild, frets: int) -> None:
    if build.nut_height_mm < 0.0:
        raise ValueError(f"string {string} would lie {-build.nut_height_mm:.2f} mm under the frets at the nut")
    for (before, behind_mm), (fret, crown) in pairwise((fret, crown_mm(build, fret)) for fret in range(frets + 1)):
        if crown <= behind_mm:
            raise ValueError(f"fret {fret} would lie behind fret {before} under string {string}")
