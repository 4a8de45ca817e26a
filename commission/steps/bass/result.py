"""The proposal for the subwoofers, its prediction at every seat, and what it is compared with. The step `bass` shows it.

The search (`dsp.bass_search`) gives differences between subwoofers. What all of them share is set afterwards. Gain: their
sum is as loud as their powers are with the trims of Levels. Delay: on average that of Distances, or the one that sums best
with the front loudspeakers where the crossover is entered. The result is evaluated on the steps of the processor.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar, cast

import numpy as np

from commission.dsp import bass_search as search_of
from commission.dsp.analysis import BASS_HZ, SUB_LEVEL_BAND_HZ
from commission.dsp.bass_filters import find_filters
from commission.dsp.bass_search import PRICE_DB2_PER_DB, Figures, HeldOut, SearchBounds, SettingGrid, Sturdiness
from commission.dsp.bass_sum import (
    SubResponses,
    SubSettings,
    level_matched_db,
    unchanged,
)
from commission.dsp.modes import schroeder_hz
from commission.dsp.repeatability import placement_u_db
from commission.dsp.trims import to_grid
from commission.model import (
    AS_LEFT,
    Analyses,
    CancelToken,
    Channel,
    DelayRange,
    Filter,
    FilterRanges,
    FloatArray,
    Job,
    TrimRange,
)
from commission.steps import distances, levels
from commission.steps.bass.crossover import Crossover, FrontPair, front_pair
from commission.steps.bass.measurement import MeasuredBass, measured_bass, newest_bass
from commission.steps.bass.verification import verify
from commission.steps.bass.version import Version, filter_width, version
from commission.steps.levels.result import by_seat, target_db
from commission.steps.shared.cache import cached
from commission.steps.shared.sub_sum import adds_up, sub_level_db, sum_readings
from commission.steps.shared.survey import delay_slope_s

T = TypeVar("T")
PRICES = {"even": 0.3, "balanced": PRICE_DB2_PER_DB, "loud": 3.0}
"""The technician's choices: the price of a lost decibel [dB²]."""
USUAL = "balanced"
TRADE_KEY, USE_KEY, HAND_KEY, FILTERS_KEY, SUM_KEY = "trade", "use", "hand", "filters", "sum"
"""Decisions of this step."""
DELAY_SPREAD_S = 0.015
"""Delays of subwoofers against each other: half a period of 33 Hz (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SubProposal:
    """What is proposed for one subwoofer: changes against the round that was measured, and what to enter."""

    channel: Channel
    gain_db: float
    delay_s: float
    polarity: int
    """1 keeps what is set, −1 turns it over."""
    old_trim_db: float | None
    old_setting: float | None
    old_polarity: str
    trim_db: float | None
    setting: float | None
    new_polarity: str
    filters: tuple[Filter, ...] = ()
    """To be added to those that it had."""
    old_filters: tuple[Filter, ...] = ()

    @property
    def new_filters(self) -> tuple[Filter, ...]:
        """All that the processor must hold."""
        return (*self.old_filters, *self.filters)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """Settings of the subwoofers, and what the sum with the front loudspeakers gains by them."""

    settings: SubSettings
    placed: SubSettings
    """The same with the gain, delay and polarity that all share."""
    filters: tuple[tuple[Filter, ...], ...]
    """The ones to add to each subwoofer."""
    figures: Figures
    sum_gain_db: float
    """Mean of the front loudspeakers; infinite where the crossover was not looked at."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BassResult:
    """The newest round with its proposal."""

    measured: MeasuredBass
    through: MeasuredBass
    """The same through the proposed filters."""
    filters: tuple[tuple[Filter, ...], ...]
    """The proposed ones of each subwoofer."""
    as_found: Version
    proposed: Version
    others: tuple[Version, ...]
    """All alike, and the best single subwoofer."""
    trade: tuple[Version, ...]
    """In the order of `PRICES`, without those that are like another."""
    subs: dict[str, SubProposal]
    kept_because: str | None
    """Why everything is left as it is; None where a change is proposed."""
    by_hand: bool
    sturdy: Sturdiness
    held_out: HeldOut | None
    crossover: Crossover | None
    front: FrontPair | str
    """The front loudspeakers, or why the crossover was not looked at."""
    candidates: dict[str, Candidate]
    """The choice between evenness ("even") and the sum through the crossover ("keep"), where these differ."""
    wanted: str
    """Which of them is proposed."""
    gained: float
    """How much lower the cost is than as found [dB²]."""
    u_gained: float
    """Its standard uncertainty."""
    space: SearchSpace

    @property
    def no_crossover(self) -> str:
        """Why the crossover was not looked at; empty where it was."""
        return self.front if isinstance(self.front, str) else ""

    @property
    def is_change(self) -> bool:
        """Whether anything is to be set."""
        return self.kept_because is None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SearchSpace:
    """What the processor holds and can set for the subwoofers of a round."""

    bounds: SearchBounds
    grid: SettingGrid
    slope_s: float
    """Delay for each unit of the setting [s]: below zero where distances are entered."""
    old_trims_db: tuple[float | None, ...]
    old_settings: tuple[float | None, ...]
    mains_moved_s: float
    """How much later the main channels will be with the settings of Distances than in this round (median)."""


