"""Bass: which gain, delay and polarity of each subwoofer suits all seats, and do mains and subwoofers add in phase?

The responses of each subwoofer at every seat predict the result of any settings there, before anything is changed. The
search (`dsp.bass_search`; Welti & Devantier 2006, from memory) finds settings that give all seats the same bass without
much loss of output, also with small errors of everything. After the settings are entered, the new measurement is compared
with the prediction.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Literal

import numpy as np

from commission.dsp.bass_search import GAIN_OFF_DB, SEAT_OFF_M, TEMPERATURE_OFF_K, HeldOut
from commission.model import (
    Advice,
    Analyses,
    Check,
    CheckLimit,
    Choice,
    Column,
    Curve,
    FilterRanges,
    FloatArray,
    Job,
    Limit,
    Outcome,
    Series,
    Step,
    Table,
    Verdict,
    table_of,
)
from commission.model.formatting import number
from commission.model.outcome import Cell
from commission.model.units import listed, round_name
from commission.steps.bass.by_hand import HAND_KEY
from commission.steps.bass.choices import PRICES, SUM_KEY, TRADEOFF_KEY, tradeoff_choice
from commission.steps.bass.crossover import Crossover, mains_with_crossover
from commission.steps.bass.entries import louder_db_of
from commission.steps.bass.explanation import SubChange
from commission.steps.bass.filters import FILTERS_KEY, filters_wanted, offers_filters
from commission.steps.bass.measurement import newest_bass
from commission.steps.bass.moves import SubwooferMove, best_move
from commission.steps.bass.placing import MOST_WEAKENED_DB
from commission.steps.bass.result import USE_KEY, BassResult, in_use, solve, solve_round, trims_in_use
from commission.steps.bass.verification import AGREEMENT_DB, AGREEMENT_U_DB, Verification, mistyped_polarities, verify
from commission.steps.bass.version import Version
from commission.steps.shared import budgets as budget_for
from commission.steps.shared.subwoofers import sub_outputs

__all__ = ["BassResult", "solve", "solve_round", "verify"]

HELP = """
There is nothing to measure here: this step uses the responses of the step *Seats*.

- Measure **each subwoofer alone** at every seat, all in one run: only then do the responses share a clock.
- The proposal changes gain, delay and polarity of each subwoofer. Figures and curves show what every seat will hear,
  before you touch anything.
- **c** chooses how much output may be lost for evenness and, where the most even settings would weaken the sum with the
  front loudspeakers, whether to keep the sum at the crossover. **e** opens the settings: the arrow keys change one value by
  hand, and all curves follow.
- A processor with parametric filters gets few of them, cuts first, where all seats share a peak (enter on *Site* how many
  bands there are and what they can be set to). A target curve for the bass is entered on *Site* as well.
- Set the processor as the settings sheet says, begin the round **as left** and measure the subwoofers again at every seat:
  predicted and measured are then compared, seat by seat.

