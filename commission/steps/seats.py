"""Seats: what does each seat hear from each channel?

The installer measures (or imports) one response for each channel at each seat. Each cell of the grid gets a verdict and
its one worst figure; Enter opens its curve against the spread of all seats.

What is low where: a channel that is low at every seat is the channel's own affair (levels); a seat that is low on every
channel alike means that the gain changed between recordings, or the microphone did, not that the room did. Both are told
apart by a two-way split: level = mean + channel + seat + rest (analysis of variance without interaction).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from commission.dsp.geometry import mirror_partner
from commission.model import (
    Advice,
    Analyses,
    Analysis,
    Capture,
    Channel,
    Check,
    Column,
    Curve,
    FloatArray,
    Grid,
    GridCell,
    Job,
    Limit,
    Outcome,
    Row,
    Series,
    Step,
    Table,
    Task,
    Verdict,
    worst,
)

HELP = """
**Sweeps are loud and reach every frequency.** Begin low, warn everybody, nobody near a loudspeaker.

1. Ventilation off, doors shut, phone silent. One person in the room, away from the microphone.
2. Microphone on a stand at **ear height** of the seat, capsule up (with its 90° calibration), half a metre from the seat
   back if you can. Do not hold it.
3. Bass management **off** for subwoofers, so that each is heard for itself.
4. One sweep for each channel, then the next seat. Repeat two places at the end: that is your repeatability.
5. Keep gain and volume where they are through all seats: a change shows as a whole seat low on every channel.

Import the files with `i`, or measure with `m` where a device is connected.
"""

SNR_LIMIT = Limit(low=30.0, unit="dB", basis="30 dB for arrivals and levels; own simulations")
POLARITY_LIMIT = Limit(low=0.0, unit="", basis="every loudspeaker pushes first; common practice")
TREBLE_LIMIT = Limit(
    low=-10.0, unit="dB", basis="10 dB below the partner from 3 to 10 kHz: a dead driver; own simulations"
)
SEAT_LIMIT = Limit(low=-6.0, high=6.0, unit="dB", basis="6 dB from the seats' mean, mains 4–12 kHz; common practice")
NULL_LIMIT = Limit(
    low=-10.0, unit="dB", basis="10 dB below the seats' mean over a third octave in the bass; common practice"
)
SEAT_GAIN_LIMIT_DB = 2.0
"""A seat that is off by more than this on all channels alike: the gain changed (common practice, no source)."""
LEVEL_U_DB, THIRD_OCTAVE_U_DB, TREBLE_U_DB = 0.22, 0.4, 0.5
"""Standard uncertainties of a level, a third octave and a band of treble at one seat (own simulations:
placement within 2 cm, angle and gain)."""
BASS_HZ, TREBLE_HZ, SPREAD_HZ = (25.0, 80.0), (3000.0, 10000.0), (4000.0, 12000.0)
HEARD_ABOVE_DB = 12.0
"""A band counts for a loudspeaker where it is no more than this below its own mid band."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One channel at one seat."""

    channel: Channel
    seat: str
    analysis: Analysis | None
    repeats: int
    level_db: float | None
    """With the microphone's level offset where one is noted, else relative."""
    checks: tuple[Check, ...]
    problems: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict | None:
        """The worst of its checks that are about the sound; None where nothing was measured."""
        if self.analysis is None and not self.problems:
            return None
        return worst([check.verdict for check in self.checks]) or Verdict.NOT_TESTED


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatsResult:
    """All cells of a round, by (channel, seat), and what is common to whole seats."""

    cells: dict[tuple[str, str], Cell]
    calibrated: bool
    seat_gain_db: dict[str, float]
    """How far each seat is off on all its main channels alike; only where that can be told."""
    channel_level_db: dict[str, float]
    """Mean level of each channel over the seats."""
    tilt_db: dict[str, float]
    """Treble of a channel less its mirror partner's, mean over seats."""


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """One response of each channel at each seat, seat by seat: the microphone moves least."""
    return tuple(
        Capture(
            channel=channel.id,
            seat=seat.id,
            text=f"Microphone at {seat.id}, ear height, capsule up. Step aside. Sweep on {channel.label}.",
            caution="Sweeps are loud: start low, nobody near a loudspeaker.",
        )
        for seat in job.system.seats
        for channel in job.system.channels
    )


