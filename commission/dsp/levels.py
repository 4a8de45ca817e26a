"""Arithmetic of levels."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np


def energy_sum_db(levels_db: Sequence[float]) -> float:
    """Total level of incoherent sources: 10·lg Σ 10^(L/10) [dB]; −inf for none."""
    if not len(levels_db):
        return -math.inf
    return float(10 * np.log10(np.sum(10 ** (np.asarray(levels_db, dtype=float) / 10))))


def background_corrected_db(total_db: float, background_db: float) -> float | None:
    """Level without its background; None if it is less than 3 dB above it, where ISO 3746 (from memory) allows no
    correction.
    """
    if total_db - background_db < 3.0:
        return None
    return float(10 * math.log10(10 ** (total_db / 10) - 10 ** (background_db / 10)))
