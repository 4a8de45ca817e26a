"""The same loudspeaker at all seats, all loudspeakers at the same seat: what is odd, and whose doing it is.

A level is taken apart as loudspeaker + seat + rest (two-way table with medians, Tukey, Exploratory Data Analysis, 1977).
The rule: a seat that is low on every loudspeaker alike had another gain when it was recorded, it is not the room's doing;
a loudspeaker that is low at every seat alike is that loudspeaker's doing, a trim or a driver. A room acts differently on
every pair. One thing of the room looks like a gain: a seat that is farther from all loudspeakers, as a back row is where
all of them stand in front. What distance may explain, from nothing up to the loss in free field, is no gain.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from commission.dsp.medians import known_median
from commission.model import FloatArray
from commission.model.system import Seat

GAIN_DB = 2.0
"""A seat that is off by more than this on all loudspeakers alike: the gain changed (common practice, no source)."""
SURE = 3.5
"""… and by more than this many standard uncertainties."""
ROOM_U_DB = 0.6
"""How far a seat of a healthy room is off on all loudspeakers alike, distance allowed for (standard deviation): 0.54 dB in
simulated rooms (tests/references/measuring_mistakes.py), and some more for seat backs, which those lack."""
PLAUSIBLE, LEAST_SCATTER_DB = 1.2, 0.3
"""How much more than the best one a sound field may leave unexplained, and still be what the room has: no room follows a
formula better than 0.3 dB."""
TILT_DB, TILT_SURE, TILT_U_DB = 3.5, 4.0, 0.7
"""A seat's treble differs from its middle by more than this many dB and standard uncertainties: the microphone. The
standard deviation over the seats of simulated rooms is 0.5 dB from 2 to 8 kHz and the largest of 147 seats 2.4 dB."""
FLAT_DB = 2.0
"""A gain acts on all frequencies alike: no octave differs from the others by more."""
LEAST_COUNT = 3
"""Loudspeakers, and seats, that a two-way table needs before it says whose doing it is."""
AGREE = 0.8
"""Share of the seats that must agree before a loudspeaker is given a sign (common practice, no source)."""
MIRROR_WITHIN_M = 0.3


@dataclass(frozen=True, slots=True)
class SeatGain:
    """How far one seat's recordings are too loud, and how well that is known [dB]."""

    gain_db: float
    u_db: float
    alike: tuple[int, int]
    """(loudspeakers that are off to the same side, by half of it or more; loudspeakers compared)."""


