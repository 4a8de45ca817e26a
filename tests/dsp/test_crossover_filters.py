"""Crossover filters against scipy, handbook tables and the sums stated by their inventors."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from commission.dsp.crossover_filters import Side, butterworth, crossover_response
from commission.model import CrossoverFilter, CrossoverType

FREQ_HZ = np.geomspace(10, 800, 60)
CORNER_HZ = 80.0


def filter_of(type_: CrossoverType, order: int) -> CrossoverFilter:
    return CrossoverFilter(type=type_, slope_db_per_octave=6 * order)


@pytest.mark.parametrize("side", ["high", "low"])
@pytest.mark.parametrize("order", range(1, 9))
def test_filters_agree_with_scipy(order: int, side: Side) -> None:
    def expected(n: int) -> np.ndarray:
        b, a = signal.butter(n, 2 * np.pi * CORNER_HZ, side, analog=True)
        return np.asarray(signal.freqs(b, a, 2 * np.pi * FREQ_HZ)[1])

    ours = crossover_response(FREQ_HZ, CORNER_HZ, filter_of("butterworth", order), side)
    # 1e-9: rounding; scipy computes its polynomial from the poles.
    assert np.allclose(ours, expected(order), rtol=1e-9)
    if order % 2 == 0:
        ours = crossover_response(FREQ_HZ, CORNER_HZ, filter_of("linkwitz-riley", order), side)
        assert np.allclose(ours, expected(order // 2) ** 2, rtol=1e-9)


@pytest.mark.parametrize(
    ("order", "coefficients"),
    [
        # Normalised Butterworth polynomials, highest power first, as tables of filter handbooks print them (from memory).
        (2, (1, 1.4142, 1)),
        (3, (1, 2, 2, 1)),
        (4, (1, 2.6131, 3.4142, 2.6131, 1)),
        (5, (1, 3.2361, 5.2361, 5.2361, 3.2361, 1)),
    ],
)
def test_polynomials_are_those_of_handbook_tables(order: int, coefficients: tuple[float, ...]) -> None:
    ratio = np.array([0.5, 1.0, 2.0])
    # 2e-4: four decimals of up to six coefficients, the largest of them times 2⁵ beside a value of 33 and more.
    assert np.allclose(1 / butterworth(ratio, 1.0, order, "low"), np.polyval(coefficients, 1j * ratio), rtol=2e-4)


@pytest.mark.parametrize(("order", "sign"), [(2, -1), (4, 1), (6, -1), (8, 1)])
def test_both_sides_sum_as_their_type_says(order: int, sign: int) -> None:
    # Linkwitz 1976: −6 dB each at the crossover and flat together, every other order with one side reversed. Butterworth
    # of odd order: powers and sums are flat, the sides a quarter of a period apart (from memory).
    low, high = (
        crossover_response(FREQ_HZ, CORNER_HZ, filter_of("linkwitz-riley", order), s) for s in ("low", "high")
    )
    assert np.allclose(np.abs(low + sign * high), 1.0, rtol=1e-9)
    at_corner = crossover_response(np.array([CORNER_HZ]), CORNER_HZ, filter_of("linkwitz-riley", order), "low")
    assert np.abs(at_corner) == pytest.approx(0.5)
    low, high = (butterworth(FREQ_HZ, CORNER_HZ, order - 1, s) for s in ("low", "high"))
    assert np.allclose(np.abs(low + high), 1.0, rtol=1e-9)
    assert np.allclose(np.abs(np.angle(low / high)), np.pi / 2)
