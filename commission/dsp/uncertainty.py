"""Standard uncertainties and how they add: JCGM 100:2008 (GUM)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from commission.model import FloatArray

METER_CLASS_U_DB = {1: 0.7 / 2, 2: 1.0 / 2}
"""Standard uncertainty of a meter's absolute reading at 1 kHz: half the acceptance limits ±0.7 and ±1.0 dB of IEC 61672-1
class 1 and 2 (from memory), taken as expanded with k = 2. It is common to all channels and cancels between them."""
PLACEMENT_U_DB = 0.13
"""Level of a main loudspeaker, the microphone or meter put back within 2 cm: 0.13 dB in `tests/references/placement.py`,
0.31 dB within 5 cm, 0.53 dB within 10 cm."""
DEFAULT_REPEATABILITY_U_DB = 0.2
"""One reading by hand where it was not repeated: the eye on a moving display (common practice, no source)."""
TAPE_U_M = 0.0025
"""Tape ±5 mm (common practice, no source), taken as expanded with k = 2."""
POSITION_U_M = 0.01
"""A distance from two surveyed positions, ±2 cm (common practice, no source), taken as expanded with k = 2."""
DEFAULT_DOF = 4.0
"""Degrees of freedom of a default scatter: a value known to within a third or so of itself, ν = ½·(Δu/u)⁻² (JCGM 100
G.4.2, from memory; common practice, no source, for the third)."""


def combine(*standard_uncertainties: float) -> float:
    """Combined standard uncertainty of independent inputs with sensitivity one: root of the sum of squares.

    JCGM 100:2008 equation (11a).
    """
    return math.sqrt(sum(u * u for u in standard_uncertainties))


def resolution_u(resolution: float) -> float:
    """Standard uncertainty of a display that steps by `resolution`: half a step, rectangular (JCGM 100 4.3.7)."""
    return resolution / math.sqrt(12)


def noise_u_db(bandwidth_hz: float, time_s: float) -> float:
    """Standard uncertainty of the level of noise of one bandwidth, read for one time: 4.34/√(B·T) [dB].

    The relative variance of the mean square is 1/(B·T) (Bendat and Piersol, from memory); 10/ln 10 = 4.34.
    """
    return 10 / math.log(10) / math.sqrt(bandwidth_hz * time_s)


def type_a(readings: Sequence[float]) -> tuple[float, float | None]:
    """Mean and standard uncertainty of the mean, s/√n (JCGM 100 4.2.3); None for fewer than two readings."""
    values = np.asarray(readings, dtype=float)
    mean = float(values.mean())
    if len(values) < 2:
        return mean, None
    return mean, float(values.std(ddof=1) / math.sqrt(len(values)))


def scatter_u(default_u: float, squares: float, dof: float) -> tuple[float, float]:
    """(standard uncertainty of one reading, degrees of freedom), from a default scatter and the repeats there are.

    `squares`: Σ(x − x̄)² of all repeats, each about the mean of its own place; `dof`: how many readings less how many means.
    Few repeats tell their scatter badly, and a default never fits quite: both speak, each by its degrees of freedom.
    u² is the mean of the variance after the repeats, where before them it is scaled inverse chi-squared with mean
    `default_u`² and ν₀ = DEFAULT_DOF: u² = ((ν₀ − 2)·u₀² + Σ(x − x̄)²)/(ν₀ − 2 + ν). The reading's error then follows
    Student's t with ν₀ + ν degrees of freedom and standard deviation u (JCGM 101 6.4.9.4; Gelman et al., Bayesian Data
    Analysis, section 2.6; from memory), of which ±2 u hold 95.0 to 95.5 % from ν = 4 on.
    """
    weight = DEFAULT_DOF - 2.0
    return math.sqrt((weight * default_u**2 + squares) / (weight + dof)), DEFAULT_DOF + dof


def median_sensitivities(values: FloatArray, u: float, among: Sequence[int]) -> FloatArray:
    """How much of `u`, that of each value, the median brings into each value less the median of those `among` [shape=(n,)].

    With v the values' distances from the median over u, φ and Φ of the normal distribution at v, sums over `among`:
    Var(m) = u²·ΣΦ(1 − Φ)/(Σφ)², and for a value among them Cov(x, m) = u²·φ/Σφ, which is taken off twice: at worst
    nothing is left. In the limits: 1.25/√n where all agree (Kendall and Stuart, The Advanced Theory of Statistics, from
    memory), and no more than one value's own u where a single one is the median.
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
