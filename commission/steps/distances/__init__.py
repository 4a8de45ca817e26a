"""Distances: which delay does each loudspeaker need, and do the arrivals agree with the tape?

The installer tapes from the reference seat's ears to each loudspeaker (or has positions). Delay = (d_max − d)/c with c
from the temperature (ISO 9613-1); for a processor that takes distances, they are scaled by its own assumed speed of
sound. Where responses with a common clock were imported, arrivals are compared with the tape after removing the common
latency (a median, which half of the channels may miss): t = τ + d/c + the delay the processor applies.

A subwoofer's own latency adds to its distance: the sheet proposes tape + c·latency as a start, to be trimmed at the
crossover. Only its difference from the main loudspeakers' latency is audible; it is negative if theirs is longer.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable

from commission.dsp.delays import plausible_speed
from commission.dsp.latency import NO_DELAYS, WRONG_SIGN
from commission.dsp.matching import SWAP_Z
from commission.dsp.trims import grid_decimals
from commission.model import (
    Advice,
    Analyses,
    Channel,
    Check,
    CheckLimit,
    Column,
    DelayUnit,
    Job,
    Limit,
    Outcome,
    Processor,
    Prompt,
    Step,
    Table,
    Task,
    Verdict,
    table_of,
)
from commission.model.formatting import number
from commission.model.units import FOOT_M, counted, format_length, format_temperature, listed
from commission.steps.distances import result as result_of
from commission.steps.distances.causes import (
    WrongTime,
    delay_factor_clauses,
    delays_fault,
    likely_delays,
    too_many_off,
    wrong_times,
)
from commission.steps.distances.result import (
    ONE_STEP,
    STEP_AND_U,
    SUB_LATENCY_S,
    ChannelDistance,
    DistancesResult,
    step_s,
    unit_is_entered,
    unit_sentence,
)
from commission.steps.seats import awaiting
from commission.steps.shared.cache import cached
from commission.steps.shared.set_by_bass import trims_by_bass
from commission.steps.shared.survey import known_distance_m
from commission.steps.shared.unusual import unusual_distance

__all__ = [
    "SUB_LATENCY_S",
    "ChannelDistance",
    "DistancesResult",
    "WrongTime",
    "delay_factor_clauses",
    "delays_fault",
    "likely_delays",
    "too_many_off",
    "unit_is_entered",
    "unit_sentence",
    "wrong_times",
]

HELP = """
1. Measure with tape or laser from the **ears** at the reference seat to the front of each loudspeaker, at the point
   between woofer and tweeter. The far ones take two people. Measure a **subwoofer** to the middle of its driver, whichever
   way that faces, not to the box: where its sound comes from is the largest uncertainty of its delay.
2. Type each distance in any notation: `3.42 m`, `342 cm`, `11' 2 1/2"`. A number alone is in the units of the job, metres
   or feet; its meaning is shown beside it.
3. Read the **temperature** at ear height and enter it on the Site form: an error of 3 K shifts 2 m by 1 cm.
4. Responses on a common clock show whether the sound really arrives when the tape says. Measure subwoofers with bass
   management **off**: a low-pass makes them appear late.

**Laser:** keep it out of everybody's eyes. **Ladders:** a second person foots the ladder. Leave loudspeakers overhead
fastened.
"""

TYPING_SPAN_M = (0.3, 20.0)


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """A tape distance of each channel from the reference seat."""
    reference = job.system.reference_seat
    seat = reference.id if reference is not None else None
    return tuple(
        Prompt(
            channel=channel.id,
            seat=seat,
            quantity="distance",
            unit="m",
            expected=TYPING_SPAN_M,
            text=f"Tape from the ears at {seat or 'the reference seat'} to "
            + (
                f"the middle of the driver of {channel.label}, whichever way it faces, not to the box."
                if channel.is_sub
                else f"the front of {channel.label}, between woofer and tweeter."
            ),
            caution="Have a second person foot the ladder." if channel.role == "height" else "",
            given=_given(job, channel, round_id),
        )
        for channel in job.system.channels
    )


def _given(job: Job, channel: Channel, round_id: str) -> tuple[float, str] | None:
    """The distance in use until it is taped in this round."""
    found = known_distance_m(job, channel, round_id)
    return None if found is None else (found[0], "given" if found[1] == "tape" else found[1])


def _unusual(job: Job, round_id: str, prompt: Prompt, value_m: float) -> str:
    channel = job.system.channel(prompt.channel or "")
    return "" if channel is None else unusual_distance(job, round_id, channel, value_m)


@cached
def solve(job: Job, round_id: str, analyses: Analyses) -> DistancesResult:
    """Delays, settings and arrivals of a round; subwoofers set by Bass count as correct."""
    return result_of.solve(job, round_id, analyses, trims_by_bass(job, round_id, analyses))


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The settings to enter, arrivals against the tape, and the spread at other seats."""
    result = solve(job, round_id, analyses)
    waiting = awaiting.awaiting_repair(job, round_id, analyses)
    found = result.channels.values()
    checks = [check for each in found for check in (each.check_setting, each.check_arrival)]
    checks += _place_checks(result)
    tables = []
    if result.channels:
        tables.append(_settings_table(job, found, waiting))
    if any(each.arrival_s is not None for each in found):
        tables.append(_arrivals_table(found))
    if result.seats:
        tables.append(_seats_table(result))
    return Outcome(
        step="distances",
        round=round_id,
        done=len(result.channels),
        total=len(job.system.channels),
        checks=tuple(checks),
        tables=tuple(tables),
        advice=_advice(job, round_id, result),
        main_result=_main_result(result),
        remarks=(*_remarks(job, result), *awaiting.waiting_sentences(waiting, "distance")),
        budgets=tuple(budget for each in found for budget in each.budgets),
    )


