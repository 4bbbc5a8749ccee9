"""The guitar's mechanics: places of pegs, saddles and bridge, and the pitch that follows from them.

There is no sound and no time here. Every value is exact for the present state: small swing, no scatter.
Strings are numbered from 1; cents + sharp; mm + away from the nut.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from oscservice.instrument.pitch import OPEN, Place
from oscservice.instrument.root import root
from oscservice.simulate.nut_clamp import StringBehindClamp
from oscservice.simulate.rig_hardware import RigHardware
from oscservice.simulate.spring_bridge import BridgeBuild, Strings
from oscservice.simulate.string_give import BY_PLUCK, BY_PULLING, BY_TUNING, GivingStrings
from oscservice.simulate.string_path import (
    StringBuild,
    StringPath,
    natural_mm,
    partials_hz,
    string_path,
    tension_for_hz,
    tension_n,
)

FloatArray = NDArray[np.float64]

SLACK_SEMITONES = 4.0
"""A string this far below its nominal pitch counts as slackened."""

_TRAVEL_PLAY_MM = 1e-6


@dataclass(frozen=True)
class AdjusterBuild:
    """One moving part of the bridge: string number -> mm of its saddle per mm, and the travel either way.

    ``clamped`` tells whether a clamp screw holds it, which can be left loose.
    """

    name: str
    influence: Mapping[int, float]
    toward_nut_mm: float
    away_mm: float
    clamped: bool = False


@dataclass(frozen=True)
class Stopped:
    """One string stopped at a place, everything in balance."""

    build: StringBuild
    tension_n: float
    sounding_mm: float
    clamped_ends: int
    fretted: bool
    touched: bool
    from_mm: float = 0.0

    def partials_hz(self, count: int, tension_factor: float = 1.0) -> FloatArray:
        """Return the partials that sound; a string touched in the middle sounds its even ones only.

        Parameters
        ----------
        count : int
            Number of partials.
        tension_factor : float, optional
            Tension over ``tension_n``.

        Returns
        -------
        ndarray of float64
            Frequencies in Hz, lowest first, shape (count,).
        """
        tension = self.tension_n * tension_factor
        lowest = 2 * count if self.touched else count
        partials = partials_hz(self.build, tension, self.sounding_mm, self.clamped_ends, lowest, self.from_mm)
        return partials[1::2] if self.touched else partials


class Rig:
    """Strings on a bridge.

    It starts with saddles at ``saddle_mm`` and every open string ``detune_cents`` off its nominal pitch. The springs of
    a spring-balanced bridge are set so that it is at 0 when all strings are at nominal pitch. Clamps of the nut start
    open.
    """

    def __init__(
        self,
        builds: Sequence[StringBuild],
        bridge: BridgeBuild,
        adjusters: Sequence[AdjusterBuild] = (),
        *,
        saddle_mm: Sequence[float],
        detune_cents: Sequence[float] | None = None,
        slacken_first: bool = False,
        hardware: RigHardware | None = None,
    ) -> None:
        self.builds = tuple(builds)
        self.bridge = bridge
        self.adjusters = tuple(adjusters)
        self.slacken_first = slacken_first
        self._hardware = hardware or RigHardware()
        self._check_hardware()
        self._behind_clamp: dict[int, StringBehindClamp] = {}
        self._closings = [0] * len(self.builds)
        self._giving = GivingStrings(self._hardware.unstretched_mm, self._hardware.seed)
        self._in_play = list(self.builds)
        self._strings = Strings(self._in_play)
        self._start_mm = np.array(saddle_mm, dtype=np.float64)
        detune = np.zeros(len(self.builds)) if detune_cents is None else np.array(detune_cents, dtype=np.float64)
        if self._start_mm.shape != (len(self.builds),) or detune.shape != self._start_mm.shape:
            raise ValueError(f"expected one saddle place and one detuning for each of {len(self.builds)} strings")
        self._travelled_mm = np.zeros(len(self.adjusters))
        self._loose: set[int] = set()
        self._slides = 0
        self._preload_n = float(np.sum(self._tensions_at_pitch(np.zeros(len(self.builds)), 0.0)))
        self._natural_mm = self._wound_to_pitch(detune)
        self._fine_travel_mm = self._fine_tuner_travels_mm()
        starts = [self._hardware.fine_tuner_start(n) for n in range(1, len(self.builds) + 1)]
        self._fine_at_mm = self._fine_travel_mm * np.array(starts)
        self._settle()

    def open_hz(self, string: int) -> float:
        """Return the first partial of the open string, in Hz."""
        return self.place_hz(string, OPEN)

    def place_hz(self, string: int, place: Place) -> float:
        """Return the first partial of the string stopped at a place, in Hz (harmonic: partial 2 of the open string)."""
        return float(self.stopped(string, place).partials_hz(1)[0])

    def error_cents(self, string: int, fret: int = 12) -> float:
        """Return the cents by which a fretted note is sharp of its tempered interval above its own open string."""
        ratio = self.place_hz(string, Place("fret", fret)) / self.open_hz(string)
        return 1200.0 * math.log2(ratio) - 100.0 * fret

    def saddle_mm(self, string: int) -> float:
        """Return the saddle's distance beyond the scale length, with the bridge at 0."""
        self._check(string)
        moved = sum(
            adjuster.influence.get(string, 0.0) * way
            for adjuster, way in zip(self.adjusters, self._travelled_mm, strict=True)
        )
        return float(self._start_mm[string - 1] + moved)

    @property
    def bridge_mm(self) -> float:
        """Place of the bridge with all strings open, in mm."""
        return self._bridge_mm

    def tension_n(self, string: int) -> float:
        """Return the tension of the open string."""
        return self.stopped(string, OPEN).tension_n

    def is_slack(self, string: int) -> bool:
        """Return True when the string is at least SLACK_SEMITONES below its nominal pitch."""
        return self.open_hz(string) < self._build(string).open_hz * math.pow(2.0, -SLACK_SEMITONES / 12.0)

    def stopped(self, string: int, place: Place) -> Stopped:
        """Return the string stopped at a place. Pressing it stretches it: a spring-balanced bridge moves a little."""
        build = self._build(string)
        key = (string, place)
        if key not in self._known:
            path = string_path(build, self.saddle_mm(string), place)
            bridge_mm = self._bridge_mm
            if place.fret:
                paths = [*self._paths[: string - 1], path, *self._paths[string:]]
                bridge_mm = self._strings.balance(self.bridge, paths, self._natural_mm, self._preload_n)
            tension = tension_n(build, path.total_mm(bridge_mm), self._natural_mm[string - 1])
            self._known[key] = Stopped(
                build=build,
                tension_n=tension,
                sounding_mm=path.sounding_mm(bridge_mm),
                clamped_ends=path.clamped_ends,
                fretted=place.fret > 0,
                touched=place.kind == "harmonic",
                from_mm=path.from_mm,
            )
        return self._known[key]

    def find_saddle_in_tune_mm(self, string: int, fret: int = 12) -> float:
        """Return the saddle place at which this fret is in tune, with all strings at nominal pitch and the bridge
        in balance."""
        build = self._build(string)
        index = string - 1
        place = Place("fret", fret)
        at_pitch = self._wound_to_pitch(np.zeros(len(self.builds)))

        def error(saddle_mm: float) -> float:
            opened = string_path(build, saddle_mm)
            length = opened.sounding_mm(0.0)
            natural = at_pitch.copy()
            tension = tension_for_hz(build, build.open_hz, length, opened.clamped_ends, opened.from_mm)
            natural[index] = natural_mm(build, opened.total_mm(0.0), tension)
            paths = list(self._paths)
            paths[index] = opened
            preload_n = float(np.sum(self._strings.tensions_n(paths, natural, 0.0)))
            pressed = string_path(build, saddle_mm, place)
            paths[index] = pressed
            bridge_mm = self._strings.balance(self.bridge, paths, natural, preload_n)
            raised = tension_n(build, pressed.total_mm(bridge_mm), natural[index])
            length = pressed.sounding_mm(bridge_mm)
            fretted = partials_hz(build, raised, length, pressed.clamped_ends, from_mm=pressed.from_mm)[0]
            return 1200.0 * math.log2(float(fretted) / build.open_hz) - 100.0 * fret

        return root(error, -30.0, 60.0, within=1e-9)

    def turn_peg(self, string: int, cents: float) -> None:
        """Wind the string on (+) or off as much as changes its pitch by ``cents`` on a bridge at rest.

        While a clamp of the nut holds the string, the same turn winds it behind the clamp, and its pitch stays.

        Raises
        ------
        ValueError
            The string would break, or ``cents`` isn't finite.
        """
        build = self._build(string)
        if not math.isfinite(cents):
            raise ValueError(f"a peg can't be turned by {cents} cents")
        if string in self._behind_clamp:
            self._turn_against_clamp(string, cents)
            return
        path = self._paths[string - 1]
        target_hz = self.open_hz(string) * math.pow(2.0, cents / 1200.0)
        length = path.sounding_mm(self._bridge_mm)
        tension = tension_for_hz(build, target_hz, length, path.clamped_ends, path.from_mm)
        self._natural_mm[string - 1] = natural_mm(build, path.total_mm(self._bridge_mm), tension)
        self._settle_tightened()
        self._give_after_tuning(string, cents)

    def is_clamped(self, string: int) -> bool:
        """Return True while a closed clamp of the nut holds the string."""
        self._check(string)
        return string in self._behind_clamp

    def set_clamp(self, string: int | None, closed: bool) -> None:
        """Close or open the clamp of the nut that holds this string, and all strings under it; None: every clamp.

        Closing shifts each string by up to CLAMP_SHIFT_CENTS on a bridge at rest. Opening lets the string pass that the
        clamp had pushed over the nut, and what a peg has wound meanwhile. A clamp that is closed or open already stays.

        Raises
        ------
        ValueError
            No such string or clamp, or a string would break.
        """
        if string is not None:
            self._check(string)
        for clamp in self._hardware.clamps_of(string):
            if self.is_clamped(clamp[0]) == closed:
                continue
            change = [self._closed(n) if closed else self._opened(n) for n in clamp]
            for n, (build, natural, behind) in zip(clamp, change, strict=True):
                self._in_play[n - 1] = build
                self._natural_mm[n - 1] = natural
                if behind is None:
                    del self._behind_clamp[n]
                else:
                    self._behind_clamp[n] = behind
                    self._closings[n - 1] += 1
            self._strings = Strings(self._in_play)
            self._settle_tightened()

    def fine_tuner_at(self, string: int) -> float:
        """Return the place of the string's fine tuner as a share of its travel, 0 at the lowest pitch to 1 at the
        highest. Raises ValueError without fine tuners."""
        index = self._fine_tuner(string)
        return float(self._fine_at_mm[index] / self._fine_travel_mm[index])

    def turn_fine_tuner(self, string: int, cents: float) -> float:
        """Turn the string's fine tuner as much as changes its pitch by ``cents`` on a bridge at rest, or to its stop.

        Returns
        -------
        float
            What it did: the change of pitch in cents on a bridge at rest.

        Raises
        ------
        ValueError
            No fine tuners, the string would break, or ``cents`` isn't finite.
        """
        index, build, path = self._fine_tuner(string), self._build(string), self._paths[string - 1]
        if not math.isfinite(cents):
            raise ValueError(f"a fine tuner can't be turned by {cents} cents")
        total_mm, sounding_mm = path.total_mm(self._bridge_mm), path.sounding_mm(self._bridge_mm)
        natural, at_mm = float(self._natural_mm[index]), float(self._fine_at_mm[index])
        now_hz = self.open_hz(string)
        # At the stop the string is pulled in as far as it can be, or let out.
        pull_mm = float(self._fine_travel_mm[index]) - at_mm if cents > 0.0 else -at_mm
        stop_n = tension_n(build, total_mm, natural - pull_mm)
        stop_hz = float(partials_hz(build, stop_n, sounding_mm, path.clamped_ends, from_mm=path.from_mm)[0])
        done = 1200.0 * math.log2(stop_hz / now_hz)
        if abs(done) > abs(cents):
            target_hz, done = now_hz * math.pow(2.0, cents / 1200.0), cents
            target_n = tension_for_hz(build, target_hz, sounding_mm, path.clamped_ends, path.from_mm)
            now_n = tension_n(build, total_mm, natural)
            pull_mm = natural_mm(build, total_mm, now_n) - natural_mm(build, total_mm, target_n)
        self._pull_in({index: pull_mm})
        self._give_after_tuning(string, done)
        return done

    def centre_fine_tuners(self) -> None:
        """Turn every fine tuner to the middle of its travel; pitches change. Raises as ``turn_fine_tuner``."""
        pulls = self._fine_travel_mm / 2.0 - self._fine_at_mm
        self._pull_in({self._fine_tuner(n): float(pulls[n - 1]) for n in range(1, len(self.builds) + 1)})

    def plucked(self, string: int) -> None:
        """Let a string that is not stretched in fall by as much as a pluck makes it."""
        self._give(string, BY_PLUCK)

    def stretch(self, string: int) -> None:
        """Pull the string by hand along its length: it is nearly stretched in then, and flat.

        A slack string, and one whose nut clamp is closed, gives nothing.
        """
        self._give(string, BY_PULLING)

    def move_adjuster(self, name_or_index: str | int, mm: float, *, clamp: bool = True) -> dict[int, float]:
        """Move an adjuster by ``mm``.

        Parameters
        ----------
        name_or_index
            The adjuster.
        mm
            The move.
        clamp
            The clamp screw is tightened again. Left loose, the saddle slides toward the nut as soon as a string on it
            is near its pitch; there it jams.

        Returns
        -------
        dict of int to float
            The strings whose saddles moved with it, and how far in mm.

        Raises
        ------
        ValueError
            No such adjuster, beyond its travel, a string on it is tight where it must be slack first, or no clamp.
        """
        index = self._adjuster_index(name_or_index)
        adjuster = self.adjusters[index]
        reached = float(self._travelled_mm[index]) + mm
        if not -adjuster.toward_nut_mm - _TRAVEL_PLAY_MM <= reached <= adjuster.away_mm + _TRAVEL_PLAY_MM:
            raise ValueError(
                f"{adjuster.name} can't move by {mm:+.2f} mm: it would stand at {reached:+.2f} mm, "
                f"its travel is {-adjuster.toward_nut_mm:+.2f} to {adjuster.away_mm:+.2f} mm"
            )
        tight = [n for n in adjuster.influence if self.slacken_first and not self.is_slack(n)]
        if tight:
            raise ValueError(f"{adjuster.name} is held by string {tight[0]}: slacken it first")
        if not clamp and not adjuster.clamped:
            raise ValueError(f"{adjuster.name} has no clamp that can be left loose")
        self._travelled_mm[index] = reached
        if clamp:
            self._loose.discard(index)
        else:
            self._loose.add(index)
        self._settle()
        return {n: share * mm for n, share in adjuster.influence.items()}

    def move_saddle(self, string: int, mm: float, *, clamp: bool = True) -> dict[int, float]:
        """Move this string's saddle by ``mm``, with the adjuster that moves it most. Returns and raises as
        ``move_adjuster``."""
        index = self._mover(string)
        return self.move_adjuster(index, mm / self.adjusters[index].influence[string], clamp=clamp)

    def _closed(self, string: int) -> tuple[StringBuild, float, StringBehindClamp | None]:
        """Return a string as its closing clamp leaves it: its build, its unstretched length in play, and the rest."""
        build, path = self._build(string), self._paths[string - 1]
        clamped = replace(build, nut_locked=True)
        total_mm, sounding_mm = path.total_mm(self._bridge_mm), path.sounding_mm(self._bridge_mm)
        tension = tension_n(build, total_mm, self._natural_mm[string - 1])
        behind = StringBehindClamp(build, tension)
        shift = self._hardware.closing_shift_cents(string, self._closings[string - 1])
        shifted_hz = self.open_hz(string) * math.pow(2.0, shift / 1200.0)
        shifted_n = tension_for_hz(build, shifted_hz, sounding_mm, path.clamped_ends, path.from_mm)
        pushed_mm = natural_mm(clamped, total_mm, shifted_n) - natural_mm(clamped, total_mm, tension)
        in_play_mm = float(self._natural_mm[string - 1]) - behind.natural_mm + pushed_mm
        return clamped, in_play_mm, replace(behind, added_mm=-pushed_mm)

    def _opened(self, string: int) -> tuple[StringBuild, float, StringBehindClamp | None]:
        """Return a string as its opening clamp leaves it. Raises ValueError if it would break."""
        build = self.builds[string - 1]
        natural = float(self._natural_mm[string - 1]) + self._behind_clamp[string].natural_mm
        total_mm = self._paths[string - 1].total_mm(self._bridge_mm)
        if tension_n(build, total_mm, natural) > build.strongest_n:
            raise ValueError(f"string {string} would break when its nut clamp opens: slacken it at the peg first")
        return build, natural, None

    def _turn_against_clamp(self, string: int, cents: float) -> None:
        """Wind string on or off behind a closed clamp, as much as would change the pitch so far if it were open."""
        build, path, behind = self.builds[string - 1], self._paths[string - 1], self._behind_clamp[string]
        total_mm, sounding_mm = path.total_mm(self._bridge_mm), path.sounding_mm(self._bridge_mm)
        natural = float(self._natural_mm[string - 1]) + behind.natural_mm
        tension = tension_n(build, total_mm, natural)
        now_hz = float(partials_hz(build, tension, sounding_mm, path.clamped_ends, from_mm=path.from_mm)[0])
        target_hz = now_hz * math.pow(2.0, cents / 1200.0)
        target_n = tension_for_hz(build, target_hz, sounding_mm, path.clamped_ends, path.from_mm)
        wound = replace(behind, added_mm=behind.added_mm + natural_mm(build, total_mm, target_n) - natural)
        if wound.tension_n > build.strongest_n:
            raise ValueError(f"string {string} would break behind the nut: open its nut clamp before its peg is turned")
        self._behind_clamp[string] = wound

    def _fine_tuner(self, string: int) -> int:
        """Return the index of the string's fine tuner."""
        self._check(string)
        if self._hardware.fine_tuner_range_cents is None:
            raise ValueError("this guitar has no fine tuners")
        return string - 1

    def _fine_tuner_travels_mm(self) -> FloatArray:
        """Return how much of each string its fine tuner takes in from stop to stop, its pitch linear in that."""
        range_cents = self._hardware.fine_tuner_range_cents or 0.0

        def natural(build: StringBuild, path: StringPath, cents: float) -> float:
            hz = build.open_hz * math.pow(2.0, cents / 1200.0)
            tension = tension_for_hz(build, hz, path.sounding_mm(0.0), path.clamped_ends, path.from_mm)
            return natural_mm(build, path.total_mm(0.0), tension)

        one_cent_mm = [
            natural(build, path, -0.5) - natural(build, path, 0.5) if range_cents else 0.0
            for build, path in zip(self.builds, self._open_paths(), strict=True)
        ]
        return range_cents * np.array(one_cent_mm)

    def _pull_in(self, pulls_mm: Mapping[int, float]) -> None:
        """Take in string at its bridge end: index of the string -> mm; - lets it out."""
        for index, pull_mm in pulls_mm.items():
            build, total_mm = self._in_play[index], self._paths[index].total_mm(self._bridge_mm)
            if tension_n(build, total_mm, float(self._natural_mm[index]) - pull_mm) > build.strongest_n:
                raise ValueError(f"string {index + 1} would break: slacken it at the peg first")
        for index, pull_mm in pulls_mm.items():
            self._natural_mm[index] -= pull_mm
            self._fine_at_mm[index] += pull_mm
        self._settle_tightened()

    def _give_after_tuning(self, string: int, cents: float) -> None:
        if cents > 0.0:
            self._give(string, BY_TUNING * min(cents / 100.0, 1.0))

    def _give(self, string: int, rate: float) -> None:
        self._check(string)
        if self._giving.left_mm(string) and not self.is_slack(string) and not self.is_clamped(string):
            self._natural_mm[string - 1] += self._giving.give_mm(string, rate)
            self._settle()

    def _mover(self, string: int) -> int:
        self._check(string)
        shares = [abs(adjuster.influence.get(string, 0.0)) for adjuster in self.adjusters]
        if not any(shares):
            raise ValueError(f"nothing moves the saddle of string {string}")
        return shares.index(max(shares))

    def _adjuster_index(self, name_or_index: str | int) -> int:
        if isinstance(name_or_index, int):
            if 0 <= name_or_index < len(self.adjusters):
                return name_or_index
        else:
            for index, adjuster in enumerate(self.adjusters):
                if adjuster.name == name_or_index:
                    return index
        raise ValueError(f"no adjuster {name_or_index!r} on this bridge")

    def _check(self, string: int) -> None:
        if not 1 <= string <= len(self.builds):
            raise ValueError(f"string {string} isn't there; expected 1 to {len(self.builds)}")

    def _build(self, string: int) -> StringBuild:
        """Return the build of a string as it plays now: held by its nut clamp or not."""
        self._check(string)
        return self._in_play[string - 1]

    def _check_hardware(self) -> None:
        for string in (string for clamp in self._hardware.nut_clamps for string in clamp):
            self._check(string)

    def _open_paths(self) -> list[StringPath]:
        return [string_path(build, self.saddle_mm(n)) for n, build in enumerate(self._in_play, start=1)]

    def _settle(self) -> None:
        self._paths = self._open_paths()
        self._bridge_mm = self._strings.balance(self.bridge, self._paths, self._natural_mm, self._preload_n)
        self._known: dict[tuple[int, Place], Stopped] = {}

    def _settle_tightened(self) -> None:
        """Find the balance after strings may have become tighter: a saddle whose clamp is loose slides."""
        self._settle()
        for index in sorted(self._loose):
            adjuster = self.adjusters[index]
            if not all(self.is_slack(n) for n in adjuster.influence):
                slide_mm = self._hardware.slide_mm(self._slides)
                self._slides += 1
                self._travelled_mm[index] = max(float(self._travelled_mm[index]) - slide_mm, -adjuster.toward_nut_mm)
                self._loose.discard(index)
                self._settle()

    def _tensions_at_pitch(self, detune_cents: FloatArray, bridge_mm: float) -> FloatArray:
        return np.array(
            [
                tension_for_hz(
                    build,
                    build.open_hz * math.pow(2.0, cents / 1200.0),
                    path.sounding_mm(bridge_mm),
                    path.clamped_ends,
                    path.from_mm,
                )
                for build, path, cents in zip(self._in_play, self._open_paths(), detune_cents.tolist(), strict=True)
            ]
        )

    def _wound_to_pitch(self, detune_cents: FloatArray) -> FloatArray:
        """Return the natural lengths that put every open string at nominal pitch plus its detuning, bridge in
        balance."""

        def surplus_n(bridge_mm: float) -> float:
            pull_n = float(np.sum(self._tensions_at_pitch(detune_cents, bridge_mm)))
            return pull_n + self.bridge.rate_n_per_mm * bridge_mm - self._preload_n

        bridge_mm = 0.0
        if self.bridge.floating and np.any(detune_cents):
            bridge_mm = root(surplus_n, -30.0, 30.0, within=1e-13)
        tensions = self._tensions_at_pitch(detune_cents, bridge_mm)
        return np.array(
            [
                natural_mm(build, path.total_mm(bridge_mm), float(tension))
                for build, path, tension in zip(self._in_play, self._open_paths(), tensions, strict=True)
            ]
        )
