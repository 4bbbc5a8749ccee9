"""An instrument as commands are told of it: a preset, or a file, whose kind of bridge may be a plug-in's."""

from __future__ import annotations

import sys

from oscservice.instrument.profile import load_instrument
from oscservice.instrument.spec import Instrument
from oscservice.plugins.kinds import InstalledKinds
from oscservice.plugins.registry import Offer, Registry


def named_instrument(name_or_path: str) -> Instrument:
    """The instrument; a plug-in that fails is named on standard error. Raises InputError as ``load_instrument``."""

    def failed(offer: Offer, reason: str) -> None:
        print(f"oscservice: {offer} is disabled: {reason}", file=sys.stderr)

    return load_instrument(name_or_path, InstalledKinds(Registry(failed=failed)))