def solve(job: Job, analyses: Analyses) -> BassResult | str:
    """The proposal of the newest round that holds what it needs, or one clause that says why there is none."""
    measured = newest_bass(job, analyses)
    return measured if isinstance(measured, str) else solve_round(job, measured.round, analyses)


@cached
def solve_round(job: Job, round_id: str, analyses: Analyses) -> BassResult | str:
    """The proposal of one round."""
    measured = measured_bass(job, round_id, analyses)
    if isinstance(measured, str):
        return measured
    space = search_space(job, measured, analyses)
    return _result(job, measured, analyses, space, trade_choice(job, round_id))


def trade_choice(job: Job, round_id: str) -> str:
    """The technician's choice between evenness and output in a round: a name of `PRICES`."""
    decided = job.decisions.get((round_id, "bass", TRADE_KEY), "")
    return decided if decided in PRICES else USUAL


def search_space(job: Job, measured: MeasuredBass, analyses: Analyses) -> SearchSpace:
    """Ranges and steps as changes against what the processor holds in that round."""
    processor, subs = job.system.processor, measured.subs
    slope = delay_slope_s(job)
    settings = [job.setting(measured.round, sub) for sub in subs]
    trims = tuple(s.trim_db for s in settings)
    entered = tuple(s.distance for s in settings)
    old = np.array([math.nan if v is None else v for v in entered])
    ends = np.array([(processor.delay.min - old) * slope, (processor.delay.max - old) * slope])
    # A setting that is not noted may have any value: only the spread bounds it.
    low = np.where(np.isfinite(old), ends.min(axis=0), -2 * DELAY_SPREAD_S)
    high = np.where(np.isfinite(old), ends.max(axis=0), 2 * DELAY_SPREAD_S)
    middle = min(max(0.0, float(low.max())), float(high.min())) if low.max() <= high.min() else 0.0
    low, high = np.maximum(low, middle - DELAY_SPREAD_S), np.minimum(high, middle + DELAY_SPREAD_S)
    trim = np.array([0.0 if v is None else v for v in trims])
    on_grid = [0.0 if v is None else _to(v, processor.trim_db) - v for v in trims]
    delay_origin = [0.0 if v is None else (_to(v, processor.delay) - v) * slope for v in entered]
    return SearchSpace(
        bounds=SearchBounds(
            delay_low_s=np.minimum(low, high),
            delay_high_s=np.maximum(low, high),
            gain_low_db=processor.trim_db.min - trim,
            gain_high_db=processor.trim_db.max - trim,
        ),
        grid=SettingGrid(
            gain_origin_db=np.array(on_grid),
            gain_step_db=processor.trim_db.step,
            delay_origin_s=np.array(delay_origin),
            delay_step_s=abs(processor.delay.step * slope),
        ),
        slope_s=slope,
        old_trims_db=trims,
        old_settings=entered,
        mains_moved_s=_mains_moved_s(job, measured.round, analyses, slope),
    )


def _to(value: float, limits: TrimRange | DelayRange) -> float:
    return to_grid(value, limits.min, limits.max, limits.step)


def _mains_moved_s(job: Job, round_id: str, analyses: Analyses, slope_s: float) -> float:
    found = distances.solve(job, round_id, analyses).channels.values()
    moved = [
        (each.setting.setting - each.held) * slope_s
        for each in found
        if not each.channel.is_sub and each.held is not None
    ]
    return float(np.median(moved)) if moved else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """The slow part of the search, for one set of responses and one choice of the trade."""

    settings: SubSettings
    """Without a grid."""
    settled: tuple[SubSettings, ...]
    """The same on the steps of the processor, the sturdiest first."""


_KEPT: dict[tuple[object, ...], Any] = {}
MOST_KEPT = 24


def _kept(key: tuple[object, ...], compute: Callable[[], T]) -> T:
    """What was computed before from the same numbers, else what is computed now."""
    if key not in _KEPT:
        while len(_KEPT) >= MOST_KEPT:
            _KEPT.pop(next(iter(_KEPT)))
        _KEPT[key] = compute()
    return cast(T, _KEPT[key])


def _numbers(room: SubResponses, space: SearchSpace) -> tuple[object, ...]:
    """All that a search depends on besides the price."""
    bounds, grid = space.bounds, space.grid
    limits = (bounds.delay_low_s, bounds.delay_high_s, bounds.gain_low_db, bounds.gain_high_db)
    arrays = (room.values, room.freq_hz, room.seat_share, *limits, grid.gain_origin_db, grid.delay_origin_s)
    target = b"" if room.target_db is None else room.target_db.tobytes()
    return (*(a.tobytes() for a in arrays), target, grid.gain_step_db, grid.delay_step_s)


def _searched(room: SubResponses, space: SearchSpace, temperature_c: float) -> dict[str, _Found]:
    """What the search finds for each choice of the trade."""

    def compute() -> dict[str, _Found]:
        found = search_of.trade(room, space.bounds, tuple(PRICES.values()))
        return {
            name: _Found(each.settings, _settled(room, space, each.settings, price, temperature_c))
            for (name, price), each in zip(PRICES.items(), found, strict=True)
        }

    return _kept((*_numbers(room, space), temperature_c), compute)


