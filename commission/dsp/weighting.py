"""Functions of a sound level meter: frequency weighting, time weighting, level over time (IEC 61672-1:2013)."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Literal

import numpy as np

from commission.model import FloatArray, freeze

Kind = Literal["A", "C", "Z"]

_F1, _F2, _F3, _F4 = 20.598997, 107.65265, 737.86223, 12194.217
"""Pole frequencies [Hz], IEC 61672-1:2013 Annex E."""


def weighting_db(freq_hz: FloatArray, kind: Kind) -> FloatArray:
    """Weighting [dB] at `freq_hz` [shape=(n,)], IEC 61672-1:2013 equations E.1 and E.6: 0 dB at 1 kHz."""
    freq = np.asarray(freq_hz, dtype=float)
    if kind == "Z":
        return np.zeros_like(freq)
    return _raw_db(freq, kind) - _raw_db(np.array(1000.0), kind)


def _raw_db(freq: FloatArray, kind: str) -> FloatArray:
    f2 = freq**2
    with np.errstate(divide="ignore"):
        c = 20 * np.log10(_F4**2 * f2 / ((f2 + _F1**2) * (f2 + _F4**2)))
        if kind == "C":
            return np.asarray(c)
        return np.asarray(c + 20 * np.log10(f2 / np.sqrt((f2 + _F2**2) * (f2 + _F3**2))))


def weighted(samples: FloatArray, rate_hz: float, kind: Kind) -> FloatArray:
    """Samples [shape=(…, n)] with the weighting applied to their spectrum, without phase and without warping [same shape].

    A meter's filter has the same magnitude but not zero phase; levels show no difference beyond the few milliseconds by
    which the phase spreads a click.
    """
    from scipy import fft

    samples = np.asarray(samples)
    if kind == "Z":
        return samples
    frames = samples.shape[-1]
    length = int(fft.next_fast_len(frames + math.ceil(0.25 * rate_hz), real=True))  # five periods of the lowest pole
    gain = _gains(length, rate_hz, kind)
    spectra = fft.rfft(samples, length, axis=-1, workers=-1)
    return np.asarray(
        fft.irfft(spectra * gain.astype(samples.dtype, copy=False), length, axis=-1, workers=-1)[..., :frames]
    )


@lru_cache(maxsize=2)
def _gains(length: int, rate_hz: float, kind: Kind) -> FloatArray:
    """The weighting at the frequencies of a transform [shape=(length//2 + 1,)]."""
    return freeze(10 ** (weighting_db(np.arange(length // 2 + 1) * rate_hz / length, kind) / 20))
