"""From a declared command address to what the session is asked to do."""

from __future__ import annotations

import pytest

from oscservice.api.address_table import TABLE, Argument, Direction
from oscservice.api.argument_values import ErrorCode, OscRefusal
from oscservice.daemon.command_handler import REFUSAL_CODES, Values, order
from oscservice.errors import InputError
from oscservice.instrument.instrument_file import load_instrument
from oscservice.instrument.pitch import HARMONIC, Place
from oscservice.session import commands as cm

GUITAR = load_instrument("six-string-648")


def ordered(path: str, string: int, *values: int | float | str) -> cm.Command | None:
    return order(path, string, values, load_instrument, 1.5)


@pytest.mark.parametrize(
    ("path", "string", "values", "command"),
    [
        ("/session/begin", 0, ("six-string-648", "job"), cm.Begin(GUITAR, "job", 1.5)),
        ("/session/begin", 0, ("six-string-648", "job", 0.5), cm.Begin(GUITAR, "job", 0.5)),
        ("/session/begin", 0, ("six-string-648", "job", 0.5, "5x2 12"), cm.Begin(GUITAR, "job", 0.5, "5x2 12")),
        ("/session/inspect", 0, ("nut", "passed"), cm.Inspect("nut", "passed")),
        ("/session/inspect", 0, ("nut", "waived", "so"), cm.Inspect("nut", "waived", "so")),
        ("/session/measured", 0, ("action/treble", 1.5), cm.Measured("action/treble", 1.5)),
        ("/session/fitted", 0, ("2026-11-25",), cm.Fitted("2026-11-25")),
        ("/session/next", 0, (), cm.Next()),
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
def test_each_address_is_its_command(path: str, string: int, values: Values, command: cm.Command | None) -> None:
    assert ordered(path, string, *values) == command


def sample(argument: Argument) -> int | float | str:
    if argument.tag == "s":
        return next(iter(argument.words), "six-string-648")
    return 1 if argument.tag == "i" else 1.0


def test_every_declared_command_is_carried_out_by_somebody() -> None:
    for address in TABLE:
        if address.direction is not Direction.COMMAND or address.simulated or address.path == "/session/resume":
            continue
        must = [sample(a) for a in address.arguments if not a.optional]
        most = ["open" if address.path.endswith(("/focus", "/plucked")) else sample(a) for a in address.arguments]
        for values in (must, most):
            assert ordered(address.path, 1, *values) is not None, address.path


@pytest.mark.parametrize("place", ["fret", "fret 0", "fret -1", "fret ²", "bridge", "open 3", "fret 12 13"])
def test_a_place_that_is_none_is_out_of_range(place: str) -> None:
    with pytest.raises(OscRefusal) as refusal:
        ordered("/string/{string}/focus", 1, place)
    assert refusal.value.code is ErrorCode.OUT_OF_RANGE


def test_an_instrument_nobody_knows_is_not_found() -> None:
    def load(name: str) -> None:
        raise InputError(f"no instrument is called {name}")

    with pytest.raises(OscRefusal, match="lute") as refusal:
        order("/session/begin", 0, ("lute", "x"), load, 2.0)  # type: ignore[arg-type]
    assert refusal.value.code is ErrorCode.NOT_FOUND


def test_every_refusal_of_the_session_has_a_code() -> None:
    assert set(REFUSAL_CODES) == {"phase", "missing", "range", "refused"}