Turn a subwoofer's polarity in the processor where it can do that, otherwise with the phase switch of the subwoofer.
"""

AGREEMENT = Limit(
    high=AGREEMENT_DB,
    unit="dB",
    basis="1.5 dB between predicted and measured bass at a seat; determined by simulation "
    "(tests/steps/test_bass_verification.py)",
)
CROSSOVER = Limit(
    high=3.0,
    unit="dB",
    basis="3 dB that delay or polarity would add through the crossover; common practice, no source",
)
CROSSOVER_U_DB = 0.5
SHAPE_WORSE_DB = 1.5
"""A loss of evenness of the mean level over frequency by this much is mentioned (common practice, no source)."""
UNLIKE_PREDICTED_DB = 0.3
"""A measured seat-to-seat standard deviation this far from its prediction is explained (common practice, no source)."""
CURVE_BEFORE, CURVE_AFTER = "bass:before", "bass:after"
PRICE_WORDS = {"even": "most even", "balanced": "balanced", "loud": "loud"}
SUM_WORDS = {"even": "even seats", "keep": "keep the sum"}

BUDGETS = (
    budget_for.single(
        "bass.agreement",
        "bass at a seat against its prediction",
        "microphone put back within 5 cm",
        AGREEMENT_U_DB,
        "determined by simulation (tests/steps/test_bass_verification.py)",
    ),
    budget_for.single(
        "bass.crossover",
        "what the proposal adds through the crossover",
        "positions of the microphone for mains and subwoofers, and the steps of the delays",
        CROSSOVER_U_DB,
        "common practice, no source",
    ),
)


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The proposal from the responses of a round and, after an earlier round, predicted against measured."""
    if not sub_outputs(job)[0]:
        return Outcome(step="bass", round=round_id, remarks=("The job has no subwoofer.",))
    result, checked = solve_round(job, round_id, analyses), verify(job, round_id, analyses)
    seats = len(job.system.seats)
    if isinstance(result, str):
        return Outcome(step="bass", round=round_id, total=seats, remarks=(f"No prediction: {result}.",))
    newest = newest_bass(job, analyses)
    is_newest = not isinstance(newest, str) and newest.round == round_id
    checks = (*_agreement_checks(checked), *_crossover_checks(job, result))
    return Outcome(
        step="bass",
        round=round_id,
        done=len(result.measured.seats),
        total=seats,
        checks=checks,
        tables=tuple(_tables(job, result, checked, checks)),
        curves=tuple(_curves(result, checked)),
        budgets=BUDGETS if checks else (),
        advice=_advice(job, result, checked) if is_newest else (),
        choices=_choices(job, result) if is_newest and (isinstance(checked, str) or not checked.off) else (),
        main_result=_main_result(result, checked),
        remarks=tuple(_remarks(job, result, checked, is_newest=is_newest)),
    )


# --- checks ---------------------------------------------------------------------------------------------------------


def _agreement_checks(checked: Verification | str) -> tuple[Check, ...]:
    if isinstance(checked, str):
        return ()
    return tuple(
        Check(
            id="bass.agreement",
            seat=seat,
            value=value,
            unit="dB",
            uncertainty=AGREEMENT_U_DB,
            limit=AGREEMENT,
            text="measured minus predicted bass, root mean square",
            why_not=None if value is not None else "the subwoofers cancel there through half of the band or more",
        )
        for seat, value in zip(checked.seats, checked.agreement_db, strict=True)
    )


def _crossover_checks(job: Job, result: BassResult) -> tuple[Check, ...]:
    why_not = {channel.id: result.no_crossover for channel in mains_with_crossover(job)}
    added: dict[str, float] = {}
    text = "what the proposal adds through the crossover"
    if not isinstance(result.front, str) and result.crossover is not None:
        why_not = dict(result.front.left_out)
        gains = (result.crossover.after_db - result.crossover.before_db).tolist()
        added = dict(zip(result.crossover.mains, gains, strict=True))
        text = f"what the proposal adds through the octave around {result.crossover.hz:.0f} Hz"
    return tuple(
        Check(
            id="bass.crossover",
            channel=main,
            value=added.get(main),
            unit="dB",
            uncertainty=CROSSOVER_U_DB,
            limit=CROSSOVER,
            text=text,
            why_not=why_not.get(main),
        )
        for main in (*added, *why_not)
    )


# --- tables ---------------------------------------------------------------------------------------------------------


def _tables(job: Job, result: BassResult, checked: Verification | str, checks: tuple[Check, ...]) -> list[Table]:
    delay = job.system.processor.delay
    tables = [
        settings_table(result, delay.unit),
        *_filter_tables(result, job.system.processor.filters),
        figures_table(result),
    ]
    if result.tradeoff:
        tables.append(_tradeoff_table(result))
    tables.append(_seats_table(result, checked, checks))
    if result.crossover is not None:
        tables.append(_crossover_table(result.crossover, checks))
    if not isinstance(checked, str):
        tables.append(_changes_table(checked))
    return tables


def settings_table(result: BassResult, unit: str) -> Table:
    """Settings for each subwoofer: the change, and the resulting trim and setting, in the unit of the processor."""
    title = "Settings by hand" if result.by_hand else "Proposed settings"
    if result.kept_because is not None:
        title = "Settings, left as they are"
    return table_of(
        result.subs.values(),
        (Column(key="sub", title="Subwoofer"), lambda each: each.channel.id),
        (Column(key="gain", title="Gain", unit="dB", decimals=1, signed=True), lambda each: each.gain_db),
        (Column(key="delay", title="Delay", unit="ms", decimals=2, signed=True), lambda each: 1000 * each.delay_s),
        (Column(key="polarity", title="Polarity"), lambda each: "turn over" if each.polarity < 0 else "keep"),
        (Column(key="trim", title="New trim", unit="dB", decimals=1, signed=True), lambda each: each.trim_db),
        (Column(key="setting", title="New setting", unit=unit, decimals=2), lambda each: each.setting),
        id="bass:settings",
        title=title,
        key=lambda each: each.channel.id,
        remark=f"Changes against {round_name(result.measured.round)}. Trim and setting: what to enter in the processor.",
    )


