"""The cheapest assignment, compared with scipy's solver."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from commission.dsp.assignment import Assignment


@st.composite
def tables(draw: st.DrawFn) -> np.ndarray:
    """Cost tables of up to 13 rows; whole numbers make ties, a scale as of squared seconds makes small costs."""
    rows = draw(st.integers(1, 13))
    columns = rows + draw(st.integers(0, 3))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    if draw(st.booleans()):
        return rng.integers(-4, 9, (rows, columns)).astype(float)
    return rng.exponential(1e-7, (rows, columns))


@given(tables())
@settings(max_examples=60, deadline=None)
def test_as_cheap_as_scipy(cost: np.ndarray) -> None:
    columns = Assignment(cost).columns
    rows, theirs = linear_sum_assignment(cost)
    assert len(set(columns)) == len(rows) == len(columns)
    # Rounding of sums of at most 13 doubles in another order.
    assert cost[rows, list(columns)].sum() == pytest.approx(cost[rows, theirs].sum(), rel=1e-12, abs=1e-20)


@given(tables())
@settings(max_examples=40, deadline=None)
def test_the_cheapest_change_is_that_of_scipy_with_the_pair_forbidden(cost: np.ndarray) -> None:
    prices = Assignment(cost)
    for row, column in enumerate(prices.columns):
        other = prices.without(row)
        if cost.shape[1] == 1:
            assert other is None
            continue
        assert other is not None
        assert other[row] != column
        forbidden = cost.copy()
        forbidden[row, column] = 1e3
        rows, theirs = linear_sum_assignment(forbidden)
        assert len(set(other)) == len(rows)
        assert cost[rows, list(other)].sum() == pytest.approx(forbidden[rows, theirs].sum(), rel=1e-12, abs=1e-20)


def test_more_rows_than_columns_are_refused() -> None:
    with pytest.raises(ValueError, match="3 rows"):
        Assignment(np.zeros((3, 2)))
