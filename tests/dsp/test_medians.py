"""Medians of tables with gaps, against NumPy's `nanmedian`."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from commission.dsp.medians import known_median


@pytest.mark.parametrize("axis", [0, 1, 2, -1])
@pytest.mark.parametrize("gaps", [0.0, 0.4, 0.9])
def test_it_is_the_library_s_median(axis: int, gaps: float) -> None:
    rng = np.random.default_rng([axis + 1, round(10 * gaps)])
    values = rng.normal(size=(4, 5, 6))
    values[rng.random(values.shape) < gaps] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of slices without any value
        expected = np.nanmedian(values, axis=axis)
    np.testing.assert_array_equal(known_median(values, axis), expected)
