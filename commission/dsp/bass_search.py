"""A deterministic search for gains, delays and polarities of subwoofers that give all seats nearly the same bass.

Cost = mean spatial variance [dB²] + price [dB²/dB] · output lost [dB] (`dsp.bass_sum`); with a target curve also half
the variance over frequency of the seats' mean level minus the target. Many settings are compared at few frequencies.
The best of each combination of polarities are refined by damped least squares (Levenberg 1944, Marquardt 1963, from
memory), all in one batch: the variance is a sum of squares, so that JᵀJ is most of its curvature. New starts are
derived from the best: one delay and polarity is changed, or each subwoofer is taken from one of two settings (the
crossover of evolutionary algorithms, from memory). The result is rounded to the steps of the processor and searched
again on these steps.

A setting must also be good when conditions differ slightly from the measurement. `robustness` computes the variance
with gains, delays, positions of the seats and temperature a little off; of the best settings the one with the lowest
mean cost is proposed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.bass_sum import (
    DB_PER_NEPER,
    SubResponses,
    SubSettings,
    level_matched_db,
    output_db,
    power_sum_db,
    spatial_variance_db2,
    sum_levels_db,
    target_variance_db2,
    unchanged,
)
from commission.model import CancelToken, ComplexArray, FloatArray, freeze

PRICE_DB2_PER_DB = 1.0
"""Price of a decibel of lost output. Where seats differ by 3 dB, half of the power is given up only for half a decibel
of evenness or more; less is hardly heard (a choice of this project, no source; `tests/bench/bass.py`)."""
TARGET_SHARE = 0.5
"""Cost of a dB² off the target, relative to one between seats (a choice of this project, no source)."""
SCREENED, STARTS = 8192, 128
"""Number of settings that are tried, and of those from which a search starts."""
GENERATIONS, PARENTS, CHILDREN, FROM_EACH, PLACES = 4, 32, 128, 4, 61
"""How often new settings are derived from the best ones, number of these, crossed settings searched, settings with
single delays changed, and delays tried. Without this, costs were up to 1.4 dB² higher in 26 rooms (4 subwoofers, 12
seats), and 1.1 dB² with 8 subwoofers and 20 seats."""
CROSSED_OFF_S = 1e-3
"""Standard deviation of the random change of the delays of crossed settings (found by trial, no source)."""
SCREENED_OF_TWO, STARTS_OF_TWO = 4096, 48
"""Enough for two subwoofers: `tests/dsp/test_bass_search.py` compares with brute force."""
AT_ONCE = 64
"""Settings whose derivatives are calculated together: few enough for the processor's cache."""
STEPS = 40
"""Steps of least squares; most starts need about fifteen."""
LEAST_STEP_DB2 = 5e-3
"""A step that gains less ends a descent: far less than what rounding to the steps of a processor changes."""
LIMITED_FROM = 1.0
"""From this price [dB²/dB] on, a step that would raise a subwoofer beyond its limit leaves it there. At lower prices
the others become softer instead, so that the gains keep the intended ratios. With only one of the two rules, costs were
up to 1.3 dB² higher at the ends of the trade."""
RACE_STEPS = 6
"""Number of steps after which only the better starts continue."""
ROBUSTNESS_CANDIDATES = 10
COARSE = 3
"""Every third frequency is enough for the screening."""
SLOPE_LIMIT = 8.0
"""Limit for derivatives of the level near a null, where the linear model is not valid."""
GAIN_OFF_DB, DELAY_OFF_S, SEAT_OFF_M, TEMPERATURE_OFF_K = 0.5, 0.1e-3, 0.05, 3.0
"""Assumed errors of gains, delays, seats and temperature (common practice, no source)."""
SEAT_DRAWS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchBounds:
    """Permitted settings. Delays and gains are changes from the measurement; arrays have one value for each subwoofer."""

    gain_spread_db: float = 12.0
    """Largest difference between the gains of two subwoofers, beyond those that make them equally loud."""
    delay_low_s: FloatArray
    delay_high_s: FloatArray
    gain_low_db: FloatArray
    gain_high_db: FloatArray

    def __post_init__(self) -> None:
        for name in ("delay_low_s", "delay_high_s", "gain_low_db", "gain_high_db"):
            object.__setattr__(self, name, freeze(getattr(self, name), float))


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingGrid:
    """The changes that a processor can make: origin + k·step for each subwoofer [shape=(subs,)]."""

    gain_origin_db: FloatArray
    gain_step_db: float
    delay_origin_s: FloatArray
    delay_step_s: float

    def rounded(self, settings: SubSettings) -> SubSettings:
        """The nearest settings on the grid, without regard to ranges."""
        gain = np.round((settings.gain_db - self.gain_origin_db) / self.gain_step_db) * self.gain_step_db
        delay = np.round((settings.delay_s - self.delay_origin_s) / self.delay_step_s) * self.delay_step_s
        return SubSettings(gain + self.gain_origin_db, delay + self.delay_origin_s, settings.polarity)