def seat_gains(levels_db: FloatArray, base: int = 0, distances_m: FloatArray | None = None) -> dict[int, SeatGain]:
    """Seats whose gain changed, from levels [shape=(loudspeakers, seats, bands)], NaN where missing.

    Level = loudspeaker + seat + 10·lg(1/d² + k) + rest, fitted with medians; d are the distances [shape=(loudspeakers,
    seats)], and k is the share of reverberant sound (k = 1/d² at the critical distance). A seat counts when its
    effect exceeds 2 dB and 3.5 standard uncertainties in every sound field that explains the levels about as well, from a
    free field (k = 0) to a diffuse one, on four of five loudspeakers and in all bands alike. Most seats are taken as right;
    where that leaves a tie, those with seat `base`.
    """
    levels = np.asarray(levels_db, dtype=float)
    heard = np.isfinite(levels).all(axis=2)
    rows = heard.sum(axis=1) >= LEAST_COUNT
    columns = heard[rows].sum(axis=0) >= LEAST_COUNT
    if rows.sum() < LEAST_COUNT or columns.sum() < LEAST_COUNT:
        return {}
    seats = np.flatnonzero(columns)
    kept = np.where(heard[..., np.newaxis], levels, np.nan)[np.ix_(rows, columns)]
    around = None if distances_m is None else np.asarray(distances_m, dtype=float)[np.ix_(rows, columns)]
    if around is not None and not np.isfinite(around).all():
        around = None
    zero = int(np.searchsorted(seats, base)) if base in seats else None
    mean = kept.mean(axis=2)
    fields = _fields(around)
    fits = [_two_way(mean - field) for field in fields]
    gains = [fit.seats - _middle(fit.seats, zero) for fit in fits]
    scatters = [float(fit.scatter_db) for fit in fits]
    best = int(np.argmin(scatters))
    plausible = [
        gain
        for gain, each in zip(gains, scatters, strict=True)
        if each <= PLAUSIBLE * (scatters[best] + LEAST_SCATTER_DB)
    ]
    by_band = _two_way(np.moveaxis(kept, 2, 0) - fields[best]).seats
    apart = np.array([each - _middle(each, zero) for each in by_band])
    out = {}
    for index, seat in enumerate(seats):
        gain, bounds = float(gains[best][index]), [float(each[index]) for each in plausible]
        own = fits[best].rest[:, index]
        own = own[np.isfinite(own)]
        scatter = max(scatters[best], 1.4826 * float(np.median(np.abs(own)))) / math.sqrt(len(own))
        u = math.hypot(ROOM_U_DB, scatter)
        least = min(abs(each) for each in bounds) if len({each > 0 for each in bounds}) == 1 else 0.0
        alike = int(np.sum((own + gain) * math.copysign(1.0, gain) > 0.5 * abs(gain)))
        flat = float(np.max(np.abs(apart[:, index] - np.median(apart[:, index])))) <= FLAT_DB
        if least > max(GAIN_DB, SURE * u) and alike >= AGREE * len(own) and flat:
            spread = (max(bounds) - min(bounds)) / math.sqrt(12)  # rectangular between the fields
            out[int(seat)] = SeatGain(gain, math.hypot(u, spread), (alike, len(own)))
    return out


@dataclass(frozen=True, slots=True)
class SeatTilt:
    """How far one seat's bands differ from the rest of its spectrum on all loudspeakers alike [dB, one for each band]."""

    tilt_db: FloatArray
    u_db: float
    alike: tuple[int, int]
    """(loudspeakers that are off in the worst band to the same side, by half of it or more; loudspeakers compared)."""

    @property
    def worst(self) -> int:
        """Index of the band that is farthest off."""
        return int(np.argmax(np.abs(self.tilt_db)))


def seat_tilts(
    levels_db: FloatArray, middle: Sequence[int], distances_m: FloatArray | None = None
) -> dict[int, SeatTilt]:
    """Seats at which some bands are off on all loudspeakers alike, from levels [shape=(loudspeakers, seats, bands)].

    Each band is fitted as in `seat_gains`; a seat's effect in a band minus its effect in the bands of index `middle` is its
    tilt. A seat counts where one exceeds 3.5 dB and four standard uncertainties on four of five loudspeakers. Loudspeakers
    in several directions are off axis at different seats, so that no seat of a room is dull for all of them.
    """
    levels = np.asarray(levels_db, dtype=float)
    heard = np.isfinite(levels).all(axis=2)
    rows, columns = heard.sum(axis=1) >= LEAST_COUNT, heard.sum(axis=0) >= LEAST_COUNT
    if rows.sum() < LEAST_COUNT + 1 or columns.sum() < LEAST_COUNT:
        return {}
    seats = np.flatnonzero(columns)
    kept = np.where(heard[..., np.newaxis], levels, np.nan)[np.ix_(rows, columns)]
    if (np.isfinite(kept).all(axis=2).sum(axis=0) < LEAST_COUNT).any():
        return {}
    around = None if distances_m is None else np.asarray(distances_m, dtype=float)[np.ix_(rows, columns)]
    if around is not None and not np.isfinite(around).all():
        around = None
    by_field = [_two_way(np.moveaxis(kept, 2, 0) - field) for field in _fields(around)]
    best = np.argmin([fit.scatter_db for fit in by_field], axis=0)
    fits = [by_field[field].at(band) for band, field in enumerate(best)]
    effects = np.array([fit.seats - float(np.median(fit.seats)) for fit in fits]).T
    tilts = effects - effects[:, middle].mean(axis=1, keepdims=True)
    out = {}
    for index, seat in enumerate(seats):
        band = int(np.argmax(np.abs(tilts[index])))
        tilt = float(tilts[index, band])
        rest = fits[band].rest[:, index] - np.mean([fits[m].rest[:, index] for m in middle], axis=0)
        rest = rest[np.isfinite(rest)]
        scatter = math.hypot(float(fits[band].scatter_db), float(np.mean([fits[m].scatter_db for m in middle])))
        u = math.hypot(TILT_U_DB, scatter / math.sqrt(len(rest)))
        alike = int(np.sum((rest + tilt) * math.copysign(1.0, tilt) > 0.5 * abs(tilt)))
        if abs(tilt) > max(TILT_DB, TILT_SURE * u) and alike >= AGREE * len(rest):
            out[int(seat)] = SeatTilt(tilts[index], u, (alike, len(rest)))
    return out


