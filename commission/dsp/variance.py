"""How differently seats hear one loudspeaker.

Mean spatial variance: T. Welti, A. Devantier, "Low-frequency optimization using multiple subwoofers", JAES 54 (2006)
347–364 (formula from memory): MSV = mean over frequencies of the variance over seats of the level [dB²]. The seats are
the whole population (variance over n, not n − 1): nobody sits elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from commission.dsp.repeatability import POINTS_PER_THIRD, Repeatability, shared_share
from commission.model import FloatArray

BoolArray = NDArray[np.bool_]


class Word(StrEnum):
    """What the comparison of two rounds shows; the value is the wording."""

    BETTER = "better"
    WORSE = "worse"
    SAME = "no real change"


HEARD_ABOVE_DB = 12.0
"""A loudspeaker plays where it is no more than this below its strongest two octaves (common practice, no source)."""
POINTS_PER_OCTAVE = 24
INDEPENDENT_POINTS = POINTS_PER_THIRD


def variance_over_seats(
    levels_db: FloatArray, weights: Sequence[float] | None = None, repeatability: Repeatability | None = None
) -> FloatArray:
    """Population variance over seats per frequency [dB²] of levels [shape=(seats, n)].

    The variance that the measurement itself brings, Σ w(1 − w)·u² (for equal weights u²·(n − 1)/n), is taken off, never
    below zero. NaN where a seat that counts has no level: seats are compared only where all were heard.
    """
    levels, share = _heard(levels_db, weights)
    repeats = repeatability or Repeatability()
    own = _own_db2(share, repeats, repeats.noise_u_db(levels))
    with np.errstate(invalid="ignore"):
        raw = share @ (levels - share @ levels) ** 2
    return np.asarray(np.where(np.isfinite(raw), np.maximum(raw - own, 0.0), np.nan))


def _heard(levels_db: FloatArray, weights: Sequence[float] | None) -> tuple[FloatArray, FloatArray]:
    """Levels and shares of the seats; a seat of weight zero drops out, so that its gaps spoil nothing."""
    levels = np.atleast_2d(np.asarray(levels_db, dtype=float))
    share = np.ones(len(levels)) if weights is None else np.asarray(weights, dtype=float)
    if np.any(share < 0) or not np.all(np.isfinite(share)) or not share.sum() > 0:
        raise ValueError(f"weights of seats must be zero or more, and one above zero; got {share.tolist()}")
    share = np.asarray(share / share.sum())
    return np.where(share[:, None] > 0, levels, 0.0), share


def _own_db2(share: FloatArray, repeats: Repeatability, noise_u_db: FloatArray) -> FloatArray:
    """What the measurement itself brings into the variance over seats, per frequency [dB²]."""
    return np.asarray((share * (1 - share)) @ (repeats.common_db**2 + noise_u_db**2))


def without_seat_level(levels_db: FloatArray, seat_levels_db: FloatArray) -> FloatArray:
    """Each seat's broadband level [shape=(seats,)] removed: what remains is evenness of tone."""
    return np.asarray(np.asarray(levels_db) - np.asarray(seat_levels_db, dtype=float)[:, None])


def broadband_level_db(levels_db: FloatArray, freq_hz: FloatArray, band_hz: tuple[float, float]) -> FloatArray:
    """Level of each seat over a band: the energy mean of its third octaves, as pink noise would read [shape=(seats,)].

    NaN where a third octave of the band is missing.
    """
    inside = (freq_hz >= band_hz[0]) & (freq_hz <= band_hz[1])
    return np.asarray(10 * np.log10(np.mean(10 ** (np.asarray(levels_db)[:, inside] / 10), axis=1)))


def own_band(levels_db: FloatArray) -> BoolArray:
    """Where a loudspeaker plays, from its levels at all seats [shape=(seats, n)] on a grid of 24 points an octave.

    One stretch of frequencies: within 12 dB of the median of its strongest two octaves, in the energy mean over seats.
    A gap of less than an octave is the room's and counts as heard; beyond a wider one the loudspeaker has ended.
    """
    levels = np.atleast_2d(np.asarray(levels_db, dtype=float))
    known = np.isfinite(levels).all(axis=0)
    mask = np.zeros(levels.shape[1], dtype=bool)
    if not known.any():
        return mask
    mean = np.full(levels.shape[1], -np.inf)
    mean[known] = 10 * np.log10(np.mean(10 ** (levels[:, known] / 10), axis=0))
    strongest = np.sort(mean[known])[-2 * POINTS_PER_OCTAVE :]
    heard = np.nonzero(mean >= np.median(strongest) - HEARD_ABOVE_DB)[0]
    stretches = np.split(heard, np.nonzero(np.diff(heard) > POINTS_PER_OCTAVE)[0] + 1)
    loudest = next(s for s in stretches if int(np.argmax(mean)) in s)
    mask[loudest[0] : loudest[-1] + 1] = True
    return np.asarray(mask & known)


