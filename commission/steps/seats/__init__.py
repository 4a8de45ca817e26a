"""Seats: the response of each channel at each seat.

The installer measures (or imports) one response for each channel at each seat. Each cell of the grid gets a verdict and
its one worst figure; Enter opens its curve against the spread of all seats.

A channel that is low at every seat has its own fault (levels); a seat that is low on every channel alike means that the
gain changed between recordings, not the room. `result` computes it.
"""

from __future__ import annotations

import numpy as np

from commission.dsp.across import LEAST_COUNT
from commission.model import (
    FULL_SCALE,
    Advice,
    Analyses,
    Budget,
    Capture,
    Channel,
    Check,
    CheckLimit,
    Column,
    Curve,
    FloatArray,
    Grid,
    GridCell,
    Job,
    Outcome,
    Series,
    Step,
    Table,
    Task,
    Verdict,
    table_of,
)
from commission.model.formatting import number
from commission.model.units import listed
from commission.steps.seats.balance import balance_table, balances
from commission.steps.seats.decay import (
    LARGEST_M3,
    decay_budgets,
    decay_checks,
    decay_remark,
    decay_table,
    octave_decays,
)
from commission.steps.seats.reflections import reflections_remark
from commission.steps.seats.result import (
    CLIP_LIMIT,
    LEVEL,
    MIDRANGE_BASIS,
    PARTNER,
    POLARITY_LIMIT,
    SNR,
    WEAK_BASIS,
    Cell,
    SeatsResult,
    solve,
)
from commission.steps.seats.together import bass_checks, bass_remarks
from commission.steps.shared.budgets import one_a_kind

__all__ = ["Cell", "SeatsResult", "solve"]

HELP = """
**Sweeps are loud and reach every frequency.** Start low, warn everybody, keep away from the loudspeakers.

1. Switch off the ventilation, shut the doors, silence your phone. One person in the room, away from the microphone.
2. Put the microphone on a stand at **ear height** of the seat, capsule up (use its 90° calibration), half a metre from
   the seat back if you can. Do not hold it.
3. Turn bass management **off** for subwoofers, so that each is measured alone.
4. Sweep every channel, then go to the next seat. Repeat two positions at the end: this shows your repeatability.
5. Leave gain and volume unchanged for all seats: a change shows as one seat that is low on every channel.

Import the files with `i`, or measure with `m` where a device is connected.
"""


CAUTION = "Sweeps are loud: start low, warn everybody, keep away from the loudspeakers."


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """One response of each channel at each seat, ordered by seat so that the microphone moves least."""
    return tuple(
        Capture(
            channel=channel.id,
            seat=seat.id,
            caution=CAUTION,
            text=f"Microphone at {seat.id}, ear height, capsule up; ventilation off.\n"
            f"Leave the row, then sweep {channel.name_and_id}.",
        )
        for seat in job.system.seats
        for channel in job.system.channels
    )


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The grid, the curves, the table of the reference seat and one row for each seat."""
    result = solve(job, round_id, analyses)
    seats = tuple(s.id for s in job.system.seats)
    measured = [cell for cell in result.cells.values() if cell.analysis is not None]
    octaves = octave_decays(result)
    decays = decay_checks(job, octaves)
    together = bass_checks(job, round_id, analyses)
    curves = tuple(c for channel in job.system.channels for c in _curves(channel, seats, result))
    known = {(curve.channel, curve.seat): curve.id for curve in curves}
    grid = Grid(
        id="seats",
        title=f"Seats across, channels down; figures in {_unit(result)}",
        seats=seats,
        channels=tuple(c.id for c in job.system.channels),
        cells={
            place: _grid_cell(cell, known.get(place), result)
            for place, cell in result.cells.items()
            if cell.recording is not None or cell.problems
        },
    )
    return Outcome(
        step="seats",
        round=round_id,
        done=len(measured),
        total=len(result.cells),
        checks=(
            *(check for cell in result.cells.values() for check in cell.checks),
            *(check for check, _ in together),
            *decays.values(),
        ),
        tables=(
            *_reference_table(job, result),
            _seats_table(job, result),
            *decay_table(job, octaves, decays),
            *balance_table(balances(result)),
        )
        if measured
        else (),
        grids=(grid,) if grid.cells else (),
        curves=curves,
        advice=_advice(job, result),
        main_result=_main_result(result),
        remarks=(*_remarks(result), *(bass_remarks(job, round_id, analyses, together) if measured else ())),
        budgets=(*_budgets(measured, [budget for _, budget in together]), *decay_budgets(octaves)),
    )


def _budgets(measured: list[Cell], together: list[Budget]) -> tuple[Budget, ...]:
    """One budget of each kind; a separate one for a channel or a seat measured at fewer places."""
    if not measured:
        return ()
    return (
        LEVEL,
        SNR,
        *PARTNER.values(),
        *one_a_kind([*(budget for cell in measured for budget in cell.budgets), *together]),
    )


MOST_NAMED = 3
_ORDER = ("clipped", "polarity", "treble", "mids", "lows", "snr", "bass", "level", "direct")
_SHORT = {"treble": "HF", "mids": "MF", "lows": "LF", "snr": "S/N", "bass": "bass", "direct": "dull"}
"""Abbreviations in cells: at most eight characters with the figure, so that six seats fit into 80 columns."""


def _kind(check: Check) -> str:
    return check.id.removeprefix("seats.")


def _worst_check(checks: tuple[Check, ...]) -> Check | None:
    judged = [c for c in checks if c.verdict in (Verdict.FAIL, Verdict.UNSURE)]
    return max(judged, key=lambda c: (c.verdict.severity, -_ORDER.index(_kind(c))), default=None)


def _row_check(cells: list[Cell]) -> Check | None:
    """Check that decides a table row: the worst of its cells'."""
    checks = [check for cell in cells for check in cell.deciding]
    return max(checks, key=lambda c: (c.verdict.severity, -_ORDER.index(_kind(c))), default=None)


