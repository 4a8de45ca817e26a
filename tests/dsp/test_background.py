"""A recording of the quiet room: levels, hum and tones equal those put in; doors and voices are left out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from commission.dsp.background import (
    THRESHOLD_DB,
    THRESHOLD_HZ,
    _gate,
    audible_excess_db,
    background,
    own_noise_octaves_db,
    prominent_bands,
)
from commission.dsp.bands import bands_between, nominal_hz
from commission.model import SpectralLine, UnusableError

RATE = 24000


def noise(seed: int, seconds: float = 30.0, slope_db: float = -5.0, rms: float = 1e-3) -> np.ndarray:
    """Noise of a ventilated room, falling by `slope_db` an octave from 15 Hz."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * RATE)
    freq = np.maximum(np.fft.rfftfreq(frames, 1 / RATE), 1e-3)
    shape = np.where(freq > 15, (freq / 100) ** (slope_db / 6.02), 0)
    x = np.fft.irfft(shape * (rng.standard_normal(len(freq)) + 1j * rng.standard_normal(len(freq))), frames)
    return np.asarray(x / np.std(x) * rms)


def tone(hz: float, rms: float, seconds: float = 30.0) -> np.ndarray:
    return np.sqrt(2) * rms * np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE)) / RATE)


def test_level_of_a_tone_is_its_mean_square() -> None:
    # IEC 61672-1: all weightings are 0 dB at 1 kHz.
    found = background(tone(1000, 0.01) + noise(1, rms=1e-6), RATE)
    assert found.a_db == pytest.approx(-40.0, abs=0.02)  # rounding of blocks to half seconds
    assert found.c_db == pytest.approx(-40.0, abs=0.02)
    assert found.octave_db[1000] == pytest.approx(-40.03, abs=0.05)  # a lone tone reads 0.03 dB low


def test_octaves_add_up_to_the_level_of_white_noise() -> None:
    # White noise of variance s² has s²·B/(rate/2) in a band of width B (definition of the power spectral density).
    x = np.random.default_rng(2).normal(0, 1e-3, 30 * RATE)
    found = background(x, RATE)
    for hz in (63, 250, 1000, 4000):
        expected = -60 + 10 * np.log10(hz / np.sqrt(2) / (RATE / 2))
        # Three standard deviations of such a short recording, and nominal against exact centre.
        assert found.octave_db[hz] == pytest.approx(expected, abs=3 * found.octave_u_db[hz] + 0.1)


@pytest.mark.parametrize("seed", range(3))
def test_steady_noise_is_used_whole_and_has_neither_hum_nor_tone(seed: int) -> None:
    found = background(noise(seed, slope_db=(-3, -5, -8)[seed % 3]), RATE)
    assert found.steady
    assert (
        found.excluded_s <= 1.5
    )  # an event is rare in noise without one: rumble scatters by 1.4 dB in half a second
    assert found.hum_hz is None
    assert found.tones == ()


