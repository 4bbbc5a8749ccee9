"""What a string's build lets expect, worked out once for each string and stiffness: topics ask for it all the time."""

from __future__ import annotations

from functools import lru_cache

from oscservice.advice.prediction import StringPrediction, predict
from oscservice.hearing.stiffness import Stiffness
from oscservice.instrument.spec import FIXED, Bridge, Instrument, StringSpec

_NO_BRIDGE = Bridge(kind=FIXED, floating=False, slacken=False, adjusters=())


def foretold(instrument: Instrument, number: int, stiffness: Stiffness | None) -> StringPrediction | None:
    """The prediction for one string; None where no saddle makes its octave true.

    Args:
        instrument, number: the string.
        stiffness: what its readings taught of its B; it replaces what the file takes its core to be. To a hundredth of
            B, which is a hundredth of a millimetre of setback: each reading changes it a little.
    """
    known = None if stiffness is None else Stiffness(round(stiffness.log_b, 2), round(stiffness.sd, 2))
    return _foretold(instrument.string(number), instrument.reference_hz, known)


@lru_cache(maxsize=64)
def _foretold(spec: StringSpec, reference_hz: float, stiffness: Stiffness | None) -> StringPrediction | None:
    alone = Instrument(name="", title="", reference_hz=reference_hz, frets=12, strings=(spec,), bridge=_NO_BRIDGE)
    try:
        return predict(alone, stiffness={} if stiffness is None else {1: stiffness})[0]
    except ValueError:
        return None
