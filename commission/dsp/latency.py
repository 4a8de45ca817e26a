"""Arrivals against distances: the common latency, outliers, a wrong unit, swapped loudspeakers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from commission.dsp.assignment import Prices
from commission.model import FloatArray, freeze

SWAP_Z = 4.0
"""Declare a loudspeaker in another's place from here; wrong assignments stayed at or below 3.4 (own simulations)."""
UNIT_SD = 0.02
"""Accept a unit factor only when its standard deviation is at most this (own simulations)."""

NO_DELAYS, WRONG_SIGN = "no delays are applied", "the delays have the wrong sign"


@dataclass(frozen=True, slots=True, eq=False)
class LatencyFit:
    """t_i = τ + d_i/c + a_i: what is common to all channels, and what each has left over."""

    latency_s: float
    residual_s: FloatArray
    """Arrival less common latency, flight and applied delay, NaN where unknown. [shape=(n,)]"""


def common_latency(
    arrivals_s: FloatArray,
    distances_m: FloatArray,
    applied_s: FloatArray,
    speed_m_s: float,
    among: NDArray[np.bool_] | None = None,
) -> LatencyFit | None:
    """The latency τ common to all channels, as the median of arrival less flight and applied delay.

    Up to half of the channels may be wrong without moving it far. `among` says which channels may speak (subwoofers have
    latencies of their own). None with fewer than three of them. [shape=(n,) each, NaN where unknown]
    """
    travel = np.asarray(arrivals_s - distances_m / speed_m_s - applied_s)
    voices = np.isfinite(travel) if among is None else np.isfinite(travel) & among
    if voices.sum() < 3:
        return None
    latency = float(np.median(travel[voices]))
    return LatencyFit(latency, freeze(travel - latency))


@dataclass(frozen=True, slots=True)
class UnitFit:
    """t_i = τ + d_i/c − k·d_i,ref/c, fitted robustly: what the processor does with the distances it was told."""

    factor: float
    sd: float
    latency_s: float
    outliers: tuple[int, ...]

    @property
    def meaning(self) -> str | None:
        """What k says, or None where it says nothing definite."""
        if self.sd > UNIT_SD:
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
    """Fit k by least squares, leaving out channels that do not fit (a late subwoofer, a swap).

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
    spread = float(np.sum((flight[keep] - flight[keep].mean()) ** 2))
    if spread <= 0:
        return None
    residual = target[keep] - (slope * flight[keep] + offset)
    sigma = max(math.sqrt(float(np.sum(residual**2)) / max(keep.sum() - 2, 1)), 8.5e-5)
    outliers = tuple(int(i) for i in np.nonzero(good & ~keep)[0])
    return UnitFit(-float(slope), sigma / math.sqrt(spread), float(offset), outliers)


def _theil_sen(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Median of the slopes of all pairs (Theil 1950, Sen 1968): a start that a third of wild points cannot spoil."""
    i, j = np.triu_indices(len(x), 1)
    apart = np.abs(x[i] - x[j]) > 1e-5
    if not apart.any():
        return 0.0, float(np.median(y))
    slope = float(np.median((y[i] - y[j])[apart] / (x[i] - x[j])[apart]))
    return slope, float(np.median(y - slope * x))


@dataclass(frozen=True, slots=True)
class Assignment:
    """Which loudspeaker's place each channel sounds from."""

    place: tuple[int, ...]
    """Index of the place for each channel; its own where nothing speaks against it."""
    confidence: tuple[float, ...]
    """z of each assignment: how much worse (in standard deviations) its best alternative fits."""

    def swapped(self) -> tuple[int, ...]:
        """Channels that sound from another's place with z ≥ 4."""
        return tuple(
            i for i, (p, z) in enumerate(zip(self.place, self.confidence, strict=True)) if p != i and z >= SWAP_Z
        )


def assign_places(arrivals_s: FloatArray, flights_s: FloatArray, sigma_s: float = 1.5e-4) -> Assignment | None:
    """Match channels to places by their arrivals over the seats.

    `arrivals_s` [shape=(channels, seats)], NaN where missing; `flights_s` [shape=(places, seats)]: distance over speed.
    Each channel's mean over its seats is removed on both sides, so that neither a wrong delay setting nor a latency
    hides or feigns a swap; what remains is the pattern over the seats. `sigma_s`: standard deviation of one arrival
    against a surveyed place (5 cm of survey error). None with fewer than two seats or two channels.
    """
    channels, seats = arrivals_s.shape
    if channels < 2 or seats < 2:
        return None
    cost = np.zeros((channels, len(flights_s)))
    for i, heard in enumerate(arrivals_s):
        good = np.isfinite(heard)
        if good.sum() < 2:
            continue  # no pattern: any place fits, which never moves another channel
        pattern = heard[good] - heard[good].mean()
        expected = flights_s[:, good] - flights_s[:, good].mean(axis=1, keepdims=True)
        # Bounded per seat, so that one reflection taken for the direct sound does not outweigh all other seats.
        cost[i] = np.minimum((pattern - expected) ** 2, (8 * sigma_s) ** 2).sum(axis=1)
    prices = Prices(cost + _own_place_first(cost))
    rows, columns = np.arange(channels), prices.columns
    best = float(cost[rows, columns].sum())
    confidence = []
    for i in range(channels):
        other = prices.without(i)
        rise = 0.0 if other is None else float(cost[rows, other].sum()) - best
        confidence.append(math.sqrt(max(rise, 0.0)) / sigma_s)
    return Assignment(columns, tuple(confidence))


def on_one_clock(arrivals_s: FloatArray, flights_s: FloatArray, clocks: Sequence[str | None]) -> FloatArray:
    """Arrivals of seats measured on different clocks, as if on one [shape=(channels, seats)].

    A clock shifts all arrivals of its seats alike, a delay setting those of a channel: both are found as medians in turn
    (median polish, Tukey 1977), so that a swapped pair among many channels does not matter. `flights_s` [same shape] are
    the flights from each channel's own place. Clocks with fewer than three channels, and seats without one, give NaN.
    """
    arrivals = np.array(arrivals_s, dtype=float)
    shifts = {clock: [i for i, each in enumerate(clocks) if each == clock] for clock in clocks if clock is not None}
    arrivals[:, [i for i, clock in enumerate(clocks) if clock is None]] = np.nan
    if len(shifts) < 2:
        return arrivals
    for seats in shifts.values():
        if np.isfinite(arrivals[:, seats]).any(axis=1).sum() < 3:
            arrivals[:, seats] = np.nan
    for _ in range(4):
        left = arrivals - flights_s
        heard = np.isfinite(left).any(axis=1)
        own = np.full(len(left), np.nan)
        own[heard] = np.nanmedian(left[heard], axis=1)
        for seats in shifts.values():
            rest = (left - own[:, None])[:, seats]
            if np.isfinite(rest).any():
                arrivals[:, seats] -= np.nanmedian(rest)
    return arrivals


def _own_place_first(cost: FloatArray) -> FloatArray:
    """A push of no consequence toward the own place, which settles exact ties (two loudspeakers on one spot)."""
    push = np.full(cost.shape, 1e-12)
    np.fill_diagonal(push, 0.0)
    return push