def _settled(
    room: SubResponses, space: SearchSpace, settings: SubSettings, price: float, temperature_c: float
) -> tuple[SubSettings, ...]:
    """Settings on the steps of the processor, the sturdiest first."""
    settled = [
        search_of.settle(room, space.bounds, space.grid, settings[k], price) for k in range(len(settings.gain_db))
    ]
    sturdy = [
        search_of.sturdiness(room, each, temperature_c).mean_db2
        - price * search_of.figures(room, each, price).output_db
        for each in settled
    ]
    return tuple(settled[k] for k in np.argsort(sturdy, kind="stable"))


def _result(job: Job, measured: MeasuredBass, analyses: Analyses, space: SearchSpace, choice: str) -> BassResult:
    room, temperature, price = measured.room, job.system.temperature_c, PRICES[choice]
    searched = _searched(room, space, temperature)
    held_out = _kept(
        (*_numbers(room, space), "held out", price),
        lambda: search_of.held_out(room, space.bounds, searched[choice].settings, price),
    )
    found = version(measured, "as found", unchanged(room.subs), price)
    sturdy_found = search_of.sturdiness(room, unchanged(room.subs), temperature)
    placing, hand = _Placing(job, measured, analyses, space), hand_settings(job, measured)
    through_filters = {
        name: {
            key: _through_filters(placing, each, PRICES[name])
            for key, each in placing.candidates(measured, found.settled).items()
        }
        for name, found in searched.items()
    }
    every = _unbeaten(job, measured, through_filters)
    candidates, wanted = every[choice], _wanted(job, measured, every[choice])
    chosen = candidates[wanted]
    best, placed, filters = (chosen.settings, chosen.placed, chosen.filters) if hand is None else (hand[0], *hand)
    through = measured.through(filters, filter_width(job))
    crossover = placing.crossover(through, placed)
    sturdy = search_of.sturdiness(through.room, best, temperature)
    proposed = version(through, "proposed" if hand is None else "by hand", placed, price, filters)
    gained, u = _gained(measured, (found, sturdy_found), (proposed, sturdy), price)
    kept = contradiction = _contradiction(job, measured.round, analyses)
    if hand is not None:
        kept = None
    elif not contradiction:
        kept = _why_kept(measured, found, proposed, crossover, gained, u, held_out)
    result = BassResult(
        measured=measured,
        through=through,
        filters=filters,
        as_found=found,
        proposed=proposed,
        others=_others(measured, price),
        trade=() if contradiction or room.subs < 2 else _trade(placing, every, choice),
        subs=proposals(job, measured, space, placed, filters),
        kept_because=kept,
        by_hand=hand is not None,
        sturdy=sturdy,
        held_out=held_out,
        crossover=crossover,
        front=placing.front,
        candidates=dict(candidates) if len(candidates) > 1 else {},
        wanted=wanted,
        gained=gained,
        u_gained=u,
        space=space,
    )
    if kept is None:
        return result
    filters = ((),) * room.subs if contradiction else _filters(placing, unchanged(room.subs))
    return _left_as_is(result, placing, sturdy_found, price, filters)


def _contradiction(job: Job, round_id: str, analyses: Analyses) -> str | None:
    """What is heard of the round against its settings, on which nothing new can be built; None where nothing is."""
    checked = verify(job, round_id, analyses)
    if isinstance(checked, str) or not checked.off:
        return None
    return f"the settings entered are not those measured ({checked.contradiction})"


def _gained(
    measured: MeasuredBass, before: tuple[Version, Sturdiness], after: tuple[Version, Sturdiness], price: float
) -> tuple[float, float]:
    """(how much lower the cost is, its standard uncertainty) [dB²], over all cases in which something is a little off."""
    (found, sturdy_found), (proposed, sturdy) = before, after
    gains = sturdy_found.cases_db2 - sturdy.cases_db2 + price * (proposed.figures.output_db - found.figures.output_db)
    to_target = 0.0 if measured.room.target_db is None else found.shape_db**2 - proposed.shape_db**2
    u = math.hypot(float(gains.std()), _measurement_u_db2(measured.room, found.sd_db))
    return float(gains.mean()) + search_of.TARGET_SHARE * to_target, u


def _left_as_is(
    result: BassResult,
    placing: _Placing,
    sturdy_found: Sturdiness,
    price: float,
    filters: tuple[tuple[Filter, ...], ...],
) -> BassResult:
    """The result with gain, delay and polarity left as they are: filters alone may still serve what all seats share."""
    job, measured, space = placing.job, placing.measured, placing.space
    same = unchanged(measured.room.subs)
    through, has_filters = measured.through(filters, filter_width(job)), any(filters)
    placed = _as_loud(measured, through, space) if has_filters else same
    temperature = job.system.temperature_c
    return replace(
        result,
        through=through,
        filters=filters,
        proposed=version(through, "proposed" if has_filters else "left as is", placed, price, filters),
        subs=proposals(job, measured, space, placed, filters),
        kept_because=None if has_filters else result.kept_because,
        sturdy=search_of.sturdiness(through.room, placed, temperature) if has_filters else sturdy_found,
        crossover=placing.crossover(through, placed if has_filters else None),
    )


