"""A string's own cents a millimetre: what geometry lets expect, and what its moves have taught.

Geometry leaves little freedom (``correction.cents_per_mm``), so a string that answers otherwise has a reason: the
file's thread or scale length is wrong, the screw has play, the string was not brought back to pitch, the saddle
slipped. What is known is a mixture of normals over the ratio of heard to geometric change: nearly always close to 1,
now and then anything. Each move is weighed by Bayes' rule, so that a small or ill-heard one teaches little.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from scipy.special import ndtr

from oscservice.advice.comparison import Comparison
from oscservice.instrument.spec import Adjuster

SOUND_SD = 0.04
"""How far a string's response strays from geometry when nothing is wrong, 1 sd: length and stiffness of the file, and
stretch that changes with the saddle (by the full model 0.1 cents of an 8 cent correction on thin plain strings, 0.4 on
thick wound ones)."""

ODD_SHARE = 0.08
"""Share of moves after which something is wrong (assumed)."""

ODD_SD = 0.4

ODD_RATIO = 0.2
"""A response further than this from geometry is named."""

SMALLEST_RATIO = 0.3

_SURE = 0.9
_COMMON_SHARE = 0.85  # of the strings to come share a ratio that those before had in common
_SAME_SD = 0.06  # how alike strings answer that have one wrong thread in common
_SMALLEST_CENTS = 0.5  # a move worth less teaches nothing


@dataclass(frozen=True)
class Response:
    """Ratio of a string's own cents a millimetre to the geometric one: weights, means and standard deviations of a
    mixture, shapes (k,)."""

    weights: tuple[float, ...] = (1.0 - ODD_SHARE, ODD_SHARE)
    means: tuple[float, ...] = (1.0, 1.0)
    sds: tuple[float, ...] = (SOUND_SD, ODD_SD)

    @property
    def ratio(self) -> float:
        """Mean of the likeliest component: what to count on; never so small that a move would be out of all bounds."""
        return max(SMALLEST_RATIO, self.means[self._likeliest()])

    @property
    def sd(self) -> float:
        """Its standard deviation."""
        return self.sds[self._likeliest()]

    @property
    def doubt(self) -> float:
        """Standard deviation of the ratio about ``ratio``, what is odd counted in."""
        return self._doubt(self.weights)

    def doubt_hearing(self, geometric_cents: float, heard_cents: float, se_cents: float) -> float:
        """The same before a move is counted, but with what is odd weighed by what was heard of it (as in ``after``): a
        move that did what it should leaves little room for that."""
        weights = self.after(geometric_cents, heard_cents, se_cents).weights
        return self._doubt(weights if len(weights) == len(self.weights) else self.weights)

    def _doubt(self, weights: tuple[float, ...]) -> float:
        about = zip(weights, self.means, self.sds, strict=True)
        return math.sqrt(math.fsum(w * (s**2 + (m - self.ratio) ** 2) for w, m, s in about))

    @property
    def odd(self) -> float:
        """Probability that the ratio is further than 0.2 from 1."""
        inside = (
            w * float(ndtr((1.0 + ODD_RATIO - m) / s) - ndtr((1.0 - ODD_RATIO - m) / s))
            for w, m, s in zip(self.weights, self.means, self.sds, strict=True)
        )
        return 1.0 - math.fsum(inside)

    @property
    def named(self) -> bool:
        """Whether it is odd enough, and surely enough, to say so."""
        return self.odd >= _SURE

    def _likeliest(self) -> int:
        return max(range(len(self.weights)), key=self.weights.__getitem__)

    def after(self, geometric_cents: float, heard_cents: float, se_cents: float) -> Response:
        """What is known after a move.

        Args:
            geometric_cents: change of the error that geometry lets expect of it.
            heard_cents: change that was heard.
            se_cents: 1 sd of the heard change, the placing of the saddle included.
        """
        if abs(geometric_cents) < _SMALLEST_CENTS:
            return self
        heard, doubt = heard_cents / geometric_cents, abs(se_cents / geometric_cents)
        weights, means, sds = [], [], []
        for w, m, s in zip(self.weights, self.means, self.sds, strict=True):
            spread = math.hypot(s, doubt)
            weights.append(w * math.exp(-0.5 * ((heard - m) / spread) ** 2) / spread)
            gain = s**2 / spread**2
            means.append(m + gain * (heard - m))
            sds.append(s * math.sqrt(1.0 - gain))
        total = math.fsum(weights)
        if total <= 0.0:  # so far off that no component can say anything: only the heard value is left
            return Response((1.0,), (heard,), (max(doubt, SOUND_SD),))
        return Response(tuple(w / total for w in weights), tuple(means), tuple(sds))


def geometric_equivalent(error: Comparison, response: Response) -> Comparison:
    """The error that geometry would have to null for the move that nulls ``error`` on a string of this response; what
    is not known of the response is in its standard error."""
    se_cents = math.hypot(error.se_cents, error.error_cents * response.sd / response.ratio) / abs(response.ratio)
    return replace(error, error_cents=error.error_cents / response.ratio, se_cents=se_cents)


def common_ratio(responses: Iterable[Response]) -> float | None:
    """The ratio that strings answer with alike, if it is surely more than a fifth off: what a wrong thread or scale
    length does. None otherwise, or with less than two strings.

    Each string's odd component tells what its moves alone say. Two stories are weighed: one ratio for all, or each
    about 1.
    """
    told = [(one.means[-1], one.sds[-1]) for one in responses if one.sds[-1] < 0.5 * ODD_SD]
    if len(told) < 2:
        return None
    precision = math.fsum(sd**-2 for _, sd in told)
    ratio = math.fsum(mean * sd**-2 for mean, sd in told) / precision
    if abs(ratio - 1.0) <= ODD_RATIO:
        return None
    alike = math.fsum(_log_density(mean, ratio, math.hypot(sd, _SAME_SD)) for mean, sd in told)
    sound = math.fsum(_log_density(mean, 1.0, math.hypot(sd, SOUND_SD)) for mean, sd in told)
    # Averaged over all ratios it might have been, before the strings were heard.
    spread = precision**-0.5 / ODD_SD
    odds = ODD_SHARE / (1.0 - ODD_SHARE) * min(1.0, spread) * math.exp(min(alike - sound, 700.0))
    return ratio if odds / (1.0 + odds) >= _SURE else None


def _log_density(value: float, mean: float, sd: float) -> float:
    return -0.5 * ((value - mean) / sd) ** 2 - math.log(sd)


def first_response(others: Iterable[Response]) -> Response:
    """What is expected of a string not moved yet, from those that were: a wrong thread or scale length is common."""
    others = list(others)
    common = common_ratio(others)
    odd = [other.ratio for other in others if other.named]
    if common is None and not odd:
        return Response()
    # One string alone may have a trouble of its own.
    share = (_COMMON_SHARE if common is not None else 0.5) * (1.0 - ODD_SHARE)
    ratio = common if common is not None else sum(odd) / len(odd)
    return Response((1.0 - ODD_SHARE - share, share, ODD_SHARE), (1.0, ratio, 1.0), (SOUND_SD, _SAME_SD, ODD_SD))


def response_warning(number: int, responses: Mapping[int, Response], adjuster: Adjuster | None) -> str | None:
    """Why a string may have answered otherwise than geometry, in words; None if it didn't, or not surely enough.

    Args:
        number: the string.
        responses: of every string moved so far, by number.
        adjuster: what moves its saddle; None for a fixed one.
    """
    own = responses[number]
    common = common_ratio(responses.values())
    if common is not None:
        moved = ", ".join(str(n) for n in sorted(responses))
        what = "thread or scale length" if adjuster is not None and adjuster.mm_per_turn is not None else "scale length"
        return f"moves of strings {moved} did {common:.0%} of what they should: check {what} in the file, and the ruler"
    if not own.named:
        return None
    told = f"the move of string {number} did {own.ratio:.0%} of what it should"
    if adjuster is not None and adjuster.mm_per_turn is not None:
        return f"{told}: check its thread in the file, play in the screw, and that it was brought back to pitch"
    return f"{told}: check that the saddle has not slipped, and that the string was brought back to pitch"
