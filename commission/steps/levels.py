"""Levels: which trim does each channel need?

The installer plays the processor's test noise channel by channel and reads a hand-held meter at the reference seat (or at
several seats). Correction = target − mean reading; new trim = old trim + correction, on the processor's grid and within
its range. All channels shall meet the reference; where a range ends before, the common offset that brings most channels
into range is proposed, with what it costs.

Uncertainty: repeatability (JCGM 100 4.2.3) and resolution decide between channels; the meter's own error is common to
all of them and cancels, and is stated apart for the absolute level.
"""

from __future__ import annotations

from dataclasses import dataclass

from commission.dsp import uncertainty as u_of
from commission.dsp.levels import energy_mean_db
from commission.dsp.trims import best_common_offset
from commission.dsp.trims import plan as plan_trims
from commission.model import (
    Advice,
    Analyses,
    Channel,
    Check,
    Column,
    Job,
    Limit,
    Outcome,
    Prompt,
    Row,
    Step,
    Table,
    Task,
    Verdict,
)

HELP = """
**Loud noise:** start with the master volume low and warn everybody in the room. No one needs to stand near a
loudspeaker. 85 dB(A) for eight hours is a full day's dose, and every 3 dB more halves the time (NIOSH 98-126).

1. Switch off ventilation and everything that hums. Doors closed, people out of the sound's way.
2. Set the meter to **C weighting, slow**. Hold it at ear height where the head would be, at arm's length, its
   microphone pointing as its maker says (mostly up).
3. Set the processor's volume to its reference, start its own test noise on one channel.
4. Wait three seconds, read the **middle** of the movement over five seconds, type it, Enter goes to the next channel.
5. Repeat two or three channels at the end: the spread is your repeatability and it counts.

Subwoofers have their own noise band and their own target; their display moves more, so read longer.
"""

CONVENTIONS = (
    (75.0, "75 dB(C) slow with −30 dBFS noise: home practice (common practice, no source)"),
    (85.0, "85 dB(C) slow with −20 dBFS noise: cinemas (SMPTE RP 200, secondary source)"),
    (73.0, "73 dB(C) with −23 LUFS noise, 500–2000 Hz (EBU Tech 3343, 8.2)"),
)
"""Choices of the reference level with their basis; none is built in."""

MATCH_DB = 0.5
MATCH = Limit(
    low=-MATCH_DB,
    high=MATCH_DB,
    unit="dB",
    basis="each channel within 0.5 dB of the reference at the reference seat; common practice",
)
REPEAT = Limit(
    low=None, high=MATCH_DB, unit="dB", basis="repeat readings within 0.5 dB of each other; common practice"
)
TYPING_SPAN_DB = (40.0, 110.0)
DEFAULT_RESOLUTION_DB = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelLevel:
    """One channel's reading and what follows from it; all levels in dB."""

    channel: Channel
    level_db: float
    count: int
    spread_db: float | None
    u_db: float
    target_db: float
    old_trim_db: float
    old_trim_known: bool
    correction_db: float
    trim_exact_db: float
    trim_db: float
    predicted_db: float
    residual_db: float
    at_limit: bool
    reachable: bool
    match: Check
    repeat: Check | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelsResult:
    """All channels that have a reading."""

    channels: dict[str, ChannelLevel]
    missing: tuple[str, ...]
    offset_db: float
    proposed_offset_db: float
    basis: str
    sub_basis: str
    common_u_db: float | None
    """Standard uncertainty of the absolute level, from the meter's class; None when the class is not noted."""


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """A reading of each channel at the reference seat, and at other seats that already carry readings."""
    reference = job.system.reference_seat
    seats = [reference.id] if reference is not None else []
    used = {reading.body.seat for reading in job.readings_of(round_id, "levels")}
    seats += [seat.id for seat in job.system.seats if seat.id in used and seat.id not in seats]
    tasks = []
    for seat in seats:
        for channel in job.system.channels:
            noise = "subwoofer test noise" if channel.is_sub else "test noise"
            tasks.append(
                Prompt(
                    channel=channel.id,
                    seat=seat,
                    quantity="level",
                    unit="dB",
                    text=f"Play {noise} on {channel.label} only. Meter at {seat}, ear height: C, slow; ventilation off. "
                    "Read the middle of five seconds.",
                    expected=TYPING_SPAN_DB,
                    caution="Start with the volume low; warn everybody in the room.",
                )
            )
    return tuple(tasks)