def level_offset_db(job: Job) -> float | None:
    """What turns relative levels into dB SPL; None when no microphone says so."""
    microphone = job.system.instrument("microphone")
    return None if microphone is None else microphone.level_offset_db


def solve(job: Job, round_id: str, analyses: Analyses) -> SeatsResult:
    """Judge every cell of a round."""
    system = job.system
    offset = level_offset_db(job)
    found = {(c.id, s.id): analyses.of(round_id, c.id, s.id) for c in system.channels for s in system.seats}
    levels = {place: a.level_db for place, a in found.items() if a is not None and a.level_db is not None}
    gains = seat_gains_db(job, levels)
    tilts = _tilts(job, found)
    cells = {}
    for channel in system.channels:
        row = {s.id: found[(channel.id, s.id)] for s in system.seats}
        spread = _spread(row, SPREAD_HZ) if not channel.is_sub else {}
        nulls = _bass_deviation(row) if channel.is_sub else {}  # mains hand their bass to the subwoofers
        for seat in system.seats:
            place = (channel.id, seat.id)
            analysis = found[place]
            problems = analyses.problems(round_id, *place)
            level = None if analysis is None or analysis.level_db is None else analysis.level_db + (offset or 0.0)
            checks = (
                ()
                if analysis is None
                else _checks(
                    channel, seat.id, analysis, spread.get(seat.id), nulls.get(seat.id), tilts.get(channel.id), gains
                )
            )
            cells[place] = Cell(
                channel=channel,
                seat=seat.id,
                analysis=analysis,
                level_db=level,
                checks=checks,
                repeats=len(analyses.repeats(round_id, *place)),
                problems=problems,
            )
    means = {
        c.id: float(np.mean(own)) + (offset or 0.0)
        for c in system.channels
        if (own := [levels[(c.id, s.id)] for s in system.seats if (c.id, s.id) in levels])
    }
    return SeatsResult(
        cells=cells, calibrated=offset is not None, seat_gain_db=gains, channel_level_db=means, tilt_db=tilts
    )


def seat_gains_db(job: Job, levels: dict[tuple[str, str], float]) -> dict[str, float]:
    """How far each seat is off on all main channels alike [dB]; a seat is left out where its channels disagree.

    Two-way split over the main channels that were heard at all seats (three or more of each): the seat's effect counts
    as a gain change only when it exceeds 2 dB and is larger than three times its own standard error: what a room does
    differs from channel to channel.
    """
    seats = [s.id for s in job.system.seats if any((c.id, s.id) in levels for c in job.system.channels)]
    mains = [c.id for c in job.system.channels if not c.is_sub and all((c.id, s) in levels for s in seats)]
    if len(seats) < 3 or len(mains) < 3:
        return {}
    table = np.array([[levels[(c, s)] for s in seats] for c in mains])
    apart = table - np.median(table, axis=1, keepdims=True)
    effect = np.median(apart, axis=0)
    error = 1.4826 * np.median(np.abs(apart - effect), axis=0) / math.sqrt(len(mains))
    return {
        seat: float(e)
        for seat, e, u in zip(seats, effect, error, strict=True)
        if abs(e) > SEAT_GAIN_LIMIT_DB and abs(e) > 3 * u
    }


def _band_mean_db(analysis: Analysis, low_hz: float, high_hz: float) -> float:
    inside = (analysis.freq_hz >= low_hz) & (analysis.freq_hz <= high_hz)
    values = analysis.third_octave_db[inside]
    return float(np.mean(values)) if len(values) and np.isfinite(values).all() else math.nan


def _tilts(job: Job, found: dict[tuple[str, str], Analysis | None]) -> dict[str, float]:
    """Treble re mid band of each channel less that of its mirror partner, over the seats both were heard at [dB]."""
    ids = {c.id for c in job.system.channels if not c.is_sub}
    seats = [s.id for s in job.system.seats]

    def treble(channel: str) -> float:
        own = [a for s in seats if (a := found.get((channel, s))) is not None]
        values = [_band_mean_db(a, *TREBLE_HZ) - _band_mean_db(a, 500.0, 2000.0) for a in own]
        return float(np.mean(values)) if values else math.nan

    tilts = {}
    for channel in ids:
        partner = mirror_partner(channel)
        if partner in ids and math.isfinite(value := treble(channel) - treble(partner)):
            tilts[channel] = value
    return tilts


