"""Parts of a loudspeaker's range that are missing relative to its partner: a driver that does not play.

The levels of a loudspeaker minus those of its partner at the mirrored seat are compared by band. A dead driver leaves a
band far below the partner's and far below the rest of its own loudspeaker; a trim lowers all bands alike, and a partner
with a dead driver raises one. So the larger of "relative to the partner" and "relative to the rest of its own range"
indicates a dead driver. Crossovers are at 200 to 800 Hz and at 1 to 4 kHz, so that each driver is looked for in more than
one band.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from commission.dsp.across import LEAST_COUNT, driver_gap_db
from commission.model import FloatArray

Driver: TypeAlias = Literal["tweeter", "midrange", "woofer"]
Band: TypeAlias = tuple[float, float]
DRIVERS: tuple[Driver, ...] = ("tweeter", "midrange", "woofer")
TREBLES_HZ: tuple[Band, ...] = ((3000.0, 10000.0), (5000.0, 12000.0))
"""Bands of a tweeter; the second for crossovers above 3 kHz, and for flat slopes."""
LOWS_HZ: tuple[Band, ...] = ((200.0, 500.0), (80.0, 200.0))
"""Bands of a woofer; the second for three-way loudspeakers, whose woofer may end at 200 Hz."""
HALF_OCTAVES_HZ: tuple[Band, ...] = tuple((100 * 2 ** (k / 2), 100 * 2 ** ((k + 1) / 2)) for k in range(13))
MIDDLES = tuple((k, k + 3) for k in range(3, 9))
"""Bands of a midrange: three half octaves, from 283 Hz to 4.5 kHz. Each of them must be missing: one driver reversed
makes a gap of the depth of a dead one, but only an octave of it is more than 10 dB deep (crossovers of second order, (1 −
q)/(1 + q) with q = (f/f0)²)."""
LOWEST, HIGHEST = slice(0, 3), slice(11, 13)
"""Neighbours of the midrange: 100 to 283 Hz, and 4.5 to 9 kHz."""
FROM_200_HZ = 2
BANDS_HZ: tuple[Band, ...] = (*TREBLES_HZ, *LOWS_HZ, *HALF_OCTAVES_HZ)
WEAK_DB = 6.0
"""Additional margin for another model in another place, or an obstacle at the only seat; and below 200 Hz, where a room
makes two sides differ (common practice, no source). The room's difference varies from seat to seat: if each of three
seats or more lacks as much, it is the loudspeaker (`python tests/bench faults --fault "dead woofer"`)."""
PLAYS_WITHIN_DB = 15.0
"""A band in which the partner is weaker than this, relative to the neighbouring band, indicates nothing about a driver."""


@dataclass(frozen=True, slots=True)
class DriverGap:
    """Evidence for one dead driver."""

    band_hz: Band
    gaps_db: dict[str, float]
    """Seat → level of the band relative to the partner's and to the rest of the own range [dB, negative]."""

    @property
    def gap_db(self) -> float:
        """Median over the seats."""
        return statistics.median(self.gaps_db.values())

    def weak_db(self, *, has_partner: bool) -> float:
        """Additional margin over that of a pair at several seats from 200 Hz on, or below it at every seat alike."""
        gaps_db = self.gaps_db.values()
        by_room = self.band_hz == LOWS_HZ[1] and (len(gaps_db) < LEAST_COUNT or max(gaps_db) > -WEAK_DB)
        return WEAK_DB if not has_partner or len(gaps_db) < 2 or by_room else 0.0


def driver_gaps(
    apart_db: Mapping[str, FloatArray], partner_db: Mapping[str, FloatArray], *, has_partner: bool
) -> dict[Driver, DriverGap]:
    """The band with the largest gap for each driver, over all seats, relative to its threshold.

    `apart_db`, `partner_db`: seat → levels minus the partner's, and the partner's, in BANDS_HZ [dB], NaN where not heard.
    """
    found: dict[Driver, list[tuple[Band, dict[str, float]]]] = {driver: [] for driver in DRIVERS}
    for index, band in enumerate(BANDS_HZ[:4]):
        driver: Driver = "tweeter" if index < 2 else "woofer"
        found[driver].append((band, {s: _end_gap_db(d, partner_db[s], index) for s, d in apart_db.items()}))
    middles = {s: _middle_gaps_db(d[4:]) for s, d in apart_db.items()}
    for index, (first, end) in enumerate(MIDDLES):
        band = (HALF_OCTAVES_HZ[first][0], HALF_OCTAVES_HZ[end - 1][1])
        found["midrange"].append((band, {s: gaps[index] for s, gaps in middles.items()}))
    out: dict[Driver, DriverGap] = {}
    for driver, bands in found.items():
        heard = [
            DriverGap(band, known)
            for band, gaps in bands
            if (known := {s: gap for s, gap in gaps.items() if math.isfinite(gap)})
        ]
        if heard:
            most = max(len(each.gaps_db) for each in heard)
            out[driver] = min(
                (each for each in heard if len(each.gaps_db) == most),
                key=lambda each: each.gap_db + each.weak_db(has_partner=has_partner),
            )
    return out


