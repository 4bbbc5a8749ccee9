"""Contradictions in an instrument file: values that are possible one by one, but not together.

Only values that no instrument has are refused. Odd ones that are for sale are accepted: octave courses, a high fifth
string, high-strung sets, re-entrant tunings, tape-wound strings lighter than their gauge.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from oscservice.defaults import INCH_MM
from oscservice.instrument.bridge_kinds import NO_KINDS, Kinds
from oscservice.instrument.hardware import COMPENSATED, TOOLS, ZERO_FRET
from oscservice.instrument.hardware_form import step_of
from oscservice.instrument.instrument_form import InstrumentForm, StringForm, expand
from oscservice.instrument.pitch import note_number
from oscservice.instrument.spec import Adjuster, Instrument, StringSpec, Tuning
from oscservice.instrument.string_physics import PLAIN_STEEL_KG_M3, tension_n
from oscservice.toml_file import Location, nearest

TENSION_RANGE_N = (10.0, 300.0)
"""Tension of one string; outside this range, its note and its gauge don't belong together."""

# Common practice, no source: plain strings are sold up to .026, wound ones from .016 (with a little for rounding).
_THICKEST_PLAIN_MM = 0.0265 * INCH_MM
_THINNEST_WOUND_MM = 0.0155 * INCH_MM

# Mass over the full cross-section, kg/m3. Steel is 7700 to 8000; a wound string holds air (tape-wound: also nylon), and
# nickel, the heaviest wrap, is 8900. From memory, with room to spare.
_DENSITY_KG_M3 = {"plain": (7000.0, 8500.0), "wound": (4000.0, 8900.0)}

_BREAKING_N_MM2 = 3400.0  # the finest music wire breaks here (from memory); no core carries more

# No string is that low over the frets, no feeler gauge reads a relief that small: the number is in inches (common
# practice, no source).
_LEAST_ACTION_MM, _LEAST_NUT_MM, _LEAST_RELIEF_MM = 0.3, 0.03, 0.02
_LEAST_WANTED_MM = {
    "relief_wanted_mm": 0.03, "action_treble_wanted_mm": 0.3, "action_bass_wanted_mm": 0.3, "nut_wanted_mm": 0.05
}  # fmt: skip

_HIGHEST_ZERO_FRET_MM = 0.3  # above the other frets (common practice, no source)
_SCALES_DIFFER_MM = 2.0
_OF_ONE_MIND = 0.6
"""Share of pairs of strings, less the others, that must be in reverse order for the whole set to be."""
_OCTAVE = 12

_SAME_WAY = 1e-3  # relative: influences this close to each other have the same effect at the bench


def contradictions(form: InstrumentForm, kinds: Kinds = NO_KINDS) -> Iterator[tuple[Location, str]]:
    """Yield the contradictions in a checked form: the place of each, the value found and the value expected."""
    yield from _made_for(form, kinds)
    yield from _tables(form)
    yield from _numbering(form)
    wrong = list(_tunings(form))
    if wrong:
        yield from wrong
        return
    instrument = expand(form, kinds)
    yield from _bridge(form, instrument.bridge.adjusters)
    yield from _nut(form)
    yield from _wanted_in_inches(form)
    for index, (entry, string) in enumerate(zip(form.string, instrument.strings, strict=True)):
        yield from _string(index, entry, string, instrument.open_hz(index + 1))
    yield from _order(form, instrument.strings)
    for index, tuning in enumerate(instrument.tunings[1:]):
        yield from _pitches(index, instrument, tuning)


def _made_for(form: InstrumentForm, kinds: Kinds) -> Iterator[tuple[Location, str]]:
    """Yield a kind of bridge that isn't made for so many strings."""
    kind = form.bridge.kind_in(kinds) if form.bridge.adjuster is None else None
    if kind is not None and len(form.string) not in kind.made_for:
        numbers = ", ".join(map(str, sorted(kind.made_for)))
        key, name = form.bridge.named_by
        words = f"found {name!r}, which is made for {numbers} strings; expected another kind for"
        yield ("bridge", key), f"{words} {len(form.string)}"


