"""What the strings should be heard to do before they are heard: the error at every fret, from the instrument file, and
how far it may be off for no other reason than that files, ears and hands are what they are.

All strings stand in one vector, since what is not known is partly common to them: where the nut stands, how high the
action is, how a finger presses, where a fret lies. What is not known is taken as normal; slopes come from the full
model (``instrument.fretting``) by differences. Saddles are left out of the covariance: how far they may be off is the
question, and ``saddle`` tells what they do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from oscservice.advice.neck_errors import NeckErrors
from oscservice.hearing.inharmonicity import Stiffness, expected_stiffness
from oscservice.instrument.fretting import SHARE_SD, FrettedString, fretted_error_cents, fretted_string
from oscservice.instrument.pitch import CENTS_PER_E
from oscservice.instrument.spec import Instrument
from oscservice.instrument.string_physics import fret_position_mm

Floats = npt.NDArray[np.float64]
Change = Callable[[FrettedString], FrettedString]

NUT_PLACE_SD_MM = 0.1
NUT_HEIGHT_SD_MM = 0.07
ACTION_SD_MM = 0.15
OWN_ACTION_SD_MM = 0.07
FRET_SD_MM = 0.04
GROOVE_SD_MM = 0.05
TAKE_UP_SD_MM = 0.003
EVEN_SD = 0.001
EVEN_LENGTH_MM = 50.0
"""What a sound instrument may be off from its file, 1 sd (assumed): nut along the neck and slots in height, action as
read off a ruler (common to all strings, and of each), a fret along the neck, where its crown holds one string, string
taken up by a finger, and mass per length along a new string, with how far such differences reach."""

FINGER_MM = 6.0
FINGER_SD_MM = 3.0
PRESS_MM = 0.07
PRESS_SD_MM = 0.05
"""Where a finger holds the string, and how far it may be off: behind the fret, and below its crown (assumed)."""

GUITAR_ENDS_SD = 0.2
OWN_ENDS_SD = 0.3
"""How far the clamped ends of a guitar's strings are from those of the model: Anderson and Beausoleil (J. Acoust. Soc.
Am. 156 (2024) 683) found 1.1 +- 0.2 over five guitars. Strings of one guitar differ as well, by how they break over
their saddles (assumed)."""

CELLS = 60
HARMONIC = 0
"""Stands for the 12th-fret harmonic where a fret is named."""


@dataclass(frozen=True)
class Survey:
    """One string as it was compared.

    Attributes:
        neck: its errors over the frets.
        position_mm: how far its saddle had moved since the start, + away from the nut.
        harmonic_cents, harmonic_se_cents: 12th-fret harmonic against the open octave, what stiffness explains taken
            off; None where it wasn't heard.
        stiffness: what its readings taught of B; None where they didn't.
    """

    neck: NeckErrors
    position_mm: float = 0.0
    harmonic_cents: float | None = None
    harmonic_se_cents: float = 0.0
    stiffness: Stiffness | None = None


@dataclass(frozen=True)
class ExpectedErrors:
    """Errors heard and expected, n values in all.

    Attributes:
        rows: string and fret (or HARMONIC) of each value.
        strings: the model of each string.
        heard: cents, (n,).
        mean: what the file lets expect, cents, (n,).
        covariance: of ``heard`` about ``mean``, the saddles taken as known, (n, n).
        saddle: cents per mm of each string's saddle, (n, strings).
    """

    rows: tuple[tuple[int, int], ...]
    strings: Mapping[int, FrettedString]
    heard: Floats
    mean: Floats
    covariance: Floats
    saddle: Floats

    def shift(self, change: Change, only: int | None = None) -> Floats:
        """Cents by which a change of the strings, or of one of them, would shift each value, (n,)."""
        return _shift(self.rows, self.strings, change, only)

    def uneven(self, string: int, sd: float, length_mm: float) -> Floats:
        """Covariance that uneven mass of one string adds: 1 sd of its relative mass per length, and how far along the
        string differences reach, (n, n)."""
        effect = np.zeros((len(self.rows), CELLS))
        for index, (number, fret) in enumerate(self.rows):
            if number == string:
                effect[index] = mass_effect(self.strings[string], fret)
        at = np.linspace(0.0, self.strings[string].scale_mm, CELLS)
        profile = sd**2 * np.exp(-np.abs(at[:, None] - at[None, :]) / length_mm)
        return np.asarray(effect @ profile @ effect.T)

    def fret(self, fret: int, only: int | None = None) -> Floats:
        """Cents per mm by which a fret nearer to the saddle shifts each value, (n,); for one string, or for all."""
        found = np.zeros(len(self.rows))
        for index, (number, at) in enumerate(self.rows):
            if at == fret and only in (None, number):
                s = self.strings[number]
                found[index] = CENTS_PER_E / (s.scale_mm + s.setback_mm - fret_position_mm(s.scale_mm, fret))
        return found


def expected_errors(instrument: Instrument, surveys: Mapping[int, Survey]) -> ExpectedErrors:
    """What is expected of the strings surveyed, beside what was heard.

    Raises:
        ValueError: no string was surveyed, or one that the instrument hasn't got.
    """
    if not surveys:
        raise ValueError("no string was compared")
    strings = {number: _string(instrument, number, survey) for number, survey in sorted(surveys.items())}
    rows, heard, measured = _heard(surveys)
    columns = np.column_stack(
        [_shift(rows, strings, d.change, d.string) for d in uncertain_factors(instrument, surveys)]
    )
    covariance = measured + columns @ columns.T
    mean = np.array([0.0 if fret == HARMONIC else fretted_error_cents(strings[n], fret) for n, fret in rows])
    blank = ExpectedErrors(rows, strings, heard, mean, covariance, np.zeros((len(rows), len(strings))))
    for fret in {fret for _, fret in rows if fret != HARMONIC}:
        moved = blank.fret(fret)
        covariance += FRET_SD_MM**2 * np.outer(moved, moved) + GROOVE_SD_MM**2 * np.diag(moved**2)
    for number in strings:
        covariance += blank.uneven(number, EVEN_SD, EVEN_LENGTH_MM)
    saddle = np.column_stack([blank.shift(_with_saddle_back, number) for number in strings])
    return replace(blank, covariance=covariance, saddle=saddle)


@dataclass(frozen=True)
class UncertainFactor:
    """Something that isn't known of the strings: what it is changed by at 1 sd, and the string it is of; None for all.

    ``stays``: it is of the strings and the hand, and goes with them behind a capo or into another tuning.
    """

    change: Change
    string: int | None
    stays: bool


def uncertain_factors(instrument: Instrument, surveys: Mapping[int, Survey]) -> tuple[UncertainFactor, ...]:
    """All that isn't known of the strings surveyed, beside saddles, frets and mass along a string."""
    found = [
        UncertainFactor(lambda s: with_more_clamping(s, GUITAR_ENDS_SD), None, True),
        UncertainFactor(lambda s: replace(s, share=s.share + SHARE_SD), None, True),
        UncertainFactor(lambda s: with_more_take_up(s, TAKE_UP_SD_MM), None, True),
        UncertainFactor(lambda s: replace(s, finger_mm=s.finger_mm + FINGER_SD_MM), None, True),
        UncertainFactor(lambda s: replace(s, press_mm=s.press_mm + PRESS_SD_MM), None, True),
        UncertainFactor(lambda s: with_higher_action(s, ACTION_SD_MM), None, True),
        UncertainFactor(lambda s: replace(s, nut_shift_mm=s.nut_shift_mm + NUT_PLACE_SD_MM), None, False),
    ]
    for number, survey in surveys.items():
        # B goes with the core's fourth power
        core_sd = (survey.stiffness or expected_stiffness(instrument, number)).sd / 4.0
        found += [
            UncertainFactor(_with_thicker_core(core_sd), number, True),
            UncertainFactor(lambda s: with_more_clamping(s, OWN_ENDS_SD), number, True),
            UncertainFactor(lambda s: with_higher_action(s, OWN_ACTION_SD_MM), number, True),
            UncertainFactor(lambda s: with_higher_nut(s, NUT_HEIGHT_SD_MM), number, False),
        ]
    return tuple(found)


