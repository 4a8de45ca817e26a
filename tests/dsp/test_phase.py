"""Minimum phase and group delay: scipy's filters, pyfar, all-passes of known delay."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy import signal

from commission.dsp.phase import group_delays_s, minimum_phase
from commission.model import FloatArray

RATE = 48000
FREQ_HZ = np.geomspace(150.0, 15000.0, 24)


def _impulse(frames: int = 9600, at: int = 0) -> FloatArray:
    x = np.zeros(frames)
    x[at] = 1.0
    return x


def _loudspeaker(at: int = 0) -> FloatArray:
    """A band-pass of minimum phase, 80 Hz to 12 kHz."""
    sections = signal.butter(2, [80, 12000], "band", fs=RATE, output="sos")
    return np.asarray(signal.sosfilt(sections, _impulse(at=at)))


def test_minimum_phase_of_a_delayed_filter_is_the_filter() -> None:
    """The Butterworth filter is of minimum phase but for its zeros at 0 Hz and half the rate, cut at −100 dB."""
    found = minimum_phase(_loudspeaker(at=700)[None])[0]
    expected = _loudspeaker()
    assert np.max(np.abs(found - expected)) < 5e-3 * np.max(np.abs(expected))  # those zeros


def test_pyfar_finds_the_same_minimum_phase() -> None:
    warnings.simplefilter("ignore")
    pyfar = pytest.importorskip("pyfar")
    rng = np.random.default_rng(1)
    h = np.stack([_loudspeaker(300), rng.standard_normal(9600) * np.exp(-np.arange(9600) / 700.0)])
    theirs = pyfar.dsp.minimum_phase(pyfar.Signal(h, RATE), truncate=False).time[:, :9600]
    for ours, other in zip(minimum_phase(h), theirs, strict=True):
        # 1 % of the peak: pyfar transforms without our floor at −100 dB and oversamples eightfold.
        assert np.max(np.abs(ours - other)) < 0.01 * np.max(np.abs(other))


def test_group_delay_is_scipys_and_pyfars() -> None:
    warnings.simplefilter("ignore")
    pyfar = pytest.importorskip("pyfar")
    taps = signal.butter(2, [80, 12000], "band", fs=RATE)
    _, expected = signal.group_delay(taps, w=FREQ_HZ, fs=RATE)
    h = _loudspeaker(at=480)
    found, _ = group_delays_s(h[None], RATE, FREQ_HZ, 24)
    # 0.05 sample: smoothing over a twenty-fourth of an octave where the delay bends most, toward the 80 Hz corner.
    np.testing.assert_allclose(found[0] * RATE - 480, expected, atol=0.05)
    theirs = np.atleast_2d(pyfar.dsp.group_delay(pyfar.Signal(h, RATE)))[0]
    bins = np.fft.rfftfreq(len(h), 1 / RATE)
    np.testing.assert_allclose(found[0] * RATE, np.interp(FREQ_HZ, bins, theirs), atol=0.05)


def test_excess_of_a_loudspeaker_in_the_open_is_its_flight() -> None:
    _, excess = group_delays_s(_loudspeaker(at=480)[None], RATE, FREQ_HZ, 12)
    # 0.3 sample, 6 µs: the part of the −100 dB floor at the zeros of the filter (found: 0.15).
    np.testing.assert_allclose(excess[0] * RATE, 480, atol=0.3)


def test_excess_is_the_delay_of_an_all_pass() -> None:
    """First-order all-pass (b + z⁻¹)/(1 + b·z⁻¹), as a crossover of second order leaves: group delay by scipy."""
    b = (np.tan(np.pi * 800 / RATE) - 1) / (np.tan(np.pi * 800 / RATE) + 1)
    h = signal.lfilter([b, 1], [1, b], _loudspeaker(at=200))
    _, expected = signal.group_delay(([b, 1], [1, b]), w=FREQ_HZ, fs=RATE)
    _, excess = group_delays_s(h[None], RATE, FREQ_HZ, 12)
    np.testing.assert_allclose(
        excess[0] * RATE - 200, expected, atol=0.3
    )  # as above; the all-pass delays by 19 at most
    assert expected.max() > 15


def test_a_strong_late_reflection_is_excess_where_a_weak_one_is_not() -> None:
    """A single reflection below the direct sound is of minimum phase (Rouché); one above it is not.

    Means over power are centroids of energy: (1·100 + 1.6²·400)/(1 + 1.6²) = 315.7 samples, and of the minimum-phase
    twin, whose stronger pulse comes first, 300/(1 + 1.6²) = 84.3.
    """
    weak, strong = _impulse(at=100), _impulse(at=100)
    weak[400], strong[400] = 0.6, 1.6
    _, excess = group_delays_s(np.stack([weak, strong]), RATE, np.array([4000.0, 8000.0]), 3)
    # 3 samples: a third octave holds 6 to 12 ripples, not a whole number of them.
    np.testing.assert_allclose(excess[0] * RATE, 100, atol=3.0)
    np.testing.assert_allclose(excess[1] * RATE, 315.7 - 84.3, atol=3.0)


def test_beyond_the_sample_rate_nothing_is_reported() -> None:
    whole, excess = group_delays_s(_loudspeaker()[None], RATE, np.array([1000.0, 30000.0]))
    assert np.isfinite(whole[0, 0])
    assert np.isnan(whole[0, 1])
    assert np.isnan(excess[0, 1])
