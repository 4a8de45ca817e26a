"""Early against late energy: C50, C80 and D50 by band, ISO 3382-1:2009 A.2.3 (equations A.10 and A.11, from memory).

    C_te = 10·lg(∫₀^te p² dt / ∫_te^∞ p² dt)        D50 = ∫₀^50ms p² dt / ∫₀^∞ p² dt

Bands are filtered with zero phase, which shifts nothing in time (a causal filter delays narrow bands until their direct
sound counts as late); ringing before the start counts as early. Noise is subtracted from the late part, and the energy
below the noise is extrapolated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from commission.dsp.band_energy import Bands
from commission.dsp.decay import Estimate
from commission.dsp.decay_curves import GRID_S, Curves
from commission.model import FloatArray, freeze

EARLY_S = {"c50": 0.050, "c80": 0.080}
LEAST_WIDTHS = 2.0
"""Least B·te: the filter alone then leaves 36 dB between early and late (own computation), 15 to 25 dB at half of that."""


@dataclass(frozen=True, slots=True, eq=False)
class Clarity:
    """Early-to-late ratios of responses by band [shape=(k, bands) each]; NaN where not tested."""

    bands: Bands
    c50_db: FloatArray
    c80_db: FloatArray
    d50: FloatArray
    range_db: FloatArray
    """Fall of the decay before it meets the noise."""
    spread: dict[str, FloatArray]
    """Standard deviation between neighbouring positions, by quantity (see `clarity_spread_db`)."""

    def estimate(self, quantity: Literal["c50", "c80", "d50"], response: int, band: int) -> Estimate:
        """One value with the spread between neighbouring positions as its standard uncertainty, or why there is none."""
        values = {"c50": self.c50_db, "c80": self.c80_db, "d50": self.d50}[quantity]
        value = float(values[response, band])
        if math.isfinite(value):
            return Estimate(value, float(self.spread[quantity][response, band]))
        early_s = EARLY_S["c80" if quantity == "c80" else "c50"]
        if self.bands.widths_hz[band] * early_s < LEAST_WIDTHS:
            return Estimate(None, 0.0, f"the band is too narrow to resolve {1000 * early_s:.0f} ms")
        if not math.isfinite(float(self.range_db[response, band])):
            return Estimate(None, 0.0, "no decay is heard in this band")
        return Estimate(None, 0.0, f"the sound falls into the noise within {1000 * early_s:.0f} ms")


def clarity_of(bands: Bands, curves: Curves) -> Clarity:
    """Clarity from the zero-phase decay curves of all `bands`."""
    with np.errstate(invalid="ignore", divide="ignore"):
        total = curves.energy[..., 0] + curves.before
        found, spread = {}, {}
        for name, early_s in EARLY_S.items():
            place = round(early_s / GRID_S)
            inside = place < curves.energy.shape[-1]
            late = curves.energy[..., place] if inside else np.full(total.shape, np.nan)
            known = (late > 0) & (total > late) & (bands.widths_hz * early_s >= LEAST_WIDTHS) & curves.in_reach
            late = np.where(known, late, np.nan)
            found[name] = (10 * np.log10((total - late) / late), 1 - late / total)
            slope = curves.late.slope_db_s.reshape(total.shape)
            spread[name] = clarity_spread_db(-60 / slope, bands.widths_hz, early_s)
    d50 = found["c50"][1]
    spread["d50"] = spread["c50"] * math.log(10) / 10 * d50 * (1 - d50)
    return Clarity(
        bands,
        freeze(found["c50"][0]),
        freeze(found["c80"][0]),
        freeze(d50),
        freeze(curves.range_db),
        {name: freeze(value) for name, value in spread.items()},
    )


def clarity_spread_db(time_s: FloatArray, width_hz: FloatArray, early_s: float) -> FloatArray:
    """Standard deviation [dB] of C_te between neighbouring positions in a room with exponential decay.

    The energy of a Gaussian decay in a band of width B, e^(−kt) with k = 6·ln 10/T, has the relative variance from a to
    b (1/B)·∫e^(−2kt)/(∫e^(−kt))²: early and late parts are independent (derived here; `tests/dsp/test_clarity.py`).
    """
    k = 6 * math.log(10) / np.asarray(time_s, dtype=float)
    x = np.exp(-k * early_s)
    late = k / 2
    early = k / 2 * (1 - x**2) / (1 - x) ** 2
    return np.asarray(10 / math.log(10) * np.sqrt((late + early) / width_hz))


def join(parts: list[Clarity]) -> Clarity:
    """Clarity of several batches of responses as one."""
    arrays = {
        name: freeze(np.concatenate([getattr(p, name) for p in parts]))
        for name in ("c50_db", "c80_db", "d50", "range_db")
    }
    spread = {q: freeze(np.concatenate([p.spread[q] for p in parts])) for q in parts[0].spread}
    return Clarity(parts[0].bands, spread=spread, **arrays)
