"""Trims from the readings of a round, with their uncertainty. For the step `levels`."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from statistics import fmean

import numpy as np

from commission.dsp import uncertainty as u_of
from commission.dsp.placement import DISPLACED_M, Support, level_placement_u_db
from commission.dsp.trims import TrimPlan, best_common_offset, exact_trims_db, free_offset_db
from commission.dsp.trims import plan as plan_trims
from commission.model import AS_LEFT, Analyses, Budget, Channel, Check, Job, Limit, Verdict
from commission.model.units import counted
from commission.model.verdict import guard_band
from commission.steps.seats.awaiting import awaiting_repair, is_accepted
from commission.steps.seats.faults import trim_doubt
from commission.steps.seats.result import OTHERS, SeatsResult
from commission.steps.seats.result import solve as solve_seats
from commission.steps.shared import budgets as budget_for
from commission.steps.shared.sub_sum import MODES, SubSum, SumFromResponses, sub_sum, sum_budget, targets_sum
from commission.steps.shared.survey import known_distance_m
from commission.steps.wiring.leakage import leakages

CONVENTIONS = (
    (75.0, "75 dB(C) slow with −30 dBFS noise: home practice (common practice, no source)"),
    (85.0, "85 dB(C) slow with −20 dBFS noise: cinemas (SMPTE RP 200, secondary source)"),
    (73.0, "73 dB(C) with −23 LUFS noise, 500–2000 Hz (EBU Tech 3343, 8.2)"),
)
"""Choices of the reference level with their basis; none is built in."""

DEFAULT_RESOLUTION_DB = 0.1
NO_RESPONSES = Analyses()
"""Empty analyses: without responses no channel awaits a repair."""
SUB_NOISE_U_DB = u_of.noise_u_db(50.0, 20.0)
"""Standard uncertainty of subwoofer noise (30 to 80 Hz) in one reading of twenty seconds; that of main channels is
negligible."""
INCONSISTENT = 3.0
"""Repeats with this many times the scatter of the others are of another kind: 3 in 1000 by chance for two readings."""
SUB_PRIOR_DOF = 6.0
"""Largest degrees of freedom of the main channels' repeats for the subwoofers' scatter: subwoofer noise differs (common
practice, no source)."""
BEST_EYE_DB = 0.2
"""Least scatter of a moving display read by eye (common practice, no source)."""
MEDIAN_OF_NORMAL = 0.6745
"""Median of the absolute value of a standard normal variable."""
BEST_HAND, WORST_HAND = 0.4, 1.7
"""Factors on the assumed scatter of one reading: an eye of 0.2 dB with the meter on a stand or within 2 cm, and one of
0.8 dB within 10 cm (calculated from `dsp.placement`)."""
NEAREST_M = 1.0
"""Least assumed distance of a loudspeaker: a wrong distance must not improve the uncertainty of a reading."""
LEAST_MAINS, ALIKE = 3, 0.8
"""Fewest main channels that separate a common part from their differences, and the share that must agree if they are far
off the reference (common practice, no source)."""
BEFORE_SUM = "the trims were entered as asked before anything showed how the subwoofers add; enter the new ones first"
LEVEL_FINDINGS = ("settings.trims", "settings.dialogue-level", "settings.upmix", "wiring.doubled")
"""Findings after whose acceptance a trim is proposed whatever the responses show."""
IN_DOUBT = "find the cause first: it may not be the trim"
MOST_MORE = 9
"""Most additional readings that are requested."""
IN_RANGE = "most channels in range"
ONE_STEP = "plus one step of the trim, by which rounding can set two channels apart"
RANGES = (1.0, 1.0, 1.0, 1.11, 1.18, 1.22, 1.25, 1.29, 1.31, 1.33, 1.35)
"""Quantile of the largest of thirteen ranges of n normal readings, exceeded once in twenty, relative to that of two, by n
(calculated)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelLevel:
    """One channel's reading and its trim; all levels in dB."""

    channel: Channel
    level_db: float
    count: int
    spread_db: float | None
    u_db: float
    """Half of the 95 % interval of the reading's errors specific to the channel: display, position of the meter,
    resolution."""
    u_absolute_db: float | None
    """Including the meter's own part, common to all channels; None if its class is not noted."""
    target_db: float
    old_trim_db: float
    old_trim_known: bool
    correction_db: float
    """Target minus reading."""
    trim_exact_db: float | None
    trim_db: float | None
    """The trim to set; None, like all values that depend on it, if `why_no_trim` is set."""
    predicted_db: float | None
    residual_db: float | None
    at_limit: bool
    reachable: bool
    why_no_trim: str | None
    """The fault to repair before a trim is proposed, or the doubt that its trim is the cause."""
    in_doubt: bool
    """Whether it awaits no repair, but its trim may not be the cause."""
    before_sum: bool
    """Whether the trim of a subwoofer was entered as asked before anything showed how they add: it is then compared with
    that target."""
    match: Check
    """Reading minus target, relative to the common part of the main channels."""
    matched: int
    """Number of readings that `match` is the mean of, with those of earlier rounds."""
    more: int | None
    """Number of further readings of every undecided channel that would decide this one if they agree; None if it is
    decided, or nine would not suffice."""
    repeat: Check | None
    reading: Budget
    """Budget of `u_db`."""
    budget: Budget
    """Budget of `match`: including the scatter of its reference."""
    budget_absolute: Budget | None
    """Budget of `u_absolute_db`."""
    budget_left: Budget
    """Budget including the rounding of the trim: the remaining error after it is entered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetChoice:
    """A common offset of all targets, with its cost."""

    offset_db: float
    what: str
    reaching: int
    unreachable: tuple[str, ...]
    rounding_db: float
    """Root mean square of the rounding errors, over the channels that reach their target."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelsResult:
    """All channels that have a reading."""

    channels: dict[str, ChannelLevel]
    missing: tuple[str, ...]
    seats: tuple[str, ...]
    """Seats whose readings count: those at which all measured channels were read."""
    not_counted: dict[str, tuple[str, ...]]
    """Seats whose readings do not count yet → the channels not read there."""
    offset_db: float
    proposed_offset_db: float
    """Common offset that brings most channels into range; 0 if the reference does."""
    choices: tuple[OffsetChoice, ...]
    """The reference, the proposal if it differs, and the offset with the least rounding."""
    basis: str
    sub_basis: str
    common_u_db: float | None
    """Standard uncertainty of the absolute level, from the meter's class; None if the class is not noted."""
    common_db: float | None
    """Common part of the main channels: median of reading minus target; None if unknown."""
    reference: Check | None
    """Check of the common part against the reference; None if unknown."""
    budget_reference: Budget | None
    """Budget of that check; None if the meter's class is not noted."""
    together: SubSum | None
    """Sum of all subwoofers at the reference seat; None with fewer than two, or if nothing shows how they add."""
    sum_check: Check | None
    """Check that they read the reference together; None if not intended, or unknown."""
    budget_sum: Budget | None
    support: Support
    """Support of the meter: hand or stand."""
    repeated: bool
    """Whether any reading was repeated."""

    @property
    def before_sum(self) -> tuple[str, ...]:
        """Subwoofers whose trims were entered as asked before anything showed how subwoofers add."""
        return tuple(c for c, each in self.channels.items() if each.before_sum)

    @property
    def settable(self) -> int:
        """Number of channels that get a trim: those that neither await a repair nor are in doubt."""
        return sum(each.why_no_trim is None for each in self.channels.values())