def _filter_tables(result: BassResult, ranges: FilterRanges | None) -> list[Table]:
    """The filters to add, one for each row, in the processor's terms; no table without filters."""
    rows = [(sub, k, each) for sub, p in result.subs.items() for k, each in enumerate(p.filters)]
    if not rows:
        return []
    octaves = ranges is not None and ranges.width == "octaves"
    table = table_of(
        rows,
        (Column(key="sub", title="Subwoofer"), lambda row: row[0]),
        (Column(key="hz", title="Frequency", unit="Hz", decimals=1), lambda row: row[2].frequency_hz),
        (Column(key="gain", title="Gain", unit="dB", decimals=1, signed=True), lambda row: row[2].gain_db),
        (
            Column(key="width", title="Bandwidth" if octaves else "Q", unit="octaves" if octaves else "", decimals=2),
            lambda row: row[2].width,
        ),
        id="bass:filters",
        title="Parametric filters to add",
        key=lambda row: f"filter:{row[0]}:{row[1]}",
        remark="Peaking filters, on what all seats share. Cuts come first; no boost where a seat hears a cancellation.",
    )
    return [table]


def figures_table(result: BassResult) -> Table:
    """As found, proposed, all alike and the best single subwoofer."""
    low, high = result.measured.band_hz

    def name(each: Version) -> str:
        return round_name(result.measured.round if each is result.as_found else each.name)

    return table_of(
        (result.as_found, *((result.proposed,) if result.is_change else ()), *result.others),
        (Column(key="name", title="Subwoofers"), name),
        (Column(key="sd", title="Seat-to-seat", unit="dB", decimals=1), lambda each: each.sd_db),
        (
            Column(key="output", title="Output", unit="dB", decimals=1, signed=True),
            lambda each: each.figures.output_db,
        ),
        (Column(key="worst", title="Worst seat"), lambda each: worst_seat(result, each)[0]),
        (
            Column(key="off", title="Off by", unit="dB", decimals=1, signed=True),
            lambda each: worst_seat(result, each)[1],
        ),
        id="bass:figures",
        title=f"Evenness and output, {low:.0f} to {high:.0f} Hz",
        key=lambda each: each.name,
        remark="Seat-to-seat: standard deviation of the level. Output: level of the sum relative to the powers of all "
        "subwoofers through the same filters, the loudest one at its limit.",
    )


def worst_seat(result: BassResult, each: Version) -> tuple[str, float]:
    """The seat whose mean level is farthest from the mean of the seats, and by how much."""
    k = max(range(len(each.deviation_db)), key=lambda i: abs(each.deviation_db[i]))
    return result.measured.seats[k], each.deviation_db[k]


def _tradeoff_table(result: BassResult) -> Table:
    return table_of(
        result.tradeoff,
        (Column(key="name", title="Choice"), lambda each: each.name),
        (Column(key="sd", title="Seat-to-seat", unit="dB", decimals=1), lambda each: each.sd_db),
        (
            Column(key="output", title="Output", unit="dB", decimals=1, signed=True),
            lambda each: each.figures.output_db,
        ),
        id="bass:trade",
        title="Evenness against output",
        key=lambda each: each.name,
        remark="A choice lets 1 dB of output count as much as "
        f"{listed([f'{PRICES[each.name]:g}' for each in result.tradeoff])} dB² of variance between seats."
        + ("" if result.measured.room.target_db is None else " Closeness to the target counts besides."),
    )


