"""Relative polarity of two loudspeakers: connected alike, one reversed, or one driver of one reversed.

A loudspeaker's own sign says nothing about its wiring, since a crossover turns the phase. Two loudspeakers of one model
share their crossover, so the correlation of their direct sounds has the sign of their connections, in every band.

If one driver of one of them is reversed, their ratio is (L − H)/(L + H) = (1 − q)/(1 + q), where L and H are the parts of
the lower and the upper driver. Through a crossover of order n at f0, q = H/L = (f/f0)^n·exp(jθ): its phase is n·90° for
Butterworth and Linkwitz-Riley filters (Linkwitz 1976), plus the contribution of the drivers' positions and polarities. So
the ratio is +1 far below f0 and −1 far above, whatever the order, and the transition depends on n and θ alone. The ratio
is removed for every f0, n and θ in turn. If one of them makes the two much more alike than its band weights alone do, a
driver is reversed: a ratio that only gives less weight to a range in which the two differ is no evidence. Neither is one
that explains no more than two drivers with different arrival times, as in a loudspeaker mounted upside down: its ratio to
an upright one is (1 + q·exp(−jωτ/2))/(1 + q·exp(jωτ/2)), with the sign of the whole below and above f0. Thresholds:
determined by simulation, see tests/bench/polarity.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from commission.dsp.direct import DIRECT_BEFORE_S, DIRECT_FRAMES, DIRECT_RATE_HZ
from commission.model import ComplexArray, FloatArray, freeze

BAND_EDGES_HZ: FloatArray = np.append(250 * 2 ** (np.arange(11) / 2), 10500.0)
"""Half octaves; all bands count alike, so that a half period at one frequency does not look like a reversal."""
BANDS = len(BAND_EDGES_HZ) - 1
_CENTRES_HZ: FloatArray = np.sqrt(BAND_EDGES_HZ[1:] * BAND_EDGES_HZ[:-1])
LAG_S, LAG_STEP_S = 0.0006, 1 / 96000
"""Range and step of the lag within which arrivals of two loudspeakers are aligned."""
LEAST_CORRELATION = 0.5
"""Least correlation for a sign: mean over the half octaves, median over the seats."""
LEAST_OCTAVE = 0.2
"""Least correlation of every octave, with the sign of the whole."""
AGREE = 0.8
"""Share of the seats that must have the same sign."""
ALIKE = (0.65, 0.55, 0.25, 3.0)
"""Stricter criteria for two loudspeakers that are not a mirrored pair to count as the same model: least correlation,
least correlation of the weakest octave, largest rms phase between them [rad] and largest standard deviation of the level
[dB]."""
PROBABLY_ALIKE = (0.6, 0.4, 0.4, 3.0)
"""Criteria for a loudspeaker without a partner of the same role, if one of a pair is known to be reversed and the only
question is which."""
PAIR_OF_THE_ROLE = (0.6, 0.4, 0.5, 4.0)
"""Criteria for one of another pair of that role: another height and other walls nearby change level and phase."""
BESIDE_A_PAIR = (0.6, 0.4, 0.5, 3.0)
"""Criteria for a loudspeaker without a partner, against both of a pair of its role, at two seats or more: at one seat, a
healthy centre of another model met them with the opposite sign. Lower or higher than the two, it has another reflection
from the floor, which inverts the lowest octave. In simulated rooms 14 of 31 centres of the pair's model met them (6 of
them ALIKE), and 2 of 130 of another model, both with the pair's sign (`tests/bench/polarity.py`)."""
MOST_UNLIKE_DB = 3.0
"""Standard deviation of the level difference over half octaves, those around the crossover left out. Two of one model on
two sides of a room differ by less in nineteen of twenty simulated pairs; more means another model, or a dead driver."""


@dataclass(frozen=True, slots=True)
class DriverEvidence:
    """Combined criteria for one reversed driver."""

    seats: int
    """Least number of seats."""
    correlation: float
    """Least correlation with the ratio of a reversed driver removed, median over the seats."""
    gain: float
    """Least excess over the correlation without removal; half of it at four of five seats."""
    dip_db: float = 0.0
    """Least dip at the crossover relative to the partner, or of the partner."""
    lead_db: float = 0.0
    """Least excess over any dip of the other one."""
    unlike_db: float = MOST_UNLIKE_DB
    """Largest level difference apart from the dip."""