@dataclass(frozen=True, slots=True)
class Figures:
    """Evenness and loudness of the sum with some settings."""

    variance_db2: float
    output_db: float
    cost: float

    @property
    def sd_db(self) -> float:
        """Seat-to-seat standard deviation."""
        return math.sqrt(self.variance_db2)


def figures(room: SubResponses, settings: SubSettings, price: float = PRICE_DB2_PER_DB) -> Figures:
    """Variance, output and cost of one setting, evaluated without rounding."""
    return _figures(_Space(room), settings, price)


def _figures(space: _Space, settings: SubSettings, price: float) -> Figures:
    variance, output, off = _variance_output_off(space, settings)
    return Figures(float(variance), float(output), float(variance - price * output + TARGET_SHARE * off))


def _variance_output_off(space: _Space, settings: SubSettings) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Variance over the seats [dB²], output [dB], variance off the target [dB²; 0 without one]."""
    room = space.room
    levels = sum_levels_db(room, settings)
    output = output_db(room, settings, space.alike_db, levels, space.power_db)
    off: FloatArray = np.zeros(np.shape(output))
    if room.target_db is not None:
        off = target_variance_db2(
            np.einsum("...sf,s->...f", levels, room.seat_share), room.target_db, room.freq_share
        )
    return spatial_variance_db2(levels, room.seat_share, room.freq_share), output, off


class _Space:
    """A room with the quantities that every evaluation needs; `values` are in single precision, which halves the time."""

    def __init__(self, room: SubResponses, alike_db: FloatArray | None = None) -> None:
        self.room = room
        self.values: ComplexArray = room.values.astype(np.complex64)
        self.alike_db = level_matched_db(room) if alike_db is None else alike_db
        self.power_db = power_sum_db(room, self.alike_db)

    def coarse(self, every: int) -> _Space:
        """The same room at every `every`-th frequency."""
        room = self.room
        target = None if room.target_db is None else room.target_db[::every]
        few = SubResponses(
            room.values[..., ::every], room.freq_hz[::every], room.seat_share, room.freq_share[::every], target
        )
        return _Space(few, self.alike_db)


# --- least squares in a batch -------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Batch:
    """Settings in progress: gain against equal loudness [dB] and delay [0.1 ms] of all subwoofers [shape=(b, subs)]."""

    gain: FloatArray
    delay: FloatArray
    polarity: NDArray[np.int_]
    cost: FloatArray

    def take(self, index: NDArray[np.int_] | slice) -> _Batch:
        return _Batch(self.gain[index], self.delay[index], self.polarity[index], self.cost[index])


UNIT_S = 1e-4


def _settings(space: _Space, batch: _Batch) -> SubSettings:
    return SubSettings(batch.gain + space.alike_db, batch.delay * UNIT_S, batch.polarity)


def _batch_of(space: _Space, settings: SubSettings) -> _Batch:
    gain = np.atleast_2d(settings.gain_db) - space.alike_db
    return _Batch(
        gain.copy(),
        np.atleast_2d(settings.delay_s) / UNIT_S,
        np.atleast_2d(settings.polarity).copy(),
        np.full(len(gain), np.inf),
    )


def _permitted(
    bounds: SearchBounds, space: _Space, gain: FloatArray, delay: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The nearest permitted settings; common gain and common delay are free, since no variance depends on them."""
    gain = np.maximum(gain - gain.max(axis=-1, keepdims=True), -bounds.gain_spread_db) + space.alike_db
    gain = _shift_into_range(gain, bounds.gain_low_db, bounds.gain_high_db) - space.alike_db
    delay = _shift_into_range(delay, bounds.delay_low_s / UNIT_S, bounds.delay_high_s / UNIT_S)
    return gain - gain.max(axis=-1, keepdims=True), delay


