"""The settings file: settings of the daemon, bindings, listeners and sets of recordings.

``load_settings`` reads the file into its form, checks bindings and listeners against the address table, and returns
them as the daemon uses them.
"""

from __future__ import annotations

import ipaddress
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from oscservice.api.address_table import TABLE, concrete_addresses, lookup
from oscservice.api.argument_values import (
    ADVICE,
    CLIENT,
    COMMAND,
    EVENT,
    ITEMS,
    LIVE,
    MAX_FRETS,
    MAX_STRINGS,
    RESULT,
    SERVICE,
    STATE,
)
from oscservice.bindings.binding import (
    NUMBER,
    Binding,
    Condition,
    Piece,
    Taken,
    When,
    fill,
    is_plain,
    numbers_in,
)
from oscservice.bindings.settings_form import (
    ArgumentForm,
    BindingForm,
    ListenerForm,
    SettingsForm,
)
from oscservice.bindings.value_mapping import FixedListener, Sending
from oscservice.instrument.instrument_file import preset_names
from oscservice.osc.address import Address
from oscservice.osc.dispatch import checked_arguments
from oscservice.osc.packet import Message
from oscservice.osc.pattern import CapturingPattern, Pattern, matches
from oscservice.osc.refusal import OscRefusal
from oscservice.sentences.plural import counted
from oscservice.toml_file import Location, mistake, nearest, read_form, toml_text

Parsed = TypeVar("Parsed")

_ABOUT_THE_SENDER = ("/subscribe", "/unsubscribe", "/confirm", "/ping")
_COMMANDS = tuple(
    one
    for one in TABLE
    if one.direction is COMMAND or (one.direction is CLIENT and not one.answer and one.path not in _ABOUT_THE_SENDER)
)
_SENT = (STATE, LIVE, RESULT, ADVICE, EVENT, SERVICE)


class _Mistake(Exception):
    """A mistake that shows only when the whole file is known: its place, what was found and what was expected."""

    def __init__(self, location: Location, words: str) -> None:
        super().__init__(words)
        self.location = location
        self.words = words


@dataclass(frozen=True)
class SettingsFile:
    """The content of a settings file.

    Attributes:
        options: the settings of the daemon, by name; paths are absolute.
        bindings: foreign messages to commands, in the order of the file.
        pass_over: patterns of foreign addresses that are ignored: neither carried out nor answered.
        listeners: peers that receive values without subscribing.
        checks: manifests of the sets of recordings that may be checked, by name; paths are absolute.
    """

    options: dict[str, Any] = field(default_factory=dict)
    bindings: tuple[Binding, ...] = ()
    pass_over: tuple[str, ...] = ()
    listeners: tuple[FixedListener, ...] = ()
    checks: Mapping[str, Path] = field(default_factory=dict)


NOTHING = SettingsFile()


def load_settings(path: Path, root: str | None = None) -> SettingsFile:
    """Return what the settings file at ``path`` says; a ``root`` that is given wins over the file's own.

    Raises:
        InputError: it can't be read, or has a mistake: file, line, key, what was expected.
    """
    missing = f"{str(path)!r} is no file; give the path of a settings file, or leave --settings out"
    text = toml_text(path, "a settings file", missing)
    return read_settings(text, str(path), path.absolute().parent, root)


def read_settings(text: str, origin: str, folder: Path, root: str | None = None) -> SettingsFile:
    """Return what the TOML ``text`` says.

    Args:
        origin: names the file in messages.
        folder: where its relative paths begin.
        root: of all addresses; the file's own if None.

    Raises:
        InputError: one line with the file, the line, the key, what was found and what was expected.
    """
    form = read_form(SettingsForm, text, origin)
    whole = root or form.root
    try:
        bindings, listeners = _bindings(form, whole), _listeners(form, whole)
        _check_pass_over(form)
        checks = {name: folder / manifest for name, manifest in _checks(form).items()}
    except _Mistake as found:
        raise mistake(SettingsForm, text, origin, found.location, found.words) from None
    return SettingsFile(_options(form, folder), bindings, tuple(form.pass_over), listeners, checks)


def _options(form: SettingsForm, folder: Path) -> dict[str, Any]:
    options = form.options()
    options |= {name: folder / value for name, value in options.items() if isinstance(value, Path)}
    if options.get("instrument", "").endswith(".toml") and options["instrument"] not in preset_names():
        options["instrument"] = str(folder / options["instrument"])
    kind, _, rest = options.get("source", "").partition(":")
    if kind == "file" and rest:
        options["source"] = f"file:{folder / rest}"
    return options


def _bindings(form: SettingsForm, root: str) -> tuple[Binding, ...]:
    """Return the bindings to commands, in the order of the file."""
    own = (("binding", index, entry) for index, entry in enumerate(form.binding) if entry.from_ is not None)
    return tuple(_incoming((table, index), entry, root) for table, index, entry in own)


def _check_pass_over(form: SettingsForm) -> None:
    """Raise _Mistake for the first address to ignore that is no pattern."""
    for one in form.pass_over:
        _parsed(("pass_over",), one, Pattern)


