"""Sums of subwoofers at seats: cases worked by hand, numpy, invariances."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bass_rooms import BINS_HZ, modal_room

from commission.dsp.bass_sum import (
    SubResponses,
    SubSettings,
    level_matched_db,
    log_points,
    output_db,
    power_sum_db,
    spatial_variance_db2,
    sum_levels_db,
    summed,
    target_variance_db2,
    unchanged,
)


def room_of(values: list[list[complex]], **weights: list[float]) -> SubResponses:
    """One frequency, 50 Hz; rows are subwoofers, columns seats."""
    h = np.array(values, complex)[..., None]
    return SubResponses(h, np.array([50.0]), np.array(weights.get("seats", [1.0] * h.shape[1])), np.ones(1))


def test_two_subwoofers_at_two_seats_worked_by_hand() -> None:
    # Seat 1: 1 + 1 = 2 → 6.02 dB; seat 2: 1 + j → √2 → 3.01 dB. Mean 4.515, variance 1.505² = 2.2655 dB².
    room = room_of([[1, 1], [1, 1j]])
    assert np.allclose(sum_levels_db(room, unchanged(2))[:, 0], [6.0206, 3.0103], atol=1e-4)
    levels = sum_levels_db(room, unchanged(2))
    assert math.isclose(spatial_variance_db2(levels, room.seat_share, room.freq_share), 2.2655, abs_tol=1e-4)
    # Both have the power 1 at both seats: the sum of powers is 3.01 dB, the mean of the sum 4.515: output +1.505 dB.
    assert math.isclose(power_sum_db(room, np.zeros(2)), 3.0103, abs_tol=1e-4)
    assert math.isclose(output_db(room, unchanged(2), np.zeros(2)), 1.5051, abs_tol=1e-4)


def test_a_delay_of_a_quarter_period_evens_them_out() -> None:
    # At 50 Hz 2.5 ms turn by 45°: seat 1 |1 + e^(−jπ/4)| = seat 2 |1 + j·e^(−jπ/4)| = |1 + e^(jπ/4)| = 1.8478.
    room = room_of([[1, 1], [1, 1j]])
    settings = SubSettings(np.zeros(2), np.array([0.0, 2.5e-3]), np.array([1, 1]))
    assert np.allclose(np.abs(summed(room, settings)), 1.8478, atol=1e-4)
    levels = sum_levels_db(room, settings)
    assert spatial_variance_db2(levels, room.seat_share, room.freq_share) == pytest.approx(0.0, abs=1e-12)


def test_a_subwoofer_driven_harder_costs_headroom() -> None:
    room = room_of([[1, 1], [1, 1]])
    louder = SubSettings(np.array([6.0, 0.0]), np.zeros(2), np.array([1, 1]))
    # The sum is 1.9953 + 1 = 2.9953 → 9.5287 dB; less 6 dB of headroom and the sum of powers, 3.0103 dB: 0.5184 dB.
    assert math.isclose(output_db(room, louder, np.zeros(2)), 0.5184, abs_tol=1e-4)


def test_polarity_turns_a_sum_into_a_difference() -> None:
    room = room_of([[1, 2], [1, 1]])
    turned = SubSettings(np.zeros(2), np.zeros(2), np.array([1, -1]))
    assert np.allclose(summed(room, turned)[:, 0], [0, 1])


def test_what_all_subwoofers_share_changes_no_variance() -> None:
    h, *_ = modal_room(1, 3, 5, BINS_HZ[10:100])
    room = SubResponses(h, BINS_HZ[10:100], np.ones(5), np.ones(90))
    one = SubSettings(np.array([0.0, -2, 1]), np.array([0, 1e-3, -4e-3]), np.array([1, -1, 1]))
    other = SubSettings(one.gain_db + 3, one.delay_s + 7e-3, -one.polarity)
    both = [sum_levels_db(room, each) for each in (one, other)]
    assert np.allclose(both[1] - both[0], 3.0, atol=1e-9)
    alike = level_matched_db(room)
    assert output_db(room, one, alike) == pytest.approx(float(output_db(room, other, alike)), abs=1e-9)


def test_variance_agrees_with_numpy_on_repeated_seats() -> None:
    rng = np.random.default_rng(2)
    levels = rng.normal(0, 5, (4, 30))
    weights, shares = np.array([1, 3, 2, 1]), rng.uniform(0.5, 2, 30)
    expected = np.average(np.repeat(levels, weights, axis=0).var(axis=0), weights=shares)
    found = spatial_variance_db2(levels, weights / weights.sum(), shares / shares.sum())
    assert found == pytest.approx(expected, abs=1e-9)


def test_equal_loudness_is_that_of_the_mean_power() -> None:
    room = room_of([[1, 1], [2, 2]])
    # 0 and 6.02 dB: both meet at 3.01 dB.
    assert np.allclose(level_matched_db(room), [3.0103, -3.0103], atol=1e-4)


def test_points_lie_on_the_logarithmic_axis_and_none_is_taken_twice() -> None:
    index, share = log_points(BINS_HZ, 20.0, 160.0)
    taken = BINS_HZ[index]
    assert share.sum() == pytest.approx(1.0)
    assert len(set(index)) == len(index) and taken[0] == 20 and taken[-1] == 160
    assert np.array_equal(taken[:13], np.arange(20.0, 33.0))  # 1 Hz is wider than a twenty-fourth of an octave there
    assert np.all(np.abs(np.diff(np.log2(taken[30:])) - 1 / 24) < 0.02)
    # Three octaves with the same share each, but for the half parts at the ends.
    for low in (20, 40, 80):
        inside = (taken >= low) & (taken < 2 * low)
        assert share[inside].sum() == pytest.approx(1 / 3, abs=0.02)


@pytest.mark.parametrize(
    ("values", "message"),
    [(np.ones((2, 3)), "subs, seats"), (np.zeros((2, 3, 1)), "heard"), (np.full((2, 3, 1), np.nan), "finite")],
)
def test_what_cannot_be_summed_is_refused(values: np.ndarray, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        SubResponses(values, np.array([50.0]), np.ones(3), np.ones(1))


def test_distance_from_a_target_agrees_with_numpy() -> None:
    level, target = np.array([3.0, 5.0, -1.0, 0.0]), np.array([6.0, 4.0, 2.0, 0.0])
    share = np.full(4, 0.25)
    assert math.isclose(target_variance_db2(level, target, share), np.var(level - target), abs_tol=1e-12)
    assert math.isclose(target_variance_db2(level + 7.0, target, share), np.var(level - target), abs_tol=1e-12)


def test_settings_are_copies_that_nobody_can_change() -> None:
    gain_db, delay_s, polarity = np.zeros(2), np.zeros(2), np.array([1.0, -1.0])
    settings = SubSettings(gain_db, delay_s, polarity)
    polarity[0] = -1.0
    assert settings.polarity.tolist() == [1, -1] and settings.polarity.dtype.kind == "i"
    for each in (settings.gain_db, settings.delay_s, settings.polarity):
        with pytest.raises(ValueError, match="read-only"):
            each[0] = 0