def _through_filters(placing: _Placing, candidate: Candidate, price: float) -> Candidate:
    """The same with filters that suit it, settled on the steps of the processor through them."""
    job, measured, space = placing.job, placing.measured, placing.space
    filters = _filters(placing, candidate.settings)
    if not any(filters):
        return candidate
    through = measured.through(filters, filter_width(job))
    settings = search_of.settle(through.room, space.bounds, space.grid, candidate.settings, price)
    return placing.candidate(through, settings, filters)


def _unbeaten(
    job: Job, measured: MeasuredBass, every: Mapping[str, Mapping[str, Candidate]]
) -> dict[str, Mapping[str, Candidate]]:
    """Each choice; where another one is better in all that is shown of them, what that one would propose.

    Each was searched without filters, which change evenness and output.
    """

    def shown(each: Mapping[str, Candidate]) -> tuple[float, float, float]:
        own = each[_wanted(job, measured, each)].figures
        to_target = own.cost - own.variance_db2 + PRICE_DB2_PER_DB * own.output_db
        return round(own.sd_db, 1), round(-own.output_db, 1), round(to_target, 1)

    figures = {name: shown(each) for name, each in every.items()}

    def best(name: str) -> str:
        better = [
            n for n in every if all(theirs <= mine for theirs, mine in zip(figures[n], figures[name], strict=True))
        ]
        return min(better, key=lambda n: (sum(figures[n]), n != name))

    return {name: every[best(name)] for name in every}


def _trade(placing: _Placing, every: Mapping[str, Mapping[str, Candidate]], choice: str) -> tuple[Version, ...]:
    """What each choice would propose, with its filters; of some that are alike the present one, the usual or the first."""
    job, measured = placing.job, placing.measured
    chosen = {name: each[_wanted(job, measured, each)] for name, each in every.items()}
    rows = [
        version(measured.through(each.filters, filter_width(job)), name, each.placed, PRICES[name], each.filters)
        for name, each in chosen.items()
    ]
    unlike: list[Version] = []
    for each in sorted(rows, key=lambda row: (row.name != choice, row.name != USUAL)):
        if not any(_alike(each.figures, other.figures) for other in unlike):
            unlike.append(each)
    return tuple(each for each in rows if each in unlike)


ALIKE_DB = 0.2
"""Choices that differ by less in evenness and in output are one (a choice of this project, no source)."""


def _alike(one: Figures, other: Figures) -> bool:
    return max(abs(one.sd_db - other.sd_db), abs(one.output_db - other.output_db)) < ALIKE_DB


MOST_WEAKENED_DB, LEAST_KEPT_DB = 0.5, 0.25
"""Where the most even settings weaken the sum through the crossover more, others are offered that keep more of it by at
least the second (a choice of this project)."""


def _wanted(job: Job, measured: MeasuredBass, candidates: Mapping[str, Candidate]) -> str:
    """The choice that counts: by decision; without one the sum, where it costs no more than output does in "loud"."""
    decided = job.decisions.get((measured.round, "bass", SUM_KEY), "")
    if decided in candidates:
        return decided
    if "keep" not in candidates:
        return "even"
    even, keep = candidates["even"], candidates["keep"]
    saved_db = min(keep.sum_gain_db, -MOST_WEAKENED_DB) - even.sum_gain_db
    lost_db = max(even.figures.output_db - keep.figures.output_db, 0.0)
    uneven_db2 = keep.figures.variance_db2 - even.figures.variance_db2
    return "keep" if uneven_db2 <= PRICES["loud"] * (saved_db - lost_db) else "even"


# --- filters --------------------------------------------------------------------------------------------------------


TRANSITION_HZ = 80.0
"""Transition frequency of a room whose size is not entered."""


MOST_MADE_UP_DB = 3.0
"""Largest gain that compensates the loss by filters: twice the power (common practice, no source)."""


def offers_filters(job: Job) -> bool:
    """Whether the processor has parametric filters."""
    return bool(job.system.processor.parametric_bands)


def filters_wanted(job: Job, round_id: str) -> bool:
    """Whether filters are proposed: by decision; without one, where it is entered what they can be set to."""
    decided = job.decisions.get((round_id, "bass", FILTERS_KEY))
    wanted = job.system.processor.filters is not None if decided is None else decided == "yes"
    return wanted and offers_filters(job)


def transition_hz(job: Job) -> float:
    """Below it single modes decide: Schroeder's frequency with T = 0.25·∛(V/100) s (ITU-R BS.1116, from memory)."""
    room = job.system.room
    if room is None:
        return TRANSITION_HZ
    volume_m3 = room.length_m * room.width_m * room.height_m
    return schroeder_hz(volume_m3, 0.25 * (volume_m3 / 100) ** (1 / 3))


