"""Levels: which trim does each channel need?

The installer plays the processor's test noise channel by channel and reads a hand-held meter at the reference seat (or at
several seats). Correction = target − mean reading; new trim = old trim + correction, on the processor's grid and within
its range. If a range ends before the reference, the common offset that brings most channels into range is proposed, with
its cost.

Channels are compared with each other: the part common to the main channels (their median: the volume, the meter's own
error) is subtracted and checked separately against the reference, with the meter's class. The scatter of a reading is
taken from a model of hand and eye (`dsp.placement`) until repeats show it: readings of one round, or of two rounds minus
their trims. The check of a channel rests on the readings of all rounds, minus their trims, where they agree.
"""

from __future__ import annotations

from functools import partial

from commission.dsp.trims import grid_decimals
from commission.model import (
    Advice,
    Analyses,
    Budget,
    Check,
    CheckLimit,
    Choice,
    Column,
    Job,
    Outcome,
    Prompt,
    Step,
    Table,
    Task,
    Verdict,
    table_of,
)
from commission.model.formatting import number
from commission.model.units import counted, listed
from commission.steps import distances
from commission.steps.levels import result as result_of
from commission.steps.levels.result import (
    CONVENTIONS,
    NO_RESPONSES,
    ONE_STEP,
    ChannelLevel,
    LevelsResult,
    decided_offset_db,
    reference_id,
    repeat_budget,
    trim_or_cause,
)
from commission.steps.seats.awaiting import AFTER_REPAIR, awaiting_repair, waiting_sentences
from commission.steps.shared.cache import cached
from commission.steps.shared.isolation import or_else
from commission.steps.shared.set_by_bass import trims_by_bass
from commission.steps.shared.sub_sum import QUANTITY, SumFromResponses, sum_from_responses, targets_sum
from commission.steps.shared.subwoofers import sub_outputs
from commission.steps.shared.survey import delay_slope_s
from commission.steps.shared.unusual import unusual_level

__all__ = ["CONVENTIONS", "ONE_STEP", "ChannelLevel", "LevelsResult", "trim_or_cause"]

HELP = """
**Loud noise:** start with the master volume low and warn everybody in the room. Nobody should stand near a
loudspeaker. 85 dB(A) for eight hours is a full day's dose, and every 3 dB more halves the time (NIOSH 98-126).

1. Switch off the ventilation and everything that hums. Close the doors; keep people out of the path of the sound.
2. Set the meter to **C weighting, slow**. Put it on a stand at ear height, where the head would be, or hold it there at
   arm's length; the Site form has which. Point its microphone as the manufacturer says (usually up).
3. Set the processor's volume to its reference and start its own test noise on one channel.
4. Wait three seconds, then read the **middle** of the swing over five seconds. Type it; Enter goes to the next channel.
5. Read every channel a second time, or at least three of them, in another pass: take a hand-held meter away and hold it up
   again. Without repeats nobody knows how far your readings scatter, and few channels can be decided. Once the trims of two
   rounds are entered, comparing their readings shows it too, and earlier readings that agree count in "Off by".

Subwoofers have their own noise band and their own target. Their reading moves more, so read the middle of twenty
seconds: noise 50 Hz wide scatters by 0.3 dB over five seconds, and by half of that over twenty.
"""

TYPING_SPAN_DB = (40.0, 110.0)


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
            length = "twenty" if channel.is_sub else "five"
            tasks.append(
                Prompt(
                    channel=channel.id,
                    seat=seat,
                    quantity="level",
                    unit="dB",
                    text=f"Play {noise} on {channel.label} only. Meter at {seat}, ear height: C, slow; ventilation off. "
                    f"Hold it still and read the middle of {length} seconds.",
                    expected=TYPING_SPAN_DB,
                    caution="Start with the volume low; warn everybody in the room.",
                )
            )
    subs, group = sub_outputs(job)
    if reference is not None and len(subs) > 1 and group is None and targets_sum(job):
        tasks.append(
            Prompt(
                channel=None,
                seat=reference.id,
                quantity=QUANTITY,
                unit="dB",
                text=f"Play subwoofer test noise on all subwoofers at once. Meter at {reference.id}, ear height: C, slow. "
                "Read the middle of twenty seconds. Leave it out where the processor plays them only one by one.",
                expected=TYPING_SPAN_DB,
                caution="Start with the volume low; warn everybody in the room.",
            )
        )
    return tuple(tasks)


