"""Likeness of one recording in two formats, and of two places in a room. Rooms by pyroomacoustics."""

from __future__ import annotations

from functools import cache

import numpy as np
import pyroomacoustics as pra
import pytest
from scipy import signal

from commission.dsp.analysis import analyse
from commission.dsp.likeness import alike_pairs, likeness, unlike_places
from commission.dsp.spectrum import GRID_HZ
from commission.model import FloatArray, Response

RATE = 48000


@cache
def responses() -> FloatArray:
    """One loudspeaker at six places of a furnished room, the nearest two half a metre apart."""
    room = pra.ShoeBox([4.7, 6.4, 2.6], fs=RATE, materials=pra.Material(0.25), max_order=10)
    room.add_source([1.0, 0.3, 1.1])
    places = [(1.6, 3.3, 1.1), (2.1, 3.3, 1.1), (2.9, 3.3, 1.1), (1.6, 4.9, 1.4), (2.4, 4.9, 1.4), (3.2, 4.9, 1.4)]
    room.add_microphone_array(np.array(places).T)
    room.compute_rir()
    out = np.zeros((len(places), RATE // 2))
    for row, (own,) in zip(out, room.rir, strict=True):
        row[: len(own)] = own[: len(row)]
    return out + 1e-5 * np.random.default_rng(1).standard_normal(out.shape)


def view_db(impulse: FloatArray, rate_hz: float = RATE) -> FloatArray:
    return analyse(Response(impulse=impulse, rate_hz=rate_hz), is_sub=True).view_db  # without decay times


@pytest.mark.parametrize(
    "clothes",
    [
        lambda h: (0.3 * h, RATE),
        lambda h: (np.round(h / np.max(np.abs(h)) * 2**15) / 2**15, RATE),
        lambda h: (np.roll(h, 7), RATE),
        lambda h: (signal.resample_poly(h, 147, 160), 44100),
        lambda h: (np.roll(0.5 * signal.resample_poly(h, 2, 1), 13), 2 * RATE),
        lambda h: (h[: RATE // 3], RATE),
    ],
    ids=["gain", "16 bits", "shifted", "44.1 kHz", "96 kHz, shifted, softer", "shorter"],
)
def test_one_recording_is_recognised_in_other_formats(clothes: object) -> None:
    for impulse in responses():
        found = likeness(view_db(impulse), view_db(*clothes(impulse)), is_sub=False)  # type: ignore[operator]
        assert found is not None
        assert found.same()
        assert found.median_db < 0.1  # a third of the threshold


def test_a_second_measurement_at_an_unmoved_microphone_is_the_same() -> None:
    rng = np.random.default_rng(7)
    for impulse in responses():
        again = impulse + 1e-5 * rng.standard_normal(len(impulse))
        found = likeness(view_db(impulse), view_db(again), is_sub=False)
        assert found is not None
        assert found.same()


def test_two_places_are_not_the_same() -> None:
    views = np.array([view_db(h) for h in responses()])
    assert alike_pairs(views, is_sub=False, smoothed=[False] * 6) == {}
    for first in range(6):
        for second in range(first):
            found = likeness(views[first], views[second], is_sub=False)
            assert found is not None
            assert found.median_db > 0.6  # twice the threshold
            assert found.most_db > 1.6


def test_the_pairs_are_those_that_are_alike_one_by_one() -> None:
    views = np.array([view_db(h) for h in (*responses(), 0.5 * responses()[2])])
    pairs = alike_pairs(views, is_sub=False, smoothed=[False] * 7)
    assert list(pairs) == [(2, 6)]
    assert pairs[(2, 6)].gain_db == pytest.approx(6.02, abs=0.01)
    views[2, :50] = np.nan  # a response that begins higher up
    assert list(alike_pairs(views, is_sub=False, smoothed=[False] * 7)) == [(2, 6)]


def test_levels_that_may_have_been_smoothed_must_agree_better() -> None:
    (first, *_) = (view_db(h) for h in responses())
    ripple = 0.2 * np.sin(np.arange(len(first)))
    found = likeness(first, first + ripple, is_sub=False)
    assert found is not None
    assert found.same()
    assert not found.same(smoothed=True)
    exact = likeness(first, first + 3.0, is_sub=False)
    assert exact is not None
    assert exact.same(smoothed=True)


def test_too_little_in_common_says_nothing() -> None:
    empty = np.full(241, np.nan)
    assert likeness(empty, empty, is_sub=False) is None


def ripple(size_db: float, share: float = 1.0) -> FloatArray:
    """Alternately + and −, over a share of the frequencies."""
    sign = np.where(np.arange(len(GRID_HZ)) % 2, size_db, -size_db)
    return np.where(np.arange(len(GRID_HZ)) % 20 < 20 * share, sign, 0.0)


@pytest.mark.parametrize(
    ("size_db", "share", "smoothed", "same"),
    [
        (0.28, 1.0, False, True),  # medians of 0.3 dB and nine tenths within 0.8 dB
        (0.34, 1.0, False, False),
        (0.7, 0.3, False, True),
        (0.9, 0.3, False, False),
        (0.04, 1.0, True, True),  # earlier smoothing removed the ripple: 0.05 dB
        (0.07, 1.0, True, False),
    ],
)
def test_one_recording_twice_is_alike_in_its_ripple(size_db: float, share: float, smoothed: bool, same: bool) -> None:
    other = 5.0 + ripple(size_db, share)
    found = likeness(np.zeros(len(GRID_HZ)), other, is_sub=False)
    assert found is not None
    assert found.same(smoothed=smoothed) is same
    assert found.gain_db == pytest.approx(-5.0, abs=size_db)
    table = np.stack([np.zeros(len(GRID_HZ)), 40 * np.sin(np.arange(len(GRID_HZ))), other])
    assert list(alike_pairs(table, is_sub=False, smoothed=[False, False, smoothed])) == ([(0, 2)] if same else [])


def test_likeness_is_that_of_what_both_hold_within_the_range() -> None:
    first, second = np.zeros(len(GRID_HZ)), ripple(0.1)
    first[GRID_HZ < 500], second[GRID_HZ > 3000] = np.nan, np.nan
    for is_sub, inside in ((False, (200.0, 8000.0)), (True, (25.0, 200.0))):
        wild = np.where((GRID_HZ >= inside[0]) & (GRID_HZ <= inside[1]), 0.0, 50.0 * np.sin(np.arange(len(GRID_HZ))))
        found = likeness(np.zeros(len(GRID_HZ)), wild, is_sub=is_sub)
        assert found is not None
        assert (found.median_db, found.most_db) == (0.0, 0.0)
    both = likeness(first, second, is_sub=False)
    assert both is not None
    assert 0.1 <= both.most_db + 1e-9 <= 0.201
    narrow = np.where((GRID_HZ > 1000) & (GRID_HZ < 1900), 0.0, np.nan)  # less than an octave
    assert likeness(narrow, second, is_sub=False) is None
    assert likeness(np.where((GRID_HZ > 990) & (GRID_HZ < 2100), 0.0, np.nan), second, is_sub=False) is not None


def test_places_are_surely_two_from_0_6_db_on() -> None:
    """Twice the difference at one place, and below the 0.87 dB of the nearest two places in simulated rooms."""
    zigzag = np.where(np.arange(len(GRID_HZ)) % 2, 1.0, -1.0)
    levels = np.array([0 * zigzag, 0.25 * zigzag, 0.65 * zigzag, np.full(len(GRID_HZ), np.nan)])
    unlike = unlike_places(levels)
    assert unlike.tolist() == [[False, False, True, False], [False] * 4, [True, False, False, False], [False] * 4]
    assert unlike_places(levels + np.arange(4)[:, None]).tolist() == unlike.tolist()  # whatever the gain
