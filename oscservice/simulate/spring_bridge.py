"""Balance of the bridge between the strings and its springs.

A spring-balanced bridge turns on a pivot: the strings pull it at height ``string_arm_mm``, springs hold it at
``spring_arm_mm``. It rests where the moments are equal, and every string's tension depends on where that is. The
bridge's place is counted at the height of the strings, in mm, + away from the nut, 0 where it was when the springs
were set. String anchors ride on the bridge, so moving it changes only the string between nut and saddle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oscservice.simulate.string_path import LEAST_TENSION_N, StringBuild, StringPath

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class BridgeBuild:
    """Springs and lever arms; the defaults are an ordinary three-spring bridge (assumed, not from a source)."""

    floating: bool = False
    springs: int = 3
    spring_n_per_mm: float = 2.5
    string_arm_mm: float = 11.0
    spring_arm_mm: float = 40.0

    @property
    def rate_n_per_mm(self) -> float:
        """The springs' resistance at the strings per mm of the bridge's way."""
        return self.springs * self.spring_n_per_mm * (self.spring_arm_mm / self.string_arm_mm) ** 2


class Strings:
    """All strings' builds as arrays, for solving the balance of all at once.

    Attributes
    ----------
    ea_n : ndarray of float64, shape (strings,)
        Stretching stiffness of each core.
    spare_mm : ndarray of float64, shape (strings,)
        Length beyond nut and saddle that takes part in the stretch.
    """

    def __init__(self, builds: Sequence[StringBuild]) -> None:
        self.ea_n = np.array([build.ea_n for build in builds])
        self.spare_mm = np.array([build.spare_mm for build in builds])

    def tensions_n(self, paths: Sequence[StringPath], natural_mm: FloatArray, bridge_mm: float) -> FloatArray:
        """Return the tension of every string with the bridge fixed.

        Parameters
        ----------
        paths : Sequence[StringPath]
            Path of every string.
        natural_mm : ndarray of float64, shape (strings,)
            Unstretched length of every string, spare ends included.
        bridge_mm : float
            Place of the bridge, + away from the nut.

        Returns
        -------
        ndarray of float64
            Tensions in N, shape (strings,).
        """
        return self._pull(*_stack(paths), natural_mm, bridge_mm)[0]

    def balance(
        self, bridge: BridgeBuild, paths: Sequence[StringPath], natural_mm: FloatArray, preload_n: float
    ) -> float:
        """Return the bridge's place when strings and springs balance.

        Parameters
        ----------
        bridge : BridgeBuild
            Springs and lever arms.
        paths : Sequence[StringPath]
            Path of every string.
        natural_mm : ndarray of float64, shape (strings,)
            Unstretched length of every string, spare ends included.
        preload_n : float
            The springs' pull with the bridge at 0, at the height of the strings.

        Returns
        -------
        float
            Place in mm, + away from the nut; 0 for a fixed bridge.

        Raises
        ------
        ArithmeticError
            No balance was found (not for any guitar that could be built).
        """
        if not bridge.floating:
            return 0.0
        stacked = _stack(paths)
        place = step = 0.0
        for _ in range(60):
            tensions, rates = self._pull(*stacked, natural_mm, place)
            surplus = float(np.sum(tensions)) + bridge.rate_n_per_mm * place - preload_n
            step = surplus / (float(np.sum(rates)) + bridge.rate_n_per_mm)
            place -= step
            if abs(step) < 1e-13:
                return place
        if abs(step) < 1e-11:
            return place  # rounding moves it to and fro
        raise ArithmeticError("the bridge finds no balance")

    def _pull(
        self, dead: FloatArray, run: FloatArray, rise: FloatArray, natural_mm: FloatArray, place: float
    ) -> tuple[FloatArray, FloatArray]:
        """Return the tensions, and their growth per mm of the bridge's way."""
        sounding = np.hypot(run + place, rise)
        stretched = self.ea_n * ((dead + sounding + self.spare_mm) / natural_mm - 1.0)
        taut = stretched > LEAST_TENSION_N
        rates = np.where(taut, self.ea_n / natural_mm * (run + place) / sounding, 0.0)
        return np.where(taut, stretched, LEAST_TENSION_N), rates


def _stack(paths: Sequence[StringPath]) -> tuple[FloatArray, FloatArray, FloatArray]:
    dead = np.array([path.dead_mm for path in paths])
    run = np.array([path.run_mm for path in paths])
    rise = np.array([path.rise_mm for path in paths])
    return dead, run, rise