@cached
def solve(job: Job, round_id: str, analyses: Analyses = NO_RESPONSES) -> LevelsResult:
    """Trims from the readings of a round; subwoofers set by Bass count as correct."""
    by_bass = trims_by_bass(job, round_id, analyses)
    return result_of.solve(job, round_id, analyses, by_bass, _sums(job, round_id, analyses))


def _sums(job: Job, round_id: str, analyses: Analyses) -> dict[str, SumFromResponses | None]:
    """Sum of the subwoofers at the reference seat in this round and earlier ones, if it is required."""
    if not targets_sum(job) or round_id not in job.rounds:
        return {}
    return {each: or_else(partial(_sum_of, job, each, analyses), None) for each in job.rounds_until(round_id)}


def _sum_of(job: Job, round_id: str, analyses: Analyses) -> SumFromResponses | None:
    subs, _ = sub_outputs(job)
    if awaiting_repair(job, round_id, analyses).keys() & set(subs):
        return None
    found = distances.solve(job, round_id, analyses).channels
    later = {}
    for sub in subs:
        each = found.get(sub)
        moved = 0.0 if each is None or each.held is None else each.setting.setting - each.held
        later[sub] = moved * delay_slope_s(job)
    return sum_from_responses(job, round_id, analyses, later)


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The trims, the main result, the settings to enter."""
    result = solve(job, round_id, analyses)
    levels = result.channels.values()
    checks = [each.match for each in levels] + [each.repeat for each in levels if each.repeat is not None]
    checks += [each for each in (result.reference, result.sum_check) if each is not None]
    checks += [
        Check(
            id="levels.match",
            channel=channel,
            seat=_seat(job, result),
            value=None,
            unit="dB",
            limit=job.limit("levels.match"),
            why_not=f"no reading yet at {_seat(job, result) or 'the seat'}",
        )
        for channel in (result.missing if levels else ())
    ]
    tables = [_trims_table(job, result)] if levels else []
    if result.proposed_offset_db or result.offset_db:
        tables.append(_offsets_table(result))
    return Outcome(
        step="levels",
        round=round_id,
        done=len(result.channels),
        total=len(job.system.channels),
        checks=tuple(checks),
        tables=tuple(tables),
        advice=_advice(job, round_id, result),
        choices=_offset_choices(result),
        main_result=_main_result(result),
        remarks=_remarks(job, round_id, result),
        budgets=_budgets(job, result),
    )


def _budgets(job: Job, result: LevelsResult) -> tuple[Budget, ...]:
    levels = result.channels.values()
    repeat = (repeat_budget(job),) if any(each.repeat is not None for each in levels) else ()
    absolute = [each.budget_absolute for each in levels if each.budget_absolute is not None]
    reference = [each for each in (result.budget_reference, result.budget_sum) if each is not None]
    left = (each.budget_left for each in levels)
    return (*(each.budget for each in levels), *reference, *absolute, *left, *repeat)


def _seat(job: Job, result: LevelsResult) -> str | None:
    """The seat at which a missing channel must be read: the one of the others."""
    return result.seats[0] if result.seats else reference_id(job)


def _offset_choices(result: LevelsResult) -> tuple[Choice, ...]:
    """The common offset, if the reference is out of some channel's reach or another was chosen."""
    if not (result.proposed_offset_db or result.offset_db):
        return ()
    total = result.settable
    options = tuple(
        (
            f"{each.offset_db:.2f}",
            f"{each.offset_db:+.2f} dB: {each.what}, {each.reaching} of {total} channels in range",
        )
        for each in result.choices
    )
    return (
        Choice(
            key="common_offset",
            title="Common offset of all channels",
            options=options,
            current=f"{result.offset_db:.2f}",
        ),
    )


