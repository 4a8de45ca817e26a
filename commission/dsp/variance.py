"""How differently seats hear one loudspeaker.

Mean spatial variance: T. Welti, A. Devantier, "Low-frequency optimization using multiple subwoofers", JAES 54 (2006)
347–364 (formula from memory): MSV = mean over frequencies of the variance over seats of the level [dB²]. The seats are
the whole population (variance over n): nobody sits elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from commission.model import FloatArray


def variance_over_seats(
    levels_db: FloatArray, weights: Sequence[float] | None = None, repeatability_u_db: float = 0.0
) -> FloatArray:
    """Population variance over seats per frequency [dB²] of levels [shape=(seats, n)].

    The variance that the measurement itself brings, u²·(n − 1)/n, is taken off (not below zero). NaN where a seat has
    no level: seats are compared only where all were heard.
    """
    levels = np.asarray(levels_db, dtype=float)
    share = _shares(len(levels), weights)
    mean = share @ levels
    own = repeatability_u_db**2 * (1 - float(np.sum(share**2)))
    return np.asarray(np.where(np.isfinite(mean), np.maximum(share @ (levels - mean) ** 2 - own, 0.0), np.nan))


def _shares(count: int, weights: Sequence[float] | None) -> FloatArray:
    share = np.ones(count) if weights is None else np.asarray(weights, dtype=float)
    return np.asarray(share / share.sum())


def without_seat_level(levels_db: FloatArray, seat_levels_db: FloatArray) -> FloatArray:
    """Each seat's broadband level [shape=(seats,)] removed: what remains is evenness of tone."""
    return np.asarray(np.asarray(levels_db) - np.asarray(seat_levels_db, dtype=float)[:, None])


@dataclass(frozen=True, slots=True)
class BandVariance:
    """Seats compared within one band."""

    msv_db2: float
    deviation_db: tuple[float, ...]
    """Each seat's rms deviation from the seats' mean."""
    mean_deviation_db: tuple[float, ...]
    """Each seat's mean deviation: above zero, the seat hears it louder than the average seat."""
    worst: int
    u_msv_db2: float
    """Standard uncertainty of the MSV."""

    @property
    def sd_db(self) -> float:
        """Root of the MSV."""
        return math.sqrt(self.msv_db2)

    @property
    def u_sd_db(self) -> float:
        """Standard uncertainty of the root: u(MSV)/(2·root), bounded where the root nears zero."""
        return self.u_msv_db2 / max(2 * self.sd_db, math.sqrt(max(self.u_msv_db2, 1e-12)))


def band_variance(
    levels_db: FloatArray,
    inside: NDArray[np.bool_],
    weights: Sequence[float] | None = None,
    repeatability_u_db: float = 0.0,
) -> BandVariance | None:
    """MSV and deviations of levels [shape=(seats, n)] where the mask `inside` [shape=(n,)] holds.

    None with fewer than two seats or no frequency at which all seats were heard.

    Uncertainty: each seat's error u is independent from seat to seat and, at worst, common to the whole band (a gain that
    moved): var(variance) ≈ 4·u²·σ²/n + 2·u⁴(n − 1)/n², JCGM 100 equation (10) with the second-order term.
    """
    levels = np.asarray(levels_db, dtype=float)
    usable = np.asarray(inside, dtype=bool) & np.isfinite(levels).all(axis=0)
    if len(levels) < 2 or not usable.any():
        return None
    levels = levels[:, usable]
    share = _shares(len(levels), weights)
    apart = levels - share @ levels
    msv = float(np.mean(variance_over_seats(levels, weights, repeatability_u_db)))
    rms = np.sqrt(np.mean(apart**2, axis=1))
    seats = 1 / float(np.sum(share**2))
    noise = 4 * repeatability_u_db**2 * msv / seats + 2 * repeatability_u_db**4 * (seats - 1) / seats**2
    return BandVariance(
        msv,
        tuple(float(v) for v in rms),
        tuple(float(v) for v in apart.mean(axis=1)),
        int(np.argmax(rms)),
        math.sqrt(noise),
    )


def repeatability_u_db(repeats: Sequence[FloatArray]) -> float | None:
    """Standard uncertainty of one third-octave level from repeated measurements of the same place [dB].

    `repeats`: for each place with two or more, the levels [shape=(times, n)]; pooled over places and frequencies (JCGM
    100 4.2.4), a common gain change included. None when nothing was repeated.
    """
    squares, freedoms = 0.0, 0
    for levels in repeats:
        if len(levels) > 1 and levels.shape[1]:
            squares += float(np.mean(np.var(levels, axis=0, ddof=1))) * (len(levels) - 1)
            freedoms += len(levels) - 1
    return math.sqrt(squares / freedoms) if freedoms else None
