"""Distances: which delay does each loudspeaker need, and does the sound arrive when the tape says?

The installer tapes from the reference seat's ears to each loudspeaker (or has positions). Delay = (d_max − d)/c with c
from the temperature (ISO 9613-1); a processor that takes distances gets them scaled by its own assumed speed of sound.
Where responses with a common clock were imported, arrivals are held against the tape after removing the common latency
(a median, which half of the channels may miss): t = τ + d/c + the delay the processor applies.

A subwoofer's own latency adds to its distance: the sheet proposes tape + c·latency as a start, to be trimmed at the
crossover by ear of the measurement, not by the tape.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from commission.dsp import delays as delays_of
from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.geometry import distance_m
from commission.dsp.latency import Assignment, UnitFit, assign_places, unit_factor
from commission.dsp.uncertainty import TAPE_U_M, combine
from commission.model import (
    Advice,
    Analyses,
    Analysis,
    Channel,
    Check,
    Column,
    FloatArray,
    Job,
    Limit,
    Outcome,
    Prompt,
    Row,
    Seat,
    Step,
    Table,
    Task,
    Verdict,
)

HELP = """
1. Stretch the tape (or a laser) from where the **ears** are at the reference seat to the front of each loudspeaker, the
   point between woofer and tweeter. Two people for the far ones.
2. Type each in any notation: `3.42`, `342 cm`, `11' 2 1/2"`.
3. Read the **temperature** at ear height (Site): 3 K shift 1 cm on 2 m.
4. Imported responses with a common clock show whether the sound really arrives when the tape says. Measure subwoofers
   with bass management **off**: a low-pass makes them look late.

**A laser** does not belong in anybody's eyes. **Ladders:** footed, two people. Loudspeakers overhead stay fastened.
"""

SETTING_LIMIT = Limit(low=-0.1, high=0.1, unit="ms", basis="0.1 ms between channels; ITU-R BS.1116, from memory")
ARRIVAL_LIMIT = Limit(low=-0.3, high=0.3, unit="ms", basis="0.3 ms (10 cm) between tape and arrival; common practice")
SUB_LIMIT = Limit(
    low=-2.0, high=2.0, unit="ms", basis="subwoofers within 2 ms before the crossover is aligned; common practice"
)
SUB_LATENCY_S = 0.002
"""A subwoofer later than this has a latency of its own worth entering (common practice, no source)."""
TEMPERATURE_U_K = 1.0
SURVEY_SIGMA_S = 1.5e-4
TYPING_SPAN_M = (0.3, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelDistance:
    """One loudspeaker: how far, what to enter, what is held, when it is heard."""

    channel: Channel
    distance_m: float
    origin: str
    """"tape" or "position"."""
    acoustic_m: float
    """With the subwoofer's own latency as distance; else as `distance_m`."""
    setting: delays_of.DelaySetting
    held: float | None
    """What the processor holds in this round, in its unit."""
    held_error_s: float | None
    """Delay that the held setting gives, less the delay needed."""
    arrival_s: float | None
    arrival_residual_s: float | None
    """Arrival less what distance and held setting explain, common latency removed."""
    alignment_s: float | None
    """Arrival less the common arrival of all channels: what the listener gets."""
    arrival_u_s: float
    why_no_arrival: str | None
    check_setting: Check
    check_arrival: Check

    @property
    def seems_m(self) -> float | None:
        """The distance that the arrival would correspond to."""
        return None if self.arrival_residual_s is None else self.distance_m + self.arrival_residual_s * self.speed_m_s

    speed_m_s: float = 343.2


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatArrivals:
    """What one seat gets: spread over the main channels between first and last arrival."""

    seat: str
    predicted_s: float | None
    measured_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DistancesResult:
    """Everything about time in one round."""

    channels: dict[str, ChannelDistance]
    missing: tuple[str, ...]
    speed_m_s: float
    latency_s: float | None
    unit_fit: UnitFit | None
    held_ratio: float | None
    """Median of held setting over what should be held; far from 1: a unit is wrong."""
    swapped: dict[str, tuple[str, float]]
    """Channel → (the place it sounds from, z)."""
    seats: tuple[SeatArrivals, ...]
    no_swap_reason: str | None


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
            text=f"Tape from the ears at {seat or 'the reference seat'} to the front of {channel.label}, "
            "between woofer and tweeter.",
            caution="Ladder footed, two people." if channel.role == "height" else "",
        )
        for channel in job.system.channels
    )


