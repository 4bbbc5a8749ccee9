"""Plug-ins that are installed: the shapes of each role, found by entry points, loaded when needed.

``oscservice.sources``: a function ``(rest, rate_hz, channels) -> AudioSource`` (``audio.block``). ``rest`` is the text
after the colon in ``--source NAME:REST``, empty for none; rate and channels are those asked for, or None.

``oscservice.bridges``: a :class:`BridgePlugin`. Instrument files name it as their kind of bridge.

``oscservice.listeners``: a function ``(rest) -> listener``. ``listener(event)`` is called with every event, one after
another, in a thread of its own; ``close()``, if it has one, is called at the end. ``rest`` is the text after the colon
in ``--plugin NAME:REST``, empty for none; a listener that has nothing to do without it returns None. An event is a
dict: ``kind`` (the name of a record in ``session.events``), ``body`` (its fields: numbers, texts, truth values) and
``session`` (the session's name).

A function that can't use its arguments raises ``errors.InputError`` with one line for the user.

A plug-in is trusted code: it runs in this process. One that raises an exception is reported in one line with its name,
and not used again.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from importlib import metadata
from typing import Any

from oscservice.audio.block import AudioSource
from oscservice.instrument.bridge_kinds import BUILT_IN_KINDS, BridgeKind, Layout, checked
from oscservice.instrument.spec import BY_HAND, MOST_STRINGS

SourceMaker = Callable[[str, int | None, int | None], AudioSource]
Listener = Callable[[dict[str, Any]], object]
ListenerMaker = Callable[[str], Listener | None]


@dataclass(frozen=True)
class BridgePlugin:
    """A kind of bridge.

    Attributes:
        layout: returns the adjusters of a bridge for a number of strings: each one's name, and string number -> mm that
            string's saddle moves per mm of the adjuster. Called with 1 to 12 strings when it is loaded; raises
            ValueError for a number it isn't made for. Strings count from 1, the thinnest; + mm is away from the nut.
        means: the way an adjuster is moved: ``screw``, ``clamped by hand`` or ``shaped``.
        slacken: a string must be slackened before its saddle is moved. True unless moving it is known to be safe.
        floating: springs balance the bridge: it moves when the strings' tension changes.
        mm_per_turn: thread of its screws, if the bridge has one thread.
        step_mm: smallest step, if the bridge has one.
        clockwise: ``toward the nut`` or ``away from the nut``: the way of a saddle whose screw is turned clockwise, as
            seen from its head. Without it prompts tell no way to turn.
    """

    layout: Callable[[int], Layout]
    means: str = BY_HAND
    slacken: bool = True
    floating: bool = False
    mm_per_turn: float | None = None
    step_mm: float | None = None
    clockwise: str | None = None


log = logging.getLogger(__name__)

GROUPS = {"source": "oscservice.sources", "bridge": "oscservice.bridges", "listener": "oscservice.listeners"}
"""Entry point group of each role."""

_LONGEST_NAME = 40
_LONGEST_REASON = 300


class PluginError(Exception):
    """A plug-in failed; the text is the reason, in one line."""


@dataclass(frozen=True)
class Offer:
    """A plug-in as it is installed: its role, its name, and the package and version it comes from."""

    role: str
    name: str
    package: str
    version: str
    entry: metadata.EntryPoint

    def __str__(self) -> str:
        return f"plug-in {self.name} ({self.role} of {self.package} {self.version})"


class Registry:
    """All plug-ins of this installation.

    Args:
        without: names of plug-ins to ignore.
        failed: called with each plug-in that is disabled and the reason; in any thread.
    """

    def __init__(
        self, without: Collection[str] = (), failed: Callable[[Offer, str], None] = lambda offer, reason: None
    ) -> None:
        self.failed = failed
        self._without = frozenset(without)
        self._loaded: dict[tuple[str, str], Any] = {}
        self._faults: dict[tuple[str, str], str] = {}
        self._offers: tuple[Offer, ...] | None = None
        self._lock = threading.RLock()

    def offers(self, role: str | None = None) -> tuple[Offer, ...]:
        """Return the installed plug-ins, without those to ignore, by role and name."""
        with self._lock:
            if self._offers is None:
                self._offers = tuple(self._found())
        return tuple(offer for offer in self._offers if role in (None, offer.role))

    def offer(self, role: str, name: str) -> Offer | None:
        """Return the plug-in of this role and name, or None."""
        return next((one for one in self.offers(role) if one.name == name), None)

    def faults(self) -> dict[Offer, str]:
        """Return the disabled plug-ins and the reasons."""
        with self._lock:
            offers = self._offers or ()
            return {one: self._faults[_key(one)] for one in offers if _key(one) in self._faults}

    def load(self, offer: Offer) -> Any:
        """Return the object that the plug-in offers, checked. Raises PluginError, and disables it, if it fails."""
        with self._lock:
            if _key(offer) in self._faults:
                raise PluginError(self._faults[_key(offer)])
            if _key(offer) in self._loaded:
                return self._loaded[_key(offer)]
        try:
            found = _shaped(offer, guarded(offer.entry.load))
        except PluginError as error:
            self.disable(offer, str(error))
            raise
        with self._lock:
            return self._loaded.setdefault(_key(offer), found)

    def disable(self, offer: Offer, reason: str) -> None:
        """Stop using a plug-in. This is reported once; a second reason changes nothing."""
        with self._lock:
            if _key(offer) in self._faults:
                return
            self._faults[_key(offer)] = reason
        self.failed(offer, reason)

    def _found(self) -> Iterator[Offer]:
        installed = list(_installed())
        for role, group in GROUPS.items():
            seen: dict[str, Offer] = {}
            for package, version, entry in installed:
                if entry.group != group or one_line(entry.name) in self._without:
                    continue
                offer = Offer(role, one_line(entry.name), package, version, entry)
                first = seen.setdefault(offer.name, offer)
                if first.package != package:
                    self._faults.setdefault(_key(offer), f"{first.package} and {package} both offer it; remove one")
                elif len(entry.name) > _LONGEST_NAME or offer.name != entry.name or ":" in entry.name:
                    self._faults.setdefault(_key(offer), "its name can't be typed; rename the entry point")
            yield from sorted(seen.values(), key=lambda one: one.name)


def guarded(work: Callable[[], Any]) -> Any:
    """Return the result of ``work``, a call of a plug-in. Raises PluginError if it raises anything."""
    try:
        return work()
    except (Exception, SystemExit) as error:
        raise PluginError(reason_of(error)) from error


def reason_of(error: BaseException) -> str:
    """Return an exception in one line: its type, and its text if it has one."""
    text = one_line(str(error))
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


def one_line(text: str) -> str:
    """Return a third party's text as one printable line, cut to the length of a message."""
    printable = "".join(one if one.isprintable() else " " for one in text)
    return " ".join(printable.split())[:_LONGEST_REASON]


