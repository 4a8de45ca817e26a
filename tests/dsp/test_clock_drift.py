"""Two clocks: recordings made with a known drift, and what correcting it is worth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from commission.dsp.clock_drift import as_recorded, clock_drift, lag_between
from commission.dsp.sweep import rate_constant_s, sweep_deconvolver
from commission.model import FloatArray, Sweep, UnusableError

RATE = 48000
SWEEP = Sweep(duration_s=4.0, level_dbfs=-6.0)
STARTS = (24000, 24000 + 12 * RATE)


def _room() -> FloatArray:
    rng = np.random.default_rng(5)
    h = np.zeros(7200)
    h[400] = 1.0
    h[400:] += 0.05 * rng.standard_normal(6800) * np.exp(-np.arange(6800) / 1200)
    return h


def _recording(ppm: float, noise: float = 1e-4) -> FloatArray:
    """The same sweep twice, computed at the moments at which a clock that runs faster by `ppm` takes its samples."""
    constant = rate_constant_s(SWEEP)
    duration_s = constant * np.log(SWEEP.stop_hz / SWEEP.start_hz)
    time_s = np.arange(18 * RATE) / RATE / (1 + 1e-6 * ppm)
    y = np.zeros(len(time_s))
    for start in STARTS:
        t = time_s - start / RATE
        inside = (t >= 0) & (t < duration_s)
        fade = np.minimum(1.0, np.minimum(t[inside] / 0.02, (duration_s - t[inside]) / 0.005))
        y[inside] += 0.5 * fade * np.sin(2 * np.pi * SWEEP.start_hz * constant * np.expm1(t[inside] / constant))
    out = signal.fftconvolve(y, _room())[: len(y)]
    return np.asarray(out + noise * np.random.default_rng(6).standard_normal(len(out)))


@pytest.mark.parametrize("ppm", [0.0, 0.9, 1.1, -80.0, 195.0])
def test_a_known_drift_is_found(ppm: float) -> None:
    found = clock_drift(_recording(ppm), SWEEP, STARTS)
    # 0.001 ppm: 12 ns in 12 s; the scatter of the phase allows 1e-5. Fades are the one thing both sweeps share inexactly.
    assert found.ppm == pytest.approx(ppm, abs=1e-3)
    assert found.to_correct == (abs(ppm) > 1)


def test_the_stated_uncertainty_covers_the_error() -> None:
    errors = []
    clean = _recording(5.0, noise=0.0)
    for seed in range(12):
        noise = 3e-3 * np.random.default_rng(seed).standard_normal(len(clean))
        found = clock_drift(clean + noise, SWEEP, STARTS)
        errors.append((found.ppm - 5.0) / found.u_ppm)
    # The root of the mean square of twelve is between 0.5 and 1.6 in 99 of 100 cases (chi-squared).
    assert 0.4 < np.sqrt(np.mean(np.square(errors))) < 1.7


def test_correcting_is_worth_it() -> None:
    """At 80 ppm a sweep of 4 s smears by up to 0.3 ms between bass and treble; corrected by what was found, it does not."""
    frames = STARTS[1] - STARTS[0]
    recording = _recording(80.0, noise=0.0)[STARTS[0] : STARTS[0] + frames][None].astype(np.float32)
    corrected = as_recorded(SWEEP, clock_drift(_recording(80.0), SWEEP, STARTS).ppm)
    assert rate_constant_s(corrected) * corrected.start_hz == pytest.approx(rate_constant_s(SWEEP) * SWEEP.start_hz)
    freq = np.arange(100.0, 10000.0, 10.0)
    truth = np.fft.rfft(_room(), RATE)[freq.astype(int)]
    errors = []
    for sweep in (SWEEP, corrected):
        response = sweep_deconvolver(sweep, frames)(recording)[0][:24000]
        lag = lag_between(_room(), response[: len(_room())], RATE, (100.0, 10000.0)).seconds
        got = np.fft.rfft(response, RATE)[freq.astype(int)] * np.exp(2j * np.pi * freq * lag)
        ratio = got / truth
        errors.append(float(np.sqrt(np.mean(np.abs(ratio / np.mean(ratio) - 1) ** 2))))
    assert errors[1] < 0.02  # single precision, the sweep's fades, the cut at 0.5 s
    assert errors[0] > 0.3


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: _recording(-205.0), "more than any two working clocks"),
        (lambda: _recording(0.0)[: STARTS[1] + RATE], "ends before the second sweep"),
        (lambda: np.random.default_rng(7).standard_normal(18 * RATE), "not like the first"),
        (lambda: np.zeros(18 * RATE), "nothing is heard"),
    ],
)
def test_what_cannot_be_reported_is_refused(make: object, says: str) -> None:
    with pytest.raises(UnusableError, match=says):
        clock_drift(make(), SWEEP, STARTS)  # type: ignore[operator]
    with pytest.raises(UnusableError, match="too closely"):
        clock_drift(np.zeros(18 * RATE), SWEEP, (0, RATE))


@pytest.mark.parametrize("delay", [0.0, 0.25, -3.4, 100.7])
def test_lags_of_parts_of_a_sample(delay: float) -> None:
    rng = np.random.default_rng(8)
    x = rng.standard_normal(8192)
    freq = np.fft.rfftfreq(32768, 1.0)
    moved = np.fft.irfft(np.fft.rfft(np.pad(x, (2000, 22576))) * np.exp(-2j * np.pi * freq * delay))[:14000]
    lag = lag_between(np.pad(x, (2000, 3808)), moved, RATE, (200.0, 20000.0))
    assert lag.seconds * RATE == pytest.approx(delay, abs=1e-5)  # the ringing of the moved noise is cut at the ends
    assert lag.agreement > 0.99
    unrelated = lag_between(x, rng.standard_normal(8192), RATE, (200.0, 20000.0))
    assert unrelated.agreement < 0.2
