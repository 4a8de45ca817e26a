"""The same loudspeaker at all seats, all loudspeakers at the same seat: what is odd, and whose doing it is.

A level is taken apart as loudspeaker + seat + rest (two-way table with medians, Tukey, Exploratory Data Analysis, 1977).
The rule: a seat that is low on every loudspeaker alike had another gain when it was recorded, it is not the room's doing;
a loudspeaker that is low at every seat alike is that loudspeaker's doing, a trim or a driver. A room acts differently on
every pair. One thing of the room looks like a gain: a seat that is farther from all loudspeakers, as a back row is where
all of them stand in front. What distance may explain, from nothing up to the loss in free field, is no gain.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from commission.dsp.variance import BoolArray
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


def seat_gains_db(levels_db: FloatArray, base: int = 0, distances_m: FloatArray | None = None) -> dict[int, float]:
    """Seats whose gain moved, and by how much [dB], from levels [shape=(loudspeakers, seats)], NaN where missing.

    A seat counts when its effect exceeds 2 dB and three times its standard error over the loudspeakers, beyond what its
    distance from them [same shape] may explain. Where half of the seats or more are off, they are told against seat
    `base` instead of the middle one.
    """
    levels = np.asarray(levels_db, dtype=float)
    if not levels.size:
        return {}
    rows = np.isfinite(levels).sum(axis=1) >= LEAST_COUNT
    kept = levels[rows]
    if len(kept) < LEAST_COUNT:
        return {}
    apart = kept - np.nanmedian(kept, axis=1, keepdims=True)
    seats = [s for s in range(levels.shape[1]) if np.isfinite(apart[:, s]).sum() >= LEAST_COUNT]
    if len(seats) < LEAST_COUNT:
        return {}
    effects = {s: _effect(apart[:, s]) for s in seats}
    loss = _free_field_db(
        None if distances_m is None else np.asarray(distances_m, dtype=float)[rows], np.isfinite(kept)
    )

    def moved(start: int | None) -> dict[int, float]:
        zero, near = (0.0, 0.0) if start is None else (effects[start][0], loss[start])
        off = {s: (value - zero, loss[s] - near, u) for s, (value, u) in effects.items()}
        return {
            s: v
            for s, (v, far, u) in off.items()
            if abs(v - min(max(v, min(far, 0.0)), max(far, 0.0))) > max(GAIN_DB, ALIKE * u)
        }

    found = moved(None)
    return moved(base) if 2 * len(found) >= len(seats) and base in effects else found


def _free_field_db(distances_m: FloatArray | None, heard: BoolArray) -> FloatArray:
    """What distance alone would make of each seat's effect in free field, 20·lg of distances [dB]; 0 where not known."""
    if distances_m is None:
        return np.zeros(heard.shape[1])
    level = np.where(heard, -20 * np.log10(np.maximum(distances_m, 0.1)), np.nan)
    known = level[np.isfinite(level).any(axis=1)]
    if not len(known):
        return np.zeros(heard.shape[1])
    apart = known - np.nanmedian(known, axis=1, keepdims=True)
    return np.array([float(np.median(own)) if len(own := seat[np.isfinite(seat)]) else 0.0 for seat in apart.T])


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
