"""From an instrument's profile to the mechanics of a simulated one."""

from __future__ import annotations

from collections.abc import Sequence

from oscservice.instrument.profile import Instrument, StringSpec
from oscservice.simulate.bridge import BridgeBuild
from oscservice.simulate.rig import AdjusterBuild, Rig
from oscservice.simulate.string_path import StringBuild


def rig_of(
    instrument: Instrument,
    *,
    saddle_error_mm: Sequence[float] | None = None,
    detune_cents: Sequence[float] | None = None,
) -> Rig:
    """The mechanics of an instrument. See ``guitar.Guitar.from_instrument``."""
    builds = [_build(instrument.open_hz(n), spec) for n, spec in enumerate(instrument.strings, start=1)]
    bridge = BridgeBuild(floating=instrument.bridge.floating)
    adjusters = [
        AdjusterBuild(a.name, dict(a.influence), a.toward_nut_mm, a.away_mm) for a in instrument.bridge.adjusters
    ]
    saddles = [spec.setback_mm for spec in instrument.strings]
    if saddle_error_mm is not None:
        if len(saddle_error_mm) != len(builds):
            raise ValueError(f"{len(saddle_error_mm)} saddle errors for {len(builds)} strings")
        as_filed = Rig(builds, bridge, saddle_mm=saddles)
        saddles = [as_filed.find_true_saddle_mm(n) + off for n, off in enumerate(saddle_error_mm, start=1)]
    return Rig(
        builds,
        bridge,
        adjusters,
        saddle_mm=saddles,
        detune_cents=detune_cents,
        slacken_first=instrument.bridge.slacken,
    )


def _build(open_hz: float, spec: StringSpec) -> StringBuild:
    # The straight string passes fret 12 at the action, so the saddle's height follows.
    slope = (spec.action_12_mm - spec.nut_height_mm) / (spec.scale_mm / 2.0)
    return StringBuild(
        open_hz=open_hz,
        scale_mm=spec.scale_mm,
        core_mm=spec.core_mm,
        unit_weight_kg_m=spec.unit_weight_kg_m,
        nut_height_mm=spec.nut_height_mm,
        saddle_height_mm=spec.nut_height_mm + slope * (spec.scale_mm + spec.setback_mm),
    )
