"""Rules of coverage in rooms computed by hand (common practice, no source), and directions against ITU-R BS.2051."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from builders import analysis, cinema, defined, job_of

from commission.diagnosis import findings
from commission.dsp.geometry import mirror_partner, side
from commission.model import (
    AnalysedResponse,
    Analyses,
    Channel,
    Check,
    Job,
    LimitsChosen,
    Obstacle,
    PlanRay,
    Position,
    Seat,
    System,
    Verdict,
    default_profile,
)
from commission.model.limits import LimitsProfile
from commission.record.data.layout import layout_values
from commission.record.drawing.plan import plan_figure
from commission.steps import layout
from commission.steps.layout import aim
from commission.steps.layout.aim import with_direction
from commission.steps.layout.coverage import coverage_checks
from commission.steps.layout.directions import direction, direction_checks, direction_range, directions, seat_verdict
from commission.steps.layout.sight import _inside_m, direct_paths, path_m

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


@pytest.mark.parametrize("channel", ["TpFL", "TpBR"])
def test_a_height_loudspeaker_that_fires_at_the_ceiling_is_not_held_against_the_rows(channel: str) -> None:
    # A front or rear loudspeaker 1.25 m high, far from the row above which an overhead one would hang.
    place = (-1.4, 0.2, 1.25) if channel == "TpFL" else (1.2, 3.0, 1.6)
    checks = [
        c for c in coverage_checks(moved(cinema(), **{channel: place})) if c.channel == channel and "heights" in c.id
    ]
    assert [(c.verdict, c.value) for c in checks] == [(Verdict.NOT_TESTED, None)]
    assert "ceiling" in (checks[0].why_not or "")


def test_a_head_in_front_hides_the_centre() -> None:
    """The line from 0.95 m at the screen to 1.15 m at 4.9 m is at 1.08 m over a head that reaches up to 1.23 m."""
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


def changed(system: System, **parts: dict[str, object]) -> System:
    """The system with fields of some seats and channels replaced, by their id."""
    return replace(
        system,
        channels=tuple(replace(c, **parts.get(c.id, {})) for c in system.channels),  # type: ignore[arg-type]
        seats=tuple(replace(s, **parts.get(s.id, {})) for s in system.seats),  # type: ignore[arg-type]
    )


def at(job: Job, check_id: str, channel: str | None, seat: str) -> Check | None:
    found = (c for c in coverage_checks(job) if (c.id, c.channel, c.seat) == (check_id, channel, seat))
    return next(found, None)


def test_a_loudspeaker_in_the_ceiling_that_faces_down_covers_half_the_seats() -> None:
    """At 2.5 m over y = 2.0 m; ears of A2 1.4 m lower and 1.3 m behind, 1.1 m aside; of B2 1.0 m lower, 2.9 m behind."""
    job = job_of(defined(changed(cinema(), TpFL={"aim_m": (-1.1, 2.0, 0.0), "coverage_deg": 110.0})))
    near, far = at(job, "layout.aim", "TpFL", "A2"), at(job, "layout.aim", "TpFL", "B2")
    assert near is not None
    assert far is not None
    assert near.value == pytest.approx(math.degrees(math.atan2(math.hypot(1.1, 1.3), 1.4)), abs=0.01)  # 50.6°
    assert far.value == pytest.approx(math.degrees(math.atan2(math.hypot(1.1, 2.9), 1.0)), abs=0.01)  # 72.1°
    assert near.limit is not None
    assert near.limit.high == 55.0
    assert (near.verdict, far.verdict) == (Verdict.UNSURE, Verdict.FAIL)
    assert at(job, "layout.aim", "TpFR", "A2") is None  # its aim is not entered
    cell = layout.evaluate(job, "as-found", Analyses()).grids[0].cells["TpFL", "B2"]
    assert "✗ 72° off the axis of the loudspeaker" in cell.detail
    assert cell.detail[-1] == "treble about −9 dB re the axis (110°)"


def test_an_assumed_coverage_angle_fails_only_what_no_loudspeaker_covers() -> None:
    job = job_of(defined(changed(cinema(), SiL={"aim_m": (0.0, 3.35, 1.45)}, BL={"aim_m": (-1.15, 8.0, 1.55)})))
    side, away = at(job, "layout.aim", "SiL", "B1"), at(job, "layout.aim", "BL", "A2")
    assert side is not None
    assert away is not None
    assert side.value == pytest.approx(46.9, abs=0.1)  # 1.55 m behind and 0.05 m up, 1.45 m ahead
    assert side.verdict is Verdict.UNSURE
    assert away.verdict is Verdict.FAIL  # it faces the wall behind it


def test_a_high_back_hides_the_rear_loudspeakers_from_its_own_seat() -> None:
    """From 1.55 m at y = 6.25 m to ears at 1.10 m and 3.30 m, the line is 1.8 cm higher at the back, 12 cm behind."""
    job = job_of(defined(changed(cinema(), A2={"back_top_m": 1.30}, A1={"back_top_m": 0.95})))
    hidden, free = at(job, "layout.seat-back", "BL", "A2"), at(job, "layout.seat-back", "BL", "A1")
    assert hidden is not None
    assert free is not None
    assert hidden.value == pytest.approx(1.10 + 0.12 / 2.95 * 0.45 - 1.30, abs=1e-3)
    assert hidden.verdict is Verdict.FAIL
    assert free.verdict is Verdict.PASS
    assert at(job, "layout.seat-back", "FL", "A2") is None  # in front of its listener
    assert at(job, "layout.seat-back", "BL", "A3") is None  # its back is unknown


def test_a_high_back_in_front_hides_the_centre() -> None:
    job = job_of(defined(changed(cinema(), A2={"back_top_m": 1.50})))
    check = at(job, "layout.seat-back", "FC", "B2")
    assert check is not None
    line_m = 1.5 + (4.9 - 3.42) / (4.9 - 0.1) * (0.95 - 1.5)
    assert check.value == pytest.approx(line_m - 1.5, abs=1e-3)
    assert check.verdict is Verdict.FAIL
    assert "above the back of A2" in check.text


def test_how_much_of_a_line_is_inside_a_box() -> None:
    def inside_m(start: Position, end: Position, swap: bool = False) -> float:
        corners = ((1.0, -1.0, 0.0), (2.0, 1.0, 3.0))
        column = Obstacle(id="column", from_m=corners[swap], to_m=corners[not swap])
        return float(direct_paths(np.array([start]), [Seat(id="A1", position_m=end)], [column]).inside_m[0, 0, 0])

    assert inside_m((0, 0, 1), (4, 0, 1)) == pytest.approx(1.0)
    assert inside_m((4, 0, 1), (0, 0, 1), swap=True) == pytest.approx(1.0)
    assert inside_m((0, 0, 1), (1.5, 0, 1)) == pytest.approx(0.5)  # it ends inside
    assert inside_m((0, 2, 1), (4, 2, 1)) == 0.0  # beside it
    assert inside_m((0, 0, 4), (4, 0, 4)) == 0.0  # above it
    assert inside_m((0, 1, 1), (4, 1, 1)) == 0.0  # along its face
    assert inside_m((0, 0, 1), (0.5, 0, 1)) == 0.0  # short of it
    assert inside_m((0, -2, 1), (3, 1, 1)) == pytest.approx(2**0.5)  # from (1, −1) to (2, 0)


def test_the_direct_path_passes_above_the_nearest_head_or_back() -> None:
    def check(check_id: str, value: float | None, channel: str = "FL", seat: str = "B1") -> Check:
        why = None if value is not None else "no position"
        return Check(id=check_id, channel=channel, seat=seat, value=value, unit="m", why_not=why)

    checks = [
        check("layout.sight", 0.3),
        check("layout.seat-back", 0.1),
        check("layout.sight", None),
        check("layout.sight", -0.2, channel="FR"),
        check("layout.sight", -0.3, seat="B2"),
        check("layout.direction", -30.0),
    ]
    assert path_m(checks, "FL", "B1") == 0.1
    assert path_m(checks, "FR", "B1") == -0.2
    assert path_m(checks[2:3], "FL", "B1") is None


def test_of_several_obstacles_the_worst_is_named() -> None:
    beside = Obstacle(id="cupboard", from_m=(-2.3, 2.0, 0.0), to_m=(-2.0, 3.0, 2.6))
    column = Obstacle(id="column", from_m=(-1.6, 2.0, 0.0), to_m=(-0.9, 3.0, 2.6))
    for obstacles in ((beside, column), (column, beside)):
        hidden = at(job_of(defined(replace(cinema(), obstacles=obstacles))), "layout.obstacle", "FL", "A1")
        assert hidden is not None and hidden.verdict is Verdict.FAIL
        assert hidden.text == "of the direct path inside column"


def test_a_column_hides_a_loudspeaker() -> None:
    column = Obstacle(id="column", from_m=(-1.6, 2.0, 0.0), to_m=(-1.2, 3.0, 2.6))
    job = job_of(defined(replace(cinema(), obstacles=(column,))))
    behind, beside = at(job, "layout.obstacle", "FL", "A1"), at(job, "layout.obstacle", "FR", "A3")
    assert behind is not None
    assert beside is not None
    assert behind.value == 0.0  # it passes 0.1 m beside the column
    assert beside.value == 0.0
    job = job_of(defined(replace(cinema(), obstacles=(replace(column, to_m=(-0.9, 3.0, 2.6)),))))
    behind = at(job, "layout.obstacle", "FL", "A1")
    assert behind is not None
    # From (−1.45, 0.10) to (−0.80, 3.30): 0.65 m across in 3.20 m; between y = 2.0 m and x = −0.9 m, y = 2.808 m.
    share = (0.55 / 0.65) - (1.9 / 3.2)
    assert behind.value == pytest.approx(share * math.dist((-1.45, 0.10, 1.15), (-0.8, 3.3, 1.1)), abs=1e-3)
    assert behind.verdict is Verdict.FAIL


@pytest.mark.parametrize(("x_m", "verdict"), [(-2.15, "fail"), (-2.06, "unsure"), (-1.9, "pass")])
def test_ears_keep_away_from_the_walls(x_m: float, verdict: str) -> None:
    check = at(moved(cinema(), A1=(x_m, 3.3, 1.1)), "layout.seat-wall", None, "A1")
    assert check is not None
    assert check.value == pytest.approx(2.35 + x_m)
    assert (check.verdict.value, check.text) == (verdict, "from the left wall")


def test_distances_to_the_walls() -> None:
    """Harbour Lane is 6.40 × 4.70 × 2.60 m: BL at (−1.15, 6.25, 1.55) is 0.15 m from the rear wall, c/4d = 572 Hz at 20 °C."""
    found = layout.evaluate(moved(cinema()), "as-found", Analyses())
    table = next(t for t in found.tables if t.id == "walls")
    row = next(r for r in table.rows if r.key == "BL")
    assert row.cells[:6] == (
        "BL",
        pytest.approx(1.2),
        pytest.approx(3.5),
        6.25,
        pytest.approx(0.15),
        pytest.approx(1.05),
    )
    assert row.cells[6] == pytest.approx(343.2 / 0.6, rel=0.01)


def test_a_loudspeaker_on_a_wall_keeps_its_direction_and_a_free_one_its_aim() -> None:
    free = next(c for c in cinema().channels if c.id == "SiL")
    free = replace(free, aim_m=(0.0, 3.3, 1.1))
    assert with_direction(free, (-2.25, 4.0, 1.6)).aim_m == (0.0, 3.3, 1.1)
    fixed = with_direction(replace(free, mount="left wall"), (-2.25, 4.0, 1.6))
    assert fixed.aim_m == pytest.approx((0.0, 3.95, 1.25))
    assert fixed.position_m == (-2.25, 4.0, 1.6)


def test_a_reflection_is_a_ray_over_its_surface() -> None:
    """FC at 0.95 m and A2 at 1.10 m, 3.2 m apart, under a ceiling at 2.6 m: 1.65 m and 1.50 m below it.

    The path by the ceiling is √(3.2² + 3.15²) = 4.490 m, the direct one 3.204 m: 3.74 ms later at 344 m/s; the ray
    meets the ceiling at 0.1 + 3.2·1.65/3.15 m.
    """
    job = job_of(defined(cinema()))
    after_s = (math.hypot(3.2, 3.15) - math.hypot(3.2, 0.15)) / 344.2
    heard = analysis(reflections=((after_s, -8.0), (0.0005, -3.0), (0.0142, -12.0)))
    found = AnalysedResponse(
        seq=9, round="as-found", channel="FC", seat="A2", clock=None, passes_delays=True, analysis=heard
    )
    (plan,) = layout.evaluate(job, "as-found", Analyses([found])).room_plans
    (ray,) = plan.rays  # no ray for the loudspeaker's own edge, nor for a reflection that fits no surface
    assert (ray.channel, ray.seat, ray.text) == ("FC", "A2", "ceiling −8 dB after 3.7 ms")
    assert ray.points_m[1] == pytest.approx((0.0, 0.1 + 3.2 * 1.65 / 3.15, 2.6))
    assert layout.evaluate(job, "as-found", Analyses()).room_plans[0].rays == ()


def test_obstacles_are_in_the_plan() -> None:
    column = Obstacle(id="column", from_m=(-1.6, 2.0, 0.0), to_m=(-1.2, 2.4, 2.6))
    (plan,) = layout.evaluate(
        job_of(defined(replace(cinema(), obstacles=(column,)))), "as-found", Analyses()
    ).room_plans
    assert [(box.label, box.from_m) for box in plan.boxes] == [("column", (-1.6, 2.0, 0.0))]
    figure = plan_figure(plan)
    assert figure.svg.count("#b5b5b5") == 2  # from above and from the side
    assert figure.caption.endswith("Grey: obstacles.")
    assert "column, obstacle: −1.60 m, 2.00 m, 0.00 m to −1.20 m, 2.40 m, 2.60 m." in figure.alt


@pytest.mark.parametrize(
    ("from_y_m", "to_y_m", "inside_m"), [(1.0, 2.5, 1.5), (-2.0, 1.0, 1.0), (3.0, 9.0, 1.0), (-2.0, -1.0, 0.0)]
)
def test_a_way_is_inside_an_obstacle_from_where_it_begins_to_where_it_ends(
    from_y_m: float, to_y_m: float, inside_m: float
) -> None:
    """4 m from the loudspeaker at y = 0 to the ears."""
    box = Obstacle(id="box", from_m=(-1.0, from_y_m, 0.0), to_m=(1.0, to_y_m, 2.0))
    found = _inside_m(np.array([[0.0, 0.0, 1.0]]), np.array([[0.0, 4.0, 1.0]]), box)
    np.testing.assert_allclose(found, [[inside_m]], atol=1e-12)


def test_the_aim_is_uncertain_by_eye_and_by_the_data_sheet() -> None:
    """Rectangular distributions: half-widths over √3 (JCGM 100 4.3.7)."""
    for coverage_deg, within in ((90.0, aim.SHEET_WITHIN_DEG), (None, aim.ASSUMED_WITHIN_DEG)):
        budget = aim.aim_budget(Channel(id="FL", role="screen", coverage_deg=coverage_deg))
        assert budget.u == pytest.approx(math.hypot(aim.AIM_WITHIN_DEG, within) / math.sqrt(3))


def test_a_firms_limit_for_directions_is_checked_at_every_seat() -> None:
    """FL from A1, 0.65 m to its right and 3.2 m behind: 11.5°, BS.2051 asks for 30° to 45° with back loudspeakers."""
    own = replace(default_profile().limits[0], quantity="layout.direction", low=None, high=10.0, unit="°", own=True)
    profile = LimitsProfile(name="ours", version="1", limits=(own,))
    assert not [c for c in coverage_checks(job_of(defined(cinema()))) if c.id == "layout.direction"]
    job = job_of(defined(cinema()), LimitsChosen(profile=profile))
    check = at(job, "layout.direction", "FL", "A1")
    assert check is not None
    assert check.value == pytest.approx(30 - math.degrees(math.atan2(0.65, 3.2)), abs=0.01)
    assert check.verdict is Verdict.FAIL
    assert check.limit == own.limit
    others = [c.id for c in job.system.channels if not c.is_sub and c.id != "FL"]
    assert [(c.channel, c.seat) for c in direction_checks(job, ("FL", "A1"))] == [
        (c, s.id) for c, s in product(others, job.system.seats) if s.id != "A1"
    ]
    outcomes = {"layout": layout.evaluate(job, "as-found", Analyses())}
    named = {f.id: f for f in findings(job, "as-found", Analyses(), outcomes)}["room.direction"]
    assert {"FL", "FR"} <= set(named.channels) and "A1" in named.seats and "19°" in named.evidence[0]
    standard = layout_values(job, "as-found")["A1"]["FL"]["standard"]
    assert standard == {"system": "0+7+0", "azimuth_deg": [30, 45], "elevation_deg": None, "outside_deg": 18.5}


def test_strong_reflections_at_the_reference_seat_are_on_paper() -> None:
    """Above −10 dB (ITU-R BS.1116, from memory): the strongest of each loudspeaker, and none of other seats."""
    (plan,) = layout.evaluate(job_of(defined(cinema())), "as-found", Analyses()).room_plans
    ears, source, floor = (0.0, 3.3, 1.1), (-1.45, 0.1, 1.15), (-0.7, 1.7, 0.0)
    rays = tuple(
        PlanRay(
            channel=channel, seat=seat, points_m=(source, floor, ears), level_db=level, text=f"floor {level:.0f} dB"
        )
        for channel, seat, level in (("FL", "A2", -5.0), ("FL", "A2", -9.0), ("FR", "A2", -12.0), ("FR", "A1", -4.0))
    )
    bare, figure = plan_figure(plan), plan_figure(replace(plan, rays=rays))
    assert figure.svg.count("3 2.5") == bare.svg.count("3 2.5") + 2  # from above and from the side
    assert figure.caption.endswith("Dashed: strong early reflections at A2.")
    assert "FL to A2: floor -5 dB." in figure.alt and "FR to" not in figure.alt
