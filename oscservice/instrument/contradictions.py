"""Contradictions in an instrument file: values that are possible one by one, but not together.

Only values that no instrument has are refused. Odd ones that are for sale are accepted: octave courses, a high fifth
string, high-strung sets, re-entrant tunings, tape-wound strings lighter than their gauge.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from oscservice.defaults import INCH_MM
from oscservice.instrument.bridge_kinds import NO_KINDS, Kinds
from oscservice.instrument.instrument_form import InstrumentForm, StringForm, expand
from oscservice.instrument.pitch import note_number
from oscservice.instrument.spec import Adjuster, StringSpec
from oscservice.instrument.string_physics import PLAIN_STEEL_KG_M3, tension_n
from oscservice.toml_file import Location

TENSION_RANGE_N = (10.0, 300.0)
"""Tension of one string; outside this range, its note and its gauge don't belong together."""

# Common practice, no source: plain strings are sold up to .026, wound ones from .016 (with a little for rounding).
_THICKEST_PLAIN_MM = 0.0265 * INCH_MM
_THINNEST_WOUND_MM = 0.0155 * INCH_MM

# Mass over the full cross-section, kg/m3. Steel is 7700 to 8000; a wound string holds air (tape-wound: also nylon), and
# nickel, the heaviest wrap, is 8900. From memory, with room to spare.
_DENSITY_KG_M3 = {"plain": (7000.0, 8500.0), "wound": (4000.0, 8900.0)}

_BREAKING_N_MM2 = 3400.0  # the finest music wire breaks here (from memory); no core carries more

_SAME_WAY = 1e-3  # relative: influences this close to each other have the same effect at the bench


def contradictions(form: InstrumentForm, kinds: Kinds = NO_KINDS) -> Iterator[tuple[Location, str]]:
    """Yield the contradictions in a checked form: the place of each, the value found and the value expected."""
    yield from _made_for(form, kinds)
    yield from _numbering(form)
    instrument = expand(form, kinds)
    yield from _bridge(form, instrument.bridge.adjusters)
    for index, (entry, string) in enumerate(zip(form.string, instrument.strings, strict=True)):
        yield from _string(index, entry, string, instrument.open_hz(index + 1))
    yield from _order(form, instrument.strings)


def _made_for(form: InstrumentForm, kinds: Kinds) -> Iterator[tuple[Location, str]]:
    """Yield a kind of bridge that isn't made for so many strings."""
    kind = form.bridge.kind_in(kinds) if form.bridge.adjuster is None else None
    if kind is not None and len(form.string) not in kind.made_for:
        numbers = ", ".join(map(str, sorted(kind.made_for)))
        key, name = form.bridge.named_by
        words = f"found {name!r}, which is made for {numbers} strings; expected another kind for"
        yield ("bridge", key), f"{words} {len(form.string)}"


def _numbering(form: InstrumentForm) -> Iterator[tuple[Location, str]]:
    """Yield adjusters that move strings which don't exist, or that have the same name."""
    names: set[str] = set()
    for index, adjuster in enumerate(form.bridge.adjuster or ()):
        here: Location = ("bridge", "adjuster", index)
        absent = [number for number in adjuster.influence if not 1 <= number <= len(form.string)]
        if absent:
            yield (*here, "influence"), f"found string {absent[0]}, expected 1 to {len(form.string)}"
        if adjuster.name in names:
            yield (*here, "name"), f"found {adjuster.name!r} again, expected another name for each"
        names.add(adjuster.name)
    held = [number for clamp in form.nut.clamps_on(len(form.string)) for number in clamp]
    if held:
        yield from _clamps(held, len(form.string))


def _clamps(held: list[int], strings: int) -> Iterator[tuple[Location, str]]:
    """Yield strings that are under no clamp of a locking nut, under two, or don't exist."""
    here: Location = ("nut", "clamps")
    absent = [number for number in held if number > strings]
    twice = [number for number in held if held.count(number) > 1]
    free = [number for number in range(1, strings + 1) if number not in held]
    if absent:
        yield here, f"found string {absent[0]}, expected 1 to {strings}"
    elif twice:
        yield here, f"found string {twice[0]} twice, expected each string under one clamp"
    elif free:
        yield here, f"found no clamp over string {free[0]}, expected each string under one clamp"