def taped_m(job: Job, channel: Channel) -> tuple[float, str] | None:
    """(distance, origin) from the reference seat: the newest tape reading of any round, the job's tape, the position."""
    readings = [r for r in job.readings if r.body.step == "distances" and r.body.channel == channel.id]
    if readings:
        return readings[-1].body.value, "tape"
    if channel.distance_m is not None:
        return channel.distance_m, "tape"
    reference = job.system.reference_seat
    if channel.position_m is not None and reference is not None and reference.position_m is not None:
        return distance_m(channel.position_m, reference.position_m), "position"
    return None


def solve(job: Job, round_id: str, analyses: Analyses) -> DistancesResult:
    """Delays, settings and arrivals of a round."""
    system = job.system
    speed = speed_of_sound_m_s(system.temperature_c)
    known = [(c, found) for c in system.channels if (found := taped_m(job, c)) is not None]
    missing = tuple(c.id for c in system.channels if c.id not in {channel.id for channel, _ in known})
    if not known:
        return DistancesResult(
            channels={},
            missing=missing,
            speed_m_s=speed,
            latency_s=None,
            unit_fit=None,
            held_ratio=None,
            swapped={},
            seats=(),
            no_swap_reason="no distances yet",
        )
    channels = [channel for channel, _ in known]
    tape = np.array([distance for _, (distance, _) in known])
    held = np.array([_or_nan(job.setting(round_id, c.id).distance) for c in channels])
    heard = [_heard(job, round_id, c, analyses) for c in channels]
    arrivals = np.array([_or_nan(arrival) for arrival, _, _, _ in heard])
    passes = np.array([passed for *_, passed in heard])
    own = delays_of.assumed_speed_m_s(system.processor.delay.unit, system.processor.speed_of_sound_m_s, speed)
    applied = _applied(held, job, own)
    explained = tape / speed + np.where(passes, applied, 0.0)
    mains = np.array([not c.is_sub for c in channels])
    travel = arrivals - explained
    basis = mains & np.isfinite(travel)
    latency = float(np.median(travel[basis])) if basis.sum() >= 3 else None
    residual = travel - latency if latency is not None else np.full(len(channels), np.nan)
    aligned = np.isfinite(arrivals) & mains & passes
    common = float(np.median(arrivals[aligned])) if aligned.sum() >= 3 else math.nan
    acoustic = tape + np.where(~mains & (residual > SUB_LATENCY_S), residual * speed, 0.0)
    settings = delays_of.delay_settings(acoustic, speed, system.processor.delay, system.processor.speed_of_sound_m_s)
    needed = delays_of.needed_delays_s(acoustic, speed)
    held_error = _held_errors(applied, needed, mains)
    results = {
        c.id: _channel(
            c,
            known[i][1],
            float(acoustic[i]),
            settings[i],
            held[i],
            held_error[i],
            arrivals[i],
            residual[i],
            arrivals[i] - common if passes[i] else math.nan,
            heard[i],
            speed,
        )
        for i, c in enumerate(channels)
    }
    usable = mains & passes
    fit = unit_factor(np.where(usable, arrivals, np.nan), tape, speed) if usable.sum() >= 4 else None
    swaps, why_no_swap = _swaps(job, round_id, analyses, speed)
    return DistancesResult(
        channels=results,
        missing=missing,
        speed_m_s=speed,
        latency_s=latency,
        unit_fit=fit,
        held_ratio=_ratio(held, settings, system.processor.delay.unit),
        swapped=swaps,
        seats=_seat_arrivals(job, round_id, analyses, results, speed, own),
        no_swap_reason=why_no_swap,
    )


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _heard(
    job: Job, round_id: str, channel: Channel, analyses: Analyses
) -> tuple[float | None, str | None, float, bool]:
    """(arrival, why none or doubtful, u, through the processor's delays) of a channel at the reference seat."""
    reference = job.system.reference_seat
    repeats = analyses.repeats(round_id, channel.id, reference.id) if reference is not None else ()
    if not repeats:
        return None, "no response was imported for the reference seat", 0.0, True
    newest = repeats[-1]
    if newest.clock is None:
        return None, "its response shares no clock with the others", 0.0, newest.passes_delays
    if _clock(job, round_id, analyses) != newest.clock:
        return None, "its response belongs to another clock than most", 0.0, newest.passes_delays
    assert newest.analysis is not None
    analysis: Analysis = newest.analysis
    why = analysis.why.get("arrival")
    return analysis.arrival_s, why, analysis.arrival_u_s, newest.passes_delays


