"""The changes of each channel between two visits, beyond the uncertainty of the difference.

A measured change has four parts: the effect of settings (a changed trim), the effect of the air (arrivals), the part
common to all loudspeakers (volume, gain, the start of a clock: the median over the mains at each seat), and the
remainder, which is the loudspeaker's own. Only the remainder is checked: it is a drift beyond U = k u of the difference,
u² = u₁² + u₂² + … of the parts that differ between the visits (JCGM 100:2008, 5.1.2). The loudspeaker itself, the meter's
class and the microphone's sensitivity are the same for both visits or for all channels, and cancel.

Many figures are compared at once, so k grows with their number (Bonferroni's inequality, Student's t): an unchanged room
raises an alarm at one visit in twenty at most, over all kinds of figures.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from statistics import fmean, median

import numpy as np

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.multiple import coverage_factor
from commission.dsp.uncertainty import median_sensitivities
from commission.model import AS_FOUND, Analyses, Budget, Contribution, EarlierFigure, Job
from commission.steps.drift import budgets as drift_budgets
from commission.steps.drift.figures import (
    ARRIVAL,
    HEARD,
    HELD,
    KINDS,
    LEVEL,
    RESPONSE,
    SETTINGS,
    figures_of,
    kind,
    rounds_with_data,
)
from commission.steps.drift.visits import (
    NOT_NOW,
    Place,
    Visits,
    coarser_step,
    explained,
    flight_m,
    in_present_unit,
    place_of,
    why_not,
)
from commission.steps.shared import budgets as budget_for
from commission.steps.shared.cache import cached

FALSE_ALARMS = 0.05
"""Largest share of visits with an alarm although nothing drifted; common practice, no source."""
LEAST_MAINS = 3
"""Fewest mains: with fewer, one loudspeaker's own drift would dominate the common part."""
UNKNOWN_APART_M = 3.0
"""Assumed extra distance of a loudspeaker over the others where none is noted."""
AIR_MS = 0.1
"""Shifts of an arrival by air and settings below this are not mentioned (common practice, no source)."""
SAME = 1e-6
"""Settings that differ by less are equal."""
SHARING = (LEVEL, RESPONSE, ARRIVAL)
"""Kinds that may have a part common to the mains: volume, gain, the start of the clock."""
TOO_FEW = {
    LEVEL: "with fewer than three main loudspeakers a changed volume cannot be separated, and the meters are unknown",
    RESPONSE: "with fewer than three main loudspeakers at a seat a changed volume or gain cannot be separated",
    ARRIVAL: "with fewer than three main loudspeakers the start of the clock cannot be separated",
}
Pairs = dict[Place, tuple[EarlierFigure, EarlierFigure]]
"""Place → (then, now)."""
Apart = dict[tuple[str, str], list[tuple[str, str | None]]]
"""(quantity without band, reason) → (channel, seat) of the figures not compared."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """One figure then and now; the mean over the seats of both visits if measured at several."""

    quantity: str
    channel: str | None
    before: float
    now: float
    change: float
    """Now minus then, minus the effects of settings and air, minus the common part of the mains: the checked value."""
    explained: float | None = 0.0
    """Effect of settings and air; None: a relevant setting is not noted at both visits."""
    budget: Budget | None = None
    """Budget of the change; None for settings and signs, which are exact."""
    k: float = 2.0
    """Coverage factor for the number of comparisons at this visit."""
    seats: tuple[tuple[str, float], ...] = ()
    """The change at each seat."""

    @property
    def u(self) -> float:
        """Standard uncertainty of the change."""
        return 0.0 if self.budget is None else self.budget.u

    @property
    def expanded(self) -> float:
        """U = k u."""
        return self.k * self.u

    @property
    def drifted(self) -> bool:
        """Whether the change exceeds U."""
        return abs(self.change) > self.expanded + SAME

    @property
    def is_setting(self) -> bool:
        """Whether it is a setting, which is changed rather than drifted."""
        return self.quantity in SETTINGS

    @property
    def word(self) -> str:
        """The result in a word."""
        if self.is_setting:
            return "changed" if self.drifted else "unchanged"
        if self.drifted:
            return "drifted" if self.explained is not None else "drifted, or reset"
        return "explained" if self.is_explained else "unchanged"

    @property
    def is_explained(self) -> bool:
        """Whether settings or air have a visible effect on it."""
        if self.quantity == HEARD:
            return self.explained == -1.0
        return abs(self.explained or 0.0) > (AIR_MS if self.quantity == ARRIVAL else SAME)


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftResult:
    """The figures of both visits, and why others cannot be compared."""

    drifts: tuple[Drift, ...] = ()
    shared: Mapping[str, float] = field(default_factory=dict)
    """By quantity: the common part of the mains, mean over the seats; subtracted from every channel's change."""
    apart: Mapping[tuple[str, str], tuple[tuple[str, str | None], ...]] = field(default_factory=dict)
    """(quantity without band, reason) → (channel, seat) of the figures not compared."""
    missing: int = 0
    """Number of figures of the earlier visit not yet measured at this one."""
    absolute: bool = False
    """Whether levels are compared as read, including the meter's own part: too few mains to separate the volume."""
    chain_turned: bool = False
    """Whether most mains are inverted from last time, which is due to the measuring chain and removed from all."""
    visits: Visits | None = None

    def changed_settings(self) -> tuple[Drift, ...]:
        """Settings that have changed."""
        return tuple(d for d in self.drifts if d.is_setting and d.drifted)

    def drifted(self) -> tuple[Drift, ...]:
        """The measured figures that changed beyond U."""
        return tuple(d for d in self.drifts if not d.is_setting and d.drifted)


