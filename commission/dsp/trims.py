"""Trims that make all channels read the same, on the processor's grid and within its range."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class TrimPlan:
    """Trims for one common offset. Lists follow the order of the channels."""

    offset_db: float
    """Offset added to every channel's target: below zero, everything plays softer than the reference by this."""
    exact_db: tuple[float, ...]
    trim_db: tuple[float, ...]
    residual_db: tuple[float, ...]
    """Predicted level minus its target, after rounding and clipping."""
    out_of_range: tuple[int, ...]
    """Channels that cannot reach the target within their range."""

    @property
    def rms_db(self) -> float:
        """Root mean square of the rounding errors over the channels within range; 0 if there is none."""
        within = [r for i, r in enumerate(self.residual_db) if i not in self.out_of_range]
        return math.sqrt(sum(r * r for r in within) / len(within)) if within else 0.0


def to_grid(value: float, low: float, high: float, step: float) -> float:
    """The nearest value that the processor can be set to: low + k·step within [low, high]; halves go toward zero trim."""
    steps = math.floor((high - low) / step + _SLACK)
    position = (value - low) / step
    down = math.floor(position)
    part = position - down
    up = part > 0.5 + _SLACK or (abs(part - 0.5) <= _SLACK and low + (down + 0.5) * step < 0)
    return round(low + min(max(down + up, 0), steps) * step, 9) + 0.0  # + 0.0: never −0


def grid_decimals(step: float, least: int = 0) -> int:
    """Decimals that show every value of a grid, at least `least` and at most 4: 0.5 → 1, 0.25 → 2, 0.03 → 2."""
    exact = (d for d in range(least, 5) if abs(step * 10**d - round(step * 10**d)) < 1e-6)
    return next(exact, 4)


def exact_trims_db(
    levels_db: Sequence[float], targets_db: Sequence[float], old_trims_db: Sequence[float]
) -> tuple[float, ...]:
    """New trim = old trim + correction, the correction being target − level; without grid and range."""
    return tuple(old + target - level for level, target, old in zip(levels_db, targets_db, old_trims_db, strict=True))


def plan(
    levels_db: Sequence[float],
    targets_db: Sequence[float],
    old_trims_db: Sequence[float],
    low_db: float,
    high_db: float,
    step_db: float,
    offset_db: float = 0.0,
) -> TrimPlan:
    """Trims that bring levels to targets + offset: new trim = old trim + correction, rounded and clipped.

    A trim keeps its present value unless another step of the grid comes nearer.
    """
    exact = tuple(value + offset_db for value in exact_trims_db(levels_db, targets_db, old_trims_db))
    trims = tuple(
        _nearest(value, old, low_db, high_db, step_db) for value, old in zip(exact, old_trims_db, strict=True)
    )
    outside = tuple(i for i, value in enumerate(exact) if not reachable(value, low_db, high_db, step_db))
    residuals = tuple(trim - value for trim, value in zip(trims, exact, strict=True))
    return TrimPlan(offset_db, exact, trims, residuals, outside)


def _nearest(value: float, old: float, low: float, high: float, step: float) -> float:
    new = to_grid(value, low, high, step)
    on_grid = abs(to_grid(old, low, high, step) - old) <= _SLACK
    return old + 0.0 if on_grid and abs(old - value) <= abs(new - value) + _SLACK else new


def reachable(value: float, low: float, high: float, step: float) -> bool:
    """Whether an exact trim is within half a step of a possible setting: the remainder is then rounding alone."""
    top = to_grid(high, low, high, step)
    return low - step / 2 - _SLACK <= value <= top + step / 2 + _SLACK


def feasible_offsets_db(exact_db: Sequence[float], low_db: float, high_db: float) -> tuple[float, float] | None:
    """The common offsets that keep every exact trim within the range: [low − min, high − max]; None if there is none.

    With T the common target and m the levels at zero trim: T in [max m + low, min m + high].
    """
    lowest, highest = low_db - min(exact_db), high_db - max(exact_db)
    return (lowest, highest) if lowest <= highest + _SLACK else None


def best_common_offset(exact_db: Sequence[float], low_db: float, high_db: float, step_db: float) -> float:
    """The offset [dB] that brings most channels into range, the smallest such one; a multiple of the step.

    Channel i is within range for offsets in an interval. The count changes only at ends of intervals, so only these and
    zero must be tried.
    """
    half, top = step_db / 2, to_grid(high_db, low_db, high_db, step_db)
    ends = [0.0, *(low_db - half - e for e in exact_db), *(top + half - e for e in exact_db)]
    steps = {math.floor(end / step_db + _SLACK) for end in ends} | {math.ceil(end / step_db - _SLACK) for end in ends}
    candidates = [k * step_db + 0.0 for k in sorted(steps, key=lambda k: (abs(k), k))]  # nearest first, softer first
    counts = [sum(reachable(e + offset, low_db, high_db, step_db) for e in exact_db) for offset in candidates]
    return candidates[counts.index(max(counts))]


def free_offset_db(exact_db: Sequence[float], low_db: float, high_db: float, step_db: float) -> float | None:
    """The offset with the least root mean square of rounding errors, for a free common target [dB].

    Rounding depends only on where the exact trims are between two steps of the grid. On this circle, the mean of the
    positions, counted from a cut in one of the gaps between them, is placed on the grid. The best cut is most often in
    the largest gap, but every gap and both ends of the feasible interval are tried, which is exact. Of equal offsets
    the nearest to zero is taken. None if no offset brings all channels into range.
    """
    interval = feasible_offsets_db(exact_db, low_db, high_db)
    if interval is None:
        return None
    best, best_cost = 0.0, math.inf
    for offset in sorted(_free_candidates(exact_db, low_db, step_db, interval), key=abs):
        cost = sum((to_grid(e + offset, low_db, high_db, step_db) - e - offset) ** 2 for e in exact_db)
        if cost < best_cost - _SLACK:
            best, best_cost = offset, cost
    return best


def _free_candidates(
    exact_db: Sequence[float], low_db: float, step_db: float, interval: tuple[float, float]
) -> Iterator[float]:
    """Both ends of the interval, and for each cut the offset within it nearest to zero."""
    lowest, highest = interval
    yield lowest
    yield highest
    parts = np.sort(np.mod((np.asarray(exact_db, dtype=float) - low_db) / step_db, 1.0))
    for cut in range(len(parts)):
        centre = float(np.concatenate((parts[cut:], parts[:cut] + 1.0)).mean())
        nearest_zero = min(max(0.0, lowest), highest) / step_db + centre
        for turns in (math.floor(nearest_zero), math.ceil(nearest_zero)):
            offset = (turns - centre) * step_db
            if lowest - _SLACK <= offset <= highest + _SLACK:
                yield offset