def _clock(job: Job, round_id: str, analyses: Analyses) -> str | None:
    """The clock that most responses at the reference seat share."""
    reference = job.system.reference_seat
    if reference is None:
        return None
    clocks = [r.clock for c in job.system.channels for r in analyses.repeats(round_id, c.id, reference.id)[-1:]]
    named = [clock for clock in clocks if clock is not None]
    return max(set(named), key=named.count) if named else None


def _applied(held: FloatArray, job: Job, own_m_s: float) -> FloatArray:
    """The delay the processor applies for held settings [s], NaN where none is noted."""
    good = np.isfinite(held)
    applied = np.full(len(held), np.nan)
    if good.any():
        applied[good] = delays_of.applied_delays_s(held[good], job.system.processor.delay, own_m_s)
    return applied


def _held_errors(applied: FloatArray, needed: FloatArray, mains: FloatArray) -> FloatArray:
    """Applied less needed delay; what is common to the main channels is nobody's error."""
    error = applied - needed
    good = np.isfinite(error) & mains
    return error - (np.median(error[good]) if good.any() else 0.0)


def _ratio(held: FloatArray, settings: tuple[delays_of.DelaySetting, ...], unit: str) -> float | None:
    exact = np.array([setting.exact for setting in settings])
    good = np.isfinite(held) & (exact > 0)
    return float(np.median(held[good] / exact[good])) if unit != "ms" and good.sum() >= 3 else None


def _channel(
    channel: Channel,
    found: tuple[float, str],
    acoustic_m: float,
    setting: delays_of.DelaySetting,
    held: float,
    held_error_s: float,
    arrival_s: float,
    residual_s: float,
    alignment_s: float,
    heard: tuple[float | None, str | None, float, bool],
    speed_m_s: float,
) -> ChannelDistance:
    _, why, u_arrival, _ = heard
    u_tape = combine(TAPE_U_M / speed_m_s, found[0] / speed_m_s * 0.5 * TEMPERATURE_U_K / 293.15)
    later_than_tape = acoustic_m - found[0] > 1e-9
    u_setting = combine(u_tape, u_arrival) if later_than_tape else u_tape
    told = alignment_s if math.isfinite(alignment_s) else residual_s
    why_no = why if not math.isfinite(told) else None
    if not math.isfinite(told) and why_no is None:
        why_no = "fewer than three main channels have an arrival with known distance and setting"
    sub = channel.is_sub
    why_not_set = "the setting is not noted in this round" if math.isnan(held_error_s) else None
    if sub and not math.isfinite(arrival_s):
        why_not_set = "the subwoofer's own latency is not known without its arrival"
    return ChannelDistance(
        channel=channel,
        distance_m=found[0],
        origin=found[1],
        acoustic_m=acoustic_m,
        setting=setting,
        held=None if math.isnan(held) else held,
        held_error_s=None if math.isnan(held_error_s) else held_error_s,
        arrival_s=None if math.isnan(arrival_s) else arrival_s,
        arrival_residual_s=None if math.isnan(residual_s) else residual_s,
        alignment_s=None if math.isnan(alignment_s) else alignment_s,
        arrival_u_s=combine(u_arrival, u_tape),
        why_no_arrival=why,
        speed_m_s=speed_m_s,
        check_setting=Check(
            id="distances.setting",
            channel=channel.id,
            unit="ms",
            limit=SUB_LIMIT if sub else SETTING_LIMIT,
            value=None if math.isnan(held_error_s) else 1000 * held_error_s,
            uncertainty=1000 * u_setting,
            why_not=why_not_set,
            text="delay by the setting less delay needed",
        ),
        check_arrival=Check(
            id="distances.arrival",
            channel=channel.id,
            unit="ms",
            limit=SUB_LIMIT if sub else ARRIVAL_LIMIT,
            value=None if math.isnan(told) else 1000 * told,
            uncertainty=1000 * combine(u_arrival, u_tape),
            why_not=why_no,
            text="arrival against the other channels" if math.isfinite(alignment_s) else "arrival against the tape",
        ),
    )


