"""Seat-to-seat variance of one loudspeaker's level.

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

from commission.dsp.repeatability import POINTS_PER_THIRD, Repeatability, correlation
from commission.model import FloatArray

BoolArray = NDArray[np.bool_]


class Word(StrEnum):
    """Verdict on the comparison of two rounds; the value is the wording."""

    BETTER = "better"
    WORSE = "worse"
    SAME = "no real change"


BASS_SCALE_DB = (("excellent", 2.0), ("good", 3.0), ("typical", 6.0))
"""Seat-to-seat standard deviation from 20 to 80 Hz: each word up to its limit. Of simulated rooms with two subwoofers
set correctly 0 to 18 % are excellent, 13 to 68 % good or better, 95 to 100 % typical or better; with one subwoofer 0, 0
to 3 and 83 to 100 % (`tests/references/bass_rooms.py`, two simulators). No published rooms with several seats were
available."""
NULL_SCALE_DB = (("excellent", 8.0), ("good", 12.0), ("typical", 20.0))
"""Depth of the deepest third octave from 25 to 80 Hz at any seat below the mean of the seats: each word up to its limit.
Of the same rooms 6 to 29 %, 40 to 80 % and 94 to 100 % with two subwoofers; 2 to 3, 27 to 56 and 98 to 100 % with one."""
HEARD_ABOVE_DB = 12.0
"""A loudspeaker's range extends to this far below its strongest two octaves (common practice, no source)."""
POINTS_PER_OCTAVE = 24
INDEPENDENT_POINTS = POINTS_PER_THIRD


def _shares(levels_db: FloatArray, weights: Sequence[float] | None) -> FloatArray:
    """Shares of the seats, summing to 1; a seat of weight zero is left out, so that its gaps do no harm."""
    share = np.ones(len(np.atleast_2d(levels_db))) if weights is None else np.asarray(weights, dtype=float)
    if np.any(share < 0) or not np.all(np.isfinite(share)) or not share.sum() > 0:
        raise ValueError(f"weights of seats must be zero or more, and one above zero; got {share.tolist()}")
    return np.asarray(share / share.sum())


def without_seat_level(levels_db: FloatArray, seat_levels_db: FloatArray) -> FloatArray:
    """Each seat's broadband level [shape=(seats,)] removed: what remains is evenness of tone."""
    return np.asarray(np.asarray(levels_db) - np.asarray(seat_levels_db, dtype=float)[:, None])


def own_band(levels_db: FloatArray) -> BoolArray:
    """The range of a loudspeaker, from its levels at all seats [shape=(seats, n)] on a grid of 24 points an octave.

    One range of frequencies: within 12 dB of the median of its strongest two octaves, in the energy mean over seats. A
    gap of less than an octave is an effect of the room and belongs to the range; a wider one ends it.
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
    """Standard uncertainties of an MSV [dB²] by source; the total is the root sum of squares."""

    gain_db2: float
    """Part that moves a seat's whole band at once."""
    place_db2: float
    """Part that moves each third octave independently: the microphone's position."""
    noise_db2: float
    second_db2: float
    """Second-order part: scatter adds to a variance even if all seats are alike."""
    place_dof: float = math.inf
    """Degrees of freedom of `place_db2`."""

    @property
    def u_db2(self) -> float:
        """Combined standard uncertainty."""
        return math.sqrt(self.gain_db2**2 + self.place_db2**2 + self.noise_db2**2 + self.second_db2**2)


@dataclass(frozen=True, slots=True)
class BandVariance:
    """Seats compared within one band."""

    msv_db2: float
    deviation_db: tuple[float, ...]
    """Each seat's rms deviation from the mean of the seats that count, including the scatter of the measurement. NaN
    for a seat without weight that was not heard everywhere."""
    mean_deviation_db: tuple[float, ...]
    """Each seat's mean deviation: above zero, the loudspeaker is louder there than at the average seat."""
    worst: int
    parts: VarianceParts
    """Parts of the uncertainty of the MSV."""
    floored: bool = False
    """The measurement scatters as much as the seats differ: no variance remains."""

    @property
    def u_msv_db2(self) -> float:
        """Standard uncertainty of the MSV."""
        return self.parts.u_db2

    @property
    def sd_db(self) -> float:
        """Seat-to-seat standard deviation, the root of the MSV."""
        return math.sqrt(self.msv_db2)

    @property
    def u_sd_db(self) -> float:
        """Standard uncertainty of the root: u(MSV)/(2·root), bounded as the root approaches zero."""
        return self.u_msv_db2 / max(2 * self.sd_db, math.sqrt(max(self.u_msv_db2, 1e-12)))


