"""Hum is found where it was added, with its frequency and level, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from commission.dsp.hum import find_hum
from commission.model import InputError

RATE = 4000
AMPLITUDES = np.array([1.0, 0.7, 0.5, 0.3, 0.2, 0.15])


def noise(seed: int, time_s: float, slope_db: float = -5.0) -> np.ndarray:
    """Noise of a ventilated room, falling by 5 dB an octave from 15 Hz."""
    rng = np.random.default_rng(seed)
    frames = int(time_s * RATE)
    freq = np.maximum(np.fft.rfftfreq(frames, 1 / RATE), 1e-3)
    shape = np.where(freq > 15, (freq / 100) ** (slope_db / 6.02), 0)
    x = np.fft.irfft(shape * (rng.standard_normal(len(freq)) + 1j * rng.standard_normal(len(freq))), frames)
    return np.asarray(x / np.std(x))


def hum(seed: int, frames: int, mains_hz: float, level_db: float) -> np.ndarray:
    """Six multiples of a frequency that wanders by 0.01 Hz, as a grid's does within half a minute."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(frames) / RATE
    phase = 2 * np.pi * np.cumsum(mains_hz + 0.01 * np.sin(2 * np.pi * time_s / 40 + rng.uniform(0, 6))) / RATE
    x = sum(a * np.cos(k * phase + rng.uniform(0, 6)) for k, a in enumerate(AMPLITUDES, 1))
    return np.asarray(x / np.std(x) * 10 ** (level_db / 20))


def test_noise_has_no_hum() -> None:
    # One of 40 would be a rate of 2.5 %; reckoned from the distribution it is under 0.1 %.
    assert [seed for seed in range(40) if find_hum(noise(seed, 30, -5 if seed % 2 else -3), RATE).found] == []


@pytest.mark.parametrize("mains_hz", [50.07, 59.93])
def test_hum_20_db_below_the_noise_is_found(mains_hz: float) -> None:
    found = [find_hum(x + hum(s, len(x), mains_hz, -20), RATE) for s in range(10) for x in [noise(100 + s, 30)]]
    assert sum(each.found for each in found) >= 9  # nine of ten are promised; all of these are found
    for each in found:
        if each.found:
            assert each.mains_hz == pytest.approx(mains_hz, abs=0.03)  # a bin of 1/30 Hz


@pytest.mark.parametrize("mains_hz", [49.83, 60.17])
def test_a_grid_may_be_off_by_a_sixth_of_a_hertz(mains_hz: float) -> None:
    """EN 50160: ±0.5 Hz for 99.5 % of a year, mostly within 0.2 (from memory)."""
    x = noise(9, 30)
    found = find_hum(x + hum(9, len(x), mains_hz, -10), RATE)
    assert found.found and found.mains_hz == pytest.approx(mains_hz, abs=0.03)


def test_level_and_lines_of_strong_hum() -> None:
    x = noise(7, 30)
    found = find_hum(x + hum(7, len(x), 50.0, 0.0), RATE)
    assert [line.order for line in found.lines] == [1, 2, 3, 4, 5, 6]
    # 0.5 dB: the wandering frequency spreads the higher lines over more bins than are summed.
    assert found.level_db == pytest.approx(0.0, abs=0.5)
    shares = 10 * np.log10(AMPLITUDES**2 / np.sum(AMPLITUDES**2))
    np.testing.assert_allclose([line.level_db for line in found.lines], shares, atol=1.0)
    quiet = find_hum(noise(7, 30), RATE)
    assert quiet.level_db < -20 or not quiet.lines


@pytest.mark.parametrize(
    "frequencies", [(48.6, 97.2, 145.8), (51.3, 102.6), (55.0, 110.0, 220.0), (50.0,), (80.0, 160.0)]
)
def test_lines_of_a_fan_are_not_hum_of_the_mains(frequencies: tuple[float, ...]) -> None:
    """Fan blades and motors with slip have lines at multiples of another frequency; a single line may be anything."""
    x = noise(3, 30)
    time_s = np.arange(len(x)) / RATE
    x = x + sum(0.3 * np.sin(2 * np.pi * f * time_s) for f in frequencies)
    assert not find_hum(x, RATE).found


def test_50_and_60_hz_are_distinguished_though_they_share_300_hz() -> None:
    x = noise(4, 30)
    assert find_hum(x + hum(1, len(x), 60.0, -10), RATE).mains_hz == pytest.approx(60, abs=0.02)
    assert find_hum(x + hum(1, len(x), 50.0, -10), RATE).mains_hz == pytest.approx(50, abs=0.02)


@pytest.mark.parametrize(
    ("frequencies", "orders"),
    [((550.0, 600.0), [11, 12]), ((480.0, 540.0), [8, 9]), ((50.0, 100.0), [1, 2]), ((650.0, 700.0), [])],
)
def test_lines_count_up_to_620_hz(frequencies: tuple[float, float], orders: list[int]) -> None:
    x = noise(3, 30)
    time_s = np.arange(len(x)) / RATE
    found = find_hum(x + sum(0.3 * np.sin(2 * np.pi * f * time_s) for f in frequencies), RATE)
    assert [line.order for line in found.lines] == orders
    np.testing.assert_allclose([line.frequency_hz for line in found.lines], frequencies[: len(orders)], atol=0.03)


def test_too_short_or_too_slow_says_so() -> None:
    with pytest.raises(InputError, match=r"found 19.9 s, expected 20 s or more"):
        find_hum(noise(1, 19.9), RATE)
    assert not find_hum(noise(1, 20.0), RATE).found
    with pytest.raises(InputError, match=r"1549 samples a second, expected 1550 or more"):  # 2.5 times 620 Hz
        find_hum(np.zeros(46470), 1549)
    assert not find_hum(np.zeros(46500), 1550).found


def test_silence_has_no_hum() -> None:
    assert not find_hum(np.zeros(30 * RATE), RATE).found
    assert find_hum(np.zeros(30 * RATE), RATE).level_db == -np.inf