PLACE_LIMIT = Limit(
    low=0.0,
    unit="",
    basis="arrivals fit its own position best; determined by simulation (tests/references/matching_rates.py)",
)


def _place_checks(result: DistancesResult) -> list[Check]:
    """Whether each main channel sounds from its own place: z, negative if another place fits better.

    None if it could not be determined, which a remark states; not tested if two places fit nearly alike.
    """
    checks = []
    for channel, each in result.places.items():
        own = each.place == channel
        why_not = None
        if each.undecided is not None:
            why_not = (
                f"the arrivals fit {each.undecided} equally well: play soft noise on {channel} alone and listen which "
                "loudspeaker plays it"
            )
        elif each.again is not None:
            causes, seat = each.again
            why_not = f"the arrivals fit {causes} equally well: measure every channel at {seat} again"
        elif own and each.z < SWAP_Z:
            why_not = (
                f"its arrivals fit the position of {each.rival} nearly as well (z = {each.z:.1f}, threshold {SWAP_Z:.0f}): "
                f"measure at a seat nearer to one of the two, or play soft noise on {channel} alone and listen"
            )
        checks.append(
            Check(
                id="distances.place",
                channel=channel,
                value=each.z if own else -each.z,
                unit="",
                limit=PLACE_LIMIT,
                why_not=why_not,
                text="z of the position it plays from, by the arrivals at all seats",
                words=f"plays from {'its own position' if own else f'the position of {each.place}, expected its own'}",
            )
        )
    return checks


def _ms(seconds: float | None) -> float | None:
    return None if seconds is None else 1000 * seconds


def _settings_table(job: Job, found: Iterable[ChannelDistance], waiting: Container[str]) -> Table:
    delay = job.system.processor.delay
    decimals = grid_decimals(delay.step, 1)

    def unless_waiting(value: Callable[[ChannelDistance], float | None]) -> Callable[[ChannelDistance], float | None]:
        return lambda each: None if each.channel.id in waiting else value(each)

    def new(each: ChannelDistance) -> float | str | None:
        return awaiting.AFTER_REPAIR if each.channel.id in waiting else each.setting.setting

    return table_of(
        found,
        (Column(key="channel", title="Channel"), lambda each: each.channel.id),
        (Column(key="distance", title="Distance", unit="m", decimals=2), lambda each: each.distance_m),
        (Column(key="origin", title="From"), lambda each: each.origin),
        (
            Column(key="delay", title="Delay", unit="ms", decimals=2),
            unless_waiting(lambda each: _ms(each.setting.delay_s)),
        ),
        # The processor's own unit is kept, whatever the job's units are: it must be typed like that.
        (Column(key="held", title=f"Current [{delay.unit}]", decimals=decimals), lambda each: each.held),
        (Column(key="new", title=f"New [{delay.unit}]", decimals=decimals), new),
        (
            Column(key="rest", title="Error", unit="ms", decimals=2, signed=True),
            unless_waiting(lambda each: _ms(each.setting.error_s)),
        ),
        (
            Column(key="deg80", title="at 80 Hz", unit="°", decimals=1, signed=True),
            unless_waiting(lambda each: each.setting.phase_deg(80)),
        ),
        (
            Column(key="deg1k", title="at 1 kHz", unit="°", decimals=0, signed=True),
            unless_waiting(lambda each: each.setting.phase_deg(1000)),
        ),
        id="delays",
        title=f"{'Delay' if delay.unit == 'ms' else 'Distance'} settings: current and new",
        key=lambda each: each.channel.id,
        check=lambda each: each.check_setting,
        remark="Error: what rounding leaves, against the farthest loudspeaker. No limit applies to it.",
    )


