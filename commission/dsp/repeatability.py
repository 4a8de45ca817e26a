"""How well a level at one seat repeats when the microphone is put down again.

Three parts. *Place*: another place in the room's sound; it grows with frequency and displacement, is each third octave's
own, and in the bass grows where the level is low: the pressure changes by as much in a null as beside it. *Gain*: moves all
levels of a recording at once. *Noise*: grows as the level falls, δL = (20/ln 10)·δp/p, so that u = n·10^(−L/20).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from commission.dsp.uncertainty import DEFAULT_DOF, scatter_u
from commission.model import FloatArray, freeze

POINTS_PER_THIRD = 8
"""Points of the grid that one third octave spans: levels smoothed over it vary together."""
DISPLACED_M, LEAST_DISPLACED_M, STILL_M = 0.05, 0.01, 0.003
"""How far from its earlier place a microphone is taken to be put where no repeat shows it (rms over placements); the least
that repeats can show, since nobody puts it back within 1 cm; and below which it was not moved at all (common practice,
no source)."""
GAIN_U_DB = 0.06
"""Gain of one recording against another, ±0.1 dB, rectangular (common practice, no source)."""
_SLOPE_HZ, _SLOPE_DB_PER_M = (200.0, 1000.0, 4000.0, 8000.0), (6.0, 18.5, 36.0, 45.0)
_MOST_HZ, _MOST_DB = (500.0, 1000.0, 1600.0, 4000.0, 8000.0), (1.3, 1.0, 0.85, 0.58, 0.43)
"""Scatter of a third octave for small displacements, and where it ends for large ones: fitted to rooms of two simulators
(`tests/references/repeated_placings.py`), which differ by a quarter."""
_NULLS_HZ, _NULL_DB = (250.0, 500.0), 20.0
"""Below the first of these the scatter follows the pressure fully, above the second not at all: a third octave
contains enough modes there that no seat is in a null of all of them. A null is assumed to be at most 20 dB deep."""
FAR_SHARE = 0.3
"""Share of the scatter's variance that neighbours within an octave have in common."""
MOST_ALIKE = 0.7
"""In a band so narrow that this share of place moves all of it at once, gain and place look alike: all counts as place."""
_LARGEST_NOISE_U_DB = 10.0
"""Beyond this a level is no more than noise, and the linear law says nothing."""


def placement_u_db(freq_hz: FloatArray, displaced_m: float = DISPLACED_M) -> FloatArray:
    """Standard uncertainty of a third octave, the microphone `displaced_m` from its earlier place (rms) [shape=(n,)].

    At the mean level of the seats. u = m·√(1 − exp(−(s·r/m)²)) with slope s and bound m: linear in r, then no more than two
    unrelated places differ by.
    """
    x = np.log(np.asarray(freq_hz, dtype=float))
    slope, most = (
        np.exp(np.interp(x, np.log(hz), np.log(values)))
        for hz, values in ((_SLOPE_HZ, _SLOPE_DB_PER_M), (_MOST_HZ, _MOST_DB))
    )
    return np.asarray(most * np.sqrt(-np.expm1(-((slope * displaced_m / most) ** 2))))


def null_share(freq_hz: FloatArray) -> FloatArray:
    """How far the scatter of place follows the pressure: 1 in the bass, 0 from 500 Hz up [shape=(n,)]."""
    return np.asarray(np.interp(np.log(freq_hz), np.log(_NULLS_HZ), (1.0, 0.0)))


