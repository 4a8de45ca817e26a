"""Common gain, delay and polarity of all subwoofers, and their sum with the front loudspeakers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from commission.dsp import bass_search as search_of
from commission.dsp.analysis import BASS_HZ, SUB_LEVEL_BAND_HZ
from commission.dsp.bass_search import Figures
from commission.dsp.bass_sum import SubSettings, unchanged
from commission.model import Analyses, Filter, FloatArray, Job
from commission.steps import distances, levels
from commission.steps.bass.crossover import Crossover, FrontPair, front_pair
from commission.steps.bass.filters import proposed_filters
from commission.steps.bass.measurement import MeasuredBass, measured_bass
from commission.steps.bass.search_space import SearchSpace, search_space, shifted_into, whole_steps
from commission.steps.bass.version import filter_width
from commission.steps.shared.cache import cached


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """Settings of the subwoofers, and the resulting gain of the sum with the front loudspeakers."""

    settings: SubSettings
    placed: SubSettings
    """The settings with the common gain, delay and polarity."""
    filters: tuple[tuple[Filter, ...], ...]
    """The filters to add to each subwoofer."""
    figures: Figures
    sum_gain_db: float
    """Mean of the front loudspeakers; infinite if the crossover was not evaluated."""


MOST_WEAKENED_DB, LEAST_KEPT_DB = 0.5, 0.25
"""If the most even settings weaken the sum through the crossover by more than the first, others are offered that preserve
at least the second more of it (a choice of this project)."""

MOST_MADE_UP_DB = 3.0
"""Largest gain that compensates the loss by filters: twice the power (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Placing:
    """The inputs that determine the common gain, delay and polarity of all subwoofers."""

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
        gain = best.gain_db + whole_steps(self._louder_db(through, best), grid.gain_step_db)
        gain = shifted_into(gain, bounds.gain_low_db, bounds.gain_high_db, grid.gain_step_db)
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
        return shifted_into(delay_s + whole_steps(by_s, step_s), bounds.delay_low_s, bounds.delay_high_s, step_s)

    def crossover(self, through: MeasuredBass, settings: SubSettings | None) -> Crossover | None:
        """The sum with the front loudspeakers; as measured with no settings."""
        return None if isinstance(self.front, str) else self.front.crossover(through, settings)

    def candidates(self, through: MeasuredBass, settled: Sequence[SubSettings]) -> dict[str, Candidate]:
        """The first of the settings; if it weakens the sum too much, also the first that does not.

        If all do, the one that weakens it least.
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
        """Candidate for settings, with the common part added; `through` already includes `filters`."""
        placed = self.placed(through, settings)
        crossover = self.crossover(through, placed)
        return Candidate(
            settings=settings,
            placed=placed,
            filters=filters or ((),) * len(settings.gain_db),
            figures=search_of.figures(through.room, settings),
            sum_gain_db=math.inf if crossover is None else crossover.gain_db,
        )

    def through_filters(self, candidate: Candidate, price: float) -> Candidate:
        """The candidate with filters that suit it, settled on the steps of the processor."""
        job, measured, space = self.job, self.measured, self.space
        filters = proposed_filters(job, measured, space, candidate.settings)
        if not any(filters):
            return candidate
        through = measured.through(filters, filter_width(job))
        settings = search_of.refine_on_grid(through.room, space.bounds, space.grid, candidate.settings, price)
        return self.candidate(through, settings, filters)


def equal_loudness(measured: MeasuredBass, through: MeasuredBass, space: SearchSpace) -> SubSettings:
    """A common gain that compensates the loss by filters."""
    same = unchanged(measured.room.subs)
    lost = _sum_power(measured, same) / max(_sum_power(through, same), 1e-30)
    grid, bounds = space.grid, space.bounds
    gain = same.gain_db + whole_steps(min(10 * math.log10(max(lost, 1e-30)), MOST_MADE_UP_DB), grid.gain_step_db)
    gain = shifted_into(gain, bounds.gain_low_db, bounds.gain_high_db, grid.gain_step_db)
    return SubSettings(gain, same.delay_s, same.polarity)


def _sum_power(measured: MeasuredBass, settings: SubSettings) -> float:
    """Pink-weighted power of the sum between 30 and 80 Hz, mean of the seats."""
    inside = (BASS_HZ >= SUB_LEVEL_BAND_HZ[0]) & (BASS_HZ <= SUB_LEVEL_BAND_HZ[1])
    f = BASS_HZ[inside]
    total = np.einsum("if,isf->sf", settings.factors(f), measured.full[:, :, inside])
    return float(np.einsum("sf,s,f->", np.abs(total) ** 2, measured.room.seat_share, 1 / f))


def _loudness_db(
    job: Job, measured: MeasuredBass, through: MeasuredBass, analyses: Analyses, best: SubSettings
) -> float:
    """The common gain with which the filtered sum has the power of all subwoofers with the trims of Levels."""
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
    """The common delay with which the subwoofers match, on average, the proposal of Distances for them."""
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
    """The front loudspeakers of a round with the settings of Distances, or why their sum is not determined."""
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