def _filters(placing: _Placing, settings: SubSettings) -> tuple[tuple[Filter, ...], ...]:
    job, measured = placing.job, placing.measured
    room = measured.room
    if not filters_wanted(job, measured.round):
        return ((),) * room.subs
    ranges, bands = job.system.processor.filters or FilterRanges(), job.system.processor.parametric_bands or 0
    free = tuple(max(bands - len(job.setting(measured.round, sub).filters or ()), 0) for sub in measured.subs)
    corners = [c.high_pass_hz for c in job.system.channels if c.role == "screen" and c.high_pass_hz is not None]
    top_hz = min([transition_hz(job), *corners])  # above their crossover the subwoofers fade out
    own = (settings.gain_db.tobytes(), settings.delay_s.tobytes(), settings.polarity.tobytes())
    return _kept(
        (*_numbers(room, placing.space), *own, ranges, free, top_hz),
        lambda: find_filters(room, settings, ranges, free, top_hz),
    )


def _as_loud(measured: MeasuredBass, through: MeasuredBass, space: SearchSpace) -> SubSettings:
    """A common gain that compensates the loss by filters."""
    same = unchanged(measured.room.subs)
    lost = _sum_power(measured, same) / max(_sum_power(through, same), 1e-30)
    grid, bounds = space.grid, space.bounds
    gain = same.gain_db + _shift(min(10 * math.log10(max(lost, 1e-30)), MOST_MADE_UP_DB), grid.gain_step_db)
    gain = _shifted_into(gain, bounds.gain_low_db, bounds.gain_high_db, grid.gain_step_db)
    return SubSettings(gain, same.delay_s, same.polarity)


def _sum_power(measured: MeasuredBass, settings: SubSettings) -> float:
    """Pink-weighted power of the sum between 30 and 80 Hz, mean of the seats."""
    inside = (BASS_HZ >= SUB_LEVEL_BAND_HZ[0]) & (BASS_HZ <= SUB_LEVEL_BAND_HZ[1])
    f = BASS_HZ[inside]
    total = np.einsum("if,isf->sf", settings.factors(f), measured.full[:, :, inside])
    return float(np.einsum("sf,s,f->", np.abs(total) ** 2, measured.room.seat_share, 1 / f))


def _measurement_u_db2(room: SubResponses, sd_db: float) -> float:
    """Standard uncertainty of the variance by the placing of the microphone: 2·sd·u/√(seats · third octaves)."""
    thirds = max(3 * math.log2(room.freq_hz[-1] / room.freq_hz[0]), 1.0)
    u_db = math.sqrt(float(np.mean(placement_u_db(room.freq_hz) ** 2)))
    return 2 * sd_db * u_db / math.sqrt(max(int(np.count_nonzero(room.seat_share)), 1) * thirds)


LEAST_GAIN_DB2 = 0.5
"""Smaller changes of evenness are inaudible (common practice, no source)."""


def _why_kept(
    measured: MeasuredBass,
    found: Version,
    proposed: Version,
    crossover: Crossover | None,
    gained: float,
    u: float,
    held_out: HeldOut | None,
) -> str | None:
    """Why nothing is to be changed; None where a change is clearly better."""
    if crossover is not None and crossover.gain_db >= LEAST_CROSSOVER_DB:
        return None
    if measured.room.subs < 2:
        return "with one subwoofer no setting changes how seats differ"
    if gained < max(2 * u, LEAST_GAIN_DB2):
        return f"the best settings would gain {max(gained, 0.0):.1f} dB², no more than its uncertainty or what can be heard"
    if held_out is not None and held_out.mean_db2 >= found.figures.variance_db2:
        return "settings found without one of the seats make the bass of all seats no more even than it is"
    return None


LEAST_CROSSOVER_DB = 1.0
"""Smallest improvement of the sum through the crossover that is proposed (common practice, no source)."""


def _others(measured: MeasuredBass, price: float) -> tuple[Version, ...]:
    room = measured.room
    if room.subs < 2:
        return ()
    alike = SubSettings(level_matched_db(room), np.zeros(room.subs), np.ones(room.subs, int))
    singles = [version(measured, f"{sub} alone", _single(room, i), price) for i, sub in enumerate(measured.subs)]
    return version(measured, "all alike", alike, price), min(singles, key=lambda each: each.figures.cost)


SILENT_DB = -120.0


def _single(room: SubResponses, index: int) -> SubSettings:
    gain = level_matched_db(room) + np.where(np.arange(room.subs) == index, 0.0, SILENT_DB)
    return SubSettings(gain, np.zeros(room.subs), np.ones(room.subs, int))


