"""Whole simulated visits, a few of those of `python tests/bench visits`: stated intervals contain the truth, good
channels pass.

Rooms by pyroomacoustics and by images, waves and modes (`tests/references/displaced_meter.py`); the true values use
no formula of the program. Bounds are the promised ones, minus two standard deviations of the scatter of so few
visits.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from commission.model import AS_FOUND, Verdict

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))
visits = pytest.importorskip("visits", reason="pyroomacoustics is not installed")

SIMULATORS = ("pyroomacoustics", "images, waves and modes")
HAND = {"displaced_m": 0.05, "noise_db": 0.2, "readings": 2, "tape_m": 0.02, "trim_step_db": 0.5, "delay": ("m", 0.1)}


@pytest.fixture(scope="module")
def rooms():
    """One room of each simulator."""
    return visits.Rooms(1)


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_intervals_hold_and_good_channels_pass_after_two_readings(rooms, simulator: str) -> None:
    tally = visits.visits_of(rooms, simulator, 12, 5, HAND)
    # 156 channels, which share a visit's draws: two standard deviations of 95 % are 4 % or more.
    for name in ("trim", "levels.match", "after typing", "distances.setting"):
        assert tally.share(name) >= 0.89, name
    assert tally.rate("levels.match", Verdict.FAIL, good=True) < 0.05
    assert tally.rate("found levels.match", Verdict.FAIL, good=True) < 0.05
    assert not tally.rate("found levels.match", Verdict.PASS, good=False) > 0.1
    assert tally.rate("levels.match", Verdict.UNSURE) < 0.15


@pytest.mark.parametrize("delay", visits.DELAY_STEPS)
def test_what_is_entered_as_asked_is_neither_red_nor_undecided(rooms, delay) -> None:
    options = HAND | {"delay": delay, "tape_m": 0.03, "readings": 1, "displaced_m": 0.02}
    tally = visits.visits_of(rooms, SIMULATORS[1], 3, 6, options)
    assert {verdict for *_, verdict in tally.verdicts["entered as asked"]} == {Verdict.PASS}


def test_a_well_set_room_is_green(rooms) -> None:
    """Nine visits of ten are promised; of ten, seven is the least that is no surprise (binomial, 1 %)."""
    options = HAND | {"displaced_m": 0.02, "well_set": True, "sound": True}
    assert np.sum(visits.visits_of(rooms, SIMULATORS[0], 10, 7, options).green[AS_FOUND]) >= 7