def compared_round(job: Job) -> str:
    """The round of this visit that is compared with the earlier one: the first with data.

    Later measurements include the changes of this visit.
    """
    held = rounds_with_data(job)
    return held[0] if held else AS_FOUND


@cached
def solve(job: Job, round_id: str, analyses: Analyses) -> DriftResult:
    """Compare a round of this visit with the earlier one."""
    visits = Visits.of(job, round_id)
    if visits is None:
        return DriftResult()
    now = {place_of(f, visits.now): f for f in figures_of(job, round_id, analyses)}
    then = {place_of(f, visits.then): f for f in visits.earlier.figures if kind(f.quantity) in KINDS}
    apart: Apart = {}
    both: Pairs = {}
    for place in dict.fromkeys((*then, *now)):
        reason = why_not(visits, place, then.get(place), now.get(place))
        if reason is None:
            both[place] = then[place], now[place]
        elif reason:
            apart.setdefault((kind(place[0]), reason), []).append((place[1] or "", place[2]))
    exact = [_exact(visits, place, pair) for place, pair in both.items() if place[0] in SETTINGS]
    measured, shared, absolute = _measured(visits, both, apart)
    signs, chain_turned = _signs(visits, both)
    waiting = {(q, c) for (q, reason), places in apart.items() if reason == NOT_NOW for c, _ in places}
    return DriftResult(
        drifts=(*exact, *_with_coverage(measured), *signs),
        shared=shared,
        apart={key: tuple(places) for key, places in apart.items()},
        missing=len(waiting),
        absolute=absolute,
        chain_turned=chain_turned,
        visits=visits,
    )


def _exact(visits: Visits, place: Place, pair: tuple[EarlierFigure, EarlierFigure]) -> Drift:
    """Comparison of a setting, as noted then and now."""
    before, now = pair[0].value, pair[1].value
    before = in_present_unit(visits, before) if place[0] == HELD else before
    same = max(coarser_step(visits) if place[0] == HELD else 0.0, SAME)
    change = now - before
    return Drift(
        quantity=place[0], channel=place[1], before=before, now=now, change=0.0 if abs(change) <= same else change
    )


def _signs(visits: Visits, both: Pairs) -> tuple[list[Drift], bool]:
    """Polarity as measured, minus the effect of its setting; whether most mains changed alike, as from the measuring
    chain.
    """
    found = {}
    for (quantity, channel, _), (then, now) in both.items():
        if quantity == HEARD and channel is not None:
            turned = explained(visits, HEARD, channel, passes=now.passes_delays)
            found[channel] = then, now, turned, now.value * then.value * (turned or 1.0)
    mains = [each[3] for name, each in found.items() if name in visits.mains]
    chain = -1.0 if sum(sign < 0 for sign in mains) > len(mains) / 2 >= LEAST_MAINS / 2 else 1.0
    drifts = [
        Drift(
            quantity=HEARD,
            channel=name,
            before=then.value,
            now=now.value,
            explained=turned,
            change=0.0 if sign * chain > 0 else 2 * now.value,
        )
        for name, (then, now, turned, sign) in found.items()
    ]
    return drifts, chain < 0