def _spread(row: dict[str, Analysis | None], band_hz: tuple[float, float]) -> dict[str, float]:
    """Each seat's level in a band less the mean of all seats [dB]; empty with fewer than three seats."""
    values = {s: _band_mean_db(a, *band_hz) for s, a in row.items() if a is not None}
    values = {s: v for s, v in values.items() if math.isfinite(v)}
    if len(values) < 3:
        return {}
    mean = float(np.mean(list(values.values())))
    return {s: v - mean for s, v in values.items()}


def _bass_deviation(row: dict[str, Analysis | None]) -> dict[str, tuple[float, float]]:
    """(deepest deviation from the seats' mean in the bass [dB], its frequency [Hz]) of each seat.

    Only where the loudspeaker plays: within 12 dB of its own mid band, in the mean over seats.
    """
    heard = {s: a for s, a in row.items() if a is not None}
    if len(heard) < 3:
        return {}
    analyses = list(heard.values())
    freq = analyses[0].freq_hz
    table = np.array([a.third_octave_db for a in analyses])
    mean = table.mean(axis=0)
    inside = (freq >= BASS_HZ[0]) & (freq <= BASS_HZ[1]) & np.isfinite(mean)
    if not inside.any():
        return {}
    plays = inside & (mean >= np.nanmax(mean[inside]) - HEARD_ABOVE_DB)
    out = {}
    for seat, levels in zip(heard, table, strict=True):
        apart = np.where(plays, levels - mean, np.inf)
        deepest = int(np.argmin(apart))
        out[seat] = (float(apart[deepest]), float(freq[deepest]))
    return out


