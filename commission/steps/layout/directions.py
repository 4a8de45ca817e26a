"""Directions of the loudspeakers from every seat, and the ranges of ITU-R BS.2051 for their labels."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from commission.dsp.directivity import FLOOR_DB
from commission.dsp.geometry import azimuth_deg, distance_m, elevation_deg
from commission.model import Check, Grid, GridCell, Job, Position, Verdict
from commission.model.formatting import number
from commission.model.units import clean_text
from commission.model.verdict import worst
from commission.steps.layout.aim import coverage_deg, off_axis_db
from commission.steps.shared.budgets import CUSTOM, single

CHECK = "layout.direction"
PLACES_U_M = 0.014
"""Standard uncertainty of two coordinates, each measured by hand to ±2 cm (k = 2; common practice, no source)."""
NEAR_M = 2.0
BUDGET = single(
    CHECK,
    "Direction against the standard",
    "two places by hand, 2 m apart",
    math.degrees(PLACES_U_M / NEAR_M),
    CUSTOM,
    "°",
)
Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class DirectionRange:
    """Directions of one label, for the left side or the middle [°]."""

    azimuth_deg: Range
    elevation_deg: Range | None
    system: str


FIVE, SEVEN = "0+5+0", "0+7+0"
_RANGES: dict[str, dict[str, DirectionRange]] = {
    FIVE: {
        "F": DirectionRange((30, 30), None, "0+5+0"),
        "S": DirectionRange((100, 120), (0, 15), "0+5+0"),
        "TpF": DirectionRange((30, 45), (30, 55), "4+5+0"),
        "TpB": DirectionRange((100, 135), (30, 55), "4+5+0"),
    },
    SEVEN: {
        "F": DirectionRange((30, 45), None, "0+7+0"),
        "Si": DirectionRange((85, 110), None, "0+7+0"),
        "B": DirectionRange((120, 150), None, "0+7+0"),
        "TpF": DirectionRange((30, 45), (30, 55), "4+7+0"),
        "TpB": DirectionRange((100, 150), (30, 55), "4+7+0"),
    },
}
"""ITU-R BS.2051, tables of the systems, by group of labels (second-hand, from the ranges of an open renderer)."""
_GROUPS = {
    **dict.fromkeys(("FL", "FR", "L", "R"), "F"),
    **dict.fromkeys(("SiL", "SiR"), "Si"),
    **dict.fromkeys(("BL", "BR"), "B"),
    **dict.fromkeys(("Ls", "Rs", "LS", "RS"), "S"),
    **dict.fromkeys(("TpFL", "TpFR"), "TpF"),
    **dict.fromkeys(("TpBL", "TpBR"), "TpB"),
}


def direction_range(job: Job, label: str) -> DirectionRange | None:
    """The range of a label in the system formed by this job's channels; None if the standard has none."""
    if label in ("FC", "C"):
        return DirectionRange((0, 0), None, FIVE)
    labels = {channel.id for channel in job.system.channels}
    ranges = _RANGES[SEVEN if labels & {"BL", "BR"} else FIVE]
    group = _GROUPS.get(label, "")
    return ranges.get("S" if group == "Si" and ranges is _RANGES[FIVE] else group)


def beyond_deg(value_deg: float, allowed: Range) -> float:
    """Angle outside a range [°]; 0 inside."""
    low, high = allowed
    return max(low - value_deg, value_deg - high, 0.0)


@dataclass(frozen=True, slots=True)
class Direction:
    """One loudspeaker seen from one seat."""

    azimuth_deg: float
    elevation_deg: float
    distance_m: float


def direction(seat: Position, place: Position) -> Direction:
    """Direction and distance of a loudspeaker from the ears at a seat."""
    return Direction(azimuth_deg(seat, place), elevation_deg(seat, place), distance_m(seat, place))


def directions(job: Job) -> dict[tuple[str, str], Direction]:
    """(channel, seat) → direction, if both have a place; without subwoofers, whose direction is not audible."""
    return {
        (channel.id, seat.id): direction(seat.position_m, channel.position_m)
        for channel in job.system.channels
        if channel.position_m is not None and not channel.is_sub
        for seat in job.system.seats
        if seat.position_m is not None
    }


def outside_deg(found: Direction, allowed: DirectionRange) -> float:
    """Angle of a direction outside a range, azimuth and elevation by Pythagoras [°]; 0 inside."""
    up = 0.0 if allowed.elevation_deg is None else beyond_deg(found.elevation_deg, allowed.elevation_deg)
    return math.hypot(beyond_deg(abs(found.azimuth_deg), allowed.azimuth_deg), up)


