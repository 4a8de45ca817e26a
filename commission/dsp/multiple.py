"""Many comparisons at once: how far each must differ so that all of them together are rarely wrong.

Of fifty values that did not change, two or three exceed U = 2 u by chance. Holm's method (S. Holm, "A simple sequentially
rejective multiple test procedure", Scandinavian Journal of Statistics 6 (1979) 65–70, from memory) keeps the risk of one
false word or more, whatever else has changed and however the comparisons are correlated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

FALSE_WORDS = 0.05
"""In how many tables one word or more may be false (common practice, no source)."""
MOST_STEPS = 300
"""Of an iteration: a bound that none is known to reach; Student's t is computed here because scipy takes 0.1 s to load."""


def holm_threshold(p_values: Sequence[float], risk: float = FALSE_WORDS) -> float:
    """Comparisons whose p value is at most this are significant; `risk` for none and for no comparison.

    In ascending order p₁ … pₘ each is compared with risk/(m − i + 1) until one exceeds it. The threshold of that one
    decides on all: those before it are below, those after it above.
    """
    ordered = sorted(p_values)
    for i, p in enumerate(ordered):
        if not p <= risk / (len(ordered) - i):
            return risk / (len(ordered) - i)
    return risk


def two_sided_p(ratio: float, dof: float = math.inf) -> float:
    """Probability that |error| exceeds `ratio` times its standard uncertainty u.

    The error follows Student's t with `dof` degrees of freedom and standard deviation u, as `uncertainty.scatter_u` defines
    it; normal where `dof` is infinite.
    """
    size = abs(ratio)
    return math.erfc(size / math.sqrt(2)) if math.isinf(dof) else _t_beyond(size / _unit_scale(dof), dof)


def coverage_factor(p: float, dof: float = math.inf, *, u_is_scale: bool = False) -> float:
    """K of U = k u, which an error exceeds with probability `p`.

    u is the standard deviation of the error, as `uncertainty.scatter_u` and `two_sided_p` have it. `u_is_scale`: it is
    the scale of Student's t, as in JCGM 100 G.3.2 (from memory) and `uncertainty.hand_factor`; k is then the quantile
    itself, larger by √(ν/(ν − 2)).
    """
    if math.isinf(dof):
        return -NormalDist().inv_cdf(p / 2)
    return _t_quantile(p, dof) * (1.0 if u_is_scale else _unit_scale(dof))


def _t_quantile(p: float, dof: float) -> float:
    """What |t| exceeds with probability `p`: Newton's method on the logarithm of that probability."""
    t = -NormalDist().inv_cdf(p / 2)
    constant = math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2) - math.log(math.pi * dof) / 2
    for _ in range(MOST_STEPS):
        beyond = _t_beyond(t, dof)
        density = math.exp(constant - (dof + 1) / 2 * math.log1p(t * t / dof))
        step = math.log(beyond / p) * beyond / (2 * density)
        t += step
        if abs(step) < 1e-12 * t:
            break
    return t


def _t_beyond(t: float, dof: float) -> float:
    """Probability that |t| is larger: the incomplete beta function I_x(ν/2, 1/2) at x = ν/(ν + t²)."""
    x = dof / (dof + t * t)
    if x >= (dof + 2) / (dof + 5):  # beyond the mean of the distribution the fraction of the complement converges
        return 1 - _beta_part(0.5, dof / 2, 1 - x)
    return _beta_part(dof / 2, 0.5, x)


def _beta_part(a: float, b: float, x: float) -> float:
    """Incomplete beta function I_x(a, b) by its continued fraction, evaluated after Lentz.

    Abramowitz and Stegun, Handbook of Mathematical Functions, equation 26.5.8 (from memory).
    """
    if x <= 0:
        return 0.0
    front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    c, d = 1.0, 1 / (1 - (a + b) * x / (a + 1))
    value = d
    for n in range(1, MOST_STEPS):
        even = n * (b - n) * x / ((a + 2 * n - 1) * (a + 2 * n))
        odd = -(a + n) * (a + b + n) * x / ((a + 2 * n) * (a + 2 * n + 1))
        d, c = 1 / (1 + even * d), 1 + even / c
        value *= c * d
        d, c = 1 / (1 + odd * d), 1 + odd / c
        value *= c * d
        if abs(c * d - 1) < 1e-15:
            break
    return math.exp(front) * value / a


def _unit_scale(dof: float) -> float:
    """What scales Student's t to a standard deviation of 1; up to two degrees of freedom it has none."""
    return math.sqrt((dof - 2) / dof) if dof > 2 else 1.0
