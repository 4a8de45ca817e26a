"""Time lag between two recordings of the same sound, by the phase transform.

C. Knapp, G. Carter, IEEE Trans. ASSP 24 (1976) 320–327.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from commission.model import FloatArray, UnusableError


@dataclass(frozen=True, slots=True)
class Lag:
    """Time by which the second of two recordings of the same sound is later."""

    seconds: float
    u_s: float
    """Standard uncertainty, from the scatter of the phase about a straight line."""
    agreement: float
    """1 if the phase of all frequencies fits one lag; 0 if none does."""


def lag_between(first: FloatArray, second: FloatArray, rate_hz: float, band_hz: tuple[float, float]) -> Lag:
    """Lag of `second` behind `first` [shape=(n,) each], both within ±n/2 samples, by the phase transform in a band.

    The peak of the transformed cross spectrum gives whole samples, the slope of the remaining phase gives the fraction.
    The sign of either does not matter. Raises UnusableError if nothing is heard.
    """
    from scipy import fft

    frames = max(len(first), len(second))
    length = int(fft.next_fast_len(2 * frames, real=True))
    a, b = (fft.rfft(np.asarray(x), length, workers=-1) for x in (first, second))
    cross = b * np.conj(a)
    df_hz = rate_hz / length
    inside = slice(math.ceil(band_hz[0] / df_hz), math.floor(min(band_hz[1], 0.48 * rate_hz) / df_hz) + 1)
    size = np.abs(cross[inside])
    if not np.any(size > 0):
        raise UnusableError("nothing is heard in it")
    unit = cross[inside] / np.maximum(size, np.finfo(size.dtype).tiny)
    whole = np.zeros_like(cross)
    whole[inside] = unit
    transformed = fft.irfft(whole, length, workers=-1)
    peak = int(np.argmax(np.abs(transformed)))
    lag_s = (peak - length if peak > length // 2 else peak) / rate_hz
    omega = 2 * np.pi * df_hz * np.arange(inside.start, inside.start + len(size))
    weight = np.minimum(size, np.median(size)) * omega**2
    # An inverted repeat is the same sound: the sign of the peak is removed.
    left = np.angle(unit * np.sign(transformed[peak]) * np.exp(1j * omega * lag_s))
    for _ in range(4):
        step_s = float(np.sum(weight * left / omega) / np.sum(weight))
        lag_s -= step_s
        left -= omega * step_s
        left -= 2 * np.pi * np.round(left / (2 * np.pi))
    # Padding makes neighbouring bins alike: only frames/length of them count as independent.
    padded = length / frames
    u_s = math.sqrt(padded * float(np.sum((weight * left / omega) ** 2))) / float(np.sum(weight))
    plain = weight / omega**2
    agreement = float(np.abs(np.sum(plain * np.exp(1j * left))) / np.sum(plain))
    return Lag(lag_s, u_s, agreement)