def test_a_door_and_a_voice_are_left_out() -> None:
    x = noise(3)
    quiet = background(x, RATE)
    disturbed = x.copy()
    disturbed[5 * RATE : 5 * RATE + RATE // 4] += np.random.default_rng(4).normal(0, 0.05, RATE // 4)
    disturbed[20 * RATE : 22 * RATE] += 0.02 * signal.sawtooth(2 * np.pi * 140 * np.arange(2 * RATE) / RATE)
    found = background(disturbed, RATE)
    assert 3.0 <= found.excluded_s <= 7.0
    assert found.steady
    assert found.a_db == pytest.approx(quiet.a_db, abs=0.3)  # less time, other samples of the same noise
    for hz in (125, 500, 2000):
        assert found.octave_db[hz] == pytest.approx(quiet.octave_db[hz], abs=4 * found.octave_u_db[hz])
    assert found.hum_hz is None


def test_each_half_second_is_heard_or_silent_in_its_middle() -> None:
    """Even if an event or a pause is that short: a fade ends within a quarter of a second."""
    keep = np.array([1, 1, 0, 1, 0, 0, 1], dtype=bool)
    gate = _gate(keep, 7 * RATE // 2 + 100, RATE)
    assert gate is not None
    assert gate[RATE // 4 :: RATE // 2] == pytest.approx(keep.astype(float), abs=1e-9)


def test_a_source_that_goes_on_and_off_is_not_an_event() -> None:
    x = noise(5)
    x[10 * RATE : 22 * RATE] *= 4
    found = background(x, RATE)
    assert not found.steady
    assert found.excluded_s == 0


@pytest.mark.parametrize("mains_hz", [50.0, 59.97])
def test_hum_is_found_with_its_level(mains_hz: float) -> None:
    x = noise(6) + sum(tone(k * mains_hz, rms) for k, rms in ((1, 4e-4), (2, 8e-4), (3, 3e-4)))
    found = background(x, RATE)
    assert found.hum_hz == pytest.approx(mains_hz, abs=0.03)
    levels = {round(line.frequency_hz / mains_hz): line.level_db for line in found.hum_lines}
    assert levels[2] == pytest.approx(20 * np.log10(8e-4), abs=0.5)  # noise within the line's own bins
    assert found.tones == ()  # hum is not reported twice


def test_hum_keeps_its_level_beside_a_door() -> None:
    x = noise(7) + tone(100, 1e-3) + tone(150, 1e-3)
    x[3 * RATE : 4 * RATE] += np.random.default_rng(8).normal(0, 0.1, RATE)
    found = background(x, RATE)
    assert found.excluded_s > 0
    assert found.hum_lines[0].level_db == pytest.approx(-60, abs=0.5)


def test_a_short_recording_leaves_hum_open() -> None:
    found = background(noise(9, 10.0) + tone(50, 1e-3, 10.0) + tone(100, 1e-3, 10.0), RATE)
    assert found.hum_hz is None
    assert "20 s" in found.why["hum"]


def test_a_whine_is_a_tone() -> None:
    found = background(noise(10) + tone(3150, 3e-4), RATE)
    assert [round(each.frequency_hz) for each in found.tones] == [3150]
    assert found.tones[0].level_db == pytest.approx(20 * np.log10(3e-4), abs=0.3)


def test_prominent_bands_by_the_differences_of_annex_d() -> None:
    hz = np.array([50.0, 63.0, 80.0, 200.0, 250.0, 315.0, 1000.0, 1250.0, 1600.0])
    level = np.array([0, 15.1, 0, 0, 8.1, 0, 0, 5.1, 0])
    assert prominent_bands(hz, level) == (1, 4, 7)
    assert prominent_bands(hz, level - np.array([0, 0.2, 0, 0, 0.2, 0, 0, 0.2, 0])) == ()


def test_own_noise_has_its_a_weighted_level() -> None:
    # IEC 61672-1 Table 3: A-weighting of the octaves 31.5 Hz to 8 kHz, as printed.
    a_db = dict(
        zip(
            (31, 63, 125, 250, 500, 1000, 2000, 4000, 8000),
            (-39.4, -26.2, -16.1, -8.6, -3.2, 0, 1.2, 1.0, -1.1),
            strict=True,
        )
    )
    levels = own_noise_octaves_db(30.0)
    total = 10 * np.log10(sum(10 ** ((levels[hz] + a_db[hz]) / 10) for hz in levels))
    assert total == pytest.approx(29.2, abs=0.5)  # the octave at 16 kHz, half of it, is the rest: 0.8 dB
    assert levels[2000] - levels[1000] == pytest.approx(10 * np.log10(2), abs=1e-6)


def test_a_line_is_heard_above_threshold_and_noise() -> None:
    third_hz, third_db = np.array([80.0, 100.0, 125.0]), np.array([10.0, 40.1, 10.0])
    line = SpectralLine(100.0, 40.0, 30.0)
    assert audible_excess_db(line, third_hz, third_db) == pytest.approx(40 - 26.5, abs=0.01)
    loud = np.array([50.0, 50.0, 50.0])  # the band without the line has 49.54 dB
    assert audible_excess_db(line, third_hz, loud) == pytest.approx(40 - (49.54 - 4), abs=0.02)
    assert dict(zip(THRESHOLD_HZ, THRESHOLD_DB, strict=True))[100] == 26.5
    assert tuple(THRESHOLD_HZ) == nominal_hz(bands_between(20, 1000, 3))  # ISO 226 states it at the nominal thirds


@pytest.mark.parametrize(("x", "words"), [(noise(1, 2.0), "2.0 s"), (np.round(noise(1, 5.0), 3), "steps")])
def test_what_says_nothing_is_refused(x: np.ndarray, words: str) -> None:
    with pytest.raises(UnusableError, match=words):
        background(x, RATE)


@pytest.mark.parametrize(("values", "usable"), [(15, False), (16, True)])
def test_a_recording_needs_sixteen_different_samples(values: int, usable: bool) -> None:
    x = np.random.default_rng(5).integers(0, values, 4 * RATE) / 32768
    if usable:
        assert background(x, RATE).steady
    else:
        with pytest.raises(UnusableError, match="softer than the steps of its file"):
            background(x, RATE)
