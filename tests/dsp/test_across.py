"""The cause of a low level: a loudspeaker, a seat, or the room."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from commission.dsp import across
from commission.dsp.across import agreed_sign, driver_gap_db, mirrored_seats, mostly_negative
from commission.model import FloatArray, Seat


def room(seed: int = 1, loudspeakers: int = 11, seats: int = 6) -> FloatArray:
    # After trimming, levels at the other seats differ by 1.3 dB (standard deviation; common practice, no source).
    return np.random.default_rng(seed).normal(75, 1.3, (loudspeakers, seats))


def seat_gains_db(levels: FloatArray, base: int = 0, distances: FloatArray | None = None) -> dict[int, float]:
    """Levels of one band alone [shape=(loudspeakers, seats)]."""
    return {s: each.gain_db for s, each in across.seat_gains(levels[..., np.newaxis], base, distances).items()}


def test_a_gain_that_moved_is_reported_with_its_size() -> None:
    levels = room()
    levels[:, 4] -= 6
    found = seat_gains_db(levels)
    assert list(found) == [4]
    assert found[4] == pytest.approx(-6, abs=1.0)  # median of eleven values that scatter by 1.3 dB


@pytest.mark.parametrize("seed", range(30))
def test_a_sound_room_has_no_gain_error(seed: int) -> None:
    assert seat_gains_db(room(seed)) == {}


def test_a_loudspeaker_that_is_low_everywhere_is_no_gain() -> None:
    levels = room()
    levels[3] -= 12
    assert seat_gains_db(levels) == {}


def test_a_room_that_favours_a_seat_for_some_loudspeakers_is_no_gain() -> None:
    levels = room()
    levels[:5, 0] += 7  # the five near ones
    levels[5:, 0] -= 5
    assert seat_gains_db(levels) == {}


def test_a_back_row_before_loudspeakers_in_front_is_no_gain() -> None:
    # Three loudspeakers 3 m before the front row and 6 m before the back row: 20·lg 2 = 6.0 dB in free field, half of it
    # in a live room. Distance explains both, but not 11 dB.
    distances = np.array([[3.0, 3.0, 3.0, 3.0, 6.0, 6.0]] * 3)
    for loss, reported in ((3.0, []), (6.0, []), (11.0, [4, 5])):
        levels = np.random.default_rng(2).normal(75, 0.3, (3, 6))
        levels[:, 4:] -= loss
        assert list(seat_gains_db(levels, 0, distances)) == reported
        if loss > 2:
            assert list(seat_gains_db(levels)) == [4, 5]  # without places it would be reported


def test_a_far_seat_that_is_louder_is_a_gain_all_the_same() -> None:
    distances = np.array([[3.0, 3.0, 3.0, 3.0, 6.0, 6.0]] * 3)
    levels = np.random.default_rng(2).normal(75, 0.3, (3, 6))
    levels[:, 5] += 4
    assert list(seat_gains_db(levels, 0, distances)) == [5]


def test_a_low_seat_and_a_low_loudspeaker_at_once_are_distinguished() -> None:
    levels = room()
    levels[3] -= 12
    levels[:, 4] -= 6
    found = seat_gains_db(levels)
    assert list(found) == [4]
    assert found[4] == pytest.approx(-6, abs=1.0)  # median of eleven values that scatter by 1.3 dB


def test_half_of_the_seats_are_reported_against_the_reference_seat() -> None:
    levels = room()
    levels[:, 3:] -= 8
    found = seat_gains_db(levels, base=1)
    assert sorted(found) == [3, 4, 5]
    assert all(value == pytest.approx(-8, abs=1.6) for value in found.values())  # two medians, 1.3 dB of scatter each


def test_missing_responses_do_not_hide_a_gain() -> None:
    levels = room()
    levels[:, 2] += 5
    levels[0, 5] = levels[7, 1] = np.nan
    levels[:7, 3] = np.nan
    assert list(seat_gains_db(levels)) == [2]


def test_a_tilt_over_frequency_is_no_gain() -> None:
    levels = room()[..., np.newaxis] + np.zeros(4)
    flat, tilted = levels.copy(), levels.copy()
    flat[:, 4] -= 6
    tilted[:, 4] -= np.array([2, 4, 8, 10])  # 6 dB on average: a microphone that was covered, not its gain
    assert list(across.seat_gains(flat)) == [4]
    assert across.seat_gains(tilted) == {}


def test_a_gain_on_half_of_the_loudspeakers_is_none() -> None:
    levels = room()[..., np.newaxis]
    levels[:6, 4] -= 8
    assert across.seat_gains(levels) == {}


def table(loudspeakers: int = 10, seats: int = 6, bands: int = 4) -> np.ndarray:
    """Levels without any scatter."""
    return np.zeros((loudspeakers, seats, bands))


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("size_db", "gains"), [(2.05, []), (2.15, [4])])
def test_a_gain_is_known_from_3_5_of_its_uncertainties(sign: float, size_db: float, gains: list[int]) -> None:
    levels = table()
    levels[:, 4] += sign * size_db  # no scatter: u is that of seats in healthy rooms, 0.6 dB, and 3.5 u are 2.1 dB
    found = across.seat_gains(levels)
    assert list(found) == gains
    for each in found.values():
        assert (each.gain_db, each.u_db, each.alike) == (pytest.approx(sign * size_db), pytest.approx(0.6), (10, 10))


@pytest.mark.parametrize(("off_db", "gains"), [(1.9, [4]), (2.1, [])])
def test_a_gain_is_the_same_in_every_band_within_2_db(off_db: float, gains: list[int]) -> None:
    for sign in (1, -1):
        levels = table()
        levels[:, 4] -= 8
        levels[:, 4, 2] += sign * off_db
        assert list(across.seat_gains(levels)) == gains


@pytest.mark.parametrize(("loudspeakers", "gains"), [(8, [4]), (7, [])])
def test_a_gain_shows_on_four_of_five_loudspeakers(loudspeakers: int, gains: list[int]) -> None:
    levels = table()
    levels[:loudspeakers, 4] -= 8
    assert list(across.seat_gains(levels)) == gains


def test_three_loudspeakers_at_three_seats_are_enough_for_a_gain() -> None:
    levels = table(3, 3)
    levels[:, 2] -= 8
    assert list(across.seat_gains(levels)) == [2]
    assert across.seat_gains(levels[:2]) == {} == across.seat_gains(levels[:, 1:])


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("size_db", "tilts"), [(3.4, []), (3.6, [4])])
def test_treble_that_is_off_on_all_loudspeakers_alike_is_the_microphone(
    sign: float, size_db: float, tilts: list[int]
) -> None:
    levels = table()
    levels[:, 4] += 5  # also a gain, which is no tilt
    levels[:, 4, 3] += sign * size_db
    found = across.seat_tilts(levels, [0, 1])
    assert list(found) == tilts
    for each in found.values():
        np.testing.assert_allclose(each.tilt_db, [0, 0, 0, sign * size_db], atol=1e-9)
        assert (each.worst, each.u_db, each.alike) == (3, pytest.approx(0.7), (10, 10))


def test_a_tilt_needs_four_uncertainties_four_of_five_loudspeakers_and_four_of_them() -> None:
    levels = table()
    levels[:8, 4, 3] -= 6
    assert list(across.seat_tilts(levels, [0, 1])) == [4]
    levels[7, 4, 3] = 0
    assert across.seat_tilts(levels, [0, 1]) == {}
    few = table(4, 3)
    few[:, 2, 3] -= 6
    assert list(across.seat_tilts(few, [0, 1])) == [2]
    assert across.seat_tilts(few[:3], [0, 1]) == {} == across.seat_tilts(few[:, 1:], [0, 1])
    # A scatter s of single values in both bands makes u² = 0.7² + 2 s²/n.
    for scatter_db, known in ((1.0, True), (3.0, False)):
        spread = table()
        spread[..., 3] = scatter_db * np.where((np.add.outer(np.arange(10), np.arange(6)) % 2) > 0, 1, -1)
        spread[:, 4, 3] -= 5
        found = across.seat_tilts(spread, [0, 1])
        assert (4 in found) is known


def test_missing_values_leave_a_tilt_and_a_gain_as_they_are() -> None:
    levels = table()
    levels[:, 4] -= 8
    levels[:, 1, 3] -= 6
    levels[0, 2] = levels[3, 5] = np.nan
    assert list(across.seat_gains(levels)) == [4]
    assert list(across.seat_tilts(levels, [0, 1])) == [1]
    distances = np.full((10, 6), 3.0)
    assert list(across.seat_tilts(levels, [0, 1], distances)) == [1]
    assert list(across.seat_gains(levels, 0, distances)) == [4]
    distances[0, 0] = np.nan  # one place is not known: none is allowed for
    assert list(across.seat_gains(levels, 0, distances)) == [4]


def test_the_uncertainty_covers_the_error() -> None:
    """In 200 random rooms 95 % of the errors are within 2 u: 88 % allows for 200 draws and two medians."""
    errors = []
    for seed in range(200):
        levels = room(seed)[..., np.newaxis]
        levels[:, 2] += 6
        if (found := across.seat_gains(levels).get(2)) is not None:
            errors.append((found.gain_db - 6) / found.u_db)
    assert len(errors) >= 190
    assert np.mean(np.abs(errors) <= 2) >= 0.88
    assert np.std(errors) >= 0.4  # and the stated uncertainty is not far too large


def test_what_remains_of_each_loudspeaker_and_each_seat_has_no_median() -> None:
    """Where median polish ends (J. W. Tukey, Exploratory Data Analysis, 1977, from memory)."""
    rest = across._two_way(np.random.default_rng(3).normal(0, 3, (7, 5, 5))).rest
    assert all(np.abs(np.median(rest, axis=axis)).max() < 1e-9 for axis in (-1, -2))


def test_a_reverberant_room_and_a_free_field_are_both_allowed_for() -> None:
    """Levels by distance from 10·lg(1/d² + k), here k = 0.05: a far seat is soft without any gain."""
    rng = np.random.default_rng(5)
    distances = rng.uniform(1.5, 6.0, (7, 5))
    distances[:, 4] = rng.uniform(6.0, 9.0, 7)
    levels = 10 * np.log10(1 / distances**2 + 0.05) + rng.normal(0, 0.4, (7, 5))
    assert seat_gains_db(levels, 0, distances) == {}
    levels[:, 4] += 3.5
    assert list(seat_gains_db(levels, 0, distances)) == [4]


def test_too_few_responses_give_no_gain() -> None:
    assert seat_gains_db(room()[:2] - np.array([0, 0, 9, 0, 0, 0])) == {}
    assert seat_gains_db(room()[:, :2] - np.array([0, 9])) == {}
    assert across.seat_gains(np.empty((0, 6, 4))) == {}


@settings(deadline=None, max_examples=40)
@given(st.floats(-30, 30), st.integers(0, 50))
def test_a_common_level_changes_nothing(level: float, seed: int) -> None:
    levels = room(seed)
    levels[:, 1] += 6
    assert seat_gains_db(levels + level) == pytest.approx(seat_gains_db(levels), abs=1e-9)


def test_mirrored_seats_about_the_middle_of_the_room() -> None:
    seats = {
        "A1": (-0.8, 3.3, 1.1),
        "A2": (0.0, 3.3, 1.1),
        "A3": (0.8, 3.35, 1.1),
        "B1": (-0.8, 4.9, 1.4),
        "C1": None,
    }
    assert mirrored_seats(Seat(id=name, position_m=at) for name, at in seats.items()) == {
        "A1": "A3",
        "A2": "A2",
        "A3": "A1",
    }


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_mirror_image_is_within_0_3_m(axis: int) -> None:
    for off_m, mirrored in ((0.28, True), (-0.28, True), (0.32, False), (-0.32, False)):  # common practice, no source
        place = [0.8, 3.3, 1.1]
        place[axis] += off_m
        pair = [Seat(id="A1", position_m=(-0.8, 3.3, 1.1)), Seat(id="A3", position_m=(place[0], place[1], place[2]))]
        found = mirrored_seats(pair)
        assert found == ({"A1": "A3", "A3": "A1"} if mirrored else {}), off_m


@pytest.mark.parametrize(
    ("own", "other", "dead"),
    [
        (-24.0, 0.0, True),  # a dead tweeter
        (-28.5, -4.5, True),  # the same on a channel trimmed 4.5 dB too low
        (-18.0, 6.0, True),  # … and 6 dB too high
        (-12.0, -12.0, False),  # low everywhere: a trim
        (0.0, 30.0, False),  # the partner's other driver is dead
        (24.0, 0.0, False),  # the partner's own driver is dead
        (0.0, -35.0, False),  # the other driver is dead
    ],
)
def test_only_a_dead_driver_is_taken_for_one(own: float, other: float, dead: bool) -> None:
    # Dead tweeter −24 dB at 4 kHz, dead woofer −35 dB at 500 Hz against the partner (common practice, no source).
    assert (driver_gap_db(own, other) <= -10) is dead


def test_four_of_five_seats_must_agree() -> None:
    assert agreed_sign([1, 1, 1, 1, -1]) == 1
    assert agreed_sign([-1, -1, -1, -1, None, 1]) == -1
    assert agreed_sign([1] * 8 + [-1] * 2) == 1 and agreed_sign([-1] * 8 + [1] * 2) == -1
    assert agreed_sign([1] * 7 + [-1] * 2) is None and agreed_sign([1, 1, -1]) is None
    assert agreed_sign([None, None]) is None


def test_a_chain_that_inverts_is_no_reversed_loudspeaker() -> None:
    assert mostly_negative([-1] * 9 + [1, None])
    assert mostly_negative([-1] * 8 + [1] * 2) and not mostly_negative([-1] * 7 + [1] * 3)
    assert mostly_negative([-1] * 3) and not mostly_negative([-1] * 2 + [None]), "of three or more"
    assert not mostly_negative([1] * 10 + [-1])
    assert not mostly_negative([-1, -1])  # too few to decide
