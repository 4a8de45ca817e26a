"""Coherence between repeats: known signal-to-noise ratios, scipy, chance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from commission.dsp.coherence import coherence
from commission.model import FloatArray

RATE = 48000
FREQ_HZ = 1000.0 * 2.0 ** np.arange(-2, 4)


def _pair(noise: float, seed: int, frames: int = 96000) -> tuple[FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    sound = rng.standard_normal(frames)
    return sound + noise * rng.standard_normal(frames), sound + noise * rng.standard_normal(frames)


@pytest.mark.parametrize("noise", [0.03, 0.3, 1.0])
def test_known_signal_to_noise(noise: float) -> None:
    """Equal noise in both: γ = 1/(1 + N/S), and its inverse."""
    found = coherence(*_pair(noise, 1), RATE, FREQ_HZ)
    truth = 1 / (1 + noise**2) ** 2
    averages = 1 / found.floor
    # Four standard deviations, √(2γ²)·(1 − γ²)/√n (Bendat & Piersol, from memory).
    tolerance = 4 * np.sqrt(2 * truth) * (1 - truth) / np.sqrt(averages) + 1e-4
    assert np.all(np.abs(found.squared - truth) < tolerance)
    np.testing.assert_allclose(found.snr_db()[-3:], -20 * np.log10(noise), atol=1.0)
    assert found.lag.seconds == pytest.approx(0.0, abs=2e-6)


def test_scipy_finds_the_same() -> None:
    """Welch's method averages segments instead of bins: the same ratio for sound that is flat over a third octave."""
    first, second = _pair(0.7, 2, 480000)
    freq, theirs = signal.coherence(first, second, RATE, nperseg=2048)
    ours = coherence(first, second, RATE, FREQ_HZ[1:])
    for f, value in zip(FREQ_HZ[1:], ours.squared, strict=True):
        inside = (freq > f / 2 ** (1 / 6)) & (freq < f * 2 ** (1 / 6))
        # 0.03: about 230 segments and 1150 bins scatter by 0.02 each at 500 Hz, less above.
        assert value == pytest.approx(theirs[inside].mean(), abs=0.03)


def test_gain_and_delay_between_repeats_do_not_matter() -> None:
    first, second = _pair(0.1, 3)
    plain = coherence(first, second, RATE, FREQ_HZ).squared
    moved = coherence(first, np.pad(-3.0 * second, (37, 0))[:96000], RATE, FREQ_HZ)
    np.testing.assert_allclose(moved.squared, plain, atol=0.002)  # 37 samples of 96 000 are lost
    assert moved.lag.seconds == pytest.approx(37 / RATE, abs=1e-6)


def test_unrelated_sounds_do_not_cohere() -> None:
    rng = np.random.default_rng(4)
    found = coherence(rng.standard_normal(48000), rng.standard_normal(48000), RATE, FREQ_HZ)
    # γ² of unrelated sounds is exponential with mean 1/n: above 12/n once in 160 000.
    assert np.all(found.squared < 12 * found.floor)


def test_a_moved_microphone_is_seen_in_the_treble_first() -> None:
    """Direct sound and reflections whose delays change by a few hundredths of a millisecond: 1 cm of path."""
    rng = np.random.default_rng(5)
    freq = np.fft.rfftfreq(48000, 1 / RATE)
    delays, gains = rng.uniform(0.005, 0.06, 200), rng.standard_normal(200)
    shift = rng.uniform(-3e-5, 3e-5, 200)
    responses = [
        np.fft.irfft(sum(g * np.exp(-2j * np.pi * freq * t) for g, t in zip(gains, d, strict=True)), 48000)
        for d in (delays, delays + shift)
    ]
    found = coherence(responses[0], responses[1], RATE, np.array([250.0, 1000.0, 8000.0]))
    assert found.squared[0] > 0.98
    assert found.squared[2] < 0.7 < found.squared[1]


def test_too_few_bins_are_not_reported() -> None:
    first, second = _pair(0.1, 6, 2400)
    found = coherence(first, second, RATE, np.array([50.0, 4000.0]))
    assert np.isnan(found.squared[0])
    assert np.isfinite(found.squared[1])


@given(seed=st.integers(0, 50), noise=st.floats(0.0, 5.0))
@settings(max_examples=15, deadline=None)
def test_coherence_lies_between_zero_and_one(seed: int, noise: float) -> None:
    found = coherence(*_pair(noise, seed, 9600), RATE, FREQ_HZ)
    reported = found.squared[np.isfinite(found.squared)]
    assert np.all((reported >= 0) & (reported <= 1))
