"""The taps and the outputs of filters are those of scipy.signal to the last bit; no program imports scipy.signal."""

import subprocess
import sys

import numpy as np
import pytest
from scipy.signal import firwin, upfirdn

from oscservice.hearing import fir_filter
from oscservice.hearing.baseband import lowpass
from oscservice.hearing.fir_filter import filtered, lowpass_taps


def by_scipy(signal: np.ndarray, taps: np.ndarray, step: int) -> np.ndarray:
    """Return what ``scipy.signal.upfirdn`` makes of a signal, where the whole filter lies inside the signal."""
    zeros = -(len(taps) - 1) % step
    outputs = upfirdn(taps, np.concatenate((np.zeros(zeros), signal)), 1, step)
    first = (len(taps) - 1 + zeros) // step
    return outputs[first : first + max(0, (len(signal) - len(taps)) // step + 1)]


def same_bits(one: np.ndarray, other: np.ndarray) -> bool:
    return one.dtype == other.dtype and one.shape == other.shape and one.tobytes() == other.tobytes()


@pytest.mark.parametrize("factor", range(2, 14))
def test_the_taps_of_the_lowpass_are_those_of_scipy(factor):
    # scipy.signal.firwin is the outside source.
    for count in (2, 3, 16 * factor, 16 * factor + 1, 1000):
        for beta in (0.5, 7.0, 14.0):
            expected = firwin(count, 0.84 / factor, window=("kaiser", beta))
            assert same_bits(lowpass_taps(count, 0.84 / factor, beta), expected)


@pytest.mark.parametrize("factor", range(2, 14))
@pytest.mark.parametrize("outputs", [0, 1, 2, 3, 7, 159, 160, 161, 1600, 20011])
def test_decimated_samples_are_those_of_scipy(factor, outputs):
    # scipy.signal.upfirdn is the outside source.
    taps = lowpass_taps(16 * factor + 1, 0.84 / factor, 7.0)
    for more in range(0, factor, 3):
        signal = np.random.default_rng(outputs).standard_normal(16 * factor + factor * outputs + more)
        assert same_bits(filtered(signal, taps, factor), by_scipy(signal, taps, factor))


@pytest.mark.parametrize("half", [4, 9, 20, 48, 195, 390])
@pytest.mark.parametrize("length", [1, 200, 5000, 48000])
def test_complex_outputs_are_those_of_scipy(half, length):
    # scipy.signal.upfirdn is the outside source.
    rng = np.random.default_rng(length)
    taps = lowpass(half / 2)
    signal = rng.standard_normal(length) + 1j * rng.standard_normal(length)
    for step in {1, max(1, half // 4), half - 1, half, 3 * half} if length < 48000 else {half // 4, half}:
        assert same_bits(filtered(signal, taps, step), by_scipy(signal, taps, step))


@pytest.mark.parametrize("at_once", [1, 100, 6 * 40 + 1, 97 * 6, 97 * 1000])
def test_blocks_of_any_size_give_the_same_bits(at_once, monkeypatch):
    rng = np.random.default_rng(5)
    taps, signal = rng.standard_normal(97), rng.standard_normal(6000)
    whole, of_complex = filtered(signal, taps, 6), filtered(signal * (1 + 2j), taps, 6)
    monkeypatch.setattr(fir_filter, "_AT_ONCE", at_once)
    assert same_bits(filtered(signal, taps, 6), whole)
    assert same_bits(filtered(signal * (1 + 2j), taps, 6), of_complex)
    assert same_bits(whole, by_scipy(signal, taps, 6))


def test_silence_and_single_samples_are_those_of_scipy():
    # scipy.signal.upfirdn is the outside source: the sign of a zero and the smallest numbers too.
    taps = lowpass_taps(49, 0.28, 7.0)
    for value in (0.0, -0.0, 5e-324, -5e-324, 1.0, -1.0):
        for signal in (np.full(500, value), np.where(np.arange(500) == 250, value, 0.0)):
            for step in (1, 3, 60):
                assert same_bits(filtered(signal, taps, step), by_scipy(signal, taps, step))
                turned = signal * np.exp(2j * np.arange(500.0))
                assert same_bits(filtered(turned, taps, step), by_scipy(turned, taps, step))


@pytest.mark.parametrize(
    "module", ["daemon.app", "daemon.rehearsal", "cli.serve_command", "cli.note_rows", "check.run_check"]
)
def test_a_program_starts_without_slow_parts_of_scipy(module):
    # Nothing needs signal and stats, hardly anything optimize; with them every start would take half as long again.
    code = (
        f"import sys, oscservice.{module}; "
        "print(*(name for name in sys.modules if name.startswith(('scipy.signal', 'scipy.stats', 'scipy.optimize'))))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
