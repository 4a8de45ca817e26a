"""Better places for loudspeakers that may be moved: the reference seat weighed against all seats.

The shortfall of a seat and a loudspeaker is an angle in degrees: outside the range of ITU-R BS.2051 for its label (or on
the wrong side, where the standard has no range), beyond half of its coverage angle, 10° for a path that is hidden, and 3°
for every dB by which it is more than 3 dB louder or softer than at the reference seat. The shortfall of a seat is the
root mean square over the loudspeakers, that of all seats the root mean square over the seats by weight (common practice,
no source).

Each loudspeaker adds a separate term, so its best place is found by trying every point of a 5 cm grid in its space; the
two of a mirrored pair move together. The result is the best of that grid, for all weights at once.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from commission.dsp.geometry import mirror_partner, side
from commission.model import Channel, FloatArray, Job, Position, Seat, System
from commission.steps.layout.aim import coverage_deg, with_direction
from commission.steps.layout.directions import direction_range
from commission.steps.layout.sight import Mask, direct_paths, points
from commission.steps.shared.cache import cached, plain_job

WEIGHTS = tuple(round(0.1 * n, 1) for n in range(11))
"""0: the reference seat alone; 1: all seats alike."""
DEFAULT_WEIGHT = 0.5
STEP_M = 0.05
MOST_PLACES = 20_000
"""Most places for one loudspeaker; a larger space gets a coarser grid."""
APART_M = 0.20
"""Least distance between two loudspeakers, so that both fit."""
PAIR_WITHIN_M = 0.10
"""Two loudspeakers whose places mirror each other within this move as a pair."""
HIDDEN_DEG = 10.0
LEVEL_FREE_DB, DEG_PER_DB = 3.0, 3.0
NEARER_DEG2_PER_M = 0.05
"""Price of distance: of two equal places, the nearer one is taken."""
WORTH_DEG = 1.0
"""Least gain of a listed move: root of the reduction of the mean square over its own loudspeakers."""
_AT_ONCE = 1000
"""Places whose paths are computed together, which limits the memory."""
_FIXED_AXIS = {"left wall": 0, "right wall": 0, "front wall": 1, "rear wall": 1, "ceiling": 2, "floor": 2}


@dataclass(frozen=True, slots=True)
class Shortfall:
    """Deviation of the layout from the rules, root mean square [°]."""

    reference_deg: float
    all_deg: float
    seats_deg: dict[str, float]


@dataclass(frozen=True, slots=True)
class Move:
    """Loudspeakers moved together, and the shortfall with this move alone."""

    places: dict[str, Position]
    moved_m: float
    shortfall: Shortfall
    gain_deg2: float
    """Reduction of the weighted mean square, summed over its loudspeakers."""


@dataclass(frozen=True, slots=True)
class Tradeoff:
    """The best layout for one weight."""

    weight: float
    shortfall: Shortfall
    moves: tuple[Move, ...]
    """Worthwhile moves, the most useful first."""


@dataclass(frozen=True, slots=True)
class Search:
    """The present layout, and the best one for each weight."""

    now: Shortfall
    tradeoffs: tuple[Tradeoff, ...]
    movable: tuple[str, ...]

    def at(self, weight: float) -> Tradeoff:
        """The trade-off of the nearest weight."""
        return min(self.tradeoffs, key=lambda tradeoff: abs(tradeoff.weight - weight))


@dataclass(frozen=True, slots=True, eq=False)
class _Audience:
    """Seats with a position, their weights, and the index of the reference seat."""

    seats: list[Seat]
    shares: FloatArray
    reference: int

    def total(self, shortfalls: Mapping[str, FloatArray]) -> Shortfall:
        """The total shortfall, from that of each seat and loudspeaker [°]."""
        square = np.mean([each**2 for each in shortfalls.values()], axis=0)
        return Shortfall(
            math.sqrt(square[self.reference]),
            math.sqrt(float(self.shares @ square)),
            {seat.id: math.sqrt(value) for seat, value in zip(self.seats, square, strict=True)},
        )

    def weights(self, weight: float) -> FloatArray:
        """Share of each seat, for a weight of all seats against the reference seat."""
        shares = weight * self.shares
        shares[self.reference] += 1 - weight
        return shares


def _audience(job: Job) -> _Audience | None:
    seats = [seat for seat in job.system.seats if seat.position_m is not None]
    reference = job.system.reference_seat
    if reference is None or reference.position_m is None:
        return None
    shares = np.array([seat.weight for seat in seats])
    shares = shares / shares.sum() if shares.sum() > 0 else np.full(len(seats), 1 / len(seats))
    return _Audience(seats, shares, seats.index(reference))


def _placed(job: Job) -> list[Channel]:
    return [channel for channel in job.system.channels if channel.position_m is not None and not channel.is_sub]


def _present_shortfalls(job: Job, audience: _Audience) -> dict[str, FloatArray]:
    return {c.id: shortfalls_deg(job, c, points([c.position_m]), audience.seats)[0] for c in _placed(job)}


@cached
def shortfall(job: Job) -> Shortfall | None:
    """The shortfall of the present layout; None without a place of the reference seat or of any loudspeaker."""
    audience = _audience(job)
    shortfalls = {} if audience is None else _present_shortfalls(job, audience)
    return audience.total(shortfalls) if audience is not None and shortfalls else None


@cached
def search_places(job: Job) -> Search | None:
    """The best places of all movable loudspeakers; None if none is movable, or the reference seat has no place."""
    audience, placed = _audience(job), _placed(job)
    groups = list(_groups(placed))
    if audience is None or not groups:
        return None
    now = _present_shortfalls(job, audience)
    tried = [_Candidates(job, group, audience.seats, placed) for group in groups]
    tradeoffs = []
    for weight in WEIGHTS:
        shares = audience.weights(weight)
        best, moves = dict(now), []
        for each in tried:
            row = each.best(shares)
            found = each.shortfalls(row)
            gain = sum(float(shares @ (now[c] ** 2 - found[c] ** 2)) for c in found)
            if gain < WORTH_DEG**2 * len(found):
                continue
            best |= found
            moves.append(Move(each.places(row), each.moved_m(row), audience.total(now | found), gain))
        moves.sort(key=lambda move: -move.gain_deg2)
        tradeoffs.append(Tradeoff(weight, audience.total(best), tuple(moves)))
    return Search(audience.total(now), tuple(tradeoffs), tuple(c.id for group in groups for c in group))


class _Candidates:
    """All places tried for one loudspeaker or a mirrored pair, with the shortfall of each seat there."""

    def __init__(self, job: Job, group: tuple[Channel, ...], seats: list[Seat], placed: list[Channel]) -> None:
        self._group = group
        start = _start(group[0])
        points = _grid(group[0])
        others = [c for c in placed if c not in group]
        keep = np.ones(len(points), dtype=bool)
        all_points = [points] if len(group) == 1 else [points, points * [-1, 1, 1] + _mirror_error(group)]
        for channel, at in zip(group, all_points, strict=True):
            keep &= _allowed(job.system, channel, at, others)
        if len(group) == 2:
            keep &= np.linalg.norm(all_points[0] - all_points[1], axis=1) >= APART_M
        keep |= np.all(points == start, axis=1)
        self._points = [at[keep] for at in all_points]
        self._shortfalls = [shortfalls_deg(job, c, at, seats) for c, at in zip(group, self._points, strict=True)]
        self._far = np.linalg.norm(self._points[0] - start, axis=1)

    def best(self, weights: FloatArray) -> int:
        """Row of the place with the least weighted mean square."""
        cost = np.sum([each**2 @ weights for each in self._shortfalls], axis=0) + NEARER_DEG2_PER_M * self._far
        return int(np.argmin(cost))

    def shortfalls(self, row: int) -> dict[str, FloatArray]:
        """Channel → shortfall of each seat [°]."""
        return {c.id: each[row] for c, each in zip(self._group, self._shortfalls, strict=True)}

    def places(self, row: int) -> dict[str, Position]:
        """Channel → its place there."""
        return {c.id: _position(at[row]) for c, at in zip(self._group, self._points, strict=True)}

    def moved_m(self, row: int) -> float:
        """Distance that each of them is moved [m]."""
        return float(self._far[row])


def _position(point: FloatArray) -> Position:
    x, y, z = (round(float(v), 3) for v in point)
    return x, y, z


def _start(channel: Channel) -> FloatArray:
    return np.asarray(points([channel.position_m])[0])


def _groups(placed: list[Channel]) -> Iterator[tuple[Channel, ...]]:
    """Movable loudspeakers: mirrored pairs together, left one first."""
    by_id = {c.id: c for c in placed if c.move_from_m is not None and c.move_to_m is not None}
    for channel in by_id.values():
        partner = by_id.get(mirror_partner(channel.id) or "")
        if partner is None or np.abs(_mirror_error((channel, partner))).max() > PAIR_WITHIN_M:
            yield (channel,)
        elif side(channel.id) == -1:
            yield (channel, partner)


def _mirror_error(pair: tuple[Channel, ...]) -> FloatArray:
    """Place of the second minus the mirrored place of the first [m]."""
    return _start(pair[1]) - _start(pair[0]) * [-1, 1, 1]


def _grid(channel: Channel) -> FloatArray:
    """Possible places in steps of 5 cm from the present one, including it."""
    start = _start(channel)
    low, high = _box(channel)
    step = STEP_M
    while True:
        lines = [_line(s, a, b, step) for s, a, b in zip(start, low, high, strict=True)]
        if math.prod(map(len, lines)) <= MOST_PLACES:
            break
        step *= 1.25
    grid = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.vstack([start, grid])


def _box(channel: Channel) -> tuple[FloatArray, FloatArray]:
    corners = points([channel.move_from_m, channel.move_to_m])
    low, high = corners.min(axis=0), corners.max(axis=0)
    if channel.mount is not None:
        axis = _FIXED_AXIS[channel.mount]
        low[axis] = high[axis] = _start(channel)[axis]
    return low, high


def _line(start: float, low: float, high: float, step: float) -> FloatArray:
    """Steps of a coordinate from its present value, as far as they are inside, and both ends."""
    first, last = math.ceil((low - start) / step), math.floor((high - start) / step)
    inside = start + step * np.arange(first, last + 1)
    return np.unique(np.round(np.concatenate([[low, high], inside]), 4))


def _allowed(system: System, channel: Channel, at: FloatArray, others: list[Channel]) -> Mask:
    """Which places are in its own space and the room, outside obstacles, and clear of other loudspeakers."""
    low, high = _box(channel)
    keep = np.all((at >= low - 1e-6) & (at <= high + 1e-6), axis=1)
    if (room := system.room) is not None:
        keep &= (np.abs(at[:, 0]) <= room.width_m / 2) & np.all(at >= [-np.inf, 0, 0], axis=1)
        keep &= np.all(at <= [np.inf, room.length_m, room.height_m], axis=1)
    for each in system.obstacles:
        corners = points([each.from_m, each.to_m])
        keep &= ~np.all((at >= corners.min(axis=0)) & (at <= corners.max(axis=0)), axis=1)
    for other in others:
        keep &= np.linalg.norm(at - _start(other), axis=1) >= APART_M
    return np.asarray(keep)


def shortfalls_deg(job: Job, channel: Channel, at: FloatArray, seats: list[Seat]) -> FloatArray:
    """Shortfall of each seat for a loudspeaker at each place, (places, seats) [°]."""
    reference = job.system.reference_seat
    assert reference is not None
    ears = points([seat.position_m for seat in seats])
    way = ears - at[:, None, :]
    far = np.maximum(np.linalg.norm(way, axis=-1), 1e-6)
    from_reference = np.maximum(np.linalg.norm(at - points([reference.position_m]), axis=1), 1e-6)
    level_db = 20 * np.log10(from_reference[:, None] / far)
    return np.asarray(
        _direction_deg(job, channel, way)
        + _aim_deg(job, channel, at, way, far)
        + HIDDEN_DEG * _hidden(job, channel, at, seats)
        + DEG_PER_DB * np.maximum(np.abs(level_db) - LEVEL_FREE_DB, 0.0)
    )


def _direction_deg(job: Job, channel: Channel, way: FloatArray) -> FloatArray:
    """Degrees outside the range of its label, azimuth and elevation by Pythagoras; without a range, on the wrong side."""
    turn = side(channel.id)
    azimuth = np.degrees(np.arctan2(way[..., 0], way[..., 1]))
    azimuth = np.abs(azimuth) if turn is None else -turn * azimuth
    allowed = direction_range(job, channel.id)
    if allowed is None:
        return np.zeros(way.shape[:-1]) if turn is None else np.maximum(-azimuth, 0.0)
    beyond = _beyond(azimuth, *allowed.azimuth_deg)
    if allowed.elevation_deg is None:
        return beyond
    elevation = np.degrees(np.arctan2(-way[..., 2], np.hypot(way[..., 0], way[..., 1])))
    return np.hypot(beyond, _beyond(elevation, *allowed.elevation_deg))


def _beyond(value: FloatArray, low: float, high: float) -> FloatArray:
    return np.asarray(np.maximum(np.maximum(low - value, value - high), 0.0))


def _aim_deg(job: Job, channel: Channel, at: FloatArray, way: FloatArray, far: FloatArray) -> FloatArray:
    """Angle beyond half the coverage angle [°]; 0 if the aim is unknown."""
    if channel.aim_m is None:
        return np.zeros(far.shape)
    aim = points([channel.aim_m])[0]
    axis = np.tile(aim - _start(channel), (len(at), 1)) if channel.mount is not None else aim - at
    length = np.maximum(np.linalg.norm(axis, axis=1), 1e-6)[:, None]
    cosine = np.clip(np.sum(axis[:, None, :] * way, axis=-1) / (length * far), -1.0, 1.0)
    return np.asarray(np.maximum(np.degrees(np.arccos(cosine)) - coverage_deg(job, channel) / 2, 0.0))


def _hidden(job: Job, channel: Channel, at: FloatArray, seats: list[Seat]) -> Mask:
    """Which places are hidden from each seat by a head (screen loudspeakers), a seat back or an obstacle, (places,
    seats).
    """
    parts = (at[start : start + _AT_ONCE] for start in range(0, len(at), _AT_ONCE))
    paths = (direct_paths(part, seats, job.system.obstacles) for part in parts)
    return np.concatenate([each.hidden(by_heads=channel.role == "screen") for each in paths])


def moved_job(job: Job, places: dict[str, Position]) -> Job:
    """The job with loudspeakers and seats at other places."""
    system, _ = job.system, job.profile  # both are read here, since checks of the moved job depend on them
    channels = tuple(with_direction(c, places[c.id]) if c.id in places else c for c in system.channels)
    seats = tuple(replace(s, position_m=places[s.id]) if s.id in places else s for s in system.seats)
    return replace(plain_job(job), system=replace(system, channels=channels, seats=seats))