def solve(
    job: Job,
    round_id: str,
    analyses: Analyses,
    trims_by_bass: Mapping[str, float | None],
    sums: Mapping[str, SumFromResponses | None],
) -> LevelsResult:
    """Trims from the readings of a round.

    Channels that await a repair, or may be off for another reason than their trim, get none and do not affect the others.
    `trims_by_bass`: subwoofer → the trim proposed by the step Bass and set in the round; `sums`: round → their sum.
    """
    awaiting = awaiting_repair(job, round_id, analyses)
    read = _read(job, round_id)
    together = _together(job, round_id, read, awaiting, sums)
    targets_db = _targets_db(job, round_id, trims_by_bass, together)
    counted = _counted_seats(job, read)
    measured = _measured(job, round_id, read, counted)
    offset = decided_offset_db(job, round_id) or 0.0  # at the reference, unless the technician chooses otherwise
    asked_db = _asked_before_sum(job, round_id, together, sums, offset)
    own_targets_db, targets_db = targets_db, {c: target + offset for c, target in targets_db.items()}
    readings = {channel.id: _budget(job, channel, found, counted) for channel, found in measured}
    common = _common(job, measured, readings, awaiting, counted, targets_db)
    pooled = {} if common is None else _with_earlier(job, round_id, analyses, measured, read, counted, trims_by_bass)
    best = [(c, pooled.get(c.id, found)) for c, found in measured]
    budgets = readings | {c.id: _budget(job, c, found, counted) for c, found in best if c.id in pooled}
    match_common = (_common(job, best, budgets, awaiting, counted, targets_db) if pooled else None) or common
    common_db = 0.0 if common is None else common.value_db
    limit = job.limit("settings.trim")
    off_db = {c.id: found.level_db - targets_db[c.id] - common_db for c, found in measured if c.id not in awaiting}
    surely = {c for c, off in off_db.items() if limit.judge(off, readings[c].u) is Verdict.FAIL}
    doubtful = _doubtful(job, round_id, analyses, off_db, surely)
    trims, choices = _trims(job, round_id, measured, awaiting, doubtful, own_targets_db, offset)
    check, budget_sum = _sum_check(job, round_id, together, readings, common, offset, asked_db) or (None, None)
    channels = {
        c.id: _channel(
            job,
            round_id,
            c,
            found,
            targets_db[c.id],
            trims[c.id],
            readings[c.id],
            (pooled.get(c.id, found), budgets[c.id]),
            match_common,
            asked_db.get(c.id),
        )
        for c, found in measured
    }
    return LevelsResult(
        channels=_with_further_readings(channels),
        missing=tuple(c.id for c in job.system.channels if c.id not in channels),
        seats=counted,
        not_counted=_not_counted(read, counted),
        offset_db=offset,
        proposed_offset_db=next((each.offset_db for each in choices if each.what == IN_RANGE), 0.0),
        choices=choices,
        basis=reference_basis(job),
        sub_basis=_sub_basis(job),
        common_u_db=_meter_u_db(job),
        common_db=None if common is None else common.value_db,
        reference=None if common is None else _reference(job, common, counted),
        budget_reference=None if common is None else common.budget,
        together=together,
        sum_check=check,
        budget_sum=budget_sum,
        support=meter_support(job),
        repeated=any(found.scatter.repeated for _, found in measured),
    )


def _doubtful(
    job: Job, round_id: str, analyses: Analyses, off_db: Mapping[str, float], surely: Container[str]
) -> set[str]:
    """Channels that may be off for another reason than their trim.

    `off_db`: channel that awaits no repair → reading minus target, relative to the common part of the main channels;
    `surely`: those that are surely off. One that also plays from another loudspeaker need not be.
    """
    limit = job.limit("settings.trim")
    off_db = {c: off for c, off in off_db.items() if c in surely or off > limit.upper}
    if not off_db or not analyses:
        return set()
    result = solve_seats(job, round_id, analyses)
    elsewhere = {
        c for c, found in leakages(job, round_id, analyses).items() if any(each.certain for each in found.also)
    }
    return {
        c
        for c, off in off_db.items()
        if (c in elsewhere and off > 0)
        or (c in surely and trim_or_cause(job, round_id, analyses, result, c, loud=off > 0) is not None)
        if not any(is_accepted(job, each, c) for each in LEVEL_FINDINGS)
    }


