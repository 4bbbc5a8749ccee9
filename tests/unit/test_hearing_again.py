"""A note heard again: a listener that is given a stretch of the stream, and what was known before, hears the same.

The simulated guitar plays, with noise and hum; each note is cut out of the stream as the one listener that heard it all
says, rounded to 24 bits, and given to a listener of its own.
"""

from __future__ import annotations

import numpy as np
import pytest
from note_streams import RATE_HZ, notes_of, stream

from oscservice.hearing.hum import measure_hum
from oscservice.hearing.listener import Listener, NoteHeard
from oscservice.instrument.pitch import cents_between
from oscservice.record.kept_sound import KeptSound
from oscservice.record.remeasurement import heard_again


def changes(samples: np.ndarray) -> list[float]:
    """Return the change of each note's reading, in units of its standard error."""
    found = []
    for event, kept in notes_of(samples):
        again = heard_again(kept.samples, KeptSound.from_json(kept.sound.to_json()), ())
        assert not isinstance(again, str), again
        found.append(abs(cents_between(again.f1_hz, event.reading.f1_hz)) / event.reading.se_cents)
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("gap_s", "ring_s", "hum_dbfs", "noise_dbfs", "worst"),
    [
        pytest.param(0.6, 2.2, -65.0, -75.0, 0.02, id="stopped, with quiet between"),
        pytest.param(0.12, 1.8, -55.0, -70.0, 0.02, id="too little quiet to learn hum from: it was known from before"),
        pytest.param(0.0, 3.5, -65.0, -75.0, 0.2, id="each rings on into the next"),
        pytest.param(0.6, 2.2, -50.0, -52.0, 0.2, id="noise so loud that it is taken for a note at first"),
    ],
)
def test_a_note_is_heard_again_as_it_was(gap_s, ring_s, hum_dbfs, noise_dbfs, worst):
    found = changes(stream(7, gap_s, ring_s, hum_dbfs=hum_dbfs, noise_dbfs=noise_dbfs))
    assert len(found) >= 7
    assert max(found) < worst
    assert float(np.median(found)) < 1e-3


@pytest.mark.slow
def test_a_reading_changes_when_the_earlier_hum_is_unknown():
    """The hum was learnt long ago, and there was no quiet since: cut off from that, it is in the reading."""
    worst = 0.0
    for event, kept in notes_of(stream(4, 0.12, 1.8, hum_dbfs=-55.0, noise_dbfs=-70.0)):
        listener = Listener(RATE_HZ, live=False)
        heard = [*listener.feed(kept.samples.astype(np.float32) / 2**23), *listener.finish()]
        near = [one for one in heard if isinstance(one, NoteHeard) and abs(one.onset_s - kept.sound.onset_s) < 0.1]
        off = [abs(cents_between(one.reading.f1_hz, event.reading.f1_hz)) / one.reading.se_cents for one in near]
        worst = max(worst, *off)
    assert worst > 1.0


@pytest.mark.slow
def test_kept_sound_is_bounded_and_does_not_depend_on_blocks():
    samples = stream(9, 0.3, 2.0, notes=4)
    plain = [(event, kept.sound) for event, kept in notes_of(samples)]
    assert plain == [(event, kept.sound) for event, kept in notes_of(samples, block=333)]
    for event, _ in plain:
        assert event.onset_s - 1.6 < event.from_s < event.onset_s - 1.0
        assert event.onset_s < event.until_s < event.onset_s + 3.3


def test_samples_that_were_lost_are_not_reached_back_over():
    samples, lost = stream(9, 0.3, 2.0, notes=2), round(0.8 * RATE_HZ)
    listener = Listener(RATE_HZ)
    listener.feed(samples[:lost])
    listener.lost(1000)
    heard = [one for one in listener.feed(samples[lost:]) if isinstance(one, NoteHeard)]
    assert heard[0].from_s * RATE_HZ >= lost + 1000
    assert heard[0].onset_s == pytest.approx((1.2 * RATE_HZ + 1000) / RATE_HZ, abs=0.01)


def test_hum_counted_from_later_is_the_same_hum():
    rate_hz = 16000.0
    times = np.arange(16000) / rate_hz
    noise = np.random.default_rng(1).standard_normal(16000)
    hum = measure_hum(
        0.01 * np.cos(2 * np.pi * 50.02 * times) + 0.004 * np.sin(2 * np.pi * 150.06 * times) + 1e-4 * noise, rate_hz
    )
    assert hum is not None
    assert hum.after(12345).signal(100, 500) == pytest.approx(hum.signal(12445, 500), abs=1e-12)
    assert hum.after(12345).after(-12345).signal(0, 50) == pytest.approx(hum.signal(0, 50), abs=1e-12)
