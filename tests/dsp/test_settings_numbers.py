"""Trims, delays, latency, units and places against brute force, worked examples and general-purpose optimisers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from commission.dsp import delays, geometry, latency, trims
from commission.model import DelayRange

levels_db = st.lists(st.floats(55, 95), min_size=1, max_size=12)


@given(level=levels_db, gain=st.floats(-6, 6))
def test_louder_by_g_means_trims_lower_by_g(level: list[float], gain: float) -> None:
    zero = [0.0] * len(level)
    a = trims.plan(level, [75.0] * len(level), zero, -60, 60, 0.5)
    b = trims.plan([x + gain for x in level], [75.0] * len(level), zero, -60, 60, 0.5)
    np.testing.assert_allclose(np.array(a.exact_db) - gain, b.exact_db, atol=1e-9)


@given(level=levels_db)
def test_rounding_leaves_at_most_half_a_step_within_range(level: list[float]) -> None:
    plan = trims.plan(level, [75.0] * len(level), [0.0] * len(level), -12, 12, 0.5)
    for i, (rest, trim) in enumerate(zip(plan.residual_db, plan.trim_db, strict=True)):
        assert -12 <= trim <= 12
        assert (trim / 0.5) == pytest.approx(round(trim / 0.5))
        if i not in plan.out_of_range:
            assert abs(rest) <= 0.25 + 1e-9 or trim in (-12, 12)


def test_new_trim_is_old_trim_plus_correction() -> None:
    plan = trims.plan([76.5], [75.0], [2.0], -12, 12, 0.5)
    assert plan.exact_db == (pytest.approx(0.5),)
    assert plan.trim_db == (0.5,)


@given(distances=st.lists(st.floats(0.5, 9), min_size=1, max_size=12), c=st.floats(325, 350))
def test_the_farthest_gets_no_delay_and_all_arrive_together(distances: list[float], c: float) -> None:
    needed = delays.needed_delays_s(distances, c)
    assert needed[int(np.argmax(distances))] == 0
    assert np.ptp(needed + np.array(distances) / c) < 1e-12
    assert (needed >= 0).all()


def test_delay_of_a_metre_and_of_a_foot() -> None:
    """2.91375 ms for 1 m and 0.88811 ms for 1 ft at 343.2 m/s, worked with a calculator."""
    assert 1000 * delays.needed_delays_s([2.0, 1.0], 343.2)[1] == pytest.approx(2.91375, abs=5e-6)
    assert 1000 * delays.needed_delays_s([1.3048, 1.0], 343.2)[1] == pytest.approx(0.88811, abs=5e-6)


@pytest.mark.parametrize(("unit", "step", "worst_ms"), [("m", 0.1, 0.15), ("ft", 1.0, 0.45), ("ms", 0.1, 0.051)])
def test_rounding_costs_no_more_than_its_step(unit: str, step: float, worst_ms: float) -> None:
    """Half a step for each of two loudspeakers: 0.1 m is 0.29 ms of travel, 1 ft 0.89 ms."""
    rng = np.random.default_rng(3)
    distances = rng.uniform(1, 8, 200)
    found = delays.delay_settings(distances, 343.2, DelayRange(unit=unit, max=100, step=step))  # type: ignore[arg-type]
    errors = np.array([s.error_s for s in found]) * 1000
    assert np.max(np.abs(errors - np.median(errors))) <= 2 * worst_ms
    assert found[0].phase_deg(1000) == pytest.approx(0.36 * errors[0] * 1000)


def test_distances_are_scaled_to_the_processors_own_speed_of_sound() -> None:
    """The processor divides by its assumed speed: the delay between two loudspeakers must equal that in air."""
    found = delays.delay_settings([4.0, 2.0], 346.0, DelayRange(unit="m", max=20, step=1e-6), 340.0)
    applied = delays.applied_delays_s([s.setting for s in found], DelayRange(unit="m", max=20, step=1e-6), 340.0)
    assert applied[1] - applied[0] == pytest.approx(2.0 / 346.0, abs=1e-8)


@pytest.mark.parametrize(("distance_m", "clipped"), [(6.0, False), (6.05, False), (6.051, True)])
def test_what_rounds_into_the_range_is_not_clipped(distance_m: float, clipped: bool) -> None:
    """With 0.1 m steps up to 6 m, the last step covers up to 6.05 m."""
    found = delays.delay_settings([distance_m, 2.0], 343.0, DelayRange(unit="m", max=6, step=0.1))
    assert [each.clipped for each in found] == [clipped, False]


def test_a_setting_beyond_the_range_is_clipped_and_said() -> None:
    found = delays.delay_settings([9.0, 2.0], 343.0, DelayRange(unit="m", max=6, step=0.1))
    assert found[0].clipped
    assert not found[1].clipped
    assert found[0].setting == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("k", "word"), [(1.0, "right"), (0.0, "no delays"), (-1.0, "sign"), (1 / 0.3048, "feet"), (0.3048, "metres")]
)
def test_unit_factor_is_found_beside_a_late_channel(k: float, word: str) -> None:
    rng = np.random.default_rng(5)
    d = rng.uniform(1.8, 4.2, 11)
    t = 0.012 + d / 344 - k * d / 344 + rng.normal(0, 5e-5, 11)
    t[4] += 0.012
    fit = latency.unit_factor(t, d, 344.0)
    assert fit is not None
    assert fit.factor == pytest.approx(k, abs=0.04)  # 5e-5 s of noise over a spread of 2 ms of travel
    assert fit.meaning is not None
    assert word in fit.meaning
    assert fit.outliers == (4,)


def test_too_few_channels_give_no_unit() -> None:
    assert latency.unit_factor(np.array([0.01, 0.02, np.nan]), np.array([1.0, 2.0, 3.0]), 343.0) is None


def test_directions_follow_bs_2051() -> None:
    """Azimuth positive to the left, elevation positive up (ITU-R BS.2051): a loudspeaker at +30°/0° is front left."""
    seat = (0.0, 3.0, 1.1)
    left = (-math.sin(math.radians(30)) * 2, 3.0 - math.cos(math.radians(30)) * 2, 1.1)
    assert geometry.azimuth_deg(seat, left) == pytest.approx(30)
    assert geometry.elevation_deg(seat, (0.0, 2.0, 2.1)) == pytest.approx(45)
    assert geometry.azimuth_deg(seat, (-1.0, 3.0, 1.1)) == pytest.approx(90)
    assert geometry.distance_m(seat, left) == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("channel", "partner"),
    [("FL", "FR"), ("TpFR", "TpFL"), ("SiL", "SiR"), ("BR", "BL"), ("FLw", "FRw"), ("FC", None), ("SUB1", None)],
)
def test_mirror_partners(channel: str, partner: str | None) -> None:
    """Labels of IEC 62574 (from memory)."""
    assert geometry.mirror_partner(channel) == partner
