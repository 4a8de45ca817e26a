"""Thresholds for many comparisons at once, so that all of them together are rarely wrong.

Of fifty values that did not change, two or three exceed U = 2 u by chance. Hommel's method (G. Hommel, "A stagewise
rejective multiple test procedure based on a modified Bonferroni test", Biometrika 75 (1988) 383–386, from memory)
controls the risk of one or more false verdicts, whatever else has changed. It rests on the inequality of R. J. Simes,
which holds for independent comparisons, and for those that share errors or an estimate of their scatter (S. K. Sarkar,
C.-K. Chang, Journal of the American Statistical Association 92 (1997) 1601–1608, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

FALSE_WORDS = 0.05
"""Share of tables in which one or more verdicts may be false (common practice, no source)."""


def hommel_threshold(p_values: Sequence[float], risk: float = FALSE_WORDS) -> float:
    """Largest p value that counts as significant; `risk` if none does or there is no comparison.

    It is risk/j for the largest number j of which the j largest p, in ascending order, exceed k·risk/j with k = 1 … j.
    """
    ordered = sorted(p_values)
    for size in range(len(ordered), 0, -1):
        if not any(p <= k * risk / size for k, p in enumerate(ordered[-size:], 1)):
            return risk / size
    return risk


def two_sided_p(ratio: float, dof: float = math.inf) -> float:
    """Probability that |error| exceeds `ratio` times its standard uncertainty u.

    The error follows Student's t with `dof` degrees of freedom and standard deviation u, as `uncertainty.scatter_u` defines
    it; normal where `dof` is infinite.
    """
    size = abs(ratio)
    if math.isinf(dof):
        return math.erfc(size / math.sqrt(2))
    from scipy.special import stdtr

    return float(2 * stdtr(dof, -size / _unit_scale(dof)))


def coverage_factor(p: float, dof: float = math.inf, *, u_is_scale: bool = False) -> float:
    """Factor k of U = k u, which an error exceeds with probability `p`.

    u is the standard deviation of the error, as in `uncertainty.scatter_u` and `two_sided_p`. `u_is_scale`: it is the
    scale of Student's t, as in JCGM 100 G.3.2 (from memory) and `uncertainty.hand_factor`; k is then the quantile
    itself, larger by √(ν/(ν − 2)).
    """
    if math.isinf(dof):
        return -NormalDist().inv_cdf(p / 2)
    from scipy.special import stdtrit

    return float(-stdtrit(dof, p / 2)) * (1.0 if u_is_scale else _unit_scale(dof))


def _unit_scale(dof: float) -> float:
    """Factor that scales Student's t to a standard deviation of 1; undefined up to two degrees of freedom."""
    return math.sqrt((dof - 2) / dof) if dof > 2 else 1.0