def trim_or_cause(
    job: Job, round_id: str, analyses: Analyses, result: SeatsResult, channel: str, *, loud: bool
) -> str | None:
    """Reason other than its trim that may make a channel loud or soft, as a clause.

    From its responses in a round, whose seats are in `result`, or in the newest earlier one with any.
    """
    heard = {item.round for item in analyses if item.channel == channel}
    newest = next((each for each in reversed(job.rounds_until(round_id)) if each in heard), round_id)
    if newest != round_id:
        result = solve_seats(job, newest, analyses)
    shared = leakages(job, newest, analyses).get(channel) if loud else None
    if shared is not None and shared.also:
        other = shared.also[0]
        return f"it and {other.other} share sound at {counted(other.seats, 'seat')}"
    comparable = {OTHERS, *(c.id for c in job.system.channels)} - awaiting_repair(job, round_id, analyses).keys()
    return trim_doubt(result, channel, comparable, loud=loud)


def _measured(
    job: Job, round_id: str, read: Mapping[str, dict[str, list[float]]], counted: tuple[str, ...]
) -> list[tuple[Channel, _Reading]]:
    """Channels with a reading at a seat that counts."""
    scatter = _scatter(job, round_id)
    return [
        (c, _reading(job, c, read[c.id], counted, scatter[c.id]))
        for c in job.system.channels
        if read[c.id].keys() & set(counted)
    ]


