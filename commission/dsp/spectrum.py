"""Levels over frequency: power smoothing over fractional octaves, band levels."""

from __future__ import annotations

import math

import numpy as np

from commission.model import FloatArray, freeze

GRID_HZ: FloatArray = freeze(1000.0 * 2.0 ** (np.arange(-136, 105) / 24))
"""24 points an octave from 19.7 Hz to 20.2 kHz, through 1 kHz: the grid on which seats and rounds are compared."""

OCTAVE_CENTRES_HZ = (31, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
"""Nominal octave centres; the exact ones here are 1000·2^k, as in GRID_HZ. IEC 61260-1:2014 uses base ten only
(1000·10^(0.3·k)), which is 0.2 % lower for each octave above 1 kHz: see `bands`."""


def exact_octave_hz(nominal_hz: float) -> float:
    """The exact centre of an octave, 1000·2^k, by its nominal one."""
    return 1000.0 * 2.0 ** round(math.log2(nominal_hz / 1000))


def cumulative(power: FloatArray) -> FloatArray:
    """Running sum of power [shape=(…, n)] with a zero before it [shape=(…, n + 1)]: bands become two look-ups."""
    sums = np.empty((*power.shape[:-1], power.shape[-1] + 1))
    sums[..., 0] = 0.0
    sums[..., 1:] = power  # converted to double first: converting while summing is three times slower
    return np.cumsum(sums, axis=-1, out=sums)


def band_mean(
    sums: FloatArray, df_hz: float, low_hz: FloatArray, high_hz: FloatArray, least: float = 0.0
) -> FloatArray:
    """Mean power between two frequencies [shape=(…, m)]; bins are df wide around their centres, edge bins count in part.

    NaN where the band leaves the spectrum. `least`: lower bound, zero for power; use −inf for signed quantities.
    """
    count = sums.shape[-1] - 1
    low = np.asarray(low_hz, dtype=float) / df_hz + 0.5
    high = np.asarray(high_hz, dtype=float) / df_hz + 0.5
    inside = (low >= 0.5) & (high <= count)
    total = _look_up(sums, np.clip(high, 0, count)) - _look_up(sums, np.clip(low, 0, count))
    return np.where(inside, np.maximum(total, least) / np.maximum(high - low, 1e-12), np.nan)


def _look_up(sums: FloatArray, position: FloatArray) -> FloatArray:
    index = np.minimum(position.astype(int), sums.shape[-1] - 2)
    part = position - index
    low = sums[..., index]
    return np.asarray(low + part * (sums[..., index + 1] - low))


def smoothed_level_db(sums: FloatArray, df_hz: float, freq_hz: FloatArray, fraction: int) -> FloatArray:
    """Level of power smoothed over 1/fraction octave around `freq_hz` [shape=(…, m)] [dB]."""
    freq = np.asarray(freq_hz, dtype=float)
    half = 2.0 ** (0.5 / fraction)
    return to_db(band_mean(sums, df_hz, freq / half, freq * half))


def pink_level_db(power: FloatArray, df_hz: float, low_hz: float, high_hz: float) -> FloatArray:
    """Level that pink noise would show from low to high [dB]: 10·lg of the mean of power weighted by 1/f.

    `power` [shape=(…, n)] from 0 Hz in steps of `df_hz`; NaN when the spectrum ends below `high_hz`.
    """
    first, last = max(1, round(low_hz / df_hz)), round(high_hz / df_hz)
    if last >= power.shape[-1]:
        return np.full(power.shape[:-1], np.nan)
    weights = 1.0 / np.arange(first, last + 1)
    return to_db(power[..., first : last + 1] @ (weights / weights.sum()))


def to_db(power: FloatArray | float) -> FloatArray:
    """10·lg; −inf for zero, without a warning."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10 * np.log10(power))
