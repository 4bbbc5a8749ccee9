"""Hearing does not depend on: gain, time, sample rate, silence around a note, how a stream is cut, the run.

Tolerances are what physics and arithmetic leave, and each says why. Where nothing is left, bits are compared.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_sound import synthetic_note

from oscservice import read_note, window_pitch
from oscservice.hearing.listener import Listener, ListenerEvent, LiveReading, NoteBegan, NoteDismissed, NoteHeard
from oscservice.hearing.resampling import decimation
from oscservice.instrument.pitch import cents_between

RATE_HZ = 48000.0
RATES_HZ = (44100.0, 48000.0, 88200.0, 96000.0, 176400.0, 192000.0)
RAW_HOP = 128 * decimation(RATE_HZ)

pitches = st.sampled_from([30.87, 82.41, 329.63, 987.77])
few = settings(max_examples=7)


@lru_cache(maxsize=64)
def plucked(
    f1_hz: float, rate_hz: float = RATE_HZ, noise_dbfs: float | None = -80.0, decay_s: float = 2.0
) -> np.ndarray:
    samples, _ = synthetic_note(
        f1_hz=f1_hz,
        seconds=1.7 if decay_s > 1.0 else 2.4,
        decay_s=decay_s,
        pluck_s=0.4,
        glide_cents=5.0,
        polarisation_split_cents=0.3,
        attack_noise=0.2 if noise_dbfs is not None else 0.0,
        noise_dbfs=noise_dbfs,
        level_dbfs=-18.0,
        sample_rate_hz=rate_hz,
    )
    samples.flags.writeable = False
    return samples


def listen(samples: np.ndarray, blocks: list[int]) -> list[ListenerEvent]:
    """Return the events of samples that are cut into blocks of these sizes, again and again."""
    listener = Listener(RATE_HZ)
    events: list[ListenerEvent] = []
    start, turn = 0, 0
    while start < len(samples):
        size = blocks[turn % len(blocks)]
        events += listener.feed(samples[start : start + size])
        start, turn = start + size, turn + 1
    return events + listener.finish()


def without_times(event: ListenerEvent) -> ListenerEvent:
    match event:
        case NoteHeard():
            reading = replace(event.reading, onset_s=0.0)
            return NoteHeard(0.0, reading)
        case NoteDismissed():
            return replace(event, onset_s=0.0)
        case NoteBegan() | LiveReading():
            return replace(event, time_s=0.0)


def time_of(event: ListenerEvent) -> float:
    return event.onset_s if isinstance(event, NoteHeard | NoteDismissed) else event.time_s


@few
@given(f1_hz=pitches, gain_db=st.floats(-55.0, 17.0))
def test_window_pitch_does_not_depend_on_gain(f1_hz, gain_db):
    """Everything is linear or a ratio, so only rounding is left, and what it does to the rough pitch that the fit
    starts from (found in single precision) and to where the fit stops: a thousandth of a cent is a hundred times what
    was seen. The doubt is an average over models and moves by a few per cent with where they stop."""
    window = plucked(f1_hz)[38400:76800]
    plain, scaled = window_pitch(window, RATE_HZ), window_pitch(window * 10.0 ** (gain_db / 20.0), RATE_HZ)
    assert abs(cents_between(scaled.f1_hz, plain.f1_hz)) < 1e-3
    assert scaled.se_cents == pytest.approx(plain.se_cents, rel=0.1)


@few
@given(f1_hz=pitches, gain_db=st.floats(-45.0, 17.0))
def test_a_reading_depends_on_gain_in_its_levels_only(f1_hz, gain_db):
    """As for windows; the settled stretch ends by a level found on a grid, so some thousandths of a cent are left.
    Levels move by the gain itself, to rounding."""
    samples = plucked(f1_hz)
    plain, scaled = read_note(samples, RATE_HZ), read_note(samples * 10.0 ** (gain_db / 20.0), RATE_HZ)
    assert abs(cents_between(scaled.f1_hz, plain.f1_hz)) < 5e-3
    assert scaled.se_cents == pytest.approx(plain.se_cents, rel=0.1)
    assert scaled.level_dbfs - plain.level_dbfs == pytest.approx(gain_db, abs=1e-6)
    assert scaled.strength_db - plain.strength_db == pytest.approx(gain_db, abs=1e-6)
    assert scaled.flags == plain.flags


@few
@given(f1_hz=pitches, gain_db=st.floats(-20.0, 12.0))
def test_the_listener_hears_the_same_at_any_gain_within_its_range(f1_hz, gain_db):
    """Its thresholds are levels, so a note may begin and end a hop sooner or later: values move by a part of their own
    doubt, no more."""
    samples = plucked(f1_hz)
    plain, scaled = (
        [event for event in listen(x, [4096]) if isinstance(event, NoteHeard)]
        for x in (samples, samples * 10.0 ** (gain_db / 20.0))
    )
    assert len(plain) == len(scaled) == 1
    one, other = plain[0].reading, scaled[0].reading
    assert abs(cents_between(one.f1_hz, other.f1_hz)) < max(one.se_cents, other.se_cents)
    assert plain[0].onset_s == pytest.approx(scaled[0].onset_s, abs=0.005)


@few
@given(f1_hz=pitches, shift=st.integers(1, 20000))
def test_silence_before_a_note_moves_its_onset_only(f1_hz, shift):
    """The pluck is found on a grid of 2 ms and the decimated samples lie elsewhere in time, so the settled stretch may
    start and end a step sooner or later: a quarter of the doubt. The onset moves by the silence, to that grid."""
    samples = plucked(f1_hz)
    plain, moved = read_note(samples, RATE_HZ), read_note(np.concatenate((np.zeros(shift), samples)), RATE_HZ)
    assert abs(cents_between(moved.f1_hz, plain.f1_hz)) < 0.25 * plain.se_cents
    assert moved.onset_s - plain.onset_s == pytest.approx(shift / RATE_HZ, abs=0.0025)
    assert moved.flags == plain.flags


@few
@given(f1_hz=pitches, trail=st.integers(0, 40000))
def test_silence_after_a_note_changes_not_a_bit(f1_hz, trail):
    """Digital silence is no part of a note, not even behind one that was cut off in the middle."""
    samples = plucked(f1_hz)
    assert read_note(np.concatenate((samples, np.zeros(trail))), RATE_HZ) == read_note(samples, RATE_HZ)


@few
@given(f1_hz=pitches, hops=st.integers(1, 300))
def test_a_stream_that_starts_earlier_is_heard_the_same_to_the_bit(f1_hz, hops):
    """A shift by whole hops moves all times by as much, and nothing else by a single bit."""
    # Half a second of true silence first, so that either stream has been at rest when the string is plucked.
    samples = np.concatenate((np.zeros(64 * RAW_HOP), plucked(f1_hz, noise_dbfs=None)))
    plain = listen(samples, [4096])
    moved = listen(np.concatenate((np.zeros(hops * RAW_HOP), samples)), [4096])
    assert [without_times(event) for event in moved] == [without_times(event) for event in plain]
    for one, other in zip(plain, moved, strict=True):
        assert time_of(other) - time_of(one) == pytest.approx(hops * RAW_HOP / RATE_HZ, abs=1e-9)
    assert any(isinstance(event, LiveReading) for event in plain)
    assert any(isinstance(event, NoteHeard) for event in plain)


@few
@given(f1_hz=pitches, rate_hz=st.sampled_from(RATES_HZ))
def test_the_sample_rate_does_not_matter(f1_hz, rate_hz):
    """One string sampled at another rate, without noise (noise would be other noise). What differs is where samples
    and hops fall, and what lies above the band: some hundredths of a cent, as the glide and beating are read over a
    slightly different stretch."""
    here, there = plucked(f1_hz, RATE_HZ, None), plucked(f1_hz, rate_hz, None)
    plain, other = read_note(here, RATE_HZ), read_note(there, rate_hz)
    assert abs(cents_between(other.f1_hz, plain.f1_hz)) < 0.05
    windows = [
        window_pitch(x[round(0.8 * rate) : round(1.6 * rate)], rate) for x, rate in ((here, RATE_HZ), (there, rate_hz))
    ]
    assert abs(cents_between(windows[1].f1_hz, windows[0].f1_hz)) < 0.02


@few
@given(f1_hz=pitches, blocks=st.lists(st.integers(1, 30000), min_size=1, max_size=5))
def test_how_a_stream_is_cut_changes_nothing(f1_hz, blocks):
    """Hops are the listener's own: bit for bit."""
    blocks = [*blocks, 997]
    assert listen(plucked(f1_hz), blocks) == listen(plucked(f1_hz), [1 << 20])


