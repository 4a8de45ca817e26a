"""Trims: what each channel needs so that all read the same, on the processor's grid and within its range."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class TrimPlan:
    """Trims for one common offset. Lists follow the order of the channels."""

    offset_db: float
    """Added to every channel's target: below zero, everything plays that much softer than the reference."""
    exact_db: tuple[float, ...]
    trim_db: tuple[float, ...]
    residual_db: tuple[float, ...]
    """Predicted level less its target, after rounding and clipping."""
    out_of_range: tuple[int, ...]
    """Channels that their range does not let reach the target."""


def to_grid(value: float, low: float, high: float, step: float) -> float:
    """The nearest value that the processor can hold: low + k·step within [low, high]; halves go toward zero trim."""
    steps = math.floor((high - low) / step + _SLACK)
    position = (value - low) / step
    down = math.floor(position)
    part = position - down
    up = part > 0.5 + _SLACK or (abs(part - 0.5) <= _SLACK and low + (down + 0.5) * step < 0)
    return low + min(max(down + up, 0), steps) * step + 0.0


def plan(
    levels_db: Sequence[float],
    targets_db: Sequence[float],
    old_trims_db: Sequence[float],
    low_db: float,
    high_db: float,
    step_db: float,
    offset_db: float = 0.0,
) -> TrimPlan:
    """Trims that bring levels to targets + offset: new trim = old trim + correction, rounded and clipped."""
    exact = [old + target + offset_db - level for level, target, old in _zip(levels_db, targets_db, old_trims_db)]
    trims = [to_grid(value, low_db, high_db, step_db) for value in exact]
    outside = [i for i, value in enumerate(exact) if not _reachable(value, low_db, high_db, step_db)]
    residuals = [trim - value for trim, value in zip(trims, exact, strict=True)]
    return TrimPlan(offset_db, tuple(exact), tuple(trims), tuple(residuals), tuple(outside))


def _reachable(value: float, low: float, high: float, step: float) -> bool:
    """Within half a step of the range: what rounding alone accounts for."""
    return low - step / 2 - _SLACK <= value <= high + step / 2 + _SLACK


def _zip(*columns: Sequence[float]) -> zip[tuple[float, ...]]:
    return zip(*columns, strict=True)


def best_common_offset(
    levels_db: Sequence[float],
    targets_db: Sequence[float],
    old_trims_db: Sequence[float],
    low_db: float,
    high_db: float,
    step_db: float,
) -> float:
    """The offset [dB] that brings most channels into range, the smallest such one; a multiple of the step.

    Channel i is within range for offsets in an interval; the interval ends are where the count changes, so that they
    and zero are all that must be tried.
    """
    exact = np.array([old + t - level for level, t, old in _zip(levels_db, targets_db, old_trims_db)])
    half = step_db / 2
    ends = np.concatenate(([0.0], low_db - half - exact, high_db + half - exact))
    candidates = sorted(
        {_toward(end, step_db, inwards) for end in ends for inwards in (math.floor, math.ceil)}, key=abs
    )
    counts = [sum(_reachable(value + offset, low_db, high_db, step_db) for value in exact) for offset in candidates]
    return candidates[int(np.argmax(counts))]  # argmax takes the first, and thereby the smallest offset


def _toward(value: float, step: float, rounding: object) -> float:
    return float(rounding(value / step + (-_SLACK if rounding is math.ceil else _SLACK)) * step) + 0.0  # type: ignore[operator]


def free_target_db(levels_db: Sequence[float], step_db: float) -> float:
    """The common target within a step of zero for which rounding costs least (root of the mean square) [dB].

    Rounding errors depend only on the fractional parts of level/step; the best target puts their mean on the grid, with
    the cut in a gap between two of them. Every gap is tried: n candidates, exact.
    """
    parts = np.sort(np.mod(np.asarray(levels_db, dtype=float) / step_db, 1.0))
    best, best_cost = 0.0, math.inf
    for cut in range(len(parts)):
        turned = np.concatenate((parts[cut:], parts[:cut] + 1.0))
        centre = float(turned.mean())
        cost = float(np.sum((turned - centre) ** 2))
        if cost < best_cost and np.all(np.abs(turned - centre) <= 0.5 + _SLACK):
            best, best_cost = centre, cost
    return (best % 1.0) * step_db