def _trims_table(job: Job, result: LevelsResult) -> Table:
    decimals = grid_decimals(job.system.processor.trim_db.step, 1)

    def current_db(each: ChannelLevel) -> float | None:
        return each.old_trim_db if each.old_trim_known else None

    def new_db(each: ChannelLevel) -> float | str | None:
        return "cause?" if each.in_doubt else AFTER_REPAIR if each.why_no_trim is not None else each.trim_db

    def change_db(each: ChannelLevel) -> float | None:
        return each.correction_db if each.why_no_trim is None else None

    return table_of(
        result.channels.values(),
        (Column(key="channel", title="Channel"), lambda each: each.channel.id),
        (Column(key="level", title="Reading", unit="dB", decimals=1), lambda each: each.level_db),
        (Column(key="count", title="n", decimals=0), lambda each: float(each.count)),
        (Column(key="spread", title="Spread", unit="dB", decimals=1), lambda each: each.spread_db),
        (Column(key="apart", title="Off by", unit="dB", decimals=1, signed=True), lambda each: each.match.value),
        (Column(key="U", title="U", unit="dB", decimals=1), lambda each: 2 * each.match.uncertainty),
        (Column(key="old", title="Current", unit="dB", decimals=decimals, signed=True), current_db),
        (Column(key="new", title="New", unit="dB", decimals=decimals, signed=True), new_db),
        (Column(key="correction", title="Change", unit="dB", decimals=2, signed=True), change_db),
        (Column(key="exact", title="Exact", unit="dB", decimals=2, signed=True), lambda each: each.trim_exact_db),
        (Column(key="predicted", title="Will read", unit="dB", decimals=1), lambda each: each.predicted_db),
        (Column(key="residual", title="Error", unit="dB", decimals=2, signed=True), lambda each: each.residual_db),
        id="trims",
        title="Trims: current and new",
        key=lambda each: each.channel.id,
        check=lambda each: each.match,
    )


def _offsets_table(result: LevelsResult) -> Table:
    return table_of(
        result.choices,
        (Column(key="what", title="For"), lambda each: each.what),
        (Column(key="offset", title="Offset", unit="dB", decimals=2, signed=True), lambda each: each.offset_db),
        (Column(key="reaching", title="Channels in range", decimals=0), lambda each: float(each.reaching)),
        (Column(key="out", title="Out of range"), lambda each: ", ".join(each.unreachable) or None),
        (Column(key="rounding", title="Rounding, rms", unit="dB", decimals=2), lambda each: each.rounding_db),
        id="offsets",
        title="Common offset: options",
        key=lambda each: each.what,
    )


def _changes(result: LevelsResult) -> int:
    return sum(
        each.trim_db is not None and abs(each.trim_db - each.old_trim_db) > 1e-6 for each in result.channels.values()
    )


def _main_result(result: LevelsResult) -> str:
    unreachable = [c for c, each in result.channels.items() if not each.reachable]
    if unreachable:
        return f"{', '.join(unreachable)} cannot reach the reference: the trim range ends"
    wrong = [each for each in result.channels.values() if each.match.verdict is Verdict.FAIL]
    if not wrong:
        return ""
    worst = max(wrong, key=lambda each: abs(each.match.value or 0.0))
    apart = worst.match.value or 0.0
    than = "target" if result.common_db is None else "the others"
    sentence = f"{worst.channel.id} {abs(apart):.1f} dB {'above' if apart > 0 else 'below'} {than}"
    if worst.why_no_trim is not None:
        sentence += ", find the cause first" if worst.in_doubt else ", repair first"
    return f"{sentence}, set {counted(_changes(result), 'trim')}" if _changes(result) else sentence


