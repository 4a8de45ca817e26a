"""Behaviour of loudspeakers in a sweep at two levels: distortion, compression, a limiter, a rattle. No code of the
analysis.

Sound loudspeakers distort, too: 0.3 to 3 % in the bass and a tenth of that above at the reference level, a third of a decibel
of compression 10 dB louder (figures of the trade; common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft, signal

LOUDER_DB = 10.0
HEADROOM_DB = -13.0
"""By which all recordings of such a visit are softer, so that the louder sweep does not clip."""
SWEEP_AMPLITUDE = 0.5
SPLIT_HZ = 120.0


@dataclass(frozen=True)
class Load:
    """A loudspeaker with its amplifier."""

    lowest_hz: float
    bass_percent: float
    mid_percent: float
    """Harmonics of a tone at the reference level, below and above 120 Hz; the third is a third of them."""
    thermal_db: float
    """Less gain at the raised level."""
    limit_db: float | None = None
    """Reduction of the raised level by a limiter."""
    rattle: tuple[float, float] | None = None
    """Tone that excites it, Hz, and how loud its clicks are re the sweep."""


def healthy(rng: np.random.Generator, is_sub: bool) -> Load:
    """A load of a healthy loudspeaker."""
    return Load(
        lowest_hz=float(rng.uniform(20, 30) if is_sub else rng.uniform(45, 90)),
        bass_percent=float(np.exp(rng.uniform(math.log(0.3), math.log(3.0)))),
        mid_percent=float(np.exp(rng.uniform(math.log(0.03), math.log(0.5)))),
        thermal_db=float(rng.uniform(0.0, 0.3)),
    )


def played(sweep: np.ndarray, rate_hz: float, load: Load, level_db: float) -> np.ndarray:
    """The sweep as distorted by the loudspeaker [shape=(n,)], before its own response."""
    amplitude = 10 ** (level_db / 20)
    spectrum = fft.rfft(sweep * amplitude)
    freq = np.fft.rfftfreq(len(sweep), 1 / rate_hz)
    moved = spectrum / (1 + (load.lowest_hz / np.maximum(freq, 1)) ** 4)
    share = 1 / (1 + (freq / SPLIT_HZ) ** 8)
    out = sweep * amplitude
    for part, percent in ((share, load.bass_percent), (1 - share, load.mid_percent)):
        out = out + _harmonics(fft.irfft(moved * part, len(sweep)), percent)
    if level_db > 0:
        out = out * 10 ** (-load.thermal_db / 20)
        if load.limit_db is not None:
            out = _limited(out, rate_hz, SWEEP_AMPLITUDE * 10 ** ((level_db - load.limit_db) / 20))
    if load.rattle is not None:
        out = out + _clicks(sweep, rate_hz, *load.rattle) * amplitude
    return out


def _harmonics(u: np.ndarray, percent: float) -> np.ndarray:
    """Second and third harmonic, 0.94 and 0.33 of the total at the reference level; a sine of amplitude A makes A²/2 and A³/4 of them.

    More than 3 % is a damaged driver: the second alone, which hardly grows with the level.
    """
    if percent > 3.0:
        soft = SWEEP_AMPLITUDE * np.tanh(u / SWEEP_AMPLITUDE)
        return 2 * 0.01 * percent / (SWEEP_AMPLITUDE * math.tanh(1.0) ** 2) * soft**2
    second = 2 * 0.0094 * percent / SWEEP_AMPLITUDE
    third = 4 * 0.0033 * percent / SWEEP_AMPLITUDE**2
    return second * u**2 - third * (u**3 - 0.75 * SWEEP_AMPLITUDE**2 * u)


def _limited(x: np.ndarray, rate_hz: float, threshold: float) -> np.ndarray:
    """A limiter that acts on the envelope over 50 ms and, like a good one, makes no harmonics."""
    count = round(0.05 * rate_hz)
    envelope = np.sqrt(2 * np.maximum(signal.fftconvolve(x**2, np.ones(count) / count, "same"), 1e-9))
    return x * np.minimum(1.0, threshold / envelope)


def _clicks(sweep: np.ndarray, rate_hz: float, hz: float, level: float) -> np.ndarray:
    """A click of treble each period while tones within a twelfth of an octave around `hz` sound."""
    rng = np.random.default_rng(round(hz * 10))
    crossings = np.flatnonzero((sweep[:-1] < 0) & (sweep[1:] >= 0))
    tones = rate_hz / np.maximum(np.diff(crossings), 1)
    out = np.zeros(len(sweep))
    for start in crossings[:-1][np.abs(np.log2(tones / hz)) <= 1 / 12]:
        count = min(round(0.003 * rate_hz), len(out) - start)
        burst = rng.standard_normal(count) * np.exp(-np.arange(count) / (0.0006 * rate_hz))
        out[start : start + count] += SWEEP_AMPLITUDE * level * burst
    return out
