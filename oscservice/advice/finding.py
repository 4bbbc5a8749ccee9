"""A cause in words and numbers: what was heard that speaks for it, how sure that is, and what to check by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from oscservice.advice.causes import Cause, Named, named_causes, ranked_causes
from oscservice.advice.expected import HARMONIC, Expected, Survey, expect
from oscservice.instrument.spec import Instrument
from oscservice.sentences.table import ENGLISH

INCURABLE = (Cause.NUT_SLOT, Cause.NUT_PLACE, Cause.FINGER, Cause.UNEVEN, Cause.SCATTER)
"""Causes that no saddle cures: strings they are about are not advised on. A single fret is left out of the advice
instead; high action a saddle can follow."""

CHECKS: dict[Cause, str] = {Cause(word): check for word, check in ENGLISH.column("cause", "check").items()}
"""What to check by hand (common practice, no source)."""


@dataclass(frozen=True)
class Finding:
    """A cause as it is told and recorded. Fields as of ``causes.Named``, but

    Attributes:
        cause: a word of ``Cause``.
        unit: of size and se: mm or cents.
        evidence: the numbers that speak for it, in words.
        check: what to check by hand.
        stops: whether no saddle cures it, so that strings it is about are not advised on.
    """

    cause: str
    strings: tuple[int, ...]
    fret: int
    size: float
    se: float
    unit: str
    probability: float
    evidence: str
    check: str
    stops: bool

    @property
    def name(self) -> str:
        """The cause and where it is: ``fret misplaced or flattened 5, strings 1, 2, 3``."""
        return _name(self.cause, self.strings, self.fret)

    @property
    def text(self) -> str:
        """The finding as one sentence."""
        return f"{self.name} ({self.probability:.0%} sure): {self.evidence}"


def findings(instrument: Instrument, surveys: Mapping[int, Survey]) -> tuple[Finding, ...]:
    """The causes that the strings' errors speak for beside their saddles, the surest first.

    Raises:
        ValueError: no string was surveyed.
    """
    expected = expect(instrument, surveys)
    return tuple(_finding(expected, one) for one in named_causes(expected))


def suspicion(instrument: Instrument, surveys: Mapping[int, Survey]) -> tuple[float, Finding | None]:
    """How probable it is that some cause which no saddle cures is at work, and the likeliest of them, however unsure.

    Raises:
        ValueError: no string was surveyed.
    """
    expected = expect(instrument, surveys)
    incurable = [one for one in ranked_causes(expected) if one.cause in INCURABLE]
    likeliest = _finding(expected, incurable[0]) if incurable else None
    return sum(one.probability for one in incurable), likeliest


def scatter_finding(number: int, scatter_cents: float, limit_cents: float) -> Finding:
    """The finding on a string whose plucks scatter too much."""
    evidence = f"single plucks scatter by {scatter_cents:.1f} cents (1 sd), more than {limit_cents:g}"
    check = CHECKS[Cause.SCATTER]
    return Finding(Cause.SCATTER, (number,), 0, scatter_cents, 0.0, "cents", 1.0, evidence, check, stops=True)


def stopped_strings(found: tuple[Finding, ...]) -> dict[int, Finding]:
    """Strings that are not to be advised on, with the first finding that says so."""
    stopped: dict[int, Finding] = {}
    for finding in found:
        for number in finding.strings if finding.stops else ():
            stopped.setdefault(number, finding)
    return stopped


def left_out_frets(found: tuple[Finding, ...], number: int) -> frozenset[int]:
    """Frets that are no ground for advice on a string."""
    return frozenset(f.fret for f in found if f.cause == Cause.FRET and number in f.strings)


def _name(cause: str, strings: tuple[int, ...], fret: int) -> str:
    at = f" {fret}" if fret else ""
    return f"{cause}{at}, string{'s' if len(strings) > 1 else ''} {', '.join(map(str, strings))}"


def _finding(expected: Expected, named: Named) -> Finding:
    unit = "cents" if named.cause is Cause.UNEVEN else "mm"
    return Finding(
        cause=str(named.cause),
        strings=named.strings,
        fret=named.fret,
        size=named.size,
        se=named.se,
        unit=unit,
        probability=named.probability,
        evidence=_evidence(expected, named),
        check=CHECKS[named.cause],
        stops=named.cause in INCURABLE,
    )


def _evidence(expected: Expected, named: Named) -> str:
    """The value that tells most, what was expected there, what the cause makes of it, and how large that makes it."""
    shift = np.array(named.shift)
    sd = np.sqrt(np.diag(expected.covariance))
    index = int(np.argmax(np.abs(shift) / sd))
    number, fret = expected.rows[index]
    place = "12th-fret harmonic" if fret == HARMONIC else f"fret {fret}"
    heard = f"{expected.heard[index]:+.1f} cents heard at string {number}, {place}"
    told = f"{shift[index]:+.1f} of the {heard}, are its doing"
    size = _SIZES[named.cause].format(size=named.size, absolute=abs(named.size), se=named.se, way=_way(named))
    return f"{told}; {size}"


_SIZES: dict[Cause, str] = {
    Cause.NUT_SLOT: "slot {size:.1f} ± {se:.1f} mm higher than in the file",
    Cause.NUT_PLACE: "nut {absolute:.1f} ± {se:.1f} mm too {way} the saddle, alike on all strings and frets",
    Cause.FINGER: "{size:.3f} ± {se:.3f} mm of string taken up, alike on all frets, in the ratio of the strings' cores",
    Cause.UNEVEN: "{size:+.1f} ± {se:.1f} cents at its worst place, which fits no saddle, nut or fret",
    Cause.FRET: "fret {absolute:.2f} ± {se:.2f} mm too {way} the saddle against its neighbours",
    Cause.ACTION: "every saddle asks for more, as for an action {size:.1f} ± {se:.1f} mm higher than in the file",
}


def _way(named: Named) -> str:
    if named.cause is Cause.NUT_PLACE:
        return "far from" if named.size > 0.0 else "near to"
    return "near to" if named.size > 0.0 else "far from"
