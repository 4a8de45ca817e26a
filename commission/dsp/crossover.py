"""How a subwoofer and a main loudspeaker add through the octave around their crossover.

In phase, S and M sum to |S| + |M|; the loss is 20·lg (|S + M| / (|S| + |M|)) ≤ 0 dB. Two equal parts with a phase
difference φ lose 20·lg cos(φ/2): 1.25 dB at 60°, 3 dB at 90°. Optima over the delay are flat, and the other polarity half a
period away is nearly as good: a search stays within a quarter of a period of the measured arrival.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from commission.model import ComplexArray, FloatArray

HALF_OCTAVE = np.sqrt(2.0)
INVERTING_GAINS_DB = 1.0
"""The polarity is turned only where that gains this much (a choice of this project, no source)."""
LEAST_LOW_PASS_DB = 12.0
"""A subwoofer falls by this much at least through the low-pass of its crossover: 16 dB or more with 24 dB per octave, which
is usual, against 5 dB or so with none (common practice, no source)."""
LEAST_HIGH_PASS_DB = 6.0
"""A main loudspeaker falls by this much at least through its high-pass: 11 dB with 12 dB per octave, less what a room adds
below. With the subwoofers playing its bass it does not fall (common practice, no source)."""
FLAT_DB = 0.1
"""Of delays within this of the best the one nearest to the measured arrival is taken."""
DELAYS = 121


def crossover_octave(freq_hz: FloatArray, crossover_hz: float) -> FloatArray:
    """Indices of the frequencies within half an octave of the crossover [shape=(k,)]."""
    inside = (freq_hz >= crossover_hz / HALF_OCTAVE) & (freq_hz <= crossover_hz * HALF_OCTAVE)
    return np.asarray(np.nonzero(inside)[0])


def summation_db(subs: ComplexArray, mains: ComplexArray) -> FloatArray:
    """20·lg (|S + M| / (|S| + |M|)) [dB, the broadcast shape]; 0 where neither plays."""
    ideal = np.abs(subs) + np.abs(mains)
    silent = ideal <= 0
    ratio = np.abs(subs + mains) / np.where(silent, 1.0, ideal)
    return np.where(silent, 0.0, 20 * np.log10(np.maximum(ratio, 1e-6)))


def slope_db(bass: ComplexArray, freq_hz: FloatArray, crossover_hz: float) -> float:
    """Level from 0.45 to 0.65 times the crossover minus that from 1.5 to 2.2 times it [dB], power mean over all responses.

    `bass` is of any shape that ends with the frequencies. A high-pass makes it negative, a low-pass positive.
    """
    power = np.mean(np.abs(bass.reshape(-1, bass.shape[-1])) ** 2, axis=0)

    def level(low: float, high: float) -> float:
        inside = (freq_hz >= low * crossover_hz) & (freq_hz <= high * crossover_hz)
        return 10 * float(np.log10(np.maximum(power[inside].mean(), 1e-30))) if inside.any() else float("nan")

    return level(0.45, 0.65) - level(1.5, 2.2)


@dataclass(frozen=True, slots=True, eq=False)
class CrossoverFit:
    """A common delay and polarity of all subwoofers against the main loudspeakers."""

    delay_s: float
    polarity: int
    before_db: FloatArray
    """Mean of the summation over seats and the octave for each main loudspeaker, as it was [shape=(mains,)]."""
    after_db: FloatArray
    inverting_gains_db: float
    """What the other polarity would gain within the same range of delays; below zero: it would lose."""


def fit_crossover(
    subs: ComplexArray,
    mains: ComplexArray,
    freq_hz: FloatArray,
    crossover_hz: float,
    around_s: float = 0.0,
    seat_share: FloatArray | None = None,
) -> CrossoverFit:
    """The delay and polarity of the sum of the subwoofers [shape=(seats, n)] that suit all mains [shape=(mains, seats, n)].

    `around_s` is the delay that makes the measured arrivals coincide: the search covers ± a quarter of the period of the
    crossover around it. All mains and seats are pooled. ValueError without a frequency in the octave.
    """
    octave = crossover_octave(freq_hz, crossover_hz)
    if not len(octave):
        raise ValueError(f"no frequency is within half an octave of {crossover_hz:g} Hz")
    sub, main, f = subs[:, octave], mains[:, :, octave], freq_hz[octave]
    share = np.ones(len(sub)) if seat_share is None else np.asarray(seat_share, dtype=float)
    weight = np.outer(share / share.sum(), np.diff(np.log(_edges(f))))
    weight /= weight.sum()
    delays = around_s + np.linspace(-0.25, 0.25, DELAYS) / crossover_hz

    def means(delay_s: float, sign: int) -> FloatArray:
        turned = sign * sub * np.exp(-2j * np.pi * f * delay_s)
        return np.asarray(np.einsum("msf,sf->m", summation_db(turned, main), weight))

    found = {sign: np.array([means(float(d), sign).mean() for d in delays]) for sign in (1, -1)}
    gains = float(found[-1].max() - found[1].max())
    sign = -1 if gains >= INVERTING_GAINS_DB else 1
    good = np.nonzero(found[sign] >= found[sign].max() - FLAT_DB)[0]
    best = float(delays[good[np.argmin(np.abs(delays[good] - around_s))]])
    return CrossoverFit(best, sign, means(0.0, 1), means(best, sign), gains)


def _edges(freq_hz: FloatArray) -> FloatArray:
    """Edges of the parts of the logarithmic axis around each frequency [shape=(n + 1,)]."""
    if len(freq_hz) == 1:
        return np.array([freq_hz[0] / HALF_OCTAVE, freq_hz[0] * HALF_OCTAVE])
    middle = np.sqrt(freq_hz[1:] * freq_hz[:-1])
    return np.concatenate((freq_hz[:1] ** 2 / middle[:1], middle, freq_hz[-1:] ** 2 / middle[-1:]))