DRIVER_EVIDENCE = (
    DriverEvidence(seats=2, correlation=0.65, gain=0.1),
    DriverEvidence(seats=2, correlation=0.65, gain=0.1, dip_db=8.0, lead_db=6.0, unlike_db=4.0),
    DriverEvidence(seats=2, correlation=0.75, gain=0.06, dip_db=5.0, lead_db=5.0),
    DriverEvidence(seats=4, correlation=0.85, gain=0.06),
    DriverEvidence(seats=1, correlation=0.8, gain=0.25),
    DriverEvidence(seats=1, correlation=0.9, gain=0.18),
    DriverEvidence(seats=1, correlation=0.8, gain=0.12, dip_db=8.0, lead_db=6.0),
)
"""Any one of these suffices. Of 180 healthy pairs of tests/bench/polarity.py's kind (seeds 10000 to 10119) two met one of
them, both with one loudspeaker mounted upside down: see APART_S. None of 315 single seats of others (seeds 20000 to
20059) was above 0.9 with a gain of 0.15; eight of 113 with a driver reversed were. The second, for a dip in two that
differ more, added 1 of 60 reversed and none of 180 healthy pairs (seeds 43000 to 43059 with a driver reversed, 44000 on
without). The third, for less gain beside a dip, found 32 in place of 27 of 38 reversed in simulated rooms (tests/rooms),
and none of 151 healthy pairs there and 320 others (seeds 60000 to 60159)."""
APART_S: FloatArray = np.delete(np.linspace(-0.0004, 0.0004, 17), 8)
"""Candidates for τ. Drivers 0.2 m apart, seen from 20° above or below, are 0.2 m · sin 20° = 0.07 m nearer or farther,
and the reverse if upside down: 0.4 ms in all (arithmetic)."""
APART_GAIN = 0.005
"""Least gain of a reversed driver over drivers apart. With LEAST_SPLIT_HZ it leaves 0 of 750 healthy pairs called
reversed instead of 19, and finds 75 of 210 with a driver reversed instead of 87 (tests/bench/polarity.py: seeds 30000 to
30149, 31000 to 31119, 33000 to 33119, 34000 to 34089; the first two ranges were seen when choosing it)."""
MOST_LOUDER_DB = 3.0
"""Limit at a single seat: a second loudspeaker that plays the same adds up to 6 dB beside the first dip of its comb, a
reversed driver nothing (arithmetic). The reversed one stays open if the one with the dip is louder by this beside it."""
LEAST_SPLIT_HZ = 400.0
"""Least split frequency: below it, only a single half octave could differ, where the floor reflection may exceed the
direct sound."""
CORNERS_HZ: FloatArray = 300 * 2 ** (np.arange(16) / 4)
"""f0 from 300 Hz to 4 kHz: each of the two drivers then plays for at least half an octave within BAND_EDGES_HZ."""
SLOPES = (1, 2, 3, 4, 8)
"""Orders n of crossovers in use; that of Linkwitz-Riley filters counts both of their halves."""
ANGLES_RAD: FloatArray = np.radians(np.arange(-180, 180, 30))
DOUBT_GAIN = 0.04
"""If a reversed driver's ratio makes the two more alike by this, beyond its band weights alone, the sign of the whole is
doubtful."""
SUB_CORRELATION = 0.45
"""Least correlation of two subwoofers, 30–200 Hz."""
SUB_LAG_S = 0.002
"""Range of the lag within which arrivals of two subwoofers are aligned. An arrival that is less sure shows no sign: an
error of this and a quarter period of 120 Hz (2.1 ms) turns it (arithmetic)."""
NAMED_DIP_DB, NAMED_LEAD_DB = 6.0, 4.0
"""Least dip at f0, and least excess over any dip of the partner, to decide which of the two is reversed. Two drivers of
equal level at f0 that add with 60° instead of 120° between them differ by 4.8 dB (arithmetic): below that, the positions
of drivers and seats may cause the dip."""
MOST_HUMP_DB = 1.0
"""The loudspeaker without the dip must not rise by more than this at f0. Linkwitz-Riley crossovers add to a flat
response, Butterworth crossovers of second and third order to one 3 dB up at most. These are built with either polarity,
so the one with the dip may be as designed."""
_LENGTH = 1024
_LOW_HZ = 1000.0
"""Below this the section after the arrival is 3 to 6 ms long, above 1.5 to 4 ms."""
_SIXTHS_HZ: FloatArray = 250 * 2 ** (np.arange(-1, 33) / 6)


