"""One string as a bent wire: its path, its stretch, and the vibration of a stiff string of that tension.

Coordinates in mm: along the neck from the nut, heights above the plane of the fret crowns. The open string runs from
nut to saddle. The stopped string runs from the nut down to the finger, which presses it a little below the crowns just
behind the fret, over the crown, and on to the saddle. Tension follows from the length of that path by Hooke's law.

Lengths mm, tensions N, unit weights kg/m of the unstretched string, frequencies Hz; + mm is away from the nut.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from oscservice.instrument.pitch import OPEN, Place
from oscservice.simulate.pickup_magnet import PickupMagnet
from oscservice.simulate.uneven_string import Uneven

FloatArray = NDArray[np.float64]

YOUNGS_MODULUS_N_MM2 = 200e3
"""Of music wire, 200 GPa (ASTM A228 data sheets give 190 to 203)."""

STRENGTH_N_MM2 = 2450.0
"""Tensile strength of music wire (ASTM A228 data sheet); a core stressed further breaks."""

LEAST_TENSION_N = 0.5
"""Even a string without stretch hangs in its own loop with a little tension."""


@dataclass(frozen=True)
class StringBuild:
    """The material and the geometry of one string.

    ``ends_mm`` is the string beyond nut and saddle, up to peg and anchor. Of the stretch, the part that spreads over
    those ends is set by ``slide``: 1 if nut and saddle are frictionless, 0 if they hold the string fast. A share of the
    ends, ``behind_nut_share``, lies behind the nut (assumed: 100 of 150 mm, as to a peg in the middle of a row of six);
    with ``nut_locked`` a clamp holds the string in the nut, and that share takes no part in the stretch. A clamped end
    forces the string's slope, a pinned one only its height. Nut and frets clamp, the saddle doesn't: with clamped
    saddles too, setbacks come out about twice what makers use (Anderson & Beausoleil, JASA 156 (2024) 683, who measured
    1.1 +- 0.2 clamped ends).

    The rest are its possible faults: ``nut_shift_mm`` puts the nut further from the saddle, ``take_up_mm`` is string
    that a finger pulls in behind the fret, ``fret_shift_mm`` moves the point where the string leaves a fret toward the
    saddle, ``uneven`` is a stretch of other mass, ``magnet`` pulls the string, and ``scatter_cents`` is the scatter of
    this string's pitch by re-fretting (1 sd), None for that of the guitar.
    """

    open_hz: float
    scale_mm: float
    core_mm: float
    unit_weight_kg_m: float
    nut_height_mm: float
    saddle_height_mm: float
    ends_mm: float = 150.0
    slide: float = 0.5
    behind_nut_share: float = 2.0 / 3.0
    nut_locked: bool = False
    youngs_modulus_n_mm2: float = YOUNGS_MODULUS_N_MM2
    strength_n_mm2: float = STRENGTH_N_MM2
    nut_clamped: bool = True
    fret_clamped: bool = True
    saddle_clamped: bool = False
    nut_shift_mm: float = 0.0
    take_up_mm: float = 0.0
    fret_shift_mm: Mapping[int, float] = field(default_factory=dict)
    uneven: Uneven | None = None
    magnet: PickupMagnet | None = None
    scatter_cents: float | None = None

    @property
    def ea_n(self) -> float:
        """Stretching stiffness of the core: force per unit strain."""
        return self.youngs_modulus_n_mm2 * math.pi * self.core_mm**2 / 4.0

    @property
    def ei_n_mm2(self) -> float:
        """Bending stiffness of the core."""
        return self.youngs_modulus_n_mm2 * math.pi * self.core_mm**4 / 64.0

    @property
    def spare_mm(self) -> float:
        """Length beyond nut and saddle that takes part in the stretch."""
        whole_mm = self.slide * self.ends_mm
        return whole_mm * (1.0 - self.behind_nut_share) if self.nut_locked else whole_mm

    @property
    def behind_spare_mm(self) -> float:
        """Length behind the nut that takes part in the stretch while no clamp holds the string."""
        return self.slide * self.behind_nut_mm

    @property
    def behind_nut_mm(self) -> float:
        """Length from nut to peg."""
        return self.behind_nut_share * self.ends_mm

    @property
    def strongest_n(self) -> float:
        """Tension at which the core breaks."""
        return self.strength_n_mm2 * math.pi * self.core_mm**2 / 4.0


@dataclass(frozen=True)
class Finger:
    """A finger that stops a string: its distance behind the fret and its depth below the crowns."""

    behind_mm: float = 8.0
    press_mm: float = 0.1


@dataclass(frozen=True)
class StringPath:
    """A path over nut, finger and fret to the saddle, for a bridge at rest.

    ``dead_mm`` is the length between nut and fret (0 on the open string), ``run_mm`` and ``rise_mm`` the sounding
    part's extent along the neck and in height, ``from_mm`` where it begins, from where the nut should be. A bridge
    moved by x only makes the run longer by x.
    """

    dead_mm: float
    run_mm: float
    rise_mm: float
    clamped_ends: int
    from_mm: float = 0.0

    def sounding_mm(self, bridge_mm: float) -> float:
        """Return the length of the vibrating part."""
        return math.hypot(self.run_mm + bridge_mm, self.rise_mm)

    def total_mm(self, bridge_mm: float) -> float:
        """Return the length from nut to saddle along the string."""
        return self.dead_mm + self.sounding_mm(bridge_mm)


def fret_mm(scale_mm: float, fret: int) -> float:
    """Return the distance of a fret from the nut; frets divide the scale in equal temperament."""
    return scale_mm * (1.0 - math.pow(2.0, -fret / 12.0))


def string_path(build: StringBuild, saddle_mm: float, place: Place = OPEN, finger: Finger | None = None) -> StringPath:
    """Return the string's path with its saddle at ``saddle_mm`` beyond the scale length. A touch harmonic runs as if
    open."""
    saddle_at = build.scale_mm + saddle_mm
    if place.fret == 0:
        ends = int(build.nut_clamped) + int(build.saddle_clamped)
        rise = build.saddle_height_mm - build.nut_height_mm
        return StringPath(0.0, saddle_at + build.nut_shift_mm, rise, ends, -build.nut_shift_mm)
    finger = finger or Finger()
    crown_at = crown_mm(build, place.fret)
    fret_spacing = crown_at - crown_mm(build, place.fret - 1)
    finger_at = crown_at - min(finger.behind_mm, 0.4 * fret_spacing)
    dead = math.hypot(finger_at + build.nut_shift_mm, build.nut_height_mm + finger.press_mm) + math.hypot(
        crown_at - finger_at, finger.press_mm
    )
    ends = int(build.fret_clamped) + int(build.saddle_clamped)
    return StringPath(dead + build.take_up_mm, saddle_at - crown_at, build.saddle_height_mm, ends, crown_at)


def crown_mm(build: StringBuild, fret: int) -> float:
    """Return the place where the string leaves a fret, from the nut's nominal place; fret 0 is the nut's real place."""
    shift = build.fret_shift_mm.get(fret, 0.0) if fret else -build.nut_shift_mm
    return fret_mm(build.scale_mm, fret) + shift


def tension_n(build: StringBuild, path_mm: float, natural_mm: float) -> float:
    """Return the tension of a string of unstretched length ``natural_mm`` (spare ends included) pulled over
    ``path_mm``."""
    return max(build.ea_n * ((path_mm + build.spare_mm) / natural_mm - 1.0), LEAST_TENSION_N)


def natural_mm(build: StringBuild, path_mm: float, tension_n: float) -> float:
    """Return the unstretched length (spare ends included) that has this tension over ``path_mm``."""
    return (path_mm + build.spare_mm) / (1.0 + tension_n / build.ea_n)


def partials_hz(
    build: StringBuild, tension_n: float, sounding_mm: float, clamped_ends: int, count: int = 1, from_mm: float = 0.0
) -> FloatArray:
    """Return partials 1 to ``count`` of the stiff string from its exact characteristic equation.

    With EI y'''' - T y'' = mu w^2 y the string bends as sines of wavenumber p and as edge terms that fall off with q,
    q^2 - p^2 = T/EI and w = p q sqrt(EI/mu). The ends ask for

    * pinned, pinned: sin pL = 0
    * pinned, clamped: q tan pL = p tanh qL
    * clamped, clamped: q tan(pL/2) = p tanh(qL/2) for the odd-shaped, -p tan(pL/2) = q tanh(qL/2) for the even-shaped

    and each of these is p L = k pi + (a sum of arctangents of p/q), which is iterated for all k at once. The stretched
    string is thinner in mass than the unstretched one in proportion to its strain.

    Parameters
    ----------
    build : StringBuild
        The string.
    tension_n : float
        Its tension.
    sounding_mm : float
        Length of the part that sounds.
    clamped_ends : int
        Number of clamped ends of that part, 0 to 2; the others are pinned.
    count : int, optional
        Number of partials.
    from_mm : float, optional
        Place where that part begins, from where the nut should be; only a string that is uneven or pulled by a magnet
        uses it.

    Returns
    -------
    ndarray of float64
        Frequencies in Hz, rising, shape (count,).
    """
    k = np.arange(1, count + 1, dtype=np.float64)
    length_m = sounding_mm * 1e-3
    bending = build.ei_n_mm2 * 1e-6
    mu = build.unit_weight_kg_m / (1.0 + tension_n / build.ea_n)
    p = k * math.pi / length_m
    for _ in range(60 if clamped_ends else 0):
        q = np.sqrt(p**2 + tension_n / bending)
        if clamped_ends == 1:
            turn = np.arctan(p / q * np.tanh(q * length_m))
        else:
            edge = np.tanh(q * length_m / 2.0)
            turn = 2.0 * np.arctan(p / q * np.where(k % 2 == 1, 1.0 / edge, edge))
        moved = (k * math.pi + turn) / length_m
        settled = bool(np.all(np.abs(moved - p) < 1e-13 * moved))
        p = moved
        if settled:
            break
    q = np.sqrt(p**2 + tension_n / bending)
    partials = np.asarray(p * q * math.sqrt(bending / mu) / (2.0 * math.pi))
    if build.uneven is not None:
        partials = partials * build.uneven.factors(build.scale_mm, from_mm, sounding_mm, count)
    magnet = build.magnet
    if magnet is not None:
        along = (build.scale_mm - magnet.from_saddle_mm - from_mm) / sounding_mm
        if 0.0 < along < 1.0:
            nearer = _nearer(build, magnet, from_mm, sounding_mm)
            partials = magnet.lowered_hz(partials, place=along, nearer=nearer, sounding_mm=sounding_mm, kg_m=mu)
    return partials


def _nearer(build: StringBuild, magnet: PickupMagnet, from_mm: float, sounding_mm: float) -> float:
    """Return the open string's gap to the magnet over the gap of one that sounds from ``from_mm``."""
    if from_mm <= -build.nut_shift_mm:
        return 1.0
    at_mm, top_mm = build.scale_mm - magnet.from_saddle_mm, build.saddle_height_mm
    fretted_mm = (at_mm - from_mm) / sounding_mm * top_mm
    open_mm = build.nut_height_mm + at_mm / (from_mm + sounding_mm) * (top_mm - build.nut_height_mm)
    return (open_mm + magnet.below_frets_mm) / (fretted_mm + magnet.below_frets_mm)


def tension_for_hz(
    build: StringBuild, frequency_hz: float, sounding_mm: float, clamped_ends: int, from_mm: float = 0.0
) -> float:
    """Return the tension at which the first partial of this length is ``frequency_hz``. Raises ValueError if the core
    breaks."""
    length_m = sounding_mm * 1e-3
    tension = max(build.unit_weight_kg_m * (2.0 * length_m * frequency_hz) ** 2, 1e-3)
    for _ in range(40):
        found_hz = float(partials_hz(build, tension, sounding_mm, clamped_ends, from_mm=from_mm)[0])
        ratio = (frequency_hz / found_hz) ** 2
        tension *= ratio
        if abs(ratio - 1.0) < 1e-14:
            break
    if tension > build.strongest_n:
        raise ValueError(
            f"{frequency_hz:.1f} Hz would take {tension:.0f} N; the core breaks at {build.strongest_n:.0f} N"
        )
    return tension