def _not_counted(
    read: Mapping[str, Mapping[str, list[float]]], counted: tuple[str, ...]
) -> dict[str, tuple[str, ...]]:
    """Seats whose readings do not count → the channels not read there."""
    seats = dict.fromkeys(seat for own in read.values() for seat in own)
    return {
        seat: tuple(c for c, own in read.items() if own and seat not in own) for seat in seats if seat not in counted
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trim:
    """The trim to set for one channel; all None if there is a reason not to propose one."""

    why_not: str | None = None
    in_doubt: bool = False
    exact_db: float | None = None
    trim_db: float | None = None
    residual_db: float | None = None
    reachable: bool = True
    at_limit: bool = False


def _trims(
    job: Job,
    round_id: str,
    measured: Sequence[tuple[Channel, _Reading]],
    awaiting: Mapping[str, str],
    doubtful: set[str],
    targets_db: Mapping[str, float],
    offset_db: float,
) -> tuple[dict[str, _Trim], tuple[OffsetChoice, ...]]:
    """The trims with that common offset of all targets, and the cost of other offsets."""
    limits = job.system.processor.trim_db
    grid = (limits.min, limits.max, limits.step)
    why_not = dict.fromkeys(doubtful, IN_DOUBT) | dict(awaiting)
    healthy = [(channel.id, found.level_db) for channel, found in measured if channel.id not in why_not]
    names, levels = [name for name, _ in healthy], [level for _, level in healthy]
    targets = [targets_db[name] for name in names]
    old = [old_trim_db(job, round_id, name) or 0.0 for name in names]
    plan = plan_trims(levels, targets, old, *grid, offset_db)
    trims = {c.id: _Trim(why_not=why_not.get(c.id), in_doubt=c.id in doubtful) for c, _ in measured}
    for k, name in enumerate(names):
        trim_db, reachable = plan.trim_db[k], k not in plan.out_of_range
        trims[name] = _Trim(
            exact_db=plan.exact_db[k],
            trim_db=trim_db,
            residual_db=plan.residual_db[k],
            reachable=reachable,
            at_limit=not reachable or min(trim_db - limits.min, limits.max - trim_db) < limits.step - 1e-6,
        )
    if not healthy:
        return trims, ()
    exact = exact_trims_db(levels, targets, old)
    offsets = {
        "the reference": 0.0,
        IN_RANGE: best_common_offset(exact, *grid) or None,
        "least rounding": free_offset_db(exact, *grid),
    }
    choices = tuple(
        _choice(what, plan_trims(levels, targets, old, *grid, value), names)
        for what, value in offsets.items()
        if value is not None
    )
    return trims, choices


@dataclass(frozen=True, slots=True)
class _Common:
    """Common part of the main channels: volume and meter."""

    value_db: float
    """Median of reading minus target."""
    u_one_db: float
    """Median of the standard uncertainties of the channels' readings."""
    sensitivities: dict[str, float]
    """Share of that which the median adds to each channel's value."""
    budget: Budget | None


def _common(
    job: Job,
    measured: list[tuple[Channel, _Reading]],
    readings: Mapping[str, Budget],
    awaiting: Mapping[str, str],
    counted: tuple[str, ...],
    targets_db: Mapping[str, float],
) -> _Common | None:
    """Common part of the main channels that await no repair. None with fewer than three of them, and if most are off the
    reference by more than volume and meter may be, but not alike: then nothing shows which of them are right.
    """
    mains = [i for i, (c, _) in enumerate(measured) if not c.is_sub and c.id not in awaiting]
    if len(mains) < LEAST_MAINS:
        return None
    off = np.array([found.level_db - targets_db[c.id] for c, found in measured])
    middle, limit = float(np.median(off[mains])), _match_limit(job)
    alike = np.mean([limit.lower <= each - middle <= limit.upper for each in off[mains]])
    reference = job.limit("levels.reference")
    if not reference.lower <= middle <= reference.upper and alike < ALIKE:
        return None
    one = float(np.median([readings[measured[i][0].id].u for i in mains]))
    sensitivities = u_of.median_sensitivities(off, one, mains)
    meter = job.system.instrument("meter")
    budget = None
    if meter is not None and meter.accuracy_class:
        seat = counted[0] if len(counted) == 1 else None
        budget = budget_for.level_reference(one, len(mains), meter.accuracy_class, seat)
    return _Common(
        middle,
        one,
        {c.id: float(s) for (c, _), s in zip(measured, sensitivities, strict=True)},
        budget,
    )


def _reference(job: Job, common: _Common, counted: tuple[str, ...]) -> Check:
    """Check of the main channels together against the reference: the volume, within the meter's own error."""
    return Check(
        id="levels.reference",
        seat=counted[0] if len(counted) == 1 else None,
        value=common.value_db,
        unit="dB",
        uncertainty=0.0 if common.budget is None else common.budget.u,
        limit=job.limit("levels.reference"),
        why_not=None if common.budget is not None else "the class of the meter is not entered",
        text="median of the main channels minus the reference: volume and meter, common to all channels",
    )


def _together(
    job: Job,
    round_id: str,
    read: Mapping[str, Mapping[str, list[float]]],
    awaiting: Mapping[str, str],
    sums: Mapping[str, SumFromResponses | None],
) -> SubSum | None:
    reference = reference_id(job)
    alone = {
        c: fmean(own[reference])
        for c, own in read.items()
        if c not in awaiting and reference is not None and reference in own
    }
    return sub_sum(job, round_id, alone, sums)


def _asked_before_sum(
    job: Job,
    round_id: str,
    together: SubSum | None,
    sums: Mapping[str, SumFromResponses | None],
    offset_db: float,
) -> dict[str, float]:
    """Subwoofers set, within a step, to the trim that brings each alone to the reference by the newest earlier round in
    which all were read, if nothing showed by then how they add → that level of each alone.
    """
    if together is None or not targets_sum(job):
        return {}
    earlier = job.rounds[: job.rounds.index(round_id)]
    for at in range(len(earlier) - 1, -1, -1):
        before, read = earlier[at], _read(job, earlier[at])
        if not all(read[sub] for sub in together.alone_db):
            continue
        if _together(job, before, read, {}, {each: sums.get(each) for each in earlier[: at + 1]}) is not None:
            return {}
        offset = decided_offset_db(job, before) or 0.0
        return {
            c.id: target_db(job, c) + offset_db
            for c in job.system.channels
            if c.id in together.alone_db and _is_as_asked(job, round_id, before, c, read[c.id], offset)
        }
    return {}


def _is_as_asked(
    job: Job, round_id: str, before: str, sub: Channel, read: Mapping[str, list[float]], offset_db: float
) -> bool:
    """Whether a subwoofer is set, within a step, as an earlier round's readings of it alone ask for."""
    limits = job.system.processor.trim_db
    old, held = old_trim_db(job, before, sub.id), old_trim_db(job, round_id, sub.id)
    if held is None:
        return False
    level = fmean(fmean(values) for values in read.values())
    asked = (old or 0.0) + target_db(job, sub) + offset_db - level
    return abs(held - min(max(asked, limits.min), limits.max)) <= limits.step + 1e-6


def _sum_check(
    job: Job,
    round_id: str,
    together: SubSum | None,
    readings: Mapping[str, Budget],
    common: _Common | None,
    offset_db: float,
    asked_db: Mapping[str, float],
) -> tuple[Check, Budget] | None:
    """Check that all subwoofers together read the reference, relative to the common part of the main channels.

    `asked_db`: see `_asked_before_sum`; not tested if all of them are among these.
    """
    if together is None or together.level_db is None or not targets_sum(job):
        return None
    first = next((sub for sub in together.alone_db if sub in readings), None)
    channel = None if first is None else job.system.channel(first)
    if first is None or channel is None:
        return None
    budget = sum_budget(readings[first], len(together.alone_db), is_read=together.is_read)
    value = together.level_db - target_db(job, channel) - offset_db
    text = "all subwoofers together minus their target"
    if common is not None:
        budget = budget_for.with_median(budget, common.u_one_db, common.sensitivities[first])
        value -= common.value_db
        text += ", relative to the main channels"
    origin = (
        "read with all of them playing" if together.is_read else "from the readings of each alone and their responses"
    )
    check = Check(
        id="levels.sum",
        seat=reference_id(job),
        value=value,
        unit="dB",
        uncertainty=budget.u,
        limit=job.limit("levels.sum"),
        why_not=BEFORE_SUM if set(asked_db) == set(together.alone_db) else None,
        text=f"{text}; {origin}",
    )
    return check, replace(budget, seat=reference_id(job))


def _with_further_readings(channels: dict[str, ChannelLevel]) -> dict[str, ChannelLevel]:
    """The channels with the number of further readings that would decide them, every undecided one being read equally
    often.
    """
    open_ones = [each for each in channels.values() if each.match.verdict is Verdict.UNSURE]
    out = dict(channels)
    for each in open_ones:
        more = _further_readings(each, len(open_ones))
        name = {None: "no number of readings up to nine would", 1: "one more reading would"}.get(more)
        words = f"{name or f'{more} more readings would'} decide it"
        if more is not None:
            words += " if they agree"
        check = replace(each.match, text=f"{each.match.text}; {words}")
        out[each.channel.id] = replace(each, more=more, match=check)
    return out


def _further_readings(each: ChannelLevel, together: int) -> int | None:
    """The least number of further readings for which the same mean and scatter would be within or outside the limit."""
    limit = each.match.limit
    assert limit is not None
    shrinking = [p for p in each.budget.contributions if math.isfinite(p.dof) or p.shared]
    rest = math.sqrt(sum(p.part**2 for p in each.budget.contributions if p not in shrinking))
    scatter = math.sqrt(sum(p.part**2 for p in shrinking))
    dof = min((p.dof for p in shrinking), default=math.inf)
    if not math.isfinite(dof):
        return None
    for more in range(1, MOST_MORE + 1):
        ratio = u_of.student_t95(dof + more * together) / u_of.student_t95(dof)
        u = math.hypot(scatter * ratio * math.sqrt(each.matched / (each.matched + more)), rest)
        if limit.judge(each.match.value, u) is not Verdict.UNSURE:
            return more
    return None


def _match_limit(job: Job) -> Limit:
    """The limit of a channel's level, widened by the rounding of the trim."""
    limit, step = job.limit("levels.match"), job.system.processor.trim_db.step
    return Limit(
        low=None if limit.low is None else limit.low - step,
        high=None if limit.high is None else limit.high + step,
        unit=limit.unit,
        basis=f"{limit.basis}; {ONE_STEP}",
    )


def _repeat_limit(job: Job, most: int) -> Limit:
    """The limit for two readings, scaled to the `most` readings of one seat: a range grows with their number."""
    limit = job.limit("levels.repeat")
    factor = RANGES[min(most, len(RANGES) - 1)]
    return replace(limit, high=None if limit.high is None else round(limit.high * factor, 3))


def _choice(what: str, trims: TrimPlan, names: list[str]) -> OffsetChoice:
    out = tuple(names[i] for i in trims.out_of_range)
    return OffsetChoice(
        offset_db=trims.offset_db,
        what=what,
        reaching=len(names) - len(out),
        unreachable=out,
        rounding_db=trims.rms_db,
    )


def _channel(
    job: Job,
    round_id: str,
    channel: Channel,
    found: _Reading,
    target: float,
    trim: _Trim,
    reading: Budget,
    best: tuple[_Reading, Budget],
    common: _Common | None,
    asked_db: float | None,
) -> ChannelLevel:
    """One channel. `reading`: budget of its level; `best`: its level with the readings of earlier rounds, and the budget
    of that; `asked_db`: the target that its trim was entered for, if that is not `target`.
    """
    old, meter = old_trim_db(job, round_id, channel.id), job.system.instrument("meter")
    absolute = None
    if meter is not None and meter.accuracy_class:
        absolute = budget_for.absolute_level(reading, meter.accuracy_class)
    matched, budget = best
    if common is None:
        budget = budget_for.level_match(absolute or reading, 0.0, 0.0)
    else:
        budget = budget_for.level_match(budget, common.u_one_db, common.sensitivities[channel.id])
    aim = target if asked_db is None else asked_db
    return ChannelLevel(
        channel=channel,
        level_db=found.level_db,
        count=found.count,
        spread_db=found.spread_db,
        u_db=reading.u,
        u_absolute_db=None if absolute is None else absolute.u,
        target_db=target,
        old_trim_db=old or 0.0,
        old_trim_known=old is not None,
        correction_db=-(found.level_db - target),
        trim_exact_db=trim.exact_db,
        trim_db=trim.trim_db,
        predicted_db=None if trim.residual_db is None else target + trim.residual_db,
        residual_db=trim.residual_db,
        at_limit=trim.at_limit,
        reachable=trim.reachable,
        why_no_trim=trim.why_not,
        in_doubt=trim.in_doubt,
        before_sum=asked_db is not None,
        match=_match_check(job, channel, matched.level_db - aim, budget, common, matched.count - found.count),
        matched=matched.count,
        more=None,
        repeat=_repeat_check(job, channel, found),
        reading=reading,
        budget=budget,
        budget_absolute=absolute,
        budget_left=budget_for.level_left(reading, job.system.processor.trim_db.step),
    )


def _match_check(
    job: Job, channel: Channel, apart_db: float, budget: Budget, common: _Common | None, earlier: int
) -> Check:
    """Check of a channel's level. `apart_db`: reading minus target; `earlier`: how many readings of earlier rounds it
    includes.
    """
    text = "reading minus target" if common is None else "reading minus target, relative to the other channels"
    if earlier:
        text += f"; mean with {counted(earlier, 'earlier reading')}, shifted by the trim"
    return Check(
        id="levels.match",
        channel=channel.id,
        seat=budget.seat,
        value=apart_db - (0.0 if common is None else common.value_db),
        unit="dB",
        uncertainty=budget.u,
        limit=_match_limit(job),
        text=text,
    )


def _repeat_check(job: Job, channel: Channel, found: _Reading) -> Check | None:
    """Check of the repeats; None if no seat was read twice."""
    if found.spread_db is None:
        return None
    return Check(
        id="levels.repeat",
        channel=channel.id,
        value=found.spread_db,
        unit="dB",
        uncertainty=repeat_budget(job).u,
        limit=_repeat_limit(job, max(found.counts)),
        text="largest minus smallest reading",
    )


def meter_support(job: Job) -> Support:
    """Support of the meter during a reading; by hand if nothing is entered."""
    meter = job.system.instrument("meter")
    return meter.support if meter is not None and meter.support is not None else "hand"


def place_u_db(job: Job, channel: Channel) -> float:
    """Standard uncertainty of a reading from the meter's displacement from the ears [dB]."""
    taped = None if channel.is_sub else known_distance_m(job, channel, job.rounds[-1])
    distance = None if taped is None else max(taped[0], NEAREST_M)
    return level_placement_u_db(DISPLACED_M[meter_support(job)], is_sub=channel.is_sub, distance_m=distance)


def one_reading_u_db(job: Job, channel: Channel) -> float:
    """Assumed scatter between readings of the same channel, without that of a stand, which stays in its place."""
    moves = meter_support(job) == "hand"
    place = place_u_db(job, channel) if moves else 0.0
    return u_of.combine(u_of.DISPLAY_U_DB, place, SUB_NOISE_U_DB if channel.is_sub else 0.0)


def _most_place_db(place_db: float, factor: float) -> float:
    """Upper bound of the scatter of a reading from the position of a hand-held meter [dB].

    Scatter from hand and from eye cannot be distinguished: a hand within 10 cm with a good eye scatters like one within 5
    cm with a moderate eye. Everything beyond the best eye counts as the hand's, less for a near loudspeaker.
    """
    far_db = level_placement_u_db(DISPLACED_M["hand"], is_sub=False)
    both_db = factor * u_of.combine(u_of.DISPLAY_U_DB, far_db)
    return place_db / far_db * math.sqrt(max(both_db**2 - BEST_EYE_DB**2, 0.0))


def _budget(
    job: Job, channel: Channel, found: _Reading, counted: tuple[str, ...], *, standard: bool = False
) -> Budget:
    """Budget of a reading. `standard`: the scatter as one standard deviation, not as half of the 95 % interval."""
    factor = found.scatter.factor if standard else found.scatter.factor_95
    return budget_for.level_budget(
        channel.id,
        support=meter_support(job),
        place_db=place_u_db(job, channel),
        eye_db=u_of.DISPLAY_U_DB,
        most_place_db=_most_place_db(place_u_db(job, channel), found.scatter.factor),
        factor=factor,
        dof=found.scatter.dof,
        shares=found.shares,
        counts=found.counts,
        repeated=found.scatter.repeated,
        resolution_db=_resolution_db(job),
        sub_noise_db=SUB_NOISE_U_DB if channel.is_sub else 0.0,
        seat=counted[0] if len(counted) == 1 else None,
    )


def by_seat(job: Job, round_id: str) -> dict[tuple[str, str | None], tuple[float, Budget]]:
    """(channel, seat) → the mean of the readings there [dB], and its budget; seat None without seats.

    u is a standard deviation here, to be used with its degrees of freedom, without the part common to all positions
    around a seat.
    """
    read = _read(job, round_id)
    scatter = _scatter(job, round_id)
    out = {}
    for channel in job.system.channels:
        for seat, values in read[channel.id].items():
            mean = fmean(values)
            found = _Reading(mean, len(values), None, (1.0,), (len(values),), scatter[channel.id])
            budget = _budget(job, channel, found, (seat,), standard=True)
            own = tuple(each for each in budget.contributions if each.source != budget_for.MEAN_PLACE)
            out[(channel.id, seat or None)] = mean, replace(budget, contributions=own)
    return out


def repeat_budget(job: Job) -> Budget:
    """Budget of a spread of readings."""
    return budget_for.repeat_spread(_resolution_db(job))


def decided_offset_db(job: Job, round_id: str) -> float | None:
    """The common offset chosen by the technician for a round [dB]; None without one, or if it is no number."""
    text = job.decisions.get((round_id, "levels", "common_offset"))
    try:
        value = float(text) if text is not None else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def old_trim_db(job: Job, round_id: str, channel: str) -> float | None:
    """The trim during the readings of a round; an interim round keeps that of an earlier one.

    As left does not: trims were entered before it, and one that was not noted is unknown.
    """
    held = job.setting(round_id, channel) if round_id == AS_LEFT else job.setting_until(round_id, channel)
    return held.trim_db


def target_db(job: Job, channel: Channel) -> float:
    """The required reading of the meter: the reference, or the subwoofers' own."""
    processor = job.system.processor
    if channel.is_sub and processor.sub_reference_spl_db is not None:
        return processor.sub_reference_spl_db
    return processor.reference_spl_db


def _targets_db(
    job: Job, round_id: str, trims_by_bass: Mapping[str, float | None], together: SubSum | None
) -> dict[str, float]:
    """The required reading of each channel; for a subwoofer set by the step Bass, its resulting level alone."""
    targets = {channel.id: target_db(job, channel) for channel in job.system.channels}
    mode = job.system.processor.sub_reference_for
    if together is not None and mode is not None and targets_sum(job):
        targets |= together.targets_db(targets[next(iter(together.alone_db))], mode)
    for sub, trim_db in trims_by_bass.items():
        for earlier in reversed(job.rounds[: job.rounds.index(round_id)]):
            read = _read(job, earlier)[sub]
            old = old_trim_db(job, earlier, sub)
            if read and old is not None and trim_db is not None:
                targets[sub] = fmean(fmean(values) for values in read.values()) + trim_db - old
                break
    return targets


def reference_basis(job: Job) -> str:
    """Source of the reference level."""
    processor = job.system.processor
    if processor.reference_basis:
        return processor.reference_basis
    known = dict(CONVENTIONS).get(processor.reference_spl_db)
    return known or f"{processor.reference_spl_db:g} dB(C): chosen for this job"


def _sub_basis(job: Job) -> str:
    own, mode = job.system.processor.sub_reference_spl_db, job.system.processor.sub_reference_for
    meant = "" if mode is None else f"; {dict(MODES)[mode]}"
    if own is None:
        return f"subwoofers: the same reading with the processor's own subwoofer noise (common practice, no source){meant}"
    return f"subwoofers: {own:g} dB(C), chosen for this job{meant}"


def reference_id(job: Job) -> str | None:
    """Id of the reference seat; None without seats."""
    return job.system.reference_seat.id if job.system.reference_seat is not None else None


@dataclass(frozen=True, slots=True)
class _Reading:
    """A channel's level over repeats and seats [dB], with its scatter."""

    level_db: float
    count: int
    spread_db: float | None
    """Largest minus smallest repeat at one seat; None without repeats."""
    shares: tuple[float, ...]
    """Weight of each seat that counts; they sum to 1."""
    counts: tuple[int, ...]
    """Readings at each of them."""
    scatter: _Scatter


@dataclass(frozen=True, slots=True)
class _Scatter:
    """Scatter of one reading, as a factor on the assumed one."""

    factor: float
    dof: float
    repeated: bool
    """Whether repeats show it, rather than only the default."""

    @property
    def factor_95(self) -> float:
        """Half of the 95 % interval: Student's t, since few repeats show their scatter poorly."""
        return self.factor * u_of.student_t95(self.dof) / 2


def _read(job: Job, round_id: str) -> dict[str, dict[str, list[float]]]:
    """Channel → seat → readings [dB]; a reading without a seat was taken at the reference seat."""
    out: dict[str, dict[str, list[float]]] = {channel.id: {} for channel in job.system.channels}
    for reading in job.readings_of(round_id, "levels"):
        body = reading.body
        if body.quantity == "level" and body.channel in out:
            out[body.channel].setdefault(body.seat or reference_id(job) or "", []).append(body.value)
    return out


def _counted_seats(job: Job, read: dict[str, dict[str, list[float]]]) -> tuple[str, ...]:
    """The seats at which all measured channels were read: trims compare channels, so each must be read at the same
    places. Without such a seat, the one where most were read; of equal ones the reference seat.
    """
    known = [own for own in read.values() if own]
    seats = dict.fromkeys((reference_id(job) or "", *(seat for own in known for seat in own)))
    count = {seat: sum(seat in own for own in known) for seat in seats}
    common = tuple(seat for seat in seats if count[seat] == len(known) > 0)
    return common or ((max(count, key=lambda seat: count[seat]),) if known else ())


@dataclass(frozen=True, slots=True)
class _Repeats:
    """A channel's readings that differ by hand and eye alone."""

    groups: tuple[list[float], ...]
    """Readings about separate means [dB]."""
    lost: float = 0.0
    """Degrees of freedom used by the common shift of a round, for this channel."""

    def squares(self, u_db: float) -> tuple[float, float]:
        """Σ((x − x̄)/u)² over all groups, and degrees of freedom."""
        several = [np.asarray(values) / u_db for values in self.groups if len(values) > 1]
        dof = sum(len(v) - 1 for v in several) - self.lost
        return sum(float(np.sum((v - v.mean()) ** 2)) for v in several), max(dof, 0.0)


def _scatter(job: Job, round_id: str) -> dict[str, _Scatter]:
    """Scatter of one reading of each channel: the mains pool their repeats, and the subwoofers theirs with them.

    All rounds up to this one count: hand, eye and meter are the same. Rounds are compared with each other only if that
    shows more than the repeats within them. A channel whose repeats scatter more than INCONSISTENT times as far as those
    of all others is not of their kind: it stays out of the pool and has its own scatter.
    """
    out: dict[str, _Scatter] = {}
    prior, prior_dof = 1.0, u_of.HAND_DOF
    apart, across = _repeats(job, round_id)
    for subs in (False, True):
        u_db = {c.id: one_reading_u_db(job, c) for c in job.system.channels if c.is_sub is subs}
        own, both = ({c: each[c].squares(u) for c, u in u_db.items()} for each in (apart, across))
        if sum(nu for _, nu in both.values()) > 2 * sum(nu for _, nu in own.values()):
            own = both
        squares, dof = (sum(each[i] for each in own.values()) for i in (0, 1))
        odd = {
            c
            for c, (s, nu) in own.items()
            if nu
            and s / nu > (INCONSISTENT * u_of.hand_factor(max(squares - s, 0.0), dof - nu, prior, prior_dof)[0]) ** 2
        }
        kept = [each for c, each in own.items() if c not in odd]
        nu = sum(each[1] for each in kept)
        factor, total = u_of.hand_factor(sum(each[0] for each in kept), nu, prior, prior_dof)
        pooled = _Scatter(factor, total, nu > 0 or (subs and prior_dof > u_of.HAND_DOF))
        out |= {c: _Scatter(*u_of.hand_factor(s, n), True) if c in odd else pooled for c, (s, n) in own.items()}
        prior, prior_dof = factor, min(total, SUB_PRIOR_DOF)
    return out


def _repeats(job: Job, round_id: str) -> tuple[dict[str, _Repeats], dict[str, _Repeats]]:
    """Each channel's readings up to a round, grouped by round and seat about separate means; and the same with earlier
    ones of main channels shifted to this round's trim and volume.
    """
    now = _read(job, round_id)
    apart = {c: [list(values) for values in own.values()] for c, own in now.items()}
    across = {c: {seat: list(values) for seat, values in own.items()} for c, own in now.items()}
    others: dict[str, list[list[float]]] = {c: [] for c in now}
    lost = dict.fromkeys(now, 0.0)
    for earlier in takewhile(lambda each: each != round_id, job.rounds):
        read = _read(job, earlier)
        moved_db, _ = _moved_db(job, (earlier, round_id), (read, now))
        for c, own in read.items():
            apart[c] += own.values()
            for seat, values in own.items():
                if (c, seat) in moved_db:
                    across[c][seat] += [each + moved_db[c, seat] for each in values]
                    lost[c] += 1 / len(moved_db)
                else:
                    others[c].append(values)
    return (
        {c: _Repeats(tuple(groups)) for c, groups in apart.items()},
        {c: _Repeats((*own.values(), *others[c]), lost[c]) for c, own in across.items()},
    )


def _moved_db(
    job: Job, rounds: tuple[str, str], read: tuple[Mapping[str, Mapping[str, list[float]]], ...]
) -> tuple[dict[tuple[str, str], float], float]:
    """(main channel, seat) → shift of its readings between two rounds: its trim, and the volume; and the volume alone, the
    median of all without their trims.

    The remainder is scatter, and whatever else changed: an upper bound of it. A channel that moved too far for the
    scatter of the others is left out (its trim is not as entered), and all of them if no hand reads that badly.
    """
    channels = {c.id: c for c in job.system.channels if not c.is_sub}
    turned, apart, u_db = {}, [], []
    for c, channel in channels.items():
        by_db = _turned_db(job, rounds, c)
        for seat in sorted(read[0][c].keys() & read[1][c].keys()):
            if by_db is not None:
                then, now = read[0][c][seat], read[1][c][seat]
                turned[c, seat] = by_db
                apart.append(fmean(now) - fmean(then) - by_db)
                u_db.append(one_reading_u_db(job, channel) * math.sqrt(1 / len(then) + 1 / len(now)))
    if len(turned) < LEAST_MAINS:
        return {}, 0.0
    volume = float(np.median(apart))
    ratios = np.abs(np.array(apart) - volume) / u_db
    factor = float(np.median(ratios)) / MEDIAN_OF_NORMAL
    if factor > WORST_HAND:
        return {}, 0.0
    most = INCONSISTENT * max(factor, BEST_HAND)
    return {
        key: by + volume for (key, by), ratio in zip(turned.items(), ratios, strict=True) if ratio <= most
    }, volume


def _turned_db(job: Job, rounds: tuple[str, str], channel: str) -> float | None:
    """Change of a trim between two rounds; None if one of them is unknown."""
    old, new = (old_trim_db(job, each, channel) for each in rounds)
    return None if old is None or new is None else new - old


def _with_earlier(
    job: Job,
    round_id: str,
    analyses: Analyses,
    measured: Sequence[tuple[Channel, _Reading]],
    read: Mapping[str, Mapping[str, list[float]]],
    counted: tuple[str, ...],
    trims_by_bass: Container[str],
) -> dict[str, _Reading]:
    """Channels → their level with the readings of earlier rounds, shifted by what their trims and the volume changed.

    Only those that agree with this round's within 1.645 u count: a larger difference is one that the trim does not
    explain. Where this round has a single reading, the scatter is known from such differences only, and none counts. Nor
    does that of a channel that awaited a repair then, whose filters have changed since, or that Bass has set.
    """
    rounds = takewhile(lambda each: each != round_id, job.rounds)
    moved = {earlier: _moved_db(job, (earlier, round_id), (_read(job, earlier), read)) for earlier in rounds}
    shifts = {earlier: found for earlier, found in moved.items() if found[0]}
    if not shifts:
        return {}
    subs = [channel.id for channel in job.system.channels if channel.is_sub]
    now = by_seat(job, round_id)
    both = {c: {seat: list(values) for seat, values in own.items()} for c, own in read.items()}
    for earlier, (mains_db, volume_db) in shifts.items():
        before, then, waiting = _read(job, earlier), by_seat(job, earlier), awaiting_repair(job, earlier, analyses)
        subs_db = {
            (c, seat): by + volume_db
            for c in subs
            if (by := _turned_db(job, (earlier, round_id), c)) is not None
            for seat in sorted(before[c].keys() & read[c].keys())
        }
        for (c, seat), by_db in (mains_db | subs_db).items():
            (new_db, new), (old_db, old) = now[c, seat or None], then[c, seat or None]
            filters = {job.setting_until(each, c).filters or () for each in (earlier, round_id)}
            agree = abs(new_db - old_db - by_db) <= guard_band(u_of.combine(new.u, old.u)) and len(filters) == 1
            if agree and len(read[c][seat]) > 1 and c not in waiting and c not in trims_by_bass:
                both[c][seat] += [each + by_db for each in before[c][seat]]
    return {
        c.id: _reading(job, c, both[c.id], counted, found.scatter)
        for c, found in measured
        if both[c.id] != read[c.id]
    }


def _reading(
    job: Job, channel: Channel, read: dict[str, list[float]], counted: tuple[str, ...], scatter: _Scatter
) -> _Reading:
    """The weighted mean of a channel's readings over the seats that count, m = Σ w·L with Σ w = 1.

    The mean is taken over decibels: the resulting trim minimises the mean square error in decibels over the seats.
    """
    by_seat = {seat: read[seat] for seat in counted if seat in read}
    seats = [job.system.seat(seat) for seat in by_seat]
    weights = [1.0 if seat is None else max(seat.weight, 0.0) for seat in seats]
    if sum(weights) <= 0:
        weights = [1.0] * len(weights)
    shares = tuple(weight / sum(weights) for weight in weights)
    level = sum(share * fmean(values) for share, values in zip(shares, by_seat.values(), strict=True))
    spreads = [max(values) - min(values) for values in by_seat.values() if len(values) > 1]
    counts = tuple(map(len, by_seat.values()))
    return _Reading(level, sum(counts), max(spreads, default=None), shares, counts, scatter)


def _resolution_db(job: Job) -> float:
    meter = job.system.instrument("meter")
    return meter.resolution if meter is not None and meter.resolution else DEFAULT_RESOLUTION_DB


def _meter_u_db(job: Job) -> float | None:
    meter = job.system.instrument("meter")
    return u_of.METER_CLASS_U_DB[meter.accuracy_class] if meter is not None and meter.accuracy_class else None
