"""The crosspoint of decay and noise: exact exponentials, whose slope, crosspoint and lost energy are known in closed
form.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import linregress

from commission.dsp.late_decay import late_decay, line_with_fit
from commission.model import FloatArray

STEP_S = 0.001


def sums(slope_db_s: float, noise_power: float, seconds: float = 1.0) -> FloatArray:
    """Running energy of 10^(slope·t/10) + noise, integrated exactly. [shape=(g + 1,)]"""
    t = np.arange(round(seconds / STEP_S) + 1) * STEP_S
    k = slope_db_s * math.log(10) / 10
    return np.asarray(np.expm1(k * t) / k + noise_power * t)


@pytest.mark.parametrize("slope_db_s", [-150.0, -100.0, -60.0])  # decay times of 0.4, 0.6 and 1 s
@pytest.mark.parametrize("noise_db", [-30.0, -45.0])
def test_a_decay_meets_its_noise_where_both_are_equal(slope_db_s: float, noise_db: float) -> None:
    noise = 10 ** (noise_db / 10)
    rows = np.stack([sums(slope_db_s, noise, 1.5)] * 2)
    found = late_decay(rows, STEP_S, np.array([0.01, 0.03]))
    # Fits end 8 dB above the noise, where it adds 0.6 dB to the level (arithmetic): up to 0.6/20 of the slope.
    assert found.slope_db_s == pytest.approx([slope_db_s] * 2, rel=0.04)
    assert found.noise_power == pytest.approx([noise] * 2, rel=0.15)
    assert found.cross * STEP_S == pytest.approx([noise_db / slope_db_s] * 2, abs=0.02)
    # ∫ of the decay beyond the crosspoint: its power there, which is that of the noise, over the rate.
    beyond = noise / (-slope_db_s * math.log(10) / 10)
    assert found.rest == pytest.approx([beyond] * 2, rel=0.2)


@pytest.mark.parametrize("slope_db_s", [-60.0, -30.0])
def test_a_response_that_ends_while_it_decays_has_no_noise(slope_db_s: float) -> None:
    seconds = 0.5
    found = late_decay(sums(slope_db_s, 0.0, seconds)[None], STEP_S, np.array([0.01]))
    assert found.noise_power[0] == 0.0
    assert found.slope_db_s[0] == pytest.approx(slope_db_s, rel=0.01)
    assert found.cross[0] == round(seconds / STEP_S)  # the end
    k = -slope_db_s * math.log(10) / 10
    assert found.rest[0] == pytest.approx(math.exp(-k * seconds) / k, rel=0.02)


def test_noise_alone_and_a_rise_have_no_decay() -> None:
    steady = np.arange(1001) * STEP_S
    found = late_decay(np.stack([steady, sums(40.0, 0.0)]), STEP_S, np.array([0.01, 0.01]))
    assert found.cross[1] == 0
    assert np.isnan(found.slope_db_s).all()
    assert (found.rest == 0.0).all()
    assert found.noise_power[0] == pytest.approx(1.0)


def test_a_late_echo_is_no_end_of_the_decay() -> None:
    # One burst of a hundredth of the energy after 0.25 s: the crosspoint stays that of decay and noise.
    noise = 1e-4
    plain, t = sums(-100.0, noise), np.arange(1001) * STEP_S
    echo = plain + 1e-2 * plain[-1] * (t > 0.25)
    one, other = (late_decay(each[None], STEP_S, np.array([0.02])).cross[0] for each in (plain, echo))
    assert abs(int(other) - int(one)) <= 40


def test_a_line_is_that_of_a_general_library() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.normal(size=(2, 5, 12))
    mask = rng.uniform(size=x.shape) < 0.6
    mask[0] = True
    mask[1] = np.arange(12) < 3
    mask[2] = np.arange(12) < 2
    slope, offset, fit = line_with_fit(x, y, mask)
    for row in (0, 1, 3, 4):
        known = linregress(x[row][mask[row]], y[row][mask[row]])
        assert (slope[row], offset[row], fit[row]) == pytest.approx((known.slope, known.intercept, known.rvalue**2))
    assert np.isnan([slope[2], fit[2]]).all()  # two points are on any line
