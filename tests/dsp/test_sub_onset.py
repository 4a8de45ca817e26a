"""Arrivals of subwoofers through low-passes, against simulated rooms that share no code with the program."""

from __future__ import annotations

import numpy as np
import pytest
from references.sub_onset import RATE_HZ, low_pass, subwoofer

from commission.dsp import timing


@pytest.mark.parametrize(
    ("kind", "order", "corner_hz"),
    [
        ("none", 0, 80.0),
        ("butterworth", 2, 80.0),
        ("butterworth", 3, 120.0),
        ("butterworth", 4, 80.0),
        ("linkwitz-riley", 2, 60.0),
        ("linkwitz-riley", 4, 60.0),
        ("linkwitz-riley", 4, 120.0),
    ],
)
def test_the_arrival_of_a_subwoofer_is_true_within_its_uncertainty(kind: str, order: int, corner_hz: float) -> None:
    z, error_ms = [], []
    for seed in range(8):
        h, truth_s = subwoofer(seed, kind, order, corner_hz)
        found = timing.sub_arrival(h, RATE_HZ)
        assert found.time_s is not None
        z.append((found.time_s - truth_s) / found.u_s)
        error_ms.append(1000 * (found.time_s - truth_s))
    # Three standard uncertainties; the mean of eight within one, so there is no bias.
    assert np.max(np.abs(z)) <= 3
    assert abs(np.mean(error_ms)) <= 0.6


@pytest.mark.parametrize(("kind", "order", "corner_hz"), [("linkwitz-riley", 8, 100.0), ("own end", 4, 80.0)])
def test_a_steep_slope_is_doubtful_and_says_so(kind: str, order: int, corner_hz: float) -> None:
    for seed in range(6):
        h, truth_s = subwoofer(seed, kind, order, corner_hz)
        found = timing.sub_arrival(h, RATE_HZ)
        assert found.time_s is not None
        assert abs(found.time_s - truth_s) <= 2 * found.u_s
        assert found.u_s >= 2 * timing.U_SUB_S
        assert found.why is not None


def test_without_a_low_pass_the_uncertainty_is_that_of_the_onset() -> None:
    for seed in range(6):
        h, truth_s = subwoofer(seed)
        found = timing.sub_arrival(h, RATE_HZ)
        # 0.2 ms: the largest of 37 errors is 0.13 ms (sub_onset.py), with half of that as a margin.
        assert found.time_s == pytest.approx(truth_s, abs=2e-4)
        assert found.u_s < 0.6e-3


@pytest.mark.parametrize(("order", "corner_hz"), [(2, 73.0), (3, 117.0), (4, 90.0)])
def test_the_slope_of_a_known_filter(order: int, corner_hz: float) -> None:
    # No room: order and corner are those of the filter, within a step of the grids: half an order and 5 % in frequency.
    spectrum = low_pass("butterworth", order, corner_hz)
    h = np.roll(np.fft.irfft(spectrum), 480)
    h = h + np.random.default_rng(1).normal(0, 1e-6 * np.abs(h).max(), len(h))
    found = timing.low_passes_of(h, RATE_HZ, 480)
    assert found is not None
    for each in found:
        assert each.order == pytest.approx(order, abs=0.5)
        assert each.corner_hz == pytest.approx(corner_hz, rel=0.05)


def _with_lead_and_noise(
    h: np.ndarray, noise_db: float, above_hz: float, below_hz: float
) -> tuple[np.ndarray, float]:
    """`h` after half a second of noise between two frequencies, at `noise_db` (rms) re the peak; and that lead [s]."""
    lead = round(0.5 * RATE_HZ)
    noise = np.random.default_rng(11).normal(size=lead + len(h))
    spectrum = np.fft.rfft(noise)
    freq_hz = np.fft.rfftfreq(len(noise), 1 / RATE_HZ)
    noise = np.fft.irfft(np.where((freq_hz >= above_hz) & (freq_hz <= below_hz), spectrum, 0), len(noise))
    noise *= 10 ** (noise_db / 20) * np.abs(h).max() / np.std(noise)
    return np.concatenate((np.zeros(lead), h)) + noise, lead / RATE_HZ


@pytest.mark.parametrize("seed", range(4))
def test_treble_noise_of_a_sweep_does_not_move_the_onset(seed: int) -> None:
    h, truth_s = subwoofer(seed)
    noisy, lead_s = _with_lead_and_noise(h, -31.0, 3000.0, 22000.0)
    found = timing.sub_arrival(noisy, RATE_HZ)
    # 0.2 ms as without noise: a subwoofer radiates nothing where this noise is.
    assert found.time_s == pytest.approx(truth_s + lead_s, abs=2e-4)


@pytest.mark.parametrize("noise_db", [-31.0, -26.0])
def test_an_onset_in_the_bass_noise_is_not_determined(noise_db: float) -> None:
    # Half a second contains about 200 independent values of noise up to 200 Hz; 15 dB above it covers levels from −15 dB.
    h, _ = subwoofer(1)
    noisy, _ = _with_lead_and_noise(h, noise_db, 10.0, 200.0)
    found = timing.sub_arrival(noisy, RATE_HZ)
    assert found.time_s is None
    assert "30 dB needed" in str(found.why)


@pytest.mark.parametrize(("kind", "seed"), [("none", 1), ("none", 3), ("linkwitz-riley", 0), ("linkwitz-riley", 2)])
def test_an_onset_near_the_noise_is_true_within_its_uncertainty(kind: str, seed: int) -> None:
    h, truth_s = subwoofer(seed, kind, 4, 100.0)
    noisy, lead_s = _with_lead_and_noise(h, -34.0, 10.0, 200.0)
    found = timing.sub_arrival(noisy, RATE_HZ)
    assert found.time_s is not None
    assert abs(found.time_s - truth_s - lead_s) <= 3 * found.u_s  # as without noise


@pytest.mark.parametrize("seed", range(4))
def test_a_response_that_ends_while_the_room_rings_has_an_onset(seed: int) -> None:
    h, truth_s = subwoofer(seed, "linkwitz-riley", 4, 100.0)
    found = timing.sub_arrival(h[: round(0.2 * RATE_HZ)], RATE_HZ)
    assert found.time_s is not None
    assert abs(found.time_s - truth_s) <= 3 * found.u_s  # as of a whole response


def test_a_weaker_sound_before_the_first_strong_one_leaves_the_arrival_between_the_two() -> None:
    # Ringing before the sound, as of a linear-phase crossover at 80 Hz: one half-wave of 6 ms at −16 dB.
    h, truth_s = subwoofer(2)
    ringing = np.zeros(len(h))
    first = round((truth_s - 0.0075) * RATE_HZ)
    ringing[first : first + 288] = 10 ** (-16 / 20) * np.abs(h).max() * np.hanning(288)
    found, plain = timing.sub_arrival(h + ringing, RATE_HZ), timing.sub_arrival(h, RATE_HZ)
    assert found.time_s is not None and plain.time_s is not None and "weaker sound" in str(found.why)
    late_s = plain.time_s - found.time_s
    assert 0.0025 < late_s < 0.0035
    # Rectangular between both (JCGM 100, 4.3.7), half of 6 ms on each side: either end is inside 1.7 u.
    assert found.u_s == pytest.approx(np.hypot(timing.U_SUB_S, 0.006 / np.sqrt(12)), rel=0.05)
    assert late_s < 1.7 * found.u_s
