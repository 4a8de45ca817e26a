"""Scatter from few repeats, against scipy's distributions."""

from __future__ import annotations

import math

import pytest
from scipy import integrate, stats

from commission.dsp.uncertainty import DEFAULT_DOF, scatter_u


@pytest.mark.parametrize(("default", "squares", "dof"), [(0.2, 0.1, 4), (0.2, 2.0, 1), (0.25, 0.02, 26), (0.2, 0.0, 0)])
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
        return float(integrate.quad(lambda x: density(math.exp(x)) * math.exp((power + 1) * x), -14, 14,
                                    limit=400, epsabs=0, epsrel=1e-10)[0])  # fmt: skip

    u, nu = scatter_u(default, squares, dof)
    assert u**2 == pytest.approx(on_log_axis(1) / on_log_axis(0), rel=1e-6)
    assert nu == DEFAULT_DOF + dof


def test_without_repeats_the_default_stands_and_many_repeats_outweigh_it() -> None:
    assert scatter_u(0.2, 0.0, 0)[0] == pytest.approx(0.2)
    assert scatter_u(0.2, 1000 * 0.5**2, 1000)[0] == pytest.approx(0.5, rel=2e-3)


@pytest.mark.parametrize("dof", [4, 5, 8, 30, 1000])
def test_two_u_hold_ninety_five_percent(dof: int) -> None:
    """Student's t scaled to standard deviation one: ν/(ν − 2) is its variance (scipy.stats.t)."""
    share = 2 * stats.t.cdf(2 * math.sqrt(dof / (dof - 2)), dof) - 1
    assert 0.949 < share < 0.955
