"""Standard uncertainties and their combination: JCGM 100:2008 (GUM)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from commission.model import FloatArray

METER_CLASS_U_DB = {1: 0.7 / 2, 2: 1.0 / 2}
"""Standard uncertainty of a meter's absolute reading at 1 kHz: half the acceptance limits ±0.7 and ±1.0 dB of IEC 61672-1
class 1 and 2 (from memory), taken as expanded with k = 2. It is common to all channels and cancels between them."""
DISPLAY_U_DB = 0.5
"""Standard uncertainty of reading a meter's moving display by eye: 0.2 to 0.8 dB by meter and noise (common practice,
no source)."""
EARS_U_M, CENTRE_U_M, SAG_U_M = 0.012, 0.025, 0.005
"""Standard uncertainties of a taped distance: position of the ears within ±2 cm; acoustic centre within ±4 cm of the
taped point; sag and kinks within ±1 cm (rectangular; common practice, no source)."""
SUB_CENTRE_WITHIN_M = 0.25
SUB_CENTRE_U_M = SUB_CENTRE_WITHIN_M / math.sqrt(3)
"""Acoustic centre of a subwoofer, within ±25 cm of the point taped, rectangular. At long wavelengths it is two thirds of
the baffle's radius in front of the diaphragm (J. Vanderkooy, Audio Engineering Society, 2010, from a summary); for a
sphere it is half the radius (`tests/dsp/test_uncertainty.py`). Of a box 50 cm deep, taped at its front, it is 17 cm
nearer if the driver faces the seat and 25 cm farther if it faces sideways or down; taped at the driver, as the step asks,
17 cm nearer or farther at most."""
TAPE_U_M = math.sqrt(EARS_U_M**2 + CENTRE_U_M**2 + SAG_U_M**2)
"""All three combined: 2.8 cm."""
SURVEY_U_M = 0.015
"""Standard uncertainty of a distance between two positions, each surveyed within a few centimetres (common practice, no
source)."""
DEFAULT_DOF = 4.0
"""Degrees of freedom of a default scatter: a value known to within about a third, ν = ½·(Δu/u)⁻² (JCGM 100 G.4.2, from
memory; common practice, no source, for the third)."""


def combine(*standard_uncertainties: float) -> float:
    """Combined standard uncertainty of independent inputs with sensitivity one: root of the sum of squares.

    JCGM 100:2008 equation (11a).
    """
    return math.sqrt(sum(u * u for u in standard_uncertainties))


def resolution_u(resolution: float) -> float:
    """Standard uncertainty of a display that steps by `resolution`: half a step, rectangular (JCGM 100 4.3.7)."""
    return resolution / math.sqrt(12)


HAND_DOF = 3.0
"""Degrees of freedom of the scatter of hand and eye: known to within two fifths, from 0.2 to 0.8 dB (common practice,
no source)."""


def noise_u_db(bandwidth_hz: float, time_s: float) -> float:
    """Standard uncertainty of the level of noise of a given bandwidth, read for a given time: 4.34/√(B·T) [dB].

    The relative variance of the mean square is 1/(B·T) (Bendat and Piersol, from memory); 10/ln 10 = 4.34.
    """
    return 10 / math.log(10) / math.sqrt(bandwidth_hz * time_s)


def scatter_u(default_u: float, squares: float, dof: float, default_dof: float = DEFAULT_DOF) -> tuple[float, float]:
    """(standard uncertainty of one reading, degrees of freedom), from a default scatter and the available repeats.

    `squares`: Σ(x − x̄)² of all repeats, each about the mean at its position; `dof`: readings minus means. Few repeats
    determine their scatter poorly, and a default never fits exactly: both count, each by its degrees of freedom. u² is
    the mean of the variance after the repeats, where before them it is scaled inverse chi-squared with mean
    `default_u`² and ν₀ = `default_dof` > 2: u² = ((ν₀ − 2)·u₀² + Σ(x − x̄)²)/(ν₀ − 2 + ν). The reading's error then
    follows Student's t with ν₀ + ν degrees of freedom and standard deviation u (JCGM 101 6.4.9.4; Gelman et al.,
    Bayesian Data Analysis, section 2.6; from memory), of which ±2 u hold 95.0 to 95.5 % from ν = 4 on.
    """
    weight = default_dof - 2.0
    return math.sqrt((weight * default_u**2 + squares) / (weight + dof)), default_dof + dof


def student_t95(dof: float) -> float:
    """Factor of the interval that holds 95 % of Student's t, t₀.₉₇₅(ν).

    Abramowitz and Stegun, Handbook of Mathematical Functions, equation 26.7.5 (from memory), within 1 % from ν = 2 on; the
    values are those of JCGM 100 table G.2.
    """
    z = 1.959964
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return z + sum(each / dof ** (i + 1) for i, each in enumerate(terms))


def hand_factor(squares: float, dof: float, prior: float = 1.0, prior_dof: float = HAND_DOF) -> tuple[float, float]:
    """(factor on the assumed scatter of one reading, degrees of freedom), from the available repeats.

    `squares`: Σ((x − x̄)/σ₀)² of all repeats, with their assumed scatter σ₀; `dof`: readings minus means. Before any
    repeat, the scatter of a hand is poorly known: it is assumed to be `prior`·σ₀ with `prior_dof` degrees of freedom.
    Both count by their degrees of freedom, f² = (ν₀·f₀² + Σ)/(ν₀ + ν); the error over f·σ₀ follows Student's t with ν₀
    + ν degrees of freedom (JCGM 101 6.4.9.4, from memory). Repeats with more degrees of freedom than the default and a
    larger scatter are used alone. If they scatter less, part of the default remains: they may have been read without
    moving the meter.
    """
    total = prior_dof + dof
    if dof > prior_dof and squares > dof * prior**2:
        return math.sqrt(squares / dof), dof
    return math.sqrt((prior_dof * prior**2 + squares) / total), total


def median_sensitivities(values: FloatArray, u: float, among: Sequence[int]) -> FloatArray:
    """Share of `u`, the uncertainty of each value, that the median of those `among` adds to each value minus it
    [shape=(n,)].

    With v the values' distances from the median over u, φ and Φ of the normal distribution at v, sums over `among`:
    Var(m) = u²·ΣΦ(1 − Φ)/(Σφ)², and for a value among them Cov(x, m) = u²·φ/Σφ, which is subtracted twice, down to
    zero. In the limits: 1.25/√n where all agree (Kendall and Stuart, The Advanced Theory of Statistics, from memory),
    and no more than one value's own u where a single one is the median.
    """
    chosen = list(among)
    apart = (values - np.median(values[chosen])) / u
    density = np.exp(-(apart**2) / 2) / math.sqrt(2 * math.pi)
    below = np.array([0.5 * math.erfc(each / math.sqrt(2)) for each in apart[chosen]])
    total = max(float(np.sum(density[chosen])), 1e-12)
    own = min(float(np.sum(below * (1 - below))) / total**2, 1.0)
    shared = np.zeros(len(values))
    shared[chosen] = 2 * density[chosen] / total
    return np.asarray(np.sqrt(np.maximum(own - shared, 0.0)))
