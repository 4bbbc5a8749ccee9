"""Kinds of bridge from other packages, as the plain data that instrument files are read with."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property

from oscservice.instrument.added import AddedKind, Layout, checked
from oscservice.instrument.spec import KINDS, MOST_STRINGS
from oscservice.plugins.registry import Offer, PluginError, Registry, one_line, within
from oscservice.plugins.shapes import Bridge


class InstalledKinds(Mapping[str, AddedKind]):
    """Added kinds by name. Loaded when first looked at: a file with a built-in kind asks for none of them."""

    def __init__(self, registry: Registry) -> None:
        self._registry = registry

    @cached_property
    def _kinds(self) -> dict[str, AddedKind]:
        found: dict[str, AddedKind] = {}
        for offer in self._registry.offers("bridge"):
            try:
                found[offer.name] = added(offer, self._registry)
            except PluginError:
                continue  # it has been named
        return found

    def __getitem__(self, name: str) -> AddedKind:
        return self._kinds[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._kinds)

    def __len__(self) -> int:
        return len(self._kinds)


def added(offer: Offer, registry: Registry) -> AddedKind:
    """A kind of bridge as plain data. Raises PluginError, and puts the plug-in away, if it fails."""
    bridge: Bridge = registry.load(offer)
    try:
        if offer.name in KINDS:
            raise PluginError("a built-in kind of bridge has this name; rename the entry point")
        made = AddedKind(
            means=bridge.means,
            slacken=bridge.slacken,
            floating=bridge.floating,
            mm_per_turn=bridge.mm_per_turn,
            step_mm=bridge.step_mm,
            layouts=within(lambda: _layouts(bridge)),
        )
        return checked(made)
    except PluginError as error:
        registry.disable(offer, str(error))
        raise
    except ValueError as error:
        registry.disable(offer, one_line(str(error)))
        raise PluginError(one_line(str(error))) from None


def _layouts(bridge: Bridge) -> dict[int, Layout]:
    """The adjusters for each number of strings the bridge is made for; what the plug-in holds on to is copied."""
    found: dict[int, Layout] = {}
    for strings in range(1, MOST_STRINGS + 1):
        try:
            given = bridge.layout(strings)
        except ValueError:
            continue
        found[strings] = {name: dict(influence) for name, influence in given.items()}
    return found
