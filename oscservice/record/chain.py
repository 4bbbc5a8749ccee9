"""The chain of hashes over a session's events, and the seal over the whole, by which a later edit shows.

Each event's hash covers the hash before it, so the first one that doesn't fit is the place of the edit. There is no
key: a chain shows what was changed by accident or by hand, not what was changed by somebody who computes it anew.

SHA-256: NIST FIPS 180-4, by Python's hashlib.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

FORM = "oscservice-session-1"


def first_link(origin: str) -> str:
    """What the chain of a session begins with. ``origin`` is the name the session was begun under."""
    return _digest([FORM, origin])


def link(previous: str, seq: int, at_utc: str, kind: str, body: dict[str, Any]) -> str:
    """The hash of an event, in hexadecimal, after the hash of the one before.

    Raises ValueError for a body with NaN or infinity.
    """
    return _digest([previous, seq, at_utc, kind, body])


def seal_of(last: str, events: int, instrument: str, label: str, started_utc: str, closed_utc: str) -> str:
    """The seal of a closed session: over its last event's hash, the number of events, and what it is listed with."""
    return _digest([last, events, instrument, label, started_utc, closed_utc])


def _digest(what: list[Any]) -> str:
    text = json.dumps(what, allow_nan=False, separators=(",", ":"), sort_keys=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()
