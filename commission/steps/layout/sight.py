"""Whether the straight way from a loudspeaker to the ears is free of heads, seat backs and obstacles."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping

from commission.dsp.geometry import crossing_m, share_in_box
from commission.model import Channel, Check, Job, Obstacle, Position
from commission.steps.shared.budgets import CUSTOM, single

HEAD_TOP_M, HEAD_HALF_WIDTH_M = 0.13, 0.10
"""The crown above the ears, and half a head's width with hair (adults: 0.13 and 0.08 m, ISO 7250-1, from memory)."""
EAR_M = 0.08
"""An ear beside the middle of the head."""
BACK_BEHIND_M, BACK_HALF_WIDTH_M = 0.12, 0.28
"""A seat's back behind the ears, and half its width (common practice, no source)."""
SIGHT_U_M = 0.03
"""Heads differ by ±6 cm in height (k = 2; common practice, no source)."""
PATH_U_M = 0.014
"""Two coordinates, each measured by hand to ±2 cm (k = 2; common practice, no source)."""
SAME_ROW_M = 0.4
"""Heads that differ by less from front to rear sit in one row."""
BUDGETS = (
    single("layout.sight", "Sight line over the head in front", "height of the listeners", SIGHT_U_M, CUSTOM, "m"),
    single("layout.seat-back", "Direct path over a seat's back", "height of the listeners", SIGHT_U_M, CUSTOM, "m"),
    single("layout.obstacle", "Direct path inside an obstacle", "two places by hand", PATH_U_M, CUSTOM, "m"),
)
Heads = Mapping[str, Position]


def sight_checks(job: Job, channel: Channel, place: Position, heads: Heads) -> Iterator[Check]:
    """All of one loudspeaker: heads in front of the screen loudspeakers; backs and obstacles where they are entered."""
    limits = {each.id: job.limit(each.id) for each in BUDGETS}

    def check(check_id: str, seat: str, value: float, text: str, u: float = SIGHT_U_M) -> Check:
        return Check(
            id=check_id,
            channel=channel.id,
            seat=seat,
            value=round(value, 3),
            unit="m",
            uncertainty=u,
            limit=limits[check_id],
            text=text,
        )

    for seat, ears in heads.items():
        if channel.role == "screen":
            above = [
                clearance
                for other, head in heads.items()
                if other != seat and (clearance := head_clearance_m(place, ears, head)) is not None
            ]
            if above:
                yield check("layout.sight", seat, min(above), "sight line above the head in front")
        over = back_clearance_m(job, place, ears)
        if over is not None:
            yield check("layout.seat-back", seat, over[0], f"direct path above the back of {over[1]}")
        inside = [(_inside_m(place, ears, each), each.id) for each in job.system.obstacles]
        if inside:
            worst, name = max(inside)
            what = name if worst > 0 else "an obstacle"
            yield check("layout.obstacle", seat, worst, f"of the direct path inside {what}", PATH_U_M)


def path_m(checks: Iterable[Check], channel: str, seat: str) -> float | None:
    """How far the direct path passes above the nearest head or seat's back [m]; negative: hidden, None: nothing near it."""
    above = ("layout.sight", "layout.seat-back")
    found = [
        c.value for c in checks if c.id in above and (c.channel, c.seat) == (channel, seat) and c.value is not None
    ]
    return min(found, default=None)


def head_clearance_m(source: Position, ears: Position, head: Position) -> float | None:
    """Height of the line from source to ears above the crown of a head [m]; None where the head is beside the line."""
    if abs(head[1] - ears[1]) < SAME_ROW_M:
        return None
    at = crossing_m(source, ears, 1, head[1])
    if at is None or abs(at[0] - head[0]) > HEAD_HALF_WIDTH_M:
        return None
    return at[2] - head[2] - HEAD_TOP_M


def back_clearance_m(job: Job, source: Position, ears: Position) -> tuple[float, str] | None:
    """Least height of the lines from source to both ears above the top of any seat's back, with that seat [m].

    Seats face the screen. None where no back of a known height is on the way.
    """
    x, y, z = ears
    found: list[tuple[float, str]] = []
    for seat in job.system.seats:
        if seat.back_top_m is None or seat.position_m is None:
            continue
        depth = seat.position_m[1] + BACK_BEHIND_M
        if (source[1] - depth) * (y - depth) >= 0:
            continue
        for ear in ((x - EAR_M, y, z), (x + EAR_M, y, z)):
            at = crossing_m(source, ear, 1, depth)
            if at is not None and abs(at[0] - seat.position_m[0]) < BACK_HALF_WIDTH_M:
                found.append((at[2] - seat.back_top_m, seat.id))
    return min(found, default=None)


def _inside_m(source: Position, ears: Position, obstacle: Obstacle) -> float:
    """Length of the line from source to ears inside an obstacle [m]."""
    share = share_in_box(source, ears, obstacle.from_m, obstacle.to_m)
    return share * math.dist(source, ears)
