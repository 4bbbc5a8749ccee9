"""The response of a string to a saddle move: measured change of its error over the change expected by geometry.

The change by geometry is nearly exact (``correction.cents_per_mm``). So a ratio that is not near 1 has a cause: a wrong
thread or scale length in the file, play in the screw, a string that was not tuned back to pitch, or a saddle that
slipped. The ratio has a mixture of normals as its distribution: nearly always close to 1, sometimes anything. Each move
updates it by Bayes' rule, so a small or uncertain one changes little. Errors are in cents, + sharp.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from scipy.special import ndtr

from oscservice.advice.comparison import Comparison
from oscservice.instrument.spec import Adjuster

SOUND_SD = 0.04
"""Ratio of a sound string, 1 sd about 1: by length and stiffness in the file, and by stretch that changes with the
saddle (by the full model 0.1 cents of a correction of 8 cents on thin plain strings, 0.4 on thick wound ones)."""

ODD_SHARE = 0.08
"""Share of strings with something wrong (assumed)."""

ODD_SD = 0.4
"""Ratio of those strings, 1 sd about 1 (assumed)."""

ODD_RATIO = 0.2
"""A ratio further than this from 1 is odd."""

SMALLEST_RATIO = 0.3
"""Smallest ratio that moves are planned with."""

_SURE = 0.9  # least probability that a response is odd to report it
_COMMON_SHARE = 0.85  # share of the next strings that have the common ratio of the earlier ones
_SAME_SD = 0.06  # scatter of the ratios of strings that share one wrong thread
_SMALLEST_CENTS = 0.5  # smaller changes are not used


@dataclass(frozen=True)
class Response:
    """Distribution of a string's ratio of measured to geometric change: a mixture of k normals.

    Attributes:
        weights, means, sds: weight, mean and standard deviation of each component, (k,).
    """

    weights: tuple[float, ...] = (1.0 - ODD_SHARE, ODD_SHARE)
    means: tuple[float, ...] = (1.0, 1.0)
    sds: tuple[float, ...] = (SOUND_SD, ODD_SD)

    @property
    def ratio(self) -> float:
        """Mean of the most probable component, and at least ``SMALLEST_RATIO``, so that no move gets too large."""
        return max(SMALLEST_RATIO, self.means[self._likeliest()])

    @property
    def sd(self) -> float:
        """Standard deviation of the most probable component."""
        return self.sds[self._likeliest()]

    @property
    def total_sd(self) -> float:
        """Standard deviation of the ratio about ``ratio`` over all components."""
        return self._total_sd(self.weights)

    def total_sd_given(self, geometric_cents: float, heard_cents: float, se_cents: float) -> float:
        """Return ``total_sd`` with the weights after a move, but means and deviations of before (see ``after``).

        A move with the expected effect leaves little probability that something is wrong.
        """
        weights = self.after(geometric_cents, heard_cents, se_cents).weights
        return self._total_sd(weights if len(weights) == len(self.weights) else self.weights)

    def _total_sd(self, weights: tuple[float, ...]) -> float:
        """Return the standard deviation about ``ratio`` with these weights."""
        about = zip(weights, self.means, self.sds, strict=True)
        return math.sqrt(math.fsum(w * (s**2 + (m - self.ratio) ** 2) for w, m, s in about))

    @property
    def odd_probability(self) -> float:
        """Probability that the ratio is further than ``ODD_RATIO`` from 1."""
        inside = (
            w * float(ndtr((1.0 + ODD_RATIO - m) / s) - ndtr((1.0 - ODD_RATIO - m) / s))
            for w, m, s in zip(self.weights, self.means, self.sds, strict=True)
        )
        return 1.0 - math.fsum(inside)

    @property
    def is_odd(self) -> bool:
        """True when the ratio is odd with a probability of 0.9 or more."""
        return self.odd_probability >= _SURE

    def _likeliest(self) -> int:
        """Return the index of the component with the largest weight."""
        return max(range(len(self.weights)), key=self.weights.__getitem__)

    def after(self, geometric_cents: float, heard_cents: float, se_cents: float) -> Response:
        """Return the distribution of the ratio after a move.

        Args:
            geometric_cents: change of the error by geometry.
            heard_cents: measured change.
            se_cents: standard error of the measured change (1 sd), placing of the saddle included.
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
        if total <= 0.0:  # so far off that every component has density 0: only the measured value is left
            return Response((1.0,), (heard,), (max(doubt, SOUND_SD),))
        return Response(tuple(w / total for w in weights), tuple(means), tuple(sds))


