"""Hum of the mains in a recording of the quiet room: lines at multiples of 50 or 60 Hz.

A line exceeds its neighbours in the power spectrum. Over noise alone one bin of a spectrum exceeds 11.5 dB above the
local median once in 18,000 (exponential distribution: exp(−ln 2·10^1.15)); two of them at multiples of one frequency near
the mains' hardly ever do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from commission.dsp.spectrum import to_db
from commission.model import FloatArray, InputError

LINE_ABOVE_DB = 11.5
"""Least level of a line above the local median (no false alarm in 80 recordings of noise, `tests/dsp/test_hum.py`)."""
LEAST_LINES = 2
LEAST_S = 20.0
"""Least length of a recording; half a minute is recommended: lines rise over the noise in proportion to the time (3 dB
from 15 to 30 s)."""
MAINS_HZ = (50.0, 60.0)
_WANDER_HZ = 0.2
"""Largest deviation of the mains frequency (EN 50160: ±0.5 Hz for 99.5 % of a year; mostly within 0.2; from memory)."""
_HIGHEST_HZ = 620.0
_NEAR_HZ = 6.0
"""Half width of the range for the local median."""


@dataclass(frozen=True, slots=True)
class HumLine:
    """One line."""

    order: int
    """Multiple of the mains' frequency."""
    frequency_hz: float
    level_db: float
    """Level of the line itself [dB re a mean square of 1]."""
    above_db: float
    """Height of the line's bin above the local median."""


@dataclass(frozen=True, slots=True)
class Hum:
    """Lines above the threshold, even if there are too few to speak of hum."""

    mains_hz: float
    """The measured frequency whose multiples fit best."""
    lines: tuple[HumLine, ...]

    @property
    def found(self) -> bool:
        """Two lines or more at multiples of one frequency near that of the mains."""
        return len(self.lines) >= LEAST_LINES

    @property
    def level_db(self) -> float:
        """Level of all lines together [dB re a mean square of 1]; −inf without any."""
        total = sum(10 ** (line.level_db / 10) for line in self.lines)
        return 10 * math.log10(total) if total > 0 else -math.inf


def find_hum(samples: FloatArray, rate_hz: float) -> Hum:
    """Look for lines at multiples of the mains' frequency, up to 620 Hz, in a recording [shape=(n,)].

    Of the frequencies near 50 and 60 Hz, the one whose multiples form most lines is taken; of equal ones, the
    strongest. Raises InputError for less than 20 s, or if the sample rate is too low for the lines.
    """
    from scipy import fft

    samples = np.asarray(samples)
    frames = samples.shape[-1]
    if frames < LEAST_S * rate_hz:
        raise InputError("noise recording", f"{frames / rate_hz:.1f} s", f"{LEAST_S:.0f} s or more to find hum")
    if rate_hz < 2.5 * _HIGHEST_HZ:
        raise InputError("noise recording", f"{rate_hz:g} samples a second", f"{2.5 * _HIGHEST_HZ:g} or more")
    window = np.hanning(frames)
    # Mean square of a line: the sum of its bins (Hann spreads it over three) in this one-sided spectrum.
    length = int(fft.next_fast_len(frames, real=True))
    count = math.ceil((_HIGHEST_HZ + 2 * _NEAR_HZ) * length / rate_hz)
    power = 2 * np.abs(fft.rfft((samples - samples.mean()) * window, length)[:count]) ** 2
    power *= 1.0 / (length * float(np.sum(window**2)))
    df_hz = rate_hz / length
    best = max((_best_near(power, df_hz, mains) for mains in MAINS_HZ), key=lambda found: found[:2])
    return best[2]


def _best_near(power: FloatArray, df_hz: float, mains_hz: float) -> tuple[int, float, Hum]:
    """Number and summed height of the lines at multiples of the best frequency near `mains_hz`, and the lines."""
    orders = np.arange(1, int(_HIGHEST_HZ / mains_hz) + 1)
    near = round(_NEAR_HZ / df_hz)
    middle = np.round(orders * mains_hz / df_hz).astype(int)
    medians = np.array([np.median(power[m - near : m + near + 1]) for m in middle])
    # From one candidate frequency to the next, the highest multiple moves by one bin.
    step_hz = df_hz * mains_hz / _HIGHEST_HZ
    count = math.ceil(_WANDER_HZ / step_hz)
    tried = mains_hz + np.arange(-count, count + 1) * step_hz
    centres = np.round(np.outer(tried, orders) / df_hz).astype(int)
    peaks = centres - 1 + np.argmax(power[centres[..., None] + np.arange(-1, 2)], axis=-1)
    above_db = to_db(np.maximum(power[peaks], 1e-300) / np.maximum(medians, 1e-300))
    counts = (above_db >= LINE_ABOVE_DB).sum(axis=1)
    heights = np.where(above_db >= LINE_ABOVE_DB, above_db, 0.0).sum(axis=1)
    best = int(np.lexsort((heights, counts))[-1])
    lines = tuple(
        HumLine(int(order), float(peak * df_hz), _own_level_db(power, int(peak), float(median)), float(above))
        for order, peak, median, above in zip(orders, peaks[best], medians, above_db[best], strict=True)
        if above >= LINE_ABOVE_DB
    )
    weight = sum(line.order for line in lines)
    own_hz = sum(line.frequency_hz for line in lines) / weight if lines else float(tried[best])
    return int(counts[best]), float(heights[best]), Hum(own_hz, lines)


def _own_level_db(power: FloatArray, peak: int, median: float) -> float:
    """Level of a line: its five bins minus the noise in them, whose mean is median/ln 2."""
    own = float(np.sum(power[peak - 2 : peak + 3])) - 5 * median / math.log(2)
    return 10 * math.log10(max(own, 1e-300))
