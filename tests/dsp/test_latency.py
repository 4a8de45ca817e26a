"""The common latency and the factor on delays from arrivals, against sums by hand and a general library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import theilslopes

from commission.dsp import latency

C = 343.0
DISTANCES_M = np.array([2.0, 2.6, 3.1, 3.7, 4.4, 1.2])


def heard(factor: float, latency_s: float = 0.02) -> np.ndarray:
    """t = τ + d/c − k·d/c: a processor that interprets the distances as k times as large."""
    return np.asarray(latency_s + (1 - factor) * DISTANCES_M / C)


def test_the_common_latency_is_the_median_of_those_that_may_speak() -> None:
    applied = np.array([0.006, 0.004, 0.003, 0.001, 0.0, 0.008])
    arrivals = 0.02 + DISTANCES_M / C + applied
    arrivals[5] += 0.015
    arrivals[1] += 0.003
    fit = latency.common_latency(arrivals, DISTANCES_M, applied, C)
    assert fit is not None
    assert fit.latency_s == pytest.approx(0.02)
    assert fit.residual_s == pytest.approx([0, 0.003, 0, 0, 0, 0.015], abs=1e-12)
    among = np.array([False, True, False, True, False, True])
    some = latency.common_latency(arrivals, DISTANCES_M, applied, C, among)
    assert some is not None
    assert some.latency_s == pytest.approx(0.023)  # the middle one of 0.02, 0.023 and 0.035
    assert latency.common_latency(arrivals, DISTANCES_M, applied, C, among & (DISTANCES_M > 2)) is None
    arrivals[1] = np.nan
    assert latency.common_latency(arrivals, DISTANCES_M, applied, C, among) is None


@pytest.mark.parametrize(
    ("factor", "meaning"),
    [
        (1.0, "right"),
        (0.0, latency.NO_DELAYS),
        (-1.0, latency.WRONG_SIGN),
        (3.2808, "feet were entered where metres are expected"),
        (0.3048, "metres were entered where feet are expected"),
        (0.6, None),
    ],
)
def test_a_factor_of_the_delays_is_found_beside_an_outlier(factor: float, meaning: str | None) -> None:
    arrivals = heard(factor)
    arrivals[2] += 0.004
    fit = latency.unit_factor(arrivals, DISTANCES_M, C)
    assert fit is not None
    assert fit.factor == pytest.approx(factor, abs=1e-6)
    assert fit.latency_s == pytest.approx(0.02, abs=1e-6)
    assert fit.outliers == (2,)
    assert fit.meaning == meaning
    # σ/√Σ(x − x̄)² of a straight line, with σ of 85 µs where the points are on it exactly
    x = np.delete(DISTANCES_M, 2) / C
    assert fit.sd == pytest.approx(8.5e-5 / np.sqrt(np.sum((x - x.mean()) ** 2)), rel=1e-3)


def test_a_factor_with_a_large_uncertainty_means_nothing() -> None:
    for sd, means in ((0.029, True), (0.031, False)):
        assert (latency.UnitFit(1.0, sd, 0.0, ()).meaning == "right") is means
    # Mixing metres and feet makes errors of the distances 3.28 times as large.
    assert latency.UnitFit(3.25, 0.09, 0.0, ()).meaning == "feet were entered where metres are expected"
    assert latency.UnitFit(3.25, 0.1, 0.0, ()).meaning is None
    assert latency.UnitFit(1.04, 0.001, 0.0, ()).meaning == "right"  # another speed of sound
    assert latency.UnitFit(1.08, 0.001, 0.0, ()).meaning is None


def test_a_factor_needs_four_channels_at_different_distances() -> None:
    few = heard(1.0)
    few[3:] = np.nan
    assert latency.unit_factor(few, DISTANCES_M, C) is None
    four = heard(1.0)
    four[4:] = np.nan
    assert latency.unit_factor(four, DISTANCES_M, C) is not None
    assert latency.unit_factor(four, np.where(np.arange(6) == 1, np.nan, DISTANCES_M), C) is None
    assert latency.unit_factor(np.full(6, 0.02), np.full(6, 3.0), C) is None
    wild = heard(1.0) + np.array([0.0, 0.01, -0.02, 0.04, 0.0, -0.05])
    fit = latency.unit_factor(wild, DISTANCES_M, C)
    assert fit is None or fit.sd > latency.UNIT_SD


def test_the_median_slope_is_that_of_a_general_library() -> None:
    x, y = np.random.default_rng(2).normal(size=(2, 9))
    known = theilslopes(y, x)
    slope, offset = latency._theil_sen(x, y)
    assert slope == pytest.approx(known.slope)
    assert offset == pytest.approx(float(np.median(y - slope * x)))
    assert latency._theil_sen(np.zeros(5), np.arange(5.0)) == (0.0, 2.0)
