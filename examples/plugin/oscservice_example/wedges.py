"""A kind of bridge (invented): a wedge under each saddle, and a screw that pushes the wedge.

The wedge rises 1 in 2, and its screw is an M4 with 0.7 mm a turn: a turn moves the saddle by 0.35 mm.
"""

from __future__ import annotations

from oscservice.plugins.registry import BridgePlugin

MOST_STRINGS = 8


def layout(strings: int) -> dict[str, dict[int, float]]:
    """Return one adjuster for each string, which moves only that string's saddle. Raises ValueError above 8 strings."""
    if strings > MOST_STRINGS:
        raise ValueError(f"wedges are made for {MOST_STRINGS} strings at most")
    return {f"wedge {number}": {number: 1.0} for number in range(1, strings + 1)}


WEDGES = BridgePlugin(layout, means="screw", slacken=True, floating=False, mm_per_turn=0.7 / 2)
"""The string presses the saddle onto its wedge, so it is slackened first."""
