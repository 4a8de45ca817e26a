"""Hommel's method against examples by hand and the closed test that it abbreviates; factors against scipy.stats."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from commission.dsp.multiple import FALSE_WORDS, coverage_factor, hommel_threshold, two_sided_p
from commission.dsp.uncertainty import DEFAULT_DOF, HAND_DOF, hand_factor, scatter_u


def significant(p_values: list[float], risk: float = 0.05) -> list[bool]:
    threshold = hommel_threshold(p_values, risk)
    return [p <= threshold for p in p_values]


@pytest.mark.parametrize(
    ("p_values", "found"),
    [
        ([0.01, 0.04, 0.03, 0.005], [True, True, True, True]),  # the largest is below 5 %
        ([0.03, 0.04, 0.06], [False, False, False]),  # above 1/3, 2/3 and 3/3 of 5 %
        ([0.06, 0.01, 0.04], [False, True, False]),  # the two largest are above 2.5 and 5 %
        ([0.04], [True]),
        ([0.06], [False]),
        ([], []),
    ],
)
def test_examples(p_values: list[float], found: list[bool]) -> None:
    assert significant(p_values) == found


def test_it_agrees_with_the_closed_test_by_simess_inequality() -> None:
    """Marcus, Peritz, Gabriel 1976 (from memory): one is significant if every set that contains it is."""
    rng = np.random.default_rng(1)
    for _ in range(200):
        p = rng.uniform(0, 0.04, 5) ** rng.uniform(0.7, 1.5)
        closed = [
            all(
                any(np.sort(p[list(own)]) <= 0.05 * np.arange(1, size + 1) / size)
                for size in range(1, 6)
                for own in combinations(range(5), size)
                if i in own
            )
            for i in range(5)
        ]
        assert significant(list(p)) == closed


@pytest.mark.parametrize("dof", [4.0, math.inf])
def test_one_table_in_twenty_has_a_false_word(dof: float) -> None:
    """26 unchanged values with a correlation of 0.5 and a common estimate of their scatter; two standard deviations of a binomial share of 2000 are 1 %."""
    rng = np.random.default_rng(2)
    false = 0
    for _ in range(2000):
        z = math.sqrt(0.5) * rng.normal() + math.sqrt(0.5) * rng.normal(size=26)
        if math.isfinite(dof):  # Student's t with a standard deviation of 1
            z /= math.sqrt(rng.chisquare(dof) / (dof - 2))
        false += any(significant([two_sided_p(each, dof) for each in z]))
    assert false / 2000 <= FALSE_WORDS + 0.01
    assert false / 2000 > 0.01  # correlation makes it conservative, not blind


@pytest.mark.parametrize("dof", [4.0, 8.5, 40.0, math.inf])
@pytest.mark.parametrize("p", [0.05, 0.002])
def test_factors_are_those_of_students_t_with_a_standard_deviation_of_one(dof: float, p: float) -> None:
    scale = 1.0 if math.isinf(dof) else 1 / float(stats.t(dof).std())
    error = stats.norm() if math.isinf(dof) else stats.t(dof, scale=scale)
    assert coverage_factor(p, dof) == pytest.approx(error.isf(p / 2), rel=1e-9)
    assert two_sided_p(-float(error.isf(p / 2)), dof) == pytest.approx(p, rel=1e-9)


def test_without_a_standard_deviation_students_t_is_not_scaled() -> None:
    assert coverage_factor(0.05, 2.0) == pytest.approx(4.3027, abs=1e-4)  # any handbook table of t


@pytest.mark.parametrize("readings", [1, 2, 4])
@pytest.mark.parametrize("u_is_scale", [True, False])
def test_each_kind_of_u_has_the_factor_that_holds_its_risk(readings: int, u_is_scale: bool) -> None:
    """Scatter unknown as the default says (a variance ν/χ²(ν)), one more error against k u from the repeats there are.

    1 % of 40,000: within four standard deviations of a binomial share. With the other factor 2 to 3 %, or 0.3 to 0.4 %.
    """
    rng = np.random.default_rng(5)
    prior_dof = HAND_DOF if u_is_scale else DEFAULT_DOF
    sigma = np.sqrt(prior_dof / rng.chisquare(prior_dof, 40_000))
    repeats = sigma[:, None] * rng.normal(size=(len(sigma), readings))
    squares = np.sum((repeats - repeats.mean(axis=1, keepdims=True)) ** 2, axis=1)
    spread = DEFAULT_DOF / (DEFAULT_DOF - 2)  # mean of that variance
    found = [
        hand_factor(each, readings - 1) if u_is_scale else scatter_u(math.sqrt(spread), each, readings - 1)
        for each in squares
    ]
    u, dof = (np.array(each) for each in zip(*found, strict=True))
    k = coverage_factor(0.01, float(dof[0]), u_is_scale=u_is_scale)
    share = np.mean(np.abs(sigma * rng.normal(size=len(sigma))) > k * u)
    assert share == pytest.approx(0.01, abs=4 * math.sqrt(0.01 / len(sigma)))