def _checks(
    channel: Channel,
    seat: str,
    analysis: Analysis,
    spread_db: float | None,
    null: tuple[float, float] | None,
    tilt_db: float | None,
    gains: dict[str, float],
) -> tuple[Check, ...]:
    clipped = "the recording clipped" if analysis.clipped else None
    enough = analysis.snr_db is not None and analysis.snr_db >= (SNR_LIMIT.low or 0.0)
    checks = [
        Check(
            id="seats.snr",
            channel=channel.id,
            seat=seat,
            value=analysis.snr_db,
            unit="dB",
            limit=SNR_LIMIT,
            uncertainty=0.5,
            # A lower bound can pass and never fail.
            why_not=clipped or (None if enough else analysis.why.get("snr")),
            text="signal to noise",
        ),
        Check(
            id="seats.polarity",
            channel=channel.id,
            seat=seat,
            value=None if analysis.polarity is None else float(analysis.polarity),
            unit="",
            limit=POLARITY_LIMIT,
            text="polarity",
            why_not=clipped or (analysis.why.get("polarity") if analysis.polarity is None else None),
        ),
    ]
    if tilt_db is not None and not channel.is_sub:
        checks.append(
            Check(
                id="seats.treble",
                channel=channel.id,
                seat=seat,
                value=tilt_db,
                unit="dB",
                uncertainty=TREBLE_U_DB,
                limit=TREBLE_LIMIT,
                why_not=clipped,
                text="treble against the partner",
            )
        )
    changed = (
        f"the gain changed at {seat}: it is {gains[seat]:+.1f} dB off on all channels" if seat in gains else None
    )
    if spread_db is not None:
        checks.append(
            Check(
                id="seats.direct",
                channel=channel.id,
                seat=seat,
                value=spread_db,
                unit="dB",
                uncertainty=TREBLE_U_DB,
                limit=SEAT_LIMIT,
                why_not=clipped or changed,
                text="4–12 kHz against the seats' mean",
            )
        )
    if null is not None:
        checks.append(
            Check(
                id="seats.bass",
                channel=channel.id,
                seat=seat,
                value=null[0],
                unit="dB",
                uncertainty=THIRD_OCTAVE_U_DB,
                limit=NULL_LIMIT,
                why_not=clipped or changed,
                text=f"bass against the seats' mean, deepest at {null[1]:.0f} Hz",
            )
        )
    return tuple(checks)


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The grid, the curves, the table of the reference seat."""
    result = solve(job, round_id, analyses)
    seats = tuple(s.id for s in job.system.seats)
    channels = tuple(c.id for c in job.system.channels)
    measured = [cell for cell in result.cells.values() if cell.analysis is not None]
    curves = tuple(c for channel in job.system.channels for c in _curves(channel, seats, result))
    known = {(curve.channel, curve.seat): curve.id for curve in curves}
    grid = Grid(
        id="seats",
        title="Seats across, channels down",
        seats=seats,
        channels=channels,
        cells={
            place: _grid_cell(cell, known.get(place), result)
            for place, cell in result.cells.items()
            if cell.analysis is not None or cell.problems
        },
    )
    return Outcome(
        step="seats",
        round=round_id,
        done=len(measured),
        total=len(result.cells),
        checks=tuple(check for cell in result.cells.values() for check in cell.checks),
        tables=_tables(job, result) if measured else (),
        grids=(grid,) if grid.cells else (),
        curves=curves,
        advice=_advice(job, round_id, result),
        stands_out=_stands_out(result),
        remarks=_remarks(job, round_id, analyses, result),
    )


def _figure(cell: Cell, result: SeatsResult) -> tuple[str, tuple[str, ...]]:
    """The one worst figure of a cell, and lines for its detail."""
    lines = list(cell.problems)
    level = "dB" if result.calibrated else "dB rel."
    if cell.level_db is not None:
        lines.append(f"level {cell.level_db:.1f} {level}")
    a = cell.analysis
    if a is None:
        return "unusable", tuple(lines)
    if a.arrival_s is not None:
        lines.append(
            f"arrival {1000 * a.arrival_s:.2f} ms" + (f" ({a.why['arrival']})" if "arrival" in a.why else "")
        )
    lines += [f"{check.text}: {_said(check)}" for check in cell.checks]
    judged = [c for c in cell.checks if c.verdict in (Verdict.FAIL, Verdict.UNSURE)]
    if judged:
        first = max(judged, key=lambda c: (c.verdict.severity, -_ORDER.index(c.id)))
        return _short(first), tuple(lines)
    return (f"{cell.level_db:.1f}" if cell.level_db is not None else ""), tuple(lines)


_ORDER = ("seats.polarity", "seats.treble", "seats.snr", "seats.bass", "seats.direct")


def _short(check: Check) -> str:
    if check.id == "seats.polarity":
        return "reversed"
    what = {"seats.treble": "treble", "seats.snr": "S/N", "seats.bass": "bass", "seats.direct": "4–12k"}[check.id]
    return f"{what} {check.value:+.0f}".replace("-", "−") if check.value is not None else what


def _said(check: Check) -> str:
    if check.why_not is not None or check.value is None:
        return f"– not tested, {check.why_not}"
    if check.id == "seats.polarity":
        return f"{check.verdict.symbol} {'normal' if check.value > 0 else 'reversed'}"
    return f"{check.verdict.symbol} {check.value:+.1f} {check.unit}".replace("-", "−")


def _grid_cell(cell: Cell, curve_id: str | None, result: SeatsResult) -> GridCell:
    figure, detail = _figure(cell, result)
    return GridCell(verdict=cell.verdict, figure=figure, detail=detail, curve_id=curve_id)


def _curves(channel: Channel, seats: tuple[str, ...], result: SeatsResult) -> list[Curve]:
    """One curve a cell: its response against the spread and mean of all seats of the channel."""
    cells = [result.cells[(channel.id, seat)] for seat in seats]
    heard = [cell for cell in cells if cell.analysis is not None]
    if not heard:
        return []
    first = heard[0].analysis
    assert first is not None
    shift = [(cell.level_db or 0.0) - (cell.analysis.level_db or 0.0) for cell in heard if cell.analysis is not None]
    table: FloatArray = np.array([c.analysis.view_db + s for c, s in zip(heard, shift, strict=True) if c.analysis])
    common: list[Series] = []
    if len(heard) > 1:
        common = [
            Series(name="lowest seat", x=first.freq_hz, y=table.min(axis=0), kind="low"),
            Series(name="highest seat", x=first.freq_hz, y=table.max(axis=0), kind="high"),
            Series(name="mean of seats", x=first.freq_hz, y=table.mean(axis=0), kind="mean"),
        ]
    unit = "dB" if result.calibrated else "dB rel."
    return [
        Curve(
            id=f"seats:{channel.id}:{cell.seat}",
            title=f"{channel.label} at {cell.seat}",
            channel=channel.id,
            seat=cell.seat,
            y_unit=unit,
            caption="1/12 octave",
            series=(*common, Series(name=cell.seat, x=first.freq_hz, y=levels, kind="main")),
        )
        for cell, levels in zip(heard, table, strict=True)
    ]


def _tables(job: Job, result: SeatsResult) -> tuple[Table, ...]:
    reference = job.system.reference_seat
    rows = []
    for channel in job.system.channels:
        cell = result.cells.get((channel.id, reference.id if reference else ""))
        if cell is None or cell.analysis is None:
            continue
        a = cell.analysis
        polarity = {1: "normal", -1: "reversed", None: "not told"}[a.polarity]
        clipped = {True: "clipped", False: "no", None: "not told"}[a.clipped]
        rows.append(
            Row(
                key=channel.id,
                cells=(
                    channel.id,
                    cell.level_db,
                    None if a.arrival_s is None else 1000 * a.arrival_s,
                    polarity,
                    a.snr_db,
                    a.low_hz,
                    a.high_hz,
                    clipped,
                    float(cell.repeats),
                ),
            )
        )
    if not rows:
        return ()
    unit = "dB" if result.calibrated else "dB rel."
    columns = (
        Column(key="channel", title="Channel"),
        Column(key="level", title="Level", unit=unit, decimals=1),
        Column(key="arrival", title="Arrival", unit="ms", decimals=2),
        Column(key="polarity", title="Polarity"),
        Column(key="snr", title="S/N", unit="dB", decimals=0),
        Column(key="low", title="From", unit="Hz", decimals=0),
        Column(key="high", title="To", unit="Hz", decimals=0),
        Column(key="clipped", title="Clipped"),
        Column(key="n", title="n", decimals=0),
    )
    remark = (
        "From, to: where the level last falls 10 dB below the mid band; – where it does not within 20 Hz to 20 kHz."
    )
    title = f"Every channel at the reference seat {reference.id if reference else ''}"
    return (Table(id="reference", title=title, columns=columns, rows=tuple(rows), remark=remark),)


def _stands_out(result: SeatsResult) -> str:
    if result.seat_gain_db:
        seat, gain = max(result.seat_gain_db.items(), key=lambda item: abs(item[1]))
        return f"gain changed at {seat}: {gain:+.1f} dB on every channel".replace("-", "−")
    checks = [check for cell in result.cells.values() for check in cell.checks if check.verdict is Verdict.FAIL]
    reversed_ids = sorted({c.channel or "" for c in checks if c.id == "seats.polarity"})
    dull = sorted({c.channel or "" for c in checks if c.id == "seats.treble" and (c.value or 0) < 0})
    nulls = sorted({f"{c.seat}" for c in checks if c.id == "seats.bass"})
    parts = [f"{', '.join(reversed_ids)} reversed"] if reversed_ids else []
    parts += [f"{', '.join(dull)} no treble"] if dull else []
    parts += [f"bass missing at {', '.join(nulls)}"] if nulls else []
    return "; ".join(parts[:2])


def _advice(job: Job, round_id: str, result: SeatsResult) -> tuple[Advice, ...]:
    if not job.system.channels or not job.system.seats:
        return ()
    if result.seat_gain_db:
        seat = next(iter(result.seat_gain_db))
        return (Advice(text=f"Measure {seat} again with the gain of the other seats.", step="seats", priority=12),)
    open_places = [place for place, cell in result.cells.items() if cell.analysis is None]
    if open_places:
        channel, seat = open_places[0]
        text = (
            "Import the responses of all seats."
            if len(open_places) == len(result.cells)
            else f"Import or measure {channel} at {seat} ({len(open_places)} places are open)."
        )
        return (Advice(text=text, step="seats", priority=28),)
    return ()


def _remarks(job: Job, round_id: str, analyses: Analyses, result: SeatsResult) -> tuple[str, ...]:
    remarks = []
    measured = [cell for cell in result.cells.values() if cell.analysis is not None]
    if not measured:
        return ()
    if not result.calibrated:
        remarks.append("Levels are relative: no microphone with a level offset is noted on the Site form.")
    clocks = {item.clock for item in analyses if item.round == round_id}
    if None in clocks or len(clocks) > 1:
        remarks.append("Not all responses share one clock: arrivals are compared only where they do.")
    remarks += [
        f"{seat} is {gain:+.1f} dB off on every channel alike: the gain changed between recordings, not the room. Its "
        "levels are not judged."
        for seat, gain in result.seat_gain_db.items()
    ]
    problems = [f"{c.channel.id} at {c.seat}: {p}" for c in result.cells.values() for p in c.problems]
    return tuple(remarks + problems)


STEP = Step(
    id="seats",
    title="Seats",
    question="What does each seat hear from each channel?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    entry="responses",
)
