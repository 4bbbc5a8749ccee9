"""A forecast of how many more plucks a string takes, and the reason when it becomes more than announced."""

from __future__ import annotations

from collections.abc import Callable

from oscservice.advice.comparison import FEWEST_PLUCKS, Comparison, Flag
from oscservice.advice.decision import LAST_PASS_PLUCKS, Decision
from oscservice.instrument.pitch import HARMONIC, OPEN, Place
from oscservice.session import events as ev
from oscservice.session.judgement import comparison_of, expected_of, verdict_on
from oscservice.session.last_pass import last_word
from oscservice.session.next_pluck import asked, in_tune, pattern_of
from oscservice.session.state import State
from oscservice.session.survey import needs_survey, surveying
from oscservice.session.vocabulary import Phase

MOST_FORESEEN = 60

_ONE_PLUCK = (Phase.PREPARING, Phase.MOVING, Phase.SECURING)  # it says that the step by hand is done

_QUARTILE = 0.674  # sd: half of all errors lie nearer
_WILD = 1.3  # times the expected scatter
_TRUST = (0.7, 1.5)  # limits of the present standard error over the expected one


def forecast(state: State) -> list[ev.Event]:
    """The event that announces how many plucks the string in focus still takes, if the number has changed."""
    waited = asked(state)
    if waited is None or state.doubt is not None or state.phase is Phase.CHECKING:
        return []
    number, before = state.focus, state.string(state.focus).plucks_left
    if _between_open_notes(state, before):
        return []
    heard = comparison_of(state, number)
    left = plucks_left(state, heard)
    if left == before:
        return []
    return [ev.PlucksForeseen(number, left, _why(state, heard) if left > before else "")]


def _between_open_notes(state: State, announced: int) -> bool:
    """True while announced stopped notes are being plucked: they say little before the open note after them."""
    plucks = state.string(state.focus).plucks
    if state.phase not in (Phase.COMPARING, Phase.PROVING) or not plucks or plucks[-1].place == OPEN:
        return False
    pattern, places = pattern_of(state, state.focus), [pluck.place for pluck in plucks]
    for _ in range(announced):
        places.append(pattern.after(places))
    return announced > 0 and places[-1] == OPEN


def plucks_left(state: State, heard: Comparison | None) -> int:
    """Plucks of the string in focus until it is tuned, judged, surveyed or proved.

    ``heard`` is its comparison so far. The count is made with the error as heard, and half a standard error or so to
    either side: the middle one counts.
    """
    string = state.string(state.focus)
    if state.phase in _ONE_PLUCK:
        return 1
    if state.phase in (Phase.TUNING, Phase.RETUNING):
        return int(state.asked_place is not None or not in_tune(string))
    return sorted(_count(state, heard, shift) for shift in (-_QUARTILE, 0.0, _QUARTILE))[1]


def _count(state: State, heard: Comparison | None, shift: float) -> int:
    places = [pluck.place for pluck in state.string(state.focus).plucks]
    pattern = pattern_of(state, state.focus)
    enough = _enough(state, heard, shift)
    for count in range(1, MOST_FORESEEN):
        place = state.asked_place if count == 1 and state.asked_place is not None else pattern.after(places)
        places.append(place)
        if place == OPEN and len(places) > 2 and enough(places):
            return count
    return MOST_FORESEEN


def _enough(state: State, heard: Comparison | None, shift: float) -> Callable[[list[Place]], bool]:
    """A test whether plucks of these places are enough, if the error is ``shift`` standard errors from what was
    heard."""
    if state.phase is Phase.PROVING:
        return _enough_to_prove(state, heard, shift)
    frets = [Place("fret", fret) for fret in state.played.frets]
    if surveying(state) and needs_survey(state, state.focus):
        wanted = state.survey_plucks
        return lambda places: all(places.count(fret) >= wanted for fret in frets)
    known = expected_of(state, state.focus, heard)
    begun = heard or known or Comparison(0.0, 0.0, 0, state.pluck_scatter.scatter_cents)
    error_cents = begun.error_cents + shift * begun.se_cents

    def enough(places: list[Place]) -> bool:
        if not all(fret in places for fret in frets):
            return False
        ahead = _ahead(state, heard, error_cents, places)
        return ahead.plucks >= FEWEST_PLUCKS and verdict_on(state, ahead, known) is not Decision.MORE_PLUCKS

    return enough


def _enough_to_prove(state: State, heard: Comparison | None, shift: float) -> Callable[[list[Place]], bool]:
    string = state.string(state.focus)
    frets = [Place("fret", fret) for fret in state.played.frets]
    wanted = frets if string.no_harmonic else [HARMONIC, *frets]
    begun = heard or (string.last.as_comparison() if string.last is not None else None)
    error_cents = 0.0 if begun is None else begun.error_cents + shift * begun.se_cents

    def enough(places: list[Place]) -> bool:
        if not all(place in places for place in wanted):
            return False
        ahead = _ahead(state, heard, error_cents, places)
        if string.last is None or ahead.plucks < LAST_PASS_PLUCKS:
            return ahead.plucks >= LAST_PASS_PLUCKS
        return last_word(state, ahead) is not None

    return enough


def _ahead(state: State, heard: Comparison | None, error_cents: float, places: list[Place]) -> Comparison:
    """The comparison after plucks of these places, if the error stays the same."""
    stopped = sum(place.kind == "fret" for place in places)
    se_cents = state.pluck_scatter.se_cents(max(1, stopped), max(1, places.count(OPEN)))
    if heard is None:
        return Comparison(error_cents, se_cents, stopped, state.pluck_scatter.scatter_cents)
    now = [pluck.place for pluck in state.string(state.focus).plucks]
    expected = state.pluck_scatter.se_cents(max(1, heard.plucks), max(1, now.count(OPEN)))
    ratio = min(max(heard.se_cents / expected, _TRUST[0]), _TRUST[1])
    flags = tuple(flag for flag in heard.flags if flag not in (Flag.FEW, Flag.UNBRACKETED))
    return Comparison(error_cents, ratio * se_cents, stopped, heard.scatter_cents, flags)


def _why(state: State, heard: Comparison | None) -> str:
    """The reason why it takes more plucks than were announced."""
    string = state.string(state.focus)
    if state.phase in (Phase.TUNING, Phase.RETUNING, *_ONE_PLUCK):
        return "its pitch has to be heard"
    if not string.plucks:
        if state.phase is Phase.PROVING:
            return "the last pass"
        if string.scattered:
            return "its plucks scattered too much: compared again"
        return "it is compared" if string.first is None else "it is compared again with the saddle in its new place"
    if heard is None:
        return "every place has to be plucked"
    if Flag.OUTLIER in heard.flags:
        return "one pluck is far from the others and is left out"
    if Flag.UNLIKE in heard.flags:
        return "its plucks differ in strength"
    if heard.scatter_cents > _WILD * state.pluck_scatter.scatter_cents:
        return f"its plucks scatter by {heard.scatter_cents:.1f} cents, more than expected"
    error = f"{heard.error_cents:+.1f} ± {heard.se_cents:.1f} cents"
    if abs(heard.error_cents) < state.tolerance_cents:
        return f"{error} is too close to the tolerance to decide yet"
    return f"{error} is not known well enough yet"
