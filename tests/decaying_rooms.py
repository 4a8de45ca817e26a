"""Responses of rooms made of noise that decays: a direct sound, some reflections, a tail of its own at every place.

They share no code with the analysis or with the simulators of `rooms`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

SPEED_M_S = 343.2


def decaying(
    distance_m: float, seed: int, *, rate_hz: int = 24000, t60_s: float = 0.3, latency_s: float = 0.005
) -> np.ndarray:
    """Response of one loudspeaker at one seat [shape=(n,)]; its direct sound is as strong as its tail."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(0.4 * rate_hz)) / rate_hz
    arrival_s = latency_s + distance_m / SPEED_M_S
    freq_hz = np.fft.rfftfreq(len(time_s), 1 / rate_hz)
    pulses = np.zeros(len(freq_hz), complex)
    for delay_s, size in ((0.0, 1.0), *((rng.uniform(0.001, 0.02), rng.normal(0, 0.3)) for _ in range(6))):
        pulses += size * np.exp(-2j * np.pi * freq_hz * (arrival_s + delay_s))
    early = np.fft.irfft(pulses * np.exp(-((freq_hz / (0.45 * rate_hz)) ** 8)), len(time_s))
    since_s = time_s - arrival_s - 0.003
    tail = rng.standard_normal(len(time_s)) * np.where(since_s > 0, 10 ** (-3 * since_s / t60_s), 0)
    noise = 1e-4 * rng.standard_normal(len(time_s))
    return np.asarray((early + tail / np.sqrt(np.sum(tail**2))) / distance_m + noise)


def room_of(
    distances_m: Mapping[tuple[str, str], float], seed: int, **settings: float
) -> dict[tuple[str, str], np.ndarray]:
    """Responses by (channel, seat)."""
    return {
        place: decaying(far, 1000 * seed + k, **settings)  # type: ignore[arg-type]
        for k, (place, far) in enumerate(distances_m.items())
    }


def later(samples: np.ndarray, by_s: float, rate_hz: int = 24000) -> np.ndarray:
    """The same sound by some samples later."""
    return np.roll(samples, round(by_s * rate_hz))