def solve(job: Job, round_id: str) -> LevelsResult:
    """Trims from the readings of a round."""
    system, processor = job.system, job.system.processor
    measured = [(c, found) for c in system.channels if (found := _reading(job, round_id, c)) is not None]
    missing = tuple(c.id for c in system.channels if c.id not in {channel.id for channel, _ in measured})
    targets = [target_db(job, channel) for channel, _ in measured]
    settings = [job.setting(round_id, channel.id).trim_db for channel, _ in measured]
    old = [0.0 if trim is None else trim for trim in settings]
    levels = [found[0] for _, found in measured]
    trim = processor.trim_db
    proposed = best_common_offset(levels, targets, old, trim.min, trim.max, trim.step) if measured else 0.0
    decided = job.decisions.get((round_id, "levels", "common_offset"))
    offset = _number(decided, 0.0)  # everything at the reference, unless the technician decides otherwise
    trims = plan_trims(levels, targets, old, trim.min, trim.max, trim.step, offset)
    resolution = _resolution_db(job)
    results = {}
    for i, (channel, (level, count, spread, u_mean)) in enumerate(measured):
        u = u_of.combine(u_mean, u_of.resolution_u(resolution), u_of.PLACEMENT_U_DB)
        apart = level - (targets[i] + offset)
        results[channel.id] = ChannelLevel(
            channel=channel,
            level_db=level,
            count=count,
            spread_db=spread,
            u_db=u,
            target_db=targets[i] + offset,
            old_trim_db=old[i],
            old_trim_known=settings[i] is not None,
            correction_db=-apart,
            trim_exact_db=trims.exact_db[i],
            trim_db=trims.trim_db[i],
            predicted_db=targets[i] + offset + trims.residual_db[i],
            residual_db=trims.residual_db[i],
            at_limit=trims.trim_db[i] in (trim.min, trim.max) or i in trims.out_of_range,
            reachable=i not in trims.out_of_range,
            match=Check(
                id="levels.match",
                channel=channel.id,
                seat=_reference_id(job),
                value=apart,
                unit="dB",
                uncertainty=u,
                limit=MATCH,
                text="reading less target",
            ),
            repeat=None
            if spread is None
            else Check(
                id="levels.repeat",
                channel=channel.id,
                value=spread,
                unit="dB",
                uncertainty=u_of.resolution_u(resolution),
                limit=REPEAT,
                text="largest less smallest reading",
            ),
        )
    return LevelsResult(
        channels=results,
        missing=missing,
        offset_db=offset,
        proposed_offset_db=proposed,
        basis=reference_basis(job),
        sub_basis=_sub_basis(job),
        common_u_db=_meter_u_db(job),
    )


def target_db(job: Job, channel: Channel) -> float:
    """What the meter shall read: the reference, or the subwoofers' own."""
    processor = job.system.processor
    if channel.is_sub and processor.sub_reference_spl_db is not None:
        return processor.sub_reference_spl_db
    return processor.reference_spl_db


def reference_basis(job: Job) -> str:
    """Where the reference level comes from."""
    processor = job.system.processor
    if processor.reference_basis:
        return processor.reference_basis
    known = dict(CONVENTIONS).get(processor.reference_spl_db)
    return known or f"{processor.reference_spl_db:g} dB(C): chosen for this job"


def _sub_basis(job: Job) -> str:
    own = job.system.processor.sub_reference_spl_db
    if own is None:
        return "subwoofers: the same reading with the processor's own subwoofer noise (common practice, no source)"
    return f"subwoofers: {own:g} dB(C), chosen for this job"


def _number(text: str | None, default: float) -> float:
    try:
        return default if text is None else float(text)
    except ValueError:
        return default


def _reference_id(job: Job) -> str | None:
    return job.system.reference_seat.id if job.system.reference_seat is not None else None


def _reading(job: Job, round_id: str, channel: Channel) -> tuple[float, int, float | None, float] | None:
    """(mean, number of readings, largest spread at one seat, standard uncertainty) of a channel; None without any.

    Repeats at a seat are averaged in decibels, as readings of one quantity; seats are averaged by energy with their
    weights.
    """
    by_seat: dict[str | None, list[float]] = {}
    for reading in job.readings_of(round_id, "levels", channel=channel.id):
        if reading.body.quantity == "level":
            by_seat.setdefault(reading.body.seat, []).append(reading.body.value)
    if not by_seat:
        return None
    means, us, weights = [], [], []
    for seat_id, values in by_seat.items():
        mean, u = u_of.type_a(values)
        # Two or three readings tell their own scatter badly: never less than what one reading by hand is worth.
        us.append(max(u or 0.0, u_of.DEFAULT_REPEATABILITY_U_DB / len(values) ** 0.5))
        seat = job.system.seat(seat_id) if seat_id is not None else None
        means.append(mean)
        weights.append(seat.weight if seat is not None else 1.0)
    if sum(weights) <= 0:
        weights = [1.0] * len(means)
    share = [weight / sum(weights) for weight in weights]
    spreads = [max(values) - min(values) for values in by_seat.values() if len(values) > 1]
    count = sum(len(values) for values in by_seat.values())
    u = u_of.combine(*(s * each for s, each in zip(share, us, strict=True)))
    level = means[0] if len(means) == 1 else energy_mean_db(means, weights)
    return level, count, max(spreads, default=None), u


def _resolution_db(job: Job) -> float:
    meter = job.system.instrument("meter")
    return meter.resolution if meter is not None and meter.resolution else DEFAULT_RESOLUTION_DB


