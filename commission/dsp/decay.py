"""Decay times EDT, T20 and T30 by band, each with the reason if it cannot be determined.

Decay times are sixty over the slope of the least-squares line through the decay curve from 0 to −10 dB (EDT,
ISO 3382-1:2009 A.2.2), −5 to −25 dB (T20) and −5 to −35 dB (T30, ISO 3382-2:2008 clause 6).

Rules of validity (the standards' numbers from memory or second-hand, as `tests/references` says):

- noise: the decay reaches 10 dB below the evaluated range before it meets the noise: 20, 35, 45 dB below its start;
- filter: B·T above 16, or above 4 where the band is filtered time-reversed (ISO 3382-1; Jacobsen & Rindel 1987);
- straightness: non-linearity ξ = 1000·(1 − r²) up to 10 ‰, curvature C = 100·(T30/T20 − 1) up to 10 % (ISO 3382-2:2008
  Annex B). In a small room B·T is small, and a straight decay at a single position varies more than that by chance:
  there, the limits are those that 95 % of straight Gaussian decays meet (`tests/dsp/test_decay.py`). Beyond them, the
  number is given without a verdict.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from commission.dsp.band_energy import Bands, Filter
from commission.dsp.decay_curves import GRID_S, Curves
from commission.dsp.late_decay import line_with_fit
from commission.model import FloatArray, freeze

Quantity = Literal["edt", "t20", "t30"]

RANGES_DB: dict[Quantity, tuple[float, float]] = {"edt": (0.0, -10.0), "t20": (-5.0, -25.0), "t30": (-5.0, -35.0)}
NOISE_BELOW_DB = 10.0
"""Least margin between the evaluated range and the noise (ISO 3382-1 and -2, from memory)."""
LEAST_BT: dict[Filter, float] = {"zero phase": 16.0, "reversed": 4.0}
REVERSED_BELOW_HZ = 100.0
"""Bands narrower than this are filtered time-reversed: octaves below 250 Hz, third octaves up to 400 Hz. Wider ones
keep B·T above 16 down to T = 0.16 s."""
XI_PERMILLE = {"t20": (10.0, 3000.0), "t30": (10.0, 1600.0)}
"""Largest ξ: the standard's 10 ‰, or the chance limit, which is the second number over B·T."""
CURVATURE_PERCENT = (10.0, 130.0)
"""Largest |C|: the standard's 10 %, or the chance limit, which is the second number over √(B·T)."""


