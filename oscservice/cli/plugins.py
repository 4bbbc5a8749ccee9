"""``oscservice plugins``: what other packages add, and whether it can be used."""

from __future__ import annotations

import contextlib
import json

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from oscservice.plugins.kinds import added
from oscservice.plugins.registry import GROUPS, Offer, PluginError, Registry

_NONE = "No plug-in is installed. A package offers one under the entry points {}."
WORKS = "can be used"


def plugins_command(*, as_json: bool) -> None:
    """Load every plug-in and print how it is: a table, or JSON Lines, one object a plug-in."""
    registry = Registry()
    found = [(offer, state_of(offer, registry)) for offer in registry.offers()]
    if as_json:
        for offer, fault in found:
            print(json.dumps({"name": offer.name, "role": offer.role, "package": offer.package, **_rest(offer, fault)}))
        return
    console = Console()
    if not found:
        console.print(_NONE.format(", ".join(GROUPS.values())), highlight=False)
        return
    table = Table("name", "role", "package", "state", title="Plug-ins", title_justify="left")
    for offer, fault in found:
        table.add_row(escape(offer.name), offer.role, escape(f"{offer.package} {offer.version}"), escape(_state(fault)))
    console.print(table)
    console.print(
        "Sources: --source NAME[:REST]. Bridges: kind = NAME in an instrument file. Listeners are told of every event; "
        "--plugin NAME:REST gives them what they take. --without-plugin NAME leaves one alone.",
        highlight=False,
        markup=False,
    )


def state_of(offer: Offer, registry: Registry) -> str:
    """Why a plug-in can't be used; empty if it can, as far as loading it shows."""
    with contextlib.suppress(PluginError):
        added(offer, registry) if offer.role == "bridge" else registry.load(offer)
    return registry.faults().get(offer, "")


def _state(fault: str) -> str:
    return f"disabled: {fault}" if fault else WORKS


def _rest(offer: Offer, fault: str) -> dict[str, str]:
    return {"version": offer.version, "state": "disabled" if fault else "usable", "reason": fault}