# --- what all subwoofers share --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Placing:
    """What decides the gain, delay and polarity that all subwoofers share."""

    job: Job
    measured: MeasuredBass
    analyses: Analyses
    space: SearchSpace

    @property
    def front(self) -> FrontPair | str:
        """The front loudspeakers, or why their sum with the subwoofers is not determined."""
        return front_of_round(self.job, self.measured.round, self.analyses)

    def placed(self, through: MeasuredBass, best: SubSettings) -> SubSettings:
        """The settings with a common gain, delay and polarity, still on the steps of the processor."""
        grid, bounds, turned = self.space.grid, self.space.bounds, (best.polarity < 0).sum() * 2
        subs = len(best.polarity)
        sign = -1 if turned > subs or (turned == subs and best.polarity[0] < 0) else 1
        best = SubSettings(best.gain_db, best.delay_s, best.polarity * sign)
        gain = best.gain_db + _shift(self._louder_db(through, best), grid.gain_step_db)
        gain = _shifted_into(gain, bounds.gain_low_db, bounds.gain_high_db, grid.gain_step_db)
        later_s = _delay_offset_s(self.job, self.measured, self.analyses, self.space, best)
        settings = SubSettings(gain, self._later(best.delay_s, later_s), best.polarity)
        if isinstance(self.front, str):
            return settings
        fit = self.front.fit(through, settings)
        return SubSettings(gain, self._later(settings.delay_s, fit.delay_s), best.polarity * fit.polarity)

    def _louder_db(self, through: MeasuredBass, best: SubSettings) -> float:
        loudness = _loudness_db(self.job, self.measured, through, self.analyses, best)
        if through is self.measured:
            return loudness
        unfiltered = _loudness_db(self.job, self.measured, self.measured, self.analyses, best)
        return min(loudness, unfiltered + MOST_MADE_UP_DB)

    def _later(self, delay_s: FloatArray, by_s: float) -> FloatArray:
        bounds, step_s = self.space.bounds, self.space.grid.delay_step_s
        return _shifted_into(delay_s + _shift(by_s, step_s), bounds.delay_low_s, bounds.delay_high_s, step_s)

    def crossover(self, through: MeasuredBass, settings: SubSettings | None) -> Crossover | None:
        """The sum with the front loudspeakers; as measured with no settings."""
        return None if isinstance(self.front, str) else self.front.crossover(through, settings)

    def candidates(self, through: MeasuredBass, settled: Sequence[SubSettings]) -> dict[str, Candidate]:
        """The first of the settings; where it weakens the sum too much, also the first that does not.

        Where all do, the one that weakens it least.
        """
        even = strongest = self.candidate(through, settled[0])
        for settings in settled[1:]:
            if strongest.sum_gain_db >= -MOST_WEAKENED_DB:
                break
            strongest = max(strongest, self.candidate(through, settings), key=lambda each: each.sum_gain_db)
        kept_db = strongest.sum_gain_db - even.sum_gain_db
        return {"even": even} | ({"keep": strongest} if kept_db > LEAST_KEPT_DB else {})

    def candidate(
        self, through: MeasuredBass, settings: SubSettings, filters: tuple[tuple[Filter, ...], ...] | None = None
    ) -> Candidate:
        """Settings, and the same as they are placed; `through` is already through `filters`."""
        placed = self.placed(through, settings)
        crossover = self.crossover(through, placed)
        return Candidate(
            settings=settings,
            placed=placed,
            filters=filters or ((),) * len(settings.gain_db),
            figures=search_of.figures(through.room, settings),
            sum_gain_db=math.inf if crossover is None else crossover.gain_db,
        )


def _shift(value: float, step: float) -> float:
    return round(value / step) * step


def _shifted_into(values: FloatArray, low: FloatArray, high: FloatArray, step: float) -> FloatArray:
    """Values shifted together by whole steps into their ranges, where that is possible."""
    over, under = (math.ceil(float(off.max()) / step - STEP_ROUNDING) for off in (values - high, low - values))
    return values - over * step if over > 0 else values + max(under, 0) * step


STEP_ROUNDING = 0.01
"""Part of a step by which a stored setting may be beside it: a delay in feet is not a whole number of 0.1 µs."""


def _loudness_db(
    job: Job, measured: MeasuredBass, through: MeasuredBass, analyses: Analyses, best: SubSettings
) -> float:
    """The common gain with which the sum, through filters, has the power of all subwoofers with the trims of Levels."""
    found = levels.solve(job, measured.round, analyses).channels
    trims = [found[sub].trim_exact_db if sub in found else None for sub in measured.subs]
    known = all(t is not None for t in trims) and all(
        found[sub].old_trim_known for sub in measured.subs if sub in found
    )
    by_levels = [
        t - found[s].old_trim_db if known and t is not None else 0.0
        for t, s in zip(trims, measured.subs, strict=True)
    ]
    inside = (BASS_HZ >= SUB_LEVEL_BAND_HZ[0]) & (BASS_HZ <= SUB_LEVEL_BAND_HZ[1])
    full, f, share = measured.full[:, :, inside], BASS_HZ[inside], measured.room.seat_share
    target = np.einsum("isf,i,s,f->", np.abs(full) ** 2, 10 ** (np.array(by_levels) / 10), share, 1 / f)
    reached = _sum_power(through, best)
    return float(10 * np.log10(target / reached)) if target > 0 and reached > 0 else 0.0


def _delay_offset_s(
    job: Job, measured: MeasuredBass, analyses: Analyses, space: SearchSpace, best: SubSettings
) -> float:
    """The common delay with which the subwoofers keep, on average, what Distances proposes for them."""
    found = distances.solve(job, measured.round, analyses).channels
    wanted = []
    for i, sub in enumerate(measured.subs):
        old = space.old_settings[i]
        if sub in found and old is not None:
            moved = (found[sub].setting.setting - old) * space.slope_s - space.mains_moved_s
            wanted.append(moved - best.delay_s[i])
        else:
            wanted.append(-best.delay_s[i])
    return float(np.mean(wanted))


