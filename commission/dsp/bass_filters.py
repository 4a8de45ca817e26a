"""Parametric filters for subwoofers: cuts first, where all seats share the excess.

Cost [dB²] = mean spatial variance + half the variance over frequency of the seats' mean level minus the target + 0.3
dB² for each decibel of mean level lost. Without a target curve, the target is the straight line over octaves nearest to
the seats' mean level. Filters are chosen one after the other, for all subwoofers or for one of them, on the steps of
the processor. A filter must also lower the cost with any one seat left out. Boosts follow after cuts: none where a seat
hears a cancellation, and all filters of a subwoofer together boost by no more than 3 dB, within the measured band. A
cut common to all subwoofers is no deeper than the excess that half of the seats have there, and all filters together
take no more than 3 dB.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from commission.dsp.bass_search import TARGET_SHARE
from commission.dsp.bass_sum import SubResponses, SubSettings, level_db, target_variance_db2
from commission.dsp.biquads import cookbook_q, entered_width, filters_response
from commission.dsp.trims import to_grid
from commission.model import ComplexArray, Filter, FilterRanges, FilterWidth, FloatArray, Steps

MOST_FILTERS = 3
"""Most filters for a subwoofer: few filters follow the room, many follow the microphone (common practice, no source)."""
LEAST_GAIN_DB2 = 0.4
"""Least reduction of the cost by a filter (a choice of this project, no source)."""
MOST_BOOST_DB = 3.0
"""Largest boost of all filters of a subwoofer together at any frequency: twice the power (common practice, no source)."""
CANCELLED_DB = -6.0
"""A sum of subwoofers this far below the sum of their powers is a cancellation: no boost fills it."""
LIFTED_DB = 0.5
"""A filter that boosts a cancelled frequency by more than this is rejected as a boost."""
NULL_DB = -6.0
"""A seat this far below the mean of the seats is in a null of the room (common practice, no source)."""
TRIED_Q = (1.4, 2.5, 4.5, 8.0)
TRIED_CUTS_DB, TRIED_BOOSTS_DB = (-3.0, -6.0, -9.0, -12.0), (1.5, 3.0)
PER_OCTAVE = 12
MOST_CUT_DB = 12.0
"""Deepest cut of one filter: a deeper one follows a cancellation rather than a resonance (common practice, no source)."""
BEYOND_DB = 1.0
"""A cut common to all subwoofers exceeds the excess of half of the seats over the target by no more than this."""
MOST_LOST_DB = 3.0
"""Most mean level that all filters together may take: half the power (common practice, no source)."""
LEAST_Q, MOST_Q = 1.0, 8.0
"""Range of Q: a broader filter is a gain, a sharper one follows single microphone positions (common practice, no
source)."""
LEVEL_PRICE_DB2_PER_DB = 0.3
"""Cost of a decibel of lost mean level. At 1 dB², boosts in an even room would pay by the level that they add (a choice
of this project, no source)."""
REFINING_STEPS = 25


def filtered(room: SubResponses, filters: Sequence[Sequence[Filter]], kind: FilterWidth) -> SubResponses:
    """The responses of each subwoofer through its filters."""
    turn = np.array([filters_response(each, kind, room.freq_hz) for each in filters])
    return replace(room, values=room.values * turn[:, None, :])


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """The sum with the filters chosen so far."""

    room: SubResponses
    parts: ComplexArray
    """Response of each subwoofer at each seat [shape=(subs, seats, n)]."""
    boost_db: FloatArray
    """Gain of the filters of each subwoofer [shape=(subs, n)]."""
    target_db: FloatArray
    level_db: float
    """Mean level without filters."""

    def costs(self, levels_db: FloatArray, seat_share: FloatArray) -> FloatArray:
        """Cost of levels [shape=(…, seats, n)]."""
        share = self.room.freq_share
        mean = np.einsum("...sf,s->...f", levels_db, seat_share)
        variance = np.einsum("...sf,s->...f", levels_db**2, seat_share) - mean**2
        off = target_variance_db2(mean, self.target_db, share)
        return np.asarray(
            variance @ share + TARGET_SHARE * off + LEVEL_PRICE_DB2_PER_DB * (self.level_db - mean @ share)
        )

    def levels(self, response: ComplexArray, subs: NDArray[np.int_]) -> FloatArray:
        """Levels with one more filter [shape=(k, n)] of some subwoofers [dB, shape=(k, seats, n)]."""
        changed = self.parts[subs].sum(axis=0)
        return level_db(self.parts.sum(axis=0) + (response - 1)[:, None, :] * changed, self.room)


def find_filters(
    room: SubResponses,
    settings: SubSettings,
    ranges: FilterRanges,
    most: Sequence[int],
    top_hz: float,
) -> tuple[tuple[Filter, ...], ...]:
    """Filters for each subwoofer with these settings, at most `most` for each and none centred above `top_hz`."""
    parts = settings.factors(room.freq_hz)[:, None, :] * room.values
    levels = level_db(parts.sum(axis=0), room)
    mean = room.seat_share @ levels
    target = _line(mean, room) if room.target_db is None else room.target_db
    state = _State(room, parts, np.zeros(parts[:, 0].shape), target, float(mean @ room.freq_share))
    chosen: list[list[Filter]] = [[] for _ in range(room.subs)]
    for gains in (TRIED_CUTS_DB, TRIED_BOOSTS_DB):
        tried = list(_tried(ranges, gains, float(room.freq_hz[0]), top_hz))
        responses = np.array([_response(each, ranges.width, room.freq_hz) for each in tried])
        while tried:
            free = [i for i in range(room.subs) if len(chosen[i]) < min(most[i], MOST_FILTERS)]
            found = _best_filter(state, ranges, tried, responses, free, top_hz)
            if found is None:
                break
            new, subs = found
            response = _response(new, ranges.width, room.freq_hz)
            parts, boost = np.array(state.parts), np.array(state.boost_db)
            parts[subs] *= response
            boost[subs] += 20 * np.log10(np.abs(response))
            state = replace(state, parts=parts, boost_db=boost)
            for i in subs:
                chosen[i].append(new)
    return tuple(tuple(sorted(each, key=lambda f: f.frequency_hz)) for each in chosen)


def _line(mean_db: FloatArray, room: SubResponses) -> FloatArray:
    """The straight line over octaves that is nearest to a level."""
    x = np.log2(room.freq_hz)
    x = x - x @ room.freq_share
    slope = float((room.freq_share * x) @ mean_db) / max(float(room.freq_share @ x**2), 1e-9)
    return np.asarray(mean_db @ room.freq_share + slope * x)


def _response(each: Filter, kind: FilterWidth, freq_hz: FloatArray) -> ComplexArray:
    return filters_response((each,), kind, freq_hz)


def _best_filter(
    state: _State,
    ranges: FilterRanges,
    tried: Sequence[Filter],
    responses: ComplexArray,
    free: list[int],
    top_hz: float,
) -> tuple[Filter, NDArray[np.int_]] | None:
    """The filter that lowers the cost most, and its subwoofers; None if none is worth it."""
    groups = [np.array(free)] if len(free) == state.room.subs > 1 else []
    groups += [np.array([i]) for i in free]
    if not groups:
        return None
    now = float(state.costs(level_db(state.parts.sum(axis=0), state.room), state.room.seat_share))
    starts = []
    for group in groups:
        cost = _allowed_costs(state, tried, responses, group, ranges.width)
        k = int(np.argmin(cost))
        starts.append((float(cost[k]), tried[k], group))
    # A filter for all subwoofers is preferred if it gains nearly as much, within a tenth.
    starts.sort(key=lambda each: each[0] - (0.1 * (now - each[0]) if len(each[2]) > 1 else 0.0))
    for cost_db2, each, group in starts[:2]:
        if now - cost_db2 < LEAST_GAIN_DB2 / 2:
            continue
        best, lowest = _refined(state, each, cost_db2, group, ranges, top_hz)
        if now - lowest >= LEAST_GAIN_DB2 and _good_without_any_seat(state, best, group, ranges.width):
            return best, group
    return None


def _tried(ranges: FilterRanges, gains_db: tuple[float, ...], low_hz: float, top_hz: float) -> Iterator[Filter]:
    """Candidate filters over the whole range, on the steps of the processor."""
    span = ranges.frequency_hz
    low, high = max(low_hz, span.min), min(top_hz, span.max)
    if low > high:
        return
    octaves = np.log2(high / low)
    frequencies = low * 2.0 ** np.linspace(0, octaves, int(octaves * PER_OCTAVE) + 2)
    seen: set[Filter] = set()
    for hz, q, gain in product(frequencies, TRIED_Q, gains_db):
        each = _on_steps(float(hz), gain, q, ranges)
        if each not in seen and each.frequency_hz <= top_hz and each.gain_db * gain > 0:
            seen.add(each)
            yield each


def _on_steps(hz: float, gain_db: float, q: float, ranges: FilterRanges) -> Filter:
    def near(value: float, span: Steps) -> float:
        return round(to_grid(value, span.min, span.max, span.step), 9)

    gain = near(max(gain_db, -MOST_CUT_DB), ranges.gain_db)
    width = near(entered_width(min(max(q, LEAST_Q), MOST_Q), ranges.width, gain), ranges.widths)
    return Filter(frequency_hz=near(hz, ranges.frequency_hz), gain_db=gain, width=width)


def _allowed_costs(
    state: _State, tried: Sequence[Filter], responses: ComplexArray, group: NDArray[np.int_], kind: FilterWidth
) -> FloatArray:
    """Cost with each filter; infinite if it is not permitted."""
    out = np.full(len(tried), np.inf)
    excess_db = _shared_excess_db(state) if len(group) == len(state.parts) else None
    boosts_db = 20 * np.log10(np.abs(responses))
    boost = state.boost_db[group].max(axis=0) + boosts_db
    allowed = np.array([each.gain_db < 0 for each in tried])
    if excess_db is not None:
        at = np.argmin(np.abs(np.log([[each.frequency_hz] for each in tried] / state.room.freq_hz)), axis=1)
        allowed &= np.array([-each.gain_db for each in tried]) <= excess_db[at] + BEYOND_DB
    if not allowed.all():
        barred = _no_boost(state)
        for k, each in enumerate(tried):
            if each.gain_db > 0:
                half = entered_width(cookbook_q(each.width, kind, each.gain_db), "octaves", each.gain_db) / 2
                away = np.log2(state.room.freq_hz / each.frequency_hz)
                inside = away[0] <= -half and away[-1] >= half
                clear = inside and not barred[boosts_db[k] > LIFTED_DB].any()
                allowed[k] = clear and boost[k].max() <= MOST_BOOST_DB + 1e-6
    for start in range(0, len(tried), 128):
        part = np.nonzero(allowed[start : start + 128])[0] + start
        if len(part):
            levels = state.levels(responses[part], group)
            lost_db = state.level_db - np.einsum("ksf,s,f->k", levels, state.room.seat_share, state.room.freq_share)
            costs = state.costs(levels, state.room.seat_share)
            out[part] = np.where(lost_db <= MOST_LOST_DB, costs, np.inf)
    return out


def _shared_excess_db(state: _State) -> FloatArray:
    """Excess over the target of half of the seats that count, never below 0 [dB, shape=(n,)]."""
    levels = level_db(state.parts.sum(axis=0), state.room)
    target = state.target_db - state.target_db @ state.room.freq_share + state.level_db
    above = levels[state.room.seat_share > 0] - target
    return np.asarray(np.maximum(np.median(above, axis=0), 0.0))


def _no_boost(state: _State) -> NDArray[np.bool_]:
    """Frequencies at which a seat that counts hears a cancellation or is in a null [shape=(n,)]."""
    levels = level_db(state.parts.sum(axis=0), state.room)
    powers = 10 * np.log10(np.maximum((np.abs(state.parts) ** 2).sum(axis=0), 1e-300))
    mean = state.room.seat_share @ levels
    bad = (levels < powers + CANCELLED_DB) | (levels < mean + NULL_DB)
    return np.asarray(bad[state.room.seat_share > 0].any(axis=0))


def _refined(
    state: _State, start: Filter, cost: float, group: NDArray[np.int_], ranges: FilterRanges, top_hz: float
) -> tuple[Filter, float]:
    """A filter moved on the steps of the processor as long as that lowers the cost."""
    best, lowest = start, cost
    for _ in range(REFINING_STEPS):
        q = cookbook_q(best.width, ranges.width, best.gain_db)
        near = {
            _on_steps(best.frequency_hz * 2**octaves + more_hz, best.gain_db + gain, q * factor, ranges)
            for octaves, more_hz in (
                (0, 0),
                (1 / 24, 0),
                (-1 / 24, 0),
                (0, ranges.frequency_hz.step),
                (0, -ranges.frequency_hz.step),
            )
            for gain in (0.0, ranges.gain_db.step, -ranges.gain_db.step)
            for factor in (1.0, 1.15, 1 / 1.15)
        }
        trials = [f for f in sorted(near, key=str) if f.frequency_hz <= top_hz and f.gain_db * start.gain_db > 0]
        if not trials:
            break
        responses = np.array([_response(each, ranges.width, state.room.freq_hz) for each in trials])
        costs = _allowed_costs(state, trials, responses, group, ranges.width)
        k = int(np.argmin(costs))
        if costs[k] >= lowest - 1e-6:
            break
        best, lowest = trials[k], float(costs[k])
    return best, lowest


def _good_without_any_seat(state: _State, each: Filter, group: NDArray[np.int_], kind: FilterWidth) -> bool:
    """Whether a filter lowers the cost with any one seat left out; always True with two seats or fewer."""
    counted = np.nonzero(state.room.seat_share > 0)[0]
    if len(counted) < 3:
        return True
    response = _response(each, kind, state.room.freq_hz)[None]
    now, then = level_db(state.parts.sum(axis=0), state.room), state.levels(response, group)[0]
    for seat in counted:
        share = np.where(np.arange(len(state.room.seat_share)) == seat, 0.0, state.room.seat_share)
        share = share / share.sum()
        if state.costs(then, share) >= state.costs(now, share):
            return False
    return True
