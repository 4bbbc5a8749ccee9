"""Recorded notes that come in packages, fetched by package name: two sets, and what note each recording is.

* ``guitarsounds`` 1.2.0 (MIT licence): open strings of two steel-string guitars through a microphone, 48 kHz, with
  seconds of handling noise before the pluck. Only the source archive on the Python package index carries them.
* Debian's ``freepats`` (GPL with an exception for music): a nylon-string, a steel-string, a jazz and a clean electric
  guitar as sampled for players. Each sample starts at the pluck and lasts 0.8 to 4 s.
"""

from __future__ import annotations

import hashlib
import io
import os
import sys
import tarfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from packaged.patch_file import read_pat

from oscservice.hearing.listener import Listener, ListenerEvent, LiveReading, NoteHeard
from oscservice.instrument.pitch import cents_between, nearest_note, note_hz, note_name, note_number

HERE = Path(__file__).resolve().parent
PINNED = HERE / "guitarsounds.txt"
FREEPATS = Path("/usr/share/midi/freepats/Tone_000")
FREEPATS_MISSING = "needs freepats: apt-get install -y --no-install-recommends freepats"
PATCHES = {
    "nylon": "024_Nylon_Guitar.pat",
    "steel": "025_Steel_Guitar.pat",
    "jazz": "026_Jazz_Guitar.pat",
    "clean": "027_Clean_Electric_Guitar.pat",
}
OPEN_STRINGS = {"E1": "E4", "B2": "B3", "G3": "G3", "D4": "D3", "A5": "A2", "E6": "E2"}
"""The archive names a recording by letter and *string number* (A5 is the A string, the fifth), not by octave."""

BLOCK = 1024


class MissingRecordings(Exception):
    """Recordings are not there, or not the right ones; says what to do."""


@dataclass(frozen=True)
class RecordedNote:
    """One recording.

    Attributes:
        name: set and number or file, for messages.
        samples: shape (n,), full scale 1.
        rate_hz: samples a second.
        nominal_hz: its pitch by the package. Good to a few cents: those strings were tuned by ear or by hand.
        sound_s: how long the recording is a string left alone: all of it, or up to where a player's loop starts.
    """

    name: str
    samples: NDArray[np.float64]
    rate_hz: float
    nominal_hz: float
    sound_s: float

    def events(self) -> list[ListenerEvent]:
        """Return the events of a listener for the whole recording, fed in blocks."""
        listener = Listener(self.rate_hz)
        found: list[ListenerEvent] = []
        for start in range(0, len(self.samples), BLOCK):
            found += listener.feed(self.samples[start : start + BLOCK])
        return found + listener.finish()

    def window(self, onset_s: float) -> NDArray[np.float64]:
        """The stretch to compare estimators on: 0.4 to 1.2 s after the pluck, or what there is of 0.1 to 0.9 s."""
        start = 0.4 if self.sound_s - onset_s > 1.2 else 0.1
        end = min(start + 0.8, self.sound_s - onset_s)
        return self.samples[round((onset_s + start) * self.rate_hz) : round((onset_s + end) * self.rate_hz)]

    def off_cents(self, hz: float) -> float:
        """Cents above the nominal pitch."""
        return cents_between(hz, self.nominal_hz)


def readings(events: list[ListenerEvent]) -> list[NoteHeard]:
    """Readings among the events. Only they count as notes: a sound that was dismissed is none."""
    return [event for event in events if isinstance(event, NoteHeard)]


def momentary_hz(events: list[ListenerEvent]) -> NDArray[np.float64]:
    """Momentary values among the events, shape (n,)."""
    return np.array([event.hz for event in events if isinstance(event, LiveReading)])


def cache() -> Path:
    """Folder the archive is fetched into: ``OSCSERVICE_PACKAGED``, or ``~/.cache/oscservice-tests``."""
    return Path(os.environ.get("OSCSERVICE_PACKAGED") or Path.home() / ".cache" / "oscservice-tests")


def pinned() -> tuple[str, str]:
    """File name and sha256 of the archive."""
    line = next(line for line in PINNED.read_text(encoding="utf-8").splitlines() if line[:1] not in ("", "#"))
    requirement, _, sha256 = line.partition(" --hash=sha256:")
    return requirement.replace("==", "-") + ".tar.gz", sha256.strip()


def guitarsounds_archive() -> Path:
    """The archive, its sha256 checked. Raises MissingRecordings with the command that fetches it."""
    name, sha256 = pinned()
    path = cache() / name
    fetch = f"{sys.executable} -m pip download --no-deps --no-binary guitarsounds -r {PINNED} -d {cache()}"
    if not path.is_file():
        raise MissingRecordings(f"needs the recordings in {name}: {fetch}")
    found = hashlib.sha256(path.read_bytes()).hexdigest()
    if found != sha256:
        raise MissingRecordings(f"{path} is not the pinned archive (sha256 {found}); delete it, then: {fetch}")
    return path


def guitarsounds_notes() -> list[RecordedNote]:
    """The twelve open strings. Raises MissingRecordings."""
    found = []
    with tarfile.open(guitarsounds_archive()) as archive:
        for member in sorted(archive.getnames()):
            if member.endswith(".wav"):
                data = archive.extractfile(member)
                assert data is not None
                samples, rate_hz = soundfile.read(io.BytesIO(data.read()))
                name = Path(member).stem
                hz = note_hz(note_number(OPEN_STRINGS[name.split("_")[-1]]))
                found.append(RecordedNote(name, samples, float(rate_hz), hz, len(samples) / rate_hz))
    return found


def freepats_notes() -> list[RecordedNote]:
    """The forty samples of the four guitars, without their loops. Raises MissingRecordings."""
    if not (FREEPATS / PATCHES["nylon"]).is_file():
        raise MissingRecordings(FREEPATS_MISSING)
    found = []
    for guitar, file in PATCHES.items():
        for sample in read_pat(FREEPATS / file):
            name = f"{guitar}_{note_name(nearest_note(sample.root_hz)[0])}"
            sound_s = sample.loop_s[0] if sample.loop_s else len(sample.samples) / sample.rate_hz
            found.append(RecordedNote(name, sample.samples, sample.rate_hz, sample.root_hz, sound_s))
    return found
