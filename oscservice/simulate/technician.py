"""A simulated technician: an OSC client that does what the daemon's prompts say, with human errors.

It knows the daemon only from its socket. A peg is off by about 6 % and half a cent, a fine tuner by 0.3 cents. A saddle
lands within 0.2 mm of its place, or stops at the end of its travel. Plucks differ in strength. When a cause is named,
the technician continues. When a step is said to be missing, the technician sees to it.
"""

from __future__ import annotations

import contextlib
import math
import random
import re
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from pythonosc.osc_message import OscMessage
from pythonosc.osc_message_builder import OscMessageBuilder

from oscservice.errors import OscserviceError

PLACING_MM = 0.2
PEG_SHARE = 0.06
PEG_CENTS = 0.5
FINE_TUNER_CENTS = 0.3
LET_DOWN_CENTS = -200.0

_NEAR_PITCH_CENTS = 60.0
_WIND_CENTS = 1500.0
_NEAR_A_CLAMP_CENTS = 3.0
_TRIED_CENTS = 10.0
_TUNING_NOTE_S = 1.3
_COMPARING_NOTE_S = 2.4
_REST_S = 0.25
_SETTLING_S = 0.3
_ANSWER_S = 20.0
_MOST_STEPS = 4000
_MOST_TRIES = 4
_MOST_IN_VAIN = 40
_WHERE_PROMPTS_GO = "Technician._step of oscservice/simulate/technician.py"
_ITEM = re.compile("/inspect/[a-z_]+")
_LAST_PROMPTS = ("hand_over", "hand_over_partly", "abandoned", "check_holds", "check_drifted", "check_unsure")


class RehearsalError(OscserviceError):
    """The rehearsal stopped before the set-up was proved."""


class RefusedError(RehearsalError):
    """The daemon refused a command."""


@dataclass(frozen=True)
class PromptSeen:
    """A prompt as the daemon sent it: its code, its sentence, the caution, the tool and the reason (these may be
    empty), and the string in focus."""

    code: str
    text: str
    caution: str
    tool: str
    reason: str
    string: int


@dataclass
class Account:
    """The technician's work by string: moves of the saddle in mm, and plucks."""

    moves_mm: dict[int, list[float]] = field(default_factory=dict)
    plucks: dict[int, int] = field(default_factory=dict)


