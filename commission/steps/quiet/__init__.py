"""Quiet: how loud is the room itself, and which source is the loudest?

The installer records half a minute of silence in each state (everything off, then one source after the other), or types a
meter's readings. Each state gets L_Aeq, L_Ceq, NC (ANSI/ASA S12.2), NR (ISO/R 1996) with the octave that decides, hum of
the mains and tones. Differences between states identify the source; an uncalibrated microphone gives nothing else.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from commission.dsp.rating import Rating, nc_curve_db
from commission.model import (
    Advice,
    Analyses,
    CheckLimit,
    Choice,
    Column,
    Curve,
    Job,
    Outcome,
    Prompt,
    Series,
    Step,
    Table,
    Task,
    Verdict,
    table_of,
)
from commission.model.formatting import number
from commission.model.noise_states import (
    ELECTRONICS,
    OFF,
    PROJECTOR,
    STATES,
    VENTILATION,
    VENTILATION_HIGH,
    VENTILATION_LOW,
    known_state,
    spelled,
)
from commission.model.outcome import Unit
from commission.model.units import listed
from commission.steps.quiet.result import (
    DIFFERENT_DB,
    QUANTITIES,
    Difference,
    Noise,
    QuietResult,
    baseline_of,
    deciding_rise_db,
    hum_budget,
    hum_check,
    hum_check_id,
    is_above_off,
    largest_change,
    loudest,
    nc_check,
    nominal_hz,
    of_channels,
    quantity_of,
    read_quantity,
    solve,
)

__all__ = [
    "DIFFERENT_DB",
    "Difference",
    "Noise",
    "QuietResult",
    "baseline_of",
    "deciding_rise_db",
    "hum_budget",
    "hum_check",
    "is_above_off",
    "loudest",
    "nc_check",
    "nominal_hz",
    "of_channels",
    "solve",
]

HELP = """
1. Microphone on a stand at **ear height** of the reference seat, or the meter at arm's length. Everybody else leaves; stand
   still.
2. Record **30 seconds** in each state: **everything off** first, then one source after the other: ventilation low,
   ventilation high, electronics on (amplifiers on, nothing playing), projector on. Hum is found in 20 seconds or more.
3. Leave the gain unchanged. Record the **calibrator** once at that gain and call that state `calibrator 94 dB`. Without it
   only the differences between states are known, unless the level of full scale is on the Site form.
4. `m` records with the laptop's own device; nothing is played. `i` imports recordings. Names such as
   `A2_noise_ventilation-high.wav` name the state; a mapping has the columns `file,round,seat,kind,state`.
5. No recorder? Choose the state with `c` and type what the meter shows: L_Aeq over 30 s, or the octave bands for NC.

A door or a voice in the recording is left out. Enter the microphone's self-noise on the Site form: it sets the lowest level
that can be stated.

