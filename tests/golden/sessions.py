"""Twenty-three sessions of every kind, made without sound and without chance: the same commands give the same events.

Half of them are a simulated guitar's (``OnRig``), half made-up pitches (``Said``). They are thin: few strings are off,
and the tolerance is wide where nothing depends on it.
"""

from __future__ import annotations

import copy
import random
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from bench.silent import SilentBench, Work
from made_once import made_once
from made_up_session import HARMONIC_CENTS, MadeUpSession, MadeUpTechnician, two_equal_strings

from oscservice.hearing.listener import Quiet
from oscservice.instrument.hardware import Nut
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import NewGauge, with_gauges
from oscservice.instrument.pitch import HARMONIC, OPEN, Place, cents_between
from oscservice.instrument.spec import OLD_KINDS, Instrument
from oscservice.record.kept_sound import KeptSound
from oscservice.session import commands as cm
from oscservice.session import events as ev
from oscservice.session.decide import decide
from oscservice.session.next_pluck import asked, unproved
from oscservice.session.prompts import prompt
from oscservice.session.replay import fold
from oscservice.session.session_results import summary_of
from oscservice.session.setup_summary import SetupSummary
from oscservice.session.state import State
from oscservice.session.vocabulary import Phase
from oscservice.simulate.guitar_builder import SOUND, Faults, rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.uneven_string import Uneven

DAY = "2026-11-25"
SCREWS, FLOATING = "six-string-628", "six-string-648"
WORN = Faults(uneven={4: Uneven(0.47, 30.0, 0.06)}, fret_shift_mm={5: 0.35}, nut_raised_mm={2: 0.45})
FRET_12 = Place("fret", 12)

_MOST_STEPS = 2000


_OLD_TITLES = {"six-string-648": "Six-string, 648 mm, clamped floating bridge"}


def as_recorded(instrument: Instrument) -> Instrument:
    """An instrument as it was when the golden files were made: its bridge under the old name, nothing known of nut,
    fine tuners, the strings' ends and the way of the screws."""
    bridge = instrument.bridge
    adjusters = tuple(adjuster.model_copy(update={"clockwise": None}) for adjuster in bridge.adjusters)
    old = next(kind for kind, saddle in OLD_KINDS.items() if saddle == bridge.saddle)
    then = {"kind": old, "let_down": False, "anchor": "bridge", "adjusters": adjusters}
    return instrument.model_copy(
        update={
            "title": _OLD_TITLES.get(instrument.name, instrument.title),
            "bridge": bridge.model_copy(update=then),
            "nut": Nut(),
            "fine_tuners": None,
            "set_up": instrument.set_up.model_copy(update={"recheck_action_mm": None}),
        }
    )


class Written:
    """Writes down the commands of a session and the events of each; before ``Work`` or ``MadeUpSession``."""

    state: State
    instrument: Instrument

    def __init__(self, *args: Any, **more: Any) -> None:
        self.commands: list[cm.Command] = []
        self.steps: list[list[ev.Event]] = []
        super().__init__(*args, **more)

    def do(self, command: cm.Command) -> list[ev.Event]:
        """Carry out a command; gives its events."""
        events = decide(self.state, command).events
        self.state = fold(events, self.state)
        self.commands.append(command)
        self.steps.append(events)
        return events

    def do_all(self, commands: Iterable[cm.Command]) -> None:
        """Carry out commands one after the other."""
        for command in commands:
            self.do(command)

    def undo(self, times: int) -> None:
        """Take back so many steps."""
        self.do_all([cm.Undo()] * times)

    @property
    def code(self) -> str:
        """Code of the prompt now."""
        return prompt(self.state).code

    def follow(self, until: Sequence[str] | Callable[[], bool] = ()) -> None:
        """Do what the prompts say until one of these, or the end."""
        for _ in range(_MOST_STEPS):
            arrived = until() if callable(until) else self.code in until
            if arrived or self.state.phase is Phase.CLOSED:
                return
            self.step(self.code)  # type: ignore[attr-defined]
        raise AssertionError(f"{_MOST_STEPS} steps and no end, at {self.code}")


