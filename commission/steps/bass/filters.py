"""Parametric filters for the subwoofers: whether they are wanted, and which."""

from __future__ import annotations

from commission.dsp.bass_filters import find_filters
from commission.dsp.bass_sum import SubSettings
from commission.dsp.modes import schroeder_hz
from commission.model import Filter, FilterRanges, Job
from commission.steps.bass.measurement import MeasuredBass
from commission.steps.bass.memory import once, search_numbers
from commission.steps.bass.search_space import SearchSpace

FILTERS_KEY = "filters"
"""Key of the decision whether filters are proposed."""

TRANSITION_HZ = 80.0
"""Transition frequency of a room whose size is not entered."""


def offers_filters(job: Job) -> bool:
    """Whether the processor has parametric filters."""
    return bool(job.system.processor.parametric_bands)


def filters_wanted(job: Job, round_id: str) -> bool:
    """Whether filters are proposed: by decision; without one, if their ranges are entered."""
    decided = job.decisions.get((round_id, "bass", FILTERS_KEY))
    wanted = job.system.processor.filters is not None if decided is None else decided == "yes"
    return wanted and offers_filters(job)


def transition_hz(job: Job) -> float:
    """Frequency below which single modes dominate: Schroeder's frequency with T = 0.25·∛(V/100) s (ITU-R BS.1116, from
    memory).
    """
    room = job.system.room
    if room is None:
        return TRANSITION_HZ
    volume_m3 = room.length_m * room.width_m * room.height_m
    return schroeder_hz(volume_m3, 0.25 * (volume_m3 / 100) ** (1 / 3))


def proposed_filters(
    job: Job, measured: MeasuredBass, space: SearchSpace, settings: SubSettings
) -> tuple[tuple[Filter, ...], ...]:
    """The filters to add to each subwoofer for some settings; empty if none are wanted."""
    room = measured.room
    if not filters_wanted(job, measured.round):
        return ((),) * room.subs
    ranges, bands = job.system.processor.filters or FilterRanges(), job.system.processor.parametric_bands or 0
    free = tuple(max(bands - len(job.setting(measured.round, sub).filters or ()), 0) for sub in measured.subs)
    corners = [c.high_pass_hz for c in job.system.channels if c.role == "screen" and c.high_pass_hz is not None]
    top_hz = min([transition_hz(job), *corners])  # above their crossover the subwoofers fade out
    own = (settings.gain_db.tobytes(), settings.delay_s.tobytes(), settings.polarity.tobytes())
    return once(
        (*search_numbers(room, space), *own, ranges, free, top_hz),
        lambda: find_filters(room, settings, ranges, free, top_hz),
    )