def _arrivals_table(found: Iterable[ChannelDistance]) -> Table:
    def expanded_ms(each: ChannelDistance) -> float | None:
        return 2 * each.check_arrival.uncertainty if each.arrival_s is not None else None

    return table_of(
        found,
        (Column(key="channel", title="Channel"), lambda each: each.channel.id),
        (Column(key="arrival", title="Arrival", unit="ms", decimals=2), lambda each: _ms(each.arrival_s)),
        (
            Column(key="residual", title="Minus tape", unit="ms", decimals=2, signed=True),
            lambda each: _ms(each.arrival_residual_s),
        ),
        (
            Column(key="aligned", title="Minus others", unit="ms", decimals=2, signed=True),
            lambda each: _ms(each.alignment_s),
        ),
        (Column(key="U", title="U", unit="ms", decimals=2), expanded_ms),
        (Column(key="implied", title="Implied distance", unit="m", decimals=2), lambda each: each.implied_m),
        id="arrivals",
        title="Does the sound arrive when the tape says?",
        key=lambda each: each.channel.id,
        check=lambda each: each.check_arrival,
    )


def _seats_table(result: DistancesResult) -> Table:
    return table_of(
        result.seats,
        (Column(key="seat", title="Seat"), lambda each: each.seat),
        (Column(key="predicted", title="Predicted", unit="ms", decimals=1), lambda each: _ms(each.predicted_s)),
        (Column(key="measured", title="Measured", unit="ms", decimals=1), lambda each: _ms(each.measured_s)),
        id="spread",
        title="Every seat: time from first to last main channel",
        key=lambda each: each.seat,
        remark="Predicted: with the new settings. Delays can align the channels at one seat only.",
    )


def _main_result(result: DistancesResult) -> str:
    if (unit := unit_sentence(result)) is not None:
        return unit
    if result.swapped:
        return " and ".join(sorted(result.swapped)) + " play from each other's positions"
    late = [e for e in result.channels.values() if e.check_arrival.verdict is Verdict.FAIL]
    if late:
        worst = max(late, key=lambda e: abs(e.check_arrival.value or 0))
        value = worst.check_arrival.value or 0
        return f"{worst.channel.id} arrives {abs(value):.1f} ms {'late' if value > 0 else 'early'}"
    wrong = [e for e in result.channels.values() if e.check_setting.verdict is Verdict.FAIL and e.to_enter]
    return f"{counted(len(wrong), 'distance setting')} to enter" if wrong else ""


def _advice(job: Job, round_id: str, result: DistancesResult) -> tuple[Advice, ...]:
    if not job.system.channels:
        return ()
    if result.missing:
        first = job.system.channel(result.missing[0])
        text = f"Tape the distance to {first.name_and_id if first is not None else result.missing[0]}."
        return (Advice(text=text, step="distances", priority=25),)
    if result.swapped:
        pair = " and ".join(sorted(result.swapped))
        text = f"Connect {pair} to their own loudspeakers, then measure both again."
        return (Advice(text=text, step="distances", priority=15),)
    for wrong in () if unit_sentence(result) is not None else wrong_times(job, round_id, result):
        text = (
            f"Check the distance setting of {listed([c for c in (wrong.channel, wrong.other) if c])} in the processor."
            if wrong.what == "setting"
            else f"Tape {wrong.channel} again: its sound does not arrive when the tape says."
        )
        return (Advice(text=text, step="distances", priority=26),)
    if any(e.check_setting.verdict is Verdict.FAIL and e.to_enter for e in result.channels.values()):
        return (Advice(text="Enter the distances from the settings sheet.", step="distances", priority=41),)
    return ()


def _remarks(job: Job, result: DistancesResult) -> tuple[str, ...]:
    remarks = [
        f"Speed of sound {result.speed_m_s:.1f} m/s at "
        f"{format_temperature(job.system.temperature_c, job.system.units)} (ISO 9613-1).",
        *_processor_remarks(job.system.processor),
        *_step_remark(job, result),
    ]
    for each in result.channels.values():
        remarks += _channel_remarks(job, result, each)
    unit, fit = unit_sentence(result), result.unit_fit
    heard = f"arrivals: k = {fit.factor:.2f} ± {2 * fit.sd:.2f}" if fit and fit.meaning else ""
    if unit is not None:
        ratio = f"entered ÷ correct: {result.held_ratio:.2f}" if result.held_ratio is not None else ""
        remarks.append(f"{unit[0].upper()}{unit[1:]} ({'; '.join(part for part in (ratio, heard) if part)}).")
    elif fit is not None and fit.meaning in (NO_DELAYS, WRONG_SIGN):
        remarks.append(
            f"According to the arrivals, {fit.meaning} (k = {fit.factor:.2f} ± {2 * fit.sd:.2f}; correct is 1)."
        )
    for channel, (place, z) in result.swapped.items():
        remarks.append(f"{channel} plays from the position of {place} (z = {z:.0f}, threshold {SWAP_Z:.0f}).")
    if result.no_swap_reason and result.channels:
        remarks.append(result.no_swap_reason[0].upper() + result.no_swap_reason[1:] + ".")
    return tuple(remarks)