@few
@given(f1_hz=pitches, offset=st.integers(0, 9))
def test_the_same_samples_give_the_same_bits(f1_hz, offset):
    """Wherever they lie in memory, and as a view with gaps."""
    samples = plucked(f1_hz)
    elsewhere = np.empty(2 * len(samples) + 2 * offset)[2 * offset :: 2][: len(samples)]
    elsewhere[:] = samples
    assert read_note(elsewhere, RATE_HZ) == read_note(samples, RATE_HZ)
    assert window_pitch(elsewhere[38400:76800], RATE_HZ) == window_pitch(samples[38400:76800], RATE_HZ)
    assert listen(elsewhere, [512]) == listen(samples, [512])


@few
@given(f1_hz=pitches, shift=st.integers(0, 400))
def test_live_values_at_a_shift_within_a_hop_follow_the_same_pitch(f1_hz, shift):
    """Hops fall elsewhere, so values hold for other moments; against the pitch of those they stay within their doubt
    (three deviations, and the 5-cent glide and 0.3-cent split of this string)."""
    samples, truth = synthetic_note(
        f1_hz=f1_hz,
        seconds=1.2,
        pluck_s=0.4,
        glide_cents=5.0,
        noise_dbfs=-70.0,
        level_dbfs=-18.0,
        sample_rate_hz=RATE_HZ,
    )
    live = [
        event for event in listen(np.concatenate((np.zeros(shift), samples)), [480]) if isinstance(event, LiveReading)
    ]
    assert len(live) > 5
    ratios = [
        cents_between(event.hz, truth.momentary_hz(max(0.4, event.time_s - shift / RATE_HZ))) / event.se_cents
        for event in live
    ]
    assert max(map(abs, ratios)) < 4.5
    assert math.sqrt(float(np.mean(np.square(ratios)))) < 1.6
