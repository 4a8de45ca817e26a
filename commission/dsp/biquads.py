"""Parametric filters as implemented in processors.

R. Bristow-Johnson, "Cookbook formulae for audio equalizer biquad filter coefficients" (W3C Note, 2021, from memory).
The Q of a peaking filter follows the cookbook: its bandwidth is taken between the points of half the gain in decibels.
`cookbook_q` and `entered_width` convert for processors with another definition of width.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from commission.model import ComplexArray, Filter, FilterWidth, FloatArray

RATE_HZ = 48000.0
"""Assumed sample rate of the processor: below 250 Hz any rate from 44.1 kHz gives the same within 0.01 dB."""


@dataclass(frozen=True, slots=True)
class Biquad:
    """H(z) = (b0 + b1·z⁻¹ + b2·z⁻²) / (1 + a1·z⁻¹ + a2·z⁻²)."""

    b: tuple[float, float, float]
    a: tuple[float, float, float]
    """Denominator coefficients, with a0 = 1."""

    def response(self, freq_hz: FloatArray, rate_hz: float) -> ComplexArray:
        """Complex response at those frequencies [the shape of `freq_hz`]."""
        z = np.exp(-2j * np.pi * np.asarray(freq_hz) / rate_hz)
        return np.asarray(np.polyval(self.b[::-1], z) / np.polyval(self.a[::-1], z))


def peaking(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> Biquad:
    """Peaking filter (peakingEQ of the cookbook). ValueError for an impossible frequency or Q."""
    if not 0 < freq_hz < rate_hz / 2 or not q > 0:
        raise ValueError(
            f"a filter needs 0 < frequency < {rate_hz / 2:g} Hz and Q > 0, got {freq_hz:g} Hz and Q {q:g}"
        )
    w0 = 2 * math.pi * freq_hz / rate_hz
    middle, alpha, size = -2 * math.cos(w0), math.sin(w0) / (2 * q), 10 ** (gain_db / 40)
    b, a = ((1 + alpha * gain, middle, 1 - alpha * gain) for gain in (size, 1 / size))
    return Biquad((b[0] / a[0], b[1] / a[0], b[2] / a[0]), (1.0, a[1] / a[0], a[2] / a[0]))


def cookbook_q(width: float, kind: FilterWidth, gain_db: float) -> float:
    """Q of the cookbook for a width in the definition of a processor.

    "octaves": the bandwidth B between the points of half the gain in dB, 1/Q = 2·sinh(B·ln 2/2), far below the sample rate
    (cookbook, from memory). "pole-q": Q·10^(|gain|/40), the Q of the poles of a boost and of the zeros of a cut.
    """
    if kind == "octaves":
        return 1 / (2 * math.sinh(math.log(2) / 2 * width))
    return width / 10 ** (abs(gain_db) / 40) if kind == "pole-q" else width


def entered_width(q: float, kind: FilterWidth, gain_db: float) -> float:
    """The width to enter in a processor for that Q of the cookbook; the inverse of `cookbook_q`."""
    if kind == "octaves":
        return 2 / math.log(2) * math.asinh(1 / (2 * q))
    return q * 10 ** (abs(gain_db) / 40) if kind == "pole-q" else q


def filters_response(filters: Sequence[Filter], kind: FilterWidth, freq_hz: FloatArray) -> ComplexArray:
    """Product of the responses of filters as entered in a processor [same shape as `freq_hz`]."""
    total = np.ones(np.shape(freq_hz), complex)
    for each in filters:
        q = cookbook_q(each.width, kind, each.gain_db)
        total = total * peaking(each.frequency_hz, each.gain_db, q, RATE_HZ).response(freq_hz, RATE_HZ)
    return total