class Doubt(IntEnum):
    """Why a decay time is missing or (from BENT on) gets no verdict."""

    NONE = 0
    BAND = 1
    SILENT = 2
    NOISE = 3
    SHORT = 4
    FILTER = 5
    BENT = 6
    CURVED = 7


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its standard uncertainty, or the reason why there is none (or why it gets no verdict)."""

    value: float | None
    u: float
    why_not: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Decays:
    """Decay times of responses by band [shape=(k, bands) each]; NaN where not tested, with the reason in `doubt`."""

    bands: Bands
    times_s: dict[Quantity, FloatArray]
    doubt: dict[Quantity, NDArray[np.int8]]
    xi_permille: dict[Quantity, FloatArray]
    """Non-linearity of each fit."""
    curvature_percent: FloatArray
    range_db: FloatArray
    """Level below its start at which the decay meets the noise, or the end of the response."""
    reversed_bands: tuple[bool, ...]

    def estimate(self, quantity: Quantity, response: int, band: int) -> Estimate:
        """One decay time [s] with its standard uncertainty, or the reason why there is none."""
        value = float(self.times_s[quantity][response, band])
        why = self._why(quantity, response, band)
        if not math.isfinite(value):
            return Estimate(None, 0.0, why)
        return Estimate(value, decay_u_s(quantity, value, float(self.bands.widths_hz[band])), why)

    def _why(self, quantity: Quantity, response: int, band: int) -> str | None:
        doubt = Doubt(int(self.doubt[quantity][response, band]))
        if doubt is Doubt.NONE:
            return None
        name, centre_hz = quantity.upper(), float(self.bands.centres_hz[band])
        reach_db = float(self.range_db[response, band])
        needed_db = NOISE_BELOW_DB - RANGES_DB[quantity][1]
        least = least_time_s(float(self.bands.widths_hz[band]), self.reversed_bands[band])
        xi, curvature = self.xi_permille[quantity][response, band], self.curvature_percent[response, band]
        return {
            Doubt.BAND: f"the sample rate does not reach the band at {centre_hz:.0f} Hz",
            Doubt.SILENT: "no decay is heard in this band",
            Doubt.NOISE: f"the decay meets the noise {reach_db:.0f} dB below its start; {name} needs {needed_db:.0f} dB",
            Doubt.SHORT: f"the response ends before it has fallen far enough for {name}",
            Doubt.FILTER: f"it is shorter than the filter at {centre_hz:.0f} Hz can resolve ({least:.2f} s)",
            Doubt.BENT: f"the decay is not a straight line (non-linearity ξ = {xi:.0f} ‰)",
            Doubt.CURVED: f"the decay bends: T30 is {curvature:+.0f} % off T20".replace("-", "−"),
        }[doubt]


def least_time_s(width_hz: float, is_reversed: bool) -> float:
    """Shortest decay time that the filter of a band can resolve [s]: 16/B, time-reversed 4/B."""
    return LEAST_BT["reversed" if is_reversed else "zero phase"] / width_hz


def decay_u_s(quantity: Quantity, time_s: float, width_hz: float, positions: int = 1) -> float:
    """Standard uncertainty [s] of a room's decay time, the mean over `positions` positions.

    ISO 3382-2:2008 equations (5) and (6) (from memory): 0.88·T20·sqrt((1 + 1.90/n)/(N·B·T20)) and 0.55·T30·sqrt((1 +
    1.52/n)/(N·B·T30)), with n = 10 for integrated responses. For EDT, 1.9 takes the place of 0.88 (Gaussian decays in
    `tests/dsp/test_decay.py`, a fifth on the safe side, like the standard's).
    """
    factor, part = {"edt": (1.9, 0.0), "t20": (0.88, 0.19), "t30": (0.55, 0.152)}[quantity]
    return factor * math.sqrt((1 + part) * time_s / (positions * width_hz))


def filters_of(bands: Bands) -> tuple[bool, ...]:
    """Which bands are filtered time-reversed for decay times."""
    return tuple(bool(width < REVERSED_BELOW_HZ) for width in bands.widths_hz)


def join(parts: list[Decays]) -> Decays:
    """Decays of several batches of responses as one."""

    def stack(name: str) -> dict[Quantity, NDArray[Any]]:
        return {q: freeze(np.concatenate([getattr(p, name)[q] for p in parts])) for q in RANGES_DB}

    return Decays(
        parts[0].bands,
        stack("times_s"),
        stack("doubt"),
        stack("xi_permille"),
        freeze(np.concatenate([p.curvature_percent for p in parts])),
        freeze(np.concatenate([p.range_db for p in parts])),
        parts[0].reversed_bands,
    )


def decays_of(bands: Bands, groups: list[tuple[tuple[int, ...], Filter, Curves]]) -> Decays:
    """Decay times from the curves of all bands, grouped by filter: (indices in `bands`, filter, curves)."""
    shape = (len(groups[0][2].before), len(bands.indices))
    times = {q: np.full(shape, np.nan) for q in RANGES_DB}
    xi = {q: np.full(shape, np.nan) for q in RANGES_DB}
    doubt = {q: np.zeros(shape, np.int8) for q in RANGES_DB}
    range_db = np.full(shape, np.nan)
    reverse = [False] * shape[1]
    for members, kind, curves in groups:
        places = list(members)
        range_db[:, places] = curves.range_db
        least = np.array([least_time_s(w, kind == "reversed") for w in bands.widths_hz[places]])
        for b in places:
            reverse[b] = kind == "reversed"
        rows = curves.energy.reshape(-1, curves.energy.shape[-1])
        with np.errstate(invalid="ignore", divide="ignore"):
            level = 10 * np.log10(rows / rows[:, :1])
        for quantity in RANGES_DB:
            found = _evaluate(curves, level, quantity, least)
            times[quantity][:, places], xi[quantity][:, places], doubt[quantity][:, places] = found
    with np.errstate(invalid="ignore"):
        curvature = 100 * (times["t30"] / times["t20"] - 1)
    _doubt_straightness(bands, times, xi, curvature, doubt)
    return Decays(
        bands,
        {q: freeze(v) for q, v in times.items()},
        {q: freeze(v) for q, v in doubt.items()},
        {q: freeze(v) for q, v in xi.items()},
        freeze(curvature),
        freeze(range_db),
        tuple(reverse),
    )


def _evaluate(
    curves: Curves, level: FloatArray, quantity: Quantity, least_s: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.int8]]:
    """Times, ξ and doubts [shape=(k, bands) each] before the straightness check; `level` [dB, shape=(k·bands, g)]."""
    shape = curves.before.shape
    high_db, low_db = RANGES_DB[quantity]
    with np.errstate(invalid="ignore", divide="ignore"):
        slope, r2 = _slope(level, high_db, low_db)
        value = np.where(slope < 0, -60.0 / slope, np.nan).reshape(shape)
        enough = curves.range_db >= NOISE_BELOW_DB - low_db
        too_short = ~(value > least_s)
    why = np.where(too_short, Doubt.FILTER, Doubt.NONE)
    why = np.where(enough, why, np.where(curves.ended, Doubt.SHORT, Doubt.NOISE))
    why = np.where(np.isfinite(curves.range_db), why, Doubt.SILENT)
    why = np.where(curves.in_reach, why, Doubt.BAND)
    known = why == Doubt.NONE
    xi = np.where(known, 1000 * (1 - r2.reshape(shape)), np.nan)
    return np.where(known, value, np.nan), xi, why.astype(np.int8)


def _slope(level: FloatArray, high_db: float, low_db: float) -> tuple[FloatArray, FloatArray]:
    """Slope [dB/s] and r² between the first fall to `high_db` and the first fall below `low_db` [shape=(rows,)]."""
    below_high, below_low = level <= high_db, level < low_db
    count = level.shape[1]
    first = np.where(below_high.any(axis=1), below_high.argmax(axis=1), count)
    last = np.where(below_low.any(axis=1), below_low.argmax(axis=1), 0)
    longest = int(last.max(initial=1))
    places = np.arange(longest)
    mask = (places >= first[:, None]) & (places < last[:, None])
    slope, _, r2 = line_with_fit(np.broadcast_to(places * GRID_S, mask.shape), level[:, :longest], mask)
    return slope, r2


def _doubt_straightness(
    bands: Bands,
    times: dict[Quantity, FloatArray],
    xi: dict[Quantity, FloatArray],
    curvature: FloatArray,
    doubt: dict[Quantity, NDArray[np.int8]],
) -> None:
    quantities: tuple[Quantity, Quantity] = ("t20", "t30")
    with np.errstate(invalid="ignore"):
        for quantity in quantities:
            bt = times[quantity] * bands.widths_hz
            standard, chance = XI_PERMILLE[quantity]
            doubt[quantity][xi[quantity] > np.maximum(standard, chance / bt)] = Doubt.BENT
            standard, chance = CURVATURE_PERCENT
            curved = np.abs(curvature) > np.maximum(standard, chance / np.sqrt(bt))
            doubt[quantity][curved & (doubt[quantity] == Doubt.NONE)] = Doubt.CURVED
