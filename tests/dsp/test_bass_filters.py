"""Parametric filters for subwoofers: cuts, forbidden boosts, and the sum computed by scipy."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from bass_rooms import BINS_HZ, cookbook, modal_room
from wide_bounds import wide_bounds

from commission.dsp.bass_filters import LEAST_GAIN_DB2, MOST_BOOST_DB, MOST_FILTERS, filtered, find_filters
from commission.dsp.bass_search import search
from commission.dsp.bass_sum import SubResponses, SubSettings, log_points, sum_levels_db, unchanged
from commission.model import Filter, FilterRanges, FilterWidth, Steps

INDEX, SHARE = log_points(BINS_HZ, 20.0, 120.0)
FREQ_HZ = BINS_HZ[INDEX]


def flat_room(shapes_db: np.ndarray, seats: int = 4) -> SubResponses:
    """One subwoofer with a level over frequency for each seat [shape=(seats, n) or (n,)]."""
    h = np.asarray(10 ** (np.broadcast_to(shapes_db, (seats, len(FREQ_HZ))) / 20), dtype=complex)
    return SubResponses(h[None], FREQ_HZ, np.ones(seats), SHARE)


def peak_db(hz: float, gain_db: float, q: float) -> np.ndarray:
    return 20 * np.log10(np.abs(cookbook(Filter(frequency_hz=hz, gain_db=gain_db, width=q), "q", FREQ_HZ)))


def find(room: SubResponses, most: int = 5, ranges: FilterRanges | None = None) -> tuple[tuple[Filter, ...], ...]:
    return find_filters(room, unchanged(room.subs), ranges or FilterRanges(), [most] * room.subs, 120.0)


def test_a_peak_that_all_seats_share_is_cut_by_its_own_inverse() -> None:
    room = flat_room(peak_db(45.0, 9.0, 4.0))
    (found,) = find(room)
    assert found[0].frequency_hz == pytest.approx(45.0, abs=1.0)
    # The straight line through the mean lies a little above the flat part: the cut is a little less deep.
    assert -9.5 <= sum(f.gain_db for f in found) <= -6.0
    level = sum_levels_db(filtered(room, [found], "q"), unchanged(1))[0]
    assert level.std() < sum_levels_db(room, unchanged(1))[0].std() / 2


def test_a_processor_with_a_single_filter_gets_that_one() -> None:
    only = Filter(frequency_hz=45.0, gain_db=-6.0, width=4.0)
    ranges = FilterRanges(
        frequency_hz=Steps(min=45.0, max=45.0, step=1.0),
        gain_db=Steps(min=-6.0, max=-6.0, step=0.5),
        widths=Steps(min=4.0, max=4.0, step=0.1),
    )
    assert find(flat_room(peak_db(45.0, 9.0, 4.0)), 1, ranges) == ((only,),)


def test_a_peak_at_one_seat_alone_is_left() -> None:
    shapes = np.zeros((4, len(FREQ_HZ)))
    shapes[2] = peak_db(45.0, 9.0, 4.0)
    assert find(flat_room(shapes)) == ((),)


def test_all_subwoofers_are_cut_no_deeper_than_half_of_the_seats_need() -> None:
    """A peak of 12 dB at one seat of four, 3 dB at the others: the common cut serves the others."""
    peak = np.array([peak_db(50.0, 12.0, 4.0), *[peak_db(50.0, 3.0, 4.0)] * 3])
    for each in find(flat_room(peak))[0]:
        # 1 dB beyond the excess of half of them, and half a step of 0.5 dB.
        assert each.gain_db >= -4.25


def test_filters_take_no_more_than_half_the_power() -> None:
    flat = flat_room(np.zeros(len(FREQ_HZ)))
    falling = -16.0 * np.log2(FREQ_HZ / 20)
    room = SubResponses(flat.values, FREQ_HZ, flat.seat_share, SHARE, falling)
    found = find(room)
    heard = by_scipy(room, found, "q")
    lost = (sum_levels_db(room, unchanged(1)) - sum_levels_db(heard, unchanged(1))).mean(axis=0) @ SHARE
    assert 0.5 < lost <= 3.0


def test_a_flat_room_needs_no_filter() -> None:
    assert find(flat_room(np.zeros(len(FREQ_HZ)))) == ((),)


def test_no_boost_fills_a_null_at_a_seat() -> None:
    dip = peak_db(60.0, -12.0, 3.0)
    shared = find(flat_room(dip / 4))
    assert any(f.gain_db > 0 for f in shared[0])
    shapes = np.tile(dip / 4, (4, 1))
    shapes[1] = dip
    (found,) = find(flat_room(shapes))
    at = np.argmin(np.abs(FREQ_HZ - 60.0))
    assert all(peak_db(f.frequency_hz, f.gain_db, f.width)[at] <= 0.5 for f in found)
    room = flat_room(shapes)
    unheard = SubResponses(room.values, room.freq_hz, np.array([1.0, 0.0, 1.0, 1.0]), room.freq_share)
    assert find(unheard) == shared  # a seat without weight prohibits nothing


def test_no_boost_where_subwoofers_cancel() -> None:
    """Two subwoofers cancel at 60 Hz at every seat because of their phase: more gain would be wasted."""
    phase = np.pi * 0.97 * np.exp(-((np.log2(FREQ_HZ / 60.0) * 4) ** 2))
    both = np.stack([np.ones(len(FREQ_HZ)) + 0j, np.exp(1j * phase)])
    h = np.repeat(both[:, None, :], 4, axis=1)
    no_cuts = FilterRanges(gain_db=Steps(min=0.0, max=6.0, step=0.5))  # cutting one of them would be right
    found = find(SubResponses(h, FREQ_HZ, np.ones(4), SHARE), ranges=no_cuts)
    assert not any(f.gain_db > 0 and abs(f.frequency_hz - 60) < 8 for each in found for f in each)


@cache
def searched_room(subs: int) -> tuple[SubResponses, SubSettings]:
    """A room with nine seats, and the best settings without filters."""
    h = modal_room(subs, subs, 9, BINS_HZ)[0][..., INDEX]
    room = SubResponses(h, FREQ_HZ, np.ones(9), SHARE)
    return room, search(room, wide_bounds(subs)).settings[0]


@pytest.mark.parametrize("width", ["q", "pole-q", "octaves"])
@pytest.mark.parametrize("subs", [1, 2, 4])
def test_filters_keep_every_bound_and_lower_the_cost(width: FilterWidth, subs: int) -> None:
    ranges = FilterRanges(
        width=width,
        frequency_hz=Steps(min=18.0, max=300.0, step=0.5),
        gain_db=Steps(min=-9.0, max=6.0, step=1.0),
        widths=Steps(min=0.1, max=8.0, step=0.05),
    )
    room, settings = searched_room(subs)
    top_hz = 90.0
    found = find_filters(room, settings, ranges, [2] * subs, top_hz)
    assert any(found)
    for each in found:
        assert len(each) <= 2
        for f in each:
            for value, span in (
                (f.frequency_hz, ranges.frequency_hz),
                (f.gain_db, ranges.gain_db),
                (f.width, ranges.widths),
            ):
                assert span.min <= value <= span.max
                assert (value - span.min) / span.step == pytest.approx(
                    round((value - span.min) / span.step), abs=1e-6
                )
            assert f.frequency_hz <= top_hz
        total = np.prod([cookbook(f, width, FREQ_HZ) for f in each], axis=0) if each else np.ones(1)
        assert 20 * np.log10(np.abs(total)).max() <= MOST_BOOST_DB + 1e-3
    before, after = (cost(each, settings, room) for each in (room, by_scipy(room, found, width)))
    assert before - after >= LEAST_GAIN_DB2 * max(1, max(len(each) for each in found))


def by_scipy(room: SubResponses, found: Sequence[Sequence[Filter]], width: FilterWidth) -> SubResponses:
    turn = [np.prod([np.ones(len(FREQ_HZ)), *(cookbook(f, width, FREQ_HZ) for f in each)], axis=0) for each in found]
    return SubResponses(room.values * np.array(turn)[:, None], room.freq_hz, room.seat_share, room.freq_share)


def cost(room: SubResponses, settings: SubSettings, first: SubResponses) -> float:
    """Variance over seats, half of that of the mean about the first room's line, and 0.3 for each decibel, computed
    again.
    """
    level, old = (sum_levels_db(each, settings) for each in (room, first))
    mean = level.mean(axis=0)
    line = np.polyval(np.polyfit(np.log2(FREQ_HZ), old.mean(axis=0), 1, w=np.sqrt(SHARE)), np.log2(FREQ_HZ))
    off = mean - line
    shape = (off - off @ SHARE) ** 2 @ SHARE
    return float(level.var(axis=0) @ SHARE + 0.5 * shape + 0.3 * (old.mean(axis=0) @ SHARE - mean @ SHARE))


@pytest.mark.parametrize(("hz", "gain_db", "q"), [(45.0, 9.0, 4.0), (52.0, 8.0, 3.2), (61.0, 5.0, 4.0)])
def test_finer_steps_leave_no_worse_a_filter(hz: float, gain_db: float, q: float) -> None:
    """Steps of 0.1 Hz and 0.1 dB contain those of 1 Hz and 0.5 dB."""
    room = flat_room(peak_db(hz, gain_db, q))
    fine = FilterRanges(
        frequency_hz=Steps(min=20.0, max=250.0, step=0.1), gain_db=Steps(min=-12.0, max=6.0, step=0.1)
    )
    left, coarse = (
        cost(by_scipy(room, find(room, 1, ranges), "q"), unchanged(1), room) for ranges in (fine, FilterRanges())
    )
    assert left <= coarse


def test_a_target_is_followed() -> None:
    room = flat_room(np.zeros(len(FREQ_HZ)))
    bump = peak_db(40.0, 6.0, 2.0)
    wished = SubResponses(room.values, FREQ_HZ, room.seat_share, SHARE, bump)
    (found,) = find(wished)
    level = sum_levels_db(filtered(wished, [found], "q"), unchanged(1))[0]
    assert np.std(level - bump) < np.std(bump) * 0.75 and len(found) <= MOST_FILTERS