def _advice(job: Job, round_id: str, result: LevelsResult) -> tuple[Advice, ...]:
    if not job.system.channels:
        return ()
    if result.missing:
        first = job.system.channel(result.missing[0])
        name = first.name_and_id if first is not None else result.missing[0]
        return (
            Advice(
                text=f"Read the level of {name} at {_seat(job, result) or 'the seat'}.",
                step="levels",
                priority=20,
            ),
        )
    failed = any(each.match.verdict is Verdict.FAIL for each in result.channels.values())
    if (failed or result.before_sum) and _changes(result):
        return (
            Advice(
                text=f"Enter {counted(_changes(result), 'trim')} from the settings sheet, then read the levels again.",
                step="levels",
                priority=40,
            ),
        )
    if any(each.match.verdict is Verdict.UNSURE for each in result.channels.values()):
        return (Advice(text=_more_sentence(result), step="levels", priority=42),)
    return ()


def _more_sentence(result: LevelsResult) -> str:
    """Sentence on undecided channels, and the readings that would decide them."""
    open_ones = [each for each in result.channels.values() if each.match.verdict is Verdict.UNSURE]
    if not result.repeated:
        return "Read at least three channels again: how far your readings scatter is not known yet."
    by_count: dict[int | None, list[str]] = {}
    for each in open_ones:
        by_count.setdefault(each.more, []).append(each.channel.id)
    parts = [
        f"{', '.join(names)} {counted(count, 'more time')}"
        for count, names in sorted((k, v) for k, v in by_count.items() if k is not None)
    ]
    decided = sum(each.more is not None for each in open_ones)
    which = "it" if decided == 1 else "them"
    sentence = f"Read {'; '.join(parts)}: that would decide {which} if the readings agree." if parts else ""
    if None in by_count:
        names = ", ".join(by_count[None])
        sentence = f"{sentence} {names}: too close to the limit for repeated readings to decide.".strip()
    return sentence


def _remarks(job: Job, round_id: str, result: LevelsResult) -> tuple[str, ...]:
    """The first thing to do, then the basis of the figures."""
    remarks = []
    if any(not each.old_trim_known for each in result.channels.values()):
        remarks.append(
            "A current trim that was not entered is taken as 0 dB. Enter the trims as found on the Site form."
        )
    if any(each.match.verdict is Verdict.UNSURE for each in result.channels.values()) and not result.missing:
        remarks.append(_more_sentence(result))
    if any(result.missing) and result.channels:
        remarks.append(f"Not read yet: {', '.join(result.missing)}.")
    waiting = {c: None if each.in_doubt else each.why_no_trim for c, each in result.channels.items()}
    remarks += waiting_sentences(waiting, "trim")
    if doubtful := [c for c, each in result.channels.items() if each.in_doubt]:
        remarks.append(
            f"No trim is proposed for {listed(doubtful)}: whether the trim is the cause is not determined. Do what the "
            "finding says, or log it as accepted: then a trim is proposed."
        )
    remarks += [
        f"Readings at {seat} are not used yet: {', '.join(channels)} {'was' if len(channels) == 1 else 'were'} not read "
        "there, and channels can be compared only at the same seats."
        for seat, channels in result.not_counted.items()
    ]
    if result.proposed_offset_db:
        best = next(choice for choice in result.choices if choice.offset_db == result.proposed_offset_db)
        offset, total = best.offset_db, result.settable
        remarks.append(
            f"At the reference {result.choices[0].reaching} of {total} channels are within the trim range. With a common "
            f"offset of {offset:+.1f} dB {'all are' if best.reaching == total else f'{best.reaching} are'}; at the same "
            f"volume setting the cinema then plays {abs(offset):.1f} dB {'quieter' if offset < 0 else 'louder'}."
            + (f" Still out of range: {', '.join(best.unreachable)}." if best.unreachable else "")
        )
    if result.offset_db:
        remarks.append(f"A common offset of {result.offset_db:+.1f} dB was chosen for all channels.")
    elif decided_offset_db(job, round_id) is None and (round_id, "levels", "common_offset") in job.decisions:
        remarks.append("The common offset that was chosen is not a number and is ignored.")
    remarks += [
        f"{c} cannot reach its target: it needs a trim of {number(each.trim_exact_db, 1, signed=True)} dB and the range "
        f"ends at {number(each.trim_db, 1, signed=True)} dB; it will read {number(each.predicted_db, 1)} dB."
        for c, each in result.channels.items()
        if not each.reachable
    ]
    return (*remarks, *_sum_remark(job, result), *_basis(job, result))


