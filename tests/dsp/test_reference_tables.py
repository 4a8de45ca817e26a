"""Small formulas against published values; each table names its source and how it was read."""

from __future__ import annotations

import numpy as np
import pytest

from commission.dsp import levels, uncertainty
from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.weighting import weighting_db
from commission.model import GUARD_FACTOR, InputError, Limit, Verdict

ISO_9613_1_M_S = {0: 331.286, 10: 337.296, 15: 340.261, 20: 343.2, 25: 346.114, 30: 349.005}
"""ISO 9613-1:1993, c = 343.2·sqrt(T/T0); values computed by two other libraries."""
CRAMER_M_S = {
    (0, 0): (331.455, 0.051),
    (20, 0): (343.3672, 0.049),
    (20, 50): (343.9944, 0.231),
    (25, 50): (347.1343, 0.295),
    (30, 100): (351.4766, 0.708),
}
"""Cramer 1993, JASA 93(5) 2510: (°C, % relative humidity) → m/s, and by how many per cent that is more than the formula
without humidity, with a calculator; coefficients read in a public copy, run by another library (pyfar 0.8.1)."""
A_WEIGHTING_DB = {
    31.6228: -39.4,
    63.0957: -26.2,
    125.8925: -16.1,
    251.1886: -8.6,
    501.1872: -3.2,
    1000.0: 0.0,
    1995.2623: 1.2,
    3981.0717: 1.0,
    7943.2823: -1.1,
    15848.9319: -6.6,
}
C_WEIGHTING_DB = {
    10.0: -14.3,
    19.9526: -6.2,
    39.8107: -2.0,
    79.4328: -0.5,
    158.4893: -0.1,
    316.2278: 0.0,
    1258.9254: 0.0,
    2511.8864: -0.3,
    5011.8723: -1.3,
    10000.0: -4.4,
    19952.6231: -11.2,
}
"""IEC 61672-1:2013 Table 3 at exact frequencies, by way of an open library's copy of the table."""


@pytest.mark.parametrize(("celsius", "expected"), ISO_9613_1_M_S.items())
def test_speed_of_sound_is_that_of_iso_9613_1(celsius: int, expected: float) -> None:
    assert speed_of_sound_m_s(celsius) == pytest.approx(expected, abs=6e-4)  # the table has three decimals


@pytest.mark.parametrize(("air", "expected"), CRAMER_M_S.items())
def test_what_leaving_humidity_out_costs(air: tuple[int, int], expected: tuple[float, float]) -> None:
    speed, more_percent = expected
    # Half of the last decimal of the per cent.
    assert 100 * (speed / speed_of_sound_m_s(air[0]) - 1) == pytest.approx(more_percent, abs=6e-4)


def test_humid_air_in_rooms_is_at_most_half_a_percent_faster() -> None:
    """As the docstring says, by the formula of Cramer in another library: 15 to 30 °C, up to 70 % relative humidity."""
    cramer = pytest.importorskip("pyfar").constants.speed_of_sound_cramer
    more = [cramer(t, h / 100) / speed_of_sound_m_s(t) - 1 for t in (15, 20, 25, 30) for h in (0, 20, 50, 70)]
    assert 0.0003 < min(more)
    assert max(more) == pytest.approx(0.0051, abs=5e-5)  # the docstring's digits


@pytest.mark.parametrize("celsius", [-21, 51, float("nan"), float("inf")])
def test_temperatures_of_no_room_are_refused(celsius: float) -> None:
    with pytest.raises(InputError, match="temperature"):
        speed_of_sound_m_s(celsius)


@pytest.mark.parametrize(("kind", "table"), [("A", A_WEIGHTING_DB), ("C", C_WEIGHTING_DB)])
def test_weightings_are_those_of_iec_61672_1(kind: str, table: dict[float, float]) -> None:
    got = weighting_db(np.array(list(table)), kind)  # type: ignore[arg-type]
    np.testing.assert_allclose(got, list(table.values()), atol=0.051)  # the table is rounded to 0.1 dB


def test_z_weighting_is_flat() -> None:
    assert not weighting_db(np.array([20.0, 1000.0, 20000.0]), "Z").any()


@pytest.mark.parametrize(
    ("parts", "total"),
    [([75, 75], 78.0103), ([75, 75, 75], 79.7712), ([80, 74], 80.9732), ([60, 60, 60, 60], 66.0206)],
)
def test_energy_sums(parts: list[float], total: float) -> None:
    """10 lg Σ 10^(L/10), worked with a calculator."""
    assert levels.energy_sum_db(parts) == pytest.approx(total, abs=5e-5)


def test_background() -> None:
    assert levels.background_corrected_db(50, 44) == pytest.approx(48.7437, abs=5e-5)
    assert levels.background_corrected_db(50, 48) is None


def test_worked_examples_of_uncertainty() -> None:
    """JCGM 100 eq. (11a); the first value agrees with an independent uncertainty library."""
    assert uncertainty.combine(0.25, 0.14, 0.10) == pytest.approx(0.3034798, abs=1e-7)
    assert uncertainty.resolution_u(0.1) == pytest.approx(0.1 / np.sqrt(12))


def test_guard_band_keeps_false_passes_at_five_percent() -> None:
    """JCGM 106: a value at the acceptance limit (1.645 u inside) is false with probability Φ(−1.645) = 5 %."""
    from scipy.stats import norm

    assert norm.cdf(-GUARD_FACTOR) == pytest.approx(0.05, abs=2e-4)
    limit = Limit(low=-0.5, high=0.5, unit="dB", basis="")
    u = 0.2
    rng = np.random.default_rng(4)
    truth = 0.5  # exactly on the limit: what is measured there passes falsely in 5 % of cases
    words = [limit.judge(truth + e, u) for e in rng.normal(0, u, 20000)]
    share = words.count(Verdict.PASS) / len(words)
    # The other side of the interval takes a little more away: Φ(−1.645) less the far side, ± 4 standard errors of 0.0015.
    assert 0.038 < share < 0.057
    assert limit.judge(0.1, u) is Verdict.PASS
    assert limit.judge(0.9, u) is Verdict.FAIL
    assert limit.judge(0.5, u) is Verdict.UNSURE
    assert limit.judge(None, u) is Verdict.NOT_TESTED
    assert limit.judge(float("nan"), u) is Verdict.NOT_TESTED