def power_mean_db(levels_db: FloatArray) -> FloatArray:
    """Level of the mean power over the seats [shape=(seats, n)], of what is known; NaN where nothing is."""
    known = np.isfinite(levels_db)
    power = np.where(known, 10 ** (np.where(known, levels_db, 0.0) / 10), 0.0)
    count = known.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(count > 0, 10 * np.log10(power.sum(axis=0) / count), np.nan))


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Standard uncertainties of one third-octave level at one seat."""

    gain_db: float = 0.0
    """Moves all levels of a recording alike."""
    place_db: FloatArray | float = 0.0
    """The microphone's place, at each point of the grid [shape=(n,)] and the seats' mean level; a third octave's own."""
    null_share: FloatArray | float = 0.0
    """How far that follows the pressure, as `null_share` [shape=(n,)]."""
    noise_db: float = 0.0
    """The noise part at a level of 0 dB [dB], on the scale of the levels."""
    dof: float = math.inf
    """Degrees of freedom of place."""
    repeated: bool = False
    """Whether repeats are part of it."""

    def place_u_db(self, levels_db: FloatArray) -> FloatArray:
        """The part of place at the levels of all seats [shape=(seats, n)]: larger where a seat is below their mean."""
        return self.place_beside_db(levels_db, power_mean_db(levels_db))

    def place_beside_db(self, levels_db: FloatArray, mean_db: FloatArray) -> FloatArray:
        """The same at one seat or several, `mean_db` being the level of the mean power over all seats [shape=(n,)]."""
        below = np.clip(np.nan_to_num(mean_db - levels_db), -_NULL_DB, _NULL_DB)
        return np.asarray(self.place_db * 10 ** (self.null_share * below / 20))

    def noise_u_db(self, levels_db: FloatArray) -> FloatArray:
        """The noise part at these levels [dB]; zero where there is no level."""
        levels = np.asarray(levels_db, dtype=float)
        if not self.noise_db:
            return np.zeros(levels.shape)
        with np.errstate(over="ignore"):
            noise = np.minimum(self.noise_db * 10 ** (-levels / 20), _LARGEST_NOISE_U_DB)
        return np.where(np.isnan(levels), 0.0, noise)

    def typical_db(self, points: NDArray[np.bool_] | slice = slice(None)) -> float:
        """Of one third octave at the seats' mean level, without noise (rms over these points of the grid)."""
        place = np.atleast_1d(np.asarray(self.place_db, dtype=float))
        chosen = np.square(place[points])
        return math.hypot(self.gain_db, math.sqrt(float(chosen.mean()))) if len(chosen) else self.gain_db


@dataclass(frozen=True, slots=True)
class Repeat:
    """One channel at one seat, measured twice or more in a band."""

    levels_db: FloatArray
    """[shape=(times, n)]"""
    place_db: FloatArray
    """The default scatter of place at each point, with the factor of a null [shape=(n,)]."""
    placing: str
    """Names the round and seat: channels measured together share where the microphone was put."""


def default_repeatability(freq_hz: FloatArray) -> Repeatability:
    """Where nothing was repeated [place_db: shape=(n,)]."""
    return Repeatability(GAIN_U_DB, freeze(placement_u_db(freq_hz)), freeze(null_share(freq_hz)), dof=DEFAULT_DOF)


def was_moved(repeats: Sequence[Repeat], freq_hz: FloatArray) -> bool:
    """Whether repeats of one placing over the whole grid differ as those of a microphone that was put down again do.

    Their scatter against what a displacement of STILL_M makes; changes of gain do not count.
    """
    still = placement_u_db(freq_hz, STILL_M) / placement_u_db(freq_hz)
    found = least = 0.0
    for each in repeats:
        known = np.isfinite(each.levels_db).all(axis=0) & np.isfinite(each.place_db)
        if not known.any():
            continue
        levels = each.levels_db[:, known]
        found += float(np.sum(np.var(levels - levels.mean(axis=1, keepdims=True), axis=0, ddof=1)))
        least += float(np.sum((each.place_db * still)[known] ** 2))
    return found > least


