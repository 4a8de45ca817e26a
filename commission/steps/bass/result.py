"""The proposal for the subwoofers, its prediction at every seat, and its alternatives, for the step `bass`.

The search (`dsp.bass_search`) gives differences between subwoofers. The common part is set afterwards. Gain: their sum is
as loud as the sum of their powers with the trims of Levels. Delay: on average that of Distances, or the one with the best
sum with the front loudspeakers if the crossover is entered. The result is evaluated on the steps of the processor.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from commission.dsp import bass_search as search_of
from commission.dsp.bass_search import HeldOut, Robustness
from commission.dsp.bass_sum import SubResponses, SubSettings, level_matched_db, unchanged
from commission.dsp.repeatability import placement_u_db
from commission.model import AS_LEFT, Analyses, CancelToken, Filter, Job
from commission.steps.bass.by_hand import hand_settings
from commission.steps.bass.choices import PRICES, tradeoff_choice, tradeoff_rows, undominated, wanted_candidate
from commission.steps.bass.crossover import Crossover, FrontPair
from commission.steps.bass.entries import SubProposal, proposals
from commission.steps.bass.filters import proposed_filters
from commission.steps.bass.measurement import MeasuredBass, measured_bass, newest_bass
from commission.steps.bass.memory import once, search_numbers
from commission.steps.bass.placing import Candidate, Placing, equal_loudness
from commission.steps.bass.search_results import search_all
from commission.steps.bass.search_space import SearchSpace, search_space
from commission.steps.bass.verification import verify
from commission.steps.bass.version import Version, filter_width, version
from commission.steps.shared.cache import cached

USE_KEY = "use"
"""Key of the decision whether the settings sheet takes the proposal."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BassResult:
    """The newest round with its proposal."""

    measured: MeasuredBass
    through: MeasuredBass
    """The measured round through the proposed filters."""
    filters: tuple[tuple[Filter, ...], ...]
    """The proposed filters of each subwoofer."""
    as_found: Version
    proposed: Version
    others: tuple[Version, ...]
    """The alternatives "all alike" and "best single subwoofer"."""
    tradeoff: tuple[Version, ...]
    """Versions in the order of `PRICES`, without duplicates."""
    subs: dict[str, SubProposal]
    kept_because: str | None
    """Reason why everything is left as it is; None if a change is proposed."""
    by_hand: bool
    robustness: Robustness
    held_out: HeldOut | None
    crossover: Crossover | None
    front: FrontPair | str
    """The front loudspeakers, or the reason why the crossover was not evaluated."""
    candidates: dict[str, Candidate]
    """The choice between evenness ("even") and the sum through the crossover ("keep"), where these differ."""
    wanted: str
    """Name of the proposed candidate."""
    gained: float
    """Reduction of the cost from as found [dB²]."""
    u_gained: float
    """Its standard uncertainty."""
    space: SearchSpace

    @property
    def no_crossover(self) -> str:
        """Reason why the crossover was not evaluated; empty if it was."""
        return self.front if isinstance(self.front, str) else ""

    @property
    def is_change(self) -> bool:
        """Whether any setting changes."""
        return self.kept_because is None


def solve(job: Job, analyses: Analyses) -> BassResult | str:
    """The proposal of the newest round with the required data, or one clause with the reason why there is none."""
    measured = newest_bass(job, analyses)
    return measured if isinstance(measured, str) else solve_round(job, measured.round, analyses)


@cached
def solve_round(job: Job, round_id: str, analyses: Analyses) -> BassResult | str:
    """The proposal of one round."""
    measured = measured_bass(job, round_id, analyses)
    if isinstance(measured, str):
        return measured
    space = search_space(job, measured, analyses)
    return _result(job, measured, analyses, space, tradeoff_choice(job, round_id))


def _result(job: Job, measured: MeasuredBass, analyses: Analyses, space: SearchSpace, choice: str) -> BassResult:
    room, temperature, price = measured.room, job.system.temperature_c, PRICES[choice]
    searched = search_all(room, space, temperature)
    held_out = once(
        (*search_numbers(room, space), "held out", price),
        lambda: search_of.held_out(room, space.bounds, searched[choice].settings, price),
    )
    found = version(measured, "as found", unchanged(room.subs), price)
    robust_found = search_of.robustness(room, unchanged(room.subs), temperature)
    placing, hand = Placing(job, measured, analyses, space), hand_settings(job, measured)
    through_filters = {
        name: {
            key: placing.through_filters(each, PRICES[name])
            for key, each in placing.candidates(measured, found.settled).items()
        }
        for name, found in searched.items()
    }
    every = undominated(job, measured, through_filters)
    candidates, wanted = every[choice], wanted_candidate(job, measured, every[choice])
    chosen = candidates[wanted]
    best, placed, filters = (chosen.settings, chosen.placed, chosen.filters) if hand is None else (hand[0], *hand)
    through = measured.through(filters, filter_width(job))
    crossover = placing.crossover(through, placed)
    robustness = search_of.robustness(through.room, best, temperature)
    proposed = version(through, "proposed" if hand is None else "by hand", placed, price, filters)
    gained, u = _gained(measured, (found, robust_found), (proposed, robustness), price)
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
        tradeoff=() if contradiction or room.subs < 2 else tradeoff_rows(placing, every, choice),
        subs=proposals(job, measured, space, placed, filters),
        kept_because=kept,
        by_hand=hand is not None,
        robustness=robustness,
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
    filters = ((),) * room.subs if contradiction else proposed_filters(job, measured, space, unchanged(room.subs))
    return _with_unchanged_settings(result, placing, robust_found, price, filters)