@dataclass(frozen=True, slots=True)
class _TwoWay:
    """Fits of tables [shape=(…, loudspeakers, seats)]."""

    seats: FloatArray
    """[shape=(…, seats)]."""
    rest: FloatArray
    """[shape=(…, loudspeakers, seats)]."""
    scatter_db: FloatArray
    """[shape=(…)]."""

    def at(self, index: int) -> _TwoWay:
        """The fit of one table."""
        return _TwoWay(self.seats[index], self.rest[index], self.scatter_db[index])


def _two_way(tables_db: FloatArray) -> _TwoWay:
    """Loudspeaker and seat effects by medians in turn [shape=(…, loudspeakers, seats)], NaN where missing."""
    seats = np.zeros((*tables_db.shape[:-2], 1, tables_db.shape[-1]))
    for _ in range(10):
        rows = known_median(tables_db - seats, axis=-1)[..., np.newaxis]
        seats = known_median(tables_db - rows, axis=-2)[..., np.newaxis, :]
    rest = tables_db - rows - seats
    return _TwoWay(seats[..., 0, :], rest, np.sqrt(np.nanmean(rest**2, axis=(-2, -1))))


def _fields(distances_m: FloatArray | None) -> tuple[FloatArray | float, ...]:
    """What distance makes of the levels [dB], from free field to a diffuse one."""
    if distances_m is None:
        return (0.0,)
    near = np.maximum(distances_m, 0.1)
    return (*(10 * np.log10(1 / near**2 + k) for k in (0.0, 0.03, 0.1, 0.3, 1.0, 3.0)), 0.0)


def _middle(effects_db: FloatArray, base: int | None) -> float:
    """The median of the largest group of seats that are alike within 1.5 dB; of equal groups, the one with `base`."""
    groups = [np.flatnonzero(np.abs(effects_db - each) <= 1.5) for each in effects_db]
    largest = max(groups, key=lambda group: (len(group), base in group))
    return float(np.median(effects_db[largest]))


def mirrored_seats(seats: Iterable[Seat]) -> dict[str, str]:
    """Each seat's mirror image about the middle of the room (x → −x), within 0.3 m; a middle seat is its own."""
    places = {seat.id: seat.position_m for seat in seats if seat.position_m is not None}
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
    """The polarity that at least four of five seats agree on, from those where it is determined; else None."""
    known = [sign for sign in signs if sign is not None]
    for sign in (1, -1):
        if known and known.count(sign) >= AGREE * len(known):
            return sign
    return None


def mostly_negative(agreed: Sequence[int | None]) -> bool:
    """Whether four of five loudspeakers, of three or more, have a negative sign of their own."""
    known = [sign for sign in agreed if sign is not None]
    return len(known) >= LEAST_COUNT and known.count(-1) >= AGREE * len(known)
