"""Result of some subwoofer settings at every seat."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from commission.dsp.bass_search import PRICE_DB2_PER_DB, Figures, figures
from commission.dsp.bass_sum import SubSettings, sum_levels_db, target_variance_db2
from commission.model import Filter, FilterWidth, FloatArray, Job, freeze
from commission.steps.bass.measurement import MeasuredBass


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Version:
    """One set of subwoofer settings, with its result at every seat."""

    name: str
    settings: SubSettings
    filters: tuple[tuple[Filter, ...], ...]
    """Filters added to each subwoofer."""
    figures: Figures
    levels_db: FloatArray
    """Levels of the sum at every seat [shape=(seats, n)]."""
    deviation_db: tuple[float, ...]
    """Each seat's mean deviation from the mean of the seats."""
    shape_db: float
    """Standard deviation over frequency of the seats' mean level, minus the target if there is one."""

    @property
    def sd_db(self) -> float:
        """Seat-to-seat standard deviation."""
        return self.figures.sd_db


def version(
    measured: MeasuredBass,
    name: str,
    settings: SubSettings,
    price: float = PRICE_DB2_PER_DB,
    filters: tuple[tuple[Filter, ...], ...] | None = None,
) -> Version:
    """Version for some settings; `measured` already includes `filters`."""
    room = measured.room
    heard = sum_levels_db(room, settings)
    mean = room.seat_share @ heard
    target = np.zeros(len(mean)) if room.target_db is None else room.target_db
    return Version(
        name=name,
        settings=settings,
        filters=filters or ((),) * room.subs,
        figures=figures(room, settings, price),
        levels_db=freeze(heard),
        deviation_db=tuple(float(v) for v in (heard - mean) @ room.freq_share),
        shape_db=math.sqrt(float(target_variance_db2(mean, target, room.freq_share))),
    )


def filter_width(job: Job) -> FilterWidth:
    """The processor's definition of filter width."""
    ranges = job.system.processor.filters
    return "q" if ranges is None else ranges.width
