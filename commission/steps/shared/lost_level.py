"""Channels that a meter reads far lower than the others, or than at the earlier visit with the same trims.

A trim does not wear out: if half of the sound is lost since last time, a driver, a cable or an amplifier is at fault, and
a new trim would hide it. Change = level now − level then − change of the trim − median change of the main channels
(volume, meter).
"""

from __future__ import annotations

from statistics import fmean, median

from commission.model import Job
from commission.model.verdict import surely_below

LOST_DB = -6.0
"""Least change that cannot be a drift of settings (common practice, no source)."""
LOST_U_DB = 1.0
"""Standard uncertainty of a change between two readings of a hand-held meter, each 0.7 dB (common practice, no source)."""
LEAST_MAINS = 3
SILENT_READING_DB = -26.0
"""A channel that reads this much below the others is silent: the meter reads the room, or another loudspeaker. No range
of trims is that wide on one side (common practice, no source)."""
READING_U_DB = 1.0
"""Standard uncertainty of the difference between two channels' readings by hand (common practice, no source)."""


def silent_readings_db(job: Job, round_id: str) -> dict[str, float]:
    """Channel → its reading relative to the median of the others at the same seat [dB], for those surely silent.

    Empty with fewer than three other channels read there.
    """
    silent = {}
    for seat, own in _readings_db(job, round_id).items():
        for channel, value in own.items():
            others = [other for c, other in own.items() if c != channel]
            if len(others) < LEAST_MAINS:
                continue
            below = value - median(others)
            if surely_below(below, SILENT_READING_DB, READING_U_DB):
                silent[channel, seat] = below
    return {channel: max(v for (c, _), v in silent.items() if c == channel) for channel, _ in silent}


def _readings_db(job: Job, round_id: str) -> dict[str | None, dict[str, float]]:
    """Seat → channel → mean of its readings of a round [dB]."""
    reference = job.system.reference_seat.id if job.system.reference_seat is not None else None
    now: dict[str | None, dict[str, list[float]]] = {}
    for reading in job.readings_of(round_id, "levels"):
        body = reading.body
        if body.quantity == "level" and body.channel is not None:
            now.setdefault(body.seat or reference, {}).setdefault(body.channel, []).append(body.value)
    return {seat: {channel: fmean(values) for channel, values in own.items()} for seat, own in now.items()}


def lost_levels_db(job: Job, round_id: str) -> dict[str, float]:
    """Channel → loss of level since the earlier visit [dB, negative], for those beyond doubt.

    Empty on a first visit, with fewer than three main channels read at both, and where a trim is unknown.
    """
    changes = level_changes_db(job, round_id)
    return {c: change for c, change in changes.items() if surely_below(change, LOST_DB, LOST_U_DB)}


def level_changes_db(job: Job, round_id: str) -> dict[str, float]:
    """Channel → change of its level since the earlier visit beyond trims and volume [dB], mean over the common seats."""
    if job.earlier is None:
        return {}
    reference = job.system.reference_seat.id if job.system.reference_seat is not None else None
    then = {(f.channel, f.seat or reference): f.value for f in job.earlier.figures if f.quantity == "level_db"}
    trims = {f.channel: f.value for f in job.earlier.figures if f.quantity == "trim_db"}
    changes: dict[str, list[float]] = {}
    for seat, own in _readings_db(job, round_id).items():
        for channel, value in own.items():
            trim = job.setting_until(round_id, channel).trim_db
            if (channel, seat) in then and trim is not None and channel in trims:
                apart = value - then[(channel, seat)] - (trim - trims[channel])
                changes.setdefault(channel, []).append(apart)
    mains = [fmean(changes[c.id]) for c in job.system.channels if c.id in changes and not c.is_sub]
    if len(mains) < LEAST_MAINS:
        return {}
    return {channel: fmean(own) - median(mains) for channel, own in changes.items()}
