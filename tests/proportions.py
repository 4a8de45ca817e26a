"""Shares with their intervals, as benches print them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np


def interval(hits: Sequence[bool]) -> str:
    """Share in percent, with its 95 % interval (E. B. Wilson 1927, from memory) and count.

    As if all were independent: those of one room are not quite, and the interval is then too narrow.
    """
    return _interval(float(np.mean(hits)), len(hits), len(hits)) if len(hits) else "none"


def interval_of_groups(hits: Iterable[tuple[int, bool]]) -> str:
    """The same of (group, hit), where what is of one group has errors in common, as the channels of a visit.

    The count that decides is the one whose independent values would scatter as the sums of the groups do (ratio estimator
    for clusters: Cochran, Sampling Techniques, from memory); where all hits are alike, that of the groups.
    """
    groups: dict[int, list[bool]] = {}
    for group, hit in hits:
        groups.setdefault(group, []).append(hit)
    if not groups:
        return "none"
    sums, sizes = (np.array([f(each) for each in groups.values()], dtype=float) for f in (sum, len))
    share, count = float(sums.sum() / sizes.sum()), int(sizes.sum())
    variance = float(np.sum((sums - share * sizes) ** 2)) / count**2
    alike = share in (0.0, 1.0)
    return _interval(share, len(groups) if alike else min(share * (1 - share) / variance, count), count)


def _interval(share: float, independent: float, count: int) -> str:
    z = 1.96
    middle = share + z**2 / (2 * independent)
    half = z * math.sqrt(share * (1 - share) / independent + z**2 / (4 * independent**2))
    low, high = (100 * (middle + sign * half) / (1 + z**2 / independent) for sign in (-1, 1))
    return f"{100 * share:.1f} % ({abs(low):.1f} to {high:.1f} of {count})"
