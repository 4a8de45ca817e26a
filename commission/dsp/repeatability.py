"""Repeatability of a level at one seat when the microphone is placed again.

There are three parts. *Place*: another position in the sound field; it grows with frequency and displacement, is
independent for each third octave, and in the bass grows where the level is low, because the pressure changes by as much
in a null as beside it. *Gain*: moves all levels of a recording at once. *Noise*: grows as the level falls, δL = (20/ln
10)·δp/p, so that u = n·10^(−L/20).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from commission.dsp.noise import NOISE_WINDOW_S
from commission.dsp.uncertainty import DEFAULT_DOF, scatter_u
from commission.model import FloatArray, freeze

POINTS_PER_THIRD = 8
"""Points of the grid that one third octave spans: levels smoothed over it vary together."""
DISPLACED_M, LEAST_DISPLACED_M, STILL_M, ELSEWHERE_M = 0.05, 0.01, 0.003, 0.2
"""Assumed displacement of a microphone where no repeat shows it (rms over placements); the least that repeats can show,
since nobody puts it back within 1 cm; the one below which it was not moved at all; and the one beyond which it was not put
back, so that what was measured again is no repeat (common practice, no source)."""
GAIN_U_DB = 0.06
"""Standard uncertainty of the gain between recordings: ±0.1 dB, rectangular (common practice, no source)."""
_SLOPE_HZ, _SLOPE_DB_PER_M = (200.0, 1000.0, 4000.0, 8000.0), (6.0, 18.5, 36.0, 45.0)
_MOST_HZ, _MOST_DB = (500.0, 1000.0, 1600.0, 4000.0, 8000.0), (1.3, 1.0, 0.85, 0.58, 0.43)
"""Scatter of a third octave for small displacements, and its bound for large ones: fitted to rooms of two simulators
(`tests/references/repeated_placings.py`), which differ by a quarter."""
_NULLS_HZ, _NULL_DB = (250.0, 500.0), 20.0
"""Below the first of these the scatter follows the pressure fully, above the second not at all: no seat is in a null of
all the modes that a third octave contains there. A null is assumed to be at most 20 dB deep."""
FAR_SHARE = 0.3
"""Share of the scatter's variance that neighbours within an octave have in common."""
MOST_KEPT = 0.3
"""Least independent scatter: where one displacement moves more than this share of a narrow band at once, gain and place
look alike."""
BAND_DOF, CHANNEL_DOF, SEAT_DOF = 6.0, 8.0, 3.0
"""Largest degrees of freedom of shared evidence: of other bands for one band, of all loudspeakers for one loudspeaker,
and of a loudspeaker for one of its seats. From room to room ln s² has a standard deviation of 0.24 to 0.6; its variance
is 0.3 to 1.2 between loudspeakers and 0.9 to 1.6 between seats, sampling included
(`tests/references/repeated_placings.py`). The slope of a level has three components."""
LINEAR_HZ = 500.0
"""Frequency up to which the scatter within 5 cm is in proportion to the displacement."""
_LARGEST_NOISE_U_DB = 10.0
"""Beyond this a level is only noise, and the linear law is not valid."""


def placement_u_db(freq_hz: FloatArray, displaced_m: float = DISPLACED_M) -> FloatArray:
    """Standard uncertainty of a third octave with the microphone `displaced_m` from its earlier position (rms)
    [shape=(n,)].

    It holds at the mean level of the seats. u = m·√(1 − exp(−(s·r/m)²)) with slope s and bound m: linear in small r,
    and no larger than the difference of two unrelated positions.
    """
    x = np.log(np.asarray(freq_hz, dtype=float))
    slope, most = (
        np.exp(np.interp(x, np.log(hz), np.log(values)))
        for hz, values in ((_SLOPE_HZ, _SLOPE_DB_PER_M), (_MOST_HZ, _MOST_DB))
    )
    return np.asarray(most * np.sqrt(-np.expm1(-((slope * displaced_m / most) ** 2))))


def null_share(freq_hz: FloatArray) -> FloatArray:
    """Share of the place scatter that follows the pressure: 1 in the bass, 0 from 500 Hz up [shape=(n,)]."""
    return np.asarray(np.interp(np.log(freq_hz), np.log(_NULLS_HZ), (1.0, 0.0)))


