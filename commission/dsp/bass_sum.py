"""The sum of several subwoofers at the seats, its evenness and its level.

Subwoofer i with gain g, delay τ and polarity p contributes w·H, w = p·10^(g/20)·exp(−jωτ). At seat s the sum has the
level L = 20·lg |Σ w·H|. Mean spatial variance: the mean over frequencies of the weighted variance over seats of L (T.
Welti, A. Devantier, JAES 54 (2006) 347–364, formula from memory). The output is the mean level of the sum with the
loudest subwoofer at 0 dB, minus that of the sum of powers of all at 0 dB: the headroom that the settings cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from commission.model import ComplexArray, FloatArray, freeze

POINTS_PER_OCTAVE = 24
FLOOR = 1e-12
"""Amplitude relative to the largest below which a sum counts as zero: a level of −∞ has no mean."""
DB_PER_NEPER = 20.0 / np.log(10.0)


@dataclass(frozen=True, slots=True, eq=False)
class SubSettings:
    """Changes of each subwoofer: gain [dB], delay [s] and polarity (+1 or −1) [shape=(…, subs) each]."""

    gain_db: FloatArray
    delay_s: FloatArray
    polarity: NDArray[np.int_]

    def __post_init__(self) -> None:
        object.__setattr__(self, "gain_db", freeze(self.gain_db, float))
        object.__setattr__(self, "delay_s", freeze(self.delay_s, float))
        object.__setattr__(self, "polarity", freeze(self.polarity, int))

    def __getitem__(self, index: int | slice | None) -> SubSettings:
        """Select one or some of several settings; None adds an axis."""
        return SubSettings(self.gain_db[index], self.delay_s[index], self.polarity[index])

    def factors(self, freq_hz: FloatArray) -> ComplexArray:
        """W = p·10^(g/20)·exp(−jωτ) [shape=(…, subs, n)]."""
        size = self.polarity * 10 ** (self.gain_db / 20)
        return np.asarray(size[..., None] * np.exp(-2j * np.pi * self.delay_s[..., None] * freq_hz))


def unchanged(subs: int) -> SubSettings:
    """Settings that change nothing."""
    return SubSettings(np.zeros(subs), np.zeros(subs), np.ones(subs, int))


@dataclass(frozen=True, slots=True, eq=False)
class SubResponses:
    """Complex responses of subwoofers at seats [shape=(subs, seats, n)] on one clock, at `freq_hz` [shape=(n,)].

    `seat_share` [shape=(seats,)] and `freq_share` [shape=(n,)] are weights whose sums are 1. ValueError for shapes that do
    not fit, for values that are not finite and for a seat or frequency at which nothing is heard.
    """

    values: ComplexArray
    freq_hz: FloatArray
    seat_share: FloatArray
    freq_share: FloatArray
    target_db: FloatArray | None = None
    """Required mean level of the seats, up to a constant [dB, shape=(n,)]; None: any."""

    def __post_init__(self) -> None:
        values = np.asarray(self.values, dtype=complex)
        if values.ndim != 3 or values.shape[1:] != (len(self.seat_share), len(self.freq_hz)):
            raise ValueError(f"responses must be (subs, seats, frequencies), got shape {values.shape}")
        if not np.all(np.isfinite(values)) or not np.all(np.any(np.abs(values) > 0, axis=0)):
            raise ValueError("responses must be finite, and at each seat and frequency one subwoofer must be heard")
        object.__setattr__(self, "values", freeze(values))
        for name in ("seat_share", "freq_share"):
            weights = np.asarray(getattr(self, name), dtype=float)
            if np.any(weights < 0) or not weights.sum() > 0:
                raise ValueError(f"weights must be zero or more, and one above zero; got {weights.tolist()}")
            object.__setattr__(self, name, freeze(weights / weights.sum()))
        object.__setattr__(self, "freq_hz", freeze(self.freq_hz, float))
        if self.target_db is not None:
            object.__setattr__(self, "target_db", freeze(np.broadcast_to(self.target_db, values.shape[2:]), float))

    @property
    def subs(self) -> int:
        """Number of subwoofers."""
        return len(self.values)


def log_points(freq_hz: FloatArray, low_hz: float, high_hz: float) -> tuple[NDArray[np.int_], FloatArray]:
    """(indices, shares) of the measured frequencies nearest to 24 points an octave between two frequencies.

    Where measured points are farther apart, each is taken once. A share is the width of the point's interval on the
    logarithmic axis; the shares add up to 1.
    """
    octaves = np.log2(high_hz / low_hz)
    wanted = low_hz * 2.0 ** np.linspace(0, octaves, max(2, round(octaves * POINTS_PER_OCTAVE) + 1))
    index = np.unique(np.argmin(np.abs(np.log(freq_hz)[:, None] - np.log(wanted)), axis=0))
    place = np.log(freq_hz[index])
    edges = np.concatenate((place[:1], (place[1:] + place[:-1]) / 2, place[-1:]))
    width = np.diff(edges) if len(index) > 1 else np.ones(1)
    return index, np.asarray(width / width.sum())


def level_matched_db(room: SubResponses) -> FloatArray:
    """Gains [dB, shape=(subs,)] that give all subwoofers the same mean level over seats and frequencies."""
    powers = np.einsum("isf,s,f->i", np.abs(room.values) ** 2, room.seat_share, room.freq_share)
    own_db = 10 * np.log10(np.maximum(powers, FLOOR * powers.max()))
    return np.asarray(own_db.mean() - own_db)


def summed(room: SubResponses, settings: SubSettings) -> ComplexArray:
    """Σ w·H at every seat [shape=(…, seats, n)]."""
    return np.asarray(np.einsum("...if,isf->...sf", settings.factors(room.freq_hz), room.values))


def sum_levels_db(room: SubResponses, settings: SubSettings) -> FloatArray:
    """Level of the sum at every seat [dB, shape=(…, seats, n)]."""
    return level_db(summed(room, settings), room)


def level_db(total: ComplexArray, room: SubResponses) -> FloatArray:
    """20·lg of the magnitude of sums in this room [dB], with a floor far below anything that is heard."""
    floor = FLOOR * float(np.abs(room.values).max())
    return np.asarray(20 * np.log10(np.maximum(np.abs(total), floor)))


def spatial_variance_db2(levels_db: FloatArray, seat_share: FloatArray, freq_share: FloatArray) -> FloatArray:
    """Mean spatial variance of levels [shape=(…, seats, n)], weighted over seats and frequencies [dB²]."""
    mean = np.einsum("...sf,...s->...f", levels_db, seat_share)
    apart = (levels_db - mean[..., None, :]) ** 2
    return np.asarray(np.einsum("...sf,...s,f->...", apart, seat_share, freq_share))


def target_variance_db2(mean_db: FloatArray, target_db: FloatArray, freq_share: FloatArray) -> FloatArray:
    """Variance over frequency of the seats' mean level minus the target [dB²; means of shape (…, n)]."""
    apart = mean_db - target_db
    apart = apart - (apart @ freq_share)[..., None]
    return np.asarray(apart**2 @ freq_share)