def geometric_equivalent(error: Comparison, response: Response) -> Comparison:
    """Return the error whose null by geometry is the move that nulls ``error`` on a string of this response.

    Its standard error includes that of the response.
    """
    se_cents = math.hypot(error.se_cents, error.error_cents * response.sd / response.ratio) / abs(response.ratio)
    return replace(error, error_cents=error.error_cents / response.ratio, se_cents=se_cents)


def common_ratio(responses: Iterable[Response]) -> float | None:
    """Return the common ratio of all strings, if it is surely further than ``ODD_RATIO`` from 1; else None.

    A wrong thread or scale length gives a common ratio. The last component of each response, which has a wide prior,
    shows what its moves alone say. Two models are compared: one ratio for all strings, or each about 1. With fewer than
    two strings there is none.
    """
    measured = [(one.means[-1], one.sds[-1]) for one in responses if one.sds[-1] < 0.5 * ODD_SD]
    if len(measured) < 2:
        return None
    precision = math.fsum(sd**-2 for _, sd in measured)
    ratio = math.fsum(mean * sd**-2 for mean, sd in measured) / precision
    if abs(ratio - 1.0) <= ODD_RATIO:
        return None
    alike = math.fsum(_log_density(mean, ratio, math.hypot(sd, _SAME_SD)) for mean, sd in measured)
    sound = math.fsum(_log_density(mean, 1.0, math.hypot(sd, SOUND_SD)) for mean, sd in measured)
    # The evidence of the common ratio is averaged over its prior.
    spread = precision**-0.5 / ODD_SD
    odds = ODD_SHARE / (1.0 - ODD_SHARE) * min(1.0, spread) * math.exp(min(alike - sound, 700.0))
    return ratio if odds / (1.0 + odds) >= _SURE else None


def _log_density(value: float, mean: float, sd: float) -> float:
    """Return the log of a normal density up to a constant."""
    return -0.5 * ((value - mean) / sd) ** 2 - math.log(sd)


def first_response(others: Iterable[Response]) -> Response:
    """Return the prior of a string that was not moved yet, from those that were: they may share a wrong thread."""
    others = list(others)
    common = common_ratio(others)
    odd = [other.ratio for other in others if other.is_odd]
    if common is None and not odd:
        return Response()
    # A single odd string may have its own cause.
    share = (_COMMON_SHARE if common is not None else 0.5) * (1.0 - ODD_SHARE)
    ratio = common if common is not None else sum(odd) / len(odd)
    return Response((1.0 - ODD_SHARE - share, share, ODD_SHARE), (1.0, ratio, 1.0), (SOUND_SD, _SAME_SD, ODD_SD))


def response_warning(number: int, responses: Mapping[int, Response], adjuster: Adjuster | None) -> str | None:
    """Return a warning in words about a string with an odd response; None without one.

    Args:
        number: the string.
        responses: string number -> response of every string moved so far.
        adjuster: the adjuster of its saddle; None for a fixed one.
    """
    own = responses[number]
    common = common_ratio(responses.values())
    if common is not None:
        moved = ", ".join(str(n) for n in sorted(responses))
        what = "thread or scale length" if adjuster is not None and adjuster.mm_per_turn is not None else "scale length"
        return (
            f"moves of strings {moved} had {common:.0%} of the expected effect: check {what} in the file, and the ruler"
        )
    if not own.is_odd:
        return None
    effect = f"the move of string {number} had {own.ratio:.0%} of the expected effect"
    if adjuster is not None and adjuster.mm_per_turn is not None:
        return f"{effect}: check its thread in the file, play in the screw, and that it was brought back to pitch"
    return f"{effect}: check that the saddle has not slipped, and that the string was brought back to pitch"