class OnRig(Written, Work):
    """A simulated guitar's session.

    Args:
        instrument: a preset's name, or an instrument.
        seed: of the guitar's errors, the hands and the ear.
        worst_mm: how far a saddle may be off.
        faults: of the guitar.
        overrule: overrule causes instead of going on past them.
        says: say what was done to pegs and saddles by commands, and never let it be heard.
        channels: every string has a channel of its own, and its sound is kept.
    """

    def __init__(
        self,
        instrument: str | Instrument,
        seed: int,
        worst_mm: float = 2.0,
        faults: Faults = SOUND,
        *,
        overrule: bool = False,
        says: bool = False,
        channels: bool = False,
        rig: Rig | None = None,
    ) -> None:
        given = as_recorded(load_instrument(instrument) if isinstance(instrument, str) else instrument)
        rig = out_of_tune(given, seed, worst_mm, faults) if rig is None else rig
        super().__init__(given, SilentBench(rig, seed), seed, 0.2, overrule)
        self._says = says
        self._channels = channels

    def begin(self, tolerance_cents: float = 5.0, frets: str = "12", **more: Any) -> None:
        """Begin, and pass what is to be inspected."""
        self.do(cm.Begin(self.instrument, "golden", tolerance_cents, frets, **more))
        self.do(cm.Inspect("all", "passed"))

    def pluck(self, string: int, place: Place) -> None:
        onset_s = 2.5 * len(self.steps)
        sound = KeptSound("0" * 64, 48000, 0.1, Quiet(-80.0), only_string=string).to_json() if self._channels else ""
        only = string if self._channels else None
        try:
            self.do(cm.Hear(self.bench.reading(string, place), only, onset_s, sound))
        except cm.Ignored:
            return

    def step(self, code: str) -> None:
        string = self.state.focus
        advice = self.state.string(string).advice if string else None
        match code:
            case "go_on":
                self.do(cm.Next())
            case "tune_up" | "tune_down" | "bring_up" if self._says:
                self._bring_up(string)
                self.do(cm.Next())
            case "slacken" if self._says or self.state.by_hand:
                self._slacken(string)
                self.do(cm.Slackened(string))
            case "turn_screw" | "shift_saddle" | "shape_crown" if self._says or self.state.by_hand:
                assert advice is not None
                self.bench.rig.move_saddle(string, advice.mm)
                turned = code == "turn_screw" and advice.turns is not None
                self.do(cm.Turned(string, advice.turns or 0.0) if turned else cm.Moved(string, advice.mm))
            case _:
                super().step(code)


class Said(Written, MadeUpSession):
    """A session on made-up pitches."""

    hands: MadeUpTechnician

    def __init__(self, instrument: str | Instrument = FLOATING, *args: Any, **more: Any) -> None:
        given = load_instrument(instrument) if isinstance(instrument, str) else instrument
        super().__init__(as_recorded(given), *args, **more)

    def set_up(self, errors_cents: dict[int, float], **how: Any) -> Said:
        """Inspected, and hands ready."""
        self.inspected()
        self.hands = MadeUpTechnician(self, {n: errors_cents.get(n, 0.5) for n in self.state.numbers}, **how)
        return self

    def step(self, code: str) -> None:
        self.hands.step()

    def all_settled(self) -> Said:
        """Every string compared, and none to move."""
        self.tuned()
        for string in reversed(self.state.numbers):
            self.bracket(string, 0.1)
        assert self.state.phase is Phase.PROVING
        return self