def _bridge(form: InstrumentForm, adjusters: tuple[Adjuster, ...]) -> Iterator[tuple[Location, str]]:
    """Yield strings that no adjuster moves, and adjusters that move the strings exactly as others do."""
    if not adjusters:
        return
    key, _ = form.bridge.named_by
    matrix = np.array([[a.influence.get(n, 0.0) for a in adjusters] for n in range(1, len(form.string) + 1)])
    still = [n for n, row in enumerate(matrix, start=1) if not row.any()]
    if still:
        words = f"found none that moves string {still[0]}, expected every string in some influence"
        yield ("bridge", "adjuster"), words
    ways = matrix / np.linalg.norm(matrix, axis=0)
    for index in range(1, len(adjusters)):
        earlier, way = ways[:, :index], ways[:, index]
        shares = np.linalg.lstsq(earlier, way, rcond=None)[0]
        if np.linalg.norm(earlier @ shares - way) < _SAME_WAY:
            others = [repr(a.name) for a, share in zip(adjusters, shares, strict=False) if abs(share) > _SAME_WAY]
            named = ("bridge", "adjuster", index, "influence") if form.bridge.adjuster else ("bridge", key)
            yield (
                named,
                f"found that {adjusters[index].name!r} moves the strings "
                f"only as {' and '.join(others)} can, expected a way of its own",
            )


def _string(index: int, entry: StringForm, string: StringSpec, open_hz: float) -> Iterator[tuple[Location, str]]:
    """Yield contradictions between a string's gauge, weight, core, heights and note."""

    def at(field: str, words: str) -> tuple[Location, str]:
        return ("string", index, field), words

    in_inches = entry.gauge_in is not None
    gauge_field = "gauge_in" if in_inches else "gauge_mm"
    core_field = "core_in" if entry.core_in is not None else "core_mm"

    def gauge(mm: float) -> str:
        return f"{mm / INCH_MM:.3f}" if in_inches else f"{mm:.2f}"

    found = f"found {entry.kind} {gauge(string.gauge_mm)}"
    if not string.wound and string.gauge_mm > _THICKEST_PLAIN_MM:
        yield at(gauge_field, f"{found}, expected a plain string of at most {gauge(0.026 * INCH_MM)}, or wound")
    if string.wound and string.gauge_mm < _THINNEST_WOUND_MM:
        yield at(gauge_field, f"{found}, expected a wound string of at least {gauge(0.016 * INCH_MM)}, or plain")
    weight, section_mm2 = string.unit_weight_kg_m, math.pi * string.gauge_mm**2 / 4.0
    low, high = (density * section_mm2 * 1e-6 for density in _DENSITY_KG_M3[entry.kind])
    core_mm2 = math.pi * string.core_mm**2 / 4.0
    if not low <= weight <= high:
        yield at(
            "unit_weight_kg_m",
            f"found {weight:g}, expected {low:.3g} to {high:.3g} (kg/m) for steel, {entry.kind} "
            f"{gauge(string.gauge_mm)}",
        )
    elif string.wound and weight <= PLAIN_STEEL_KG_M3 * core_mm2 * 1e-6:
        yield at(
            core_field,
            f"found {string.core_mm:.3f} mm, which alone weighs {PLAIN_STEEL_KG_M3 * core_mm2 * 1e-6:.3g} kg/m; "
            f"expected less than the whole string's {weight:.3g}",
        )
    pull = tension_n(weight, open_hz, string.scale_mm)
    if not TENSION_RANGE_N[0] <= pull <= TENSION_RANGE_N[1]:
        yield at(
            "note",
            f"found {string.note} on {string.gauge_mm:.2f} mm, which would pull {pull:.0f} N; expected "
            f"{TENSION_RANGE_N[0]:g} to {TENSION_RANGE_N[1]:g} N, so check note, octave and gauge",
        )
    elif pull / core_mm2 > _BREAKING_N_MM2:
        stress = f"which breaks before {string.note} ({pull / core_mm2:.0f} N/mm2)"
        least_mm = math.sqrt(4.0 * pull / math.pi / _BREAKING_N_MM2)
        if string.wound:
            yield at(core_field, f"found {string.core_mm:.3f} mm, {stress}; expected {least_mm:.2f} mm or more")
        else:  # a thicker plain string carries more and pulls more
            yield at("note", f"found {entry.kind} at {string.scale_mm:g} mm, {stress}; expected a lower note")
    if string.action_12_mm <= string.nut_height_mm / 2.0:
        yield at(
            "action_12_mm",
            f"found {string.action_12_mm:g}, expected more than half of nut_height_mm ({string.nut_height_mm:g}): "
            "the string would lie on the frets",
        )


def _order(form: InstrumentForm, strings: tuple[StringSpec, ...]) -> Iterator[tuple[Location, str]]:
    """Yield a set in reverse order: each string higher and thinner than the one before."""
    notes = [note_number(string.note) for string in strings]
    gauges = [string.gauge_mm for string in strings]
    pairs = range(len(strings) - 1)
    if pairs and all(notes[k] < notes[k + 1] and gauges[k] > gauges[k + 1] for k in pairs):
        yield (
            ("string", 0, "note"),
            f"found {form.string[0].note}, the lowest and thickest, first; expected the thinnest first",
        )