def _sum_remark(job: Job, result: LevelsResult) -> tuple[str, ...]:
    """Level of all subwoofers together, and the intended one."""
    mode, found = job.system.processor.sub_reference_for, result.together
    if len(sub_outputs(job)[0]) < 2 or mode == "each" or not result.channels:
        return ()
    if mode is None:
        level = "" if found is None or found.level_db is None else f" All at once they read {found.level_db:.1f} dB."
        return (
            f"Each subwoofer alone is compared with the reference.{level} Two that read it alone are usually 3 to 6 dB "
            "above it together: enter on the Site form how they are meant to add.",
        )
    if found is None:
        return (
            "How loud the subwoofers are together is not determined: read the meter with all of them playing at once, or "
            "measure each of them at the reference seat on one clock. Until then each alone is compared with the "
            "reference.",
        )
    new = [each for sub in found.alone_db if (each := result.channels.get(sub)) is not None]
    alone = ", ".join(f"{each.channel.id} {each.target_db:.1f} dB" for each in new)
    level = "" if found.level_db is None else f"All subwoofers at once read {found.level_db:.1f} dB. "
    if result.before_sum:
        level += f"The trims of {', '.join(result.before_sum)} were entered as asked before that was known. "
    return (
        f"{level}With the new settings they are {number(found.excess_db, 1, signed=True)} dB together relative to one "
        f"alone. All at once read the reference when each alone reads: {alone}.",
    )


def _basis(job: Job, result: LevelsResult) -> list[str]:
    """Basis of the figures."""
    remarks = [f"Reference: {result.basis}; {result.sub_basis}."]
    if result.common_db is not None:
        known = result.budget_reference
        remarks.append(
            f"The main channels have {number(result.common_db, 1, signed=True)} dB against the reference in common"
            + (f" (U = {known.expanded:.1f} dB, with the meter's class). " if known is not None else ". ")
            + "Volume and meter shift all channels alike: this is subtracted before channels are compared, and checked by "
            "itself."
        )
    if result.channels:
        support = "on a stand" if result.support == "stand" else "by hand"
        scatter = (
            "how far the readings scatter follows from the repeats"
            if result.repeated
            else "nothing was repeated, so how far the readings scatter is assumed"
        )
        trim = job.system.processor.trim_db
        remarks.append(
            f"Meter {support}; {scatter}. Trim steps of {trim.step:g} dB leave up to {number(trim.step / 2, 2)} dB on each "
            f"channel, {trim.step:g} dB between two; the limit includes it."
        )
    if any(each.matched > each.count for each in result.channels.values()):
        remarks.append(
            'Readings of earlier rounds count in "Off by", shifted by the trims entered since, where they agree with those '
            "of this round: n and Reading are of this round alone."
        )
    if result.common_u_db is not None:
        remarks.append(
            f"The absolute level has U = {2 * result.common_u_db:.1f} dB from the meter's class (IEC 61672-1, from "
            "memory), common to all channels."
        )
    elif result.channels:
        remarks.append("The uncertainty of the absolute level is unknown, because the meter's class is not entered.")
    return remarks


STEP = Step(
    id="levels",
    title="Levels",
    question="Which trim does each channel need?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    unusual=unusual_level,
    entry="readings",
    limits=(
        CheckLimit(check="levels.match", quantity="levels.match", applies=ONE_STEP),
        CheckLimit(check="levels.reference", quantity="levels.reference"),
        CheckLimit(check="levels.sum", quantity="levels.sum"),
        CheckLimit(
            check="levels.repeat", quantity="levels.repeat", applies="a range grows with the number of readings"
        ),
    ),
)