@cached
def front_of_round(job: Job, round_id: str, analyses: Analyses) -> FrontPair | str:
    """The front loudspeakers of a round as the settings of Distances place them, or why their sum is not determined."""
    measured = measured_bass(job, round_id, analyses)
    if isinstance(measured, str):
        return measured
    space = search_space(job, measured, analyses)
    moved_s = {
        channel: (found.setting.setting - found.held) * space.slope_s - space.mains_moved_s
        for channel, found in distances.solve(job, round_id, analyses).channels.items()
        if found.held is not None
    }
    later_s = _delay_offset_s(job, measured, analyses, space, unchanged(measured.room.subs))
    low_s, high_s = float(space.bounds.delay_low_s.max()), float(space.bounds.delay_high_s.min())
    return front_pair(job, measured, analyses, moved_s, later_s, (min(low_s, 0.0), max(high_s, 0.0)))


# --- what to enter --------------------------------------------------------------------------------------------------


def proposals(
    job: Job,
    measured: MeasuredBass,
    space: SearchSpace,
    settings: SubSettings,
    filters: tuple[tuple[Filter, ...], ...],
) -> dict[str, SubProposal]:
    """What to enter for some settings of the subwoofers and more filters in each."""
    delay = job.system.processor.delay
    is_change = not same_settings(settings, unchanged(measured.room.subs))
    moved = _shift(space.mains_moved_s / space.slope_s, delay.step) if is_change else 0.0
    wanted = [
        None if setting is None else setting + float(settings.delay_s[i]) / space.slope_s + moved
        for i, setting in enumerate(space.old_settings)
    ]
    known = np.array([v for v in wanted if v is not None])
    extra = 0.0
    if len(known) and is_change:
        extra = float(
            _shifted_into(known, np.full(len(known), delay.min), np.full(len(known), delay.max), delay.step)[0]
            - known[0]
        )
    louder_db = _in_range(louder_db_of(job, measured, settings, filters), space, settings, job) if is_change else 0.0
    out = {}
    for i, sub in enumerate(measured.subs):
        channel = job.system.channel(sub)
        assert channel is not None
        old, old_setting = space.old_trims_db[i], space.old_settings[i]
        polarity = job.setting(measured.round, sub).polarity or "normal"
        turned = {"normal": "reversed", "reversed": "normal"}[polarity]
        value = wanted[i]
        out[sub] = SubProposal(
            channel=channel,
            gain_db=float(settings.gain_db[i]),
            delay_s=float(settings.delay_s[i]),
            polarity=int(settings.polarity[i]),
            old_trim_db=old,
            old_setting=old_setting,
            old_polarity=polarity,
            trim_db=None
            if old is None
            else _near(old + float(settings.gain_db[i]) + louder_db, job.system.processor.trim_db, is_change),
            setting=None if value is None else _near(value + extra, delay, is_change),
            new_polarity=turned if settings.polarity[i] < 0 else polarity,
            filters=filters[i],
            old_filters=job.setting(measured.round, sub).filters or (),
        )
    return out


def louder_db_of(
    job: Job, measured: MeasuredBass, settings: SubSettings, filters: tuple[tuple[Filter, ...], ...]
) -> float:
    """What all trims change by besides, so that the subwoofers with these settings read the reference at once [dB].

    0 where they are not meant to, or where each of them was not read alone in that round.
    """
    reference, subs = job.system.reference_seat, measured.subs
    if not adds_up(job) or reference is None or reference.id not in measured.seats or len(subs) < 2:
        return 0.0
    read = {c: value for (c, seat), (value, _) in by_seat(job, measured.round).items() if seat == reference.id}
    channel = job.system.channel(subs[0])
    if channel is None or not all(sub in read for sub in subs):
        return 0.0
    at, ranges = measured.seats.index(reference.id), job.system.processor.filters
    own = measured.full[:, at]
    new = measured.through(filters, "q" if ranges is None else ranges.width).full[:, at] * settings.factors(BASS_HZ)
    now_db = float(np.mean([read[sub] - sub_level_db(each) for sub, each in zip(subs, own, strict=True)]))
    if at_once := sum_readings(job, measured.round):
        now_db = float(np.mean(at_once)) - sub_level_db(own.sum(axis=0))
    return target_db(job, channel) - now_db - sub_level_db(new.sum(axis=0))


def _in_range(louder_db: float, space: SearchSpace, settings: SubSettings, job: Job) -> float:
    """As much of that as the range of the trims has left for all of them."""
    trim = job.system.processor.trim_db
    new = [old + gain for old, gain in zip(space.old_trims_db, settings.gain_db, strict=True) if old is not None]
    return float(np.clip(louder_db, trim.min - min(new), trim.max - max(new))) if new else 0.0


def _near(value: float, limits: TrimRange | DelayRange, on_grid: bool) -> float:
    return _to(value, limits) if on_grid else value


