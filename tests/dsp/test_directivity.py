"""Treble off the axis against the directivity of a piston by scipy's Bessel function, and points computed by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import j1

from commission.dsp.directivity import FLOOR_DB, off_axis_level_db
from commission.dsp.geometry import crossing_m, off_axis_deg


@pytest.mark.parametrize("coverage_deg", [40.0, 60.0, 90.0, 120.0, 180.0])
def test_half_the_coverage_angle_costs_6_db(coverage_deg: float) -> None:
    """By definition (IEC 60268-5, 23.6, from memory); 0.03 dB: half the pressure is −6.02 dB."""
    assert off_axis_level_db(coverage_deg / 2, coverage_deg) == pytest.approx(-6.0, abs=0.03)
    assert off_axis_level_db(0.0, coverage_deg) == 0.0


@pytest.mark.parametrize("coverage_deg", [60.0, 90.0, 120.0])
def test_between_it_is_a_piston(coverage_deg: float) -> None:
    """20·lg|2·J1(k·a·sin θ)/(k·a·sin θ)| (Beranek, from memory), k·a from −6 dB at the edge; 4e-3 dB: four digits of k·a."""
    ka = 2.21509 / math.sin(math.radians(coverage_deg / 2))
    angles = np.arange(1.0, 90.0)
    x = ka * np.sin(np.radians(angles))
    with np.errstate(divide="ignore"):
        expected = np.where(x < 3.83, 20 * np.log10(np.abs(2 * j1(x) / x)), FLOOR_DB)
    got = [off_axis_level_db(angle, coverage_deg) for angle in angles]
    np.testing.assert_allclose(got, np.maximum(expected, FLOOR_DB), atol=4e-3)


def test_it_falls_all_the_way_and_stays_behind() -> None:
    levels = [off_axis_level_db(angle, 60.0) for angle in range(0, 181, 5)]
    assert levels == sorted(levels, reverse=True)
    assert levels[-1] == FLOOR_DB
    assert off_axis_level_db(150.0, 120.0) == off_axis_level_db(90.0, 120.0)
    assert off_axis_level_db(-30.0, 90.0) == off_axis_level_db(30.0, 90.0)
    assert off_axis_level_db(90.0, 360.0) == off_axis_level_db(90.0, 180.0)


@pytest.mark.parametrize(
    ("place", "aim", "ears", "angle_deg"),
    [
        ((0, 0, 1), (0, 3, 1), (0, 5, 1), 0),
        ((0, 0, 1), (0, 3, 1), (3, 3, 1), 45),
        ((0, 0, 1), (0, 3, 1), (0, -2, 1), 180),
        ((0, 0, 2.5), (0, 0, 0), (0, 1.4, 1.1), 45),  # straight down from the ceiling
        ((0, 0, 0), (1, 1, 0), (1, 0, 1), 60),  # two diagonals of the faces of a cube
    ],
)
def test_angles_off_the_axis(
    place: tuple[float, float, float],
    aim: tuple[float, float, float],
    ears: tuple[float, float, float],
    angle_deg: float,
) -> None:
    assert off_axis_deg(place, aim, ears) == pytest.approx(angle_deg, abs=1e-6)


def test_no_angle_without_a_line() -> None:
    assert math.isnan(off_axis_deg((0, 0, 1), (0, 0, 1), (0, 3, 1)))
    assert math.isnan(off_axis_deg((0, 0, 1), (0, 3, 1), (0, 0, 1)))


def test_where_a_line_crosses_a_plane() -> None:
    assert crossing_m((0, 0, 1), (2, 4, 3), 1, 1.0) == pytest.approx((0.5, 1.0, 1.5))
    assert crossing_m((2, 4, 3), (0, 0, 1), 1, 1.0) == pytest.approx((0.5, 1.0, 1.5))
    assert crossing_m((0, 0, 1), (2, 4, 3), 1, 4.5) is None
    assert crossing_m((0, 2, 1), (2, 2, 3), 1, 2.0) is None
