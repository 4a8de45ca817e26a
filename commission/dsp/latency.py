"""Arrivals compared with distances: common latency, outliers and a wrong unit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from commission.model import FloatArray, freeze

UNIT_SD = 0.03
"""Largest standard deviation of an accepted unit factor, times the factor itself if that is above 1, since it
multiplies errors of the distances (common practice, no source: the factors to distinguish, −1, 0, 0.305, 1 and 3.28,
differ by at least ten times as much)."""
_LEAST_APART_S = 1e-5
"""Flight times that differ by less, 3 mm, count as equal distances."""

APART_S = 0.5e-3
"""Difference of flight times from which loudspeakers count as being at different distances (common practice, no source)."""

NO_DELAYS, WRONG_SIGN = "no delays are applied", "the delays have the wrong sign"


@dataclass(frozen=True, slots=True, eq=False)
class LatencyFit:
    """Fit of t_i = τ + d_i/c + a_i: the latency common to all channels, and each remainder."""

    latency_s: float
    residual_s: FloatArray
    """Arrival minus common latency, flight and applied delay, NaN where unknown. [shape=(n,)]"""


PAIR_AGREES_S = 0.4e-3
"""Two channels confirm each other within this, which is 14 cm (common practice, no source)."""


def enough_in_common(times_s: FloatArray) -> bool:
    """Whether the median of some times represents all of them: at least three, or two that agree. [shape=(n,)]"""
    return len(times_s) >= 3 or (len(times_s) == 2 and float(np.ptp(times_s)) <= PAIR_AGREES_S)


def common_latency(
    arrivals_s: FloatArray,
    distances_m: FloatArray,
    applied_s: FloatArray,
    speed_m_s: float,
    among: NDArray[np.bool_] | None = None,
) -> LatencyFit | None:
    """The latency τ common to all channels, as the median of arrival minus flight and applied delay.

    Up to half of the channels may be wrong without moving it far. `among` selects the channels that count (subwoofers
    have separate latencies). None with fewer than three of them, unless two agree within `PAIR_AGREES_S`. [shape=(n,)
    each, NaN where unknown]
    """
    travel = np.asarray(arrivals_s - distances_m / speed_m_s - applied_s)
    counted = np.isfinite(travel) if among is None else np.isfinite(travel) & among
    if not enough_in_common(travel[counted]):
        return None
    latency = float(np.median(travel[counted]))
    return LatencyFit(latency, freeze(travel - latency))


@dataclass(frozen=True, slots=True)
class UnitFit:
    """Robust fit of t_i = τ + d_i/c − k·d_i,ref/c: how the processor uses the distances entered in it."""

    factor: float
    sd: float
    latency_s: float
    outliers: tuple[int, ...]

    @property
    def meaning(self) -> str | None:
        """Interpretation of k, or None if there is no definite one."""
        if self.sd > UNIT_SD * max(1.0, abs(self.factor)):
            return None
        known = {
            1.0: "right",
            0.0: NO_DELAYS,
            -1.0: WRONG_SIGN,
            1 / 0.3048: "feet were entered where metres are expected",
            0.3048: "metres were entered where feet are expected",
        }
        nearest = min(known, key=lambda k: abs(k - self.factor))
        return known[nearest] if abs(nearest - self.factor) <= max(3 * self.sd, 0.05) else None


def unit_factor(arrivals_s: FloatArray, distances_m: FloatArray, speed_m_s: float) -> UnitFit | None:
    """Fit k by least squares, leaving out channels that do not fit (a late subwoofer, swapped channels).

    Needs four channels at different distances; None otherwise. [shape=(n,) each, NaN where there is no arrival]
    """
    good = np.isfinite(arrivals_s) & np.isfinite(distances_m)
    if good.sum() < 4:
        return None
    flight = distances_m / speed_m_s
    target = arrivals_s - flight  # = τ − k·flight
    keep = good.copy()
    slope, offset = _theil_sen(flight[keep], target[keep])
    for _ in range(5):
        residual = target - (slope * flight + offset)
        scale = max(1.4826 * float(np.nanmedian(np.abs(residual[good]))), 2e-5)
        keep = good & (np.abs(residual) <= max(4 * scale, 2.5e-4))
        if keep.sum() < 4:
            return None
        design = np.column_stack((flight[keep], np.ones(keep.sum())))
        (slope, offset), *_ = np.linalg.lstsq(design, target[keep], rcond=None)
    if np.ptp(flight[keep]) <= _LEAST_APART_S:
        return None
    groups = 1 + int(np.sum(np.diff(np.sort(flight[keep])) > APART_S))
    if groups < 3 and (good & ~keep).any():
        return None  # a line through two groups always fits, whatever is left out
    spread = float(np.sum((flight[keep] - flight[keep].mean()) ** 2))
    residual = target[keep] - (slope * flight[keep] + offset)
    sigma = max(math.sqrt(float(np.sum(residual**2)) / max(keep.sum() - 2, 1)), 8.5e-5)
    outliers = tuple(int(i) for i in np.nonzero(good & ~keep)[0])
    return UnitFit(-float(slope), sigma / math.sqrt(spread), float(offset), outliers)


def _theil_sen(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Median of the slopes of all pairs (Theil 1950, Sen 1968): a start value that tolerates a third of wild points."""
    i, j = np.triu_indices(len(x), 1)
    apart = np.abs(x[i] - x[j]) > _LEAST_APART_S
    if not apart.any():
        return 0.0, float(np.median(y))
    slope = float(np.median((y[i] - y[j])[apart] / (x[i] - x[j])[apart]))
    return slope, float(np.median(y - slope * x))
