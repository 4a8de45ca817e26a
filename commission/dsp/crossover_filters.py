"""High-pass and low-pass of a crossover as analogue filters, which a processor matches below a hundredth of its sample
rate.

Butterworth: S. Butterworth, On the theory of filter amplifiers (1930), from memory. Linkwitz-Riley: a cascade of two
Butterworth filters of half the order, so that both sides are at −6 dB at the crossover (S. Linkwitz, Active crossover
networks for noncoincident drivers, JAES 24, 1976, from memory).
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from commission.model import ComplexArray, CrossoverFilter, FloatArray

Side = Literal["high", "low"]


def butterworth(freq_hz: FloatArray, corner_hz: float, order: int, side: Side) -> ComplexArray:
    """Transfer function of a Butterworth filter, −3 dB at its corner [same shape as `freq_hz`].

    1/∏(s² + 2·cos θ·s + 1), s = jf/f₀, with poles at the angles ±θ from the negative real axis.
    """
    s = 1j * np.asarray(freq_hz) / corner_hz
    bottom = np.ones_like(s) if order % 2 == 0 else s + 1
    for k in range(order // 2):
        angle = math.pi * (2 * k + 1 + order % 2) / (2 * order)
        bottom = bottom * (s**2 + 2 * math.cos(angle) * s + 1)
    return np.asarray((s**order if side == "high" else 1.0) / bottom)


def crossover_response(freq_hz: FloatArray, corner_hz: float, filter_: CrossoverFilter, side: Side) -> ComplexArray:
    """Transfer function of one side of a crossover [same shape as `freq_hz`]."""
    order = filter_.slope_db_per_octave // 6
    if filter_.type == "linkwitz-riley":
        return butterworth(freq_hz, corner_hz, order // 2, side) ** 2
    return butterworth(freq_hz, corner_hz, order, side)