def band_variance(
    levels_db: FloatArray,
    inside: BoolArray,
    weights: Sequence[float] | None = None,
    repeatability: Repeatability | None = None,
    level_points: BoolArray | None = None,
) -> BandVariance | None:
    """MSV and deviations of levels as measured [shape=(seats, n)] where the mask `inside` [shape=(n,)] holds.

    `level_points` [shape=(n,)]: the points that give each seat's own level, which is subtracted for evenness of tone.

    None with fewer than two seats that count, or no frequency at which all of them were heard.

    Uncertainty, JCGM 100 equation (13): V = Σ w·d² has ∂V/∂L_s(f) = 2·w·d_s(f)/n at each point of the band. Where the
    seat's own level B = 10·lg(mean 10^(L/10)) is subtracted, each derivative also acts on B, by the share g(f) of a
    point in its power: the same error is in the band and in the level. Errors at two points are correlated as far as
    their third octaves overlap. The second-order term of its note is added: Var(Σ A·ee) = 2·tr(ACAC).
    """
    shown, share = np.atleast_2d(np.asarray(levels_db, dtype=float)), _shares(levels_db, weights)
    counts = share > 0  # seats without weight are shown, too
    usable = np.asarray(inside, dtype=bool) & np.isfinite(shown[counts]).all(axis=0)
    own = np.zeros(len(usable), dtype=bool) if level_points is None else np.asarray(level_points, dtype=bool)
    if np.count_nonzero(counts) < 2 or not usable.any() or not np.isfinite(shown[counts][:, own]).all():
        return None
    repeats = repeatability or Repeatability()
    part = np.zeros((int(counts.sum()), len(own)))  # share of each point in the power of its seat's own level
    place, noise = (u[counts] for u in (repeats.place_u_db(shown), repeats.noise_u_db(shown)))
    if own.any():
        power = 10 ** (shown[counts][:, own] / 10)
        part[:, own] = power / power.sum(axis=1, keepdims=True)
        with np.errstate(invalid="ignore"):
            shown = without_seat_level(shown, _power_level_db(shown[:, own]))
    weight = share[counts]
    mean = weight @ shown[counts][:, usable]
    off = shown[:, usable] - mean
    apart = off[counts]
    gain = np.broadcast_to(repeats.gain_db if level_points is None else 0.0, (len(shown), 1))[counts]
    scatter = _Scatter.of(place, noise, part, gain, usable | own, usable)
    own_db2 = float(np.mean(weight * (1 - weight) @ scatter.variance_db2))
    left = float((weight @ apart**2).mean()) - own_db2
    rms = np.sqrt(np.mean(off**2, axis=1))
    return BandVariance(
        max(left, 0.0),
        tuple(float(v) for v in rms),
        tuple(float(v) for v in off.mean(axis=1)),
        int(np.argmax(np.where(counts, rms, -1.0))),
        scatter.parts(apart, weight, repeats.dof, np.broadcast_to(repeats.seat_dof, len(shown))[counts]),
        left <= 0.0 < own_db2,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scatter:
    """Errors of the seats that count in one band [place, noise, part: shape=(seats, points of band and level)]."""

    place: FloatArray
    noise: FloatArray
    part: FloatArray
    """Share of each point in its seat's own level; zero if that is not subtracted."""
    gain_db2: FloatArray
    """[shape=(seats, 1)]"""
    band: BoolArray
    """Which of the points are in the band."""
    overlap: FloatArray
    """Correlation between the points."""
    with_level: FloatArray
    """Covariance of the error at each point with that of its seat's own level [shape=(seats, n)]."""

    @classmethod
    def of(
        cls,
        place: FloatArray,
        noise: FloatArray,
        part: FloatArray,
        gain_db: FloatArray,
        points: BoolArray,
        band: BoolArray,
    ) -> _Scatter:
        place, noise, part = place[:, points], noise[:, points], part[:, points]
        overlap = correlation(np.flatnonzero(points))
        return cls(
            place=place,
            noise=noise,
            part=part,
            gain_db2=np.square(gain_db),
            band=band[points],
            overlap=overlap,
            with_level=np.asarray(sum(u * ((part * u) @ overlap) for u in (place, noise))),
        )

    @property
    def variance_db2(self) -> FloatArray:
        """Variance of each level in the band, minus the seat's own level if that applies [shape=(seats, points of the
        band)].
        """
        level = np.sum(self.part * self.with_level, axis=1, keepdims=True)
        scatter = self.place**2 + self.noise**2 - 2 * self.with_level + level
        return np.asarray(scatter[:, self.band] + self.gain_db2)

    def parts(self, apart_db: FloatArray, weight: FloatArray, dof: float, seat_dof: FloatArray) -> VarianceParts:
        """Parts of the uncertainty of the MSV; `apart_db`: deviations in the band.

        Degrees of freedom of place, by Welch and Satterthwaite (JCGM 100 equation G.2b): `dof` of the part common to
        the seats, `seat_dof` [shape=(seats,)] of each seat's own part.
        """
        count = apart_db.shape[1]
        slope = np.zeros(self.place.shape)
        slope[:, self.band] = 2 * weight[:, None] * apart_db / count
        gain = float(np.sum(self.gain_db2[:, 0] * slope.sum(axis=1) ** 2))
        slope -= slope.sum(axis=1, keepdims=True) * self.part
        by_seat, noises = (np.sum(((slope * u) @ self.overlap) * slope * u, axis=1) for u in (self.place, self.noise))
        place, noise = float(by_seat.sum()), float(noises.sum())
        level = float(weight @ (np.sum(self.part * self.with_level, axis=1) + self.gain_db2[:, 0]))
        both = [u[:, self.band] for u in (self.place, self.noise)]
        typical = np.sum([(u.T * weight) @ u for u in both], axis=0)
        typical = typical * self.overlap[np.ix_(self.band, self.band)] + level
        beside = (weight @ self.with_level)[self.band]
        typical = typical - beside[:, None] - beside
        pairs = float(np.sum(weight**2) - 2 * np.sum(weight**3) + np.sum(weight**2) ** 2)
        second = 2 * pairs * float(np.sum(typical**2)) / count**2
        lost = float(np.sum((by_seat / place) ** 2 / seat_dof)) + 1 / dof if place > 0 else 0.0
        gain_db2, place_db2, noise_db2, second_db2 = (
            math.sqrt(max(each, 0.0)) for each in (gain, place, noise, second)
        )
        return VarianceParts(gain_db2, place_db2, noise_db2, second_db2, 1 / lost if lost else math.inf)


def _power_level_db(levels_db: FloatArray) -> FloatArray:
    return np.asarray(10 * np.log10(np.mean(10 ** (levels_db / 10), axis=1)))


def bass_word(sd_db: float) -> str:
    """Word on the scale for the bass of a room, by its seat-to-seat standard deviation."""
    return next((word for word, high_db in BASS_SCALE_DB if sd_db <= high_db), "more uneven than typical")


def null_word(depth_db: float) -> str:
    """Word on the scale for the deepest null of the bass, by its depth below the mean of the seats."""
    return next((word for word, high_db in NULL_SCALE_DB if depth_db <= high_db), "deeper than typical")


def without_one_db2(variance_db2: float, share: float, deviation_db: float) -> float:
    """Variance after leaving out one seat with this share of all weights and this deviation [dB²].

    With p its share and d its deviation from the mean of all, V = (1 − p)·V' + p·d²/(1 − p), since leaving it out moves
    the mean too. Never below zero: V may already be reduced by repeatability.
    """
    return max(variance_db2 - share * deviation_db**2 / (1 - share), 0.0) / (1 - share)


def change_word(change_db2: float, expanded_db2: float) -> Word:
    """Better or worse only if the change of the MSV exceeds its U, otherwise no real change."""
    if not math.isfinite(change_db2) or abs(change_db2) <= expanded_db2:
        return Word.SAME
    return Word.BETTER if change_db2 < 0 else Word.WORSE
