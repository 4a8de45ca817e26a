"""Sum of a subwoofer and a main loudspeaker in the octave around their crossover.

In phase, S and M sum to |S| + |M|; the loss is 20·lg (|S + M| / (|S| + |M|)) ≤ 0 dB. Two equal parts with a phase
difference φ lose 20·lg cos(φ/2): 1.25 dB at 60°, 3 dB at 90°. Optima over the delay are flat, and the other polarity half a
period away is nearly as good: a search stays within a quarter of a period of the measured arrival.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from commission.model import ComplexArray, FloatArray

HALF_OCTAVE = np.sqrt(2.0)
INVERTING_GAINS_DB = 1.0
"""Least gain for which the polarity is inverted (a choice of this project, no source)."""
LEAST_LOW_PASS_DB = 12.0
"""Least fall of a subwoofer through the low-pass of its crossover: 16 dB or more with the usual 24 dB per octave,
against about 5 dB without one (common practice, no source)."""
LEAST_HIGH_PASS_DB = 6.0
"""Least fall of a main loudspeaker through its high-pass: 11 dB with 12 dB per octave, less the room's gain below. If
the subwoofers play its bass, it does not fall (common practice, no source)."""
HOLE_DB, LEAST_SEATS = -3.0, 2 / 3
"""A sum has a hole if its mean loss over seats and octave exceeds this, the other polarity gains `INVERTING_GAINS_DB`,
and it gains at this share of the seats: no aligned room of two simulators has one (determined by simulation:
tests/bench/holes.py)."""
LEAST_RESPONSES = 6
OPPOSITE_DEG = 140.0
"""Mean phase beyond which the other polarity is the remedy: slopes that differ by 12 dB per octave cause 90°, two
slopes of 12 dB per octave 180°."""
LEAST_SUBS_SLOPE_DB, LEAST_MAINS_SLOPE_DB = 17.0, 14.0
"""A side that falls by less may have a slope below 18 dB per octave, where wrong polarity and mismatched slopes look
alike: 16 to 21 dB are measured with 24 dB per octave, and rooms add about 4 dB to a low-pass (determined by simulation:
tests/bench/holes.py)."""
THIRD_ORDER_DB = 14.0
"""Limit of a third-order slope: as measured by `slope_db`, a filter of 18 dB per octave falls by 15 dB, one of 12 dB
per octave by 10 (arithmetic)."""
SUBS_RAISED_DB, MAINS_RAISED_DB = 7.0, 10.0
"""Rooms make a low-pass or a high-pass look less steep by up to this much (determined by simulation: tests/bench/holes.py);
the slopes of loudspeakers themselves only add to it."""
SLOPE_GAINS_DB = 3.0
"""With mismatched or different slopes, a hole counts only if delay and polarity would gain this much, also at
`LEAST_SEATS` of the seats."""
SEEN_LATE_S = 1e-3
"""Difference of arrivals that is reason enough to check the delay first."""
FLAT_DB = 0.1
"""Of the delays within this of the best, the one nearest to the measured arrival is used."""
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
    """Power mean level over all responses from 0.45 to 0.65 times the crossover minus that from 1.5 to 2.2 times it [dB].

    `bass` may have any shape that ends with the frequencies. A high-pass makes the result negative, a low-pass positive.
    """
    power = np.mean(np.abs(bass.reshape(-1, bass.shape[-1])) ** 2, axis=0)

    def level(low: float, high: float) -> float:
        inside = (freq_hz >= low * crossover_hz) & (freq_hz <= high * crossover_hz)
        return 10 * float(np.log10(np.maximum(power[inside].mean(), 1e-30))) if inside.any() else float("nan")

    return level(0.45, 0.65) - level(1.5, 2.2)


@dataclass(frozen=True, slots=True, eq=False)
class CrossoverPair:
    """Transfer functions of subwoofers and main loudspeakers through their crossover at each seat."""

    subs: ComplexArray
    """The sum of all subwoofers [shape=(seats, n)]."""
    mains: ComplexArray
    """Each main loudspeaker alone [shape=(mains, seats, n)]."""
    freq_hz: FloatArray
    crossover_hz: float
    seat_share: FloatArray | None = None
    """Weight of each seat [shape=(seats,)]; None: equal weights."""
    low_pass: ComplexArray | None = None
    """Low-pass of the subwoofers as entered in the processor [shape=(n,)]; None: unknown."""
    high_pass: ComplexArray | None = None
    """High-pass of each main loudspeaker as entered in the processor [shape=(mains, n)]; None: unknown."""


def crossover_sum_db(pair: CrossoverPair) -> FloatArray:
    """Mean summation over seats and the octave for each main loudspeaker [dB, shape=(mains,)]."""
    octave = _octave(pair)
    return np.asarray(octave.sums_db(0.0, 1) @ octave.seat_share)


def filters_sum_db(
    low_pass: ComplexArray, high_pass: ComplexArray, freq_hz: FloatArray, crossover_hz: float
) -> float:
    """Sum of the two filters of a crossover alone through its octave, with the better polarity [dB].

    0 for Linkwitz-Riley filters of equal slope; −3 dB where both are equal and a quarter of a period apart, as with
    Butterworth filters of odd order. `low_pass` and `high_pass` are transfer functions [shape=(n,)].
    """
    octave = _octave(CrossoverPair(low_pass[None], high_pass[None, None], freq_hz, crossover_hz))
    return max(octave.mean(0.0, polarity).sum_db for polarity in (1, -1))


@dataclass(frozen=True, slots=True, eq=False)
class CrossoverFit:
    """A common delay and polarity of all subwoofers relative to the main loudspeakers."""

    delay_s: float
    polarity: int
    before_db: FloatArray
    """Mean summation over seats and the octave for each main loudspeaker, as measured [shape=(mains,)]."""
    after_db: FloatArray
    inverting_gains_db: float
    """Gain of the other polarity within the same range of delays; a loss if below zero."""


def fit_crossover(pair: CrossoverPair, around_s: float = 0.0) -> CrossoverFit:
    """The delay and polarity of the subwoofers' sum that suit all mains best.

    `around_s` is the delay that makes the measured arrivals coincide: the search covers ± a quarter of the period of the
    crossover around it. All mains and seats are pooled. ValueError without a frequency in the octave.
    """
    octave = _octave(pair)
    kept, turned = octave.best(around_s, 1), octave.best(around_s, -1)
    gains = turned.sum_db - kept.sum_db
    best = turned if gains >= INVERTING_GAINS_DB else kept
    before_db, after_db = (
        octave.sums_db(*each) @ octave.seat_share for each in ((0.0, 1), (best.delay_s, best.polarity))
    )
    return CrossoverFit(best.delay_s, best.polarity, before_db, after_db, gains)


HoleReason = Literal["polarity", "delay", "slope"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossoverHole:
    """Partial cancellation of subwoofers and mains at most seats, and the setting of the subwoofers that removes it."""

    reason: HoleReason
    delay_s: float
    """Delay to add to the subwoofers."""
    polarity: int
    loss_db: float
    """Mean summation over mains, seats and octave, as measured; below zero."""
    gain_db: float
    """Gain of that delay and polarity."""
    inverting_gains_db: float
    seat_share: float
    """Share of the seats at which the other polarity alone helps."""
    gain_seat_share: float
    """Share of the seats at which that delay and polarity gain `SLOPE_GAINS_DB` or more."""


def find_hole(
    pair: CrossoverPair, around_s: float = 0.0, reach_s: tuple[float, float] = (-np.inf, np.inf)
) -> CrossoverHole | None:
    """The hole in the sum through the crossover, all mains pooled; None without one. `around_s` as for `fit_crossover`.

    `reach_s` are the least and the largest delay that can be added to the subwoofers. With fewer than `LEAST_RESPONSES`
    responses of mains, the mean scatters by as much as a hole.
    """
    octave = _octave(pair, reach_s)
    now_db, turned = octave.sums_db(0.0, 1), octave.mean(0.0, -1)
    counted = octave.seat_share > 0
    gained = np.mean(octave.sums_db(0.0, -1) - now_db, axis=0)[counted] > 0
    loss_db = float(np.mean(now_db @ octave.seat_share))
    gains_db = turned.sum_db - loss_db
    if loss_db > HOLE_DB or gains_db < INVERTING_GAINS_DB or gained.mean() < LEAST_SEATS:
        return None
    reason, mend = octave.mend(around_s, _is_flat(pair))
    added_db = np.mean(octave.sums_db(mend.delay_s, mend.polarity) - now_db, axis=0)[counted]
    much = float(np.mean(added_db >= SLOPE_GAINS_DB))
    if len(pair.mains) * int(counted.sum()) < LEAST_RESPONSES or (
        reason == "slope" and (mend.sum_db - loss_db < SLOPE_GAINS_DB or much < LEAST_SEATS)
    ):
        return None
    return CrossoverHole(
        reason=reason,
        delay_s=mend.delay_s,
        polarity=mend.polarity,
        loss_db=loss_db,
        gain_db=mend.sum_db - loss_db,
        inverting_gains_db=gains_db,
        seat_share=float(gained.mean()),
        gain_seat_share=much,
    )


def _is_flat(pair: CrossoverPair) -> bool:
    """Whether low-pass or high-pass falls by less than in usual crossovers: as entered, otherwise as measured."""

    def slope(of: ComplexArray) -> float:
        return slope_db(of, pair.freq_hz, pair.crossover_hz)

    low_pass, high_pass = slope(pair.subs), -slope(pair.mains)
    flat_subs, flat_mains = low_pass < LEAST_SUBS_SLOPE_DB, high_pass < LEAST_MAINS_SLOPE_DB
    if pair.low_pass is not None:
        entered_db = slope(pair.low_pass)
        flat_subs = entered_db < THIRD_ORDER_DB or low_pass < entered_db - SUBS_RAISED_DB
    if pair.high_pass is not None and (entered_db := -slope(pair.high_pass)) >= THIRD_ORDER_DB:
        flat_mains = high_pass < entered_db - MAINS_RAISED_DB
    return flat_subs or flat_mains


class _Sum(NamedTuple):
    """A delay and polarity of the subwoofers, and the mean summation over mains, seats and the octave."""

    delay_s: float
    polarity: int
    sum_db: float


@dataclass(frozen=True, slots=True, eq=False)
class _Octave:
    """Subwoofers [shape=(seats, k)] and mains [shape=(mains, seats, k)] through the octave, with weights."""

    subs: ComplexArray
    mains: ComplexArray
    freq_hz: FloatArray
    crossover_hz: float
    seat_share: FloatArray
    freq_share: FloatArray
    reach_s: tuple[float, float]

    def sums_db(self, delay_s: float, polarity: int) -> FloatArray:
        """Mean summation over the octave [shape=(mains, seats)]."""
        turned = polarity * self.subs * np.exp(-2j * np.pi * self.freq_hz * delay_s)
        return np.asarray(summation_db(turned, self.mains) @ self.freq_share)

    def mean(self, delay_s: float, polarity: int) -> _Sum:
        """Mean with this delay and polarity."""
        return _Sum(delay_s, polarity, float(np.mean(self.sums_db(delay_s, polarity) @ self.seat_share)))

    def best(self, around_s: float, polarity: int) -> _Sum:
        """Best delay within a quarter of a period and within reach; of equally good ones, the nearest to `around_s`."""
        delays = np.unique(np.clip(around_s + np.linspace(-0.25, 0.25, DELAYS) / self.crossover_hz, *self.reach_s))
        found = [self.mean(float(d), polarity) for d in delays]
        highest = max(each.sum_db for each in found)
        good = [each for each in found if each.sum_db >= highest - FLAT_DB]
        return min(good, key=lambda each: abs(each.delay_s - around_s))._replace(sum_db=highest)

    def phase_deg(self) -> float:
        """Mean phase between mains and subwoofers, 0 to 180; weighted towards frequencies where both are equally loud."""
        cross = np.conj(self.subs) * self.mains
        loud = np.maximum(np.abs(self.subs) ** 2, np.abs(self.mains) ** 2)
        mean = np.einsum("msf,s,f->", cross / np.maximum(loud, 1e-300), self.seat_share, self.freq_share)
        return abs(float(np.degrees(np.angle(mean))))

    def mend(self, around_s: float, is_flat: bool) -> tuple[HoleReason, _Sum]:
        """The likely cause and its remedy. `is_flat`: one side falls by less than in usual crossovers."""
        turned, later, both = self.mean(0.0, -1), self.best(around_s, 1), self.best(around_s, -1)
        best = max(turned, later, both, key=lambda each: each.sum_db)
        if abs(around_s) >= SEEN_LATE_S and later.sum_db >= best.sum_db - INVERTING_GAINS_DB:
            return "delay", later
        if self.phase_deg() >= OPPOSITE_DEG:  # as two slopes of 12 dB per octave sum with the correct polarity
            return ("slope" if is_flat else "polarity"), turned
        if is_flat:
            return "slope", best
        if turned.sum_db >= max(later.sum_db, both.sum_db - INVERTING_GAINS_DB):
            return "polarity", turned
        return ("delay", later) if later.sum_db >= both.sum_db - INVERTING_GAINS_DB else ("slope", both)


def _octave(pair: CrossoverPair, reach_s: tuple[float, float] = (-np.inf, np.inf)) -> _Octave:
    octave = crossover_octave(pair.freq_hz, pair.crossover_hz)
    if not len(octave):
        raise ValueError(f"no frequency is within half an octave of {pair.crossover_hz:g} Hz")
    share = np.ones(len(pair.subs)) if pair.seat_share is None else np.asarray(pair.seat_share, dtype=float)
    freq_hz = pair.freq_hz[octave]
    width = np.diff(np.log(_edges(freq_hz)))
    return _Octave(
        subs=pair.subs[:, octave],
        mains=pair.mains[:, :, octave],
        freq_hz=freq_hz,
        crossover_hz=pair.crossover_hz,
        seat_share=share / share.sum(),
        freq_share=width / width.sum(),
        reach_s=reach_s,
    )


def _edges(freq_hz: FloatArray) -> FloatArray:
    """Boundaries of the intervals around each frequency on the logarithmic axis [shape=(n + 1,)]."""
    if len(freq_hz) == 1:
        return np.array([freq_hz[0] / HALF_OCTAVE, freq_hz[0] * HALF_OCTAVE])
    middle = np.sqrt(freq_hz[1:] * freq_hz[:-1])
    return np.concatenate((freq_hz[:1] ** 2 / middle[:1], middle, freq_hz[-1:] ** 2 / middle[-1:]))