@dataclass(frozen=True, slots=True)
class VarianceParts:
    """Standard uncertainties of an MSV [dB²] by their source; together the root of the sum of their squares."""

    together_db2: float
    """What moves a seat's whole band at once: gain, angle."""
    apart_db2: float
    """What moves each third octave for itself: the microphone's place."""
    noise_db2: float
    second_db2: float
    """Of second order: what scatter makes of a variance even where all seats are alike."""

    @property
    def u_db2(self) -> float:
        """All of them."""
        return math.sqrt(self.together_db2**2 + self.apart_db2**2 + self.noise_db2**2 + self.second_db2**2)


@dataclass(frozen=True, slots=True)
class BandVariance:
    """Seats compared within one band."""

    msv_db2: float
    deviation_db: tuple[float, ...]
    """Each seat's rms deviation from the mean of the seats that count; what the measurement scatters is in it. NaN for a
    seat without weight that was not heard everywhere."""
    mean_deviation_db: tuple[float, ...]
    """Each seat's mean deviation: above zero, the seat hears it louder than the average seat."""
    worst: int
    parts: VarianceParts
    """What the uncertainty of the MSV is made of."""
    floored: bool = False
    """The measurement scatters as much as the seats differ: nothing is left of the variance."""

    @property
    def u_msv_db2(self) -> float:
        """Standard uncertainty of the MSV."""
        return self.parts.u_db2

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
    inside: BoolArray,
    weights: Sequence[float] | None = None,
    repeatability: Repeatability | None = None,
    measured_db: FloatArray | None = None,
) -> BandVariance | None:
    """MSV and deviations of levels [shape=(seats, n)] where the mask `inside` [shape=(n,)] holds.

    `measured_db`: the levels as measured, where `levels_db` has something taken off: noise is told from these.

    None with fewer than two seats that count or no frequency at which all of them were heard.

    Uncertainty, JCGM 100 equation (10) with the second-order term: V = Σ w·d² has ∂V/∂L_s = 2·w·d. Of the common part of a
    seat's error a share moves the whole band at once (gain, angle), so that it counts by the seat's mean deviation; the
    rest (place) and the noise part are independent beyond a third octave.
    """
    levels, share = _heard(levels_db, weights)
    usable = np.asarray(inside, dtype=bool) & np.isfinite(levels).all(axis=0)
    if np.count_nonzero(share) < 2 or not usable.any():
        return None
    levels = levels[:, usable]
    repeats = repeatability or Repeatability()
    read = levels if measured_db is None else _heard(measured_db, weights)[0][:, usable]
    noise_u_db = repeats.noise_u_db(read)
    mean = share @ levels
    apart = levels - mean
    own_db2 = float(_own_db2(share, repeats, noise_u_db).mean())
    left = float((share @ apart**2).mean()) - own_db2
    shown = (
        np.atleast_2d(np.asarray(levels_db, dtype=float))[:, usable] - mean
    )  # a seat without weight is shown as well
    rms = np.sqrt(np.mean(shown**2, axis=1))
    return BandVariance(
        max(left, 0.0),
        tuple(float(v) for v in rms),
        tuple(float(v) for v in shown.mean(axis=1)),
        int(np.argmax(np.where(share > 0, rms, -1.0))),
        _parts(apart, noise_u_db, share, repeats, own_db2),
        left <= 0.0 < repeats.common_db,
    )


def _parts(
    apart: FloatArray, noise_u_db: FloatArray, share: FloatArray, repeats: Repeatability, own_db2: float
) -> VarianceParts:
    points = apart.shape[1]
    independent = max(1.0, points / INDEPENDENT_POINTS)
    one_db2 = repeats.common_db**2
    together = 4 * np.sum((share * np.mean(apart, axis=1)) ** 2) * one_db2 * repeats.together
    single = 4 * np.sum(share**2 * np.mean(apart**2, axis=1)) / independent * one_db2 * (1 - repeats.together)
    noise = 4 * np.sum(share**2 * np.mean((apart * noise_u_db) ** 2, axis=1)) / independent
    seats = max(int(np.count_nonzero(share)) - 1, 1)
    second = 2 * own_db2**2 / seats * shared_share(points, repeats.together)
    return VarianceParts(*(math.sqrt(float(each)) for each in (together, single, noise, second)))


def without_one_db2(variance_db2: float, share: float, deviation_db: float) -> float:
    """The variance that remains when one seat is left out, its share of all weights and its deviation being known [dB²].

    With p its share and d its deviation from the mean of all: V = (1 − p)·V' + p·d²/(1 − p), since leaving it out moves
    the mean too. Never below zero: repeatability may have been taken off V.
    """
    return max(variance_db2 - share * deviation_db**2 / (1 - share), 0.0) / (1 - share)


def change_word(change_db2: float, u_db2: float) -> Word:
    """Better or worse only where the change of the MSV lies beyond U = 2 u, else no real change."""
    if not math.isfinite(change_db2) or abs(change_db2) <= 2 * u_db2:
        return Word.SAME
    return Word.BETTER if change_db2 < 0 else Word.WORSE
