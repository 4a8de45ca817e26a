"""Sounds measured by another library and again by the tests: the same seed gives the same samples."""

from __future__ import annotations

import numpy as np

RATE_HZ = 48000


def ventilation() -> np.ndarray:
    """Twenty seconds of noise that falls by 5 dB an octave, about 50 dB re 20 µPa, with a swell of 3 dB [Pa]."""
    frames = 20 * RATE_HZ
    rng = np.random.default_rng(61260)
    freq_hz = np.fft.rfftfreq(frames, 1 / RATE_HZ)
    shape = np.where(freq_hz > 15, (np.maximum(freq_hz, 15) / 100) ** (-5 / 6.02), 0.0)
    noise = np.fft.irfft(shape * (rng.standard_normal(len(freq_hz)) + 1j * rng.standard_normal(len(freq_hz))), frames)
    swell = 1 + 0.4 * np.sin(2 * np.pi * 0.2 * np.arange(frames) / RATE_HZ)
    return np.asarray(noise / np.std(noise) * swell * 20e-6 * 10 ** (50 / 20))