def _figure(cell: Cell) -> str:
    """The single worst figure of a cell, or its level if nothing is wrong."""
    check = _worst_check(cell.checks)
    if check is not None:
        return _short(check)
    if cell.analysis is None:
        return "unusable"
    return number(cell.level_db, 1) if cell.level_db is not None else ""


def _short(check: Check) -> str:
    kind = _kind(check)
    if kind == "polarity":
        return "opposite" if check.undecided or "opposite" in check.words else "reversed"
    if kind == "clipped":
        return kind
    word = _SHORT.get(kind) or ("loud" if (check.value or 0.0) > 0 else "soft")
    return f"{word} {number(check.value, 0, signed=kind != 'snr')}"


def _check_text(check: Check) -> str:
    if check.why_not is not None or (check.value is None and not check.undecided):
        return f"– not tested, {check.why_not}"
    value = check.words or f"{number(check.value, 1, signed=_kind(check) != 'snr')} {check.unit}"
    return f"{check.verdict.symbol} {value}"


def _grid_cell(cell: Cell, curve_id: str | None, result: SeatsResult) -> GridCell:
    open_checks = [check for check in cell.checks if check.verdict in (Verdict.FAIL, Verdict.UNSURE)]
    lines = [*cell.problems, *(f"{check.text}: {_check_text(check)}" for check in open_checks)]
    if cell.level_db is not None:
        lines.append(f"level {number(cell.level_db, 1)} {_unit(result)}")
    a = cell.analysis
    if a is not None:
        if cell.arrival_s is not None:
            lines.append(
                f"arrival {1000 * cell.arrival_s:.2f} ms" + (f" ({a.why['arrival']})" if "arrival" in a.why else "")
            )
        else:
            no_clock = "it shares no clock with other responses" if a.arrival_s is not None else None
            lines.append(f"arrival: – not tested, {no_clock or a.why.get('arrival', 'it was not found')}")
        lines += [f"{check.text}: {_check_text(check)}" for check in cell.checks if check not in open_checks]
        if a.clipped is None:
            lines.append(
                f"clipping of the recording: – not tested, {a.why.get('clipped', 'this response does not show it')}"
            )
    return GridCell(verdict=cell.verdict, figure=_figure(cell), detail=tuple(lines), curve_id=curve_id)


def _unit(result: SeatsResult) -> str:
    return "dB" if result.calibrated else "dB rel."