def _seats_table(result: BassResult, checked: Verification | str, checks: tuple[Check, ...]) -> Table:
    seats, before = result.measured.seats, round_name(result.measured.round).capitalize()
    by_seat = {check.seat: check for check in checks if check.id == "bass.agreement"}
    columns: list[tuple[bool, Column, Callable[[int], Cell]]] = [
        (True, Column(key="seat", title="Seat"), lambda i: seats[i]),
        (
            True,
            Column(key="before", title=before, unit="dB", decimals=1, signed=True),
            lambda i: result.as_found.deviation_db[i],
        ),
        (
            result.is_change,
            Column(key="after", title="Predicted", unit="dB", decimals=1, signed=True),
            lambda i: result.proposed.deviation_db[i],
        ),
        (
            bool(by_seat),
            Column(key="agreement", title="Against prediction", unit="dB", decimals=1),
            lambda i: by_seat[seats[i]].value if seats[i] in by_seat else None,
        ),
    ]
    remark = "Mean level of the bass at each seat relative to the mean of the seats."
    if not isinstance(checked, str):
        remark += f" Against prediction: from {round_name(checked.before)} and the settings, root mean square."
    return table_of(
        range(len(seats)),
        *((column, value) for shown, column, value in columns if shown),
        id="bass:seats",
        title="Bass at each seat",
        key=lambda i: f"bass:{seats[i]}",
        check=lambda i: by_seat.get(seats[i]),
        remark=remark,
    )


def _crossover_table(crossover: Crossover, checks: tuple[Check, ...]) -> Table:
    by_main = {check.channel: check for check in checks if check.id == "bass.crossover"}
    return table_of(
        zip(crossover.mains, crossover.before_db, crossover.after_db, strict=True),
        (Column(key="main", title="Loudspeaker"), lambda each: each[0]),
        (Column(key="before", title="As measured", unit="dB", decimals=1, signed=True), lambda each: float(each[1])),
        (Column(key="after", title="Predicted", unit="dB", decimals=1, signed=True), lambda each: float(each[2])),
        id="bass:crossover",
        title=f"Sum with the subwoofers through the octave around {crossover.hz:.0f} Hz",
        key=lambda each: each[0],
        check=lambda each: by_main.get(each[0]),
        remark="Relative to both in phase, mean over the seats. In a room even a good sum stays some decibels below 0."
        + _filters_remark(crossover),
    )


def _filters_remark(crossover: Crossover) -> str:
    """Sum of the entered filters alone."""
    if crossover.filters_db is None:
        return ""
    return (
        f" As entered: {crossover.entered}. These filters alone reach {number(crossover.filters_db, 1, signed=True)} dB, "
        "before the slopes of the loudspeakers themselves."
    )


def _changes_table(checked: Verification) -> Table:
    def polarity(each: SubChange) -> str:
        if each.polarity is None:
            return "not determined"
        return "opposite" if each.is_polarity_off else "as entered"

    return table_of(
        checked.changes,
        (Column(key="sub", title="Subwoofer"), lambda each: each.sub),
        (
            Column(key="typed", title="Gain entered", unit="dB", decimals=1, signed=True),
            lambda each: each.typed_gain_db,
        ),
        (Column(key="gain", title="measured", unit="dB", decimals=1, signed=True), lambda each: each.gain_db),
        (
            Column(key="typed-delay", title="Delay entered", unit="ms", decimals=1, signed=True),
            lambda each: 1000 * each.typed_delay_s,
        ),
        (
            Column(key="delay", title="measured", unit="ms", decimals=1, signed=True),
            lambda each: None if each.delay_s is None else 1000 * each.delay_s,
        ),
        (Column(key="polarity", title="Polarity"), polarity),
        (Column(key="word", title="Result"), lambda each: "not as entered" if each.is_off else "as entered"),
        id="bass:changes",
        title=f"Change from {round_name(checked.before)} to {round_name(checked.after)}",
        key=lambda each: f"change:{each.sub}",
        verdicts=False,
    )


# --- curves ---------------------------------------------------------------------------------------------------------


