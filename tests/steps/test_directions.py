"""Directions of loudspeakers against the ranges of ITU-R BS.2051 (second-hand, from the ranges of an open renderer)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from builders import cinema, defined, job_of

from commission.model import Channel, Check, Job, Limit, Verdict
from commission.steps.layout import directions


def job_with(*ids: str) -> Job:
    channels = tuple(Channel(id=c, name=c, role="surround") for c in ids)
    return job_of(defined(replace(cinema(), channels=channels)))


@pytest.mark.parametrize(
    ("label", "back", "azimuth_deg", "elevation_deg"),
    [
        ("FC", True, (0, 0), None),
        ("C", False, (0, 0), None),
        ("FL", False, (30, 30), None),
        ("FR", True, (30, 45), None),
        ("SiL", False, (100, 120), (0, 15)),  # two surrounds alone are placed to the rear of the sides
        ("Ls", False, (100, 120), (0, 15)),
        ("SiR", True, (85, 110), None),
        ("BL", True, (120, 150), None),
        ("TpFL", False, (30, 45), (30, 55)),
        ("TpBR", False, (100, 135), (30, 55)),
        ("TpBR", True, (100, 150), (30, 55)),
    ],
)
def test_the_range_of_a_label_depends_on_the_system_that_the_channels_make(
    label: str, back: bool, azimuth_deg: tuple[float, float], elevation_deg: tuple[float, float] | None
) -> None:
    found = directions.direction_range(job_with("FL", "FR", "SiL", "SiR", *(("BL", "BR") if back else ())), label)
    assert found is not None
    assert (found.azimuth_deg, found.elevation_deg) == (azimuth_deg, elevation_deg)


def test_labels_without_a_range() -> None:
    for label in ("SUB1", "FLw", "Ls"):
        assert directions.direction_range(job_with("FL", "BL"), label) is None


def test_an_angle_is_beyond_its_range_by_the_nearer_end() -> None:
    assert [directions.beyond_deg(angle, (30, 45)) for angle in (25.0, 30.0, 40.0, 45.0, 52.0)] == [5, 0, 0, 0, 7]


def test_an_angle_is_stated_beside_the_standard() -> None:
    allowed = directions.DirectionRange((30, 45), (30, 55), "4+7+0")
    inside = directions.standard_text(directions.Direction(-40.0, 29.6, 2.0), allowed)
    assert inside == "ITU-R BS.2051 4+7+0: azimuth 30° to 45°, inside; elevation 30° to 55°, inside"
    outside = directions.standard_text(directions.Direction(51.0, 20.0, 2.0), allowed)
    assert outside == "ITU-R BS.2051 4+7+0: azimuth 30° to 45°, 6° outside; elevation 30° to 55°, 10° outside"
    one = directions.standard_text(directions.Direction(1.0, 20.0, 2.0), directions.DirectionRange((0, 0), None, "s"))
    assert one == "ITU-R BS.2051 s: azimuth 0°, 1° outside"


def coverage(check_id: str, channel: str, value: float, seat: str | None = None) -> Check:
    """A coverage check that requires 0.1 m."""
    return Check(
        id=check_id,
        channel=channel,
        seat=seat,
        value=value,
        unit="m",
        limit=Limit(low=0.1, unit="m", basis="b"),
        text="t",
    )


@pytest.mark.parametrize(
    ("check_id", "channel", "place", "failing"),
    [
        # Two heads to the left of a loudspeaker at x = −0.5 m; rows at y = 3.3 and 4.9 m.
        ("layout.outside-heads", "SiL", (-0.5, 3.35, 1.45), ["A1", "B1"]),
        ("layout.front-heights", "TpFL", (-1.1, 3.6, 2.5), ["A1", "A2", "A3"]),
        ("layout.rear-heights", "TpBL", (-1.1, 4.4, 2.5), ["B1", "B2", "B3"]),
    ],
)
def test_a_place_fails_the_seats_on_its_wrong_side_alone(
    check_id: str, channel: str, place: tuple[float, float, float], failing: list[str]
) -> None:
    system = cinema()
    moved = tuple(replace(c, position_m=place) if c.id == channel else c for c in system.channels)
    job = job_of(defined(replace(system, channels=moved)))
    seats = [s.id for s in system.seats]
    fails, passes = (coverage(check_id, channel, value) for value in (-0.4, 0.4))
    assert [s for s in seats if directions.seat_verdict(job, channel, s, (fails,)) is Verdict.FAIL] == failing
    assert {directions.seat_verdict(job, channel, s, (passes,)) for s in seats} == {Verdict.PASS}
    assert {directions.seat_verdict(job, "FR", s, (fails,)) for s in seats} == {None}
    at_seat = coverage(check_id, channel, -0.4, "A2")
    assert [s for s in seats if directions.seat_verdict(job, channel, s, (at_seat,)) is Verdict.FAIL] == ["A2"]
