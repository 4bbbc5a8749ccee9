"""A simulated guitar for rehearsals: its pegs turn, its saddles move, and its plucked strings sound.

The pitch comes from ``guitar_mechanics`` (geometry and Hooke's law), the sound from ``voice`` and ``background``. Time
passes only in ``render``; everything follows from the seed and the sequence of actions and rendered frames.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from oscservice.instrument.pitch import Place
from oscservice.instrument.spec import Instrument
from oscservice.simulate.background import Background
from oscservice.simulate.guitar_builder import SOUND, Faults, rig_of
from oscservice.simulate.guitar_mechanics import Rig
from oscservice.simulate.pluck_excitation import MOST_PARTIALS, PICKUP_FROM_SADDLE, SPLIT_CENTS, excite
from oscservice.simulate.voice import Voice

PLUCK_POSITION = 0.2
PLUCK_POSITION_SD = 0.015
"""Place of the pick on the string, as a fraction of the sounding length from the saddle (assumed)."""

HAND_S = 0.004
PICK_S = 0.001
"""Time constants with which a hand, or a new pluck, stops a string (-60 dB after 28 and 7 ms)."""

_SPLIT_STREAM, _STRAY_STREAM, _PLUCK_STREAM = 11, 12, 13


class Guitar:
    """A simulated guitar; build it with ``from_instrument``.

    ``scatter_cents`` is the standard deviation by which re-fretting a string changes its pitch. Each fretted pluck
    draws it as a small Gaussian change of tension (in life: finger pressure and sideways pull), centred, so that the
    mean pitch of fretted plucks is the one that ``rig`` returns.
    """

    def __init__(
        self,
        rig: Rig,
        *,
        seed: int,
        frets: int = 24,
        sample_rate_hz: float = 48000.0,
        scatter_cents: float = 0.6,
        stray_cents: float = 0.3,
        noise_dbfs: float | None = -75.0,
        hum_hz: float = 50.0,
        hum_dbfs: float | None = -65.0,
        gain_dbfs_per_mm: float = -20.0,
        attack_db: float = -6.0,
        channels: int = 1,
    ) -> None:
        strings = len(rig.builds)
        if channels not in (1, strings):
            raise ValueError(f"{channels} channels for {strings} strings; expected 1 or {strings}")
        self.rig = rig
        self.frets = frets
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self.frame = 0
        self._seed = seed
        self._scatter_cents = scatter_cents
        self._stray_cents = stray_cents
        self._gain = math.pow(10.0, gain_dbfs_per_mm / 20.0)
        self._attack = math.pow(10.0, attack_db / 20.0)
        self._background = Background(
            seed=seed,
            sample_rate_hz=sample_rate_hz,
            channels=channels,
            noise_dbfs=noise_dbfs,
            hum_hz=hum_hz,
            hum_dbfs=hum_dbfs,
        )
        rng = np.random.default_rng([seed, _SPLIT_STREAM])
        self._split_cents = rng.uniform(*SPLIT_CENTS, strings) * rng.choice([-1.0, 1.0], strings)
        self._voices: list[tuple[int, Voice]] = []
        self._plucks = 0

    @classmethod
    def from_instrument(
        cls,
        instrument: Instrument,
        *,
        seed: int,
        sample_rate_hz: float = 48000.0,
        scatter_cents: float = 0.6,
        saddle_error_mm: Sequence[float] | None = None,
        detune_cents: Sequence[float] | None = None,
        stray_cents: float = 0.3,
        noise_dbfs: float | None = -75.0,
        hum_hz: float = 50.0,
        hum_dbfs: float | None = -65.0,
        gain_dbfs_per_mm: float = -20.0,
        attack_db: float = -6.0,
        channels: int = 1,
        faults: Faults = SOUND,
        as_found: bool = False,
    ) -> Guitar:
        """Return a guitar built like this instrument.

        Parameters
        ----------
        saddle_error_mm
            Start of each saddle, relative to the place where fret 12 is in tune (on a guitar whose only faults are its
            cores); None leaves it at the instrument's setback. The adjusters' travel counts from the start.
        detune_cents
            Deviation of each open string from its nominal pitch at the start, the bridge in balance.
        noise_dbfs, hum_hz, hum_dbfs
            The background, as 20 log10(rms); None for none.
        gain_dbfs_per_mm
            Peak level of a partial that swings 1 mm right over the pickup at the open string's pitch.
        attack_db
            The click of the pick against the first partial's full swing.
        channels
            1 for all strings on one channel, or one channel a string.
        faults
            Differences from the instrument's file.
        as_found
            The nut's clamps are closed, which shifted the strings, and the fine tuners far from the middle of their
            travel. Otherwise the clamps are open and the fine tuners near the middle.

        Raises
        ------
        ValueError
            Wrong number of channels or of values in a list; an impossible fault; a string that would break at its
            pitch.
        """
        rig = rig_of(
            instrument,
            saddle_error_mm=saddle_error_mm,
            detune_cents=detune_cents,
            faults=faults,
            seed=seed,
            as_found=as_found,
        )
        return cls(
            rig,
            seed=seed,
            frets=instrument.frets,
            sample_rate_hz=sample_rate_hz,
            scatter_cents=scatter_cents,
            stray_cents=stray_cents,
            noise_dbfs=noise_dbfs,
            hum_hz=hum_hz,
            hum_dbfs=hum_dbfs,
            gain_dbfs_per_mm=gain_dbfs_per_mm,
            attack_db=attack_db,
            channels=channels,
        )

    # True values: of the present state, for soft plucks, without noise and scatter.

    def open_hz(self, string: int) -> float:
        """Return the first partial of the open string, in Hz."""
        return self.rig.open_hz(string)

    def place_hz(self, string: int, place: Place) -> float:
        """Return the first partial of the string stopped at a place, in Hz (harmonic: partial 2 of the open string)."""
        return self.rig.place_hz(string, self._on_board(place))

    def error_cents(self, string: int, fret: int = 12) -> float:
        """Return the cents by which a fretted note is sharp of its tempered interval above its own open string."""
        return self.rig.error_cents(string, fret)

    def saddle_mm(self, string: int) -> float:
        """Return the saddle's distance beyond the scale length, + away from the nut."""
        return self.rig.saddle_mm(string)

    @property
    def bridge_mm(self) -> float:
        """Return the bridge's displacement under the strings' pull and the springs, + away from the nut."""
        return self.rig.bridge_mm

    def tension_n(self, string: int) -> float:
        """Return the tension of the open string."""
        return self.rig.tension_n(string)

    def is_slack(self, string: int) -> bool:
        """Return True when the string is slack enough for its saddle to be moved."""
        return self.rig.is_slack(string)

    def is_clamped(self, string: int) -> bool:
        """Return True while a closed clamp of the nut holds the string."""
        return self.rig.is_clamped(string)

    def fine_tuner_at(self, string: int) -> float:
        """Return the place of the string's fine tuner as a share of its travel, 0 at the lowest pitch to 1 at the
        highest."""
        return self.rig.fine_tuner_at(string)

    def find_saddle_in_tune_mm(self, string: int, fret: int = 12) -> float:
        """Return the saddle place at which this fret is in tune with all strings at nominal pitch."""
        return self.rig.find_saddle_in_tune_mm(string, fret)

    # Actions. A string that is worked on is damped: a note keeps the pitch it was plucked at.

    def turn_peg(self, string: int, cents: float) -> None:
        """Wind on (+) or off as much as changes the pitch by ``cents`` on a bridge at rest; then the bridge moves.

        Raises
        ------
        ValueError
            No such string, or it would break.
        """
        self.rig.turn_peg(string, cents)
        self.damp(string)

    def slacken(self, string: int, semitones: float = 7.0) -> None:
        """Slacken the string by this much, and further while it is too tight for its saddle to be moved.

        While a clamp of the nut holds the string, only what lies behind it is slackened.
        """
        self.turn_peg(string, -100.0 * semitones)
        while not (self.is_slack(string) or self.is_clamped(string)):
            self.turn_peg(string, -100.0 * semitones)

    def set_clamp(self, string: int | None, closed: bool) -> None:
        """Close or open the clamp of the nut over this string, and so over all strings under it; None: every clamp.

        Raises
        ------
        ValueError
            No such string or clamp, or a string would break.
        """
        self.rig.set_clamp(string, closed)
        self.damp()

    def turn_fine_tuner(self, string: int, cents: float) -> float:
        """Turn the string's fine tuner so far, or to its stop; then the bridge moves.

        Returns
        -------
        float
            What it did: the change of pitch in cents on a bridge at rest.

        Raises
        ------
        ValueError
            No such string, no fine tuners, or a string that would break.
        """
        done = self.rig.turn_fine_tuner(string, cents)
        self.damp(string)
        return done

    def centre_fine_tuners(self) -> None:
        """Turn every fine tuner to the middle of its travel. Raises as ``turn_fine_tuner``."""
        self.rig.centre_fine_tuners()
        self.damp()

    def stretch(self, string: int) -> None:
        """Pull the string by hand until it is nearly stretched in. Raises ValueError for a string that isn't there."""
        self.rig.stretch(string)
        self.damp(string)

    def move_adjuster(self, name_or_index: str | int, mm: float, *, clamp: bool = True) -> dict[int, float]:
        """Move an adjuster of the bridge, and tighten its clamp again unless told otherwise. See ``Rig``.

        Returns
        -------
        dict of int to float
            The strings whose saddles moved with it, and how far in mm.

        Raises
        ------
        ValueError
            No such adjuster, beyond its travel, a string on it is tight and must be slackened first, or no clamp.
        """
        moved = self.rig.move_adjuster(name_or_index, mm, clamp=clamp)
        self.damp()
        return moved

    def move_saddle(self, string: int, mm: float, *, clamp: bool = True) -> dict[int, float]:
        """Move this string's saddle with the adjuster that moves it most. Returns and raises as ``move_adjuster``."""
        moved = self.rig.move_saddle(string, mm, clamp=clamp)
        self.damp()
        return moved

    def damp(self, string: int | None = None) -> None:
        """Stop one string, or all, as with a hand."""
        self._stop(string, HAND_S)

    def pluck(
        self,
        string: int,
        place: Place,
        strength_mm: float = 1.0,
        *,
        position: float | None = None,
        damp_others: bool = False,
    ) -> None:
        """Pluck at the current sample; an earlier note of the string is stopped.

        Parameters
        ----------
        strength_mm
            Swing of the first partial on the open string. The same force moves a shorter string less, in proportion.
        position
            Place of the pluck, as a fraction of the sounding length from the saddle; None for about 1/5.
        damp_others
            The hand stops the other strings too.

        Raises
        ------
        ValueError
            No such string or place, or a strength or position out of range.
        """
        if not 0.0 < strength_mm <= 10.0:
            raise ValueError(f"a pluck of {strength_mm} mm; expected above 0 up to 10")
        if position is not None and not 0.0 < position < 1.0:
            raise ValueError(f"a pluck at {position} of the length; expected between 0 and 1")
        rng = np.random.default_rng([self._seed, _PLUCK_STREAM, self._plucks])
        scatter, spot = rng.standard_normal(2)
        stopped = self.rig.stopped(string, self._on_board(place))
        own = stopped.build.scatter_cents
        scatter_cents = (self._scatter_cents if own is None else own) if stopped.fretted else 0.0
        strays = np.random.default_rng([self._seed, _STRAY_STREAM, string, place.fret, int(stopped.touched)])
        tones = excite(
            stopped,
            strength_mm,
            position=PLUCK_POSITION + PLUCK_POSITION_SD * float(spot) if position is None else position,
            off_cents=scatter_cents * float(scatter),
            split_cents=float(self._split_cents[string - 1]),
            strays_cents=self._stray_cents * np.append(0.0, strays.standard_normal(MOST_PARTIALS - 1)),
            gain=self._gain,
            sample_rate_hz=self.sample_rate_hz,
        )
        self._plucks += 1
        if damp_others:
            self._stop(None, HAND_S, but=string)
        self._stop(string, PICK_S)
        frames = np.arange(round(0.03 * self.sample_rate_hz))
        click = np.diff(rng.standard_normal(frames.size), prepend=0.0) * np.exp(-frames / (0.003 * self.sample_rate_hz))
        click *= self._attack * self._gain * strength_mm * math.sin(math.pi * PICKUP_FROM_SADDLE) / math.sqrt(2.0)
        voice = Voice(tones, start_frame=self.frame, sample_rate_hz=self.sample_rate_hz, attack=click)
        self._voices.append((string, voice))
        self.rig.plucked(string)

    def sounding(self) -> bool:
        """Return True when a string still sounds that was not stopped."""
        return any(not voice.damped and not voice.finished(self.frame) for _, voice in self._voices)

    def render(self, frames: int) -> NDArray[np.float32]:
        """Return the next samples.

        Returns
        -------
        ndarray of float32
            Samples, shape (frames, channels), full scale 1. Loud ones may exceed it; none is clipped.

        Raises
        ------
        ValueError
            ``frames`` is negative.
        """
        if frames < 0:
            raise ValueError(f"{frames} frames; expected 0 or more")
        out = np.zeros((frames, self.channels))
        self._background.add_into(out, self.frame)
        for string, voice in self._voices:
            voice.add_into(out[:, string - 1 if self.channels > 1 else 0], self.frame)
        self.frame += frames
        self._voices = [entry for entry in self._voices if not entry[1].finished(self.frame)]
        return out.astype(np.float32)

    def _stop(self, string: int | None, time_constant_s: float, but: int | None = None) -> None:
        for number, voice in self._voices:
            if number != but and string in (None, number):
                voice.damp(self.frame, time_constant_s)

    def _on_board(self, place: Place) -> Place:
        if place.fret > self.frets:
            raise ValueError(f"fret {place.fret} isn't there; the last one is {self.frets}")
        return place
