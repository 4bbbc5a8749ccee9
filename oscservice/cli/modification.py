"""A modification of an instrument, as the options of ``predict`` and ``remains`` give it."""

from __future__ import annotations

from dataclasses import dataclass

from oscservice.defaults import INCH_MM
from oscservice.instrument.modified_instrument import (
    NewGauge,
    tuned_by,
    with_action_raised,
    with_capo,
    with_gauges,
    with_notes,
    with_nut_height,
    with_reference,
)
from oscservice.instrument.spec import GAUGE_RANGE_MM, Instrument
from oscservice.instrument.tunings import in_tuning
from oscservice.sentences.length_text import HUNDREDTHS, LengthUnit, length_text

_KEPT = "-"


@dataclass(frozen=True)
class Modification:
    """A modification; None where nothing changes.

    Attributes:
        action_mm: by how much fret 12's action rises.
        nut_mm: height of the strings over the fret plane at the nut.
        semitones: by how many the tuning rises.
        notes: open notes, string 1 first.
        tuning: a named tuning, or two that the saddles serve.
        gauges: GAUGE or GAUGE/CORE in inches for each string, string 1 first; ``-`` leaves a string on.
        reference_hz: A4.
        capo: its fret.
    """

    action_mm: float | None = None
    nut_mm: float | None = None
    semitones: int | None = None
    notes: str | None = None
    tuning: str | None = None
    gauges: str | None = None
    reference_hz: float | None = None
    capo: int | None = None

    def __str__(self) -> str:
        return self.told()

    def told(self, lengths: LengthUnit = LengthUnit.MM) -> str:
        """Return the modification in words; empty where nothing changes."""
        parts = (
            ("gauges {}", self.gauges),
            ("notes {}", self.notes),
            ("tuning {}", self.tuning),
            ("tuned by {:+d} semitones", self.semitones),
            ("A4 = {:g} Hz", self.reference_hz),
            ("{} high at the nut", _length(self.nut_mm, lengths)),
            ("action {}", _length(self.action_mm, lengths, sign=True)),
            ("capo at fret {}", self.capo),
        )
        return ", ".join(form.format(value) for form, value in parts if value is not None)


def _length(length_mm: float | None, lengths: LengthUnit, *, sign: bool = False) -> str | None:
    """Return a length as it was given, in mm to a thousandth; in inches to a thousandth of an inch."""
    if length_mm is None or lengths is not LengthUnit.MM:
        return None if length_mm is None else length_text(length_mm, lengths, HUNDREDTHS, sign=sign)
    return f"{round(length_mm, 3):{'+' if sign else ''}g} mm"


def modified(instrument: Instrument, change: Modification) -> Instrument:
    """Return the instrument after a modification. Raises ValueError, one line, for one that can't be made."""
    pitches = {"--notes": change.notes, "--semitones": change.semitones, "--tuning": change.tuning}
    given = [option for option, value in pitches.items() if value is not None]
    if len(given) > 1:
        raise ValueError(f"{' and '.join(given)}: expected one of them")
    if change.gauges is not None:
        instrument = with_gauges(instrument, _gauges(change.gauges, len(instrument.strings)))
    if change.notes is not None:
        instrument = with_notes(instrument, change.notes.replace(",", " ").split())
    if change.tuning is not None:
        instrument = in_tuning(instrument, change.tuning)
    if change.semitones is not None:
        instrument = tuned_by(instrument, change.semitones)
    if change.reference_hz is not None:
        instrument = with_reference(instrument, change.reference_hz)
    if change.nut_mm is not None:
        instrument = with_nut_height(instrument, change.nut_mm)
    if change.action_mm is not None:
        instrument = with_action_raised(instrument, change.action_mm)
    if change.capo is not None:
        instrument = with_capo(instrument, change.capo)
    return instrument


def _gauges(text: str, strings: int) -> dict[int, NewGauge]:
    """Return the new gauges by string number; a string that is kept is left out."""
    words = text.replace(",", " ").split()
    if len(words) != strings:
        raise ValueError(f"--gauges: found {len(words)}, expected {strings}, string 1 first ({_KEPT} leaves one on)")
    return {number: _gauge(word) for number, word in enumerate(words, start=1) if word != _KEPT}


def _gauge(word: str) -> NewGauge:
    """Return a gauge, with its core if that is given, from inches."""
    try:
        mm = [float(part) * INCH_MM for part in word.split("/")]
    except ValueError:
        mm = []
    if len(mm) not in (1, 2) or not all(GAUGE_RANGE_MM[0] <= one <= GAUGE_RANGE_MM[1] for one in mm):
        raise ValueError(f"--gauges: found {word!r}, expected inches, e.g. 0.011, or with a core, 0.046/0.018")
    return NewGauge(*mm)