def _with_thicker_core(share: float) -> Change:
    square = (1.0 + share) ** 2
    return lambda s: replace(s, kappa=s.kappa * square, stiffness_mm=s.stiffness_mm * square)


def mass_effect(string: FrettedString, fret: int) -> Floats:
    """Cents by which a stopped note (or the harmonic) rises over the open string for each cell of the string, nut to
    saddle, whose mass per length is greater by a factor e, (CELLS,).

    To first order df/f = -(1/L) int (dmu/mu) sin^2(q pi x/L) dx over the sounding part, q the partial: Rayleigh's
    principle (Theory of Sound, vol. 1, section 91, from memory).
    """
    length_mm = string.scale_mm + string.setback_mm
    edges = np.linspace(0.0, length_mm, CELLS + 1)

    def lowered(start_mm: float, partial: int) -> Floats:
        sounding = length_mm - start_mm
        phase = 2.0 * math.pi * partial * np.clip((edges - start_mm) / sounding, 0.0, 1.0)
        return np.asarray(np.diff(phase - np.sin(phase)) / (4.0 * math.pi * partial))

    opened = lowered(0.0, 1)
    if fret == HARMONIC:
        return CENTS_PER_E * (opened - lowered(0.0, 2))
    return CENTS_PER_E * (opened - lowered(fret_position_mm(string.scale_mm, fret), 1))