def repeatability_of(repeats: Sequence[Repeat], freq_hz: FloatArray) -> Repeatability:
    """From repeats in one band and the default: few repeats are a poor estimate of their scatter.

    Place: s²/v, the scatter over the default, is fitted as a + b·10^(−L/10)/v with a, b ≥ 0 (b is the noise). What moves
    the whole band at once is taken off. A placing has three directions, so that it counts for three degrees of freedom
    however many channels were measured from it. No less than a displacement of 1 cm makes.
    """
    default = default_repeatability(freq_hz)
    if not repeats:
        return default
    ratio, inverse, nu = [], [], []
    shared, freedom = 0.0, 0.0
    placings: dict[str, float] = {}
    for each in repeats:
        times = len(each.levels_db) - 1.0
        v = each.place_db**2
        ratio.append(np.var(each.levels_db, axis=0, ddof=1) / v)
        inverse.append(10 ** (-np.mean(each.levels_db, axis=0) / 10) / v)
        nu.append(np.full(len(v), times))
        shared += times * float(np.var(np.mean(each.levels_db, axis=1), ddof=1))
        freedom += times
        thirds = len(v) / POINTS_PER_THIRD
        placings[each.placing] = max(placings.get(each.placing, 0.0), min(3.0, thirds) * times)
    scale, noise = fit_scatter(*(np.concatenate(parts) for parts in (ratio, inverse, nu)))
    # The mean over the band scatters by the gain g² and the share k that its thirds leave of place: M = g² + k·p², where at
    # each point S = g² + p².
    place2, own = (
        sum(of(each.place_db) * (len(each.levels_db) - 1) for each in repeats) for of in (_mean2, _of_mean)
    )
    kept = own / place2
    gain2 = max(shared - kept * scale * place2, 0.0) / (1 - kept) if kept < MOST_ALIKE else 0.0
    gain, _ = scatter_u(GAIN_U_DB, gain2, freedom if kept < MOST_ALIKE else 0.0)
    scale = max(scale - gain2 / place2, 0.0)
    dof = sum(placings.values())
    factor, total = scatter_u(1.0, dof * scale, dof)
    least = placement_u_db(freq_hz, LEAST_DISPLACED_M)
    place = freeze(np.maximum(factor * np.asarray(default.place_db), least))
    return Repeatability(gain, place, default.null_share, math.sqrt(noise), total, True)


def correlation(points: NDArray[np.intp]) -> FloatArray:
    """Between the scatter of place at points of the grid [shape=(n, n)].

    Most of it as far as their third octaves overlap, some of it over an octave: single modes in the bass, and the direct
    sound's path (`tests/references/repeated_placings.py`).
    """
    apart = np.abs(np.subtract.outer(points, points))
    near, far = (np.maximum(0.0, 1.0 - apart / (width * POINTS_PER_THIRD)) for width in (1, 3))
    return np.asarray((1 - FAR_SHARE) * near + FAR_SHARE * far)


def _mean2(place_db: FloatArray) -> float:
    return float(np.mean(place_db**2))


def _of_mean(place_db: FloatArray) -> float:
    """Variance of the mean over a band of scatter that is each third octave's own [dB²]."""
    return float(place_db @ correlation(np.arange(len(place_db))) @ place_db) / len(place_db) ** 2


def fit_scatter(ratio: FloatArray, inverse: FloatArray, freedom: FloatArray) -> tuple[float, float]:
    """(a, b) ≥ 0 of ratio = a + b·inverse, weighted by what the fit itself predicts [shape=(n,) each].

    s² of few readings spreads in proportion to its mean (chi-squared, JCGM 100 4.2.2).
    """
    a, b = float(np.average(ratio, weights=freedom)), 0.0
    for _ in range(12):
        a, b = _fit(ratio, inverse, freedom / np.maximum(a + b * inverse, 1e-6) ** 2)
    return a, b


def _fit(y: FloatArray, x: FloatArray, weights: FloatArray) -> tuple[float, float]:
    """Weighted least squares of y = a + b·x with neither below zero."""
    mx, my = np.average(x, weights=weights), np.average(y, weights=weights)
    sxx = float(np.average((x - mx) ** 2, weights=weights))
    b = float(np.average((x - mx) * (y - my), weights=weights)) / sxx if sxx > 0 else 0.0
    a = float(my - b * mx)
    if b < 0:
        return float(my), 0.0
    if a < 0:  # all noise: the line through the origin
        return 0.0, float(np.sum(weights * x * y) / np.sum(weights * x * x))
    return a, b
