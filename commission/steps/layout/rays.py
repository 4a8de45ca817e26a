"""Early reflections with a known surface as rays for the plan, from the loudspeaker by the surface to the ears."""

from __future__ import annotations

from collections.abc import Iterator

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.reflections import reflecting_point
from commission.model import Analyses, Job, PlanRay, Position
from commission.model.formatting import number
from commission.steps.seats.reflections import OWN_SOUND_S, surface
from commission.steps.shared.survey import elsewhere

MOST = 4
"""Most rays of one loudspeaker at one seat, the strongest; more make a drawing illegible."""


def reflecting_point_m(job: Job, channel_id: str, seat_id: str, name: str | None) -> Position | None:
    """Point where a surface reflects the sound of a loudspeaker to a seat; None if a place or the room is unknown."""
    channel, seat, room = job.system.channel(channel_id), job.system.seat(seat_id), job.system.room
    if name is None or channel is None or seat is None or room is None:
        return None
    if channel.position_m is None or seat.position_m is None:
        return None
    return reflecting_point(channel.position_m, seat.position_m, room, name)


def reflection_rays(job: Job, round_id: str, analyses: Analyses) -> Iterator[PlanRay]:
    """Rays of every loudspeaker that plays from its own position, at every seat, strongest first."""
    if job.system.room is None:
        return
    speed_m_s = speed_of_sound_m_s(job.system.temperature_c)
    strangers = elsewhere(job, round_id, analyses)
    for channel in job.system.channels:
        for seat in job.system.seats:
            heard = analyses.of(round_id, channel.id, seat.id)
            found = None if heard is None else heard.reflections
            if channel.position_m is None or seat.position_m is None or channel.id in strangers:
                continue
            count = 0
            for after_s, level_db in found or ():
                name = surface(job, channel.id, seat.id, after_s, speed_m_s) if after_s >= OWN_SOUND_S else None
                place = reflecting_point_m(job, channel.id, seat.id, name)
                if place is not None and count < MOST:
                    count += 1
                    yield PlanRay(
                        channel=channel.id,
                        seat=seat.id,
                        points_m=(channel.position_m, place, seat.position_m),
                        level_db=level_db,
                        text=f"{name} {number(level_db, 0)} dB after {number(1000 * after_s, 1)} ms",
                    )