def _shift_into_range(values: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Values shifted together into their ranges as far as possible, then clipped."""
    over = np.maximum((values - high).max(axis=-1, keepdims=True), 0.0)
    under = np.maximum((low - values).max(axis=-1, keepdims=True), 0.0)
    return np.asarray(np.clip(values - over + under, low, high))


def _fits(values: FloatArray, low: FloatArray, high: FloatArray) -> NDArray[np.bool_]:
    """Whether a common shift brings all values into their ranges [shape=(…,)]."""
    return np.asarray((low - values).max(axis=-1) <= (high - values).min(axis=-1) + 1e-9)


def _factors(space: _Space, batch: _Batch) -> ComplexArray:
    """`SubSettings.factors` of a batch in single precision [shape=(b, subs, n)]."""
    size = (batch.polarity * 10 ** ((batch.gain + space.alike_db) / 20)).astype(np.float32)[..., None]
    phase = (-2 * np.pi * UNIT_S * batch.delay[..., None] * space.room.freq_hz).astype(np.float32)
    out = np.empty(phase.shape, np.complex64)
    np.multiply(size, np.cos(phase), out=out.real)
    np.multiply(size, np.sin(phase), out=out.imag)
    return out


def _linearised(space: _Space, batch: _Batch, share: FloatArray, price: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(gradient, JᵀJ) of the cost for each of a batch, with respect to gain and delay of all subwoofers."""
    room, values = space.room, space.values
    parts = _factors(space, batch)[:, :, None] * values  # shape (b, subs, seats, n)
    total = parts.sum(axis=1)
    power = np.maximum(total.real**2 + total.imag**2, (np.abs(values).max() * np.float32(1e-9)) ** 2)
    parts *= (np.conj(total) / power)[:, None]
    b, subs, seats, n = parts.shape
    slopes = np.empty((b, 2 * subs, seats, n), np.float32)
    slopes[:, :subs] = parts.real
    per_unit = (DB_PER_NEPER * 2 * np.pi * UNIT_S * room.freq_hz).astype(np.float32)
    np.multiply(parts.imag, per_unit, out=slopes[:, subs:])
    np.clip(slopes, -SLOPE_LIMIT, SLOPE_LIMIT, out=slopes)
    share, freq_share = share.astype(np.float32), room.freq_share.astype(np.float32)
    levels = 10 * np.log10(power)
    mean = np.matmul(share[:, None], levels)[:, 0]
    slope_mean = np.matmul(share[:, None, None, :], slopes)[:, :, 0, :]
    root = np.sqrt(share[:, :, None] * freq_share)
    apart = ((levels - mean[:, None]) * root).reshape(b, -1)
    slopes *= root[:, None]
    flat = slopes.reshape(b, 2 * subs, -1)
    gradient = 2 * np.matmul(flat, apart[:, :, None])[:, :, 0] - price[:, None] * (slope_mean @ freq_share)
    curve = 2.0 * (
        np.matmul(flat, flat.transpose(0, 2, 1)) - np.matmul(slope_mean * freq_share, slope_mean.transpose(0, 2, 1))
    )
    if room.target_db is not None:
        off = mean - room.target_db
        off -= (off @ room.freq_share)[:, None]
        off_slope = slope_mean - (slope_mean @ room.freq_share)[..., None]
        weighted = off_slope * room.freq_share
        gradient += 2 * TARGET_SHARE * np.matmul(weighted, off[:, :, None])[:, :, 0]
        curve += 2 * TARGET_SHARE * np.matmul(weighted, off_slope.transpose(0, 2, 1))
    return gradient, curve


def _descend(
    space: _Space,
    bounds: SearchBounds,
    batch: _Batch,
    *,
    share: FloatArray | None = None,
    price: FloatArray | float = PRICE_DB2_PER_DB,
    steps: int = STEPS,
    stop: Callable[[], bool] = lambda: False,
) -> _Batch:
    """Damped least squares from all starts at once; a step is kept where it lowers the cost."""
    count = len(batch.gain)
    shares = np.broadcast_to(space.room.seat_share if share is None else share, (count, len(space.room.seat_share)))
    prices = np.broadcast_to(np.asarray(price, dtype=float), (count,))
    gain, delay = _permitted(bounds, space, batch.gain, batch.delay)
    now = _Batch(gain, delay, batch.polarity, batch.cost)
    now.cost = _costs(space, now, prices, shares)
    subs = space.room.subs
    gradient, curve = np.empty((count, 2 * subs)), np.empty((count, 2 * subs, 2 * subs))
    damping = np.full(count, 1e-2)
    active = moved = np.arange(count)
    for _ in range(steps):
        if not len(active) or stop():
            break
        for start in range(0, len(moved), AT_ONCE):
            rows = moved[start : start + AT_ONCE]
            gradient[rows], curve[rows] = _linearised(space, now.take(rows), shares[rows], prices[rows])
        left, slope = curve[active], gradient[active]
        diagonal = np.einsum("bpp->bp", left)  # a view
        scale = diagonal + 0.02 * diagonal.max(axis=1, keepdims=True) + 1e-9
        free = np.ones(slope.shape)
        free[:, :subs] = (now.gain[active] < -1e-9) | (slope[:, :subs] > 0)  # the loudest one stays at its limit
        left *= free[:, :, None] * free[:, None, :]
        diagonal += damping[active, None] * scale + 1e-9
        step = -np.linalg.solve(left, (slope * free)[:, :, None])[:, :, 0]
        step = np.clip(step, -6.0, 6.0) * np.concatenate((np.ones(subs), np.full(subs, 4.0)))
        old = now.take(active)
        gain = old.gain + step[:, :subs]
        gain = np.where(prices[active, None] < LIMITED_FROM, gain, np.minimum(gain, 0.0))
        gain, delay = _permitted(bounds, space, gain, old.delay + step[:, subs:])
        trial = _Batch(gain, delay, old.polarity, old.cost)
        cost = _costs(space, trial, prices[active], shares[active])
        better = cost < old.cost
        went = active[better]
        gained = np.where(better, old.cost - cost, np.inf)
        now.gain[went], now.delay[went], now.cost[went] = gain[better], delay[better], cost[better]
        damping[active] = np.where(better, damping[active] / 4, damping[active] * 5)
        goes_on = (gained > LEAST_STEP_DB2) & (damping[active] < 1e4)
        active, moved = active[goes_on], active[goes_on & better]
    return now


# --- the search ---------------------------------------------------------------------------------------------------


def _recurrence(count: int, dimensions: int) -> FloatArray:
    """Points that fill a unit cube evenly [shape=(count, d)]: additive recurrence with powers of 1/φ, φ^(d+1) = φ + 1."""
    phi = 2.0
    for _ in range(40):
        phi = (1 + phi) ** (1 / (dimensions + 1))
    alpha = (1 / phi) ** np.arange(1, dimensions + 1)
    return np.asarray((0.5 + np.arange(1, count + 1)[:, None] * alpha) % 1.0)


def polarities(subs: int) -> NDArray[np.int_]:
    """Every combination that sounds different [shape=(2^(subs−1), subs)]; the first subwoofer keeps its polarity."""
    return np.array([(1, *rest) for rest in product((1, -1), repeat=subs - 1)], dtype=int)


def _best_starts(space: _Space, bounds: SearchBounds, price: float, stop: Callable[[], bool]) -> _Batch:
    """The best starts of each combination of polarities, from settings spread evenly over the permitted ranges."""
    subs = space.room.subs
    signs = polarities(subs)
    screened, starts = _search_size(subs)
    each = max(screened // len(signs), 24)
    points = _recurrence(each, 2 * subs)
    low, high = bounds.delay_low_s / UNIT_S, bounds.delay_high_s / UNIT_S
    gain = -0.75 * bounds.gain_spread_db * points[:, :subs] ** 2  # few settings gain from a nearly silent subwoofer
    gain, delay = _permitted(bounds, space, gain, low + (high - low) * points[:, subs:])
    few = space.coarse(COARSE)
    chosen = []
    keep = max(2, starts // len(signs))
    for sign in signs:
        batch = _Batch(gain, delay, np.tile(sign, (len(gain), 1)), np.empty(len(gain)))
        batch.cost = _costs(few, batch, price)
        chosen.append(batch.take(np.argsort(batch.cost, kind="stable")[:keep]))
        if stop():
            break
    every = _concatenate(chosen)
    order = np.argsort(every.cost, kind="stable")
    return every.take(order[: 2 * starts if subs > 4 else starts])


def _search_size(subs: int) -> tuple[int, int]:
    """(settings to try, starts among them)."""
    return (SCREENED_OF_TWO, STARTS_OF_TWO) if subs <= 2 else (SCREENED, STARTS)


def _concatenate(batches: list[_Batch]) -> _Batch:
    return _Batch(*(np.concatenate([getattr(b, name) for b in batches]) for name in _Batch.__slots__))


def _costs(space: _Space, batch: _Batch, price: FloatArray | float, share: FloatArray | None = None) -> FloatArray:
    """Cost of each setting of a batch in single precision; price and seat shares may differ for each."""
    room, out = space.room, np.empty(len(batch.gain))
    price = np.broadcast_to(price, out.shape)
    share = np.broadcast_to(room.seat_share if share is None else share, (len(out), len(room.seat_share)))
    shares, freq_share = share.astype(np.float32)[..., None], room.freq_share.astype(np.float32)
    for start in range(0, len(out), 256):
        part = slice(start, start + 256)
        factors = _factors(space, batch.take(part))
        total = np.matmul(factors.transpose(2, 0, 1), space.values.transpose(2, 0, 1)).transpose(1, 0, 2)
        levels = 10 * np.log10(total.real**2 + total.imag**2 + np.float32(1e-30))  # (b, n, seats)
        mean = np.matmul(levels, shares[part])
        variance = np.matmul(np.square(levels - mean), shares[part])[..., 0]
        mean = mean[..., 0]
        lost = space.power_db + batch.gain[part].max(axis=1) - mean @ freq_share
        out[part] = variance @ freq_share + price[part] * lost
        if room.target_db is not None:
            out[part] += TARGET_SHARE * target_variance_db2(mean, room.target_db, room.freq_share)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class SearchResult:
    """Settings in order of their cost, and whether the search was stopped early."""

    settings: SubSettings
    costs: FloatArray
    stopped: bool = False


def search(
    room: SubResponses,
    bounds: SearchBounds,
    price: float = PRICE_DB2_PER_DB,
    cancel: CancelToken | None = None,
    progress: Callable[[float], None] = lambda share: None,
    also: SubSettings | None = None,
) -> SearchResult:
    """Settings without a grid, best first, no two alike; `also` are further settings to start from.

    Deterministic. After `cancel` it returns the best found by then. With one subwoofer there is nothing to search.
    """
    if room.subs == 1:
        return SearchResult(unchanged(1)[None], np.array([figures(room, unchanged(1), price).cost]))
    space, stop = _Space(room), _stop(cancel)
    _, count = _search_size(room.subs)
    starts = [_best_starts(space, bounds, price, stop), _batch_of(space, unchanged(room.subs))]
    starts += [] if also is None else [_batch_of(space, also)]
    progress(0.2)
    few = space.coarse(2)
    rough = _best(_descend(few, bounds, _concatenate(starts), price=price, steps=RACE_STEPS, stop=stop), 2 * count)
    rough = _best(_descend(few, bounds, rough, price=price, steps=RACE_STEPS, stop=stop), 2 * PARENTS)
    progress(0.4)
    parents = _best(_descend(space, bounds, rough, price=price, stop=stop), PARENTS)
    generations = 1 if room.subs <= 2 else GENERATIONS
    random, seen = np.random.default_rng(1), np.empty(0)
    for k in range(generations):
        if stop():
            break
        new = parents.take(np.nonzero(~np.isin(parents.cost, seen))[0][:FROM_EACH])
        seen = np.concatenate((seen, new.cost))
        children = _concatenate(
            [_vary_delays(space, bounds, new, price), _recombine(space, bounds, parents, price, random)]
        )
        rough = _best(_descend(few, bounds, children, price=price, steps=RACE_STEPS, stop=stop), 2 * PARENTS)
        parents = _best(_concatenate([parents, _descend(space, bounds, rough, price=price, stop=stop)]), PARENTS)
        progress(0.4 + 0.6 * (k + 1) / generations)
    return _ranked(space, parents, price, stopped=stop())


def _ranked(space: _Space, batch: _Batch, price: float, *, stopped: bool = False) -> SearchResult:
    """The best of a batch, ranked by cost at all frequencies in double precision."""
    settings = _settings(space, batch)[: min(ROBUSTNESS_CANDIDATES, len(batch.cost))]
    costs = np.array([_figures(space, settings[k], price).cost for k in range(len(settings.gain_db))])
    order = np.argsort(costs, kind="stable")
    settings = SubSettings(settings.gain_db[order], settings.delay_s[order], settings.polarity[order])
    return SearchResult(settings, costs[order], stopped)


def _stop(cancel: CancelToken | None) -> Callable[[], bool]:
    return (lambda: False) if cancel is None else cancel.is_set


def _vary_delays(space: _Space, bounds: SearchBounds, best: _Batch, price: float) -> _Batch:
    """For each of the best, each subwoofer and each polarity: the two best values of its delay with all others kept.

    Least squares does not cross a ridge; a delay alone can be tried over its whole range.
    """
    subs = space.room.subs
    every = best.take(np.repeat(np.arange(len(best.cost)), subs * 2 * PLACES))
    delay, sign = (each.reshape(-1, subs, 2, PLACES, subs) for each in (every.delay, every.polarity))
    for i in range(subs):
        delay[:, i, :, :, i] = np.linspace(bounds.delay_low_s[i] / UNIT_S, bounds.delay_high_s[i] / UNIT_S, PLACES)
        sign[:, i, 1, :, i] *= -1
    every.cost = _costs(space.coarse(2), every, price)
    cost = np.pad(every.cost.reshape(-1, PLACES), ((0, 0), (1, 1)), constant_values=np.inf)
    here = cost[:, 1:-1]
    lowest = np.where((here <= cost[:, :-2]) & (here < cost[:, 2:]), here, np.inf)
    index = PLACES * np.arange(len(lowest))[:, None] + np.argsort(lowest, axis=1, kind="stable")[:, :2]
    return every.take(index[np.isfinite(lowest.ravel()[index])])


def _recombine(
    space: _Space, bounds: SearchBounds, parents: _Batch, price: float, random: np.random.Generator
) -> _Batch:
    """The best of many settings that take some subwoofers from one parent and the others from another."""
    one, other = (parents.take(random.integers(0, len(parents.cost), 4 * CHILDREN)) for _ in range(2))
    taken = random.random(one.gain.shape) < 0.5
    stay = np.maximum((~taken).sum(axis=1), 1)
    later = (np.where(taken, 0.0, one.delay - other.delay).sum(axis=1) / stay)[:, None]
    later = later + random.normal(0.0, CROSSED_OFF_S / UNIT_S, taken.shape)
    turned = np.where(random.random((len(taken), 1)) < 0.5, -1, 1)
    gain, delay = _permitted(
        bounds, space, np.where(taken, other.gain, one.gain), np.where(taken, other.delay + later, one.delay)
    )
    children = _Batch(gain, delay, np.where(taken, turned * other.polarity, one.polarity), one.cost)
    children.cost = _costs(space.coarse(COARSE), children, price)
    return children.take(np.argsort(children.cost, kind="stable")[:CHILDREN])


def _best(batch: _Batch, count: int) -> _Batch:
    """The settings of lowest cost that differ: of two within 0.02 dB² and 0.2 ms of each other, the first is kept."""
    apart, signs = batch.delay - batch.delay[:, :1], batch.polarity * batch.polarity[:, :1]
    kept: list[int] = []
    near = 0  # the first kept setting whose cost is near enough: costs rise
    for k in np.argsort(batch.cost, kind="stable"):
        while near < len(kept) and batch.cost[k] - batch.cost[kept[near]] >= 0.02:
            near += 1
        alike = any(
            np.array_equal(signs[k], signs[j]) and np.abs(apart[k] - apart[j]).max() < 2.0 for j in kept[near:]
        )
        if not alike:
            kept.append(int(k))
        if len(kept) == count:
            break
    return batch.take(np.array(kept))


def refine_on_grid(
    room: SubResponses,
    bounds: SearchBounds,
    grid: SettingGrid,
    settings: SubSettings,
    price: float = PRICE_DB2_PER_DB,
    seat_share: FloatArray | None = None,
) -> SubSettings:
    """One setting rounded to the steps of the processor, then moved step by step as long as that lowers its cost."""
    if seat_share is not None:
        room = replace(room, seat_share=seat_share)
    space = _Space(room)
    now = grid.rounded(settings)
    lowest = _figures(space, now, price).cost
    for _ in range(12):
        trials = _neighbours(now, grid, bounds, space)
        variance, output, off = _variance_output_off(space, trials)
        cost = variance - price * output + TARGET_SHARE * off
        k = int(np.argmin(cost))
        if cost[k] >= lowest - 1e-6:
            break
        now, lowest = trials[k], float(cost[k])
    return now


def _neighbours(now: SubSettings, grid: SettingGrid, bounds: SearchBounds, space: _Space) -> SubSettings:
    """Settings that differ by up to two steps of one subwoofer, or by one step of gain and one of delay."""
    subs = len(now.gain_db)
    steps = [(g, d) for g in range(-2, 3) for d in range(-2, 3) if (g, d) != (0, 0) and abs(g) + abs(d) <= 2]
    gain = np.repeat(now.gain_db[None], len(steps) * subs, axis=0)
    delay = np.repeat(now.delay_s[None], len(steps) * subs, axis=0)
    for k, (i, (g, d)) in enumerate(product(range(subs), steps)):
        gain[k, i] += g * grid.gain_step_db
        delay[k, i] += d * grid.delay_step_s
    relative = gain - space.alike_db
    good = np.ptp(relative, axis=1) <= bounds.gain_spread_db + 1e-9
    good &= _fits(delay, bounds.delay_low_s, bounds.delay_high_s)
    good &= _fits(gain, bounds.gain_low_db, bounds.gain_high_db)
    if not good.any():
        good[:] = True
    return SubSettings(gain[good], delay[good], np.repeat(now.polarity[None], int(good.sum()), axis=0))


# --- robustness ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Robustness:
    """Variance when gains, delays, seats or temperature are slightly off [dB²]."""

    variance_db2: float
    mean_db2: float
    """Mean over all cases."""
    worst_db2: float
    worst: str
    """The change in the worst case."""
    cases_db2: FloatArray
    """Every case [shape=(cases,)], in the same order for all settings of a room."""


def robustness(room: SubResponses, settings: SubSettings, temperature_c: float = 20.0) -> Robustness:
    """Variance with gains ±0.5 dB, delays ±0.1 ms, seats ±5 cm and temperature ±3 K off, one kind at a time.

    A moved seat hears each subwoofer up to 5 cm sooner or later (its direct sound, the largest possible change).
    Temperature scales all frequencies of the room, but not the delays of the processor.
    """
    names, variants = _variants(room, temperature_c)
    found = [spatial_variance_db2(sum_levels_db(room, _with_errors(settings)), room.seat_share, room.freq_share)]
    labels = ["gain or delay of one subwoofer"] * len(found[0])
    for name, other in zip(names, variants, strict=True):
        found.append(
            np.atleast_1d(spatial_variance_db2(sum_levels_db(other, settings), room.seat_share, room.freq_share))
        )
        labels.append(name)
    cases = np.concatenate(found)
    k = int(np.argmax(cases))
    as_set = spatial_variance_db2(sum_levels_db(room, settings), room.seat_share, room.freq_share)
    return Robustness(float(as_set), float(cases.mean()), float(cases[k]), labels[k], freeze(cases))


def _with_errors(settings: SubSettings) -> SubSettings:
    """Settings with the gain or delay of one subwoofer too high or too low [shape=(4·subs, subs)]."""
    one = np.eye(len(settings.gain_db))
    both = np.concatenate((one, -one))
    gain = settings.gain_db + GAIN_OFF_DB * np.concatenate((both, 0 * both))
    delay = settings.delay_s + DELAY_OFF_S * np.concatenate((0 * both, both))
    return SubSettings(gain, delay, np.broadcast_to(settings.polarity, gain.shape))


@lru_cache(maxsize=2)  # many settings of one room are compared in turn
def _variants(room: SubResponses, temperature_c: float) -> tuple[list[str], list[SubResponses]]:
    names, out = [], []
    subs, seats, _ = room.values.shape
    late_s = SEAT_OFF_M / speed_of_sound_m_s(temperature_c)
    signs = np.where(_recurrence(SEAT_DRAWS, subs * seats) < 0.5, -1.0, 1.0).reshape(SEAT_DRAWS, subs, seats, 1)
    for draw in signs:
        turned = room.values * np.exp(-2j * np.pi * room.freq_hz * late_s * draw)
        names.append("seats 5 cm away")
        out.append(replace(room, values=turned))
    for kelvin in (-TEMPERATURE_OFF_K, TEMPERATURE_OFF_K):
        factor = speed_of_sound_m_s(temperature_c) / speed_of_sound_m_s(temperature_c + kelvin)
        names.append(f"temperature {kelvin:+.0f} K")
        out.append(replace(room, values=_stretched(room.values, room.freq_hz, factor)))
    return names, out


def _stretched(values: ComplexArray, freq_hz: FloatArray, factor: float) -> ComplexArray:
    """Responses read at `factor` times each frequency; the phase slope is removed while interpolating."""
    step = 2 * np.pi * np.diff(freq_hz)
    turn = np.angle(np.sum(values[..., 1:] * np.conj(values[..., :-1]) / step, axis=(0, 1)))
    slope = float(np.median(turn / step))
    flat = values * np.exp(-1j * slope * 2 * np.pi * freq_hz)
    at = np.clip(freq_hz * factor, freq_hz[0], freq_hz[-1])
    right = np.clip(np.searchsorted(freq_hz, at), 1, len(freq_hz) - 1)
    share = (at - freq_hz[right - 1]) / (freq_hz[right] - freq_hz[right - 1])
    read = flat[..., right - 1] * (1 - share) + flat[..., right] * share
    return np.asarray(read * np.exp(1j * slope * 2 * np.pi * freq_hz * factor))


@dataclass(frozen=True, slots=True, eq=False)
class HeldOut:
    """The result at seats left out of the tuning: each in turn, with the others tuned without it."""

    variance_db2: FloatArray
    """Variance over all seats of the setting tuned without seat k [dB², shape=(seats,)]; NaN for a seat without weight."""
    off_db: FloatArray
    """The rms deviation of the left-out seat from the mean of the others, with the setting tuned without it [dB,
    shape=(seats,)]."""
    off_now_db: FloatArray
    """The same deviation as measured."""

    @property
    def gains_elsewhere(self) -> bool:
        """Whether seats outside the tuning come nearer to the others, root mean square over the seats left out."""
        return bool(np.nanmean(self.off_db**2) < np.nanmean(self.off_now_db**2))

    @property
    def mean_db2(self) -> float:
        """Mean over the seats left out."""
        return float(np.nanmean(self.variance_db2))


def held_out(
    room: SubResponses,
    bounds: SearchBounds,
    starts: SubSettings,
    price: float = PRICE_DB2_PER_DB,
) -> HeldOut | None:
    """Tune without each seat in turn from `starts` (the candidates of `search`), and evaluate at all seats.

    None with fewer than three seats that count.
    """
    counted = np.nonzero(room.seat_share > 0)[0]
    if len(counted) < 3 or room.subs < 2:
        return None
    space = _Space(room)
    k = len(starts.gain_db)
    batch = _batch_of(space, starts)
    many = _concatenate([batch] * len(counted))
    share = np.repeat(np.tile(room.seat_share, (len(counted), 1)), k, axis=0)
    for n, seat in enumerate(counted):
        share[n * k : (n + 1) * k, seat] = 0.0
    share /= share.sum(axis=1, keepdims=True)
    tuned = _descend(space.coarse(2), bounds, many, share=share, price=price, steps=2 * RACE_STEPS)
    variance, off, off_now = (np.full(len(room.seat_share), np.nan) for _ in range(3))
    now_db = sum_levels_db(room, unchanged(room.subs))
    for n, seat in enumerate(counted):
        own = tuned.take(np.array([n * k + int(np.argmin(tuned.cost[n * k : (n + 1) * k]))]))
        levels = sum_levels_db(room, _settings(space, own))[0]
        variance[seat] = spatial_variance_db2(levels, room.seat_share, room.freq_share)
        for each, out in ((levels, off), (now_db, off_now)):
            apart = each[seat] - share[n * k] @ each
            out[seat] = math.sqrt(float(room.freq_share @ apart**2))
    return HeldOut(variance, off, off_now)


def tuned(room: SubResponses, bounds: SearchBounds, starts: SubSettings) -> Figures:
    """Figures of the best setting reached from `starts` in a few steps, to compare rooms quickly."""
    space = _Space(room)
    price = PRICE_DB2_PER_DB
    found = _descend(space, bounds, _batch_of(space, starts), price=price, steps=2 * RACE_STEPS)
    return _figures(space, _settings(space, found.take(np.array([int(np.argmin(found.cost))])))[0], price)


def tradeoff(room: SubResponses, bounds: SearchBounds, prices: tuple[float, ...]) -> tuple[SearchResult, ...]:
    """Best settings for each price of a lost decibel [dB²], from most even to loudest.

    Each price is searched; the best of each comes from the results of all searches.
    """
    searched = tuple(search(room, bounds, each) for each in prices)
    if room.subs == 1:
        return searched
    space = _Space(room)
    few = space.coarse(2)
    starts = _concatenate([_batch_of(space, each.settings) for each in searched])
    found = []
    for price, own in zip(prices, searched, strict=True):
        rough = _best(_descend(few, bounds, starts, price=price, steps=RACE_STEPS), PARENTS)
        rough = _concatenate([rough, _batch_of(space, own.settings)])
        found.append(_ranked(space, _best(_descend(space, bounds, rough, price=price), ROBUSTNESS_CANDIDATES), price))
    return tuple(found)
