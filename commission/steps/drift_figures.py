"""The figures of a visit that a later visit compares with, and the comparison: then, now, the change, its uncertainty.

Where all loudspeakers moved alike, the volume or the microphone's gain differed, not the loudspeakers: the median over
the mains is told apart and taken off first. A drift counts when it exceeds U = k u of the difference, u² = u₁² + u₂²
(JCGM 100:2008, 5.1.2). Many figures are compared at once, so k grows with their number (Bonferroni's inequality): a room
that is as it was raises an alarm of each kind at one visit in twenty at most, where errors are normal.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from statistics import NormalDist, fmean, median

from commission.model import AS_FOUND, Analyses, EarlierFigure, EarlierVisit, Job
from commission.steps import distances, level_results, seat_cells, seat_variance

FALSE_ALARMS = 0.05
"""How many visits may raise an alarm of a kind though nothing drifted; common practice, no source."""
LEVEL, RESPONSE, ARRIVAL, TRIM, HELD, POLARITY, SPREAD = (
    "level_db", "response_level_db", "arrival_ms", "trim_db", "held_distance", "held_polarity", "spread_db",
)  # fmt: skip
Place = tuple[str, str | None, str | None]
"""(quantity, channel, seat)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """One figure then and now; `change` has what all channels share taken off where `shared` is given."""

    quantity: str
    channel: str | None
    before: float
    now: float
    change: float
    u: float
    """Standard uncertainty of the change; 0 for settings, which are exact."""
    k: float = 2.0
    """Coverage factor for as many comparisons as were made of this kind."""
    seats: tuple[tuple[str, float], ...] = ()
    """Where it was measured at several seats: the change at each; the other fields are means over them."""

    @property
    def expanded(self) -> float:
        """U = k u; a hair more than nothing for settings, so that rounding is no change."""
        return self.k * self.u + 1e-9

    @property
    def drifted(self) -> bool:
        """Beyond U."""
        return abs(self.change) > self.expanded


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftResult:
    """Everything that both visits hold, and what only one holds."""

    drifts: tuple[Drift, ...]
    shared: Mapping[str, float]
    """By quantity: the median change over the mains, taken off every channel's."""
    only_then: tuple[str, ...]
    """What the earlier visit held and this one does not yet, in sentences."""
    missing: int = 0
    """How many figures that is."""


def figures_of(job: Job, round_id: str, analyses: Analyses) -> tuple[EarlierFigure, ...]:
    """The figures of a round that a later visit compares with."""
    return (*_settings(job, round_id), *_levels(job, round_id), *_responses(job, round_id, analyses))


def earlier_visit(job: Job, analyses: Analyses, *, file_name: str, program_version: str) -> EarlierVisit:
    """What a return visit keeps of this job: its last round, with the digest that proves it."""
    round_id = last_round(job)
    meter = job.system.instrument("meter")
    return EarlierVisit(
        file_name=file_name,
        title=job.system.title,
        digest=job.digest,
        round=round_id,
        closed_at=job.log[-1].at if job.log else "",
        program_version=program_version,
        meter=f"{meter.model} {meter.serial}".strip() if meter is not None else "",
        figures=figures_of(job, round_id, analyses),
    )


def last_round(job: Job) -> str:
    """As left where anything was measured or noted in it, else the last round that holds something."""
    held = {r.body.round for r in job.readings} | {r.body.round for r in job.responses} | {r for r, _ in job.settings}
    return next((r for r in reversed(job.rounds) if r in held), AS_FOUND)


def _settings(job: Job, round_id: str) -> Iterator[EarlierFigure]:
    for channel in job.system.channels:
        held = job.setting(round_id, channel.id)
        sign = {"normal": 1.0, "reversed": -1.0}.get(held.polarity or "")
        for quantity, value in ((TRIM, held.trim_db), (HELD, held.distance), (POLARITY, sign)):
            if value is not None:
                yield EarlierFigure(quantity=quantity, channel=channel.id, value=value)


def _levels(job: Job, round_id: str) -> Iterator[EarlierFigure]:
    for name, found in level_results.solve(job, round_id).channels.items():
        yield EarlierFigure(quantity=LEVEL, channel=name, value=found.level_db, uncertainty=found.u_db)