def _curves(result: BassResult, checked: Verification | str) -> list[Curve]:
    curves = [bands_curve(result, result.proposed if result.is_change else None)]
    freq = result.measured.room.freq_hz
    for i, seat in enumerate(result.measured.seats):
        before = round_name(result.measured.round)
        series = [
            Series(
                name=before,
                x=freq,
                y=smoothed_db(freq, result.as_found.levels_db[i]),
                kind="other" if result.is_change else "main",
            )
        ]
        if result.is_change:
            series.append(
                Series(name="predicted", x=freq, y=smoothed_db(freq, result.proposed.levels_db[i]), kind="main")
            )
        if not isinstance(checked, str) and seat in checked.seats:
            k = checked.seats.index(seat)
            series = [
                Series(name="predicted", x=checked.freq_hz, y=checked.predicted_db[k], kind="other"),
                Series(name=f"measured {round_name(checked.after)}", x=checked.freq_hz, y=checked.measured_db[k]),
            ]
        curves.append(
            Curve(
                id=f"bass:{seat}",
                title=f"All subwoofers at {seat}",
                seat=seat,
                y_unit="dB rel.",
                caption="1/3 octave" if series[0].name == "predicted" else "1/6 octave",
                series=tuple(series),
            )
        )
    return curves


def bands_curve(result: BassResult, after: Version | None) -> Curve:
    """From the lowest to the highest seat: measured as an area, new settings between two lines."""
    freq = result.measured.room.freq_hz
    before = smoothed_db(freq, result.as_found.levels_db)
    name = f"seats {round_name(result.measured.round)}"
    series = [
        Series(name=name, x=freq, y=before.min(axis=0), kind="low"),
        Series(name=name, x=freq, y=before.max(axis=0), kind="high"),
    ]
    kind: Literal["main", "mean"] = "main"
    if after is not None:
        new = smoothed_db(freq, after.levels_db)
        series += [
            Series(name="highest predicted", x=freq, y=new.max(axis=0), kind=kind),
            Series(name="lowest predicted", x=freq, y=new.min(axis=0), kind=kind),
        ]
    else:
        series.append(Series(name="mean of seats", x=freq, y=before.mean(axis=0), kind="mean"))
    return Curve(
        id=CURVE_AFTER if after is not None else CURVE_BEFORE,
        title=f"All subwoofers, {len(result.measured.seats)} seats",
        y_unit="dB rel.",
        caption="1/6 octave",
        series=tuple(series),
    )


def smoothed_db(freq_hz: FloatArray, levels_db: FloatArray) -> FloatArray:
    """Mean power within 1/6 octave around each frequency [dB, shape=(…, n)], for readable curves."""
    near = np.abs(np.log2(freq_hz[:, None] / freq_hz)) <= 1 / 12 + 1e-9
    return np.asarray(10 * np.log10(10 ** (levels_db / 10) @ (near / near.sum(axis=0))))


# --- words ----------------------------------------------------------------------------------------------------------


def _main_result(result: BassResult, checked: Verification | str) -> str:
    if not isinstance(checked, str) and checked.explanation is not None:
        return checked.explanation.text
    if len(result.measured.seats) == 1:
        return "a setting for one seat is proposed" if result.is_change else "one seat; no better setting"
    differ = f"seats differ by {number(result.as_found.sd_db, 1)} dB"
    if not isinstance(checked, str) and checked.is_as_predicted and checked.predicted_sd_db is not None:
        differ += f" ({number(checked.predicted_sd_db, 1)} predicted)"
    if result.is_change:
        return f"{differ}, {number(result.proposed.sd_db, 1)} dB {'by hand' if result.by_hand else 'as proposed'}"
    return f"{differ}; no better setting"


def _beyond(agreement_db: float | None) -> bool:
    return agreement_db is not None and AGREEMENT.judge(agreement_db, AGREEMENT_U_DB) is Verdict.FAIL


def _advice(job: Job, result: BassResult, checked: Verification | str) -> tuple[Advice, ...]:
    if not isinstance(checked, str) and (contradiction := checked.contradiction):
        mistake = checked.explanation
        text = f"Correct this, and measure again: {contradiction}." if mistake is None else mistake.remedy
        return (Advice(text=text, step="bass", priority=30),)
    if not isinstance(checked, str):
        off = [s for s, v in zip(checked.seats, checked.agreement_db, strict=True) if _beyond(v)]
        if len(off) == 1:
            text = f"Measure the subwoofers at {off[0]} again: the bass differs from the prediction there alone."
            return (Advice(text=text, step="bass", priority=30),)
    if not result.is_change or not in_use(job, result):
        return ()
    return (
        Advice(
            text="Set the subwoofers as the settings sheet says, then measure them as left.", step="bass", priority=62
        ),
    )


