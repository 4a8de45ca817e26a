"""The point where a decay meets the noise, and its slope until then, for many decays at once.

A. Lundeby, T. E. Vigran, H. Bietz, M. Vorländer, "Uncertainties of measurements in room acoustics", Acustica 81 (1995)
344–355: average over short intervals, fit the decay above the noise, find the crosspoint of both, choose the interval
by the slope, estimate the noise well behind the crosspoint, fit again; five rounds are enough. The energy lost beyond
the crosspoint is replaced by that of the fitted line (ISO 3382-1:2009 clause 5.3.3, from memory), and the noise before
it is subtracted (M. Guski, M. Vorländer, "Comparison of noise compensation methods for room acoustic impulse response
evaluations", Acta Acustica 100 (2014) 320–327: least error of five methods; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from commission.model import FloatArray

_ROUNDS = 5
_PER_10_DB = 5
"""Intervals for each 10 dB of decay (Lundeby: 3 to 10)."""
_ABOVE_NOISE_DB = 8.0
"""The fit stops this far above the noise (Lundeby: 5 to 10 dB)."""
_SPAN_DB = 20.0
"""Range of the decay used for the second fit (Lundeby: 10 to 20 dB)."""
_BEHIND_DB = 10.0
"""The noise is estimated from where the decay would have fallen this far below it (Lundeby: 5 to 10 dB)."""
_TAIL_SHARE = 0.1
"""At least this last part counts as noise (Lundeby: 10 %)."""
_TINY = 1e-30


@dataclass(frozen=True, slots=True, eq=False)
class LateDecay:
    """Decays and their ends, one row each [shape=(rows,) each]."""

    cross: NDArray[np.intp]
    """Grid index at which the decay meets the noise, or the response ends earlier; 0 if none was found."""
    slope_db_s: FloatArray
    """Below zero; NaN if no decay was found."""
    noise_power: FloatArray
    """Mean square of the noise; zero if the response ends while it still decays."""
    rest: FloatArray
    """Energy beyond the crosspoint that belongs to the decay: P·T/(6·ln 10) of the fitted line."""


def late_decay(
    sums: FloatArray,
    step_s: float,
    interval_s: FloatArray,
    counts: NDArray[np.intp] | None = None,
) -> LateDecay:
    """Find the end of decays from running energies on a grid [shape=(rows, g + 1)].

    `interval_s` [shape=(rows,)]: first averaging interval. The noise is estimated from the end of the response. `counts`
    [shape=(rows,)]: grid steps until each response ends, by default all; rows are then independent of each other.
    """
    count = np.full(len(sums), sums.shape[1] - 1, dtype=np.intp) if counts is None else counts
    start = np.round((1 - _TAIL_SHARE) * count).astype(np.intp)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        noise = _mean_power(sums, start, count, step_s)
        longest = np.maximum(1, count // 10)
        steps = np.clip(np.round(interval_s / step_s), 1, longest).astype(np.intp)
        slope, offset = _fit(sums, count, step_s, steps, noise, None)
        for _ in range(_ROUNDS):
            good = slope < 0
            wanted = np.where(good, 10.0 / np.maximum(-slope, 1e-3) / _PER_10_DB / step_s, steps)
            steps = np.clip(np.round(wanted), 1, longest).astype(np.intp)
            behind = (_db(noise) - offset - _BEHIND_DB) / slope / step_s
            start = np.where(good, np.clip(behind, 0, (1 - _TAIL_SHARE) * count), start).astype(np.intp)
            noise = _mean_power(sums, start, count, step_s)
            slope, offset = _better(_fit(sums, count, step_s, steps, noise, _SPAN_DB), (slope, offset))
        falls = _still_falling(sums, start, count, slope, step_s)
        noise = np.where(falls, 0.0, noise)
        met = np.where(falls, np.inf, (_db(noise) - offset) / slope / step_s)
        good = (slope < 0) & (met > 0)
        cross = np.where(good, np.clip(np.round(met), 0, count), 0).astype(np.intp)
        level = 10 ** ((offset + slope * cross * step_s) / 10)
        rest = np.where(good, level * (60.0 / -slope) / (6 * math.log(10)), 0.0)
    return LateDecay(cross, np.where(good, slope, np.nan), noise, rest)


def _db(power: FloatArray) -> FloatArray:
    return np.asarray(10 * np.log10(np.maximum(power, _TINY)))


def _mean_power(sums: FloatArray, start: NDArray[np.intp], stop: NDArray[np.intp], step_s: float) -> FloatArray:
    rows = np.arange(len(sums))
    return np.asarray((sums[rows, stop] - sums[rows, start]) / (np.maximum(stop - start, 1) * step_s))


def _fit(
    sums: FloatArray,
    count: NDArray[np.intp],
    step_s: float,
    steps: NDArray[np.intp],
    noise: FloatArray,
    span_db: float | None,
) -> tuple[FloatArray, FloatArray]:
    """Line through interval levels from the largest (or `span_db` above the end) down to above the noise."""
    edges = np.arange(int((count // steps).max()) + 1) * steps[:, None]
    whole = edges[:, 1:] <= count[:, None]
    energy = np.diff(np.take_along_axis(sums, np.minimum(edges, count[:, None]), axis=1), axis=1)
    level = np.where(whole, _db(energy / (steps[:, None] * step_s)), -np.inf)
    time_s = (edges[:, 1:] - 0.5 * steps[:, None]) * step_s
    place = np.arange(level.shape[1])
    first = np.argmax(level, axis=1)[:, None]
    low = _db(noise)[:, None] + _ABOVE_NOISE_DB
    last = _first(place >= first, level < low)[:, None]
    if span_db is not None:
        first = np.minimum(_first(place >= first, level < low + span_db)[:, None], last - 1)
    return line(time_s, level, whole & (place >= first) & (place < last))


def _first(allowed: NDArray[np.bool_], wanted: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Index of the first position where both hold; the number of positions if there is none."""
    both = allowed & wanted
    return np.asarray(np.where(both.any(axis=1), both.argmax(axis=1), both.shape[1]), dtype=np.intp)