def _curves(channel: Channel, seats: tuple[str, ...], result: SeatsResult) -> list[Curve]:
    """One curve for each cell: its response against the spread and mean of all seats of the channel."""
    heard = [
        (cell.seat, cell.analysis, cell.level_db or 0.0)
        for seat in seats
        if (cell := result.cells[(channel.id, seat)]).analysis is not None
    ]
    spoilt = [
        cell for seat in seats if (cell := result.cells[(channel.id, seat)]).analysis is None and cell.recording
    ]
    alone = [_spoilt_curve(channel, cell, result) for cell in spoilt]
    if not heard:
        return alone
    freq = heard[0][1].freq_hz if heard[0][1] is not None else np.array([])
    # Shifted by the microphone's level offset, so that curves and levels agree.
    table: FloatArray = np.array(
        [
            a.view_db + (level - (a.level_db or 0.0) if a.level_db is not None else 0.0)
            for _, a, level in heard
            if a is not None
        ]
    )
    common: tuple[Series, ...] = ()
    if len(heard) > 1:
        count = np.isfinite(table).sum(axis=0)
        mean = np.where(count > 0, np.nansum(table, axis=0) / np.maximum(count, 1), np.nan)
        common = (
            Series(name="lowest seat", x=freq, y=np.fmin.reduce(table), kind="low"),  # ignores missing data of a seat
            Series(name="highest seat", x=freq, y=np.fmax.reduce(table), kind="high"),
            Series(name="mean of seats", x=freq, y=mean, kind="mean"),
        )
    return [
        Curve(
            id=f"seats:{channel.id}:{seat}",
            title=f"{channel.label} at {seat}",
            channel=channel.id,
            seat=seat,
            y_unit=_unit(result),
            caption="1/12 octave",
            series=(*common, Series(name=seat, x=freq, y=levels, kind="main")),
        )
        for (seat, _, _), levels in zip(heard, table, strict=True)
    ] + alone


def _spoilt_curve(channel: Channel, cell: Cell, result: SeatsResult) -> Curve:
    """A recording spoilt by a measuring mistake, shown alone: it may help to find the cause."""
    assert cell.recording is not None
    y = cell.recording.view_db + result.offset_db
    return Curve(
        id=f"seats:{channel.id}:{cell.seat}",
        title=f"{channel.label} at {cell.seat}",
        channel=channel.id,
        seat=cell.seat,
        y_unit=_unit(result),
        caption=f"1/12 octave; not used: {cell.problems[-1]}" if cell.problems else "1/12 octave",
        series=(Series(name=cell.seat, x=cell.recording.freq_hz, y=y, kind="main"),),
    )


def _reference_table(job: Job, result: SeatsResult) -> tuple[Table, ...]:
    reference = job.system.reference_seat
    at_it = [
        (cell, cell.analysis)
        for channel in job.system.channels
        if (cell := result.cells.get((channel.id, reference.id if reference else ""))) is not None
        and cell.analysis is not None
    ]
    if not at_it:
        return ()
    clipped = {True: "clipped", False: "no", None: "unknown"}
    table = table_of(
        at_it,
        (Column(key="channel", title="Channel"), lambda each: each[0].channel.id),
        (Column(key="level", title="Level", unit=_unit(result), decimals=1), lambda each: each[0].level_db),
        (Column(key="arrival", title="Arrival", unit="ms", decimals=2), lambda each: _arrival_ms(each[0])),
        (Column(key="polarity", title="Polarity"), lambda each: _polarity(each[0].channel.id, result)),
        (Column(key="snr", title="S/N", unit="dB", decimals=0), lambda each: each[1].snr_db),
        (Column(key="low", title="From", unit="Hz", decimals=0), lambda each: each[1].low_hz),
        (Column(key="high", title="To", unit="Hz", decimals=0), lambda each: each[1].high_hz),
        (Column(key="clipped", title="Clipped"), lambda each: clipped[each[1].clipped]),
        (Column(key="n", title="n", decimals=0), lambda each: float(each[0].repeats)),
        id="reference",
        title=f"Every channel at the reference seat {reference.id if reference else ''}",
        key=lambda each: each[0].channel.id,
        check=lambda each: _row_check([each[0]]),
        remark=(
            "From, To: beyond these the level stays 10 dB below the mid band; – if it does not between 20 Hz and 20 kHz."
        ),
    )
    return (table,)


def _arrival_ms(cell: Cell) -> float | None:
    return None if cell.arrival_s is None else 1000 * cell.arrival_s


def _polarity(channel: str, result: SeatsResult) -> str:
    found = result.polarity[channel]
    return {
        "alike": f"same as {listed(found.others)}",
        "reversed": "reversed",
        "mistyped": "not as entered",
        "one of two": f"opposite to {listed(found.others)}",
        "driver": "one driver reversed",
        "one driver of two": "one driver differs",
        "unknown": "not determined",
    }[found.state]


