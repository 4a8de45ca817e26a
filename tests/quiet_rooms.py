"""Recordings of quiet rooms with known octave levels and tones, analysed; they share no code with the analysis."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np

from commission.dsp.background import background
from commission.dsp.rating import nc_curve_db
from commission.model import AS_FOUND, AnalysedNoise, NoiseAnalysis

RATE = 24000
FULL_SCALE_DB = 110.0
"""Sound pressure level of a recording with an rms of 1."""


def shaped(octave_db: Mapping[int, float], seed: int, seconds: float = 22.0) -> np.ndarray:
    """Gaussian noise, dB re an rms of 1, whose density runs straight (in decibels over octaves) through these levels."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * RATE)
    freq = np.fft.rfftfreq(frames, 1 / RATE)[1:]
    power = 10 ** (density_db(octave_db, freq) / 10)
    bins = np.sqrt(power * frames * RATE / 4) * (rng.normal(size=len(freq)) + 1j * rng.normal(size=len(freq)))
    return np.asarray(np.fft.irfft(np.concatenate(([0], bins)), frames))


def density_db(octave_db: Mapping[int, float], freq: np.ndarray) -> np.ndarray:
    """Power spectral density, one-sided, dB re 1/Hz."""
    exact = np.array([1000 * 2.0 ** round(np.log2(hz / 1000)) for hz in octave_db])
    level = np.array(list(octave_db.values())) - 10 * np.log10(exact / np.sqrt(2))
    found = np.interp(np.log(freq), np.log(exact), level)
    return np.where((freq > 20) & (freq < 11300), found, -300)


def ideal_octaves(octave_db: Mapping[int, float]) -> dict[int, float]:
    """The same density summed between the edges of each octave, as ideal filters would read it."""
    out = {}
    for hz in octave_db:
        exact = 1000 * 2.0 ** round(np.log2(hz / 1000))
        freq = np.linspace(exact / np.sqrt(2), exact * np.sqrt(2), 2001)
        out[hz] = float(10 * np.log10(np.trapezoid(10 ** (density_db(octave_db, freq) / 10), freq)))
    return out


def nc_octaves(nc: float) -> dict[int, float]:
    """1 dB below the NC curve, except for 250 Hz, which touches it; dB SPL."""
    return {hz: level - (0.0 if hz == 250 else 1.0) for hz, level in nc_curve_db(nc).items() if hz > 16}


def nc_noise(
    nc: float,
    seed: int,
    state: str = "ventilation high",
    lines: Mapping[int, float] | None = None,
    round_id: str = AS_FOUND,
    seconds: float = 22.0,
) -> AnalysedNoise:
    """Noise of about that NC; `lines` are tones, by frequency. In less than 20 s no hum is looked for."""
    return AnalysedNoise(seed, round_id, "A2", state, _analysed(nc, seed, tuple((lines or {}).items()), seconds))


@lru_cache(maxsize=128)
def _analysed(nc: float, seed: int, lines: tuple[tuple[int, float], ...], seconds: float) -> NoiseAnalysis:
    """Cached, since many tests use the same recordings."""
    x = shaped({hz: level - FULL_SCALE_DB for hz, level in nc_octaves(nc).items()}, seed, seconds)
    time_s = np.arange(len(x)) / RATE
    for hz, level in lines:
        rms = 10 ** ((level - FULL_SCALE_DB) / 20)
        x += np.sqrt(2) * rms * np.sin(2 * np.pi * hz * time_s)
    return background(x, RATE)
