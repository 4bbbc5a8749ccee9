"""When a binding applies: conditions on the arguments of a message, and the memory of what they were before. Pure."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from oscservice.osc.wire import Decoded

MOST_REMEMBERED = 1024


class When(StrEnum):
    """What has to be true of an argument."""

    ANY = "any"
    RISING = "rising"
    FALLING = "falling"
    EQUALS = "equals"
    ABOVE = "above"
    BELOW = "below"


@dataclass(frozen=True)
class Condition:
    """A condition on one argument (from 1).

    ``rising``: it has become other than 0; a first message counts. ``falling``: it has become 0; a first message does
    not count. ``equals``, ``above`` and ``below`` hold it against ``value``; with ``once`` they are true only when they
    have just become so.
    """

    argument: int = 1
    when: When = When.ANY
    value: float | str = 0.0
    once: bool = False


class Edges:
    """Whether a condition was true the last time, by any key. The oldest are forgotten beyond ``most``."""

    def __init__(self, most: int = MOST_REMEMBERED) -> None:
        self._most = most
        self._before: OrderedDict[Hashable, bool] = OrderedDict()

    def __len__(self) -> int:
        return len(self._before)

    def became(self, key: Hashable, now: bool, *, at_first: bool) -> bool:
        """Whether ``now`` is true and was not before; the very first time, ``at_first`` says whether it counts."""
        before = self._before.pop(key, not at_first)
        self._before[key] = now
        if len(self._before) > self._most:
            self._before.popitem(last=False)
        return now and not before


def number_of(value: Decoded) -> float | None:
    """A finite number as one, a truth value as 1 or 0; None for anything else."""
    if isinstance(value, int | float) and math.isfinite(value):
        return float(value)
    return None


def holds(conditions: Sequence[Condition], args: Sequence[Decoded], edges: Edges, key: Hashable) -> bool:
    """Whether all conditions are true of the arguments. Each is looked at, so that edges stay true."""
    found = [_true(one, args, edges, (key, index)) for index, one in enumerate(conditions)]
    return all(found)


def _true(condition: Condition, args: Sequence[Decoded], edges: Edges, key: Hashable) -> bool:
    if condition.when is When.ANY:
        return True
    if len(args) < condition.argument:
        return False
    value = args[condition.argument - 1]
    number = number_of(value)
    match condition.when:
        case When.RISING:
            return number is not None and edges.became(key, number != 0.0, at_first=True)
        case When.FALLING:
            return number is not None and edges.became(key, number == 0.0, at_first=False)
        case When.EQUALS:
            now = _equal(value, number, condition.value)
        case When.ABOVE:
            now = number is not None and number > float(condition.value)
        case _:
            now = number is not None and number < float(condition.value)
    return edges.became(key, now, at_first=True) if condition.once else now


def _equal(value: Decoded, number: float | None, wanted: float | str) -> bool:
    if isinstance(wanted, str):
        return value == wanted
    # A float32 is off a decimal fraction by up to 6e-8 of it.
    return number is not None and math.isclose(number, wanted, rel_tol=1e-6, abs_tol=1e-12)
