"""The processor's settings and ranges for the subwoofers of a round, which bound the search."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from commission.dsp.bass_search import SearchBounds, SettingGrid
from commission.dsp.trims import to_grid
from commission.model import Analyses, DelayRange, FloatArray, Job, TrimRange
from commission.steps import distances
from commission.steps.bass.measurement import MeasuredBass
from commission.steps.shared.survey import delay_slope_s

DELAY_SPREAD_S = 0.015
"""Largest difference of delays between subwoofers: half a period of 33 Hz (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SearchSpace:
    """The processor's settings and ranges for the subwoofers of a round."""

    bounds: SearchBounds
    grid: SettingGrid
    slope_s: float
    """Delay for each unit of the setting [s]: below zero if distances are entered."""
    old_trims_db: tuple[float | None, ...]
    old_settings: tuple[float | None, ...]
    mains_moved_s: float
    """Additional delay of the main channels with the settings of Distances, from this round (median)."""


def search_space(job: Job, measured: MeasuredBass, analyses: Analyses) -> SearchSpace:
    """Ranges and steps as changes from the processor's settings in that round."""
    processor, subs = job.system.processor, measured.subs
    slope = delay_slope_s(job)
    settings = [job.setting(measured.round, sub) for sub in subs]
    trims = tuple(s.trim_db for s in settings)
    entered = tuple(s.distance for s in settings)
    old = np.array([math.nan if v is None else v for v in entered])
    ends = np.array([(processor.delay.min - old) * slope, (processor.delay.max - old) * slope])
    # A setting that is not noted may have any value: only the spread limits it.
    low = np.where(np.isfinite(old), ends.min(axis=0), -2 * DELAY_SPREAD_S)
    high = np.where(np.isfinite(old), ends.max(axis=0), 2 * DELAY_SPREAD_S)
    middle = min(max(0.0, float(low.max())), float(high.min())) if low.max() <= high.min() else 0.0
    low, high = np.maximum(low, middle - DELAY_SPREAD_S), np.minimum(high, middle + DELAY_SPREAD_S)
    trim = np.array([0.0 if v is None else v for v in trims])
    on_grid = [0.0 if v is None else nearest_setting(v, processor.trim_db) - v for v in trims]
    delay_origin = [0.0 if v is None else (nearest_setting(v, processor.delay) - v) * slope for v in entered]
    return SearchSpace(
        bounds=SearchBounds(
            delay_low_s=np.minimum(low, high),
            delay_high_s=np.maximum(low, high),
            gain_low_db=processor.trim_db.min - trim,
            gain_high_db=processor.trim_db.max - trim,
        ),
        grid=SettingGrid(
            gain_origin_db=np.array(on_grid),
            gain_step_db=processor.trim_db.step,
            delay_origin_s=np.array(delay_origin),
            delay_step_s=abs(processor.delay.step * slope),
        ),
        slope_s=slope,
        old_trims_db=trims,
        old_settings=entered,
        mains_moved_s=_mains_moved_s(job, measured.round, analyses, slope),
    )


def nearest_setting(value: float, limits: TrimRange | DelayRange) -> float:
    """The nearest step of the processor within its range."""
    return to_grid(value, limits.min, limits.max, limits.step)


def _mains_moved_s(job: Job, round_id: str, analyses: Analyses, slope_s: float) -> float:
    found = distances.solve(job, round_id, analyses).channels.values()
    moved = [
        (each.setting.setting - each.held) * slope_s
        for each in found
        if not each.channel.is_sub and each.held is not None
    ]
    return float(np.median(moved)) if moved else 0.0


def whole_steps(value: float, step: float) -> float:
    """The multiple of a step nearest to a value."""
    return round(value / step) * step


STEP_ROUNDING = 0.01
"""Part of a step by which a stored setting may differ from it: a delay in feet is not a whole number of 0.1 µs."""


def shifted_into(values: FloatArray, low: FloatArray, high: FloatArray, step: float) -> FloatArray:
    """Values shifted together by whole steps into their ranges, if possible."""
    over, under = (math.ceil(float(off.max()) / step - STEP_ROUNDING) for off in (values - high, low - values))
    return values - over * step if over > 0 else values + max(under, 0) * step