class Checked(OnRig):
    """A quick check of a guitar that was set up."""

    def __init__(self, before: OnRig, left: SetupSummary, **how: Any) -> None:
        super().__init__(before.instrument, 8, rig=copy.deepcopy(before.bench.rig), **how)
        self.do(cm.Quick(before.instrument, left.to_json()))

    def step(self, code: str) -> None:
        wanted = asked(self.state)
        assert wanted is not None
        self.pluck(*wanted)


def out_of_tune(instrument: Instrument, seed: int, worst_mm: float, faults: Faults = SOUND) -> Rig:
    """A guitar like this one, its saddles and tuning off."""
    draw = random.Random(seed)
    numbers = range(len(instrument.strings))
    saddles_mm = [draw.uniform(-worst_mm, worst_mm) for _ in numbers]
    return rig_of(
        instrument, saddle_error_mm=saddles_mm, detune_cents=[draw.uniform(-25.0, 25.0) for _ in numbers], faults=faults
    )


def floating() -> OnRig:
    """A floating bridge: targets and rounds of tuning; steps taken back, plucks dropped."""
    work = OnRig(FLOATING, 1, 2.0)
    work.begin(4.0, day=DAY)
    work.follow(until=("pluck_fretted",))
    work.follow(until=lambda: work.state.phase is Phase.COMPARING and len(work.state.string(6).plucks) >= 3)
    work.undo(1)
    work.follow(until=("pluck_fretted",))
    work.step("pluck_fretted")
    work.do(cm.Discard())
    work.follow()
    return work


def thorough() -> OnRig:
    """Six frets on a guitar with a worn string, a fret out of place and a high slot: causes named and gone past."""
    work = OnRig(SCREWS, 5, 3.0, WORN)
    work.do(cm.Begin(work.instrument, "golden", 2.0, "thorough", day=DAY))
    work.do_all([cm.Measured("relief", 0.2), cm.Fitted("2026-11-20")])
    work.do(cm.Inspect("frets", "waived", "fret 14 a little worn; the player is told"))
    work.do(cm.Inspect("all", "passed"))
    work.follow()
    return work


def overruled() -> OnRig:
    """An instrument that comes back with other strings: changes noticed, and a worn string advised on all the same."""
    instrument = as_recorded(load_instrument(SCREWS))
    before = with_gauges(instrument, {1: NewGauge(0.229), 6: NewGauge(1.24)})
    work = OnRig(SCREWS, 11, 3.0, Faults(uneven={4: Uneven(0.47, 30.0, 0.06)}), overrule=True)
    work.begin(4.0, "1 5 12x3 17", day=DAY, last_time=cm.LastTime(before, before))
    work.do(cm.Undo())
    work.do(cm.Measured("action/treble", 1.8))
    work.do(cm.Inspect("all", "passed"))
    work.follow(until=("turn_screw",))
    number = work.state.focus
    advice = work.state.string(number).advice
    assert advice is not None
    work.bench.rig.move_saddle(number, advice.mm + 0.6)  # a mind of their own
    work.do(cm.Moved(number, advice.mm + 0.6))
    work.follow()
    return work


def eight() -> OnRig:
    """Eight strings of several scales, each on a channel of its own, the sound kept."""
    work = OnRig("eight-string-multi-scale", 3, 2.0, channels=True)
    work.begin()
    work.follow()
    return work


def bass() -> OnRig:
    """Four strings, at a low tolerance."""
    work = OnRig("bass-4-864", 4, 3.0)
    work.begin(1.0)
    work.follow()
    return work


def high_slot() -> OnRig:
    """A nut slot too high, heard at four frets: the string is set aside."""
    work = OnRig("bass-4-864", 31, 1.0, Faults(nut_raised_mm={2: 0.8}))
    work.begin(4.0, "1 3 5 12")
    work.follow()
    return work


