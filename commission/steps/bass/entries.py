"""Processor entries for given settings of the subwoofers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from commission.dsp.analysis import BASS_HZ
from commission.dsp.bass_sum import SubSettings, unchanged
from commission.model import Channel, DelayRange, Filter, Job, TrimRange
from commission.steps.bass.measurement import MeasuredBass
from commission.steps.bass.search_space import SearchSpace, nearest_setting, shifted_into, whole_steps
from commission.steps.levels.result import by_seat, target_db
from commission.steps.shared.sub_sum import sub_level_db, sum_readings, targets_sum


@dataclass(frozen=True, slots=True, kw_only=True)
class SubProposal:
    """Proposal for one subwoofer: changes from the measured round, and the values to enter."""

    channel: Channel
    gain_db: float
    delay_s: float
    polarity: int
    """1 keeps the present polarity, −1 inverts it."""
    old_trim_db: float | None
    old_setting: float | None
    old_polarity: str
    trim_db: float | None
    setting: float | None
    new_polarity: str
    filters: tuple[Filter, ...] = ()
    """Filters to add to the existing ones."""
    old_filters: tuple[Filter, ...] = ()

    @property
    def new_filters(self) -> tuple[Filter, ...]:
        """All filters that the processor must have."""
        return (*self.old_filters, *self.filters)


def proposals(
    job: Job,
    measured: MeasuredBass,
    space: SearchSpace,
    settings: SubSettings,
    filters: tuple[tuple[Filter, ...], ...],
) -> dict[str, SubProposal]:
    """Entries for given settings of the subwoofers and additional filters in each."""
    delay = job.system.processor.delay
    is_change = not same_settings(settings, unchanged(measured.room.subs))
    moved = whole_steps(space.mains_moved_s / space.slope_s, delay.step) if is_change else 0.0
    wanted = [
        None if setting is None else setting + float(settings.delay_s[i]) / space.slope_s + moved
        for i, setting in enumerate(space.old_settings)
    ]
    known = np.array([v for v in wanted if v is not None])
    extra = 0.0
    if len(known) and is_change:
        extra = float(
            shifted_into(known, np.full(len(known), delay.min), np.full(len(known), delay.max), delay.step)[0]
            - known[0]
        )
    louder_db = _in_range(louder_db_of(job, measured, settings, filters), space, settings, job) if is_change else 0.0
    out = {}
    for i, sub in enumerate(measured.subs):
        channel = job.system.channel(sub)
        assert channel is not None
        old, old_setting = space.old_trims_db[i], space.old_settings[i]
        polarity = job.setting(measured.round, sub).polarity or "normal"
        turned = {"normal": "reversed", "reversed": "normal"}[polarity]
        value = wanted[i]
        out[sub] = SubProposal(
            channel=channel,
            gain_db=float(settings.gain_db[i]),
            delay_s=float(settings.delay_s[i]),
            polarity=int(settings.polarity[i]),
            old_trim_db=old,
            old_setting=old_setting,
            old_polarity=polarity,
            trim_db=None
            if old is None
            else _near(old + float(settings.gain_db[i]) + louder_db, job.system.processor.trim_db, is_change),
            setting=None if value is None else _near(value + extra, delay, is_change),
            new_polarity=turned if settings.polarity[i] < 0 else polarity,
            filters=filters[i],
            old_filters=job.setting(measured.round, sub).filters or (),
        )
    return out


def louder_db_of(
    job: Job, measured: MeasuredBass, settings: SubSettings, filters: tuple[tuple[Filter, ...], ...]
) -> float:
    """Additional change of all trims so that the subwoofers with these settings read the reference together [dB].

    0 if they are not meant to, or if not each of them was read alone in that round.
    """
    reference, subs = job.system.reference_seat, measured.subs
    if not targets_sum(job) or reference is None or reference.id not in measured.seats or len(subs) < 2:
        return 0.0
    read = {c: value for (c, seat), (value, _) in by_seat(job, measured.round).items() if seat == reference.id}
    channel = job.system.channel(subs[0])
    if channel is None or not all(sub in read for sub in subs):
        return 0.0
    at, ranges = measured.seats.index(reference.id), job.system.processor.filters
    own = measured.full[:, at]
    new = measured.through(filters, "q" if ranges is None else ranges.width).full[:, at] * settings.factors(BASS_HZ)
    now_db = float(np.mean([read[sub] - sub_level_db(each) for sub, each in zip(subs, own, strict=True)]))
    if at_once := sum_readings(job, measured.round):
        now_db = float(np.mean(at_once)) - sub_level_db(own.sum(axis=0))
    return target_db(job, channel) - now_db - sub_level_db(new.sum(axis=0))


def _in_range(louder_db: float, space: SearchSpace, settings: SubSettings, job: Job) -> float:
    """The part of it that the range of the trims permits for all of them."""
    trim = job.system.processor.trim_db
    new = [old + gain for old, gain in zip(space.old_trims_db, settings.gain_db, strict=True) if old is not None]
    return float(np.clip(louder_db, trim.min - min(new), trim.max - max(new))) if new else 0.0


def _near(value: float, limits: TrimRange | DelayRange, on_grid: bool) -> float:
    return nearest_setting(value, limits) if on_grid else value


def same_settings(one: SubSettings, other: SubSettings) -> bool:
    """Whether two settings are equal."""
    return all(np.array_equal(getattr(one, n), getattr(other, n)) for n in SubSettings.__slots__)