def _swaps(
    job: Job, round_id: str, analyses: Analyses, speed_m_s: float
) -> tuple[dict[str, tuple[str, float]], str | None]:
    """Channels that sound from another's place, by their arrivals over the seats."""
    seats = [seat for seat in job.system.seats if seat.position_m is not None]
    channels = [c for c in job.system.channels if c.position_m is not None and not c.is_sub]
    if len(seats) < 2 or len(channels) < 2:
        return {}, "swaps are not looked for: two seats and two channels with positions are needed"
    heard = np.array([[_at(analyses, round_id, channel, seat) for seat in seats] for channel in channels])
    if (np.isfinite(heard).sum(axis=1) >= 2).sum() < 2:
        return {}, "swaps are not looked for: arrivals at two seats or more are needed"
    flights = np.array(
        [[distance_m(c.position_m, s.position_m) / speed_m_s for s in seats] for c in channels]  # type: ignore[arg-type]
    )
    found: Assignment | None = assign_places(heard, flights, SURVEY_SIGMA_S)
    if found is None:
        return {}, "swaps are not looked for: too few arrivals"
    return {channels[i].id: (channels[found.place[i]].id, found.confidence[i]) for i in found.swapped()}, None


def _at(analyses: Analyses, round_id: str, channel: Channel, seat: Seat) -> float:
    repeats = analyses.repeats(round_id, channel.id, seat.id)
    if not repeats or repeats[-1].clock is None or repeats[-1].analysis is None:
        return math.nan
    return _or_nan(repeats[-1].analysis.arrival_s)