@dataclass(frozen=True, slots=True)
class Dip:
    """The half octave with the largest dip between its neighbours, relative to other loudspeakers."""

    hz: float
    depth_db: float
    """Median over the seats of the lesser of its two flanks, positive; 0 without a dip."""


def deepest_dip(apart_db: Mapping[str, FloatArray]) -> Dip:
    """The deepest dip from 283 Hz to 4.5 kHz, where a driver may be reversed or dead although too little is missing to
    conclude it.

    `apart_db`: as for `driver_gaps`. A flank is the range from half an octave to two octaves beside the dip.
    """
    table = _half_octaves(apart_db)
    places = range(MIDDLES[0][0], HIGHEST.start)
    below = np.array([table[:, max(k - 4, 0) : k - 1].mean(axis=1) for k in places])
    above = np.array([table[:, k + 2 : k + 5].mean(axis=1) for k in places])
    depths_db = np.median(np.minimum(below, above) - table.T[places.start : places.stop], axis=1)
    if not (depths_db > 0).any():
        return Dip(math.nan, 0.0)
    deepest = int(np.nanargmax(depths_db))
    return Dip(math.sqrt(math.prod(HALF_OCTAVES_HZ[places[deepest]])), float(depths_db[deepest]))


def _end_gap_db(apart_db: FloatArray, partner_db: FloatArray, index: int) -> float:
    """Gap of a tweeter or woofer in one of the first four bands: below the partner and below the other end of the range.

    If only 200 to 500 Hz or 3 to 5 kHz is missing, it is the midrange.
    """
    rest = 2 if index < 2 else 0
    gap = driver_gap_db(float(apart_db[index]), float(apart_db[rest]))
    if index % 2 == 0:
        beyond = index + 1
        plays = partner_db[beyond] >= partner_db[index] - PLAYS_WITHIN_DB
        return max(gap, float(apart_db[beyond])) if plays and math.isfinite(apart_db[beyond]) else gap
    return gap if partner_db[index] >= partner_db[index - 1] - PLAYS_WITHIN_DB else math.nan


def _middle_gaps_db(apart_db: FloatArray) -> list[float]:
    """Gap of a midrange over each of MIDDLES: the least of those relative to partner, own lows and own treble."""
    below, above = apart_db[LOWEST], apart_db[HIGHEST]
    below, above = below[np.isfinite(below)], above[np.isfinite(above)]
    if not len(below) or not len(above):
        return [math.nan] * len(MIDDLES)
    rest_db = min(0.0, float(np.mean(below)), float(np.mean(above)))
    most_db: list[float] = (np.maximum.reduceat(apart_db, np.ravel(MIDDLES))[::2] - rest_db).tolist()
    return most_db


def _half_octaves(apart_db: Mapping[str, FloatArray]) -> FloatArray:
    """Differences in HALF_OCTAVES_HZ [shape=(seats, n)]; `apart_db`: as for `driver_gaps`."""
    return np.array(list(apart_db.values()))[:, len(BANDS_HZ) - len(HALF_OCTAVES_HZ) :]


@dataclass(frozen=True, slots=True)
class LevelVariation:
    """Lowest and highest difference of a loudspeaker from others over one and a half octaves, from 200 Hz on."""

    low_hz: float
    low_db: float
    high_hz: float
    high_db: float

    @property
    def range_db(self) -> float:
        """Near 0 if only a trim causes the difference."""
        return self.high_db - self.low_db


def level_variation(apart_db: Mapping[str, FloatArray]) -> LevelVariation:
    """Variation of a difference over frequency, by its medians over the seats; `apart_db`: as for `driver_gaps`.

    No range if a half octave was not heard.
    """
    middle = np.median(_half_octaves(apart_db)[:, FROM_200_HZ:], axis=0)
    means = np.convolve(middle, np.full(3, 1 / 3), mode="valid")
    if not np.isfinite(means).all():
        return LevelVariation(math.nan, 0.0, math.nan, 0.0)
    low, high = int(means.argmin()), int(means.argmax())
    hz = [math.sqrt(math.prod(HALF_OCTAVES_HZ[FROM_200_HZ + 1 + k])) for k in (low, high)]
    return LevelVariation(hz[0], float(means[low]), hz[1], float(means[high]))


def shared_level_db(apart_db: Mapping[str, FloatArray]) -> float:
    """Least difference of all half octaves from 200 Hz on, to one side, by their medians over the seats [dB]; else 0.

    A trim acts on all of them; a reversed or dead driver only on those near its crossovers or in its range.
    """
    middle = np.median(_half_octaves(apart_db)[:, FROM_200_HZ:], axis=0)
    return float(middle[np.abs(middle).argmin()]) if abs(np.sign(middle).sum()) == len(middle) else 0.0
