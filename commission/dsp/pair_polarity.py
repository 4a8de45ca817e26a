"""Two loudspeakers against each other: connected alike, one of them reversed, or one driver of one of them.

A loudspeaker's own sign says nothing about its wiring, since a crossover turns the phase. Two loudspeakers of one model
share their crossover, so the correlation of their direct sounds has the sign of their connections, in every band. A
driver connected the wrong way round makes the sign change with frequency and leaves a dip where the two drivers overlap.
Thresholds: determined by simulation, see tests/bench/polarity.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from commission.dsp.direct import DIRECT_BEFORE_S, DIRECT_FRAMES, DIRECT_RATE_HZ
from commission.model import ComplexArray, FloatArray

BAND_EDGES_HZ: FloatArray = np.append(250 * 2 ** (np.arange(11) / 2), 10500.0)
"""Half octaves; every band counts alike, so that no half period of one frequency looks like a reversal."""
BANDS = len(BAND_EDGES_HZ) - 1
LAG_S, LAG_STEP_S = 0.0006, 1 / 96000
"""Arrivals of two loudspeakers are aligned within this."""
LEAST_CORRELATION = 0.5
"""Mean over the half octaves, median over the seats, below which a pair says nothing about its sign."""
LEAST_OCTAVE = 0.2
"""Every octave must have the sign of the whole, by at least this correlation."""
AGREE = 0.8
"""Share of the seats that must have the same sign."""
ALIKE = (0.65, 0.55, 0.25)
"""Stricter: what two loudspeakers that are no mirrored pair must reach to count as the same model: correlation, that of the
weakest octave, and at most this rms phase between them [rad]."""
PROBABLY_ALIKE = (0.6, 0.4, 0.4)
"""The same for two of the same role, where one of a pair is known to be reversed and only the question which is open."""


@dataclass(frozen=True, slots=True)
class SplitEvidence:
    """What must come together for one driver reversed: the less of one, the more of another."""

    seats: int
    correlation: float
    """With the sign above the split turned."""
    gain: float
    """How much that exceeds the plain correlation."""
    margin: float
    """By how much each part prefers its sign over the other, at any lag."""
    dip_db: float
    """Dip around the split against the partner."""
    lead_db: float
    """How much deeper it is than any dip of the partner."""


SPLIT_EVIDENCE = (
    SplitEvidence(seats=2, correlation=0.7, gain=0.1, margin=0.15, dip_db=5.0, lead_db=0.0),
    SplitEvidence(seats=2, correlation=0.68, gain=0.04, margin=0.06, dip_db=8.0, lead_db=6.0),
    SplitEvidence(seats=3, correlation=0.75, gain=0.1, margin=0.25, dip_db=2.5, lead_db=0.0),
    SplitEvidence(seats=1, correlation=0.9, gain=0.2, margin=0.3, dip_db=8.0, lead_db=6.0),
)
"""Any one of them suffices; none was met by 1200 healthy pairs of tests/bench/polarity.py's kind."""
MOST_STEP_DB = 8.0
"""A part of the range that is weaker than the other by more than this, against the partner, is a dead driver."""
DOUBT_GAIN = 0.02
"""A split that exceeds the plain correlation by this makes the sign of the whole doubtful."""
SUB_CORRELATION = 0.45
"""The same for two subwoofers, 30–200 Hz."""
NAMED_DIP_DB, NAMED_LEAD_DB = 8.0, 6.0
"""What the dip must reach, and by how much it must be deeper than any dip of the partner, before the one of the two is
named: off axis a correct crossover has dips, too."""
_LENGTH = 1024
_LOW_HZ = 1000.0
"""Below it the stretch after the arrival is 3 to 6 ms, above 1.5 to 4 ms."""
_SIXTHS_HZ: FloatArray = 250 * 2 ** (np.arange(-1, 33) / 6)
_SPLITS = tuple((low, gap) for low in range(2, BANDS - 1) for gap in (0, 1, 2) if low + gap <= BANDS - 2)
"""(bands below the split, bands left out at it); one octave at least on each side."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Comparisons of direct sounds, one row each."""

    correlation: FloatArray
    """Mean correlation over the bands at the lag where it is strongest, with its sign. [shape=(k,)]"""
    bands: ComplexArray
    """Coherence of each band at that lag. [shape=(k, BANDS)]"""
    split: FloatArray
    """Strongest correlation with the upper part turned; + where the lower parts are alike. [shape=(k, splits)]"""
    parts: FloatArray
    """How much the lower and the upper part prefer + over −, each at its own lag. [shape=(k, splits, 2)]"""
    level_db: FloatArray
    """Level of the first less the second, thirds of an octave in steps of a sixth. [shape=(k, n)]"""

    def take(self, rows: list[int]) -> Comparison:
        """Some of the rows."""
        return Comparison(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    @property
    def strength(self) -> FloatArray:
        """The stronger of plain and split correlation, without sign. [shape=(k,)]"""
        return np.asarray(np.maximum(np.abs(self.correlation), np.abs(self.split).max(axis=-1)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Relation:
    """What the seats together say of two loudspeakers."""

    sign: int | None
    """+1 connected alike, −1 one of the two reversed; None when that is not determined."""
    correlation: float
    agree: int
    """Seats with that sign."""
    seats: int
    changes_sign: bool = False
    """Parts of the range have opposite signs: another model, or one driver reversed."""
    weakest_octave: float = 0.0
    phase_rad: float = 3.0
    """Root mean square of the phase between the two, over the bands."""
    confidence: float = 0.0
    split_hz: float | None = None
    """Where the sign changes: one driver of one of the two is reversed."""
    odd: int | None = None
    """Which of the two has the dip there: 0 the first, 1 the second; None where that is not clear."""
    above: bool = True
    """Whether the drivers above the split are the ones connected differently."""
    dip_db: float = 0.0

    def alike(self, least: tuple[float, float, float] = ALIKE) -> bool:
        """Whether the two are the same model as far as the phase shows."""
        correlation, octave, phase_rad = least
        strong = abs(self.correlation) >= correlation and self.weakest_octave >= octave
        return self.sign is not None and strong and self.phase_rad <= phase_rad


def spectra(sounds: FloatArray) -> ComplexArray:
    """Gated spectra [shape=(k, _LENGTH/2 + 1)] of direct sounds [shape=(k, DIRECT_FRAMES)]."""
    from scipy import fft

    time_s = np.arange(DIRECT_FRAMES) / DIRECT_RATE_HZ - DIRECT_BEFORE_S
    low = fft.rfft(sounds * _gate(time_s, 0.003, 0.006), _LENGTH, axis=-1)
    high = fft.rfft(sounds * _gate(time_s, 0.0015, 0.004), _LENGTH, axis=-1)
    return np.asarray(np.where(_frequencies() < _LOW_HZ, low, high))


def _gate(time_s: FloatArray, full_s: float, end_s: float) -> FloatArray:
    rise = np.clip((time_s + 0.0015) / 0.0008, 0, 1)
    fall = np.clip((end_s - time_s) / (end_s - full_s), 0, 1)
    return np.asarray((0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall)))


def _frequencies() -> FloatArray:
    return np.asarray(np.arange(_LENGTH // 2 + 1) * DIRECT_RATE_HZ / _LENGTH)


def compare(one: ComplexArray, other: ComplexArray) -> Comparison:
    """Compare gated spectra row by row [shape=(k, n) each], from `spectra`."""
    freq_hz = _frequencies()
    lags_s = np.arange(-round(LAG_S / LAG_STEP_S), round(LAG_S / LAG_STEP_S) + 1) * LAG_STEP_S
    cross = one * np.conj(other)
    powers = [np.abs(each) ** 2 for each in (one, other)]
    rows = len(one)
    coherence = np.zeros((BANDS, rows, len(lags_s)), complex)
    heard = np.zeros((BANDS, rows))
    for band, (low_hz, high_hz) in enumerate(pairwise(BAND_EDGES_HZ)):
        inside = (freq_hz >= low_hz) & (freq_hz < high_hz)
        energies = [power[:, inside].sum(axis=-1) for power in powers]
        turn = np.exp(2j * np.pi * np.outer(freq_hz[inside], lags_s))
        coherence[band] = (cross[:, inside] @ turn) / np.maximum(np.sqrt(energies[0] * energies[1]), 1e-30)[:, None]
        heard[band] = np.all([e > 1e-9 * p.max(axis=-1) for e, p in zip(energies, powers, strict=True)], axis=0)
    sums = np.concatenate([np.zeros((1, rows, len(lags_s))), np.cumsum(coherence.real * heard[..., None], axis=0)])
    counts = np.concatenate([np.zeros((1, rows)), np.cumsum(heard, axis=0)])
    plain = sums[-1] / np.maximum(counts[-1], 1)[:, None]
    best = np.argmax(np.abs(plain), axis=-1)
    every = np.arange(rows)
    split, parts = np.zeros((rows, len(_SPLITS))), np.zeros((rows, len(_SPLITS), 2))
    for index, (low, gap) in enumerate(_SPLITS):
        lower, upper = sums[low], sums[-1] - sums[low + gap]
        below, above = counts[low], counts[-1] - counts[low + gap]
        turned = (lower - upper) / np.maximum(below + above, 1)[:, None]
        split[:, index] = np.where(
            np.minimum(below, above) >= 2, turned[every, np.argmax(np.abs(turned), axis=-1)], 0.0
        )
        for part, (total, count) in enumerate(((lower, below), (upper, above))):
            mean = total / np.maximum(count, 1)[:, None]
            parts[:, index, part] = mean.max(axis=-1) + mean.min(axis=-1)
    levels = [_sixths_db(power, freq_hz) for power in powers]
    return Comparison(plain[every, best], coherence[:, every, best].T, split, parts, levels[0] - levels[1])


def _sixths_db(power: FloatArray, freq_hz: FloatArray) -> FloatArray:
    totals = np.concatenate([np.zeros((len(power), 1)), np.cumsum(power, axis=-1)], axis=-1)
    edges = np.searchsorted(freq_hz, _SIXTHS_HZ)
    return np.asarray(10 * np.log10(np.maximum(totals[:, edges[2:]] - totals[:, edges[:-2]], 1e-30)))


def relation(seats: Comparison) -> Relation:
    """Judge two loudspeakers from their comparisons at the seats, one row a seat."""
    count = len(seats.correlation)
    correlation = float(np.median(seats.correlation)) if count else 0.0
    sign = 1 if correlation >= 0 else -1
    agree = int(np.sum(np.sign(seats.correlation) == sign))
    if not count:
        return Relation(sign=None, correlation=0.0, agree=0, seats=0)
    found = _one_driver(seats)
    if found is not None:
        return found
    octaves = sign * np.median(_octaves(seats.bands.real), axis=0)
    # A driver reversed above 2 kHz or so reads as a whole loudspeaker reversed, with a lag of half a period.
    doubtful = bool((_split_gains(seats) > DOUBT_GAIN).any())
    clear = (
        abs(correlation) >= LEAST_CORRELATION
        and octaves.min() >= LEAST_OCTAVE
        and agree >= AGREE * count
        and not doubtful
    )
    return Relation(
        sign=sign if clear else None,
        correlation=correlation,
        agree=agree,
        seats=count,
        changes_sign=doubtful,
        weakest_octave=float(octaves.min()),
        phase_rad=float(np.sqrt(np.mean(np.angle(sign * seats.bands.mean(axis=0)) ** 2))),
        confidence=_confidence(correlation, count) if clear else 0.0,
    )


def _octaves(bands: FloatArray) -> FloatArray:
    """Half octaves in pairs, the odd one at the top with its neighbours. [shape=(k, 5)]"""
    edges = (0, 2, 4, 6, 8, BANDS)
    return np.stack([bands[:, a:b].mean(axis=-1) for a, b in pairwise(edges)], axis=-1)


def _confidence(correlation: float, seats: int) -> float:
    """How sure the sign is: no healthy pair above the threshold had a wrong one; real rooms are worse, one seat most."""
    margin = min(max(abs(correlation) - LEAST_CORRELATION, 0.0) / 0.3, 1.0)
    return round(0.95 + 0.04 * margin - (0.03 if seats < 2 else 0.0), 2)


def _split_gains(seats: Comparison) -> FloatArray:
    """By how much each split exceeds the plain correlation, where its two parts prefer opposite signs. [shape=(splits,)]"""
    opposite = np.sign(seats.parts[..., 0]) != np.sign(seats.parts[..., 1])
    gains = np.abs(np.median(seats.split, axis=0)) - float(np.median(np.abs(seats.correlation)))
    return np.asarray(np.where(opposite.mean(axis=0) >= 0.5, gains, -1.0))


def _one_driver(seats: Comparison) -> Relation | None:
    """The relation where one driver of one of the two is reversed, else None."""
    count = len(seats.correlation)
    plain = float(np.median(np.abs(seats.correlation)))
    opposite = np.sign(seats.parts[..., 0]) != np.sign(seats.parts[..., 1])
    margins = np.median(np.where(opposite, 1, -1) * np.abs(seats.parts).min(axis=-1), axis=0)
    splits = np.median(seats.split, axis=0)
    levels_db = seats.level_db.mean(axis=0)
    found: list[tuple[float, int, tuple[float, float]]] = []
    for index, (low, gap) in enumerate(_SPLITS):
        correlation, margin = abs(float(splits[index])), float(margins[index])
        if opposite[:, index].mean() < AGREE:
            continue
        depths = _dips_db(levels_db, BAND_EDGES_HZ[low], BAND_EDGES_HZ[low + gap])
        if _step_db(levels_db, BAND_EDGES_HZ[low], BAND_EDGES_HZ[low + gap]) > MOST_STEP_DB:
            continue
        for least in SPLIT_EVIDENCE:
            strong = correlation >= max(least.correlation, plain + least.gain) and margin >= least.margin
            deep = max(depths) >= least.dip_db and abs(depths[0] - depths[1]) >= least.lead_db
            if count >= least.seats and strong and deep:
                found.append((correlation + margin, index, depths))
    if not found:
        return None
    _, index, depths = max(found)
    low, gap = _SPLITS[index]
    odd = int(np.argmax(depths))
    clear = depths[odd] >= NAMED_DIP_DB and depths[odd] - depths[1 - odd] >= NAMED_LEAD_DB
    return Relation(
        sign=None,
        correlation=float(splits[index]),
        agree=int(opposite[:, index].sum()),
        seats=count,
        confidence=_confidence(float(splits[index]), count),
        split_hz=float(np.sqrt(BAND_EDGES_HZ[low] * BAND_EDGES_HZ[low + gap])),
        odd=odd if clear else None,
        above=bool(splits[index] > 0),
        dip_db=max(depths),
    )


def _step_db(level_db: FloatArray, low_hz: float, high_hz: float) -> float:
    """How far the ranges below and above a split differ in level against the partner [dB]."""
    centres_hz = _SIXTHS_HZ[1:-1]
    parts = (level_db[centres_hz < low_hz / np.sqrt(2)], level_db[centres_hz > high_hz * np.sqrt(2)])
    return abs(float(np.median(parts[0])) - float(np.median(parts[1]))) if all(map(len, parts)) else 0.0


def _dips_db(level_db: FloatArray, low_hz: float, high_hz: float) -> tuple[float, float]:
    """How deep the first, and the second, dips around a split against the range below and above it [dB]."""
    centres_hz = _SIXTHS_HZ[1:-1]
    low_hz, high_hz = low_hz / np.sqrt(2), high_hz * np.sqrt(2)
    inside = (centres_hz >= low_hz) & (centres_hz <= high_hz)
    below = (centres_hz < low_hz) & (centres_hz >= low_hz / 3)
    above = (centres_hz > high_hz) & (centres_hz <= high_hz * 3)
    base = float(np.mean([np.median(level_db[part]) for part in (below, above) if part.sum() > 1]))
    return base - float(level_db[inside].min()), float(level_db[inside].max()) - base


def subs_correlation(
    bass: tuple[ComplexArray, ComplexArray], arrivals_s: tuple[float, float], freq_hz: FloatArray
) -> float:
    """Correlation of two subwoofers at one seat, 30–200 Hz, first 12 to 24 ms, strongest within 2 ms, with its sign.

    `bass`: complex responses [shape=(n,)] on `freq_hz`, whole hertz from 10 to 320 Hz. Every octave counts alike.
    """
    first, second = (_sub_spectrum(*each, freq_hz) for each in zip(bass, arrivals_s, strict=True))
    grid_hz = np.arange(len(first), dtype=float)
    weight = np.where((grid_hz >= 30) & (grid_hz <= 200), 1 / np.maximum(grid_hz, 1), 0)
    lags_s = np.arange(-10, 11) * 0.0002
    cross = np.exp(2j * np.pi * np.outer(lags_s, grid_hz)) @ (weight * first * np.conj(second))
    energy = np.sqrt((weight * np.abs(first) ** 2).sum() * (weight * np.abs(second) ** 2).sum())
    values = cross.real / max(float(energy), 1e-30)
    return float(values[np.argmax(np.abs(values))])


def subs_relation(correlations: FloatArray, products: FloatArray) -> Relation:
    """Judge two subwoofers from their correlations at the seats and the products of their own signs [shape=(k,) each].

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
    """Spectrum on whole hertz of what a subwoofer does from its onset on, before the room has built up."""
    from scipy import fft

    edges = np.clip((freq_hz - 10) / 10, 0, 1) * np.clip((320 - freq_hz) / 80, 0, 1)
    spectrum = np.zeros(_LENGTH // 2 + 1, complex)
    spectrum[np.rint(freq_hz).astype(int)] = bass * edges * np.exp(2j * np.pi * freq_hz * arrival_s)
    time_s = np.arange(_LENGTH) / _LENGTH
    time_s = np.where(time_s > 0.5, time_s - 1, time_s)
    gate = np.where(time_s < 0, np.clip((time_s + 0.006) / 0.004, 0, 1), np.clip((0.024 - time_s) / 0.012, 0, 1))
    return np.asarray(fft.rfft(fft.irfft(spectrum, _LENGTH) * (0.5 - 0.5 * np.cos(np.pi * gate))))
