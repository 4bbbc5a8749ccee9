"""The remaining travel of a simulated saddle."""

from __future__ import annotations

from oscservice.simulate.guitar_mechanics import Rig


def saddle_travel_mm(rig: Rig, string: int) -> tuple[float, float]:
    """Return how far ``rig.move_saddle`` can still move a saddle toward the nut (0 or less), and away from it.

    Raises:
        ValueError: no such string, or nothing moves its saddle.
    """
    index = rig._mover(string)
    adjuster, travelled = rig.adjusters[index], float(rig._travelled_mm[index])
    ends = (-adjuster.toward_nut_mm - travelled, adjuster.away_mm - travelled)
    rooms = [end * adjuster.influence[string] for end in ends]
    return min(rooms), max(rooms)