def by_hand() -> OnRig:
    """Five strings; nothing advances by itself, but for a while; finished by hand."""
    work = OnRig("bass-5-864", 12, 2.0)
    work.begin(by_hand=True)
    work.follow(until=lambda: work.state.phase is Phase.PROVING)
    work.do(cm.ByHand(False))
    work.follow(until=lambda: work.state.string(4).proved)
    work.do(cm.ByHand(True))
    work.follow(until=lambda: work.code == "go_on" and (unproved(work.state), work.state.focus) == ([1], 1))
    work.do_all([cm.SetAside(1, "worn at fret 3"), cm.Finish()])
    return work


def seven() -> OnRig:
    """Seven strings, given up in the middle; it did not listen for a while."""
    work = OnRig("seven-string-648", 13, 3.0)
    work.begin()
    work.follow(until=lambda: work.state.string(5).status == "settled")
    work.do_all([cm.Listen(False), cm.Listen(True), cm.Focus(2), cm.SetAside(3, "buzzes"), cm.Undo()])
    work.pluck(2, OPEN)
    work.do(cm.Abandon())
    return work


def paired() -> OnRig:
    """Saddles shared by two strings, slackened and shifted."""
    work = OnRig("six-string-648-paired", 14, 4.0)
    work.begin()
    work.follow()
    return work


def bar() -> OnRig:
    """One bar for all strings."""
    work = OnRig("six-string-628-bar", 20, 4.0)
    work.begin(4.0)
    work.follow()
    return work


def fixed() -> OnRig:
    """A saddle that can't be moved: strings out of travel, the others proved."""
    work = OnRig("six-string-628-fixed", 16, 4.0)
    work.begin(3.0)
    work.follow()
    return work


def crown() -> OnRig:
    """A saddle whose crown is shaped and has little room."""
    work = OnRig("acoustic-645", 21, 4.0)
    work.begin(3.0, "5 12")
    work.follow()
    return work


def said() -> OnRig:
    """A set-up whose turned pegs and moved saddles are reported by commands; the session never hears them."""
    work = OnRig(SCREWS, 17, 3.0, says=True)
    work.begin()
    work.follow()
    return work


def clamped() -> OnRig:
    """A floating bridge whose strings are said to be slackened, a string at a time."""
    work = OnRig(FLOATING, 18, 4.0, says=True)
    work.begin()
    work.follow()
    return work


@made_once
def set_up_before() -> tuple[OnRig, SetupSummary]:
    """A guitar set up, and how it was left."""
    work = OnRig(SCREWS, 7, 2.0)
    work.begin(3.0)
    work.follow()
    return work, summary_of(work.state, "2026-11-25-1")


def quick_holds() -> OnRig:
    """A quick check that passes."""
    check = Checked(*set_up_before())
    check.follow()
    return check


def quick_drifted() -> OnRig:
    """A quick check after which one saddle crept and a peg slipped; a string is left out, and one judged by hand."""
    check = Checked(*set_up_before())
    rig = check.bench.rig
    rig.move_saddle(5, 1.6)
    rig.turn_peg(2, -9.0)
    rig.turn_peg(5, -cents_between(rig.open_hz(5), check.instrument.open_hz(5)))
    check.follow(until=lambda: check.state.string(5).check is not None)
    check.do(cm.SetAside(4, "rusty"))
    for place in (OPEN, FRET_12, OPEN):
        check.pluck(1, place)
    check.do(cm.Focus(5))
    check.follow()
    return check


def in_doubt() -> Said:
    """Two strings of one pitch: what was plucked is asked, answered, dropped, and answered by another pluck."""
    job = Said(two_equal_strings()).inspected()
    assert isinstance(job, Said)
    job.hear(2)
    job.hear(1, OPEN, 2.0)
    job.do(cm.Discard())
    job.hear(1, OPEN, 2.5)
    job.do(cm.Plucked(2, OPEN))
    job.do(cm.Undo())
    job.hear(1, OPEN, 1.5)
    job.hands = MadeUpTechnician(job, {1: 4.0, 2: -6.0}, commands=True)
    job.follow()
    return job


