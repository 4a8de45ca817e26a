"""Aim: whether every seat is inside the coverage angle of a loudspeaker, and the loss of treble if not."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import replace

from commission.dsp.directivity import off_axis_level_db
from commission.dsp.geometry import off_axis_deg
from commission.model import Budget, Channel, Check, Contribution, Job, Limit, Position, Seat
from commission.steps.shared.budgets import CUSTOM

CHECK = "layout.aim"
ENTERED_BASIS = "half the coverage angle of this loudspeaker as entered"
AIM_WITHIN_DEG, SHEET_WITHIN_DEG, ASSUMED_WITHIN_DEG = 5.0, 5.0, 20.0
"""An axis aimed by eye; half the angle of a data sheet, which differs with frequency and plane; half an assumed angle: from
25° for a horn to 65° for a small dome (all rectangular; common practice, no source)."""


def coverage_deg(job: Job, channel: Channel) -> float:
    """The coverage angle as entered, otherwise the assumed one: twice the limit of the profile [°]."""
    return 2 * job.limit(CHECK).upper if channel.coverage_deg is None else channel.coverage_deg


def off_axis(channel: Channel, seat: Seat) -> float | None:
    """Angle between the axis of a loudspeaker and a seat [°]; None if a place or the aim is not entered."""
    if channel.is_sub or channel.aim_m is None or channel.position_m is None or seat.position_m is None:
        return None
    angle = off_axis_deg(channel.position_m, channel.aim_m, seat.position_m)
    return angle if math.isfinite(angle) else None


def off_axis_db(job: Job, channel: Channel, seat: Seat) -> float | None:
    """Estimated loss of treble there [dB]; None if the angle is unknown."""
    angle = off_axis(channel, seat)
    return None if angle is None else off_axis_level_db(angle, coverage_deg(job, channel))


def aim_budget(channel: Channel) -> Budget:
    """Uncertainty of an angle off the axis against half the coverage angle, loudspeaker by loudspeaker."""
    known = channel.coverage_deg is not None
    within = SHEET_WITHIN_DEG if known else ASSUMED_WITHIN_DEG
    parts = (
        (f"axis aimed by eye within ±{AIM_WITHIN_DEG:g}°", AIM_WITHIN_DEG),
        (
            f"{'coverage angle of the data sheet' if known else 'assumed coverage angle'}, half within ±{within:g}°",
            within,
        ),
    )
    return Budget(
        id=CHECK,
        title="Angle off the axis",
        unit="°",
        channel=channel.id,
        contributions=tuple(
            Contribution(source=source, u=width / math.sqrt(3), unit="°", distribution="rectangular", basis=CUSTOM)
            for source, width in parts
        ),
    )


def aim_checks(job: Job, doubtful: Collection[str] = ()) -> Iterator[Check]:
    """A check for each seat and loudspeaker with an entered aim; none for a place that is `doubtful`."""
    default = job.limit(CHECK)
    for channel in job.system.channels:
        if channel.id in doubtful:
            continue
        limit = default
        if channel.coverage_deg is not None:
            limit = Limit(high=channel.coverage_deg / 2, unit="°", basis=ENTERED_BASIS)
        u = aim_budget(channel).u
        for seat in job.system.seats:
            angle = None if seat.id in doubtful else off_axis(channel, seat)
            if angle is not None:
                yield Check(
                    id=CHECK,
                    channel=channel.id,
                    seat=seat.id,
                    value=round(angle, 2),
                    unit="°",
                    uncertainty=u,
                    limit=limit,
                    text="off the axis of the loudspeaker",
                )


def aim_budgets(job: Job, ids: Collection[str]) -> tuple[Budget, ...]:
    """The budgets of those loudspeakers."""
    return tuple(aim_budget(channel) for channel in job.system.channels if channel.id in ids)


def with_direction(channel: Channel, place: Position) -> Channel:
    """A loudspeaker moved to another place: one on a wall or ceiling keeps its direction, a free one its aim point."""
    if channel.mount is None or channel.aim_m is None or channel.position_m is None:
        return replace(channel, position_m=place)
    x, y, z = (a + new - old for a, new, old in zip(channel.aim_m, place, channel.position_m, strict=True))
    return replace(channel, position_m=place, aim_m=(x, y, z))