def _processor_remarks(processor: Processor) -> tuple[str, ...]:
    if processor.delay.unit == "ms":
        return ()
    own = processor.speed_of_sound_m_s
    if own is not None and not plausible_speed(own):
        return (
            f"The processor's speed of sound is entered as {own:g} m/s, which is impossible in air, and is ignored: "
            "correct it on the Site form (343 m/s is 1125 ft/s).",
        )
    if own is not None:
        return (
            f"The processor converts distances to delays with {own:g} m/s. New settings are scaled by {own:g} m/s "
            "over the actual speed of sound, so that the delays come out right.",
        )
    return ("The speed of sound that the processor assumes is unknown: the new settings are not scaled.",)


def _step_remark(job: Job, result: DistancesResult) -> tuple[str, ...]:
    """The rounding error by the processor's steps, which no setting removes."""
    if not result.channels:
        return ()
    delay = job.system.processor.delay
    step_ms = 1000 * step_s(delay, result.speed_m_s)
    half, whole = (number(each, 2) for each in (step_ms / 2, step_ms))
    return (
        f"Steps of {delay.step:g} {delay.unit} leave up to {half} ms on each channel, {whole} ms between two; the limits "
        "include it. A setting that agrees with the tape shows that it was entered as required; whether the tape is right, "
        "only the arrival shows.",
    )


def _as_set(unit: DelayUnit, metres: float, seconds: float) -> str:
    """A latency in the processor's own unit, as it is entered."""
    value = {"ms": 1000 * seconds, "m": metres, "ft": metres / FOOT_M}[unit]
    return f"{value:.2f} {unit}"


def _channel_remarks(job: Job, result: DistancesResult, each: ChannelDistance) -> list[str]:
    name, remarks = each.channel.id, []
    residual_s = each.arrival_residual_s or 0.0
    unit = job.system.processor.delay.unit
    kept_s = each.kept_latency_s
    if kept_s is not None and each.arrival_residual_s is None:
        if kept_s > SUB_LATENCY_S:
            as_set = _as_set(unit, kept_s * each.speed_m_s, kept_s)
            more = "less" if unit == "ms" else "more"  # a delay is larger for nearer loudspeakers
            remarks.append(
                f"The current setting of {name} is {as_set} {more} than its distance requires. This is kept as an "
                "allowance for the subwoofer's own latency. Measure its arrival to check it."
            )
    elif each.own_latency_m != 0:
        as_set = _as_set(unit, abs(each.own_latency_m), abs(residual_s))
        others = f"the {'' if each.channel.is_sub else 'other '}main loudspeakers"
        later = "later" if residual_s > 0 else "earlier"
        more = "more" if (residual_s > 0) != (unit == "ms") else "less"
        remarks.append(
            f"{name} arrives {1000 * abs(residual_s):.1f} ms {later} than its distance explains"
            f"{'' if residual_s > 0 else f': {others} have a longer latency'}. "
            + (
                "Its current setting allows for this and is kept."
                if kept_s is not None
                else f"Its new setting is {as_set} {more} to allow for this: a start, to be adjusted at the crossover."
            )
        )
    elif name in result.outliers:
        remarks.append(
            f"{name} arrives {1000 * abs(residual_s):.1f} ms {'later' if residual_s > 0 else 'earlier'} than tape and "
            f"setting predict, which implies {format_length(each.implied_m or 0.0, job.system.units)} instead of "
            f"{format_length(each.distance_m, job.system.units)}."
        )
    if each.setting.clipped:
        unit = job.system.processor.delay.unit
        remarks.append(
            f"{name} needs {each.setting.exact:.2f} {unit}, which is outside the processor's range; "
            f"{each.setting.setting:.2f} {unit} leaves an error of {1000 * abs(each.setting.error_s):.1f} ms."
        )
    if each.why_no_arrival and each.arrival_s is not None:
        remarks.append(f"{name}: {each.why_no_arrival}.")
    return remarks


STEP = Step(
    id="distances",
    title="Distances",
    question="Which delay does each loudspeaker need, and does the sound arrive when the tape says?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    unusual=_unusual,
    entry="readings",
    limits=(
        CheckLimit(check="distances.setting", quantity="distances.setting", applies=STEP_AND_U),
        CheckLimit(check="distances.setting", quantity="distances.sub"),
        CheckLimit(
            check="distances.arrival", quantity="distances.arrival", applies=f"against the others: {ONE_STEP}"
        ),
        CheckLimit(check="distances.arrival", quantity="distances.sub"),
        CheckLimit(
            check="distances.place",
            limit=PLACE_LIMIT,
            applies="z of the position that a main channel plays from: negative where another position fits better",
        ),
    ),
)