def _measured(visits: Visits, both: Pairs, apart: Apart) -> tuple[list[Drift], dict[str, float], bool]:
    """The drifts of measured figures, without coverage factors; the common part of the mains; whether levels
    are as read.
    """
    pairs = {place: pair for place, pair in both.items() if place[0] not in (*SETTINGS, HEARD)}
    rest: dict[Place, tuple[float, float | None]] = {}
    for place, (then, now) in pairs.items():
        known = explained(visits, place[0], place[1] or "", passes=now.passes_delays)
        rest[place] = now.value - then.value - (known or 0.0), known
    common = _common_changes(visits, {place: each[0] for place, each in rest.items()})
    absolute = _meter_contributions(visits, rest, common)
    shared = {q: fmean(values) for q in SHARING if (values := [v for (own, _), v in common.items() if own == q])}
    groups: dict[tuple[str, str | None], list[Place]] = {}
    for place in pairs:
        quantity, channel, seat = place
        if quantity in SHARING and (quantity, seat) not in common and not (absolute and quantity == LEVEL):
            apart.setdefault((quantity, TOO_FEW[quantity]), []).append((channel or "", seat))
        else:
            groups.setdefault((quantity, channel), []).append(place)
    drifts = []
    for (quantity, channel), places in groups.items():
        seats = [(p[2], rest[p][0] - common.get((quantity, p[2]), 0.0)) for p in places]
        before, after = ([pairs[p][i] for p in places] for i in (0, 1))
        budget = drift_budgets.change(quantity, channel, before, after, is_sub=channel not in visits.mains)
        drifts.append(
            Drift(
                quantity=quantity,
                channel=channel,
                before=fmean(f.value for f in before),
                now=fmean(f.value for f in after),
                change=fmean(change for _, change in seats),
                explained=rest[places[0]][1],
                budget=budget,
                seats=tuple((seat, change) for seat, change in seats if seat is not None),
            )
        )
    return _with_air_effect(visits, _with_median(visits, drifts, absolute=absolute)), shared, absolute is not None


def _common_changes(visits: Visits, rest: Mapping[Place, float]) -> dict[tuple[str, str | None], float]:
    """(quantity, seat) → median over the mains there; only with at least three of them."""
    values: dict[tuple[str, str | None], list[float]] = {}
    for (quantity, channel, seat), value in rest.items():
        if quantity in SHARING and channel in visits.mains:
            values.setdefault((quantity, seat), []).append(value)
    return {key: median(own) for key, own in values.items() if len(own) >= LEAST_MAINS}


def _meter_contributions(
    visits: Visits, rest: Mapping[Place, object], common: Mapping[tuple[str, str | None], float]
) -> tuple[Contribution, ...] | None:
    """Contributions of the meters to levels as read, if no seat separates volume and loudspeakers; else None."""
    if any(quantity == LEVEL for quantity, _ in common) or not any(place[0] == LEVEL for place in rest):
        return None
    return drift_budgets.meters(visits.then.instrument("meter"), visits.now.instrument("meter"))


def _with_median(visits: Visits, drifts: list[Drift], *, absolute: tuple[Contribution, ...] | None) -> list[Drift]:
    """Drifts with the scatter of the subtracted median, or of the meters if none was subtracted."""
    out = [d for d in drifts if d.quantity not in SHARING]
    for quantity in SHARING:
        own = [d for d in drifts if d.quantity == quantity]
        budgets = [d.budget for d in own if d.budget is not None]
        if quantity == LEVEL and absolute is not None:
            budgets = [replace(b, contributions=(*b.contributions, *absolute)) for b in budgets]
        elif mains := [i for i, d in enumerate(own) if d.channel in visits.mains]:
            one = median(budgets[i].u for i in mains)
            apart = (
                median_sensitivities(np.array([d.change for d in own]), one, mains) if one > 0 else np.zeros(len(own))
            )
            budgets = [budget_for.with_median(b, one, float(each)) for b, each in zip(budgets, apart, strict=True)]
        out += [replace(d, budget=b) for d, b in zip(own, budgets, strict=True)]
    return out


def _with_air_effect(visits: Visits, drifts: list[Drift]) -> list[Drift]:
    """Arrivals with the effect of both visits' temperatures on a path longer or shorter than that of the mains."""
    far = {d.channel: flight_m(visits, d.channel) for d in drifts if d.quantity == ARRIVAL and d.channel is not None}
    # Only the mains, since their median is subtracted.
    middle = median([m for c, m in far.items() if m is not None and c in visits.mains] or [0.0])
    speed = speed_of_sound_m_s(visits.now.temperature_c)
    out = []
    for d in drifts:
        if d.quantity == ARRIVAL and d.budget is not None:
            metres = far.get(d.channel or "")
            air = drift_budgets.air(
                UNKNOWN_APART_M if metres is None else metres - middle,
                speed,
                visits.then.temperature_c,
                visits.now.temperature_c,
                noted=visits.temperature_noted,
            )
            d = replace(d, budget=replace(d.budget, contributions=(*d.budget.contributions, *air)))
        out.append(d)
    return out


def _with_coverage(drifts: list[Drift]) -> list[Drift]:
    """Drifts with the factor for which a visit without drift has no alarm in 19 of 20 cases.

    The risk is shared evenly by the kinds of figures, and within a kind by its comparisons (Bonferroni's inequality).
    Degrees of freedom are those of readings by hand, of which u is the scale.
    """
    count = Counter(kind(d.quantity) for d in drifts)
    risks = {each: FALSE_ALARMS / (number * len(count)) for each, number in count.items()}
    return [
        replace(
            d,
            k=coverage_factor(
                risks[kind(d.quantity)], math.inf if d.budget is None else d.budget.dof, u_is_scale=True
            ),
        )
        for d in drifts
    ]
