"""A played exponential sweep is recognised with its rate, and no other signal is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from commission.dsp.load import exponential_sweep, load_analysis, total_percent
from commission.dsp.sweep import rate_constant_s
from commission.model import FloatArray, LoadAnalysis
from commission.model.signal import SweepRecording

RATE = 48000.0


def played(kind: str, seconds: float = 5.0, start_hz: float = 20.0, stop_hz: float = 20000.0) -> FloatArray:
    """By scipy's generator of chirps."""
    time_s = np.arange(int(seconds * RATE)) / RATE
    return np.asarray(signal.chirp(time_s, start_hz, seconds, stop_hz, kind, phi=-90))


@pytest.mark.parametrize(
    ("seconds", "start_hz", "stop_hz"), [(5.0, 20.0, 20000.0), (1.5, 10.0, 22000.0), (10, 15, 500)]
)
def test_a_sweep_is_recognised_with_its_rate(seconds: float, start_hz: float, stop_hz: float) -> None:
    samples = np.concatenate(
        (np.zeros(7000), 0.3 * played("logarithmic", seconds, start_hz, stop_hz), np.zeros(9000))
    )
    noise = np.random.default_rng(1).normal(0, 1e-5, len(samples))  # as a loopback has
    found = exponential_sweep(samples + noise, RATE)
    assert found is not None
    sweep, begin_s = found
    constant_s = seconds / np.log(stop_hz / start_hz)  # Farina 2000: L
    assert rate_constant_s(sweep) == pytest.approx(constant_s, rel=1e-3)
    assert begin_s == pytest.approx(7000 / RATE, abs=2e-3)
    assert sweep.start_hz == pytest.approx(start_hz, rel=0.01)


@pytest.mark.parametrize("kind", ["linear", "quadratic", "noise", "tone", "silence"])
def test_what_is_no_exponential_sweep_is_not_taken_for_one(kind: str) -> None:
    samples: FloatArray
    if kind == "noise":
        samples = np.random.default_rng(2).normal(0, 0.1, 100_000)
    elif kind == "tone":
        samples = np.sin(2 * np.pi * 500 * np.arange(100_000) / RATE)
    elif kind == "silence":
        samples = np.zeros(100_000)
    else:
        samples = played(kind)
    assert exponential_sweep(samples, RATE) is None


def test_orders_add_as_powers_and_what_the_floor_can_hide_is_stated() -> None:
    load = LoadAnalysis(
        harmonics_db={2: {1000: -40.0}, 3: {1000: 20 * np.log10(0.02)}, 4: {}},
        floors_db={2: {1000: -90.0}, 3: {1000: -90.0}, 4: {1000: -60.0}},
    )
    found = total_percent(load, (1000,))
    assert found is not None
    # √(1 % ² + 2 % ²); −60 dB is 0.1 %.
    assert found == pytest.approx((np.sqrt(5.0), 0.1))
    assert total_percent(load, (1000, 1250)) is None


def test_steady_noise_is_no_burst_at_any_tone() -> None:
    """White noise is as loud for every tone, though its treble begins at 16 times the tone.

    The highest four of the twelfths of an octave hold some 60 spectra of 51 bins or more: their mean is known to 0.1 dB.
    """
    sweep = played("logarithmic", 10.0)
    noise = np.random.default_rng(3).normal(0.0, 0.01, len(sweep))
    impulse = np.zeros(len(sweep))
    impulse[0] = 1.0
    found = load_analysis(
        SweepRecording(
            samples=sweep + noise, deconvolved=impulse, stimulus=sweep, stimulus_deconvolved=impulse, rate_hz=RATE
        )
    )
    heights = [db for _, db in found.bursts_db]
    assert len(heights) > 40 and max(np.abs(heights)) < 1.5
    assert np.mean(heights[-4:]) == pytest.approx(0.0, abs=0.4)


@pytest.mark.parametrize(("rate_hz", "start_hz"), [(8000.0, 20.0), (48000.0, 100.0)])
def test_rattles_are_not_looked_for_where_treble_or_bass_is_missing(rate_hz: float, start_hz: float) -> None:
    """Treble begins at 16 times 400 Hz, and two octaves of low tones are required."""
    time_s = np.arange(int(5 * rate_hz)) / rate_hz
    sweep = np.asarray(signal.chirp(time_s, start_hz, 5.0, 0.4 * rate_hz, "logarithmic", phi=-90))
    impulse = np.zeros(len(sweep))
    impulse[0] = 1.0
    found = load_analysis(
        SweepRecording(
            samples=sweep, deconvolved=impulse, stimulus=sweep, stimulus_deconvolved=impulse, rate_hz=rate_hz
        )
    )
    assert found.bursts_db == () and "to find rattles" in found.why["bursts"]