def _checks(form: SettingsForm) -> dict[str, str]:
    """Return the manifests of sets of recordings, by name, as the file has them."""
    found: dict[str, str] = {}
    for index, entry in enumerate(form.check):
        if entry.name in found:
            raise _Mistake(("check", index, "name"), f"found {entry.name!r} again, expected a name of its own")
        found[entry.name] = entry.manifest
    return found


def _listeners(form: SettingsForm, root: str) -> tuple[FixedListener, ...]:
    """Return the fixed listeners, each with what bindings send to it."""
    names = [entry.name for entry in form.listener]
    sendings: dict[str, list[Sending]] = {name: [] for name in names}
    for index, entry in enumerate(form.listener):
        if entry.name in names[:index]:
            raise _Mistake(("listener", index, "name"), f"found {entry.name!r} again, expected a name of its own")
    for index, binding in enumerate(form.binding):
        if binding.send is None:
            continue
        if binding.to not in sendings:
            known = f"one of {', '.join(names)}" if names else "a [[listener]] of that name"
            raise _Mistake(("binding", index, "to"), f"found {binding.to!r}, expected {known}")
        sendings[binding.to].append(_outgoing(("binding", index), binding, root))
    return tuple(
        _listener(("listener", index), entry, sendings[entry.name], root) for index, entry in enumerate(form.listener)
    )


def _listener(at: Location, entry: ListenerForm, sendings: Sequence[Sending], root: str) -> FixedListener:
    host = "127.0.0.1" if entry.host == "localhost" else entry.host
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        words = f"found {entry.host!r}, expected an IP address in quotes, as 192.168.1.40"
        raise _Mistake((*at, "host"), words) from None
    if address.is_multicast or address.is_unspecified or host == "255.255.255.255":
        raise _Mistake((*at, "host"), f"found {entry.host!r}, expected the address of one machine")
    for topic in entry.topics:
        pattern = _parsed((*at, "topics"), topic, Pattern)
        if not any(map(pattern.matches, _sent_addresses(root))):
            words = f"found {topic!r}, which matches nothing that the daemon sends under {root}"
            raise _Mistake((*at, "topics"), words)
    if not entry.topics and not sendings:
        raise _Mistake((*at, "topics"), 'missing; expected some, ["//"] for everything, or a binding that sends to it')
    return FixedListener(
        entry.name, host, entry.port, entry.rate_hz, entry.refresh_s, tuple(entry.topics), tuple(sendings)
    )


def _incoming(at: Location, entry: BindingForm, root: str) -> Binding:
    assert entry.from_ is not None
    assert entry.command is not None
    pattern = _pattern((*at, "from"), entry.from_)
    if entry.from_.startswith(root + "/"):
        raise _Mistake(
            (*at, "from"), f"found {entry.from_!r}, expected a foreign address: what is under {root} is never bound"
        )
    pieces = _pieces(at, entry, pattern.wildcards)
    for index, piece in enumerate(pieces):
        if isinstance(piece, Taken) and piece.type == "rgba":
            raise _Mistake(
                (*at, "arguments", index, "type"), "found rgba, but no command takes a colour; expected another type"
            )
    _known_wildcards((*at, "command"), entry.command, pattern.wildcards)
    candidates = _commands(entry.command, root)
    if not candidates:
        known = [root + one.path for one in _COMMANDS]
        meant = nearest(entry.command, known) if entry.command.startswith(root + "/") else f"expected one under {root}"
        raise _Mistake((*at, "command"), f"found {entry.command!r}, no command that the daemon takes; {meant}")
    complaints = [_complaint(one, pieces) for one in candidates]
    if None not in complaints:
        where, words = next(one for one in complaints if one is not None)
        raise _Mistake((*at, "arguments", *where), f"{words} ({entry.command})")
    return Binding(entry.from_, entry.command, pieces, _conditions(entry), frozenset(entry.phases))


def _outgoing(at: Location, entry: BindingForm, root: str) -> Sending:
    assert entry.send is not None
    assert entry.as_ is not None
    pattern = _pattern((*at, "send"), entry.send)
    matched = [one for one in _sent_addresses(root) if pattern.match(one) is not None]
    if not matched:
        raise _Mistake((*at, "send"), f"found {entry.send!r}, which matches nothing that the daemon sends under {root}")
    pieces = _pieces(at, entry, pattern.wildcards)
    _known_wildcards((*at, "as"), entry.as_, pattern.wildcards)
    filled = fill(entry.as_, ("1",) * pattern.wildcards)
    if not filled.startswith("/") or not all(map(is_plain, filled.split("/"))):
        raise _Mistake((*at, "as"), f"found {entry.as_!r}, expected an address: / and plain characters, no wildcards")
    most = max(_most_arguments(one.removeprefix(root)) for one in matched)
    for index, piece in enumerate(pieces):
        if isinstance(piece, Taken) and piece.argument > most:
            words = f"found {piece.argument}, expected at most {most}, which is what {entry.send} carries"
            raise _Mistake((*at, "arguments", index, "argument"), words)
    return Sending(entry.send, entry.as_, pieces, _conditions(entry))