def power_mean_db(levels_db: FloatArray) -> FloatArray:
    """Level of the mean power over the seats [shape=(seats, n)], ignoring NaN; NaN where no seat is known."""
    known = np.isfinite(levels_db)
    power = np.where(known, 10 ** (np.where(known, levels_db, 0.0) / 10), 0.0)
    count = known.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(count > 0, 10 * np.log10(power.sum(axis=0) / count), np.nan))


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Standard uncertainties of one third-octave level at one seat."""

    gain_db: FloatArray | float = 0.0
    """Part common to all levels of a recording; for means, by seat [shape=(seats, 1)]."""
    place_db: FloatArray | float = 0.0
    """Part of the microphone's position, at each point of the grid [shape=(n,) or (seats, n)] and the seats' mean
    level; independent for each third octave."""
    null_share: FloatArray | float = 0.0
    """Share of that part that follows the pressure, as `null_share` [shape=(n,)]."""
    noise_db: FloatArray | float = 0.0
    """Noise part at a level of 0 dB [dB], on the scale of the levels [shape=(n,) or (seats, n)]."""
    dof: float = math.inf
    """Degrees of freedom of the place part."""
    repeated: bool = False
    """Whether repeats contribute."""
    by_place: Mapping[tuple[str, str], tuple[_Scatter, ...]] = field(default_factory=dict)
    """(channel, seat) → scatter of its repeats, as found and as expected from the uncertainty here."""
    seat_dof: FloatArray | float = math.inf
    """Degrees of freedom of the place part specific to each seat [shape=(seats,)]."""

    def of_channel(self, channel: str, seats: Sequence[str]) -> Repeatability:
        """Repeatability of one channel at these seats [place_db: shape=(seats, n)].

        Loudspeakers and seats scatter differently. Each variance is the mean of the common and the individual one,
        weighted by degrees of freedom (G. K. Smyth, "Linear models and empirical Bayes methods", Statistical Applications
        in Genetics and Molecular Biology 3 (2004), from memory). Repeats that agree by chance do not lower it.
        """
        if not self.repeated:
            return self
        own = {seat: parts for (c, seat), parts in self.by_place.items() if c == channel}
        squares, dof = _pooled([_one_placing([each]) for parts in own.values() for each in parts])
        factor, channel_dof = scatter_u(1.0, squares, dof, min(self.dof, CHANNEL_DOF))
        common, seat_dof = max(factor, 1.0), min(channel_dof, SEAT_DOF)
        at = [scatter_u(common, *_pooled(own.get(seat, ())), seat_dof) for seat in seats]
        return replace(
            self,
            place_db=freeze(np.array([max(factor, common) for factor, _ in at])[:, None] * self.place_db),
            dof=channel_dof,
            seat_dof=freeze(np.array([dof for _, dof in at])),
        )

    def of_means(self, times: NDArray[np.intp], freq_hz: FloatArray) -> Repeatability:
        """Repeatability of means of independent placings: `times` counts those of each seat [shape=(seats,)].

        The place part is not reduced below that of a displacement of 1 cm, which placings of one round may share.
        """
        root = np.sqrt(times)[:, None]
        least_db = np.minimum(placement_u_db(freq_hz, LEAST_DISPLACED_M), self.place_db)
        place_db = np.maximum(self.place_db / root, least_db)
        return replace(
            self,
            gain_db=freeze(self.gain_db / root),
            place_db=freeze(place_db),
            noise_db=freeze(self.noise_db / root),
        )

    def place_u_db(self, levels_db: FloatArray) -> FloatArray:
        """Place part at the levels of all seats [shape=(seats, n)]: larger where a seat is below their mean."""
        return self.place_beside_db(levels_db, power_mean_db(levels_db))

    def place_beside_db(self, levels_db: FloatArray, mean_db: FloatArray) -> FloatArray:
        """Place part at one or several seats, with `mean_db` the level of the mean power over all seats [shape=(n,)]."""
        below = np.clip(np.nan_to_num(mean_db - levels_db), -_NULL_DB, _NULL_DB)
        return np.asarray(self.place_db * 10 ** (self.null_share * below / 20))

    def noise_u_db(self, levels_db: FloatArray) -> FloatArray:
        """Noise part at these levels [dB]; zero where there is no level."""
        levels = np.asarray(levels_db, dtype=float)
        with np.errstate(over="ignore", invalid="ignore"):
            noise = np.minimum(self.noise_db * 10 ** (-levels / 20), _LARGEST_NOISE_U_DB)
        return np.where(np.isnan(levels), 0.0, noise)

    def typical_db(self, points: NDArray[np.bool_] | slice = slice(None)) -> float:
        """Standard uncertainty of one third octave at the seats' mean level, without noise (rms over these points of
        the grid).
        """
        place = np.atleast_1d(np.asarray(self.place_db, dtype=float))
        chosen, gain_db = np.square(place[points]), float(self.gain_db)
        return math.hypot(gain_db, math.sqrt(float(chosen.mean()))) if len(chosen) else gain_db


@dataclass(frozen=True, slots=True)
class Repeat:
    """One channel at one seat, measured twice or more in a band."""

    levels_db: FloatArray
    """[shape=(times, n)]"""
    place_db: FloatArray
    """Default scatter of the place part at each point, including the factor of a null [shape=(n,)]."""
    channel: str
    seat: str
    apart_db: FloatArray
    """Deviation of the seat from the mean of all at each point [shape=(n,)]."""
    noise_db: FloatArray | float
    """Noise part at each point [shape=(n,)]."""
    placing: str
    """Identifies round and seat: channels measured together share the position of the microphone."""


def default_repeatability(freq_hz: FloatArray, displaced_m: float = DISPLACED_M) -> Repeatability:
    """Repeatability where nothing was repeated in the band [place_db: shape=(n,)]."""
    place_db = freeze(placement_u_db(freq_hz, displaced_m))
    return Repeatability(GAIN_U_DB, place_db, freeze(null_share(freq_hz)), dof=DEFAULT_DOF)


def displacement_m(bands: Iterable[Sequence[Repeat]], gain_db: float = GAIN_U_DB) -> tuple[float, float]:
    """(rms displacement from the earlier place, degrees of freedom), from repeats in bands up to LINEAR_HZ."""
    by_placing: dict[str, list[_Scatter]] = {}
    for repeats in bands:
        for placing, own in _by_placing(repeats, gain_db).items():
            squares, dof = _pooled(own)
            by_placing.setdefault(placing, []).append(_Scatter(squares, dof, dof))
    factor, dof = scatter_u(1.0, *_pooled([_one_placing(own) for own in by_placing.values()]))
    return max(factor * DISPLACED_M, LEAST_DISPLACED_M), dof


def was_moved(repeats: Sequence[Repeat], freq_hz: FloatArray, displaced_m: float) -> bool:
    """Whether repeats at one placing differ by more than a displacement of `displaced_m` makes; gain does not count."""
    factor = placement_u_db(freq_hz, displaced_m) / placement_u_db(freq_hz)
    found = least = 0.0
    for each in repeats:
        known = np.isfinite(each.levels_db).all(axis=0) & np.isfinite(each.place_db)
        if not known.any():
            continue
        levels = each.levels_db[:, known]
        found += float(np.sum(np.var(levels - levels.mean(axis=1, keepdims=True), axis=0, ddof=1)))
        least += float(np.sum((each.place_db * factor)[known] ** 2))
    return found > least


def measured_noise_db(noise_db: FloatArray, freq_hz: FloatArray) -> FloatArray:
    """Standard uncertainty of a third octave of 0 dB from noise [shape=(n,)]; 0 where the noise is unknown (NaN).

    `noise_db`: level of noise over half a second T. For the mean power of M = B·T independent bins, B the width of the
    third octave, with r times as much noise as sound, u = (20/ln 10)·√(r/2M) (JCGM 100 5.1.2 of 10·lg).
    """
    bins = NOISE_WINDOW_S * (2 ** (1 / 6) - 2 ** (-1 / 6)) * np.asarray(freq_hz)
    return np.nan_to_num(20 / math.log(10) * np.sqrt(10 ** (noise_db / 10) / (2 * bins)))


def gain_u_db(repeats: Sequence[Repeat]) -> float:
    """Standard uncertainty of gain, from repeats over the whole grid and the default.

    The mean over all third octaves scatters by the gain g² and the remaining share k of place: M = g² + k·p², where at
    each point S = g² + p². A channel whose band is too narrow for that is not used.
    """
    squares, freedom = 0.0, 0.0
    for each in repeats:
        u, times = np.hypot(each.place_db, each.noise_db), len(each.levels_db) - 1.0
        kept = float(u @ correlation(np.arange(len(u))) @ u) / len(u) / float(u @ u)
        if kept < MOST_KEPT:
            whole = float(np.var(each.levels_db.mean(axis=1), ddof=1))
            points = float(np.var(each.levels_db, axis=0, ddof=1).mean())
            squares += times * (whole - kept * points) / (1 - kept)
            freedom += times
    return scatter_u(GAIN_U_DB, max(squares, 0.0), freedom)[0]


def repeatability_of(
    repeats: Sequence[Repeat],
    freq_hz: FloatArray,
    gain_db: float = GAIN_U_DB,
    noise_db: FloatArray | float = 0.0,
    default: Repeatability | None = None,
) -> Repeatability:
    """Repeatability from repeats in one band and the default, since few repeats estimate their scatter poorly.

    The place part is the scatter minus gain and noise, relative to the default, and at least that of a displacement of
    1 cm.
    """
    default = replace(default or default_repeatability(freq_hz), gain_db=gain_db, noise_db=noise_db)
    if not repeats:
        return default
    by_place: dict[tuple[str, str], list[_Scatter]] = {}
    for each in repeats:
        by_place.setdefault((each.channel, each.seat), []).append(_scatter(each, gain_db))
    squares, dof = _pooled([_one_placing(own) for own in _by_placing(repeats, gain_db).values()])
    factor, total = scatter_u(1.0, squares, dof, default.dof)
    least = placement_u_db(freq_hz, LEAST_DISPLACED_M)
    return replace(
        default,
        place_db=freeze(np.maximum(factor * np.asarray(default.place_db), least)),
        dof=total,
        repeated=True,
        by_place={
            place: tuple(s._replace(expected=factor**2 * s.expected) for s in own) for place, own in by_place.items()
        },
    )


class _Scatter(NamedTuple):
    """Contribution of repeats to the variance over the seats: as found, as expected, and its degrees of freedom."""

    found: float
    expected: float
    dof: float


def _scatter(each: Repeat, gain_db: float) -> _Scatter:
    """Scatter of the place part: Σ d·e over the band, where d is the deviation of the seat, itself known to u/√times.

    The sum is used because errors of a single mode extend farther than `correlation` assumes on average; where the
    seats differ by no more than their scatter, that of the points is used.
    """
    times, d, overlap = len(each.levels_db), each.apart_db, correlation(np.arange(len(each.apart_db)))
    place, noise = (float((d * u) @ overlap @ (d * u)) for u in (each.place_db, each.noise_db))
    weight = np.square(each.place_db) @ overlap**2 / times
    second = float(weight @ np.square(each.place_db))
    found = float(np.var(each.levels_db @ d, ddof=1)) - (gain_db * float(d.sum())) ** 2 - noise
    if place < second:
        points = np.var(each.levels_db, axis=0, ddof=1) - gain_db**2 - np.square(each.noise_db)
        found = float(weight @ points) * (place + second) / second
    return _Scatter(found, place + second, times - 1.0)


def _by_placing(repeats: Sequence[Repeat], gain_db: float) -> dict[str, list[_Scatter]]:
    found: dict[str, list[_Scatter]] = {}
    for each in repeats:
        found.setdefault(each.placing, []).append(_scatter(each, gain_db))
    return found


def _one_placing(own: Sequence[_Scatter]) -> _Scatter:
    """Pooled scatter of all channels measured at one placing.

    For small displacements their scatter is Σ (g·Δ)²: n slopes g and t displacements Δ, each in three directions. If
    they are normal, the squared coefficient of variation is 2/ν at ν = 3·n·t/(n + t + 4), by the moments of the Wishart
    distribution. Many channels reveal at most three degrees of freedom of a displacement, and one channel half of one.
    """
    expected, dof, times = sum(s.expected for s in own), _pooled(own)[1], max(s.dof for s in own)
    return _Scatter(sum(s.found for s in own), expected, 3 * dof / (dof / times + times + 4))


def _pooled(parts: Sequence[_Scatter]) -> tuple[float, float]:
    """(sum of squares over the expected one, degrees of freedom by Welch and Satterthwaite, JCGM 100 equation G.2b)."""
    expected = sum(s.expected for s in parts)
    if not expected > 0:
        return 0.0, 0.0
    dof = expected**2 / sum(s.expected**2 / s.dof for s in parts)
    return dof * max(sum(s.found for s in parts) / expected, 0.0), dof


def correlation(points: NDArray[np.intp]) -> FloatArray:
    """Correlation of the place part between points of the grid [shape=(n, n)].

    High where their third octaves overlap, and some of it over an octave: single modes in the bass, and the path of the
    direct sound (`tests/references/repeated_placings.py`).
    """
    apart = np.abs(np.subtract.outer(points, points))
    near, far = (np.maximum(0.0, 1.0 - apart / (width * POINTS_PER_THIRD)) for width in (1, 3))
    return np.asarray((1 - FAR_SHARE) * near + FAR_SHARE * far)
