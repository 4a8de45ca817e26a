"""Bounds of a search for bass settings without a processor."""

from __future__ import annotations

import numpy as np

from commission.dsp.bass_search import SearchBounds


def wide_bounds(subs: int, delay_s: float = 0.015, gain_db: float = 12.0) -> SearchBounds:
    """Delays within ± `delay_s`, gains within ± `gain_db`."""
    return SearchBounds(
        delay_low_s=np.full(subs, -delay_s),
        delay_high_s=np.full(subs, delay_s),
        gain_low_db=np.full(subs, -gain_db),
        gain_high_db=np.full(subs, gain_db),
        gain_spread_db=gain_db,
    )
