"""Causes of wrong levels: each loudspeaker compared over all seats, and each seat over all loudspeakers.

Each level is split into loudspeaker + seat + remainder (two-way table with medians, Tukey, Exploratory Data Analysis,
1977). The rule: a seat that is low on every loudspeaker alike was recorded with another gain, the room is not the
cause; a loudspeaker that is low at every seat alike has a wrong trim or a faulty driver. A room acts differently on
every pair. One effect of the room looks like a gain: a seat farther from all loudspeakers, such as a back row with all
of them in front. Whatever distance can explain, from nothing up to the loss in a free field, does not count as a gain.
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
"""Threshold [dB] for a seat that is off on all loudspeakers alike: the gain changed (common practice, no source)."""
SURE = 3.5
"""Threshold of the same in standard uncertainties."""
ROOM_U_DB = 0.6
"""Standard deviation of a healthy room's seat effect common to all loudspeakers, after allowing for distance: 0.54 dB
in simulated rooms (tests/references/measuring_mistakes.py), raised because those lack seat backs."""
PLAUSIBLE, LEAST_SCATTER_DB = 1.2, 0.3
"""A sound field is plausible up to this factor of the best one's scatter plus 0.3 dB: no room follows a formula better
than that."""
TILT_DB, TILT_SURE, TILT_U_DB = 3.5, 4.0, 0.7
"""Thresholds in dB and in standard uncertainties for a seat's treble against its middle range: beyond both, the
microphone is the cause. The standard deviation over the seats of simulated rooms is 0.5 dB from 2 to 8 kHz; the largest
of 147 seats is 2.4 dB."""
FLAT_DB = 2.0
"""A gain acts on all frequencies alike: no octave differs from the others by more than this."""
LEAST_COUNT = 3
"""Fewest loudspeakers, and seats, for which a two-way table can tell the causes apart."""
AGREE = 0.8
"""Share of the seats that must agree before a loudspeaker is given a sign (common practice, no source)."""
MIRROR_WITHIN_M = 0.3


@dataclass(frozen=True, slots=True)
class SeatGain:
    """Excess level of one seat's recordings, with its uncertainty [dB]."""

    gain_db: float
    u_db: float
    alike: tuple[int, int]
    """(loudspeakers off to the same side by at least half of it; loudspeakers compared)."""


def seat_gains(levels_db: FloatArray, base: int = 0, distances_m: FloatArray | None = None) -> dict[int, SeatGain]:
    """Seats whose gain changed, from levels [shape=(loudspeakers, seats, bands)], NaN where missing.

    Level = loudspeaker + seat + 10·lg(1/d² + k) + remainder, fitted with medians; d are the distances
    [shape=(loudspeakers, seats)], and k is the share of reverberant sound (k = 1/d² at the critical distance). A seat
    counts when its effect exceeds 2 dB and 3.5 standard uncertainties in every sound field that explains the levels
    about as well, from a free field (k = 0) to a diffuse one, on four of five loudspeakers and in all bands alike. The
    largest group of seats is taken as right; of equal groups, the one with seat `base`.
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
    fits = _two_way(mean - fields)
    gains = [effects - _middle(effects, zero) for effects in fits.seats]
    scatters = fits.scatter_db.tolist()
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
        own = fits.rest[best, :, index]
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
    """Difference of one seat's bands from the rest of its spectrum on all loudspeakers alike [dB, one for each band]."""

    tilt_db: FloatArray
    u_db: float
    alike: tuple[int, int]
    """(loudspeakers off in the worst band to the same side by at least half of it; loudspeakers compared)."""

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
    by_field = _two_way(np.moveaxis(kept, 2, 0) - _fields(around)[:, np.newaxis])
    best = np.argmin(by_field.scatter_db, axis=0)
    fits = [by_field.at((int(field), band)) for band, field in enumerate(best)]
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

    def at(self, index: tuple[int, ...]) -> _TwoWay:
        """The fit of one table."""
        return _TwoWay(self.seats[index], self.rest[index], self.scatter_db[index])


def _two_way(tables_db: FloatArray) -> _TwoWay:
    """Loudspeaker and seat effects [shape=(…, loudspeakers, seats)] by alternating medians; NaN where missing."""
    seats = np.zeros((*tables_db.shape[:-2], 1, tables_db.shape[-1]))
    for _ in range(10):
        before = seats
        rows = known_median(tables_db - seats, axis=-1)[..., np.newaxis]
        seats = known_median(tables_db - rows, axis=-2)[..., np.newaxis, :]
        if np.array_equal(seats, before):
            break
    rest = tables_db - rows - seats
    return _TwoWay(seats[..., 0, :], rest, np.sqrt(np.nanmean(rest**2, axis=(-2, -1))))


def _fields(distances_m: FloatArray | None) -> FloatArray:
    """Change of level with distance [dB, shape=(fields, loudspeakers, seats)], from free field to a diffuse field."""
    if distances_m is None:
        return np.zeros((1, 1, 1))
    near = np.maximum(distances_m, 0.1)
    return np.array(
        [*(10 * np.log10(1 / near**2 + k) for k in (0.0, 0.03, 0.1, 0.3, 1.0, 3.0)), np.zeros(near.shape)]
    )


def _middle(effects_db: FloatArray, base: int | None) -> float:
    """The median of the largest group of seats that are alike within 1.5 dB; of equal groups, the one with `base`."""
    groups = [np.flatnonzero(np.abs(effects_db - each) <= 1.5) for each in effects_db]
    largest = max(groups, key=lambda group: (len(group), base in group))
    return float(np.median(effects_db[largest]))


def mirrored_seats(seats: Iterable[Seat]) -> dict[str, str]:
    """The mirror image of each seat about the middle of the room (x → −x), within 0.3 m; a middle seat is its own."""
    places = {seat.id: seat.position_m for seat in seats if seat.position_m is not None}
    out = {}
    for seat, (x, y, z) in places.items():
        nearest = min(places, key=lambda other: math.dist(places[other], (-x, y, z)))
        if math.dist(places[nearest], (-x, y, z)) <= MIRROR_WITHIN_M:
            out[seat] = nearest
    return out


def driver_gap_db(own_db: float, other_db: float) -> float:
    """Level missing from one part of a loudspeaker's range, from differences to its partner [dB].

    `own_db`: difference in the band of the driver in question; `other_db`: in the band of the other driver. A dead
    driver is low against the partner and against the rest of its own loudspeaker. A trim lowers both bands alike, and a
    dead driver in the partner raises one of them, so the larger of the two numbers is the evidence.
    """
    return max(own_db, own_db - other_db)


def agreed_sign(signs: Sequence[int | None]) -> int | None:
    """The polarity that at least four of five seats agree on, of the seats where it is determined; else None."""
    known = [sign for sign in signs if sign is not None]
    for sign in (1, -1):
        if known and known.count(sign) >= AGREE * len(known):
            return sign
    return None


def mostly_negative(agreed: Sequence[int | None]) -> bool:
    """Whether at least three loudspeakers agree on a sign and four of five of them on a negative one."""
    known = [sign for sign in agreed if sign is not None]
    return len(known) >= LEAST_COUNT and known.count(-1) >= AGREE * len(known)
