"""Rules of coverage in rooms worked out by hand (common practice, no source), and directions against ITU-R BS.2051."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from builders import cinema, defined, job_of

from commission.dsp.geometry import mirror_partner, side
from commission.model import Analyses, Check, Job, Position, System, Verdict
from commission.steps import layout
from commission.steps.layout.coverage import coverage_checks
from commission.steps.layout.directions import direction, direction_range, directions, seat_verdict

NOMINAL_DEG = {
    "FL": (30, 0),
    "FR": (-30, 0),
    "FC": (0, 0),
    "SiL": (90, 0),
    "SiR": (-90, 0),
    "BL": (135, 0),
    "BR": (-135, 0),
    "TpFL": (45, 30),
    "TpFR": (-45, 30),
    "TpBL": (135, 30),
    "TpBR": (-135, 30),
}
"""Nominal azimuth and elevation of system 4+7+0, ITU-R BS.2051-2 (second-hand, from an open renderer's table)."""


def moved(system: System, **places: Position) -> Job:
    """The job with some loudspeakers and seats at other places."""
    channels = tuple(replace(c, position_m=places.get(c.id, c.position_m)) for c in system.channels)
    seats = tuple(replace(s, position_m=places.get(s.id, s.position_m)) for s in system.seats)
    return job_of(defined(replace(system, channels=channels, seats=seats)))


def failed(job: Job) -> list[tuple[str, str | None, str | None]]:
    return [(c.id, c.channel, c.seat) for c in coverage_checks(job) if c.verdict is Verdict.FAIL]


def of(job: Job, check_id: str, channel: str | None = None) -> Check:
    return next(c for c in coverage_checks(job) if c.id == check_id and c.channel == channel)


def test_a_room_that_follows_the_rules_fails_none() -> None:
    assert failed(moved(cinema())) == []


def test_nothing_is_checked_without_places() -> None:
    system = cinema()
    bare = replace(system, seats=tuple(replace(seat, position_m=None) for seat in system.seats))
    assert coverage_checks(job_of(defined(bare))) == ()


@pytest.mark.parametrize(("x_m", "verdict"), [(-0.90, "pass"), (-0.80, "unsure"), (-0.70, "fail")])
def test_a_left_loudspeaker_is_left_of_the_leftmost_head(x_m: float, verdict: str) -> None:
    job = moved(cinema(), TpBL=(x_m, 5.2, 2.5))  # the leftmost heads are at −0.80 m
    assert of(job, "layout.outside-heads", "TpBL").verdict.value == verdict


def test_the_middle_of_the_seats_faces_the_screen() -> None:
    job = moved(cinema(), A1=(-0.3, 3.3, 1.1), B1=(-0.3, 4.9, 1.5))
    check = of(job, "layout.seats-centred")
    assert (check.value, check.verdict) == (0.25, Verdict.FAIL)  # heads from −0.3 to 0.8 m


@pytest.mark.parametrize(
    ("channel", "place", "check_id", "value_m", "verdict"),
    [
        ("TpFL", (-1.1, 3.0, 2.5), "layout.front-heights", 0.3, "pass"),
        ("TpFL", (-1.1, 3.6, 2.5), "layout.front-heights", -0.3, "fail"),
        ("TpFL", (-1.1, 0.5, 2.5), "layout.front-heights", 2.8, "fail"),
        ("TpBR", (1.1, 4.6, 2.5), "layout.rear-heights", -0.3, "fail"),
        ("TpBR", (1.1, 5.4, 2.5), "layout.rear-heights", 0.5, "pass"),
    ],
)
def test_heights_stand_on_the_right_side_of_their_row(
    channel: str, place: Position, check_id: str, value_m: float, verdict: str
) -> None:
    check = of(moved(cinema(), **{channel: place}), check_id, channel)
    assert check.value == pytest.approx(value_m)
    assert check.verdict.value == verdict


def test_a_head_in_front_hides_the_centre() -> None:
    """The line from 0.95 m at the screen to 1.15 m at 4.9 m is at 1.08 m where the head in front reaches up to 1.23 m."""
    job = moved(cinema(), B2=(0.0, 4.9, 1.15))
    check = next(c for c in coverage_checks(job) if c.id == "layout.sight" and (c.channel, c.seat) == ("FC", "B2"))
    line_m = 1.15 + (4.9 - 3.3) / (4.9 - 0.1) * (0.95 - 1.15)
    assert check.value == pytest.approx(line_m - 1.23, abs=1e-3)
    assert check.verdict is Verdict.FAIL


def test_only_the_seats_behind_are_marked() -> None:
    job = moved(cinema(), TpBL=(-1.1, 4.0, 2.5))
    checks = coverage_checks(job)
    marks = {seat.id: seat_verdict(job, "TpBL", seat.id, checks) for seat in job.system.seats}
    assert [seat for seat, mark in marks.items() if mark is Verdict.FAIL] == ["B1", "B2", "B3"]


def test_loudspeakers_at_the_nominal_places_are_inside_the_ranges_of_bs_2051() -> None:
    ears, system = (0.0, 3.3, 1.1), cinema()
    job = job_of(defined(system))
    for label, (azimuth, elevation) in NOMINAL_DEG.items():
        turn, rise = math.radians(azimuth), math.radians(elevation)
        place = (
            -2 * math.sin(turn) * math.cos(rise),
            3.3 - 2 * math.cos(turn) * math.cos(rise),
            1.1 + 2 * math.sin(rise),
        )
        found, allowed = direction(ears, place), direction_range(job, label)
        assert allowed is not None
        assert found.azimuth_deg == pytest.approx(azimuth)
        assert found.elevation_deg == pytest.approx(elevation)
        low, high = allowed.azimuth_deg
        assert low - 1e-9 <= abs(found.azimuth_deg) <= high + 1e-9
        if allowed.elevation_deg is not None:
            assert allowed.elevation_deg[0] - 1e-9 <= found.elevation_deg <= allowed.elevation_deg[1]


@pytest.mark.parametrize(
    ("label", "partner", "turn"),
    [
        ("FL", "FR", -1),
        ("SiR", "SiL", 1),
        ("TpBL", "TpBR", -1),
        ("Rs", "Ls", 1),
        ("Ltr", "Rtr", -1),
        ("FLw", "FRw", -1),
    ],
)
def test_sides_by_the_label(label: str, partner: str, turn: int) -> None:
    assert (mirror_partner(label), side(label)) == (partner, turn)


@pytest.mark.parametrize("label", ["FC", "C", "LFE", "SUB1", "TpC"])
def test_the_middle_has_no_side(label: str) -> None:
    assert (mirror_partner(label), side(label)) == (None, None)


def test_every_loudspeaker_is_seen_from_every_seat() -> None:
    job = moved(cinema())
    mains = [c.id for c in job.system.channels if not c.is_sub]
    assert set(directions(job)) == {(channel, seat.id) for channel in mains for seat in job.system.seats}
    grid = layout.evaluate(job, "as-found", Analyses()).grids[0]
    assert set(grid.cells) == set(directions(job))