def same_settings(one: SubSettings, other: SubSettings) -> bool:
    """Whether two settings are equal."""
    return all(np.array_equal(getattr(one, n), getattr(other, n)) for n in SubSettings.__slots__)


def in_use(job: Job, result: BassResult) -> bool:
    """Whether the settings sheet takes the proposal: by decision; without one, where it is a change and not as left."""
    decided = job.decisions.get((result.measured.round, "bass", USE_KEY))
    if decided is not None:
        return decided == "yes" and result.is_change
    return result.is_change and (result.by_hand or result.measured.round != AS_LEFT)


@cached
def trims_in_use(job: Job, round_id: str, analyses: Analyses) -> dict[str, float | None]:
    """Subwoofers that hold in a round what an earlier round's proposal asked for, with their trims [dB]."""
    if round_id not in job.rounds:
        return {}
    for earlier in reversed(job.rounds[: job.rounds.index(round_id)]):
        if not job.responses_of(earlier):
            continue
        result = solve_round(job, earlier, analyses)
        if isinstance(result, str):
            continue
        delay, trim = job.system.processor.delay, job.system.processor.trim_db
        entered = {sub: job.setting(round_id, sub) for sub in result.subs}
        return {
            sub: each.trim_db
            for sub, each in (result.subs.items() if in_use(job, result) else ())
            if _near_enough(entered[sub].trim_db, each.trim_db, trim.step / 2)
            and _near_enough(entered[sub].distance, each.setting, delay.step)
            and (entered[sub].polarity or "normal") == each.new_polarity
            and (not each.filters or entered[sub].filters == each.new_filters)
        }
    return {}


def _near_enough(value: float | None, wanted: float | None, within: float) -> bool:
    return value is not None and wanted is not None and abs(value - wanted) <= within + 1e-9


# --- by hand --------------------------------------------------------------------------------------------------------


def hand_text(
    subs: tuple[str, ...], settings: SubSettings, filters: tuple[tuple[Filter, ...], ...] | None = None
) -> str:
    """Settings chosen by hand, as they are stored: gain in dB, delay in ms, polarity and filters of each subwoofer."""
    every = filters or ((),) * len(subs)
    return "; ".join(
        f"{sub} {settings.gain_db[i]:.3f} {1000 * settings.delay_s[i]:.4f} {settings.polarity[i]:+d}"
        + "".join(f" {f.frequency_hz:.9g}/{f.gain_db:.9g}/{f.width:.9g}" for f in every[i])
        for i, sub in enumerate(subs)
    )


def hand_settings(job: Job, measured: MeasuredBass) -> tuple[SubSettings, tuple[tuple[Filter, ...], ...]] | None:
    """Settings and filters chosen by hand for this round; None where there are none, or none that fit its subwoofers."""
    text = job.decisions.get((measured.round, "bass", HAND_KEY), "")
    try:
        rows = [_hand_row(part) for part in text.split(";") if part.strip()]
    except ValueError:
        return None
    good = all(abs(g) <= 60 and abs(d) <= 1 and p in (1, -1) for _, g, d, p, _ in rows)
    good &= all(1 <= f.frequency_hz < 20_000 and abs(f.gain_db) <= 60 and f.width > 0 for r in rows for f in r[4])
    if tuple(row[0] for row in rows) != measured.subs or not good:
        return None
    _, gain, delay, polarity, filters = zip(*rows, strict=True)
    return SubSettings(np.array(gain), np.array(delay), np.array(polarity)), filters


def _hand_row(text: str) -> tuple[str, float, float, int, tuple[Filter, ...]]:
    """Subwoofer, gain [dB], delay [s], polarity and filters from one part of `hand_text`; raises ValueError."""
    words = text.split(" ")
    filters: list[Filter] = []
    while words and words[-1].count("/") == 2:
        hz, gain, width = (float(v) for v in words.pop().split("/"))
        filters.insert(0, Filter(frequency_hz=hz, gain_db=gain, width=width))
    row = " ".join(words).rsplit(maxsplit=3)
    if len(row) != 4:
        raise ValueError(text)
    return row[0].strip(), float(row[1]), float(row[2]) / 1000, int(row[3]), tuple(filters)


def search_from(
    job: Job,
    result: BassResult,
    through: MeasuredBass,
    analyses: Analyses,
    start: SubSettings,
    cancel: CancelToken,
    progress: Callable[[float], None],
) -> tuple[SubSettings, bool]:
    """(the best settings from here on the steps of the processor, whether the search was stopped before its end)."""
    room, space = through.room, result.space
    price = PRICES[trade_choice(job, result.measured.round)]
    found = search_of.search(room, space.bounds, price, cancel, progress, also=start)
    settled = [
        search_of.settle(room, space.bounds, space.grid, found.settings[k], price)
        for k in range(min(3, len(found.costs)))
    ]
    settled.sort(key=lambda each: search_of.figures(room, each, price).cost)
    placing = _Placing(job, result.measured, analyses, space)
    candidates = placing.candidates(through, settled)
    return candidates[_wanted(job, result.measured, candidates)].placed, found.stopped
