"""Early reflections of each channel over the seats: between 1 and 8 kHz, within 15 ms."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from commission.dsp import reflections
from commission.dsp.reflections import LEVEL_U_DB, LIMIT_DB
from commission.model import Job
from commission.model.formatting import number
from commission.model.verdict import surely_above
from commission.steps.seats.result import SeatsResult

OWN_SOUND_S = 0.0008
"""Sound that follows the direct sound sooner is the loudspeaker's own: its other driver, its edges, its crossover."""
NONE_DB = -20.0
"""Value if none was found: the weakest level searched."""


@dataclass(frozen=True, slots=True)
class EarlyReflections:
    """Reflections of one channel: the strongest one at each seat, combined."""

    middle_db: float
    """Median over the seats, relative to the direct sound."""
    seats: int
    strongest: tuple[float, str, float]
    """(level [dB], seat, delay after the direct sound [s])."""

    @property
    def surely_above(self) -> bool:
        """Whether the median is above the limit beyond its uncertainty."""
        return surely_above(self.middle_db, LIMIT_DB, LEVEL_U_DB / math.sqrt(self.seats))


def candidate_names(
    job: Job, channel_id: str, seat_id: str, delay_s: float, speed_m_s: float, *, assumed_backs: bool = True
) -> tuple[str, ...] | None:
    """Surfaces and seat backs of the plan that could cause a reflection; None if the plan is unknown.

    `assumed_backs`: assume a back for seats without an entry.
    """
    channel, seat, room = job.system.channel(channel_id), job.system.seat(seat_id), job.system.room
    if channel is None or seat is None or room is None or channel.position_m is None or seat.position_m is None:
        return None
    among = reflections.candidates(
        channel.position_m,
        seat.position_m,
        room,
        speed_m_s,
        reflections.seat_backs(job.system.seats, seat, assumed=assumed_backs),
    )
    return reflections.could_come_from(reflections.Reflection(delay_s, 0.0), among)


def surface(job: Job, channel_id: str, seat_id: str, delay_s: float, speed_m_s: float) -> str | None:
    """The only surface of the room that could cause a reflection by the plan; None if none or several fit."""
    names = candidate_names(job, channel_id, seat_id, delay_s, speed_m_s, assumed_backs=False) or ()
    return names[0] if len(names) == 1 and names[0] in reflections.SURFACES else None


def early_reflections(result: SeatsResult, left_out: Collection[tuple[str, str]] = ()) -> dict[str, EarlyReflections]:
    """Each channel with known reflections at one or more seats; `left_out`: (channel, seat) that do not count."""
    heard: dict[str, list[tuple[float, str, float]]] = {}
    for (channel, seat), cell in result.cells.items():
        if (channel, seat) not in left_out and cell.analysis is not None and cell.analysis.reflections is not None:
            later = [(db, seat, after_s) for after_s, db in cell.analysis.reflections if after_s >= OWN_SOUND_S]
            heard.setdefault(channel, []).append(max(later, default=(NONE_DB, seat, 0.0)))
    return {
        channel: EarlyReflections(float(np.median([level for level, _, _ in each])), len(each), max(each))
        for channel, each in heard.items()
    }


def reflections_remark(result: SeatsResult) -> tuple[str, ...]:
    """One sentence on reflections above the limit, or none."""
    early = early_reflections(result)
    above = [channel for channel, each in early.items() if each.surely_above]
    if not above:
        return ()
    worst = max(above, key=lambda channel: early[channel].middle_db)
    most = f"{number(early[worst].middle_db, 0)} dB on {worst} (median of the seats)"
    return (
        f"Early reflections exceed {number(LIMIT_DB, 0)} dB (1–8 kHz, within 15 ms) on {len(above)} of {len(early)} "
        f"channels, at most {most}. Bare walls can cause this.",
    )