def _tradeoff_choice(job: Job, result: BassResult) -> Choice:
    options = tuple(
        (
            each.name,
            f"{PRICE_WORDS[each.name]}: {number(each.sd_db, 1)} dB seat to seat, output "
            f"{number(each.figures.output_db, 1, signed=True)} dB",
        )
        for each in result.tradeoff
    )
    return Choice(
        key=TRADEOFF_KEY,
        title="Evenness or output",
        options=options,
        current=tradeoff_choice(job, result.measured.round),
    )


def _sum_choice(result: BassResult) -> Choice:
    options = tuple(
        (
            name,
            f"{SUM_WORDS[name]}: {number(each.figures.sd_db, 1)} dB seat to seat, output "
            f"{number(each.figures.output_db, 1, signed=True)}, sum {number(each.sum_gain_db, 1, signed=True)} dB",
        )
        for name, each in reversed(result.candidates.items())
    )
    title = "Evenness, or the sum with the front loudspeakers"
    return Choice(key=SUM_KEY, title=title, options=options, current=result.wanted)


def _choices(job: Job, result: BassResult) -> tuple[Choice, ...]:
    choices = []
    if result.by_hand:  # the other choices would not change settings entered by hand
        choices.append(_hand_choice(job, result))
    else:
        if len(result.tradeoff) > 1:
            choices.append(_tradeoff_choice(job, result))
        if result.candidates:
            choices.append(_sum_choice(result))
        if offers_filters(job):
            choices.append(_filters_choice(job, result))
    if result.is_change:
        choices.append(
            Choice(
                key=USE_KEY,
                title="What the settings sheet takes for the subwoofers",
                options=(("yes", "these settings"), ("no", "trims of Levels, settings of Distances")),
                current="yes" if in_use(job, result) else "no",
            )
        )
    return tuple(choices)


def _hand_choice(job: Job, result: BassResult) -> Choice:
    current = job.decisions[result.measured.round, "bass", HAND_KEY]
    options = ((current, "the settings by hand"), ("", "the proposal of the search"))
    return Choice(key=HAND_KEY, title="Settings by hand or the proposal", options=options, current=current)


def _filters_choice(job: Job, result: BassResult) -> Choice:
    return Choice(
        key=FILTERS_KEY,
        title="Parametric filters of the subwoofers",
        options=(("yes", "propose filters"), ("no", "gain, delay and polarity alone")),
        current="yes" if filters_wanted(job, result.measured.round) else "no",
    )


def _remarks(job: Job, result: BassResult, checked: Verification | str, *, is_newest: bool) -> list[str]:
    remarks = [
        *result.measured.left_out,
        *_proposal_remarks(job, result, is_newest=is_newest),
    ]
    if result.no_crossover:
        remarks.append(f"The sum with the main loudspeakers is not determined: {result.no_crossover}.")
    if is_newest:
        move = best_move(job, result)
        remarks.append(
            move.text(job.system.units)
            if isinstance(move, SubwooferMove)
            else f"No move of a subwoofer or a row is advised: {move}."
        )
    return remarks + _comparison_remarks(checked, is_first=result.measured.round == job.rounds[0])


def _proposal_remarks(job: Job, result: BassResult, *, is_newest: bool) -> Iterator[str]:
    """Whether the proposal is used, its robustness against small errors, and its side effects."""
    if result.kept_because is not None:
        yield f"Everything is left as it is: {result.kept_because}."
    elif is_newest and not in_use(job, result):
        yield "The settings sheet contains these settings only after you choose them."
    if result.measured.room.subs > 1 and len(result.measured.seats) > 1:
        worst = result.robustness
        yield (
            f"With gains ±{GAIN_OFF_DB:g} dB, delays ±0.1 ms, seats ±{100 * SEAT_OFF_M:.0f} cm or "
            f"{TEMPERATURE_OFF_K:.0f} K off, a seat-to-seat standard deviation of up to "
            f"{number(worst.worst_db2**0.5, 1)} dB is calculated (worst: {worst.worst})."
        )
    before, after = result.as_found.shape_db, result.proposed.shape_db
    if result.is_change and result.measured.room.target_db is not None:
        yield (
            f"The mean level of the seats differs from the target by {number(after, 1)} dB, as measured by "
            f"{number(before, 1)} dB (standard deviation over frequency)."
        )
    elif after > before + SHAPE_WORSE_DB:
        yield (
            f"The mean level of the seats becomes less even over frequency: {number(before, 1)} → {number(after, 1)} dB "
            "standard deviation. Look at the curves; a target on the Site form weighs this too."
        )
    if not result.is_change:
        return
    yield from _sum_remarks(result)
    if louder := louder_db_of(job, result.measured, result.proposed.settings, result.filters):
        yield (
            f"All new trims also include {number(louder, 1, signed=True)} dB, as far as the range allows, so that all at "
            "once read the reference at the reference seat (Levels)."
        )
    if result.held_out is not None and result.wanted == "even":
        yield from _held_out_remarks(result.held_out)