def _opposite_pairs(result: SeatsResult) -> list[str]:
    """Text such as "FL or FR": pairs of which one is reversed."""
    states = ("one of two", "one driver of two")
    pairs = {tuple(sorted((c, *p.others))) for c, p in result.polarity.items() if p.state in states}
    return [" or ".join(pair) for pair in sorted(pairs)]


def _seats_table(job: Job, result: SeatsResult) -> Table:
    """One row for each seat: its response to all channels together, and its worst figure."""
    total = len(job.system.channels)
    cells = {
        seat.id: [cell for (_, s), cell in result.cells.items() if s == seat.id and cell.analysis is not None]
        for seat in job.system.seats
    }

    def mains(seat: str) -> list[Cell]:
        return [cell for cell in cells[seat] if not cell.channel.is_sub]

    def subs(seat: str) -> list[Cell]:
        return [cell for cell in cells[seat] if cell.channel.is_sub]

    def spread_ms(seat: str) -> float | None:
        times = [cell.arrival_s for cell in mains(seat) if cell.arrival_s is not None]
        one_clock = len({cell.clock for cell in mains(seat)}) == 1
        return 1000 * (max(times) - min(times)) if len(times) > 1 and one_clock else None

    def worst(seat: str) -> str:
        check = _worst_check(tuple(check for cell in cells[seat] for check in cell.checks))
        return f"{check.channel} {_short(check)}" if check is not None else ""

    return table_of(
        cells,
        (Column(key="seat", title="Seat"), lambda seat: seat),
        (Column(key="heard", title="Channels"), lambda seat: f"{len(cells[seat])} of {total}"),
        (
            Column(key="level", title="Mains", unit="dB", decimals=1, signed=True),
            lambda seat: _mean(mains(seat), "level"),
        ),
        (
            Column(key="direct", title="4–10 kHz", unit="dB", decimals=1, signed=True),
            lambda seat: _mean(mains(seat), "direct"),
        ),
        (
            Column(key="bass", title="Subs", unit="dB", decimals=1, signed=True),
            lambda seat: _mean(subs(seat), "level"),
        ),
        (Column(key="spread", title="Arrivals", unit="ms", decimals=1), spread_ms),
        (Column(key="worst", title="Worst"), worst),
        id="by-seat",
        title="Every seat relative to the mean of all seats",
        key=lambda seat: seat,
        check=lambda seat: _row_check(cells[seat]),
        remark="Levels are means over the channels. Arrivals: time from first to last main channel.",
    )


def _mean(cells: list[Cell], kind: str) -> float | None:
    values = [
        check.value for cell in cells for check in cell.checks if _kind(check) == kind and check.value is not None
    ]
    return float(np.mean(values)) if values else None


def _main_result(result: SeatsResult) -> str:
    if result.seat_gain_db:
        seat, gain = max(result.seat_gain_db.items(), key=lambda item: abs(item[1]))
        return f"gain changed at {seat}: {number(gain, 1, signed=True)} dB on every channel"
    failed = [check for cell in result.cells.values() for check in cell.checks if check.verdict is Verdict.FAIL]

    def where(kind: str, *, seat: bool = False) -> str:
        return ", ".join(sorted({(c.seat if seat else c.channel) or "" for c in failed if _kind(c) == kind}))

    mistyped = [c for c, found in result.polarity.items() if found.state == "mistyped"]
    turned = [c for c, found in result.polarity.items() if found.state in ("reversed", "driver")]
    phrases = (
        (where("clipped"), "{} clipped"),
        (", ".join(turned), "{} reversed"),
        (", ".join(mistyped), "polarity of {} not as entered"),
        (", ".join(_opposite_pairs(result)), "{} reversed"),
        (where("treble"), "no treble from {}"),
        (where("lows"), "no lows from {}"),
        (where("bass", seat=True), "bass missing at {}"),
        (where("snr"), "{} close to the noise"),
        (where("level", seat=True), "levels uneven at {}"),
        (where("direct", seat=True), "dull at {}"),
    )
    return "; ".join([text.format(places) for places, text in phrases if places][:2]) or _untested(result)


def _untested(result: SeatsResult) -> str:
    """Channels whose polarity cannot be determined, if no check failed or is unsure."""
    states = {(c.channel, c.id, c.verdict) for cell in result.cells.values() for c in cell.checks}
    if any(verdict in (Verdict.FAIL, Verdict.UNSURE) for _, _, verdict in states):
        return ""
    lone = [c for c in result.polarity if (c, "seats.polarity", Verdict.NOT_TESTED) in states]
    return f"no fault found; polarity of {listed(lone)} not tested" if 0 < len(lone) <= MOST_NAMED else ""