@dataclass(frozen=True, slots=True)
class PairComparison:
    """Comparisons of direct sounds, one row each."""

    correlation: FloatArray
    """Mean correlation over the bands at the lag where it is strongest, signed. [shape=(k,)]"""
    bands: ComplexArray
    """Coherence of each band at that lag. [shape=(k, BANDS)]"""
    turned: FloatArray
    """Strongest correlation with each ratio of a reversed driver removed; + if the lower parts are alike. [shape=(k,
    ratios)]"""
    levels_db: FloatArray
    """Levels of the two in third octaves, in steps of a sixth. [shape=(k, 2, n)]"""
    by_lag: ComplexArray
    """Coherence of each band at every lag, weighted by level. [shape=(k, BANDS, lags)]"""

    def take(self, rows: list[int]) -> PairComparison:
        """Comparisons of some of the rows."""
        return PairComparison(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    @property
    def strength(self) -> FloatArray:
        """The stronger of the two correlations, without sign. [shape=(k,)]"""
        return np.asarray(np.maximum(np.abs(self.correlation), np.abs(self.turned).max(axis=-1)))

    @property
    def level_db(self) -> FloatArray:
        """Level of the first minus that of the second, mean over the rows. [shape=(n,)]"""
        return np.asarray((self.levels_db[:, 0] - self.levels_db[:, 1]).mean(axis=0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Relation:
    """Relation of two loudspeakers, from all seats together."""

    sign: int | None
    """+1 connected alike, −1 one of the two reversed; None if undetermined."""
    correlation: float
    agree: int
    """Seats with that sign."""
    seats: int
    changes_sign: bool = False
    """Parts of the range have opposite signs: another model, or one reversed driver."""
    opposite: bool = False
    """Doubtful, yet opposite in every octave: one of the two, or one driver of it, is reversed. None of 591 healthy pairs
    of two simulators was (tests/rooms, tests/bench/polarity.py); of 80 with a driver reversed 6 were."""
    weakest_octave: float = 0.0
    phase_rad: float = 3.0
    """Root mean square phase between the two, over the bands."""
    unlike_db: float = 0.0
    """Standard deviation of the level difference, over half octaves."""
    confidence: float = 0.0
    split_hz: float | None = None
    """Frequency at which the sign changes: one driver of one of the two is reversed."""
    above: bool = True
    """Whether the drivers above the split are the ones connected differently."""
    dip: int = 0
    """Which of the two has the deeper dip there: 0 the first, 1 the second."""
    dip_db: float = 0.0
    lead_db: float = 0.0
    """Excess of that dip over any dip of the other one."""
    hump_db: float = 0.0
    """Rise of the other one's own level there."""
    apart_hz: float | None = None
    """Frequency at which the sign may change, where drivers with different arrival times explain it as well as a reversed
    one. None of 263 healthy pairs had it, but 2 of 11 with one mounted upside down (tests/rooms, tests/bench/polarity.py).
    """

    @property
    def odd(self) -> int | None:
        """Index of the one with the reversed driver, by its dip: 0 the first, 1 the second; None if unclear."""
        deep = self.dip_db >= NAMED_DIP_DB and self.lead_db >= NAMED_LEAD_DB
        return self.dip if self.split_hz is not None and deep and self.hump_db <= MOST_HUMP_DB else None

    def alike(self, least: tuple[float, float, float, float] = ALIKE) -> bool:
        """Whether the two are the same model as far as phase and level show."""
        correlation, octave, phase_rad, unlike_db = least
        strong = abs(self.correlation) >= correlation and self.weakest_octave >= octave
        level = self.unlike_db <= unlike_db
        return self.sign is not None and strong and level and self.phase_rad <= phase_rad


def spectra(sounds: FloatArray) -> ComplexArray:
    """Gated spectra [shape=(k, _LENGTH/2 + 1)] of direct sounds [shape=(k, DIRECT_FRAMES)]."""
    time_s = np.arange(DIRECT_FRAMES) / DIRECT_RATE_HZ - DIRECT_BEFORE_S
    low = np.fft.rfft(sounds * _gate(time_s, 0.003, 0.006), _LENGTH, axis=-1)
    high = np.fft.rfft(sounds * _gate(time_s, 0.0015, 0.004), _LENGTH, axis=-1)
    return np.asarray(np.where(_frequencies() < _LOW_HZ, low, high))


def _gate(time_s: FloatArray, full_s: float, end_s: float) -> FloatArray:
    rise = np.clip((time_s + 0.0015) / 0.0008, 0, 1)
    fall = np.clip((end_s - time_s) / (end_s - full_s), 0, 1)
    return np.asarray((0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall)))


def _frequencies() -> FloatArray:
    return np.asarray(np.arange(_LENGTH // 2 + 1) * DIRECT_RATE_HZ / _LENGTH)


def compare(one: ComplexArray, other: ComplexArray) -> PairComparison:
    """Compare gated spectra row by row [shape=(k, n) each], from `spectra`."""
    freq_hz = _frequencies()
    turns = _band_factors()
    cross = one * np.conj(other)
    powers = [np.abs(each) ** 2 for each in (one, other)]
    least = [1e-9 * power.max(axis=-1) for power in powers]
    rows = len(one)
    coherence = np.zeros((BANDS, rows, turns[0][1].shape[-1]), complex)
    heard = np.zeros((BANDS, rows))
    for band, (inside, turn) in enumerate(turns):
        energies = [power[:, inside].sum(axis=-1) for power in powers]
        coherence[band] = (cross[:, inside] @ turn) / np.maximum(np.sqrt(energies[0] * energies[1]), 1e-30)[:, None]
        heard[band] = (energies[0] > least[0]) & (energies[1] > least[1])
    weights = heard / np.maximum(heard.sum(axis=0), 1)
    plain = np.einsum("br,brl->rl", weights, coherence.real)
    every, best = np.arange(rows), np.argmax(np.abs(plain), axis=-1)
    weighted = coherence * weights[..., None]
    levels = np.stack([_sixths_db(power, freq_hz) for power in powers], axis=1)
    by_lag = np.ascontiguousarray(np.moveaxis(weighted, 0, 1))
    return PairComparison(
        plain[every, best], coherence[:, every, best].T, _ratio_correlations(weighted), levels, by_lag
    )


def _ratio_correlations(coherence: ComplexArray) -> FloatArray:
    """Correlation with each ratio of a reversed driver removed, at the lag where it is strongest. [shape=(rows, ratios)]

    `coherence` [shape=(BANDS, rows, lags)], weighted by level. Bands in which one of the two has a dip count less:
    reflections exceed the direct sound there.
    """
    filters = _ratio_filters()
    table = np.concatenate([coherence.real, coherence.imag]).reshape(2 * BANDS, -1).astype(np.float32)
    found = (table.T @ filters.T).reshape(*coherence.shape[1:], len(filters))
    highest, lowest = found.max(axis=1), found.min(axis=1)
    return np.asarray(np.where(highest >= -lowest, highest, lowest), dtype=float)


@cache
def _ratio_filters() -> FloatArray:
    """Filters that remove each ratio of a reversed driver. [shape=(ratios, 2·BANDS)]"""
    return _filters(*_ratio_counts())


def _filters(ratios: ComplexArray, size: FloatArray, counts: FloatArray) -> FloatArray:
    """Filters that remove ratios from the coherence, for its real and imaginary part. [shape=(ratios, 2·BANDS)]"""
    factors = np.conj(ratios) / size * counts
    return freeze(np.concatenate([factors.real, -factors.imag], axis=-1).astype(np.float32))


@cache
def _ratio_counts() -> tuple[ComplexArray, FloatArray, FloatArray]:
    """Each ratio at the bands' centres, its magnitude, and the weight of each band, 1 on average.
    [shape=(ratios, BANDS)]
    """
    return _sizes_and_counts(np.array([_ratio(_CENTRES_HZ, *each) for each in _RATIOS]))


def _sizes_and_counts(ratios: ComplexArray) -> tuple[ComplexArray, FloatArray, FloatArray]:
    size = np.maximum(np.abs(ratios), 1e-6)
    counts = np.sqrt(np.minimum(size, 1 / size))
    counts *= BANDS / counts.sum(axis=-1, keepdims=True)
    return freeze(ratios), freeze(size), freeze(counts)


@cache
def _arrival_filters() -> tuple[tuple[NDArray[np.intp], FloatArray], ...]:
    """For each f0 and τ the lag of every band [shape=(BANDS,), steps], and the filters that remove the rest of each
    ratio.
    """
    out = []
    for corner_hz in CORNERS_HZ[::2]:
        for apart_s in APART_S:
            lags = np.where(corner_hz < _CENTRES_HZ, round(apart_s / LAG_STEP_S), 0)
            half = np.exp(1j * np.pi * _CENTRES_HZ * apart_s)
            upper = [_upper(_CENTRES_HZ, corner_hz, slope, angle) for slope in SLOPES for angle in ANGLES_RAD]
            ratios = np.array([(1 + q / half) / (1 + q * half + 1e-9) for q in upper])
            lagged = np.exp(2j * np.pi * _CENTRES_HZ * lags * LAG_STEP_S)
            out.append((freeze(lags), _filters(*_sizes_and_counts(ratios * lagged))))
    return tuple(out)


@cache
def _band_factors() -> tuple[tuple[slice, ComplexArray], ...]:
    """For each band its frequencies, and the factors that undo each lag at them [shape=(frequencies, lags)]."""
    freq_hz = _frequencies()
    lags_s = np.arange(-round(LAG_S / LAG_STEP_S), round(LAG_S / LAG_STEP_S) + 1) * LAG_STEP_S
    inside = [slice(*edges) for edges in pairwise(freq_hz.searchsorted(BAND_EDGES_HZ))]
    return tuple((each, freeze(np.exp(2j * np.pi * np.outer(freq_hz[each], lags_s)))) for each in inside)


def _ratio(freq_hz: FloatArray, corner_hz: float, slope: int, angle_rad: float) -> ComplexArray:
    """Response of a loudspeaker with a reversed upper driver over one without. [shape=(n,)]"""
    upper = _upper(freq_hz, corner_hz, slope, angle_rad)
    return np.asarray((1 - upper) / (1 + upper + 1e-9))


def _upper(freq_hz: FloatArray, corner_hz: float, slope: int, angle_rad: float) -> ComplexArray:
    """Part of the upper driver over that of the lower one. [shape=(n,)]"""
    return np.asarray((freq_hz / corner_hz) ** slope * np.exp(1j * angle_rad))


_RATIOS = tuple((float(f), n, float(a)) for f in CORNERS_HZ for n in SLOPES for a in ANGLES_RAD)


def _sixths_db(power: FloatArray, freq_hz: FloatArray) -> FloatArray:
    totals = np.concatenate([np.zeros((len(power), 1)), np.cumsum(power, axis=-1)], axis=-1)
    edges = np.searchsorted(freq_hz, _SIXTHS_HZ)
    return np.asarray(10 * np.log10(np.maximum(totals[:, edges[2:]] - totals[:, edges[:-2]], 1e-30)))


def relation(seats: PairComparison) -> Relation:
    """The relation of two loudspeakers, from their comparisons, one row for each seat."""
    count = len(seats.correlation)
    correlation = float(np.median(seats.correlation)) if count else 0.0
    sign = 1 if correlation >= 0 else -1
    agree = int(np.sum(np.sign(seats.correlation) == sign))
    if not count:
        return Relation(sign=None, correlation=0.0, agree=0, seats=0)
    found = _one_driver(seats)
    if found is not None and not _explained_by_arrivals(seats.by_lag, abs(found.correlation)):
        return found
    octaves = sign * np.median(_octaves(seats.bands.real), axis=0)
    doubtful = _doubtful(seats)
    clear = abs(correlation) >= LEAST_CORRELATION and octaves.min() >= LEAST_OCTAVE and agree >= AGREE * count
    known = clear and not doubtful
    opposite = clear and doubtful and sign < 0
    return Relation(
        sign=sign if known else None,
        correlation=correlation,
        agree=agree,
        seats=count,
        changes_sign=doubtful,
        opposite=opposite,
        weakest_octave=float(octaves.min()),
        phase_rad=float(np.sqrt(np.mean(np.angle(sign * seats.bands.mean(axis=0)) ** 2))),
        unlike_db=float(np.std(_half_octaves(seats.level_db))),
        confidence=_confidence(correlation, count) if known or opposite else 0.0,
        apart_hz=None if found is None else found.split_hz,
    )


def _octaves(bands: FloatArray) -> FloatArray:
    """Half octaves in pairs, the unpaired one at the top with its neighbour. [shape=(k, 5)]"""
    edges = (0, 2, 4, 6, 8, BANDS)
    return np.stack([bands[:, a:b].mean(axis=-1) for a, b in pairwise(edges)], axis=-1)


def _half_octaves(level_db: FloatArray) -> FloatArray:
    """Means over three neighbouring sixths of an octave. [shape=(n − 2,)]"""
    return np.asarray(np.convolve(level_db, np.full(3, 1 / 3), mode="valid"))


def _confidence(correlation: float, seats: int) -> float:
    """Confidence in the sign: no healthy pair above the threshold had a wrong one; real rooms are worse, a single seat
    most.
    """
    margin = min(max(abs(correlation) - LEAST_CORRELATION, 0.0) / 0.3, 1.0)
    return round(0.95 + 0.04 * margin - (0.03 if seats < 2 else 0.0), 2)


def _weighted_correlations(seats: PairComparison, ratios: Sequence[int] | NDArray[np.intp]) -> FloatArray:
    """Correlation with the band weights of some of the ratios, without changing any phase. [shape=(k, ratios)]

    A ratio reduces the weight of bands near its corner. A gain from that alone, where the two differ, is no reversed
    driver.
    """
    same_bands = np.einsum("nb,rbl->rnl", _ratio_counts()[2][ratios], seats.by_lag.real)
    return np.asarray(np.maximum(np.abs(seats.correlation)[:, None], np.abs(same_bands).max(axis=-1)))


def _doubtful(seats: PairComparison) -> bool:
    """Whether the sign of the whole may be that of one driver.

    A driver reversed above about 2 kHz looks like a whole loudspeaker reversed, with a lag of half a period.
    """
    turned = np.median(np.abs(seats.turned), axis=0)
    (able,) = np.nonzero(turned > np.median(np.abs(seats.correlation)) + DOUBT_GAIN)
    return bool((turned[able] > np.median(_weighted_correlations(seats, able), axis=0) + DOUBT_GAIN).any())


def _explained_by_arrivals(by_lag: ComplexArray, correlation: float) -> bool:
    """Whether drivers with different arrival times explain a correlation as well: within APART_GAIN, median over the
    seats.

    `by_lag` [shape=(k, BANDS, lags)].
    """
    lags = by_lag.shape[-1]
    most = round(APART_S.max() / LAG_STEP_S)
    padded = np.pad(np.concatenate([by_lag.real, by_lag.imag], axis=1), ((0, 0), (0, 0), (most, most)))
    windows = np.lib.stride_tricks.sliding_window_view(padded.astype(np.float32), lags, axis=-1)
    found = (
        np.abs(filters @ windows[:, np.arange(2 * BANDS), most + np.tile(shifts, 2)]).max(axis=-1)
        for shifts, filters in _arrival_filters()
    )
    return any(correlation < float(np.median(each, axis=0).max()) + APART_GAIN for each in found)


def _one_driver(seats: PairComparison) -> Relation | None:
    """The relation if one driver of one of the two is reversed, or the arrival times of their drivers differ; else None."""
    count = len(seats.correlation)
    middle = np.median(seats.turned, axis=0)
    best = int(np.argmax(np.abs(middle)))
    unturned = _weighted_correlations(seats, [best])[:, 0]
    correlation, plain = float(middle[best]), float(np.median(unturned))
    gains = np.abs(seats.turned[:, best]) - unturned
    corner_hz = _RATIOS[best][0]
    if corner_hz < LEAST_SPLIT_HZ:
        return None
    beside_db = _half_octaves(seats.level_db)[np.abs(np.log2(_SIXTHS_HZ[2:-2] / corner_hz)) > 0.8]
    unlike_db = float(np.std(beside_db))
    depths_db, hump_db = _dips_db(seats, corner_hz)
    odd = int(np.argmax(depths_db))
    if count == 1 and (1 - 2 * odd) * float(np.median(beside_db)) > MOST_LOUDER_DB:
        return None
    depth_db, lead_db = depths_db[odd], depths_db[odd] - depths_db[1 - odd]
    agree = max(
        (
            int(np.sum(gains >= each.gain / 2))
            for each in DRIVER_EVIDENCE
            if count >= each.seats
            and unlike_db <= each.unlike_db
            and abs(correlation) >= max(each.correlation, plain + each.gain)
            and (not each.dip_db or (depth_db >= each.dip_db and lead_db >= each.lead_db))
        ),
        default=0,
    )
    if agree < AGREE * count:
        return None
    return Relation(
        sign=None,
        correlation=correlation,
        agree=agree,
        seats=count,
        confidence=_confidence(correlation, count),
        split_hz=corner_hz,
        dip=odd,
        above=correlation > 0,
        dip_db=depth_db,
        lead_db=lead_db,
        hump_db=hump_db,
    )


def _dips_db(seats: PairComparison, corner_hz: float) -> tuple[tuple[float, float], float]:
    """Depths of the first's and the second's dip at a crossover relative to the other, and the rise there of the one with
    the lesser dip [dB], all re the ranges an octave below and above.
    """
    octaves = np.log2(_SIXTHS_HZ[1:-1] / corner_hz)
    beside = [part for part in ((octaves < -0.9) & (octaves > -2), (octaves > 0.9) & (octaves < 2)) if part.sum() > 1]

    def less_beside(level_db: FloatArray) -> FloatArray:
        return np.asarray(level_db - np.mean([np.median(level_db[part]) for part in beside]))

    inside = less_beside(seats.level_db)[np.abs(octaves) <= 0.55]
    depths = (-float(inside.min()), float(inside.max()))
    other = 1 - int(np.argmax(depths))
    hump = less_beside(seats.levels_db[:, other].mean(axis=0))[np.abs(octaves) <= 0.3]
    return depths, float(hump.mean())


def subs_correlation(
    bass: tuple[ComplexArray, ComplexArray], arrivals_s: tuple[float, float], freq_hz: FloatArray
) -> float:
    """Correlation of two subwoofers at one seat, 30–200 Hz, first 12 to 24 ms, strongest within 2 ms, signed.

    `bass`: complex responses [shape=(n,)] on `freq_hz`, whole hertz from 10 to 320 Hz. Every octave counts alike.
    """
    first, second = (_sub_spectrum(*each, freq_hz) for each in zip(bass, arrivals_s, strict=True))
    weight, turns = _sub_factors(len(first))
    cross = turns @ (weight * first * np.conj(second))
    energy = np.sqrt((weight * np.abs(first) ** 2).sum() * (weight * np.abs(second) ** 2).sum())
    values = cross.real / max(float(energy), 1e-30)
    return float(values[np.argmax(np.abs(values))])


@cache
def _sub_factors(count: int) -> tuple[FloatArray, ComplexArray]:
    """Weight of each whole hertz [shape=(count,)], and the factors that undo each lag [shape=(lags, count)]."""
    grid_hz = np.arange(count, dtype=float)
    weight = np.where((grid_hz >= 30) & (grid_hz <= 200), 1 / np.maximum(grid_hz, 1), 0)
    lags_s = np.arange(-10, 11) * SUB_LAG_S / 10
    return freeze(weight), freeze(np.exp(2j * np.pi * np.outer(lags_s, grid_hz)))


def subs_relation(correlations: FloatArray, products: FloatArray) -> Relation:
    """The relation of two subwoofers, from correlations at the seats and products of their own signs [shape=(k,) each].

    Both must agree: subwoofers of two models rarely pass both.
    """
    correlation, count = float(np.median(correlations)), len(correlations)
    sign = 1 if correlation >= 0 else -1
    agree = int(np.sum((np.sign(correlations) == sign) & (np.sign(products) == sign)))
    clear = abs(correlation) >= SUB_CORRELATION and agree >= AGREE * count
    return Relation(
        sign=sign if clear else None,
        correlation=correlation,
        agree=agree,
        seats=count,
        confidence=_confidence(correlation, count) if clear else 0.0,
    )


def _sub_spectrum(bass: ComplexArray, arrival_s: float, freq_hz: FloatArray) -> ComplexArray:
    """Spectrum on whole hertz of a subwoofer's sound from its onset on, before the room has built up."""
    edges = np.clip((freq_hz - 10) / 10, 0, 1) * np.clip((320 - freq_hz) / 80, 0, 1)
    spectrum = np.zeros(_LENGTH // 2 + 1, complex)
    spectrum[np.rint(freq_hz).astype(int)] = bass * edges * np.exp(2j * np.pi * freq_hz * arrival_s)
    time_s = np.arange(_LENGTH) / _LENGTH
    time_s = np.where(time_s > 0.5, time_s - 1, time_s)
    gate = np.where(time_s < 0, np.clip((time_s + 0.006) / 0.004, 0, 1), np.clip((0.024 - time_s) / 0.012, 0, 1))
    return np.asarray(np.fft.rfft(np.fft.irfft(spectrum, _LENGTH) * (0.5 - 0.5 * np.cos(np.pi * gate))))