def _string(instrument: Instrument, number: int, survey: Survey) -> FrettedString:
    spec = instrument.string(number)
    known = survey.stiffness
    string = fretted_string(
        spec,
        instrument.open_hz(number),
        log_stiffness=None if known is None else known.log_b,
        setback_mm=spec.setback_mm + survey.position_mm,
    )
    return replace(string, finger_mm=FINGER_MM, press_mm=PRESS_MM)


def _heard(surveys: Mapping[int, Survey]) -> tuple[tuple[tuple[int, int], ...], Floats, Floats]:
    rows: list[tuple[int, int]] = []
    cents: list[float] = []
    blocks: list[Floats] = []
    for number, survey in sorted(surveys.items()):
        rows += [(number, fret) for fret in survey.neck.frets]
        cents += survey.neck.errors_cents
        blocks.append(np.array(survey.neck.covariance))
        if survey.harmonic_cents is not None:
            rows.append((number, HARMONIC))
            cents.append(survey.harmonic_cents)
            blocks.append(np.array([[survey.harmonic_se_cents**2]]))
    covariance = np.zeros((len(rows), len(rows)))
    at = 0
    for block in blocks:
        covariance[at : at + len(block), at : at + len(block)] = block
        at += len(block)
    return tuple(rows), np.array(cents), covariance


def with_higher_nut(string: FrettedString, mm: float) -> FrettedString:
    """The string with its nut slot higher, the saddle as it was."""
    return replace(
        string,
        nut_height_mm=string.nut_height_mm + mm,
        saddle_over_nut_mm=string.saddle_over_nut_mm - mm,
    )


def with_higher_action(string: FrettedString, mm: float) -> FrettedString:
    """The string higher at fret 12 by raising its saddle."""
    return replace(string, saddle_over_nut_mm=string.saddle_over_nut_mm + 2.0 * mm)


def with_more_clamping(string: FrettedString, ends: float) -> FrettedString:
    """The string with more of its ends clamped."""
    return replace(string, clamped_ends=string.clamped_ends + ends)


def with_more_take_up(string: FrettedString, mm: float) -> FrettedString:
    """The string with more of it taken up by the finger."""
    return replace(string, take_up_mm=string.take_up_mm + mm)


def _with_saddle_back(string: FrettedString) -> FrettedString:
    return replace(string, setback_mm=string.setback_mm + 1.0)


def _shift(
    rows: tuple[tuple[int, int], ...], strings: Mapping[int, FrettedString], change: Change, only: int | None
) -> Floats:
    changed = {n: change(s) for n, s in strings.items() if only in (None, n)}
    return np.array(
        [
            fretted_error_cents(changed[n], fret) - fretted_error_cents(strings[n], fret)
            if fret != HARMONIC and n in changed
            else 0.0
            for n, fret in rows
        ]
    )