def line(x: FloatArray, y: FloatArray, mask: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Slope and offset of the least-squares line of each row where `mask` holds; NaN with fewer than three points."""
    slope, offset, _ = line_with_fit(x, y, mask)
    return slope, offset


def line_with_fit(x: FloatArray, y: FloatArray, mask: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slope, offset and squared correlation r² of the least-squares line of each row [shape=(rows,) each]."""
    number = mask.sum(axis=1)
    values = np.where(mask, y, 0.0)
    places = np.where(mask, x, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_x, mean_y = places.sum(axis=1) / number, values.sum(axis=1) / number
        dx = np.where(mask, x - mean_x[:, None], 0.0)
        dy = np.where(mask, values - mean_y[:, None], 0.0)
        sxx, sxy, syy = (dx * dx).sum(axis=1), (dx * dy).sum(axis=1), (dy * dy).sum(axis=1)
        slope = np.where(number >= 3, sxy / sxx, np.nan)
        return slope, mean_y - slope * mean_x, np.where(number >= 3, sxy**2 / (sxx * syy), np.nan)


def _better(new: tuple[FloatArray, FloatArray], old: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, FloatArray]:
    """The new fit if it falls, else the old one."""
    falls = new[0] < 0
    return np.where(falls, new[0], old[0]), np.where(falls, new[1], old[1])


def _still_falling(
    sums: FloatArray, start: NDArray[np.intp], count: NDArray[np.intp], slope: FloatArray, step_s: float
) -> NDArray[np.bool_]:
    """Whether the part assumed to be noise goes on falling, by more than half as much as the decay would.

    Compares the halves of the stretch: noise keeps its level, a decay falls by slope times half the stretch.
    """
    middle = (start + count) // 2
    fall_db = _db(_mean_power(sums, start, middle, step_s)) - _db(_mean_power(sums, middle, count, step_s))
    expected_db = -slope * (count - start) / 2 * step_s
    return np.asarray((slope < 0) & (fall_db > expected_db / 2))
