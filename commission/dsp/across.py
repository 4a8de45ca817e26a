"""The same loudspeaker at all seats, all loudspeakers at the same seat: what is odd, and whose doing it is.

A level is taken apart as loudspeaker + seat + rest (two-way table with medians, Tukey, Exploratory Data Analysis, 1977).
A room acts differently on every pair; a gain that moved between recordings acts on a whole seat alike; a trim or a dead
driver acts on a whole loudspeaker alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from commission.model import FloatArray
from commission.model.system import Position

GAIN_DB = 2.0
"""A seat that is off by more than this on all loudspeakers alike: the gain moved (common practice, no source)."""
ALIKE = 3.0
"""… and by more than this many standard errors of that seat's own scatter."""
LEAST_COUNT = 3
"""Loudspeakers, and seats, that a two-way table needs before it says whose doing it is."""
AGREE = 0.8
"""Share of the seats that must agree before a loudspeaker is called reversed (own simulations)."""
MIRROR_WITHIN_M = 0.3


def seat_gains_db(levels_db: FloatArray, base: int = 0) -> dict[int, float]:
    """Seats whose gain moved, and by how much [dB], from levels [shape=(loudspeakers, seats)], NaN where missing.

    A seat counts when its effect exceeds 2 dB and three times its standard error over the loudspeakers. Where half of
    the seats or more are off, they are told against seat `base` instead of the middle one.
    """
    levels = np.asarray(levels_db, dtype=float)
    kept = levels[np.isfinite(levels).sum(axis=1) >= LEAST_COUNT] if levels.size else levels
    if len(kept) < LEAST_COUNT:
        return {}
    apart = kept - np.nanmedian(kept, axis=1, keepdims=True)
    seats = [s for s in range(levels.shape[1]) if np.isfinite(apart[:, s]).sum() >= LEAST_COUNT]
    if len(seats) < LEAST_COUNT:
        return {}
    effects = {s: _effect(apart[:, s]) for s in seats}
    found = {s: value for s, (value, u) in effects.items() if abs(value) > max(GAIN_DB, ALIKE * u)}
    if 2 * len(found) >= len(seats) and base in effects:
        start = effects[base][0]
        found = {s: v - start for s, (v, u) in effects.items() if abs(v - start) > max(GAIN_DB, ALIKE * u)}
    return found


def _effect(values: FloatArray) -> tuple[float, float]:
    """Median and its standard error from the median absolute deviation."""
    good = values[np.isfinite(values)]
    middle = float(np.median(good))
    return middle, 1.4826 * float(np.median(np.abs(good - middle))) / math.sqrt(len(good))


def mirrored_seats(positions: Mapping[str, Position | None]) -> dict[str, str]:
    """Each seat's mirror image about the middle of the room (x → −x), within 0.3 m; a middle seat is its own."""
    places = {seat: at for seat, at in positions.items() if at is not None}
    out = {}
    for seat, (x, y, z) in places.items():
        nearest = min(places, key=lambda other: math.dist(places[other], (-x, y, z)))
        if math.dist(places[nearest], (-x, y, z)) <= MIRROR_WITHIN_M:
            out[seat] = nearest
    return out


def driver_gap_db(own_db: float, other_db: float) -> float:
    """How far one part of a loudspeaker's range is missing, from differences to its partner [dB].

    `own_db`: difference in the band of the driver in question, `other_db`: in the band of the other driver. A dead driver
    is low against the partner and against the rest of its own loudspeaker; a trim lowers both alike, and a partner with a
    dead driver raises one of them. So the larger of the two numbers is what speaks for a dead driver.
    """
    return max(own_db, own_db - other_db)


def agreed_sign(signs: Sequence[int | None]) -> int | None:
    """The polarity that at least four of five seats agree on, from those where it is told; else None."""
    told = [sign for sign in signs if sign is not None]
    for sign in (1, -1):
        if told and told.count(sign) >= AGREE * len(told):
            return sign
    return None


def chain_inverts(agreed: Sequence[int | None]) -> bool:
    """Whether the measuring chain inverts: four of five loudspeakers, of three or more, read reversed."""
    told = [sign for sign in agreed if sign is not None]
    return len(told) >= LEAST_COUNT and told.count(-1) >= AGREE * len(told)
