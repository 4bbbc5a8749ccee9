"""From an OSC call to a session command. Pure, but for looking up an instrument by name."""

from __future__ import annotations

from collections.abc import Callable

from oscservice.errors import InputError
from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.osc.codes import ErrorCode, OscRefusal
from oscservice.session import commands as cm

Values = tuple[int | float | str, ...]

REFUSAL_CODES: dict[str, ErrorCode] = {
    "phase": ErrorCode.WRONG_PHASE,
    "missing": ErrorCode.NOT_FOUND,
    "range": ErrorCode.OUT_OF_RANGE,
    "refused": ErrorCode.REFUSED,
}


def order(
    path: str,
    string: int,
    values: Values,
    load: Callable[[str], Instrument],
    tolerance_cents: float,
    sealed: Callable[[Instrument], str] = lambda _: "",
) -> cm.Command | None:
    """The command that a declared command address with checked arguments stands for, or None if it is none.

    Args:
        path: declared relative address, placeholders in braces.
        string: what ``{string}`` stands for, 0 if it isn't in the address.
        values: the arguments, as declared.
        load: gives an instrument by name; raises InputError.
        tolerance_cents: tolerance of a session begun without one.
        sealed: gives what a quick check of an instrument is held against (``session.standing``, JSON); empty for none.

    Raises:
        OscRefusal: the instrument or the place isn't known.
    """
    match path, values:
        case "/session/begin", (str(name), str(label), *rest):
            tolerance = float(rest[0]) if rest else tolerance_cents
            return cm.Begin(_instrument(name, load), label, tolerance, str(rest[1]) if len(rest) > 1 else "")
        case "/session/quick", (str(name), *rest):
            instrument = _instrument(name, load)
            return cm.Quick(instrument, sealed(instrument), float(rest[0]) if rest else None)
        case "/session/inspect", (str(item), str(verdict), *rest):
            return cm.Inspect(item, verdict, str(rest[0]) if rest else "")
        case "/session/measured", (str(what), float(mm)):
            return cm.Measured(what, mm)
        case "/session/fitted", (str(day),):
            return cm.Fitted(day)
        case "/session/next", ():
            return cm.Next()
        case "/session/undo", ():
            return cm.Undo()
        case "/session/finish", ():
            return cm.Finish()
        case "/session/abandon", ():
            return cm.Abandon()
        case "/string/{string}/focus", (*rest,):
            return cm.Focus(string, _place(str(rest[0])) if rest and rest[0] else None)
        case "/string/{string}/slackened", ():
            return cm.Slackened(string)
        case "/string/{string}/moved", (float(mm),):
            return cm.Moved(string, mm)
        case "/string/{string}/turned", (float(turns),):
            return cm.Turned(string, turns)
        case "/string/{string}/set_aside", (str(reason),):
            return cm.SetAside(string, reason)
        case "/string/{string}/overrule", ():
            return cm.Overrule(string)
        case "/string/{string}/plucked", (*rest,):
            return cm.Plucked(string, _place(str(rest[0])) if rest and rest[0] else None)
        case "/reading/discard", ():
            return cm.Discard()
        case "/session/by_hand", (int(on),):
            return cm.ByHand(bool(on))
        case "/listen", (int(on),):
            return cm.Listen(bool(on))
    return None


def _place(text: str) -> Place:
    try:
        return Place.parse(text)
    except ValueError as error:
        raise OscRefusal(ErrorCode.OUT_OF_RANGE, str(error)) from None


def _instrument(name: str, load: Callable[[str], Instrument]) -> Instrument:
    try:
        return load(name)
    except InputError as error:
        raise OscRefusal(ErrorCode.NOT_FOUND, str(error)) from None