def _tables(form: InstrumentForm) -> Iterator[tuple[Location, str]]:
    """Yield tools for steps that have none, and what two tables give."""
    for key in form.tools:
        if step_of(key) not in TOOLS:
            yield ("tools", key), f"found {key!r}, which is no step with a tool; {nearest(step_of(key), TOOLS)}"
    for key, other in (("fitted", "strings_fitted"), ("replace_after_days", "replace_after_days")):
        if getattr(form.strings, key) is not None and getattr(form.set_up, other) is not None:
            yield ("strings", key), f"found beside {other} in [set_up]; leave one of them out"


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


def _tunings(form: InstrumentForm) -> Iterator[tuple[Location, str]]:
    """Yield tunings without a note for each string, or that have the same name."""
    names = {form.own_tuning}
    for index, entry in enumerate(form.tuning):
        given = {"notes": entry.notes, "offsets_cents": entry.offsets_cents or entry.notes}
        for key, values in given.items():
            if len(values) != len(form.string):
                yield ("tuning", index, key), f"found {len(values)}, expected {len(form.string)}, one for each string"
        if entry.name in names:
            yield ("tuning", index, "name"), f"found {entry.name!r} again, expected another name for each"
        names.add(entry.name)


def _pitches(index: int, instrument: Instrument, tuning: Tuning) -> Iterator[tuple[Location, str]]:
    """Yield strings that don't belong to their note in a tuning."""
    given = zip(instrument.strings, tuning.notes, tuning.offsets_cents, strict=True)
    strings = tuple(string.model_copy(update={"note": note, "offset_cents": cents}) for string, note, cents in given)
    tuned = instrument.model_copy(update={"strings": strings})
    for number, string in enumerate(strings, start=1):
        pull = tension_n(string.unit_weight_kg_m, tuned.open_hz(number), string.scale_mm)
        stress_n_mm2 = pull / (math.pi * string.core_mm**2 / 4.0)
        found = f"found {string.note} for string {number}"
        if not TENSION_RANGE_N[0] <= pull <= TENSION_RANGE_N[1]:
            low, high = TENSION_RANGE_N
            yield ("tuning", index, "notes"), f"{found}, which would pull {pull:.0f} N; expected {low:g} to {high:g} N"
        elif stress_n_mm2 > _BREAKING_N_MM2:
            words = f"{found}, which breaks its core ({stress_n_mm2:.0f} N/mm2); expected a lower note"
            yield ("tuning", index, "notes"), words


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
    low = string.action_12_mm < _LEAST_ACTION_MM
    if string.action_12_mm <= string.nut_height_mm / 2.0:
        yield at(
            "action_12_mm",
            f"found {string.action_12_mm:g}, expected more than half of nut_height_mm ({string.nut_height_mm:g}): "
            "the string would lie on the frets" + (_for_inches("action_12_mm", string.action_12_mm) if low else ""),
        )
    elif low:
        yield at("action_12_mm", _too_low("action_12_mm", string.action_12_mm, _LEAST_ACTION_MM))
    if 0.0 < string.nut_height_mm < _LEAST_NUT_MM:
        yield at("nut_height_mm", _too_low("nut_height_mm", string.nut_height_mm, _LEAST_NUT_MM))


def _nut(form: InstrumentForm) -> Iterator[tuple[Location, str]]:
    """Yield what doesn't belong to this kind of nut, and targets of frets that aren't there."""
    compensated = form.nut.kind == COMPENSATED
    offsets = [entry.nut_offset_mm for entry in form.string]
    if compensated and not any(offsets):
        yield (
            ("nut", "kind"),
            "found compensated, expected nut_offset_mm under one [[string]] or more; write plain if they are unknown",
        )
    for index, entry in enumerate(form.string):
        if entry.nut_offset_mm and not compensated:
            words = f'found {entry.nut_offset_mm:g} with a nut that is {form.nut.kind}; expected kind = "compensated"'
            yield ("string", index, "nut_offset_mm"), f"{words} under [nut], or none"
        high = entry.nut_height_mm
        if form.nut.kind == ZERO_FRET and high is not None and high > _HIGHEST_ZERO_FRET_MM:
            words = (
                f"found {high:g} with a zero fret, expected 0 to {_HIGHEST_ZERO_FRET_MM:g}: it is as high as the others"
            )
            yield ("string", index, "nut_height_mm"), words
        absent = [fret for fret in entry.fret_targets_cents if fret > form.frets]
        if absent:
            yield ("string", index, "fret_targets_cents"), f"found fret {absent[0]}, expected 1 to {form.frets}"