def _responses(job: Job, round_id: str, analyses: Analyses) -> Iterator[EarlierFigure]:
    for (channel, seat), cell in seat_cells.solve(job, round_id, analyses).cells.items():
        if cell.level_db is not None and not (cell.analysis is not None and cell.analysis.clipped):
            yield EarlierFigure(
                quantity=RESPONSE, channel=channel, seat=seat, value=cell.level_db, uncertainty=seat_cells.LEVEL_U_DB
            )
    for name, each in distances.solve(job, round_id, analyses).channels.items():
        if each.arrival_s is not None:
            yield EarlierFigure(
                quantity=ARRIVAL, channel=name, value=1000 * each.arrival_s, uncertainty=1000 * each.arrival_u_s
            )
    for name, kinds in seat_variance.one_round(job, round_id, analyses).items():
        for label, band in kinds[seat_variance.HEARD].items():
            yield EarlierFigure(
                quantity=f"{SPREAD} {label}", channel=name, value=band.sd_db, uncertainty=band.u_sd_db
            )


def solve(job: Job, round_id: str, analyses: Analyses) -> DriftResult:
    """Compare a round of this visit with the earlier one."""
    earlier = job.earlier
    if earlier is None:
        return DriftResult(drifts=(), shared={}, only_then=())
    now = {(f.quantity, f.channel, f.seat): f for f in figures_of(job, round_id, analyses)}
    then = {(f.quantity, f.channel, f.seat): f for f in earlier.figures}
    both = [place for place in then if place in now]
    subs = {channel.id for channel in job.system.channels if channel.is_sub}
    shared = {}
    for quantity in (LEVEL, RESPONSE, ARRIVAL):
        changes = [now[p].value - then[p].value for p in both if p[0] == quantity and p[1] not in subs]
        if len(changes) > 2:  # with fewer, one loudspeaker's own drift would be most of the median
            shared[quantity] = median(changes)
    drifts = [
        Drift(
            quantity=place[0],
            channel=place[1],
            before=then[place].value,
            now=now[place].value,
            change=now[place].value - then[place].value - shared.get(place[0], 0.0),
            u=math.hypot(then[place].uncertainty or 0.0, now[place].uncertainty or 0.0),
            seats=((place[2], now[place].value - then[place].value - shared.get(place[0], 0.0)),) if place[2] else (),
        )
        for place in both
    ]
    drifts = _over_seats(drifts)
    count = Counter(kind(drift.quantity) for drift in drifts)
    return DriftResult(
        drifts=tuple(replace(drift, k=coverage_factor(count[kind(drift.quantity)])) for drift in drifts),
        shared=shared,
        only_then=_only_then(then, now),
        missing=len(then) - len(both),
    )


def _over_seats(drifts: list[Drift]) -> list[Drift]:
    """One drift for each channel and kind: the mean over its seats, with the uncertainty of one seat.

    The uncertainty is not divided by the number of seats: angle and gain of the microphone are common to them.
    """
    groups: dict[tuple[str, str | None], list[Drift]] = {}
    for drift in drifts:
        groups.setdefault((drift.quantity, drift.channel), []).append(drift)
    return [
        replace(
            group[0],
            before=fmean(d.before for d in group),
            now=fmean(d.now for d in group),
            change=fmean(d.change for d in group),
            u=max(d.u for d in group),
            seats=tuple(seat for d in group for seat in d.seats),
        )
        for group in groups.values()
    ]


def coverage_factor(comparisons: int) -> float:
    """K such that `comparisons` normal errors all stay within ±k u in 19 of 20 visits (Bonferroni's inequality)."""
    return NormalDist().inv_cdf(1 - FALSE_ALARMS / (2 * comparisons))


def kind(quantity: str) -> str:
    """The quantity without its band."""
    return quantity.split(" ")[0]


WHAT = {
    LEVEL: "levels read by hand",
    RESPONSE: "responses",
    ARRIVAL: "arrivals",
    TRIM: "trims",
    HELD: "delays or distances held",
    POLARITY: "polarity settings",
    SPREAD: "differences between seats",
}


def _only_then(then: Mapping[Place, EarlierFigure], now: Mapping[Place, EarlierFigure]) -> tuple[str, ...]:
    out = []
    for quantity, what in WHAT.items():
        known = [p for p in then if kind(p[0]) == quantity]
        missing = [p for p in known if p not in now]
        if missing:
            names = ", ".join(dict.fromkeys(p[1] or "" for p in missing))
            several = "all" if len(missing) == len(known) else f"{len(missing)} of {len(known)}"
            out.append(f"Not compared, because this round does not hold them: {several} {what} ({names}).")
    return tuple(out)
