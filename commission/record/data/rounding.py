"""Rounds numbers for JSON."""

from __future__ import annotations

import math


def rounded(value: float | None, digits: int) -> float | None:
    """A number with that many decimals, never −0; null (None) if unknown or not finite."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits) + 0.0