def _meter_u_db(job: Job) -> float | None:
    meter = job.system.instrument("meter")
    return u_of.METER_CLASS_U_DB[meter.accuracy_class] if meter is not None and meter.accuracy_class else None


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The trims, what stands out, what to enter."""
    result = solve(job, round_id)
    levels = result.channels.values()
    rows = tuple(
        Row(
            key=each.channel.id,
            cells=(
                each.channel.id,
                each.level_db,
                float(each.count),
                each.spread_db,
                2 * each.u_db,
                each.old_trim_db if each.old_trim_known else None,
                each.correction_db,
                each.trim_exact_db,
                each.trim_db,
                each.predicted_db,
                each.residual_db,
            ),
            check=each.match,
        )
        for each in levels
    )
    checks = [each.match for each in levels] + [each.repeat for each in levels if each.repeat is not None]
    checks += [
        Check(
            id="levels.match",
            channel=channel,
            seat=_reference_id(job),
            value=None,
            unit="dB",
            limit=MATCH,
            why_not="no reading yet",
        )
        for channel in (result.missing if levels else ())
    ]
    return Outcome(
        step="levels",
        round=round_id,
        done=len(result.channels),
        total=len(job.system.channels),
        checks=tuple(checks),
        tables=(
            Table(
                id="trims",
                title="Trims: what the processor holds, and what it shall hold",
                columns=_COLUMNS,
                rows=rows,
            ),
        )
        if rows
        else (),
        advice=_advice(job, round_id, result),
        stands_out=_stands_out(result),
        remarks=_remarks(job, result),
    )


_COLUMNS = (
    Column(key="channel", title="Channel"),
    Column(key="level", title="Reading", unit="dB", decimals=1),
    Column(key="count", title="n", decimals=0),
    Column(key="spread", title="Spread", unit="dB", decimals=1),
    Column(key="U", title="U", unit="dB", decimals=1),
    Column(key="old", title="Old trim", unit="dB", decimals=1, signed=True),
    Column(key="correction", title="Change", unit="dB", decimals=2, signed=True),
    Column(key="exact", title="Exact", unit="dB", decimals=2, signed=True),
    Column(key="new", title="New trim", unit="dB", decimals=1, signed=True),
    Column(key="predicted", title="Will read", unit="dB", decimals=1),
    Column(key="residual", title="Rest", unit="dB", decimals=2, signed=True),
)


def _changes(result: LevelsResult) -> int:
    return sum(abs(each.trim_db - each.old_trim_db) > 1e-6 for each in result.channels.values())


def _stands_out(result: LevelsResult) -> str:
    unreachable = [c for c, each in result.channels.items() if not each.reachable]
    if unreachable:
        return f"{', '.join(unreachable)} cannot reach the reference: the trim range ends"
    wrong = [each for each in result.channels.values() if each.match.verdict is Verdict.FAIL]
    if not wrong:
        return ""
    worst = max(wrong, key=lambda each: abs(each.correction_db))
    word = "loud" if worst.correction_db < 0 else "soft"
    said = f"{worst.channel.id} {abs(worst.correction_db):.1f} dB {word}"
    return f"{said}, {_changes(result)} trims to enter" if _changes(result) else said


def _advice(job: Job, round_id: str, result: LevelsResult) -> tuple[Advice, ...]:
    if not job.system.channels:
        return ()
    if result.missing:
        first = job.system.channel(result.missing[0])
        label = first.label if first is not None else result.missing[0]
        return (
            Advice(
                text=f"Read the level of {label} ({result.missing[0]}) at {_reference_id(job) or 'the seat'}.",
                step="levels",
                priority=20,
            ),
        )
    if any(each.match.verdict is Verdict.FAIL for each in result.channels.values()) and _changes(result):
        return (
            Advice(
                text=f"Enter {_changes(result)} trims from the settings sheet, then read the levels again.",
                step="levels",
                priority=40,
            ),
        )
    return ()


def _remarks(job: Job, result: LevelsResult) -> tuple[str, ...]:
    remarks = [f"Reference: {result.basis}; {result.sub_basis}."]
    if any(not each.old_trim_known for each in result.channels.values()):
        remarks.append("Where no old trim was noted it is taken as 0 dB; note the trims as found on the Site form.")
    if result.common_u_db is not None:
        remarks.append(
            f"U of the absolute level is {2 * result.common_u_db:.1f} dB by the meter's class (IEC 61672-1, from memory); "
            "it is the same for all channels and cancels between them."
        )
    elif result.channels:
        remarks.append("The absolute level has no stated uncertainty, because the meter's class is not noted.")
    if result.proposed_offset_db:
        offset = result.proposed_offset_db
        remarks.append(
            f"Not every channel reaches the reference. With a common offset of {offset:+.1f} dB most do; at the same "
            f"volume setting the cinema then plays {abs(offset):.1f} dB {'softer' if offset < 0 else 'louder'}."
        )
    if result.offset_db:
        remarks.append(f"Decided: a common offset of {result.offset_db:+.1f} dB for all channels.")
    remarks += [
        f"{c} cannot reach its target: it would need {each.trim_exact_db:+.1f} dB and stops at {each.trim_db:+.1f} dB; "
        f"it will read {each.predicted_db:.1f} dB."
        for c, each in result.channels.items()
        if not each.reachable
    ]
    return tuple(remarks)


STEP = Step(
    id="levels",
    title="Levels",
    question="Which trim does each channel need?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    entry="readings",
)