def scattered() -> Said:
    """Plucks that scatter: one string set aside for it, one calmer the second time."""
    job = Said(SCREWS).tuned()
    assert isinstance(job, Said)
    wild = [9.0, -9.0, 8.0, -9.0, 9.0, -8.0]
    job.bracket(6, 0.0, scatter=wild)
    job.bracket(6, 0.0, scatter=wild)
    job.bracket(5, 0.0, scatter=wild[:4])
    for string in (5, 4, 3, 2, 1):
        job.bracket(string, 0.0)
    job.hands = MadeUpTechnician(job, dict.fromkeys(job.state.numbers, 0.0))
    job.follow()
    return job


def reopened() -> Said:
    """The last pass sends strings back; harmonics are passed over; a string taken up again."""
    job = Said(FLOATING, 3.0).all_settled()
    job.bracket(6, 0.1)
    job.bracket(5, 7.0)
    job.bracket(5, 0.1)
    job.hear(5)
    assert asked(job.state) == (5, HARMONIC)
    job.do(cm.Next())
    job.bracket(5, 0.1)
    job.hear(4, OPEN, 30.0)
    job.do(cm.Undo())
    job.do(cm.Focus(6))
    job.hear(6)
    job.hear(6, HARMONIC, HARMONIC_CENTS)
    job.bracket(6, 0.2)
    for string in (5, 4, 3, 2):
        job.do(cm.SetAside(string, "not today"))
    job.hands = MadeUpTechnician(job, dict.fromkeys(job.state.numbers, 0.2))
    job.follow()
    return job


def inspected() -> Said:
    """Everything is measured; items fail, are waived and put right; strings too old; then given up, with odd texts."""
    job = Said(SCREWS, 1.0)
    measured = {"relief": 0.6, "action/treble": 1.6, "action/bass": 2.1, "nut/1": 0.4, "nut/6": 0.9}
    job.do_all(cm.Measured(what, mm) for what, mm in measured.items())
    job.do(cm.Inspect("nut", "failed", "slot 6 high"))
    job.do_all([cm.Measured("nut/6", 0.5), cm.Measured("relief", 0.25), cm.Fitted("2026-01-02")])
    job.do(cm.Undo())
    job.do(cm.Inspect("nut", "waived", '</td></table><h1>&amp; "quoted" ümlaut'))
    job.do(cm.Fitted("2026-11-20"))
    job.do(cm.Inspect("all", "passed"))
    job.hear(6, OPEN, -7.0)
    job.undo(3)
    job.do(cm.Abandon())
    return job


def extended() -> Said:
    """A harmonic that may be off: every string is plucked on before a cause is named, or none."""
    job = Said(SCREWS, frets="1 5 12x3 17").set_up({6: 5.0, 1: 6.0}, harmonics_cents={4: 1.6})
    job.follow()
    return job


def answered() -> Said:
    """Moves that do half of what they should."""
    job = Said(SCREWS).set_up({6: 9.0, 5: 8.0, 4: -7.0}, response=0.5)
    job.follow()
    return job


def left_open() -> OnRig:
    """Left in the middle, two strings settled, one slack."""
    work = OnRig(load_instrument(FLOATING).model_copy(update={"identity": "the red one"}), 6, 3.0)
    work.begin(2.0)
    for _ in range(2):
        work.follow(until=("slacken",))
        work.step("slacken")
    return work


SESSIONS: dict[str, Callable[[], OnRig | Said]] = {
    made.__name__: made_once(made)
    for made in (
        floating,
        thorough,
        overruled,
        eight,
        bass,
        high_slot,
        by_hand,
        seven,
        paired,
        bar,
        fixed,
        crown,
        said,
        clamped,
        quick_holds,
        quick_drifted,
        in_doubt,
        scattered,
        reopened,
        inspected,
        extended,
        answered,
        left_open,
    )
}
