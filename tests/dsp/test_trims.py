"""Trims against brute force over the grid, and properties that hold for any job."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from commission.dsp.trims import (
    best_common_offset,
    exact_trims_db,
    feasible_offsets_db,
    free_offset_db,
    grid_decimals,
    plan,
    reachable,
    to_grid,
)

RANGES = st.sampled_from(
    [(-12.0, 12.0, 0.5), (-10.0, 10.0, 1.0), (-15.0, 6.0, 0.1), (-6.0, 0.0, 0.25), (-7.3, 7.2, 0.5)]
)
LEVELS = st.lists(st.floats(55, 95).map(lambda x: round(x, 1)), min_size=1, max_size=14)


def grid(low: float, high: float, step: float) -> np.ndarray:
    return low + step * np.arange(math.floor((high - low) / step + 1e-9) + 1)


@given(value=st.floats(-40, 40), limits=RANGES)
def test_grid_is_the_nearest_of_all_values_that_can_be_held(value: float, limits: tuple[float, float, float]) -> None:
    held = grid(*limits)
    found = to_grid(value, *limits)
    assert np.min(np.abs(held - found)) < 1e-9
    assert abs(found - value) <= np.min(np.abs(held - value)) + 1e-8


@pytest.mark.parametrize(
    ("value", "expected"), [(0.25, 0.0), (-0.25, 0.0), (1.75, 1.5), (-1.75, -1.5), (99, 12), (-99, -12)]
)
def test_halves_are_rounded_toward_zero_and_the_range_is_kept(value: float, expected: float) -> None:
    assert to_grid(value, -12, 12, 0.5) == expected


def test_worked_example_old_trim_plus_correction() -> None:
    # 76.5 dB read, 75.0 required, +1.0 dB set: −0.5 dB is needed. 71.8 dB: 3.2 dB more than −2.0 = +1.2 → +1.0.
    found = plan([76.5, 71.8], [75.0, 75.0], [1.0, -2.0], -12, 12, 0.5)
    assert found.exact_db == pytest.approx((-0.5, 1.2))
    assert found.trim_db == (-0.5, 1.0)
    assert found.residual_db == pytest.approx((0.0, -0.2))
    assert found.out_of_range == ()


def test_a_held_trim_stays_when_nothing_comes_nearer() -> None:
    # Exactly half way between −2.0 and −1.5: the present one stays.
    assert plan([74.75], [75.0], [-2.0], -12, 12, 0.5).trim_db == (-2.0,)
    assert plan([75.25], [75.0], [-1.5], -12, 12, 0.5).trim_db == (-1.5,)


@given(levels=LEVELS, limits=RANGES)
def test_best_offset_against_brute_force(levels: list[float], limits: tuple[float, float, float]) -> None:
    exact = exact_trims_db(levels, [75.0] * len(levels), [0.0] * len(levels))
    found = best_common_offset(exact, *limits)
    step = limits[2]
    tried = sorted((k * step for k in range(-math.ceil(60 / step), math.ceil(60 / step) + 1)), key=abs)
    counts = [sum(reachable(e + offset, *limits) for e in exact) for offset in tried]
    here = sum(reachable(e + found, *limits) for e in exact)
    assert here == max(counts)
    assert abs(found) == pytest.approx(abs(tried[counts.index(max(counts))]), abs=1e-9)


def test_no_offset_is_needed_when_all_are_in_range() -> None:
    assert best_common_offset([-3.0, 0.0, 11.9], -12, 12, 0.5) == 0.0


def test_one_channel_too_soft_costs_what_it_lacks() -> None:
    # It needs +15 dB of at most +12; rounding accounts for half a step, so that −2.5 dB would do: −3 on a 1 dB grid.
    exact = [15.0, 0.0, -1.0]
    offset = best_common_offset(exact, -12, 12, 1.0)
    assert offset == -3.0
    assert all(reachable(e + offset, -12, 12, 1.0) for e in exact)
    assert not all(reachable(e + offset + 1, -12, 12, 1.0) for e in exact)


def test_two_that_no_offset_brings_together_leave_one_out() -> None:
    # 30 dB apart with a range of 24: one is always outside, which must not affect the others.
    exact = [20.0, -10.0, 0.0, 1.0]
    assert feasible_offsets_db(exact, -12, 12) is None
    assert best_common_offset(exact, -12, 12, 0.5) == 0.0
    assert free_offset_db(exact, -12, 12, 0.5) is None


@given(levels=LEVELS, limits=RANGES)
def test_feasible_interval_is_the_one_of_the_common_target(
    levels: list[float], limits: tuple[float, float, float]
) -> None:
    low, high, _ = limits
    exact = exact_trims_db(levels, [75.0] * len(levels), [0.0] * len(levels))
    interval = feasible_offsets_db(exact, low, high)
    # T in [max m + g_min, min m + g_max]
    lowest, highest = max(levels) + low - 75.0, min(levels) + high - 75.0
    if interval is None:
        assert lowest > highest
    else:
        assert interval == pytest.approx((lowest, highest), abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    levels=st.lists(st.floats(70, 80).map(lambda x: round(x, 2)), min_size=2, max_size=13),
    limits=st.sampled_from([(-12.0, 12.0, 0.5), (-8.0, 8.0, 1.0), (-5.2, 5.0, 0.5)]),
)
def test_free_offset_costs_no_more_than_any_of_a_fine_search(
    levels: list[float], limits: tuple[float, float, float]
) -> None:
    exact = np.array(exact_trims_db(levels, [75.0] * len(levels), [0.0] * len(levels)))
    found = free_offset_db(list(exact), *limits)
    interval = feasible_offsets_db(list(exact), limits[0], limits[1])
    if interval is None:
        assert found is None
        return
    assert found is not None
    held = grid(*limits)

    def cost(offset: float) -> float:
        return float(np.sum(np.min(np.abs(held[:, None] - (exact + offset)), axis=0) ** 2))

    assert interval[0] - 1e-9 <= found <= interval[1] + 1e-9
    tried = np.linspace(*interval, 801)
    assert cost(found) <= min(cost(float(t)) for t in tried) + 1e-9


def test_free_target_beats_the_given_one() -> None:
    # Of evenly spread levels rounding leaves step/√12 = 0.144 dB (JCGM 100 4.3.7, rectangular); a free target must do
    # better on average (13 channels, 200 rooms).
    rng = np.random.default_rng(7)
    free, given_ = [], []
    for _ in range(200):
        levels = list(rng.uniform(68, 82, 13))
        exact = exact_trims_db(levels, [75.0] * 13, [0.0] * 13)
        offset = free_offset_db(exact, -12, 12, 0.5)
        assert offset is not None
        free.append(plan(levels, [75.0] * 13, [0.0] * 13, -12, 12, 0.5, offset).rms_db)
        given_.append(plan(levels, [75.0] * 13, [0.0] * 13, -12, 12, 0.5).rms_db)
    assert np.sqrt(np.mean(np.square(given_))) == pytest.approx(0.5 / math.sqrt(12), rel=0.03)  # 2600 values: ± 1 %
    assert np.mean(free) < 0.9 * np.mean(given_)


@given(levels=LEVELS, limits=RANGES, gain=st.integers(-20, 20), offset=st.floats(-3, 3))
def test_a_gain_on_all_readings_shifts_all_exact_trims_the_other_way(
    levels: list[float], limits: tuple[float, float, float], gain: int, offset: float
) -> None:
    n = len(levels)
    before = plan(levels, [75.0] * n, [0.0] * n, *limits, offset)
    after = plan([level + gain for level in levels], [75.0] * n, [0.0] * n, *limits, offset)
    assert np.allclose(np.array(after.exact_db), np.array(before.exact_db) - gain, atol=1e-9)


@given(levels=LEVELS, limits=RANGES, seed=st.integers(0, 1000))
def test_the_order_of_channels_changes_nothing(
    levels: list[float], limits: tuple[float, float, float], seed: int
) -> None:
    n = len(levels)
    order = np.random.default_rng(seed).permutation(n)
    old = list(np.linspace(-3, 3, n))
    before = plan(levels, [75.0] * n, old, *limits)
    after = plan([levels[i] for i in order], [75.0] * n, [old[i] for i in order], *limits)
    assert after.trim_db == tuple(before.trim_db[i] for i in order)
    shuffled = [before.exact_db[i] for i in order]
    assert best_common_offset(shuffled, *limits) == best_common_offset(before.exact_db, *limits)


def test_decimals_show_every_value_of_a_grid() -> None:
    assert [grid_decimals(step) for step in (1.0, 2.0, 0.5, 0.25, 0.03, 1 / 3)] == [0, 0, 1, 2, 2, 4]
    assert [grid_decimals(step, 1) for step in (1.0, 0.5, 0.25)] == [1, 1, 2]
