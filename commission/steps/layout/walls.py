"""Distances of seats and loudspeakers to the walls, and the frequency at which the nearest one can cancel the sound."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from commission.dsp.air import speed_of_sound_m_s
from commission.model import Check, Column, Job, Position, Room, Table, table_of
from commission.steps.shared.budgets import CUSTOM, single

PLACE_U_M = 0.01
"""One coordinate measured by hand to ±2 cm (k = 2; common practice, no source)."""
FLUSH_M = 0.05
"""Closer than this something is built into the wall, which then cancels nothing."""
BUDGET = single("layout.seat-wall", "Ears from the nearest wall", "one place by hand", PLACE_U_M, CUSTOM, "m")
SIDES = {
    "left": "left wall",
    "right": "right wall",
    "front": "front wall",
    "rear": "rear wall",
    "floor": "floor",
    "ceiling": "ceiling",
}


def wall_distances_m(room: Room, place: Position) -> dict[str, float]:
    """Distance of a place to each wall, floor and ceiling [m]; negative outside."""
    x, y, z = place
    return {
        "left": room.width_m / 2 + x,
        "right": room.width_m / 2 - x,
        "front": y,
        "rear": room.length_m - y,
        "floor": z,
        "ceiling": room.height_m - z,
    }


def dip_hz(distance_m: float, speed_m_s: float) -> float | None:
    """Lowest frequency at which a reflection straight back from a wall cancels: f = c/4d; None at the wall itself."""
    return speed_m_s / (4 * distance_m) if distance_m >= FLUSH_M else None


def places(job: Job) -> Iterator[tuple[str, Position]]:
    """Seats and loudspeakers with a position."""
    for seat in job.system.seats:
        if seat.position_m is not None:
            yield seat.id, seat.position_m
    for channel in job.system.channels:
        if channel.position_m is not None:
            yield channel.id, channel.position_m


def walls(job: Job) -> dict[str, dict[str, float]]:
    """Seat or channel → its distance to each wall [m]; empty without the size of the room."""
    room = job.system.room
    return {} if room is None else {label: wall_distances_m(room, place) for label, place in places(job)}


def seat_wall_checks(job: Job, doubtful: Collection[str]) -> Iterator[Check]:
    """How far the ears at each seat are from the nearest of side and rear walls [m]."""
    known = walls(job)
    for seat in job.system.seats:
        if seat.id not in known or seat.id in doubtful:
            continue
        near = min(("left", "right", "rear"), key=lambda wall: known[seat.id][wall])
        yield Check(
            id="layout.seat-wall",
            seat=seat.id,
            value=round(known[seat.id][near], 3),
            unit="m",
            uncertainty=PLACE_U_M,
            limit=job.limit("layout.seat-wall"),
            text=f"from the {SIDES[near]}",
        )


def nearest_wall(distances_m: Mapping[str, float]) -> str:
    """The nearest wall or ceiling; the floor is near everything."""
    return min((wall for wall in distances_m if wall != "floor"), key=lambda wall: distances_m[wall])


def walls_table(job: Job) -> Table:
    """Distances to the walls, the nearest one, and its first cancellation."""
    known = walls(job)
    speed = speed_of_sound_m_s(job.system.temperature_c)

    def dip(label: str) -> float | None:
        return dip_hz(known[label][nearest_wall(known[label])], speed)

    return table_of(
        known,
        (Column(key="id", title="Id"), lambda label: label),
        (Column(key="left", title="Left", unit="m", decimals=2), lambda label: known[label]["left"]),
        (Column(key="right", title="Right", unit="m", decimals=2), lambda label: known[label]["right"]),
        (Column(key="front", title="Front", unit="m", decimals=2), lambda label: known[label]["front"]),
        (Column(key="rear", title="Rear", unit="m", decimals=2), lambda label: known[label]["rear"]),
        (Column(key="ceiling", title="Ceiling", unit="m", decimals=2), lambda label: known[label]["ceiling"]),
        (Column(key="dip", title="First dip", unit="Hz", decimals=0), dip),
        id="walls",
        title="Distances to the walls",
        key=lambda label: label,
        remark=(
            "First dip: the lowest frequency at which the reflection from the nearest wall or the ceiling can cancel the "
            "direct sound, c/4d. It is not stated within 5 cm of a wall."
        ),
        verdicts=False,
    )
