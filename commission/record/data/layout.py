"""The layout as plain values for `results --json`."""

from __future__ import annotations

from typing import Any

from commission.model import Job
from commission.record.data.rounding import rounded
from commission.steps.layout import coverage_of
from commission.steps.layout.aim import off_axis, off_axis_db
from commission.steps.layout.directions import Direction, direction_range, directions, outside_deg, seat_verdict
from commission.steps.layout.moves import failed_count, places_of, weight_of
from commission.steps.layout.search import Shortfall, moved_job, search_places
from commission.steps.layout.sight import path_m
from commission.steps.layout.walls import walls


def layout_values(job: Job, round_id: str) -> dict[str, Any]:
    """By seat and channel: direction, aim, direct path, verdict."""
    checks = coverage_of(job, round_id)
    out: dict[str, Any] = {}
    for (channel, seat), found in directions(job).items():
        verdict = seat_verdict(job, channel, seat, checks)
        out.setdefault(seat, {})[channel] = {
            "azimuth_deg": rounded(found.azimuth_deg, 1),
            "elevation_deg": rounded(found.elevation_deg, 1),
            "distance_m": rounded(found.distance_m, 3),
            **_aim(job, channel, seat),
            "path_m": path_m(checks, channel, seat),
            "standard": _standard(job, channel, found),
            "verdict": None if verdict is None else verdict.value,
        }
    return out


def _standard(job: Job, channel_id: str, found: Direction) -> dict[str, Any] | None:
    """The angular range of ITU-R BS.2051 for the label, left and right alike, and how far the direction is outside it."""
    allowed = direction_range(job, channel_id)
    if allowed is None:
        return None
    return {
        "system": allowed.system,
        "azimuth_deg": list(allowed.azimuth_deg),
        "elevation_deg": None if allowed.elevation_deg is None else list(allowed.elevation_deg),
        "outside_deg": rounded(outside_deg(found, allowed), 1),
    }


def _aim(job: Job, channel_id: str, seat_id: str) -> dict[str, Any]:
    """Angle off the axis and the estimated loss of treble there; null if no aim is entered."""
    channel, seat = job.system.channel(channel_id), job.system.seat(seat_id)
    assert channel is not None
    assert seat is not None
    angle, loss = off_axis(channel, seat), off_axis_db(job, channel, seat)
    return {
        "off_axis_deg": None if angle is None else rounded(angle, 1),
        "off_axis_db": None if loss is None else rounded(loss, 1),
    }


def move_values(job: Job, round_id: str) -> dict[str, Any]:
    """Better positions: the trade-off over all weights, and the best moves for the chosen weight; empty if nothing may
    be moved.
    """
    search = search_places(job)
    if search is None:
        return {}
    chosen = search.at(weight_of(job, round_id))
    return {
        "weight": chosen.weight,
        "now": _shortfall(search.now),
        "trade": [
            {"weight": tradeoff.weight, **_shortfall(tradeoff.shortfall), "places_m": places_of(tradeoff)}
            for tradeoff in search.tradeoffs
        ],
        "best": [
            {
                "places_m": move.places,
                "moved_m": rounded(move.moved_m, 3),
                **_shortfall(move.shortfall),
                "failed_checks": failed_count(moved_job(job, move.places)),
                "failed_checks_now": failed_count(job),
            }
            for move in chosen.moves
        ],
    }


def _shortfall(found: Shortfall) -> dict[str, Any]:
    return {
        "reference_deg": rounded(found.reference_deg, 2),
        "all_deg": rounded(found.all_deg, 2),
        "seats_deg": {seat: rounded(value, 2) for seat, value in found.seats_deg.items()},
    }


def wall_values(job: Job) -> dict[str, Any]:
    """Distance to each wall, by seat or channel."""
    return {
        label: {f"{wall}_m": rounded(distance, 3) for wall, distance in found.items()}
        for label, found in walls(job).items()
    }