def _sum_remarks(result: BassResult) -> Iterator[str]:
    """Effect on the sum with the front loudspeakers, and the other candidate where the choice concerns this sum."""
    if result.crossover is None:
        return
    lost_db = -result.crossover.gain_db
    if lost_db > MOST_WEAKENED_DB:
        yield (
            f"The sum with {listed(result.crossover.mains)} through the crossover becomes {number(lost_db, 1)} dB "
            "weaker than measured (calculated, mean)."
        )
    if (keep := result.candidates.get("keep")) and result.wanted == "even" and not result.by_hand:
        even = result.candidates["even"]
        sums, spreads = (
            f"{number(then, 1, signed=signed)} instead of {number(now, 1, signed=signed)} dB"
            for then, now, signed in (
                (keep.sum_gain_db, even.sum_gain_db, True),
                (keep.figures.sd_db, even.figures.sd_db, False),
            )
        )
        output = number(keep.figures.output_db - even.figures.output_db, 1, signed=True)
        yield (
            f"Other settings change it by {sums}. With them seats differ by {spreads}, and the output changes by "
            f"{output} dB: press c to choose."
        )


def _held_out_remarks(held_out: HeldOut) -> Iterator[str]:
    """Dependence of the proposal on single seats."""
    off, now = (number(float(np.nanmean(v**2)) ** 0.5, 1) for v in (held_out.off_db, held_out.off_now_db))
    yield (
        "Settings found with each seat left out in turn give all seats a standard deviation of "
        f"{number(held_out.mean_db2**0.5, 1)} dB, which bounds the dependence of the proposal on single seats. The seat "
        f"left out differs from the others by {off} dB, as measured by {now} dB (root mean square)."
    )
    if not held_out.gains_elsewhere:
        yield "Places that were not measured may not become more even: measure every seat that counts."


def _comparison_remarks(checked: Verification | str, *, is_first: bool) -> list[str]:
    """Items left out of predicted against measured, or why there is no comparison; empty for a first round."""
    if isinstance(checked, str):
        return [] if is_first else [f"Predicted and measured are not compared: {checked}."]
    remarks = list(checked.left_out)
    if checked.is_as_predicted and checked.predicted_sd_db is not None:
        more_db = checked.sd_db - checked.predicted_sd_db
        if abs(more_db) >= UNLIKE_PREDICTED_DB:
            remarks.append(
                f"Measured minus predicted seat-to-seat standard deviation: {number(more_db, 1, signed=True)} dB. The "
                "levels of every seat agree with the prediction where the subwoofers do not cancel; narrow cancellations "
                "change most with the position of the microphone and with noise."
            )
    if checked.by_sheet:
        remarks.append("Settings that are not entered were taken from the settings sheet issued before.")
    if abs(checked.common_db) > 1.0:
        remarks.append(
            f"All seats differ from the prediction by the same {number(checked.common_db, 1, signed=True)} dB: "
            "volume or gain."
        )
    return remarks


STEP = Step(
    id="bass",
    title="Bass",
    question="Which gain, delay and polarity of each subwoofer serves all seats?",
    help=HELP,
    evaluate=evaluate,
    entry="none",
    trims_in_use=trims_in_use,
    mistyped_polarities=mistyped_polarities,
    limits=(
        CheckLimit(check="bass.agreement", limit=AGREEMENT, applies="bass at a seat against its prediction"),
        CheckLimit(check="bass.crossover", limit=CROSSOVER, applies="main loudspeaker with the subwoofers"),
    ),
)
