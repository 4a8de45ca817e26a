"""Channels that a meter reads far lower than at the earlier visit, although their trims are as they were.

A trim does not wear out: half of the sound gone since last time is a driver, a cable or an amplifier, and a new trim would
hide it. Change = level now − level then − change of the trim − median change of the main channels (volume, meter).
"""

from __future__ import annotations

from statistics import fmean, median

from commission.model import Job
from commission.model.verdict import surely_below

LOST_DB = -6.0
"""A change beyond this is no drift of settings (common practice, no source)."""
LOST_U_DB = 1.0
"""Standard uncertainty of a change between two readings of a hand-held meter, each 0.7 dB (common practice, no source)."""
LEAST_MAINS = 3


def lost_levels_db(job: Job, round_id: str) -> dict[str, float]:
    """Channel → how much lower it reads than at the earlier visit [dB, negative], for those beyond doubt.

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
    now: dict[tuple[str, str | None], list[float]] = {}
    for reading in job.readings_of(round_id, "levels"):
        body = reading.body
        if body.quantity == "level" and body.channel is not None:
            now.setdefault((body.channel, body.seat or reference), []).append(body.value)
    changes: dict[str, list[float]] = {}
    for (channel, seat), values in now.items():
        trim = job.setting_until(round_id, channel).trim_db
        if (channel, seat) in then and trim is not None and channel in trims:
            apart = fmean(values) - then[(channel, seat)] - (trim - trims[channel])
            changes.setdefault(channel, []).append(apart)
    mains = [fmean(changes[c.id]) for c in job.system.channels if c.id in changes and not c.is_sub]
    if len(mains) < LEAST_MAINS:
        return {}
    return {channel: fmean(own) - median(mains) for channel, own in changes.items()}
