"""What a package offers under each group of entry points: the shapes a plug-in has.

``oscservice.sources``: a function ``(rest, rate_hz, channels) -> AudioSource`` (``audio.block``). ``rest`` is what
follows the colon in ``--source NAME:REST``, empty for none; rate and channels are those asked for, or None.

``oscservice.bridges``: a :class:`Bridge`. Instrument files name it as their kind of bridge.

``oscservice.listeners``: a function ``(rest) -> listener``, where ``listener(event)`` is called with every event, one
after another, in a thread of its own; if it has a ``close()``, that is called at the end. ``rest`` is what follows the
colon in ``--plugin NAME:REST``, empty for none; a listener that has nothing to do without it gives None. An event is
a dict: ``kind`` (the name of a record in ``session.events``), ``body`` (its fields: numbers, texts, truth values) and
``session`` (the session's name).

A function that is given what it can't use raises ``errors.InputError`` with one line for the person who typed it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from oscservice.audio.block import AudioSource
from oscservice.instrument.added import Layout
from oscservice.instrument.spec import BY_HAND

SourceMaker = Callable[[str, int | None, int | None], AudioSource]
Listener = Callable[[dict[str, Any]], object]
ListenerMaker = Callable[[str], Listener | None]


@dataclass(frozen=True)
class Bridge:
    """A kind of bridge.

    Attributes:
        layout: gives the adjusters of a bridge for so many strings: each one's name, and string number -> mm that
            string's saddle moves per mm of the adjuster. Asked for 1 to 12 strings when it is loaded; raises ValueError
            for a number it isn't made for. Strings count from 1, the thinnest; + mm is away from the nut.
        means: what moves an adjuster: ``screw``, ``clamped by hand`` or ``shaped``.
        slacken: a string must be slackened before its saddle is moved. True unless it is known to be safe.
        floating: the bridge moves when the strings' tension changes.
        mm_per_turn: thread of its screws, if files need not give it.
        step_mm: smallest step, if files need not give it.
    """

    layout: Callable[[int], Layout]
    means: str = BY_HAND
    slacken: bool = True
    floating: bool = False
    mm_per_turn: float | None = None
    step_mm: float | None = None