def _contradiction(job: Job, round_id: str, analyses: Analyses) -> str | None:
    """Contradiction between responses and settings of the round, on which nothing new can be based; None if there is
    none.
    """
    checked = verify(job, round_id, analyses)
    if isinstance(checked, str) or not checked.off:
        return None
    return f"the settings entered are not those measured ({checked.contradiction})"


def _gained(
    measured: MeasuredBass, before: tuple[Version, Robustness], after: tuple[Version, Robustness], price: float
) -> tuple[float, float]:
    """(reduction of the cost, its standard uncertainty) [dB²], over all cases with small errors."""
    (found, robust_found), (proposed, robustness) = before, after
    gains = (
        robust_found.cases_db2 - robustness.cases_db2 + price * (proposed.figures.output_db - found.figures.output_db)
    )
    to_target = 0.0 if measured.room.target_db is None else found.shape_db**2 - proposed.shape_db**2
    u = math.hypot(float(gains.std()), _measurement_u_db2(measured.room, found.sd_db))
    return float(gains.mean()) + search_of.TARGET_SHARE * to_target, u


def _with_unchanged_settings(
    result: BassResult,
    placing: Placing,
    robust_found: Robustness,
    price: float,
    filters: tuple[tuple[Filter, ...], ...],
) -> BassResult:
    """The result with gain, delay and polarity unchanged: filters alone may still reduce what all seats share."""
    job, measured, space = placing.job, placing.measured, placing.space
    same = unchanged(measured.room.subs)
    through, has_filters = measured.through(filters, filter_width(job)), any(filters)
    placed = equal_loudness(measured, through, space) if has_filters else same
    temperature = job.system.temperature_c
    return replace(
        result,
        through=through,
        filters=filters,
        proposed=version(through, "proposed" if has_filters else "left as is", placed, price, filters),
        subs=proposals(job, measured, space, placed, filters),
        kept_because=None if has_filters else result.kept_because,
        robustness=search_of.robustness(through.room, placed, temperature) if has_filters else robust_found,
        crossover=placing.crossover(through, placed if has_filters else None),
    )


def _measurement_u_db2(room: SubResponses, sd_db: float) -> float:
    """Standard uncertainty of the variance from microphone placement: 2·sd·u/√(seats · third octaves)."""
    thirds = max(3 * math.log2(room.freq_hz[-1] / room.freq_hz[0]), 1.0)
    u_db = math.sqrt(float(np.mean(placement_u_db(room.freq_hz) ** 2)))
    return 2 * sd_db * u_db / math.sqrt(max(int(np.count_nonzero(room.seat_share)), 1) * thirds)


LEAST_GAIN_DB2 = 0.5
"""Smaller changes of evenness are inaudible (common practice, no source)."""

LEAST_CROSSOVER_DB = 1.0
"""Smallest improvement of the sum through the crossover that is proposed (common practice, no source)."""


def _why_kept(
    measured: MeasuredBass,
    found: Version,
    proposed: Version,
    crossover: Crossover | None,
    gained: float,
    u: float,
    held_out: HeldOut | None,
) -> str | None:
    """Reason to change nothing; None if a change is clearly better."""
    if crossover is not None and crossover.gain_db >= LEAST_CROSSOVER_DB:
        return None
    if measured.room.subs < 2:
        return "with one subwoofer no setting changes how seats differ"
    if gained < max(2 * u, LEAST_GAIN_DB2):
        return f"the best settings would gain {max(gained, 0.0):.1f} dB², no more than its uncertainty or what can be heard"
    if held_out is not None and held_out.mean_db2 >= found.figures.variance_db2:
        return "settings found without one of the seats make the bass of all seats no more even than it is"
    return None


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


def in_use(job: Job, result: BassResult) -> bool:
    """Whether the settings sheet takes the proposal: by decision; without one, if it is a change and not as left."""
    decided = job.decisions.get((result.measured.round, "bass", USE_KEY))
    if decided is not None:
        return decided == "yes" and result.is_change
    return result.is_change and (result.by_hand or result.measured.round != AS_LEFT)


@cached
def trims_in_use(job: Job, round_id: str, analyses: Analyses) -> dict[str, float | None]:
    """Subwoofers that have in a round the settings proposed in an earlier one, with their trims [dB]."""
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


def search_from(
    job: Job,
    result: BassResult,
    through: MeasuredBass,
    analyses: Analyses,
    start: SubSettings,
    cancel: CancelToken,
    progress: Callable[[float], None],
) -> tuple[SubSettings, bool]:
    """(the best settings from this start on the steps of the processor, whether the search was stopped early)."""
    room, space = through.room, result.space
    price = PRICES[tradeoff_choice(job, result.measured.round)]
    found = search_of.search(room, space.bounds, price, cancel, progress, also=start)
    settled = [
        search_of.refine_on_grid(room, space.bounds, space.grid, found.settings[k], price)
        for k in range(min(3, len(found.costs)))
    ]
    settled.sort(key=lambda each: search_of.figures(room, each, price).cost)
    placing = Placing(job, result.measured, analyses, space)
    candidates = placing.candidates(through, settled)
    return candidates[wanted_candidate(job, result.measured, candidates)].placed, found.stopped
