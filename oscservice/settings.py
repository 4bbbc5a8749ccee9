"""What the daemon is started with, and the defaults that the documents name."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import platformdirs

DEFAULT_PORT = 9787
"""UDP port the daemon listens on unless told otherwise."""

DEFAULT_HOST = "127.0.0.1"
DEFAULT_ROOT = "/bench"
DEFAULT_TOLERANCE_CENTS = 2.0
DEFAULT_INSTRUMENT = "six-string-648"
DEFAULT_KEEP_AUDIO_MB = 2000
MOST_KEEP_AUDIO_MB = 10_000_000
MOST_KEEP_AUDIO_DAYS = 36_500


def _user_folder() -> Path:
    return platformdirs.user_config_path("oscservice", appauthor=False)


def instrument_folder() -> Path:
    """The user's own folder of instrument files."""
    return _user_folder() / "instruments"


def check_folder() -> Path:
    """The user's own folder of manifests: sets of recordings that a client may have checked by name."""
    return _user_folder() / "checks"


def settings_file() -> Path:
    """The user's own settings file, which need not be there."""
    return _user_folder() / "settings.toml"


@dataclass(frozen=True)
class ServeSettings:
    """Settings of one daemon.

    Attributes:
        source: what to listen to, as ``--source`` takes it.
        rate, channels, format: of raw samples; rate and channels also of a device. None for the source's own.
        fast: read a file as fast as possible.
        channel: the channel listened to, from 1, when one channel carries all strings.
        string_a_channel: channel 1 is string 1, and so on.
        host, port: where OSC is heard; port 0 takes any free one.
        prefix: root of all addresses.
        journal: the journal's file, or None for the user's own.
        instrument: preset or file of the instrument on the bench; a session may be begun on it by this name.
        instrument_folder: where instruments are that a session may be begun on by the name of their file.
        check_folder: where manifests are that sets of recordings may be checked by the name of their file.
        tolerance_cents: of sessions begun without one.
        by_hand: sessions begun here advance only when told to.
        resume: take up the newest open session at once.
        exit_at_end: end the daemon when the source ends.
        seed: of the simulated guitar.
        sentences: a translation of the table of sentences, or None for English.
        stepped: the simulated guitar's time stands still until a client asks for it to pass.
        allow: networks that may send to the daemon, as ``192.168.1.0/24``; empty: the loopback only.
        announce: tell the network that the daemon is there, also when it listens on the loopback only.
        bend_range_semitones: what a whole pitch bend is; 0: no bends are sent.
        name: of the daemon, for people who look for it on the network; empty: one with the machine's name.
        keep_audio: keep the sound that readings rest on, beside the journal.
        keep_audio_mb: megabytes that may take; the oldest sessions' is deleted then.
        keep_audio_days: for how many days it is kept; 0: as long as there is room.
        plugins: what plug-ins that listen to events are given, as ``NAME:REST``.
        without_plugins: names of plug-ins to leave alone.
    """

    source: str = "device"
    rate: int | None = None
    channels: int | None = None
    format: str | None = None
    fast: bool = False
    channel: int = 1
    string_a_channel: bool = False
    host: str = DEFAULT_HOST
    port: int = DEFAULT_PORT
    prefix: str = DEFAULT_ROOT
    journal: Path | None = None
    instrument: str = DEFAULT_INSTRUMENT
    instrument_folder: Path = field(default_factory=instrument_folder)
    check_folder: Path = field(default_factory=check_folder)
    tolerance_cents: float = DEFAULT_TOLERANCE_CENTS
    by_hand: bool = False
    resume: bool = False
    exit_at_end: bool = False
    seed: int = 1
    stepped: bool = False
    sentences: Path | None = None
    allow: tuple[str, ...] = ()
    announce: bool = False
    bend_range_semitones: int = 0
    name: str = ""
    keep_audio: bool = False
    keep_audio_mb: int = DEFAULT_KEEP_AUDIO_MB
    keep_audio_days: int = 0
    plugins: tuple[str, ...] = ()
    without_plugins: tuple[str, ...] = ()