class Technician:
    """Works on a simulated guitar through a daemon's OSC port.

    Args:
        host, port: where the daemon listens.
        seed: of the technician's errors.
        prefix: root of the addresses.
        watch: called with the account and the prompt before each step.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        seed: int,
        prefix: str = "/bench",
        watch: Callable[[Account, PromptSeen], None] | None = None,
    ) -> None:
        self._peer = (host, port)
        self._prefix = prefix
        self._random = random.Random(seed)
        self._watch = watch
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 * 1024 * 1024)
        self._socket.bind((host if host != "0.0.0.0" else "127.0.0.1", 0))
        self._topics: dict[str, tuple[object, ...]] = {}
        self._nominal_hz: dict[int, float] = {}
        self._holding: dict[int, tuple[int, ...]] = {}
        self._done = 0
        self._stopped = False
        self._placed = 0
        self._heeded: tuple[object, ...] = ()
        self._last_turn: tuple[int, float] | None = None
        self.account = Account()

    def close(self) -> None:
        """Leave the daemon and close the socket."""
        if not self._stopped:
            with contextlib.suppress(RehearsalError):
                self._ask("/unsubscribe")
        self._socket.close()

    def stop(self) -> None:
        """Stop the work, from any thread: a wait ends with a RehearsalError."""
        self._stopped = True
        self._socket.sendto(b"", self._socket.getsockname())  # wakes a wait

    def subscribe(self) -> None:
        """Subscribe and wait until the whole state has come."""
        self._ask("/subscribe")
        self._wait_for(lambda: "/prompt" in self._topics, "the daemon's state")

    def truth(self, string: int) -> tuple[float, float]:
        """Return the guitar's true values of a string: open frequency in Hz, error at fret 12 in cents."""
        open_hz, error_cents = self._ask("/simulator/truth", string)
        return float(str(open_hz)), float(str(error_cents))

    def begin(self, instrument: str, label: str, tolerance_cents: float, frets: str = "", tuning: str = "") -> None:
        """Begin a session; ``frets`` and ``tuning`` as ``/session/begin`` takes them."""
        self._ask("/session/begin", instrument, label, float(tolerance_cents), frets, tuning)
        self._wait_for(lambda: self._text("/phase") == "inspecting", "the inspection")
        self._ask("/ping")  # its answer comes after the rest of the state

    def work(self) -> None:
        """Follow prompts until the record is sealed.

        Raises:
            RehearsalError: the daemon stopped answering, or the prompts don't end.
        """
        revision, in_vain = "", 0
        for _ in range(_MOST_STEPS):
            seen = self._prompt()
            before, revision = revision, self._text("/revision")
            in_vain = in_vain + 1 if revision == before else 0
            if in_vain >= _MOST_IN_VAIN:
                raise RehearsalError(f"{in_vain} steps at the prompt {seen.code!r} changed nothing: {seen.text}")
            if self._watch is not None:
                self._watch(self.account, seen)
            if seen.code in _LAST_PROMPTS:
                return
            self._see_to_notice()
            self._step(seen.code, seen.string)
        raise RehearsalError(f"{_MOST_STEPS} steps and no end; the last prompt was {self._topics['/prompt'][0]!r}")

    @property
    def last_prompt(self) -> str:
        """Code of the last prompt."""
        return self._text("/prompt")

    def _prompt(self) -> PromptSeen:
        return PromptSeen(
            code=self._text("/prompt"),
            text=self._text("/prompt/text"),
            caution=self._text("/prompt/caution"),
            tool=self._text("/prompt/tool"),
            reason=self._text("/prompt/reason"),
            string=int(self._text("/focus/string") or 0),
        )

    def _text(self, address: str) -> str:
        """Return the first value of a topic as a text; empty for one that did not come."""
        return str(self._topics.get(address, ("",))[0])

    def _see_to_notice(self) -> None:
        """See to a step that the daemon says is missing, once for each time that it says so."""
        notice = tuple(self._text(address) for address in ("/notice", "/notice/string", "/revision"))
        if notice[0] and notice != self._heeded:
            self._heeded = notice
            self._put_right(notice[0], int(notice[1]))

    def _put_right(self, notice: str, string: int) -> None:
        """Do what a notice asks for beside the prompt."""
        if notice == "still_stretching":
            self._ask("/simulator/stretch", string)
        elif notice == "nut_still_closed" and self._last_turn is not None:
            turned, cents = self._last_turn  # behind the clamp it has only wound up tension
            self._wind(turned, -cents)
            self._last_turn = None

    def _step(self, code: str, string: int) -> None:
        if code not in ("shift_saddle", "turn_screw", "shape_crown"):
            self._placed = 0
        match code:
            case "inspect" | "strings_old" | "strings_not_stretched":
                self._inspect()
            case "pluck_open" | "pluck_again":
                tuning = self._topics["/phase"][0] in ("tuning", "retuning")
                self._pluck(string, "open", _TUNING_NOTE_S if tuning else _COMPARING_NOTE_S)
            # In doubt, the last pluck is repeated.
            case "pluck_fretted" | "pluck_harmonic" | "say_which" | "pluck_softer" | "pluck_harder":
                place, fret = self._topics["/focus/place"][0], self._topics["/focus/fret"][0]
                self._pluck(string, f"fret {fret}" if place == "fret" else str(place), _COMPARING_NOTE_S)
            case "tune_up" | "tune_down":
                now, target = (self._topics[f"/string/{string}/{what}"][0] for what in ("open/cents", "tune/target"))
                self._tune(string, float(str(target)) - float(str(now)))
                self._pluck(string, "open", _TUNING_NOTE_S)
            case "look_into" | "go_on":
                self._ask("/session/next")
                self._pause(_REST_S)
            case "centre_fine_tuners" | "open_nut" | "close_nut" | "check_action":
                self._do_by_hand(code)
                self._pluck(string, "open", _TUNING_NOTE_S)
            case "slacken" | "let_down":
                self._open_nut()
                self._let_down(string, code)
                self._pluck(string, "open", _TUNING_NOTE_S)
            case "shift_saddle" | "turn_screw" | "shape_crown":
                self._open_nut()
                again = self._placed == string  # it was moved, and only the pluck after it was not heard
                if not again:
                    self._move_saddle(string)
                    self._placed = string
                if self._another_follows(string):
                    if again:
                        self._ask("/session/next")
                        self._pause(_REST_S)
                        return
                else:
                    self._bring_up(string)
                self._pluck(string, "open", _TUNING_NOTE_S)
            case "bring_up":
                self._bring_up(string)
                self._pluck(string, "open", _TUNING_NOTE_S)
            case _:
                raise RehearsalError(
                    f"the technician does not know the prompt {code!r}; it needs a case in {_WHERE_PROMPTS_GO}"
                )

    def _inspect(self) -> None:
        """Pass the first item of the inspection that waits, or waive it if the file of the instrument is against it:
        simulated strings do not wear."""
        items = (address for address in self._topics if _ITEM.fullmatch(address))
        item = next(address for address in items if self._text(address) == "waiting").removeprefix("/inspect/")
        before = self._text("/prompt/text")
        try:
            self._ask("/session/inspect", item, "passed")
        except RefusedError:
            self._ask("/session/inspect", item, "waived", "simulated strings do not wear")
        self._wait_for(lambda: self._text("/prompt/text") != before, "the next prompt")
        self._ask("/ping")  # its answer comes after the rest of the state
        if self._text("/phase") != "inspecting":
            self._pause(_SETTLING_S)

    def _do_by_hand(self, code: str) -> None:
        """Do a step that can't be heard. Of the action nothing changes: it is only measured."""
        if code == "centre_fine_tuners":
            self._ask("/simulator/fine_tuner/centre")
        elif code in ("open_nut", "close_nut"):
            self._ask("/simulator/nut", 0, int(code == "close_nut"))

    def _open_nut(self) -> None:
        """Open the clamps of the nut where they are closed: no peg reaches a string otherwise."""
        if self._text("/nut") == "closed":
            self._ask("/simulator/nut", 0, 0)

    def _let_down(self, string: int, code: str) -> None:
        """Slacken all strings that hold a saddle, or let them down by two semitones."""
        for number in self._holding.get(string, (string,)):
            if code == "slacken":
                self._ask("/simulator/slacken", number)
            else:
                self._turn_peg(number, LET_DOWN_CENTS)

    def _tune(self, string: int, cents: float) -> None:
        """Tune a string at its peg, or at its fine tuner while the nut is closed."""
        if self._text("/nut") != "closed":
            self._turn_peg(string, cents)
        elif (self._text("/notice"), self._text("/notice/string")) == ("fine_tuner_at_end", str(string)):
            self._ask("/simulator/nut", string, 0)
            self._centre_fine_tuner(string)
            self._bring_up(string, _NEAR_A_CLAMP_CENTS, PEG_CENTS)
            self._ask("/simulator/nut", string, 1)
        else:
            error = self._random.gauss(0.0, abs(cents) * PEG_SHARE) + self._random.gauss(0.0, FINE_TUNER_CENTS)
            self._ask("/simulator/fine_tuner", string, float(cents + error))

    def _centre_fine_tuner(self, string: int) -> None:
        """Turn a fine tuner to the middle: a little first, to see how far it takes the pitch."""
        place = self._fine_tuner(string, 0.0)[1]
        done, tried = self._fine_tuner(string, math.copysign(_TRIED_CENTS, 0.5 - place))
        if tried != place:
            self._fine_tuner(string, (0.5 - tried) * done / (tried - place))

    def _fine_tuner(self, string: int, cents: float) -> tuple[float, float]:
        """Turn a fine tuner; return the change that came of it in cents, and its place in its travel, 0 to 1."""
        done, place = self._ask("/simulator/fine_tuner", string, float(cents))
        return float(str(done)), float(str(place))

    def _move_saddle(self, string: int) -> None:
        wanted, room = (float(str(self._topics[f"/string/{string}/saddle/{what}"][0])) for what in ("move", "room"))
        mm = wanted + self._random.uniform(-PLACING_MM, PLACING_MM)
        if abs(mm) > abs(wanted):
            mm = math.copysign(min(abs(mm), max(abs(wanted), room)), mm)
        self._place_saddle(string, mm)

    def _another_follows(self, string: int) -> bool:
        """Return True if the saddle of another string is moved in the same go: a bar's other screw."""
        others = [number for number in self._holding.get(string, ()) if number != string]
        return any(self._text(f"/string/{number}/status") == "to move" for number in others)

    def _place_saddle(self, string: int, mm: float, *clamp: int) -> None:
        """Move a saddle by so much, or to the end of its travel; a 0 after that leaves its clamp screw loose."""
        for less in range(_MOST_TRIES):
            try:
                self._ask("/simulator/saddle", string, float(mm), *clamp)
                break
            except RefusedError:  # earlier moves had errors too: the travel ends sooner than the daemon knows
                if less + 1 == _MOST_TRIES:
                    raise
                mm = math.copysign(max(0.0, abs(mm) - PLACING_MM), mm)
        self.account.moves_mm.setdefault(string, []).append(mm)

    def _bring_up(self, string: int, near_cents: float = _NEAR_PITCH_CENTS, least_cents: float = 10.0) -> None:
        """Wind a string to about its pitch, as with a quick look at a meter."""
        for _ in range(12):
            open_hz, _ = self.truth(string)
            cents = 1200.0 * math.log2(self._nominal_hz[string] / open_hz)
            if abs(cents) < near_cents:
                return
            self._turn_peg(string, max(-_WIND_CENTS, min(_WIND_CENTS, cents)), least_cents)
        raise RehearsalError(f"string {string} can't be brought back to pitch")

    def _turn_peg(self, string: int, cents: float, least_cents: float = PEG_CENTS) -> None:
        error = self._random.gauss(0.0, min(abs(cents) * PEG_SHARE, 25.0)) + self._random.gauss(0.0, least_cents)
        self._wind(string, cents + error)

    def _wind(self, string: int, cents: float) -> None:
        self._ask("/simulator/peg", string, float(cents))
        self._last_turn = string, cents

    def _pluck(self, string: int, place: str, length_s: float) -> None:
        strength_mm = max(0.3, self._random.gauss(1.0, 0.1))
        self._ask("/simulator/pluck", string, place, float(strength_mm))
        self.account.plucks[string] = self.account.plucks.get(string, 0) + 1
        self._pause(length_s)
        self._ask("/simulator/damp")
        self._pause(_REST_S)

    def know_bridge(self, holding: dict[int, tuple[int, ...]]) -> None:
        """Set which strings hold each string's saddle down, itself included."""
        self._holding = dict(holding)

    def know_nominal(self, nominal_hz: dict[int, float]) -> None:
        """Set the target of each open string, in Hz."""
        self._nominal_hz = dict(nominal_hz)

    def _pause(self, seconds: float) -> None:
        before = self._done
        self._ask("/simulator/wait", float(seconds))
        self._wait_for(lambda: self._done > before, "the guitar", seconds + _ANSWER_S)

    # OSC messages

    def _ask(self, address: str, *values: int | float | str) -> tuple[object, ...]:
        """Send a command and return the values of its reply."""
        builder = OscMessageBuilder(self._prefix + address)
        for value in values:
            builder.add_arg(value, {int: "i", float: "f", str: "s"}[type(value)])
        self._socket.sendto(builder.build().dgram, self._peer)
        answer: list[tuple[object, ...]] = []

        def answered() -> bool:
            return bool(answer)

        self._wait_for(answered, f"an answer to {address}", _ANSWER_S, answer, self._prefix + address)
        return answer[0]

    def _wait_for(
        self,
        arrived: Callable[[], bool],
        what: str,
        patience_s: float = _ANSWER_S,
        answer: list[tuple[object, ...]] | None = None,
        asked: str = "",
    ) -> None:
        deadline = time.monotonic() + patience_s
        while not arrived():
            if self._stopped:
                raise RehearsalError("the technician was stopped")
            left = deadline - time.monotonic()
            if left <= 0.0:
                raise RehearsalError(f"waited {patience_s:.0f} s for {what}; is the daemon still there?")
            self._socket.settimeout(left)
            try:
                packet, _ = self._socket.recvfrom(65536)
            except TimeoutError:
                continue
            if not packet:
                continue
            message = OscMessage(packet)
            address = message.address.removeprefix(self._prefix)
            values = tuple(message.params)
            if address == "/reply" and values and values[0] == asked and answer is not None:
                answer.append(values[1:])
            elif address == "/error" and values and values[0] == asked:
                raise RefusedError(f"the daemon refused {asked}: {values[2]} (code {values[1]})")
            elif address == "/simulator/done":
                self._done += 1
            else:
                self.take(address, values)

    def take(self, address: str, values: tuple[object, ...]) -> None:
        """Take a topic, address without the root."""
        self._topics[address] = values