def _advice(job: Job, result: SeatsResult) -> tuple[Advice, ...]:
    if not job.system.channels or not job.system.seats:
        return ()
    if result.seat_gain_db:
        seat = next(iter(result.seat_gain_db))
        return (
            Advice(text=f"Measure {seat} again with the same gain as the other seats.", step="seats", priority=12),
        )
    clipped = [place for place, cell in result.cells.items() if cell.recording is not None and cell.recording.clipped]
    if clipped:
        channel, seat = clipped[0]
        more = f" ({len(clipped)} recordings clipped)" if len(clipped) > 1 else ""
        text = f"Turn the microphone's gain down and measure {channel} at {seat} again{more}."
        return (Advice(text=text, step="seats", priority=14),)
    open_places = [place for place, cell in result.cells.items() if cell.analysis is None]
    if open_places:
        channel, seat = open_places[0]
        text = (
            "Import the responses of all seats."
            if len(open_places) == len(result.cells)
            else f"Import or measure {channel} at {seat} ({len(open_places)} responses are missing)."
        )
        return (Advice(text=text, step="seats", priority=28),)
    return ()


def _remarks(result: SeatsResult) -> tuple[str, ...]:
    measured = [cell for cell in result.cells.values() if cell.analysis is not None]
    problems = [f"{c.channel.id} at {c.seat}: {p}" for c in result.cells.values() for p in c.problems]
    if not measured:
        return tuple(problems)
    remarks = []
    if not result.calibrated:
        noted = "no microphone with a level offset is entered on the Site form"
        why = noted if result.reference == FULL_SCALE else f"the files state them relative to {result.reference}"
        remarks.append(f"Levels are relative: {why}.")
    loose = sum(cell.clock is None and cell.analysis is not None and cell.analysis.has_phase for cell in measured)
    if loose:
        remarks.append(f"{loose} responses share no clock with the others, so their arrival times are not used.")
    if len({cell.clock for cell in measured if cell.clock is not None}) > 1:
        remarks.append("The responses are on several clocks: arrivals are compared only within one clock.")
    blind = sum(cell.analysis is not None and cell.analysis.clipped is None for cell in measured)
    if blind:
        remarks.append(
            f"Clipping is not tested for {blind} of {len(measured)} responses: only a raw recording shows it for certain."
        )
    if result.mostly_negative:
        remarks.append(
            "Most responses start with a negative swing: the crossovers invert it, or the microphone's cable or input is "
            "reversed; which of these is not determined. Clap once near the microphone: the first swing should go up."
        )
    if len({cell.seat for cell in measured}) < LEAST_COUNT:
        remarks.append(
            "Level and bass of the seats are not compared with their mean: this needs three seats or more."
        )
    remarks += [
        f"Every channel at {seat} is off by {number(gain, 1, signed=True)} dB: the gain changed between recordings, not "
        "the room. The levels there are corrected for this, with a larger uncertainty."
        for seat, gain in result.seat_gain_db.items()
    ]
    return (*remarks, *reflections_remark(result), *decay_remark(result), *problems)


STEP = Step(
    id="seats",
    title="Seats",
    question="What does each seat hear from each channel?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    entry="responses",
    limits=(
        CheckLimit(check="seats.snr", quantity="seats.snr"),
        CheckLimit(check="seats.clipped", limit=CLIP_LIMIT, applies="one recording: 1 where it clipped"),
        CheckLimit(
            check="seats.polarity",
            limit=POLARITY_LIMIT,
            applies="polarity relative to loudspeakers of the same model: 1 alike, −1 reversed; no value: one of the two",
        ),
        *(
            CheckLimit(
                check=check,
                quantity="seats.driver",
                applies=MIDRANGE_BASIS if check == "seats.mids" else WEAK_BASIS,
            )
            for check in PARTNER
        ),
        CheckLimit(check="seats.level", quantity="seats.level"),
        CheckLimit(check="seats.level", quantity="seats.sub-level"),
        CheckLimit(check="seats.bass", quantity="seats.null"),
        CheckLimit(check="seats.direct", quantity="seats.direct"),
        CheckLimit(
            check="seats.decay.*",
            quantity="seats.decay",
            applies=f"the octave ends the check's id; rooms up to {LARGEST_M3:.0f} m³",
        ),
    ),
)
