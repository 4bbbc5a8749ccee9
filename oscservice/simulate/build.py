"""From an instrument's profile to the mechanics of a simulated one."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from oscservice.instrument.profile import Instrument, StringSpec
from oscservice.simulate.bridge import BridgeBuild
from oscservice.simulate.faults import SOUND, Faults
from oscservice.simulate.rig import AdjusterBuild, Rig
from oscservice.simulate.string_path import StringBuild, crown_mm


def rig_of(
    instrument: Instrument,
    *,
    saddle_error_mm: Sequence[float] | None = None,
    detune_cents: Sequence[float] | None = None,
    faults: Faults = SOUND,
) -> Rig:
    """The mechanics of an instrument. See ``guitar.Guitar.from_instrument``."""
    faults.check(len(instrument.strings), instrument.frets)
    builds = _builds(instrument, faults)
    for n, build in enumerate(builds, start=1):
        _check_fingerboard(n, build, instrument.frets)
    bridge = BridgeBuild(floating=instrument.bridge.floating)
    adjusters = [
        AdjusterBuild(a.name, dict(a.influence), a.toward_nut_mm, a.away_mm) for a in instrument.bridge.adjusters
    ]
    saddles = [spec.setback_mm for spec in instrument.strings]
    if saddle_error_mm is not None:
        if len(saddle_error_mm) != len(builds):
            raise ValueError(f"{len(saddle_error_mm)} saddle errors for {len(builds)} strings")
        in_order = Rig(_builds(instrument, faults.but_core()), bridge, saddle_mm=saddles)
        saddles = [in_order.find_true_saddle_mm(n) + off for n, off in enumerate(saddle_error_mm, start=1)]
    return Rig(
        builds,
        bridge,
        adjusters,
        saddle_mm=saddles,
        detune_cents=detune_cents,
        slacken_first=instrument.bridge.slacken,
    )


def _builds(instrument: Instrument, faults: Faults) -> list[StringBuild]:
    return [_build(instrument, n, spec, faults) for n, spec in enumerate(instrument.strings, start=1)]


def _build(instrument: Instrument, string: int, spec: StringSpec, faults: Faults) -> StringBuild:
    # The straight string passes fret 12 at the action, so the saddle's height follows.
    slope = (spec.action_12_mm + faults.action_raised_mm - spec.nut_height_mm) / (spec.scale_mm / 2.0)
    return StringBuild(
        open_hz=instrument.open_hz(string),
        scale_mm=spec.scale_mm,
        core_mm=spec.core_mm * faults.core_factor.get(string, 1.0),
        unit_weight_kg_m=spec.unit_weight_kg_m,
        nut_height_mm=spec.nut_height_mm + faults.nut_raised_mm.get(string, 0.0),
        saddle_height_mm=spec.nut_height_mm + slope * (spec.scale_mm + spec.setback_mm),
        nut_shift_mm=faults.nut_shift_mm,
        take_up_mm=faults.take_up_mm,
        fret_shift_mm=faults.fret_shifts_mm(string),
        uneven=faults.uneven.get(string),
        scatter_cents=faults.scatter_cents.get(string),
    )


def _check_fingerboard(string: int, build: StringBuild, frets: int) -> None:
    if build.nut_height_mm < 0.0:
        raise ValueError(f"string {string} would lie {-build.nut_height_mm:.2f} mm under the frets at the nut")
    for (before, behind_mm), (fret, crown) in pairwise((fret, crown_mm(build, fret)) for fret in range(frets + 1)):
        if crown <= behind_mm:
            raise ValueError(f"fret {fret} would lie behind fret {before} under string {string}")
