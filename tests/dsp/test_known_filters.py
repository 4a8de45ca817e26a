"""Known properties of filters: minimum phase, band edges, onset, scatter of noise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft, signal

from commission.dsp import noise, polarity, spectrum, timing, uncertainty
from commission.dsp.analysis import analyse
from commission.model import Response

RATE = 48000


def test_minimum_phase_of_filters_that_have_it() -> None:
    """A filter whose zeros and poles are inside the unit circle has minimum phase."""
    length = 1 << 15
    x = np.zeros(length)
    x[0] = 1.0
    inside = np.array([[1, -1.2, 0.5, 1, -0.9, 0.4], [1, 0.3, 0.2, 1, -1.7, 0.75]])  # zeros within 0.71, poles 0.87
    want = fft.rfft(signal.sosfilt(inside, x))
    got = polarity.minimum_phase_spectrum(np.abs(want)[None], length)[0]
    np.testing.assert_allclose(got, want, rtol=1e-10)  # rounding: nothing of the cepstrum wraps round
    # Zeros on the circle (0 Hz, half the rate) go deeper than the floor of −100 dB that the function keeps: 0.02 rad, where
    # the polarity is read.
    high = signal.sosfilt(signal.butter(2, 60, "high", fs=RATE, output="sos"), x)
    want = fft.rfft(signal.sosfilt(signal.butter(2, 3000, "low", fs=RATE, output="sos"), high))
    got = polarity.minimum_phase_spectrum(np.abs(want)[None], length)[0]
    band = slice(round(200 * length / RATE), round(1000 * length / RATE))
    assert np.max(np.abs(np.angle(got[band] / want[band]))) < 0.02


@pytest.mark.parametrize(("low_hz", "high_hz"), [(80.0, 12000.0), (150.0, 6000.0)])
def test_bandwidth_of_known_filters(low_hz: float, high_hz: float) -> None:
    """A Butterworth flank of order n is 10 dB down where (f/fc)^2n = 9."""
    n, freq = 4, np.arange(0, 24001.0)
    with np.errstate(divide="ignore"):
        power = 1 / (1 + (low_hz / freq) ** (2 * n)) / (1 + (freq / high_hz) ** (2 * n))
    grid = spectrum.GRID_HZ
    level = spectrum.smoothed_level_db(spectrum.cumulative(power), 1.0, grid, 3)
    low, high = noise.bandwidth_hz(grid, level, (500.0, 2000.0))
    edge = 9 ** (1 / (2 * n))
    # 6 %: two steps of a twenty-fourth octave (shift of a 24 dB per octave edge by a third-octave mean, and the grid).
    assert low == pytest.approx(low_hz / edge, rel=0.06)
    assert high == pytest.approx(high_hz * edge, rel=0.06)
    assert noise.bandwidth_hz(grid, np.zeros(len(grid)), (500.0, 2000.0)) == (None, None)
    h = signal.sosfilt(signal.butter(n, (low_hz, high_hz), "band", fs=RATE, output="sos"), np.eye(1, RATE, 4800)[0])
    found = analyse(Response(impulse=h, rate_hz=RATE))
    bilinear_hz = RATE / np.pi * np.arctan(edge * np.tan(np.pi * high_hz / RATE))
    assert (found.low_hz, found.high_hz) == pytest.approx((low_hz / edge, bilinear_hz), rel=0.06)


@pytest.mark.parametrize("delay", [480, 733, 1500])
def test_onset_of_an_unfiltered_subwoofer(delay: int) -> None:
    """A vented box's high-pass of fourth order at 28 Hz and a driver that ends at 800 Hz, with reflections."""
    x = np.zeros(24000)
    x[delay] = 1.0
    h = signal.sosfilt(signal.butter(4, 28, "high", fs=RATE, output="sos"), x)
    h = signal.sosfilt(signal.butter(2, 800, "low", fs=RATE, output="sos"), h)
    for later, gain in ((300, 0.8), (517, -0.7)):
        h[later:] += gain * h[:-later]
    found = timing.sub_arrival(h, RATE)
    assert found.time_s is not None
    # 0.15 ms: the largest of 37 errors in simulated rooms is 0.13 ms (tests/references/sub_onset.py).
    assert abs(found.time_s - delay / RATE) <= 1.5e-4
    late = timing.sub_arrival(signal.sosfilt(signal.butter(4, 80, "low", fs=RATE, output="sos"), h), RATE)
    assert late.time_s == pytest.approx(delay / RATE, abs=2 * late.u_s)
    assert late.u_s > 1.2 * found.u_s
    assert late.why is not None
    assert "low-pass" in late.why


@pytest.mark.parametrize(("low_hz", "high_hz", "time_s"), [(100.0, 300.0, 2.0), (1000.0, 2000.0, 0.5)])
def test_scatter_of_a_level_of_noise(low_hz: float, high_hz: float, time_s: float) -> None:
    """Bendat & Piersol (from memory): the mean square of noise of bandwidth B over T has relative variance 1/(B·T)."""
    rng = np.random.default_rng(11)
    frames = round(8000 * time_s)
    freq = np.fft.rfftfreq(8 * frames, 1 / 8000)
    inside = (freq >= low_hz) & (freq <= high_hz)
    levels = []
    for _ in range(60):
        x = fft.irfft(inside * (rng.standard_normal(len(freq)) + 1j * rng.standard_normal(len(freq))), 8 * frames)
        levels += [10 * np.log10(np.mean(part**2)) for part in x.reshape(8, frames)]
    # 480 values determine their standard deviation within 3.2 %; three of these, 10 %.
    assert np.std(levels) == pytest.approx(uncertainty.noise_u_db(high_hz - low_hz, time_s), rel=0.10)
