"""Decays of known decay time for tests: tones and Gaussian noise, with or without background."""

from __future__ import annotations

import numpy as np

from commission.model import FloatArray

RATE_HZ = 48000.0
START_S = 0.02


def tones(frequency_hz: float, time_s: float, *, seconds: float = 1.0, phases: int = 4) -> FloatArray:
    """Tones that begin at START_S and fall by 60 dB in `time_s`, in several phases [shape=(phases, n)]."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ - START_S
    fall = np.where(t >= 0, 10 ** (-3 * np.maximum(t, 0) / time_s), 0.0)
    angles = np.pi * np.arange(phases)[:, None] / phases
    return np.asarray(fall * np.cos(2 * np.pi * frequency_hz * t + angles))


def noises(
    time_s: float, count: int, *, seed: int, background_db: float = -200.0, seconds: float = 1.0
) -> FloatArray:
    """Gaussian decays that begin at START_S [shape=(count, n)]; background in dB re the decay's own start."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ - START_S
    fall = np.where(t >= 0, 10 ** (-3 * np.maximum(t, 0) / time_s), 0.0)
    out = rng.standard_normal((count, len(t))) * fall
    return np.asarray(out + 10 ** (background_db / 20) * rng.standard_normal(out.shape), dtype=np.float32)


def starts(count: int) -> FloatArray:
    """START_S for each of a number of responses."""
    return np.full(count, START_S)
