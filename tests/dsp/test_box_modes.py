"""A box fitted to responses: against a modal sum written in the tests, image sources, and rooms of another shape."""

from __future__ import annotations

import numpy as np
import pytest
from bass_rooms import BINS_HZ, SPEED_M_S, image_room, modal_responses, modal_room
from wide_bounds import wide_bounds

from commission.dsp.bass_search import search, tuned
from commission.dsp.bass_sum import SubResponses, log_points
from commission.dsp.box_modes import TRIED_DECAYS_S, box_responses, fit_box

INDEX, SHARE = log_points(BINS_HZ, 20.0, 120.0)
FREQ_HZ = BINS_HZ[INDEX]


def test_a_box_is_the_sum_over_its_modes() -> None:
    _, size, places, ears = modal_room(1, 2, 3, BINS_HZ)
    # 1 %: the sum here ends at 1.6 times the highest frequency, that of the tests at twice it.
    ours = box_responses(size, places, ears, BINS_HZ, 0.4, SPEED_M_S)
    theirs = modal_responses(size, places, ears, BINS_HZ, 0.4)
    assert np.allclose(ours[..., INDEX], theirs[..., INDEX], atol=0.01 * np.abs(theirs[..., INDEX]).max())


@pytest.mark.parametrize("seed", range(3))
def test_a_box_explains_image_sources(seed: int) -> None:
    """By pyroomacoustics, with and without a separate clock at every seat, up to 75 ms from that of the first."""
    _, size, places, ears = modal_room(seed, 3, 6, BINS_HZ)
    heard = image_room(places, np.clip(ears, 0.05, size - 0.05), size, FREQ_HZ)
    late = np.exp(-2j * np.pi * FREQ_HZ * np.array([[0.0], [-0.075], [-0.04], [0.02], [0.05], [0.075]]))
    assert fit_box(heard, size, places, ears, FREQ_HZ, SPEED_M_S).explained.min() > 0.95
    clocks = fit_box(heard * late, size, places, ears, FREQ_HZ, SPEED_M_S, one_clock=False)
    assert clocks.explained.min() > 0.95


def test_what_each_subwoofer_adds_to_the_box_is_its_own_response() -> None:
    _, size, places, ears = modal_room(1, 2, 3, BINS_HZ)
    own = np.array([[0.5j], [-2.0]]) * np.exp(-2j * np.pi * FREQ_HZ * 0.003)
    decay_s = TRIED_DECAYS_S[7]
    box = box_responses(size, places, ears, FREQ_HZ, decay_s, SPEED_M_S)
    found = fit_box(own[:, None] * box, size, places, ears, FREQ_HZ, SPEED_M_S)
    assert found.decay_s == decay_s and np.allclose(found.own, own) and np.allclose(found.explained, 1.0)


@pytest.mark.parametrize("seed", range(3))
def test_what_is_no_such_box_is_not_explained(seed: int) -> None:
    """A room entered 6 % too large, and exchanged seats: at most 0.88 and 0.41 of the subwoofer that fits least."""
    h, size, places, ears = modal_room(seed, 3, 6, BINS_HZ)
    larger = fit_box(h[..., INDEX], size * 1.06, places, ears, FREQ_HZ, SPEED_M_S)
    exchanged = fit_box(h[:, [3, 4, 5, 0, 1, 2]][..., INDEX], size, places, ears, FREQ_HZ, SPEED_M_S)
    assert larger.explained.min() < 0.9 and exchanged.explained.min() < 0.5


def test_few_steps_come_near_to_the_whole_search() -> None:
    h = modal_room(2, 4, 6, BINS_HZ)[0][..., INDEX]
    room = SubResponses(h, FREQ_HZ, np.ones(6), SHARE)
    found = search(room, wide_bounds(4))
    near = tuned(room, wide_bounds(4), found.settings[3:6])
    assert found.costs[0] - 1e-6 <= near.cost <= found.costs[3] + 1e-3
