"""Handlers of incoming addresses: the session command of each address, and the codes of refusals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from instrument_tunings import tuned_instrument

from oscservice.advice.remaining_errors import StringRemains
from oscservice.api.address_table import TABLE, lookup
from oscservice.api.argument_values import COMMAND, SIMULATOR
from oscservice.api.handler_context import CommandContext
from oscservice.api.incoming_addresses import REFUSAL_CODES
from oscservice.errors import InputError
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.modified_instrument import with_tuning
from oscservice.instrument.pitch import HARMONIC, Place
from oscservice.instrument.spec import Instrument
from oscservice.osc.address import Address, Argument, Call
from oscservice.osc.packet import Value
from oscservice.osc.peer import Peer
from oscservice.osc.refusal import ErrorCode, OscRefusal
from oscservice.session import commands as cm

GUITAR = load_instrument("six-string-648")


class Recording(CommandContext):
    """A context that keeps the commands it is asked to carry out."""

    def __init__(self, instruments: Sequence[str] = ("six-string-648",)) -> None:
        self.commands: list[cm.Command] = []
        self._instruments = instruments

    @property
    def tolerance_cents(self) -> float:
        return 1.5

    def instrument(self, name: str) -> Instrument:
        if name not in self._instruments:
            raise InputError(f"no instrument is called {name}")
        return load_instrument(name)

    def last_sealed(self, instrument: Instrument) -> str:
        return ""

    def carry_out(self, command: cm.Command) -> str:
        self.commands.append(command)
        return "2026-11-25-1"

    def listen(self, command: cm.Listen) -> None:
        self.commands.append(command)

    def remaining(self, string: int) -> StringRemains:
        raise cm.Refused("missing", f"string {string} isn't there")


def handled(address: Address, string: int, values: tuple[Value, ...], context: CommandContext) -> Sequence[Any]:
    assert address.handler is not None
    params = {"string": string} if address.placeholders else {}
    return address.handler(context, Call("/bench" + address.path, address, params, values), Peer("127.0.0.1", 9))


def ordered(path: str, string: int, *values: Value) -> cm.Command | None:
    found = lookup(path.replace("{string}", str(string)))
    if found is None:
        return None
    context = Recording()
    handled(found[0], string, values, context)
    (command,) = context.commands
    return command


@pytest.mark.parametrize(
    ("path", "string", "values", "command"),
    [
        ("/session/begin", 0, ("six-string-648", "job"), cm.Begin(GUITAR, "job", 1.5)),
        ("/session/begin", 0, ("six-string-648", "job", 0.5), cm.Begin(GUITAR, "job", 0.5)),
        ("/session/begin", 0, ("six-string-648", "job", 0.5, "5x2 12"), cm.Begin(GUITAR, "job", 0.5, "5x2 12")),
        ("/session/begin", 0, ("six-string-648", "job", 0.5, "", ""), cm.Begin(GUITAR, "job", 0.5)),
        ("/session/quick", 0, ("six-string-648",), cm.Quick(GUITAR, "")),
        ("/session/quick", 0, ("six-string-648", 0.5), cm.Quick(GUITAR, "", 0.5)),
        ("/session/inspect", 0, ("nut", "passed"), cm.Inspect("nut", "passed")),
        ("/session/inspect", 0, ("nut", "waived", "so"), cm.Inspect("nut", "waived", "so")),
        ("/session/measured", 0, ("action/treble", 1.5), cm.Measured("action/treble", 1.5)),
        ("/session/fitted", 0, ("2026-11-25",), cm.Fitted("2026-11-25")),
        ("/session/played", 0, (12.5,), cm.Played(12.5)),
        ("/session/stretched", 0, (1,), cm.Stretched(True)),
        ("/session/stretched", 0, (0,), cm.Stretched(False)),
        ("/session/next", 0, (), cm.Next()),
        ("/session/by_hand", 0, (1,), cm.ByHand(True)),
        ("/session/undo", 0, (), cm.Undo()),
        ("/session/finish", 0, (), cm.Finish()),
        ("/session/abandon", 0, (), cm.Abandon()),
        ("/string/{string}/focus", 3, (), cm.Focus(3)),
        ("/string/{string}/focus", 3, ("",), cm.Focus(3)),
        ("/string/{string}/focus", 3, ("harmonic",), cm.Focus(3, HARMONIC)),
        ("/string/{string}/focus", 3, ("Fret 7",), cm.Focus(3, Place("fret", 7))),
        ("/string/{string}/slackened", 3, (), cm.Slackened(3)),
        ("/string/{string}/moved", 3, (-0.5,), cm.Moved(3, -0.5)),
        ("/string/{string}/turned", 3, (1.25,), cm.Turned(3, 1.25)),
        ("/string/{string}/set_aside", 3, ("worn",), cm.SetAside(3, "worn")),
        ("/string/{string}/overrule", 3, (), cm.Overrule(3)),
        ("/string/{string}/plucked", 3, (), cm.Plucked(3)),
        ("/string/{string}/plucked", 3, ("fret 5",), cm.Plucked(3, Place("fret", 5))),
        ("/reading/discard", 0, (), cm.Discard()),
        ("/listen", 0, (0,), cm.Listen(False)),
        ("/listen", 0, (1,), cm.Listen(True)),
        ("/nowhere", 0, (), None),
    ],
)
def test_each_address_is_its_command(
    path: str, string: int, values: tuple[Value, ...], command: cm.Command | None
) -> None:
    assert ordered(path, string, *values) == command


def sample(argument: Argument) -> int | float | str:
    if argument.name == "tuning":
        return ""
    if argument.tag == "s":
        return next(iter(argument.words), "six-string-648")
    return 1 if argument.tag == "i" else 1.0


def test_every_declared_command_has_a_handler() -> None:
    for address in TABLE:
        if address.direction is not COMMAND or address.group == SIMULATOR or address.path == "/session/resume":
            continue
        must = [sample(a) for a in address.arguments if not a.optional]
        most = ["open" if address.path.endswith(("/focus", "/plucked")) else sample(a) for a in address.arguments]
        for values in (must, most):
            assert ordered(address.path, 1, *values) is not None, address.path


def test_every_incoming_address_has_a_handler_but_those_of_the_server() -> None:
    without = {row.path for row in TABLE if row.direction.incoming and row.handler is None}
    assert without == {"/subscribe", "/confirm", "/unsubscribe", "/ping"}
    assert not [row.path for row in TABLE if row.handler is not None and not row.direction.incoming]


@pytest.mark.parametrize("place", ["fret", "fret 0", "fret -1", "fret ²", "bridge", "open 3", "fret 12 13"])
def test_a_place_that_is_none_is_out_of_range(place: str) -> None:
    with pytest.raises(OscRefusal) as refusal:
        ordered("/string/{string}/focus", 1, place)
    assert refusal.value.code is ErrorCode.OUT_OF_RANGE


def test_an_instrument_nobody_knows_is_not_found() -> None:
    found = lookup("/session/begin")
    assert found is not None
    with pytest.raises(OscRefusal, match="lute") as refusal:
        handled(found[0], 0, ("lute", "x"), Recording())
    assert refusal.value.code is ErrorCode.NOT_FOUND


def test_a_refusal_of_the_session_keeps_its_text_and_has_its_code() -> None:
    found = lookup("/string/3/remains")
    assert found is not None
    with pytest.raises(OscRefusal, match="string 3 isn't there") as refusal:
        handled(found[0], 3, (), Recording())
    assert refusal.value.code is ErrorCode.NOT_FOUND


def test_every_refusal_of_the_session_has_a_code() -> None:
    assert set(REFUSAL_CODES) == {"phase", "missing", "range", "refused"}


class Tuned(Recording):
    """A context with one instrument that has several tunings."""

    def instrument(self, name: str) -> Instrument:
        return tuned_instrument()


def test_a_session_begins_in_a_tuning_of_the_file() -> None:
    context, low = Tuned(), with_tuning(tuned_instrument(), "drop D")

    def begin(path: str, *values: Value) -> None:
        found = lookup(path)
        assert found is not None
        handled(found[0], 0, values, context)

    begin("/session/begin", "x", "job", 0.5, "12", "drop D")
    begin("/session/begin", "x", "job", 0.5, "12", "standard + drop D")
    begin("/session/quick", "x", 0.5, "drop D")
    one, both, quick = context.commands
    assert one == cm.Begin(low, "job", 0.5, "12")
    assert isinstance(both, cm.Begin)
    assert both.instrument.tuning == "standard + drop D"
    assert quick == cm.Quick(low, "", 0.5)
    for path, *values in (("/session/begin", "x", "job", 0.5, "", "drop C"), ("/session/quick", "x", 0.5, "drop C")):
        with pytest.raises(OscRefusal) as refused:
            begin(path, *values)
        assert (refused.value.code, str(refused.value)) == (
            ErrorCode.NOT_FOUND,
            "tuning: found 'drop C', expected one of standard, drop D, whole tone down",
        )
