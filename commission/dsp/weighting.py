"""Frequency weightings of sound level meters."""

from __future__ import annotations

from typing import Literal

import numpy as np

from commission.model import FloatArray

_F1, _F2, _F3, _F4 = 20.598997, 107.65265, 737.86223, 12194.217
"""Pole frequencies [Hz], IEC 61672-1:2013 Annex E."""


def weighting_db(freq_hz: FloatArray, kind: Literal["A", "C", "Z"]) -> FloatArray:
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