**Switch equipment off with its own switch.** Rack wiring and fuses carry mains voltage and are for a licensed trade. Do not
climb to ventilation openings alone: footed ladder, two people.
"""

CAUTIONS = {
    VENTILATION_LOW: "Set the ventilation at its control. Openings overhead: footed ladder, two people; never reach in.",
    VENTILATION_HIGH: "Set the ventilation at its control. Openings overhead: footed ladder, two people; never reach in.",
    ELECTRONICS: "Volume down before amplifiers are switched on. Mains wiring is for a licensed trade.",
    PROJECTOR: "Let the projector cool before you switch it off. Mains wiring is for a licensed trade.",
}
EXPECTED_DB = (0.0, 90.0)
GROUPS = ((OFF,), (VENTILATION_LOW, VENTILATION_HIGH, VENTILATION), (ELECTRONICS, PROJECTOR))
"""Groups of states: a visit has at least one state of each."""
ENTRY, ENTRY_SEAT = "state", "seat"


def entry_state(job: Job, round_id: str) -> str:
    """The state whose values are being entered."""
    return job.decisions.get((round_id, "quiet", ENTRY), OFF)


def entry_seat(job: Job, round_id: str) -> str | None:
    """The seat at which values are being entered and recorded: the chosen one, otherwise the reference seat."""
    chosen, reference = (
        job.system.seat(job.decisions.get((round_id, "quiet", ENTRY_SEAT), "")),
        job.system.reference_seat,
    )
    seat = chosen or reference
    return None if seat is None else seat.id


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """Meter readings at the chosen seat in the chosen state, and in the others that have readings."""
    at, reference = entry_seat(job, round_id), job.system.reference_seat
    if at is None or reference is None:
        return ()
    places = {(spelled(entry_state(job, round_id)), at): entry_state(job, round_id)}
    for each in job.readings_of(round_id, "quiet"):
        if (read := read_quantity(each.body.quantity)) is not None:
            places.setdefault((spelled(read[0]), each.body.seat or reference.id), read[0])
    tasks = []
    for (_, seat), state in places.items():
        for what in QUANTITIES:
            band = "" if what.startswith("L") else " octave band"
            tasks.append(
                Prompt(
                    channel=None,
                    seat=seat,
                    quantity=quantity_of(state, what),
                    unit="dB",
                    text=f"State: {state}. Meter at {seat}, ear height: average {what}{band} over 30 seconds. "
                    "m records instead, i imports recordings, c chooses another state or seat.",
                    expected=EXPECTED_DB,
                    caution=CAUTIONS.get(known_state(state) or "", ""),
                )
            )
    return tuple(tasks)


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """All states with their ratings, the octave bands, the differences, and the source to look for first."""
    result = solve(job, round_id, analyses)
    noises = result.noises
    return Outcome(
        step="quiet",
        round=round_id,
        done=sum(_measured(group, noises) for group in GROUPS),
        total=len(GROUPS),
        checks=tuple(check for each in noises for check in each.checks),
        tables=_tables(result) if noises else (),
        curves=tuple(_curve(job, each, result) for each in noises if len(each.third_hz)),
        advice=_advice(job, result),
        choices=_choices(job, round_id, result),
        main_result=main_result(job, result),
        remarks=_remarks(job, result) if noises or result.problems else (),
        budgets=(
            *(each.budget for each in noises if each.nc is not None),
            *(b for each in noises if (b := hum_budget(each, hum_check_id(each.state))) is not None),
        ),
    )


def _measured(group: tuple[str, ...], noises: tuple[Noise, ...]) -> bool:
    return any(each.known in group for each in noises)


# --- tables -----------------------------------------------------------------------------------------------------------


def key_of(each: Noise | Difference) -> str:
    """Key of its row and curve."""
    return f"quiet:{spelled(each.state)}:{each.seat}"


def deciding_text(noise: Noise) -> str | None:
    """Text such as "63 Hz"; the mean of the middle octaves if no octave exceeds the curve."""
    if noise.nc is None:
        return None
    hz = noise.nc.octave_hz
    return "500–4000 Hz" if hz is None else f"{nominal_hz(hz):g} Hz"


def _level(value: float | None, at_most: bool = False) -> str | None:
    return None if value is None else ("≤ " if at_most else "") + number(value, 1)


def _rating(rating: Rating | None) -> str | None:
    bound = {"at most": "≤ ", "at least": "≥ ", "": ""}
    return None if rating is None else f"{bound[rating.bound]}{rating.value:.0f}"


def hum_text(noise: Noise) -> str:
    """Text such as "50 Hz, 41 dB"."""
    if noise.hum_hz is None:
        return "–" if noise.why_no_hum else "none"
    level = "" if noise.hum_db is None else f", {number(noise.hum_db, 0)} dB"
    return f"{noise.hum_hz:.0f} Hz{level}"


def _tones(noise: Noise) -> str:
    return ", ".join(f"{each.frequency_hz:.0f} Hz" for each in noise.tones[:3])


def _tables(result: QuietResult) -> tuple[Table, ...]:
    unit = "dB" if all(each.calibrated for each in result.noises) else "dB rel."
    return (_states_table(result, unit), *_differences_table(result), *_octaves_table(result, unit))


def _states_table(result: QuietResult, unit: Unit) -> Table:
    return table_of(
        result.noises,
        (Column(key="state", title="State"), lambda each: each.state),
        (Column(key="seat", title="Seat"), lambda each: each.seat),
        (Column(key="a", title="L_Aeq", unit=unit), lambda each: _level(each.laeq_db, each.laeq_at_most)),
        (Column(key="c", title="L_Ceq", unit=unit), lambda each: _level(each.lceq_db)),
        (Column(key="nc", title="NC"), lambda each: _rating(each.nc)),
        (Column(key="nr", title="NR"), lambda each: _rating(each.nr)),
        (Column(key="by", title="Decided by"), deciding_text),
        (Column(key="hum", title="Hum"), hum_text),
        (Column(key="tones", title="Tones"), _tones),
        id="states",
        title="Noise of the room by state",
        key=key_of,
        check=lambda each: max(each.checks, key=lambda check: check.verdict.severity, default=None),
    )


def _octaves_table(result: QuietResult, unit: Unit) -> tuple[Table, ...]:
    octaves = sorted({hz for each in result.noises for hz in each.octave_db})
    if not octaves:
        return ()

    def level_at(hz: int) -> Callable[[Noise], str | None]:
        return lambda each: _level(each.octave_db.get(hz), hz in each.at_most)

    table = table_of(
        result.noises,
        (Column(key="state", title="State"), lambda each: each.state),
        (Column(key="seat", title="Seat"), lambda each: each.seat),
        *((Column(key=str(hz), title=f"{nominal_hz(hz):g}"), level_at(hz)) for hz in octaves),
        id="octaves",
        title=f"Octave bands, Hz; levels in {unit}",
        key=key_of,
        remark="≤: upper bound, set by the instrument's self-noise." if any(n.at_most for n in result.noises) else "",
    )
    return (table,)


def _differences_table(result: QuietResult) -> tuple[Table, ...]:
    if not result.differences:
        return ()
    table = table_of(
        result.differences,
        (Column(key="state", title="State"), lambda each: each.state),
        (Column(key="seat", title="Seat"), lambda each: each.seat),
        (Column(key="change", title="L_Aeq", unit="dB", decimals=1, signed=True), lambda each: each.change_db),
        (Column(key="U", title="U", unit="dB", decimals=1), lambda each: 2 * each.u_db),
        (Column(key="alone", title="Source alone", unit="dB(A)"), lambda each: _level(each.source_db) or "–"),
        (Column(key="octave", title="Rises most"), _rise),
        id="differences",
        title=f"Each state minus {listed(list(dict.fromkeys(each.baseline for each in result.differences)))}",
        key=key_of,
        remark="Source alone: without the noise of “everything off”, where it is 3 dB or more above it.",
    )
    return (table,)


def _rise(each: Difference) -> str | None:
    """The octave with the largest rise, such as "63 Hz, +4.0 dB"."""
    hz = each.octave_hz
    return None if hz is None else f"{nominal_hz(hz):g} Hz, {number(each.octaves_db[hz], 1, signed=True)} dB"


def _curve(job: Job, noise: Noise, result: QuietResult) -> Curve:
    series = [Series(name=noise.state, x=noise.third_hz, y=noise.third_db, kind="main")]
    off = baseline_of(noise, result.noises)
    if off is not None and off is not noise and len(off.third_hz):
        series.insert(0, Series(name=off.state, x=off.third_hz, y=off.third_db, kind="other"))
    limit = job.limit("quiet.nc").high
    if noise.calibrated and limit is not None and 15 <= limit <= 70:
        curve = {hz: level for hz, level in nc_curve_db(limit).items() if hz >= 31}
        x, y = np.array([nominal_hz(hz) for hz in curve]), np.array(list(curve.values()))
        # A third octave has a third of the octave's power.
        series.insert(0, Series(name=f"NC {limit:g} by third octaves", x=x, y=y - 10 * np.log10(3), kind="mean"))
    return Curve(
        id=key_of(noise),
        title=f"Noise with {noise.state} at {noise.seat}",
        seat=noise.seat,
        y_unit="dB" if noise.calibrated else "dB rel.",
        caption="third octaves",
        series=tuple(series),
    )


# --- words ------------------------------------------------------------------------------------------------------------


def _choices(job: Job, round_id: str, result: QuietResult) -> tuple[Choice, ...]:
    now, at = entry_state(job, round_id), entry_seat(job, round_id)
    states = dict.fromkeys((*STATES, *(each.state for each in result.noises), now))
    state = Choice(
        key=ENTRY,
        title="State to which the typed values belong",
        options=tuple((each, each) for each in states),
        current=now,
        other="a state that you name",
    )
    if len(job.system.seats) < 2 or at is None:
        return (state,)
    seat = Choice(
        key=ENTRY_SEAT,
        title="Seat at which the microphone or meter is",
        options=tuple((each.id, each.id) for each in job.system.seats),
        current=at,
    )
    return (state, seat)


def main_result(job: Job, result: QuietResult) -> str:
    """The loudest state and audible hum, as a clause."""
    parts = []
    worst = result.first or loudest(result.noises)
    if worst is not None and worst.nc is not None:
        parts.append(f"NC {_rating(worst.nc)} with {worst.state}")
    elif worst is not None and worst.laeq_db is not None and worst.calibrated:
        parts.append(f"{_level(worst.laeq_db, worst.laeq_at_most)} dB(A) with {worst.state}")
    elif worst is not None:
        parts.append("levels unknown: microphone not calibrated")
    heard = [
        n for n in result.noises if any(c.id.startswith("quiet.hum") and c.verdict is Verdict.FAIL for c in n.checks)
    ]
    if heard:
        loud = max(heard, key=lambda n: n.hum_excess_db or 0.0)
        parts.append(f"hum at {loud.hum_hz:.0f} Hz with {loud.state}")
    return "; ".join(parts)


def _advice(job: Job, result: QuietResult) -> tuple[Advice, ...]:
    if not job.system.seats:
        return ()
    if not result.noises:
        text = "Record 30 seconds of silence with everything off, then with ventilation and electronics on."
        return (Advice(text=text, step="quiet", priority=60),)
    missing = next((group[0] for group in GROUPS if not _measured(group, result.noises)), None)
    if missing is not None:
        return (Advice(text=f"Also record the noise with {missing}.", step="quiet", priority=60),)
    return ()


def _remarks(job: Job, result: QuietResult) -> tuple[str, ...]:
    remarks = []
    if result.first is not None:
        remarks.append(source_sentence(result.first, result))
    recorded = [each for each in result.noises if not each.typed]
    if recorded and result.offset is not None:
        remarks.append(f"Levels in dB SPL by {result.offset.basis}; the gain must be the same for all recordings.")
    elif recorded:
        remarks.append(
            "The microphone is not calibrated: only differences between states are given, no levels and no ratings. "
            "Record a calibrator at the same gain (state “calibrator 94 dB”), enter the level of full scale on the Site "
            "form, or type the meter's L_Aeq of one state (35 dB or more)."
        )
        if (most := largest_change(result.differences)) is not None:
            remarks.append(
                f"Look first at what runs with {most.state}: {number(most.change_db, 1, signed=True)} dB(A) against "
                f"{most.baseline}. Whether it is too loud is not known."
            )
    if any(each.calibrated for each in result.noises):
        own = number(result.own_noise_db, 0)
        known = "entered" if result.own_noise_known else "assumed, since none is entered on the Site form"
        remarks.append(
            f"Self-noise of the instrument: {own} dB(A) ({known}). The lowest level that can be stated is "
            f"{number(result.own_noise_db + 3, 0)} dB(A); values nearer to the self-noise are upper bounds."
        )
    remarks += [f"{n.state} at {n.seat}: {text}." for n in result.noises for text in n.remarks]
    remarks += [f"Hum with {n.state} is not determined: {n.why_no_hum}." for n in recorded if n.why_no_hum]
    remarks += [
        f"Hum with {n.state} at {n.seat}: lines at {listed([f'{line.frequency_hz:.0f}' for line in n.hum_lines])} Hz."
        for n in result.noises
        if n.hum_hz is not None
    ]
    if any(each.nc is not None for each in result.noises) and any(not _measured(g, result.noises) for g in GROUPS):
        missing = [group[0] for group in GROUPS if not _measured(group, result.noises)]
        remarks.append(f"Not measured: {listed(missing)}.")
    return (*remarks, *(f"Not used: {each}." for each in result.problems))


def source_sentence(noise: Noise, result: QuietResult) -> str:
    """The source to look for first, as far as "everything off" shows it."""
    by = deciding_text(noise)
    start = f"Look first at what runs with {noise.state}: NC {_rating(noise.nc)}" + (
        f", decided at {by}" if by else ""
    )
    if noise.nc is None:
        start = f"Look first at what runs with {noise.state}: {_level(noise.laeq_db)} dB(A)"
    if noise.known == OFF:
        level = f"NC {_rating(noise.nc)}" if noise.nc is not None else f"{_level(noise.laeq_db)} dB(A)"
        return f"Even with everything off the room is too loud: {level}. Look outside: doors, windows, ducts."
    if baseline_of(noise, result.noises) is None:
        return f"{start}. Everything off was not measured, so it is not known how much comes from elsewhere."
    if is_above_off(noise, result.noises):
        return f"{start}, and it is quieter with everything off."
    return f"{start}, but it is nearly as loud with everything off: the noise comes from elsewhere."


STEP = Step(
    id="quiet",
    title="Quiet",
    question="How loud is the room itself: everything off, ventilation on, electronics on? Hum?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    entry="readings",
    imports=True,
    limits=(
        CheckLimit(check="quiet.nc.*", quantity="quiet.nc", applies="the state is the end of the check's id"),
        CheckLimit(check="quiet.nc.*", quantity="quiet.laeq"),
        CheckLimit(check="quiet.hum.*", quantity="quiet.hum"),
    ),
)
