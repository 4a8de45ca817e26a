"""Whether the straight path from a loudspeaker to the ears is free of heads, seat backs and obstacles."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from commission.model import Channel, Check, FloatArray, Job, Obstacle, Position, Seat
from commission.steps.shared.budgets import CUSTOM, single

HEAD_TOP_M, HEAD_HALF_WIDTH_M = 0.13, 0.10
"""Height of the crown above the ears, and half a head's width with hair (adults: 0.13 and 0.08 m, ISO 7250-1, from
memory)."""
EAR_M = 0.08
"""Distance of an ear from the middle of the head."""
BACK_BEHIND_M, BACK_HALF_WIDTH_M = 0.12, 0.28
"""Distance of a seat back behind the ears, and half its width (common practice, no source)."""
SIGHT_U_M = 0.03
"""Standard uncertainty of head height: ±6 cm (k = 2; common practice, no source)."""
PATH_U_M = 0.014
"""Standard uncertainty of two coordinates, each measured by hand to ±2 cm (k = 2; common practice, no source)."""
SAME_ROW_M = 0.4
"""Heads within this distance from front to rear are in one row."""
Mask = NDArray[np.bool_]
BUDGETS = (
    single("layout.sight", "Sight line over the head in front", "height of the listeners", SIGHT_U_M, CUSTOM, "m"),
    single("layout.seat-back", "Direct path over a seat's back", "height of the listeners", SIGHT_U_M, CUSTOM, "m"),
    single("layout.obstacle", "Direct path inside an obstacle", "two places by hand", PATH_U_M, CUSTOM, "m"),
)


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """The straight paths from places to the ears at every seat; inf where nothing is near a path."""

    over_heads_m: FloatArray
    """Height above the crown of each head of another row, (places, seats, heads)."""
    over_backs_m: FloatArray
    """Height above the top of each seat back, at the nearer ear, (places, seats, backs)."""
    inside_m: FloatArray
    """Length inside each obstacle, (places, seats, obstacles)."""

    def hidden(self, *, by_heads: bool) -> Mask:
        """Which paths are blocked, (places, seats)."""
        blocked = (self.over_backs_m < 0).any(axis=-1) | (self.inside_m > 0).any(axis=-1)
        return np.asarray(blocked | (by_heads & (self.over_heads_m < 0).any(axis=-1)))


def points(places: Iterable[Position | None]) -> FloatArray:
    """Known places as an array, (places, 3) [m]."""
    return np.array(list(places), dtype=float).reshape(-1, 3)


def direct_paths(at: FloatArray, seats: Sequence[Seat], obstacles: Sequence[Obstacle]) -> Paths:
    """The paths from places, (places, 3) [m], to seats that have a position. Seats face the screen."""
    ears = points(seat.position_m for seat in seats)
    other_row = np.abs(ears[:, None, 1] - ears[None, :, 1]) >= SAME_ROW_M
    heads = _above_m(at, ears, ears + np.array([0.0, 0.0, HEAD_TOP_M]), HEAD_HALF_WIDTH_M, 0.0)
    tops = np.array([np.nan if seat.back_top_m is None else seat.back_top_m for seat in seats])
    edges = np.column_stack([ears[:, 0], ears[:, 1] + BACK_BEHIND_M, tops])
    inside = [_inside_m(at, ears, each) for each in obstacles]
    return Paths(
        np.where(other_row, heads, np.inf),
        _above_m(at, ears, edges, BACK_HALF_WIDTH_M, EAR_M),
        np.stack(inside, axis=-1) if inside else np.zeros((len(at), len(seats), 0)),
    )


def _above_m(at: FloatArray, ears: FloatArray, edges: FloatArray, half_m: float, ear_m: float) -> FloatArray:
    """Height of the paths above the middle of upright edges, (places, seats, edges) [m]; inf beside, before and behind
    them.

    `ear_m`: the paths end this far on both sides of the middle of the head, at equal height.
    """
    start, way = at[:, None, None, :], (ears - at[:, None, :])[:, :, None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (edges[:, 1] - start[..., 1]) / way[..., 1]
        across = np.abs(start[..., 0] + share * way[..., 0] - edges[:, 0])
        above = start[..., 2] + share * way[..., 2] - edges[:, 2]
        near = (share > 0) & (share < 1) & (across < half_m + ear_m * share) & ~np.isnan(above)
    return np.where(near, above, np.inf)


def _inside_m(at: FloatArray, ears: FloatArray, obstacle: Obstacle) -> FloatArray:
    """Length of the paths inside a box with edges along the walls, (places, seats) [m]."""
    low, high = np.sort(points([obstacle.from_m, obstacle.to_m]), axis=0)
    start, way = at[:, None, :], ears - at[:, None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        first, last = (low - start) / way, (high - start) / way
    beside = (way == 0) & ((start <= low) | (start >= high))
    first, last = (np.where(way == 0, limit, each) for each, limit in ((first, -np.inf), (last, np.inf)))
    enters = np.maximum(np.minimum(first, last).max(axis=-1), 0.0)
    leaves = np.minimum(np.maximum(first, last).min(axis=-1), 1.0)
    share = np.where(beside.any(axis=-1), 0.0, np.maximum(leaves - enters, 0.0))
    return np.asarray(share * np.linalg.norm(way, axis=-1))


def sight_checks(job: Job, channels: Sequence[Channel], seats: Sequence[Seat]) -> Iterator[Check]:
    """Heads in front of the screen loudspeakers; backs and obstacles where they are entered."""
    limits = {each.id: job.limit(each.id) for each in BUDGETS}
    obstacles = job.system.obstacles
    paths = direct_paths(points(channel.position_m for channel in channels), seats, obstacles)
    heads = paths.over_heads_m.min(axis=-1, initial=np.inf)
    backs, over = paths.over_backs_m.min(axis=-1, initial=np.inf), paths.over_backs_m.argmin(axis=-1)

    def check(check_id: str, channel: str, seat: str, value: float, text: str, u: float = SIGHT_U_M) -> Check:
        return Check(
            id=check_id,
            channel=channel,
            seat=seat,
            value=round(float(value), 3),
            unit="m",
            uncertainty=u,
            limit=limits[check_id],
            text=text,
        )

    for row, channel in enumerate(channels):
        for column, seat in enumerate(seats):
            at = (row, column)
            if channel.role == "screen" and np.isfinite(heads[at]):
                yield check("layout.sight", channel.id, seat.id, heads[at], "sight line above the head in front")
            if np.isfinite(backs[at]):
                text = f"direct path above the back of {seats[over[at]].id}"
                yield check("layout.seat-back", channel.id, seat.id, backs[at], text)
            if obstacles:
                worst = int(paths.inside_m[at].argmax())
                inside = paths.inside_m[at][worst]
                text = f"of the direct path inside {obstacles[worst].id if inside > 0 else 'an obstacle'}"
                yield check("layout.obstacle", channel.id, seat.id, inside, text, PATH_U_M)


def path_m(checks: Iterable[Check], channel: str, seat: str) -> float | None:
    """How far the direct path passes above the nearest head or seat's back [m]; negative: hidden, None: nothing near it."""
    above = ("layout.sight", "layout.seat-back")
    found = [
        c.value for c in checks if c.id in above and (c.channel, c.seat) == (channel, seat) and c.value is not None
    ]
    return min(found, default=None)