def _seat_arrivals(
    job: Job, round_id: str, analyses: Analyses, results: dict[str, ChannelDistance], speed: float, own: float
) -> tuple[SeatArrivals, ...]:
    """Spread of the main channels at each seat, with the proposed settings and as measured."""
    mains = [each for each in results.values() if not each.channel.is_sub]
    if len(mains) < 2:
        return ()
    applied = delays_of.applied_delays_s([e.setting.setting for e in mains], job.system.processor.delay, own)
    out = []
    for seat in job.system.seats:
        predicted = None
        if seat.position_m is not None and all(e.channel.position_m is not None for e in mains):
            times = [
                distance_m(e.channel.position_m, seat.position_m) / speed + float(a)  # type: ignore[arg-type]
                for e, a in zip(mains, applied, strict=True)
            ]
            predicted = max(times) - min(times)
        heard = np.array([_at(analyses, round_id, e.channel, seat) for e in mains])
        measured = float(np.ptp(heard)) if np.isfinite(heard).all() else None
        out.append(SeatArrivals(seat=seat.id, predicted_s=predicted, measured_s=measured))
    return tuple(out)


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The settings to enter, arrivals against the tape, what other seats get."""
    result = solve(job, round_id, analyses)
    found = result.channels.values()
    unit = job.system.processor.delay.unit
    checks = [check for each in found for check in (each.check_setting, each.check_arrival)]
    tables = []
    if result.channels:
        tables.append(
            Table(
                id="delays",
                title="What the processor shall hold",
                columns=_setting_columns(unit),
                rows=tuple(_setting_row(each) for each in found),
                remark="Rest: what rounding leaves against the farthest loudspeaker, for information.",
            )
        )
    if any(each.arrival_s is not None for each in found):
        tables.append(
            Table(
                id="arrivals",
                title="Does the sound arrive when the tape says?",
                columns=_ARRIVAL_COLUMNS,
                rows=tuple(_arrival_row(each) for each in found),
            )
        )
    if result.seats:
        tables.append(
            Table(
                id="spread",
                title="What the other seats get: first to last main channel",
                columns=_SEAT_COLUMNS,
                rows=tuple(_seat_row(each) for each in result.seats),
                remark="No setting cures this: a delay can suit one seat only.",
            )
        )
    return Outcome(
        step="distances",
        round=round_id,
        done=len(result.channels),
        total=len(job.system.channels),
        checks=tuple(checks),
        tables=tuple(tables),
        advice=_advice(job, result),
        stands_out=_stands_out(job, result),
        remarks=_remarks(job, result),
    )


def _setting_columns(unit: str) -> tuple[Column, ...]:
    return (
        Column(key="channel", title="Channel"),
        Column(key="distance", title="Distance", unit="m", decimals=2),
        Column(key="origin", title="From"),
        Column(key="delay", title="Delay", unit="ms", decimals=2),
        # The processor's own unit stays as it is, whatever the job's units are: it is what must be typed.
        Column(key="held", title=f"Holds [{unit}]", decimals=2),
        Column(key="new", title=f"Enter [{unit}]", decimals=2),
        Column(key="rest", title="Rest", unit="ms", decimals=3, signed=True),
        Column(key="deg80", title="at 80 Hz", unit="°", decimals=1, signed=True),
        Column(key="deg1k", title="at 1 kHz", unit="°", decimals=0, signed=True),
    )


_ARRIVAL_COLUMNS = (
    Column(key="channel", title="Channel"),
    Column(key="arrival", title="Arrival", unit="ms", decimals=2),
    Column(key="residual", title="Less tape", unit="ms", decimals=2, signed=True),
    Column(key="aligned", title="Less others", unit="ms", decimals=2, signed=True),
    Column(key="U", title="U", unit="ms", decimals=2),
    Column(key="seems", title="Seems", unit="m", decimals=2),
)
_SEAT_COLUMNS = (
    Column(key="seat", title="Seat"),
    Column(key="predicted", title="With the sheet", unit="ms", decimals=1),
    Column(key="measured", title="Measured", unit="ms", decimals=1),
)


def _ms(seconds: float | None) -> float | None:
    return None if seconds is None else 1000 * seconds


def _setting_row(each: ChannelDistance) -> Row:
    setting = each.setting
    return Row(
        key=each.channel.id,
        cells=(
            each.channel.id,
            each.distance_m,
            each.origin,
            _ms(setting.delay_s),
            each.held,
            setting.setting,
            _ms(setting.error_s),
            setting.phase_deg(80),
            setting.phase_deg(1000),
        ),
        check=each.check_setting,
    )


def _arrival_row(each: ChannelDistance) -> Row:
    return Row(
        key=each.channel.id,
        cells=(
            each.channel.id,
            _ms(each.arrival_s),
            _ms(each.arrival_residual_s),
            _ms(each.alignment_s),
            _ms(2 * each.arrival_u_s) if each.arrival_s is not None else None,
            each.seems_m,
        ),
        check=each.check_arrival,
    )


def _seat_row(each: SeatArrivals) -> Row:
    return Row(key=each.seat, cells=(each.seat, _ms(each.predicted_s), _ms(each.measured_s)))


def unit_sentence(result: DistancesResult) -> str | None:
    """What the settings or the arrivals say about a wrong unit; None when nothing is wrong."""
    for factor in (
        result.held_ratio,
        result.unit_fit.factor if result.unit_fit and result.unit_fit.meaning else None,
    ):
        if factor is None:
            continue
        if abs(factor / (1 / 0.3048) - 1) < 0.04:
            return "the distances were typed in feet, the processor reads metres"
        if abs(factor / 0.3048 - 1) < 0.04:
            return "the distances were typed in metres, the processor reads feet"
    return None


def _stands_out(job: Job, result: DistancesResult) -> str:
    if (unit := unit_sentence(result)) is not None:
        return unit
    if result.swapped:
        return " and ".join(sorted(result.swapped)) + " sound from each other's places"
    late = [e for e in result.channels.values() if e.check_arrival.verdict is Verdict.FAIL]
    if late:
        worst = max(late, key=lambda e: abs(e.check_arrival.value or 0))
        value = worst.check_arrival.value or 0
        return f"{worst.channel.id} arrives {abs(value):.1f} ms {'late' if value > 0 else 'early'}"
    wrong = [e for e in result.channels.values() if e.check_setting.verdict is Verdict.FAIL]
    return f"{len(wrong)} distance setting{'s' if len(wrong) > 1 else ''} to enter" if wrong else ""


def _advice(job: Job, result: DistancesResult) -> tuple[Advice, ...]:
    if not job.system.channels:
        return ()
    if result.missing:
        first = job.system.channel(result.missing[0])
        label = first.label if first is not None else result.missing[0]
        return (Advice(text=f"Tape the distance to {label} ({result.missing[0]}).", step="distances", priority=25),)
    if result.swapped:
        pair = " and ".join(sorted(result.swapped))
        return (
            Advice(
                text=f"Put {pair} on their own loudspeakers, then measure both again.", step="distances", priority=15
            ),
        )
    if any(e.check_setting.verdict is Verdict.FAIL for e in result.channels.values()):
        return (Advice(text="Enter the distances from the settings sheet.", step="distances", priority=41),)
    return ()


def _remarks(job: Job, result: DistancesResult) -> tuple[str, ...]:
    processor = job.system.processor
    remarks = [f"Speed of sound {result.speed_m_s:.1f} m/s at {job.system.temperature_c:.1f} °C (ISO 9613-1)."]
    if processor.delay.unit != "ms":
        if processor.speed_of_sound_m_s:
            remarks.append(
                f"The processor turns distances into delays with {processor.speed_of_sound_m_s:g} m/s, so what is entered "
                "is scaled by that over the true speed: the time comes out right."
            )
        else:
            remarks.append(
                "Which speed of sound the processor assumes is not known: distances are entered as they are."
            )
    for each in result.channels.values():
        if each.acoustic_m - each.distance_m > 1e-9:
            remarks.append(
                f"{each.channel.id} is {1000 * (each.acoustic_m - each.distance_m) / result.speed_m_s:.1f} ms later than "
                f"its distance explains: its own latency is entered as {each.acoustic_m - each.distance_m:.2f} m more. A "
                "start: trim it at the crossover."
            )
        if each.setting.clipped:
            remarks.append(f"{each.channel.id}: the processor's range ends before {each.setting.exact:.2f}.")
        if each.why_no_arrival and each.arrival_s is not None:
            remarks.append(f"{each.channel.id}: {each.why_no_arrival}.")
    if (unit := unit_sentence(result)) is not None:
        ratio = f"held over right: {result.held_ratio:.2f}" if result.held_ratio is not None else ""
        fit = result.unit_fit
        heard = f"arrivals: k = {fit.factor:.2f} ± {2 * fit.sd:.2f}" if fit and fit.meaning else ""
        remarks.append(f"{unit[0].upper()}{unit[1:]} ({'; '.join(part for part in (ratio, heard) if part)}).")
    for channel, (place, z) in result.swapped.items():
        remarks.append(f"{channel} sounds from the place of {place} (z = {z:.0f}, told from 4).")
    if result.no_swap_reason and result.channels:
        remarks.append(result.no_swap_reason[0].upper() + result.no_swap_reason[1:] + ".")
    return tuple(remarks)


STEP = Step(
    id="distances",
    title="Distances",
    question="Which delay does each loudspeaker need, and does the sound arrive when the tape says?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    entry="readings",
)