def _wanted_in_inches(form: InstrumentForm) -> Iterator[tuple[Location, str]]:
    """Yield a relief and targets in mm that can only be inches."""
    relief_mm = form.set_up.relief_mm
    if relief_mm is not None and 0.0 < abs(relief_mm) < _LEAST_RELIEF_MM:
        words = _too_low("relief_mm", relief_mm, _LEAST_RELIEF_MM)
        yield ("set_up", "relief_mm"), f"{words}, or 0 for a straight neck"
    for field, least_mm in _LEAST_WANTED_MM.items():
        wanted = getattr(form.set_up, field)
        if wanted is not None and 0.0 < wanted[1] < least_mm:
            words = f"found up to {wanted[1]:g} mm, expected {least_mm:g} or more{_for_inches(field, *wanted)}"
            yield ("set_up", field), words


def _too_low(field: str, found_mm: float, least_mm: float) -> str:
    return f"found {found_mm:g} mm, expected {least_mm:g} or more{_for_inches(field, found_mm)}"


def _for_inches(field: str, *found: float) -> str:
    """Return how to write values that are meant in inches."""
    texts = [f'"{value:g} in"' for value in found]
    written = texts[0] if len(texts) == 1 else f"[{', '.join(texts)}]"
    return f"; for inches write {field.removesuffix('_mm')} = {written}"


def _order(form: InstrumentForm, strings: tuple[StringSpec, ...]) -> Iterator[tuple[Location, str]]:
    """Yield a set in reverse order, courses that are taken apart, and the longest scale on the thinnest string."""
    notes = [note_number(string.note) for string in strings]
    gauges = [string.gauge_mm for string in strings]
    scales = [string.scale_mm for string in strings]
    half, odd = divmod(len(strings), 2)
    in_courses = half > 2 and not odd and _courses(notes, 1, 2)
    each = range(0, len(strings), 2 if in_courses else 1)
    low = [min(notes[k : k + each.step]) for k in each]  # of each course
    thick = [max(gauges[k : k + each.step]) for k in each]
    if _rising(low) and _rising([-gauge for gauge in thick]):
        lowest = notes[0] == min(notes) and gauges[0] == max(gauges)
        first = (
            f"{form.string[0].note}, the lowest and thickest, first" if lowest else "the low and thick strings first"
        )
        yield ("string", 0, "note"), f"found {first}; expected the thinnest first"
    elif half > 2 and not odd and _courses(notes, half, 1) and not in_courses:
        words = f"found {form.string[half].note} again after one string of every course"
        yield ("string", half, "note"), f"{words}; expected the two strings of a course side by side"
    elif scales[0] - scales[-1] >= _SCALES_DIFFER_MM and notes[0] > notes[-1]:
        words = f"found {scales[0]:g} on the thinnest string and {scales[-1]:g} on the thickest"
        yield ("string", 0, "scale_mm"), f"{words}; expected the longest scale on the thickest string"


def _courses(notes: Sequence[int], apart: int, step: int) -> bool:
    """True if each string and the one so far apart are in unison or an octave; ``step`` to the next such pair."""
    return all(abs(notes[k + apart] - notes[k]) in (0, _OCTAVE) for k in range(0, len(notes) - apart, step))


def _rising(values: Sequence[float]) -> bool:
    """True if the values rise from first to last, but for a few pairs."""
    pairs = [(a, b) for k, a in enumerate(values) for b in values[k + 1 :] if a != b]
    rising = sum(a < b for a, b in pairs)
    return values[0] < values[-1] and 2 * rising - len(pairs) >= _OF_ONE_MIND * len(pairs)
