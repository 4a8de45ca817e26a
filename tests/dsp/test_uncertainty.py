"""Scatter from few repeats, against scipy's distributions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, special, stats

from commission.dsp.uncertainty import (
    DEFAULT_DOF,
    HAND_DOF,
    SUB_CENTRE_WITHIN_M,
    hand_factor,
    median_sensitivities,
    scatter_u,
    student_t95,
)


@pytest.mark.parametrize(
    ("default", "squares", "dof"), [(0.2, 0.1, 4), (0.2, 2.0, 1), (0.25, 0.02, 26), (0.2, 0.0, 0)]
)
def test_scatter_is_the_posterior_mean(default: float, squares: float, dof: int) -> None:
    """The mean of σ² by integration over σ²: prior scaled inverse chi-squared, likelihood of Σ(x − x̄)² = σ²·χ²(ν).

    Tolerance 1e-6: what the numerical integration is worth.
    """
    half = DEFAULT_DOF / 2
    prior = stats.invgamma(half, scale=default**2 * (half - 1))  # mean scale/(a − 1) = default²

    def density(variance: float) -> float:
        likelihood = stats.chi2.pdf(squares / variance, dof) / variance if dof else 1.0
        return float(prior.pdf(variance) * likelihood)

    def on_log_axis(power: int) -> float:
        return float(
            integrate.quad(
                lambda x: density(math.exp(x)) * math.exp((power + 1) * x), -14, 14, limit=400, epsabs=0, epsrel=1e-10
            )[0]
        )

    u, nu = scatter_u(default, squares, dof)
    assert u**2 == pytest.approx(on_log_axis(1) / on_log_axis(0), rel=1e-6)
    assert nu == DEFAULT_DOF + dof


def test_without_repeats_the_default_is_used_and_many_repeats_outweigh_it() -> None:
    assert scatter_u(0.2, 0.0, 0)[0] == pytest.approx(0.2)
    assert scatter_u(0.2, 1000 * 0.5**2, 1000)[0] == pytest.approx(0.5, rel=2e-3)


@pytest.mark.parametrize("dof", [4, 5, 8, 30, 1000])
def test_two_u_hold_ninety_five_percent(dof: int) -> None:
    """Student's t scaled to standard deviation one: ν/(ν − 2) is its variance (scipy.stats.t)."""
    share = 2 * stats.t.cdf(2 * math.sqrt(dof / (dof - 2)), dof) - 1
    assert 0.949 < share < 0.955


@pytest.mark.parametrize(
    "values",
    [
        [0.0] * 9,  # all agree: the median of textbooks
        [-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0],  # far apart: always the same one is the median
        [-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0, 5.0],
        [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 12.0],
    ],
    ids=["alike", "far apart", "spread", "one off"],
)
def test_scatter_of_a_value_against_the_median(values: list[float]) -> None:
    """By drawing 40,000 times (numpy): the last value is none of the median's voices, the others are.

    Never more than 5 % too small: the formula is the limit of many voices. Up to 20 % too large where few of an even number
    of voices are near the median, which halves its scatter; and larger for those in the middle themselves, of which no
    source of a budget can take anything off.
    """
    rng, voices = np.random.default_rng(8), len(values) - 1
    draws = np.array(values) + rng.normal(0, 1, (40_000, len(values)))
    real = np.std(draws - np.median(draws[:, :voices], axis=1, keepdims=True), axis=0)
    stated = np.hypot(1.0, median_sensitivities(np.array(values), 1.0, range(voices)))
    in_other_units = median_sensitivities(3 * np.array(values), 3.0, range(voices))
    assert in_other_units == pytest.approx(median_sensitivities(np.array(values), 1.0, range(voices)))
    apart = np.abs(np.array(values) - np.median(values[:voices]))
    middle = apart <= max(1.0, apart.min())
    assert np.all(stated > 0.95 * real)
    assert np.all(stated[~middle] < 1.2 * real[~middle])


def test_a_median_of_many_that_agree_scatters_as_in_textbooks() -> None:
    """√(π/2n) = 1.2533/√n of one value's u for a value that is none of them (Kendall and Stuart, from memory)."""
    found = median_sensitivities(np.zeros(401), 0.3, range(400))
    assert found[-1] == pytest.approx(math.sqrt(math.pi / 2 / 400), rel=1e-6)
    assert found[0] == 0.0  # one of them shares more with the median than the median scatters


@pytest.mark.parametrize("dof", [2.0, 3.0, 4.0, 7.5, 15.0, 100.0])
def test_the_factor_of_student_is_that_of_scipy(dof: float) -> None:
    """1 %: the series ends at the fourth order."""
    assert student_t95(dof) == pytest.approx(stats.t.ppf(0.975, dof), rel=0.01)


@pytest.mark.parametrize("channels", [0, 3, 11])
def test_repeats_replace_a_default_hand(channels: int) -> None:
    """A channel read twice like others; the true scatter drawn from the default, or half or twice of it.

    4,000 draws scatter by 0.4 %. Without repeats an unknown hand is covered only by its default.
    """
    rng = np.random.default_rng(11)
    for size in (None, 0.5, 2.0):
        if size is not None and channels < 11:
            continue
        inside = []
        for _ in range(4000):
            true = math.sqrt(HAND_DOF / rng.chisquare(HAND_DOF)) if size is None else size
            repeats = rng.normal(0, true, (channels, 2))
            squares = float(np.sum((repeats - repeats.mean(axis=1, keepdims=True)) ** 2))
            factor, dof = hand_factor(squares, channels)
            inside.append(abs(rng.normal(0, true)) <= student_t95(dof) * factor)
        share = float(np.mean(inside))
        assert share >= 0.93, size
        assert size is not None or share <= 0.97


def test_the_sound_of_a_small_box_comes_from_in_front_of_its_driver() -> None:
    """A point source on a rigid sphere of radius R, far away: p(θ) ∝ Σ (2n + 1) iⁿ Pₙ(cos θ)/hₙ′(kR) (Morse and Ingard,
    "Theoretical Acoustics", from memory). Its phase is that of a source at 1.5 R from the middle, within 2 % at kR = 0.1.
    Taped at the front of a box up to 50 cm deep, the centre is within the stated bound, whichever way the driver faces.
    """
    size, n = 0.1, np.arange(12)  # later terms of kR = 0.1 are below 1e-15
    slope = special.spherical_jn(n, size, True) - 1j * special.spherical_yn(n, size, True)
    terms = (2 * n + 1) * 1j**n / slope
    front, side = (np.sum(terms * special.eval_legendre(n, cosine)) for cosine in (1.0, 0.0))
    centre = abs(np.angle(front / side)) / size
    assert centre == pytest.approx(1.5, rel=0.02)
    radius_m = 0.25
    assert max((centre - 1) * radius_m, radius_m) <= SUB_CENTRE_WITHIN_M