def _installed() -> Iterator[tuple[str, str, metadata.EntryPoint]]:
    """Yield package, version and entry point of each plug-in. A package with unreadable metadata is skipped."""
    seen: set[str] = set()
    for package in metadata.distributions():
        try:
            entries = [entry for entry in package.entry_points if entry.group in GROUPS.values()]
            name, version = (one_line(package.metadata["Name"]), one_line(package.version)) if entries else ("", "")
        except Exception as error:
            log.warning("an installed package is ignored: its metadata can't be read (%s)", reason_of(error))
            continue
        if name not in seen:  # of two packages of one name, Python imports the first on its path
            seen |= {name} if entries else set()
            yield from ((name, version, entry) for entry in entries)


def _key(offer: Offer) -> tuple[str, str]:
    return offer.role, offer.name


def _shaped(offer: Offer, found: Any) -> Any:
    if offer.role == "bridge" and not isinstance(found, BridgePlugin):
        raise PluginError(f"it is {type(found).__name__}, expected a BridgePlugin (oscservice.plugins.registry)")
    if offer.role != "bridge" and not callable(found):
        raise PluginError(f"it is {type(found).__name__}, expected a function")
    return found


class InstalledKinds(Mapping[str, BridgeKind]):
    """Added kinds by name. Loaded at the first look-up: a file with a built-in kind needs none of them."""

    def __init__(self, registry: Registry) -> None:
        self._registry = registry

    @cached_property
    def _kinds(self) -> dict[str, BridgeKind]:
        found: dict[str, BridgeKind] = {}
        for offer in self._registry.offers("bridge"):
            try:
                found[offer.name] = added(offer, self._registry)
            except PluginError:
                continue  # it has been reported
        return found

    def __getitem__(self, name: str) -> BridgeKind:
        return self._kinds[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._kinds)

    def __len__(self) -> int:
        return len(self._kinds)


def added(offer: Offer, registry: Registry) -> BridgeKind:
    """Return a kind of bridge as plain data. Raises PluginError, and disables the plug-in, if it fails."""
    bridge: BridgePlugin = registry.load(offer)
    try:
        if offer.name in BUILT_IN_KINDS:
            raise PluginError("a built-in kind of bridge has this name; rename the entry point")
        layouts = guarded(lambda: _layouts(bridge))
        made = BridgeKind(
            means=bridge.means,
            layout=lambda size: layouts[size.strings],
            slacken=bridge.slacken,
            floating=bridge.floating,
            mm_per_turn=bridge.mm_per_turn,
            step_mm=bridge.step_mm,
            clockwise=bridge.clockwise,
            made_for=tuple(layouts),
        )
        return checked(made)
    except PluginError as error:
        registry.disable(offer, str(error))
        raise
    except ValueError as error:
        registry.disable(offer, one_line(str(error)))
        raise PluginError(one_line(str(error))) from None


def _layouts(bridge: BridgePlugin) -> dict[int, Layout]:
    """Return the adjusters for each number of strings the bridge is made for, copied from the plug-in's own."""
    found: dict[int, Layout] = {}
    for strings in range(1, MOST_STRINGS + 1):
        try:
            given = bridge.layout(strings)
        except ValueError:
            continue
        found[strings] = {name: dict(influence) for name, influence in given.items()}
    return found
