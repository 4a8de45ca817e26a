"""Harmonics from one sweep, against polynomials whose harmonics are known by trigonometry, and against steady tones."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy import signal

from commission.dsp.distortion import ABOVE_FLOOR_DB, Distortion, harmonic_distortion
from commission.dsp.sweep import sweep_deconvolver, sweep_signal
from commission.model import FloatArray, Sweep, UnusableError

RATE = 48000
SWEEP = Sweep(duration_s=5.0, level_dbfs=-6.0)
AMPLITUDE = 10 ** (-6 / 20)
SQUARE, CUBE, FOURTH = 0.02, 0.03, 0.006


def _bend(x: FloatArray) -> FloatArray:
    return np.asarray(x + SQUARE * x**2 + CUBE * x**3 + FOURTH * x**4)


FUNDAMENTAL = AMPLITUDE + 0.75 * CUBE * AMPLITUDE**3
TRUTH_DB = {
    2: 20 * np.log10((SQUARE * AMPLITUDE**2 / 2 + FOURTH * AMPLITUDE**4 / 2) / FUNDAMENTAL),
    3: 20 * np.log10(CUBE * AMPLITUDE**3 / 4 / FUNDAMENTAL),
    4: 20 * np.log10(FOURTH * AMPLITUDE**4 / 8 / FUNDAMENTAL),
}
"""sin² = (1 − cos 2)/2, sin³ = (3 sin − sin 3)/4, sin⁴ = (3 − 4 cos 2 + cos 4)/8."""


@lru_cache
def _room() -> FloatArray:
    rng = np.random.default_rng(3)
    h = np.zeros(7200)
    h[400] = 1.0
    h[400:] += 0.05 * rng.standard_normal(6800) * np.exp(-np.arange(6800) / 1200)
    return h


@lru_cache
def _measured(noise: float, linear: bool = False) -> Distortion:
    frames = round(7 * RATE)
    x = np.zeros(frames)
    sweep = sweep_signal(SWEEP)
    x[: len(sweep)] = sweep if linear else _bend(sweep)
    y = signal.fftconvolve(x, _room())[:frames]
    y += noise * np.random.default_rng(4).standard_normal(frames)
    return harmonic_distortion(sweep_deconvolver(SWEEP, frames)(y[None].astype(np.float32)), SWEEP)


@pytest.mark.parametrize("noise", [1e-7, 1e-4])
def test_known_harmonics_at_the_same_output_frequency(noise: float) -> None:
    """The room is in harmonic and linear response alike and cancels: the true value at every frequency."""
    found = _measured(noise)
    assert found.orders == (2, 3, 4, 5)
    ratios = (found.harmonic_db - found.linear_db[:, None])[0]
    inside = (found.freq_hz > 250) & (found.freq_hz < 16000)
    for order, truth in TRUTH_DB.items():
        reported = inside & np.isfinite(ratios[order - 2])
        assert reported.sum() > (100 if noise < 1e-6 or order < 4 else 0)
        # 0.05 dB, the fourth 1 dB: noise 10 dB below a harmonic is subtracted, its cross terms are not.
        np.testing.assert_allclose(ratios[order - 2][reported], truth, atol=0.05 if order < 4 else 1.0)
    assert not np.isfinite(ratios[3]).any()  # there is no fifth


def test_harmonics_over_fundamentals_are_those_of_steady_tones() -> None:
    """As in IEC 60268-21: a tone through the same chain, its harmonics by a transform, averaged over third octaves."""
    found = _measured(1e-7)
    ratios = found.against_fundamental_db()[0]
    time_s, room = np.arange(RATE) / RATE, np.fft.rfft(_room(), RATE)
    for centre_hz in (200.0, 500.0, 1500.0):
        powers = np.zeros(4)
        for tone_hz in np.round(centre_hz * 2.0 ** np.linspace(-1 / 6, 1 / 6, 25)):
            # In one second every whole hertz is a bin; a steady tone leaves the room with the room's own transform.
            y = np.fft.rfft(_bend(AMPLITUDE * np.sin(2 * np.pi * tone_hz * time_s)))
            spectrum = np.abs(y * room) ** 2
            powers += spectrum[[round(n * tone_hz) for n in (1, 2, 3, 4)]]
        place = int(np.argmin(np.abs(found.freq_hz - centre_hz)))
        for order in (2, 3):
            truth = 10 * np.log10(powers[order - 1] / powers[0])
            # 1 dB: 25 tones against all frequencies of a third octave of a rough response.
            assert ratios[order - 2, place] == pytest.approx(truth, abs=1.0)
        total = np.sqrt(powers[1:].sum() / powers[0])
        assert found.total_ratio()[0, place] == pytest.approx(total, rel=0.12)  # 1 dB


def test_a_linear_chain_has_no_harmonics() -> None:
    found = _measured(1e-4, linear=True)
    inside = found.freq_hz > 100
    assert np.isfinite(found.harmonic_db[0][:, inside]).mean() < 0.01
    assert np.isnan(found.total_ratio()[0][inside]).mean() > 0.95
    floor_db = (found.floor_db + ABOVE_FLOOR_DB - found.linear_db[:, None])[0]
    floor_db = floor_db[:, (found.freq_hz > 200) & (found.freq_hz < 10000)]
    assert np.all((floor_db > -110) & (floor_db < -60))  # what noise of −80 dB re full scale leaves measurable


def test_noise_hides_what_is_weak_and_never_lowers_what_is_reported() -> None:
    quiet, noisy = _measured(1e-7), _measured(2e-3)
    reported = np.isfinite(noisy.harmonic_db[0])
    assert reported.sum() < np.isfinite(quiet.harmonic_db[0]).sum()
    raised = noisy.harmonic_db[0][reported] - noisy.floor_db[0][reported]
    assert np.all(raised >= 10 * np.log10(10 ** (ABOVE_FLOOR_DB / 10) - 1) - 1e-6)


def test_a_short_sweep_says_which_orders_it_cannot_separate() -> None:
    short = Sweep(duration_s=2.0)
    x = np.zeros(4 * RATE)
    sweep = sweep_signal(short)
    x[: len(sweep)] = sweep
    found = harmonic_distortion(sweep_deconvolver(short, len(x))(x[None].astype(np.float32)), short)
    assert found.orders == (2, 3, 4) or found.orders == (2, 3)
    assert "too short to separate order 5" in found.left_out[5]
    tiny = Sweep(duration_s=0.4)
    with pytest.raises(UnusableError, match="too short"):
        harmonic_distortion(np.zeros((1, 48000), np.float32), tiny)
