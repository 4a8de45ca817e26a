"""Delays, latency, wrong units, swapped loudspeakers: against worked examples, simulations with known truth, and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from builders import LOUDSPEAKERS, SEATS
from hypothesis import given
from hypothesis import strategies as st

from commission.dsp.delays import applied_delays_s, assumed_speed_m_s, delay_settings, needed_delays_s
from commission.dsp.geometry import azimuth_deg, distance_m, elevation_deg, mirror_partner
from commission.dsp.latency import (
    NO_DELAYS,
    WRONG_SIGN,
    common_latency,
    unit_factor,
)
from commission.model import DelayRange

C = 343.2  # m/s at 20 °C, ISO 9613-1
FOOT = 0.3048  # m, exactly: NIST SP 811 (2008), Appendix B.8
MAINS = [name for name, (_, role, _) in LOUDSPEAKERS.items() if role != "sub"]
FLIGHTS = np.array([[distance_m(LOUDSPEAKERS[c][2], seat) / C for seat in SEATS.values()] for c in MAINS])
DISTANCES = FLIGHTS[:, list(SEATS).index("A2")] * C

distances = st.lists(st.floats(0.5, 12).map(lambda x: round(x, 2)), min_size=1, max_size=16)
ranges = st.sampled_from(
    [
        DelayRange(unit="m", max=18.0, step=0.03),
        DelayRange(unit="m", max=15.0, step=0.1),
        DelayRange(unit="ft", max=60.0, step=0.1),
        DelayRange(unit="ft", max=60.0, step=1.0),
        DelayRange(unit="ms", max=100.0, step=0.1),
        DelayRange(unit="ms", max=50.0, step=0.01),
    ]
)


def test_delay_per_metre_and_per_foot() -> None:
    # Computed: 1/343.2 = 2.91375 ms for each metre, 0.88811 ms for each foot.
    assert 1000 * needed_delays_s([1.0, 2.0], C)[0] == pytest.approx(2.91375, abs=5e-6)
    assert 1000 * needed_delays_s([1.0, 1.0 + FOOT], C)[0] == pytest.approx(0.88811, abs=5e-6)


def test_worked_example_in_milliseconds() -> None:
    # 4.20 m is farthest: no delay. 3.42 m: 0.78/343.2 = 2.27273 ms, held as 2.3: 0.02727 ms late, which at 1 kHz is 9.8°
    # and at 80 Hz 0.79°.
    near, far = delay_settings([3.42, 4.20], C, DelayRange(unit="ms", max=20, step=0.1))
    assert far.delay_s == 0.0
    assert far.setting == 0.0
    assert near.delay_s == pytest.approx(2.27273e-3, abs=5e-9)
    assert near.setting == 2.3
    assert near.error_s == pytest.approx(2.727e-5, abs=5e-9)
    assert near.phase_deg(1000) == pytest.approx(9.818, abs=1e-3)
    assert near.phase_deg(80) == pytest.approx(0.7855, abs=1e-3)


def test_a_processor_with_its_own_speed_gets_scaled_distances() -> None:
    # It divides by 340 m/s where 346.114 is true (25 °C): 4.00 m must be entered as 3.929 m to give 4.00/346.114 s.
    found = delay_settings([4.0, 6.0], 346.114, DelayRange(unit="m", max=18, step=0.001), 340.0)
    assert found[0].exact == pytest.approx(4.0 * 340 / 346.114)
    assert found[0].setting == pytest.approx(3.929, abs=5e-4)
    assert (found[1].exact - found[0].exact) / 340 == pytest.approx(2.0 / 346.114)
    settings = delay_settings([4.0, 6.0], 346.114, DelayRange(unit="m", max=18, step=0.001))
    assert settings[0].setting == 4.0


def test_assumed_speed_means_nothing_to_a_processor_in_milliseconds() -> None:
    assert assumed_speed_m_s("ms", 300.0, C) == C
    assert assumed_speed_m_s("m", None, C) == C
    assert assumed_speed_m_s("ft", 340.0, C) == 340.0


@pytest.mark.parametrize(
    ("delay", "worst_ms"),
    # Half a step for each of two channels: 0.1 m 0.146 ms, 1 ft 0.444, 0.1 ft 0.044, 0.1 ms 0.05 (by hand)
    [
        (DelayRange(unit="m", max=18, step=0.1), 0.05 / C * 1000),
        (DelayRange(unit="ft", max=60, step=1.0), 0.5 * FOOT / C * 1000),
        (DelayRange(unit="ft", max=60, step=0.1), 0.05 * FOOT / C * 1000),
        (DelayRange(unit="ms", max=50, step=0.1), 0.05),
    ],
)
def test_rounding_never_costs_more_than_a_step_between_two_channels(delay: DelayRange, worst_ms: float) -> None:
    places = np.sort(np.random.default_rng(20).uniform(1, 8, 400))
    errors = [1000 * each.error_s for each in delay_settings(list(places), C, delay)]
    assert max(map(abs, errors)) <= 2 * worst_ms + 1e-9
    assert max(errors) - min(errors) <= 2 * worst_ms + 1e-9
    assert max(errors) - min(errors) > 1.8 * worst_ms  # 400 places come near both ends


def test_a_setting_beyond_the_range_is_clipped_and_reported() -> None:
    found = delay_settings([1.0, 9.5], C, DelayRange(unit="m", max=6.0, step=0.1))
    assert [each.clipped for each in found] == [False, True]
    assert found[1].setting == 6.0
    assert found[0].error_s == pytest.approx(-(9.5 - 6.0) / C)  # the near one gets too little delay
    ms = delay_settings([1.0, 9.5], C, DelayRange(unit="ms", max=20.0, step=0.1))
    assert [each.clipped for each in ms] == [True, False]
    assert ms[0].setting == 20.0


@given(places=distances, delay=ranges)
def test_the_farthest_gets_no_delay_and_nobody_a_negative_one(places: list[float], delay: DelayRange) -> None:
    found = delay_settings(places, C, delay)
    needed = [each.delay_s for each in found]
    assert needed[places.index(max(places))] == 0.0
    assert min(needed) >= 0.0
    if delay.unit == "ms":
        assert found[places.index(max(places))].setting == 0.0


@given(places=distances, delay=ranges, seed=st.integers(0, 99))
def test_the_order_of_channels_changes_no_setting(places: list[float], delay: DelayRange, seed: int) -> None:
    order = np.random.default_rng(seed).permutation(len(places))
    before = delay_settings(places, C, delay)
    after = delay_settings([places[i] for i in order], C, delay)
    assert [each.setting for each in after] == [before[i].setting for i in order]


@given(places=distances, delay=ranges, own=st.sampled_from([None, 340.0, 343.0]))
def test_settings_give_back_the_delays_they_came_from(
    places: list[float], delay: DelayRange, own: float | None
) -> None:
    """The inverse: with these settings all sound arrives at once, except for rounding."""
    found = delay_settings(places, C, delay, own)
    applied = applied_delays_s([each.setting for each in found], delay, assumed_speed_m_s(delay.unit, own, C))
    arrivals = np.array(places) / C + applied
    if any(each.clipped for each in found):
        return
    step_s = delay.step / 1000 if delay.unit == "ms" else delay.step * (FOOT if delay.unit == "ft" else 1) / 340.0
    assert np.ptp(arrivals) <= step_s + 1e-9
    farthest = places.index(max(places))
    assert np.allclose(arrivals - arrivals[farthest], [each.error_s for each in found], atol=1e-12)


# --- common latency


def test_latency_is_found_though_some_are_wrong() -> None:
    arrivals = 0.012 + DISTANCES / C
    arrivals[2] += 0.003
    arrivals[7] -= 0.005
    arrivals[9] = np.nan
    fit = common_latency(arrivals, DISTANCES, np.zeros(len(arrivals)), C)
    assert fit is not None
    assert fit.latency_s == pytest.approx(0.012, abs=1e-12)
    assert fit.residual_s[2] == pytest.approx(0.003)
    assert fit.residual_s[7] == pytest.approx(-0.005)
    assert math.isnan(fit.residual_s[9])
    assert not fit.residual_s.flags.writeable


def test_latency_allows_for_applied_delays_and_for_who_may_speak() -> None:
    applied = np.linspace(0, 0.01, len(DISTANCES))
    arrivals = 0.02 + DISTANCES / C + applied
    arrivals[:6] += 0.015  # more than half are late, but only the others count
    among = np.arange(len(arrivals)) >= 6
    fit = common_latency(arrivals, DISTANCES, applied, C, among)
    assert fit is not None
    assert fit.latency_s == pytest.approx(0.02)
    assert fit.residual_s[0] == pytest.approx(0.015)
    assert common_latency(arrivals[:2], DISTANCES[:2], applied[:2], C) is not None  # two that agree are enough
    assert common_latency(arrivals[5:7], DISTANCES[5:7], applied[5:7], C) is None


# --- wrong unit


@pytest.mark.parametrize(
    ("factor", "meaning"),
    [
        (1.0, "right"),
        (0.0, NO_DELAYS),
        (-1.0, WRONG_SIGN),
        (1 / FOOT, "feet were entered where metres are expected"),
        (FOOT, "metres were entered where feet are expected"),
    ],
)
def test_unit_factor_is_found_and_read(factor: float, meaning: str) -> None:
    # t = τ + d/c − k·d/c with 0.05 ms of noise and one loudspeaker 4 ms late
    arrivals = 0.03 + DISTANCES / C * (1 - factor) + np.random.default_rng(3).normal(0, 5e-5, len(DISTANCES))
    arrivals[5] += 0.004
    fit = unit_factor(arrivals, DISTANCES, C)
    assert fit is not None
    assert fit.sd <= 0.02
    assert fit.factor == pytest.approx(factor, abs=4 * fit.sd)
    assert fit.meaning == meaning
    assert fit.outliers == (5,)


def test_unit_factor_says_nothing_through_two_distances_where_one_channel_does_not_fit() -> None:
    # Three in front, two at the sides. All in front are 3.2 ms late by themselves: without the centre, as by metres for feet.
    distances = np.array([3.12, 3.16, 2.97, 1.53, 1.56])
    arrivals = 0.03 + np.array([0.0, 0.0, 0.0, -0.00323, -0.00323])
    assert unit_factor(arrivals, distances, C) is None
    # With a third distance the line is determined.
    more, with_more = np.append(distances, 2.2), np.append(arrivals, 0.03 + (2.2 - 3.14) / C * (1 - FOOT))
    fit = unit_factor(with_more, more, C)
    assert fit is not None
    assert fit.meaning == "metres were entered where feet are expected"


def test_unit_factor_agrees_with_scipy_and_its_sd_covers_the_truth() -> None:
    from scipy.stats import linregress

    sigma, inside = 8.5e-5, 0
    for seed in range(200):
        noise = np.random.default_rng(seed).normal(0, sigma, len(DISTANCES))
        arrivals = 0.03 + DISTANCES / C * (1 - 1.0) + noise
        fit = unit_factor(arrivals, DISTANCES, C)
        assert fit is not None
        if not fit.outliers:
            line = linregress(DISTANCES / C, arrivals - DISTANCES / C)
            assert fit.factor == pytest.approx(-line.slope, abs=1e-9)
        inside += abs(fit.factor - 1.0) <= 2 * fit.sd
    assert inside >= 184  # 95 % of 200 is 190, its standard deviation 3: four less than two of them away


def test_unit_factor_says_nothing_on_data_that_cannot_carry_it() -> None:
    assert unit_factor(np.array([0.01, 0.02, 0.03]), np.array([1.0, 2.0, 3.0]), C) is None
    assert unit_factor(np.full(5, 0.01), np.full(5, 3.0), C) is None  # all at one distance: no slope
    near = np.array([3.00, 3.05, 3.10, 3.15, 3.20])
    fit = unit_factor(0.01 + near / C, near, C)
    assert fit is not None
    assert fit.sd > 0.02
    assert fit.meaning is None
    # A factor between the known ones means nothing definite.
    odd = unit_factor(0.01 + DISTANCES / C * (1 - 0.6), DISTANCES, C)
    assert odd is not None
    assert odd.factor == pytest.approx(0.6)
    assert odd.meaning is None


# --- geometry


def test_directions_follow_itu_r_bs_2051() -> None:
    """Azimuth positive to the left, 0 ahead; elevation positive up (ITU-R BS.2051, positions M+030, U+030, M+110 …)."""
    seat = (0.0, 3.0, 1.1)
    assert azimuth_deg(seat, (0.0, 0.0, 1.1)) == pytest.approx(0)
    left = (-math.tan(math.radians(30)), 2.0, 1.1)
    assert azimuth_deg(seat, left) == pytest.approx(30)
    assert azimuth_deg(seat, (2.0, 3.0, 1.1)) == pytest.approx(-90)
    assert azimuth_deg(seat, (-1.0, 3.0 + math.tan(math.radians(20)), 1.1)) == pytest.approx(110)
    assert abs(azimuth_deg(seat, (0.0, 6.0, 1.1))) == pytest.approx(180)
    assert elevation_deg(seat, (0.0, 2.0, 2.1)) == pytest.approx(45)
    assert elevation_deg(seat, (0.0, 3.0, 2.1)) == pytest.approx(90)
    assert elevation_deg(seat, (0.0, 2.0, 0.1)) == pytest.approx(-45)
    assert distance_m(seat, (3.0, 3.0, 5.1)) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("label", "partner"),
    [("L", "R"), ("Rs", "Ls"), ("Lw", "Rw"), ("Ltf", "Rtf"), ("Rrs", "Lrs"), ("C", None), ("LFE", None)],
)
def test_mirror_partners_of_labels_that_begin_with_the_side(label: str, partner: str | None) -> None:
    """As cinema processors name their outputs (common practice, no source); another test covers IEC 62574."""
    assert mirror_partner(label) == partner
