"""The listener: notes found in a stream, however it is cut, and what is no note left alone."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from oscservice.hearing.listener import Began, Dismissed, Heard, Listener, Live
from oscservice.instrument.pitch import cents_between
from oscservice.simulate.sound import synthetic_note

RATE_HZ = 48000.0


def note(f1_hz: float, seconds: float = 2.0, **more: float) -> np.ndarray:
    parameters = {"pluck_s": 0.3, "glide_cents": 4.0, "noise_dbfs": -78.0, "attack_noise": 0.2, **more}
    samples, _ = synthetic_note(f1_hz=f1_hz, seconds=seconds, sample_rate_hz=RATE_HZ, **parameters)
    return samples


def damped(samples: np.ndarray, rest_s: float = 0.4) -> np.ndarray:
    """The note stopped by a hand within about 30 ms, and some rest."""
    fall = np.exp(-np.arange(int(0.05 * RATE_HZ)) / (0.005 * RATE_HZ))
    ends = samples.copy()
    ends[-len(fall) :] *= fall
    hiss = 10.0 ** (-78.0 / 20.0) * np.random.default_rng(0).standard_normal(int(rest_s * RATE_HZ))
    return np.concatenate((ends, hiss))


def listen(samples: np.ndarray, block: int = 1024, **options: float) -> list:
    listener = Listener(RATE_HZ, **options)
    events = []
    for start in range(0, len(samples), block):
        events += listener.feed(samples[start : start + block])
    return events + listener.finish()


def pitches(events: list) -> list[float]:
    return [event.reading.f1_hz for event in events if isinstance(event, Heard)]


def test_every_note_of_a_row_is_found_with_its_onset():
    asked = [82.41, 110.0, 146.83, 196.0, 246.94, 329.63]
    events = listen(np.concatenate([damped(note(hz)) for hz in asked]))
    heard = [event for event in events if isinstance(event, Heard)]
    assert len(heard) == len(asked)
    for n, (event, hz) in enumerate(zip(heard, asked, strict=True)):
        assert abs(cents_between(event.reading.f1_hz, hz)) < 1.0
        assert event.onset_s == pytest.approx(2.4 * n + 0.3, abs=0.02)


@pytest.mark.parametrize("block", [1, 7, 100, 1024, 65536, 10_000_000])
def test_block_size_changes_nothing(block):
    samples = damped(note(146.83, 1.2)) if block == 1 else np.concatenate((damped(note(146.83)), damped(note(196.0))))
    assert listen(samples, block) == listen(samples, 4096)


def test_a_string_plucked_again_while_it_rings_gives_two_notes():
    first, second = note(110.0, 1.5), note(110.0, 2.0, pluck_s=0.0)
    events = listen(np.concatenate((first, second)))
    assert len(pitches(events)) == 2
    assert all(abs(cents_between(hz, 110.0)) < 1.0 for hz in pitches(events))


def test_a_neighbour_plucked_while_a_string_rings_is_read_as_itself():
    ringing, plucked = note(110.0, 3.0), note(196.0, 3.0)
    late = np.concatenate((np.zeros(int(1.5 * RATE_HZ)), plucked))
    total = late.copy()
    total[: len(ringing)] += ringing
    found = pitches(listen(total))
    assert len(found) == 2
    assert abs(cents_between(found[1], 196.0)) < 2.0


def test_a_note_is_read_while_it_rings_on():
    events = listen(note(110.0, 6.0, decay_s=4.0), longest_s=2.0)
    assert len(pitches(events)) == 1
    heard = next(event for event in events if isinstance(event, Heard))
    assert heard.reading.window_start_s + heard.reading.window_length_s <= 2.05


def test_what_a_hand_does_to_the_end_is_no_part_of_the_note():
    """Muting bends the pitch: here the last 50 ms slide down a semitone while they die."""
    samples = note(196.0, 1.6)
    slide = samples[: int(0.3 * RATE_HZ)][::-1]
    clean = pitches(listen(damped(samples)))[0]
    fall = np.exp(-np.arange(len(slide)) / (0.012 * RATE_HZ))
    low, _ = synthetic_note(f1_hz=185.0, seconds=0.3, pluck_s=0.0, sample_rate_hz=RATE_HZ)
    muted = np.concatenate((samples, low[: len(fall)] * fall, np.zeros(int(0.4 * RATE_HZ))))
    assert abs(cents_between(pitches(listen(muted))[0], clean)) < 0.5


@pytest.mark.parametrize("hum_hz", [50.0, 60.0])
def test_hum_alone_is_no_note(hum_hz):
    times = np.arange(int(4 * RATE_HZ)) / RATE_HZ
    hum = sum(10.0 ** (-58.0 / 20.0) / k * np.sin(2 * np.pi * hum_hz * k * times) for k in (1, 2, 3, 5))
    assert pitches(listen(np.asarray(hum))) == []


def test_a_knock_is_no_note():
    draw = np.random.default_rng(3)
    knock = np.zeros(int(2 * RATE_HZ))
    length = int(0.08 * RATE_HZ)
    knock[48000 : 48000 + length] = 0.4 * draw.standard_normal(length) * np.exp(-np.arange(length) / 500.0)
    events = listen(knock)
    assert pitches(events) == []
    assert any(isinstance(event, Began) for event in events)
    assert all(event.reason for event in events if isinstance(event, Dismissed))


@pytest.mark.parametrize("samples", [np.zeros(96000), np.full(96000, np.nan)], ids=["silence", "no numbers"])
def test_silence_and_no_numbers_give_nothing(samples):
    assert listen(samples) == []


def test_live_values_come_at_most_25_a_second_and_follow_the_pitch():
    samples, truth = synthetic_note(
        f1_hz=110.0, glide_cents=8.0, seconds=2.3, pluck_s=0.3, noise_dbfs=-75.0, sample_rate_hz=RATE_HZ
    )
    live = [event for event in listen(samples) if isinstance(event, Live)]
    assert len(live) > 20
    assert all(b.time_s - a.time_s > 0.0399 for a, b in itertools.pairwise(live))
    for event in live:
        assert abs(cents_between(event.hz, truth.momentary_hz(event.time_s))) < 2.0
    assert live[0].time_s < 0.5


def test_clipped_and_not_finite_notes_say_so():
    loud = np.clip(note(110.0, level_dbfs=4.0), -0.95, 0.95)
    loud[30000] = np.nan
    heard = next(event for event in listen(damped(loud)) if isinstance(event, Heard))
    assert {"clipped", "not finite"} <= set(heard.reading.flags)


def test_a_note_with_samples_missing_is_dismissed_and_the_next_is_heard_at_its_time():
    listener = Listener(RATE_HZ)
    first, second = note(110.0, 1.0), damped(note(196.0))
    events = listener.feed(first) + listener.lost(24000) + listener.feed(np.concatenate((np.zeros(9600), second)))
    events += listener.finish()
    assert any(isinstance(event, Dismissed) and "lost" in event.reason for event in events)
    heard = [event for event in events if isinstance(event, Heard)]
    assert len(heard) == 1
    assert abs(cents_between(heard[0].reading.f1_hz, 196.0)) < 1.0
    assert heard[0].onset_s == pytest.approx(1.0 + 0.5 + 0.2 + 0.3, abs=0.02)


def test_sample_rate_out_of_range_is_refused():
    with pytest.raises(ValueError, match="sample rate"):
        Listener(4000.0)
