"""Budgets against the worked examples of JCGM 100:2008 (GUM)."""

from __future__ import annotations

import math

import pytest

from commission.model.budget import Budget, Contribution


def test_end_gauge_calibration() -> None:
    """JCGM 100:2008, H.1 (from memory): inputs of 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of freedom.

    It states u_c = 32 nm and ν_eff = 16 (16.7 before truncation). The tolerances are half a digit of what is printed;
    ν_eff is truncated to the next lower integer there (G.4.1).
    """
    budget = Budget(
        id="H.1",
        title="end gauge",
        unit="nm",
        contributions=(
            Contribution(source="standard", u=25.0, unit="nm", dof=18),
            Contribution(source="difference", u=9.7, unit="nm", dof=25.6),
            Contribution(
                source="expansion", u=0.58e-6, unit="1/°C", sensitivity=-5.0e6, dof=50, distribution="rectangular"
            ),
            Contribution(
                source="temperature difference",
                u=0.029,
                unit="°C",
                sensitivity=-575.0,
                dof=2,
                distribution="rectangular",
            ),
        ),
    )
    assert budget.u == pytest.approx(32.0, abs=0.5)
    assert math.floor(budget.dof) == 16
    assert budget.expanded == pytest.approx(2 * budget.u)


def test_unequal_sources_share_the_variance() -> None:
    """Pythagoras: 3 and 4 make 5 (JCGM 100 equation 11a), and 64 % of the variance is the larger one's."""
    three = Contribution(source="a", u=3.0, unit="dB")
    four = Contribution(source="b", u=2.0, unit="x", sensitivity=-2.0)
    budget = Budget(id="x", title="x", unit="dB", contributions=(three, four))
    assert budget.u == pytest.approx(5.0)
    assert budget.share(four) == pytest.approx(0.64)
    assert budget.share(three) + budget.share(four) == pytest.approx(1.0)
    assert math.isinf(budget.dof)


def test_one_source_keeps_its_degrees_of_freedom() -> None:
    """JCGM 100 equation G.2b: with one type A source alone, ν_eff is its own; a known source beside it raises it."""
    own = Contribution(source="a", u=1.0, unit="dB", dof=4, evaluation="A")
    known = Contribution(source="b", u=1.0, unit="dB")
    assert Budget(id="x", title="x", unit="dB", contributions=(own,)).dof == pytest.approx(4)
    assert Budget(id="x", title="x", unit="dB", contributions=(own, known)).dof == pytest.approx(16)


def test_an_empty_budget_has_no_uncertainty() -> None:
    budget = Budget(id="x", title="x", unit="dB", contributions=())
    assert budget.u == 0.0
    assert math.isinf(budget.dof)