def _pattern(at: Location, text: str) -> CapturingPattern:
    if not text.startswith("/"):
        raise _Mistake(at, f"found {text!r}, expected an address or a pattern that begins with /")
    return _parsed(at, text, CapturingPattern)


def _parsed(at: Location, text: str, parse: Callable[[str], Parsed]) -> Parsed:
    try:
        return parse(text)
    except ValueError as error:
        raise _Mistake(at, f"found {text!r}, a malformed pattern: {error}") from None


def _conditions(entry: BindingForm) -> tuple[Condition, ...]:
    return tuple(
        Condition(one.argument, When(one.when), 0.0 if one.value is None else one.value, one.once)
        for one in (entry, *entry.also)
        if one.when != "any"
    )


def _pieces(at: Location, entry: BindingForm, wildcards: int) -> tuple[Piece, ...]:
    pieces: list[Piece] = []
    for index, piece in enumerate(entry.arguments):
        here = (*at, "arguments", index)
        if isinstance(piece, ArgumentForm):
            if piece.wildcard is not None and piece.wildcard > wildcards:
                _no_such_wildcard((*here, "wildcard"), piece.wildcard, wildcards)
            pieces.append(_taken(piece))
        else:
            if isinstance(piece, str):
                _known_wildcards(here, piece, wildcards)
            pieces.append(piece)
    return tuple(pieces)


def _taken(form: ArgumentForm) -> Taken:
    return Taken(
        argument=form.argument or 0,
        wildcard=form.wildcard or 0,
        scale=form.scale,
        offset=form.offset,
        low=-math.inf if form.low is None else form.low,
        high=math.inf if form.high is None else form.high,
        step=form.step or 0.0,
        map=form.map or {},
        otherwise=form.otherwise,
        type=form.type or "",
        decimals=form.decimals,
        sign=form.sign,
        before=form.before,
        after=form.after,
        longest=form.longest,
    )


def _known_wildcards(at: Location, template: str, wildcards: int) -> None:
    for number in sorted(numbers_in(template)):
        if number > wildcards:
            _no_such_wildcard(at, number, wildcards)


def _no_such_wildcard(at: Location, number: int, wildcards: int) -> NoReturn:
    there = f"only {counted(wildcards, 'wildcard')}" if wildcards else "no wildcard"
    raise _Mistake(at, f"found wildcard {number}, but its pattern has {there}")


def _commands(template: str, root: str) -> list[Address]:
    """Return the declared commands that an address may become when its ``{1}`` are filled in."""
    if not template.startswith(root + "/"):
        return []
    parts = template.removeprefix(root).split("/")
    return [one for one in _COMMANDS if _may_be(parts, one.path.split("/"))]


def _may_be(given: Sequence[str], declared: Sequence[str]) -> bool:
    """Return True when the parts of a template can become those of a declared path."""
    if len(given) != len(declared) or not all(is_plain(NUMBER.sub("", part)) for part in given):
        return False
    filled = [NUMBER.sub("*", part) for part in given]
    for part, wanted in zip(filled, declared, strict=True):
        if wanted.startswith("{"):
            limits = {"{string}": MAX_STRINGS, "{fret}": MAX_FRETS}
            number = int(part) if part.isascii() and part.isdigit() and len(part) < 4 else 0
            if "*" not in part and not 1 <= number <= limits.get(wanted, 0):
                return False
        elif not matches(part, wanted):
            return False
    return True


def _complaint(address: Address, pieces: Sequence[Piece]) -> tuple[Location, str] | None:
    """Return the first mistake in the arguments of a command: its place (empty: their number is wrong), and words."""
    declared = address.arguments
    required = sum(not argument.optional for argument in declared)
    if not required <= len(pieces) <= len(declared):
        names = ", ".join(f"{one.name}{' (may be left out)' if one.optional else ''}" for one in declared)
        return (), f"found {len(pieces)}, expected {names or 'none'}"
    for index, (piece, argument) in enumerate(zip(pieces, declared, strict=False)):
        if isinstance(piece, Taken) or (isinstance(piece, str) and numbers_in(piece) and argument.tag == "s"):
            continue
        tag = "s" if isinstance(piece, str) else "f" if isinstance(piece, float) else "i"
        single = Address(address.path, address.direction, (argument,), address.text)
        try:
            checked_arguments(single, Message(address.path, (piece,), tag))
        except OscRefusal as refusal:
            return (index,), f"found {piece!r}: {refusal.text}"
    return None


@lru_cache(maxsize=4)
def _sent_addresses(root: str) -> tuple[str, ...]:
    found = concrete_addresses(MAX_STRINGS, fret_count=MAX_FRETS, items=ITEMS, directions=_SENT)
    return tuple(root + one for one in found)


def _most_arguments(relative: str) -> int:
    found = lookup(relative)
    assert found is not None
    return MAX_FRETS if found[0].rest else len(found[0].arguments)