def direction_checks(job: Job, doubtful: Collection[str] = ()) -> Iterator[Check]:
    """Checks of every loudspeaker's direction from every seat against the standard, if the firm has a limit for it."""
    if not job.profile.is_own(CHECK):
        return
    limit = job.limit(CHECK)
    for (channel, seat), found in directions(job).items():
        allowed = direction_range(job, channel)
        if allowed is None or {channel, seat} & set(doubtful):
            continue
        yield Check(
            id=CHECK,
            channel=channel,
            seat=seat,
            value=round(outside_deg(found, allowed), 2),
            unit="°",
            uncertainty=BUDGET.u,
            limit=limit,
            text=f"outside the range of ITU-R BS.2051 {allowed.system}",
        )


def seat_verdict(job: Job, channel: str, seat: str, checks: tuple[Check, ...]) -> Verdict | None:
    """The worst verdict of the coverage checks at one seat; None if none concerns it."""
    return worst(
        [
            check.verdict
            for check in checks
            if check.channel == channel
            and (check.seat == seat or (check.seat is None and _concerns(job, check, seat)))
        ]
    )


def _concerns(job: Job, check: Check, seat_id: str) -> bool:
    """Whether a loudspeaker's place fails this very seat: only heads beyond it, or rows on the wrong side, do."""
    seat, channel = job.system.seat(seat_id), job.system.channel(check.channel or "")
    if seat is None or channel is None or seat.position_m is None or channel.position_m is None:
        return False
    if check.verdict is Verdict.PASS:
        return True
    (x, y, _), (at_x, at_y, _) = seat.position_m, channel.position_m
    if check.id == "layout.outside-heads":
        return abs(x) >= abs(at_x) and x * at_x >= 0
    return (
        y <= at_y if check.id == "layout.front-heights" else y >= at_y if check.id == "layout.rear-heights" else True
    )


def directions_grid(job: Job, checks: tuple[Check, ...], only: str | None = None) -> Grid | None:
    """Seats across, loudspeakers down: azimuth, and whether the rules of coverage are met at that seat.

    `only`: cells of this seat or loudspeaker alone, for a screen that updates at each key.
    """
    known = directions(job)
    if not known:
        return None
    own: dict[str, tuple[Check, ...]] = {
        channel: tuple(check for check in checks if check.channel == channel) for channel in {c for c, _ in known}
    }
    return Grid(
        id="directions",
        title="Azimuth from each seat [°]",
        seats=tuple(dict.fromkeys(seat for _, seat in known)),
        channels=tuple(dict.fromkeys(channel for channel, _ in known)),
        cells={
            (channel, seat): GridCell(
                verdict=seat_verdict(job, channel, seat, own[channel]),
                figure=number(found.azimuth_deg, 0),
                detail=tuple(_details(job, channel, seat, found, own[channel])),
            )
            for (channel, seat), found in known.items()
            if only in (None, channel, seat)
        },
    )


def _details(job: Job, channel: str, seat: str, found: Direction, checks: tuple[Check, ...]) -> list[str]:
    turn, rise = "left" if found.azimuth_deg > 0 else "right", "up" if found.elevation_deg > -0.5 else "down"
    lines = [
        f"{channel} from {seat}: {abs(found.azimuth_deg):.0f}° {turn}, {abs(found.elevation_deg):.0f}° {rise}, "
        f"{found.distance_m:.2f} m"
    ]
    allowed = direction_range(job, channel)
    if allowed is not None:
        lines.append(standard_text(found, allowed))
    lines += [
        f"{check.verdict.symbol} {_value_text(check)} {check.text}"
        for check in checks
        if check.seat in (None, seat) and check.value is not None
    ]
    line, at = job.system.channel(channel), job.system.seat(seat)
    if line is not None and at is not None and (loss := off_axis_db(job, line, at)) is not None:
        below = "or less " if loss <= FLOOR_DB else ""
        assumed = "" if line.coverage_deg is not None else ", coverage angle assumed"
        lines.append(f"treble about {number(loss, 0)} dB {below}re the axis ({coverage_deg(job, line):g}°{assumed})")
    return [clean_text(line) for line in lines]


def _value_text(check: Check) -> str:
    return f"{number(check.value, 0)}°" if check.unit == "°" else f"{number(check.value, 2)} {check.unit}"


def standard_text(found: Direction, allowed: DirectionRange) -> str:
    """An angle with the range of the standard, which is defined for one listener and shown for information."""
    low, high = allowed.azimuth_deg
    outside = beyond_deg(abs(found.azimuth_deg), allowed.azimuth_deg)
    asked = f"{low:g}°" if low == high else f"{low:g}° to {high:g}°"
    state = "inside" if outside < 0.5 else f"{outside:.0f}° outside"
    text = f"ITU-R BS.2051 {allowed.system}: azimuth {asked}, {state}"
    if allowed.elevation_deg is not None:
        bottom, top = allowed.elevation_deg
        beyond = beyond_deg(found.elevation_deg, allowed.elevation_deg)
        text += f"; elevation {bottom:g}° to {top:g}°, {'inside' if beyond < 0.5 else f'{beyond:.0f}° outside'}"
    return text