def power_sum_db(room: SubResponses, gain_db: ArrayLike) -> float:
    """Mean level over seats and frequencies of the sum of the powers of all subwoofers at those gains [dB]."""
    size = 10 ** (np.asarray(gain_db, dtype=float) / 10)
    power = np.einsum("isf,i->sf", np.abs(room.values) ** 2, size)
    return float(room.seat_share @ (10 * np.log10(power)) @ room.freq_share)


def output_db(
    room: SubResponses,
    settings: SubSettings,
    reference_db: FloatArray,
    levels_db: FloatArray | None = None,
    power_db: float | None = None,
) -> FloatArray:
    """Mean level of the sum minus that of the powers of all subwoofers at `reference_db`, headroom taken into account [dB].

    `reference_db` [shape=(subs,)] are gains at which all subwoofers are driven alike. The one that is driven hardest
    relative to these limits the sum: max(g − reference) is taken off. `levels_db` and `power_db`: `sum_levels_db` and
    `power_sum_db` of the same settings, if already known.
    """
    levels = sum_levels_db(room, settings) if levels_db is None else levels_db
    power = power_sum_db(room, reference_db) if power_db is None else power_db
    mean = np.einsum("...sf,s,f->...", levels, room.seat_share, room.freq_share)
    return np.asarray(mean - np.max(settings.gain_db - reference_db, axis=-1) - power)
