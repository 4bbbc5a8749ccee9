"""A simulated technician who makes mistakes on purpose, each once, and puts each right when the daemon says so."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

from oscservice.instrument.spec import BY_HAND, Instrument
from oscservice.simulate.mistakes import Mistake
from oscservice.simulate.technician import LET_DOWN_CENTS, RefusedError, Technician

_LEAST_MOVE_MM = 1.2
"""Mistakes with a saddle are made at a move of at least this: one of a few tenths is no more than its own errors."""

_LEAST_TURN_CENTS, _LEAST_FINE_TURN_CENTS = 8.0, 3.0
_AT_PEGS = (Mistake.NUT_CLAMP, Mistake.WRONG_PEG, Mistake.WRONG_WAY)
"""One of these at a time: together they could not be told from each other."""

_TURN_TRIES = 5
_BY_HAND = {
    "centre_fine_tuners": Mistake.FINE_TUNERS,
    "open_nut": Mistake.NUT_CLAMP,
    "close_nut": Mistake.NUT_LOCK,
}


def lacking(mistake: Mistake, instrument: Instrument) -> str:
    """Return what an instrument lacks, so that a mistake can't be made on it; empty if it can."""
    bridge = instrument.bridge
    needed = {
        Mistake.FINE_TUNERS: (instrument.fine_tuners is not None, "fine tuners"),
        Mistake.NUT_CLAMP: (instrument.nut.locking, "a locking nut"),
        Mistake.NUT_LOCK: (instrument.nut.locking, "a locking nut"),
        Mistake.PEG_WHEN_LOCKED: (
            instrument.nut.locking and instrument.fine_tuners is not None,
            "a locking nut and fine tuners",
        ),
        Mistake.WRONG_PEG: (len(instrument.strings) > 1, "a second string"),
        Mistake.WRONG_STRING: (
            len(instrument.strings) > 1 and (bridge.slacken or bridge.let_down),
            "a second string, and saddles whose strings are slackened or let down first",
        ),
        Mistake.SLACKENING: (
            bridge.slacken or bridge.let_down,
            "saddles whose strings are slackened or let down first",
        ),
        Mistake.SADDLE_MOVE: (bool(bridge.adjusters), "saddles that can be moved"),
        Mistake.SADDLE_WAY: (bool(bridge.adjusters), "saddles that can be moved"),
        Mistake.SADDLE_CLAMP: (any(a.means == BY_HAND for a in bridge.adjusters), "saddles with clamp screws"),
    }
    has, what = needed.get(mistake, (True, ""))
    return "" if has else what


class ForgetfulTechnician(Technician):
    """Makes each mistake at the first occasion.

    Args:
        mistakes: what is done wrongly or left out.
        strings: number of strings.
        tell_mistake: called with a mistake and its string when it is made.
        more: as of ``Technician``.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        mistakes: Collection[Mistake],
        strings: int,
        tell_mistake: Callable[[Mistake, int], None] = lambda mistake, string: None,
        **more: Any,
    ) -> None:
        super().__init__(host, port, **more)
        self._to_make = list(dict.fromkeys(mistakes))
        self._strings = strings
        self._tell_mistake = tell_mistake
        self._at_peg: Mistake | None = None
        self._wrong_turn: tuple[int, float] | None = None

    def _errs(self, mistake: Mistake, string: int) -> bool:
        """Return True once for each mistake, when it is to be made."""
        if mistake not in self._to_make or (mistake in _AT_PEGS and self._at_peg is not None):
            return False
        self._to_make.remove(mistake)
        if mistake in _AT_PEGS:
            self._at_peg = mistake
        self._tell_mistake(mistake, string)
        return True

    def _next_to(self, string: int) -> int:
        return string % self._strings + 1

    def _put_right(self, notice: str, string: int) -> None:
        self._at_peg = None
        if self._wrong_turn is None:
            super()._put_right(notice, string)
            return
        wrong_string, cents = self._wrong_turn
        self._wrong_turn = None
        self._wind(wrong_string, -cents)

    def _do_by_hand(self, code: str) -> None:
        mistake = _BY_HAND.get(code)
        if mistake is None or not self._errs(mistake, self._prompt().string):
            super()._do_by_hand(code)

    def _tune(self, string: int, cents: float) -> None:
        if self._text("/nut") == "closed":
            if abs(cents) > _LEAST_FINE_TURN_CENTS and self._errs(Mistake.PEG_WHEN_LOCKED, string):
                self._turn_wrongly(string, cents)
            else:
                super()._tune(string, cents)
        elif abs(cents) > _LEAST_TURN_CENTS and self._errs(Mistake.WRONG_PEG, string):
            self._turn_wrongly(self._next_to(string), cents)
        elif abs(cents) > _LEAST_TURN_CENTS and self._errs(Mistake.WRONG_WAY, string):
            super()._tune(string, -cents)
        else:
            super()._tune(string, cents)

    def _turn_wrongly(self, string: int, cents: float) -> None:
        self._wind(string, cents)
        self._wrong_turn = self._last_turn

    def _wind(self, string: int, cents: float) -> None:
        """Turn a peg; less if it resists: behind a closed clamp a string is soon near breaking."""
        for _ in range(_TURN_TRIES):
            try:
                super()._wind(string, cents)
                return
            except RefusedError:
                cents /= 2.0
        super()._wind(string, cents)

    def _let_down(self, string: int, code: str) -> None:
        if self._errs(Mistake.SLACKENING, string):
            return
        if self._errs(Mistake.WRONG_STRING, string):
            self._turn_wrongly(self._next_to(string), 2.0 * LET_DOWN_CENTS)
        else:
            super()._let_down(string, code)

    def _place_saddle(self, string: int, mm: float, *clamp: int) -> None:
        if abs(mm) < _LEAST_MOVE_MM:
            super()._place_saddle(string, mm, *clamp)
        elif self._errs(Mistake.SADDLE_MOVE, string):
            pass
        elif self._errs(Mistake.SADDLE_WAY, string):
            super()._place_saddle(string, -mm)
        elif self._errs(Mistake.SADDLE_CLAMP, string):
            super()._place_saddle(string, mm, 0)
        else:
            super()._place_saddle(string, mm, *clamp)
