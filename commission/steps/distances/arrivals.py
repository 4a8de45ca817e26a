"""Arrivals out of the analysed responses: at the reference seat, and as a table of channels and seats."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from commission.dsp import delays as delays_of
from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.geometry import distance_m
from commission.dsp.latency import assign_places, on_one_clock
from commission.model import Analysed, Analyses, Channel, FloatArray, Job, Seat

SURVEY_SIGMA_S = 1.5e-4
"""One arrival against a surveyed place: 5 cm of survey error (own simulations)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """When a channel is heard at a seat, on the clock that most channels there share."""

    arrival_s: float | None
    u_s: float = 0.0
    passes_delays: bool = True
    why: str | None = None
    """Why there is no arrival, or what makes it doubtful."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatArrivals:
    """What one seat gets: spread over the main channels between first and last arrival."""

    seat: str
    predicted_s: float | None
    measured_s: float | None


def common_clock(job: Job, round_id: str, analyses: Analyses, seat: Seat) -> str | None:
    """The clock that most channels have a response on at a seat, the newest of equals; None when there is none."""
    votes: dict[str, int] = {}
    newest: dict[str, int] = {}
    for channel in job.system.channels:
        found = {r.clock: r.seq for r in analyses.repeats(round_id, channel.id, seat.id) if r.clock is not None}
        for clock, seq in found.items():
            votes[clock] = votes.get(clock, 0) + 1
            newest[clock] = max(newest.get(clock, 0), seq)
    return max(votes, key=lambda clock: (votes[clock], newest[clock]), default=None)


def hear(job: Job, round_id: str, channel: Channel, analyses: Analyses) -> Heard:
    """A channel at the reference seat: its newest response on the common clock."""
    seat = job.system.reference_seat
    repeats = analyses.repeats(round_id, channel.id, seat.id) if seat is not None else ()
    if seat is None or not repeats:
        return Heard(arrival_s=None, why="no response was imported for the reference seat")
    clock = common_clock(job, round_id, analyses, seat)
    found = _on_clock(repeats, clock)
    if found is None:
        alone = all(each.clock is None for each in repeats)
        why = (
            "its response shares no clock with the others" if alone else "its response is on another clock than most"
        )
        return Heard(arrival_s=None, passes_delays=repeats[-1].passes_delays, why=why)
    analysis = found.analysis
    assert analysis is not None
    why_not = analysis.why.get("arrival")
    if analysis.arrival_s is None and why_not is None:
        why_not = "its response tells no arrival" if analysis.has_phase else "a response without phase has no arrival"
    return Heard(
        arrival_s=analysis.arrival_s, u_s=analysis.arrival_u_s, passes_delays=found.passes_delays, why=why_not
    )


def _on_clock(repeats: Sequence[Analysed], clock: str | None) -> Analysed | None:
    return next((each for each in reversed(repeats) if each.clock is not None and each.clock == clock), None)


def _table(
    job: Job, round_id: str, analyses: Analyses, channels: Sequence[Channel], seats: Sequence[Seat]
) -> tuple[FloatArray, list[str | None]]:
    """Arrivals [shape=(channels, seats)], NaN where missing, and the clock of each seat."""
    clocks = [common_clock(job, round_id, analyses, seat) for seat in seats]
    heard = np.full((len(channels), len(seats)), np.nan)
    for i, channel in enumerate(channels):
        for k, seat in enumerate(seats):
            found = _on_clock(analyses.repeats(round_id, channel.id, seat.id), clocks[k])
            if found is not None and found.analysis is not None and found.analysis.arrival_s is not None:
                heard[i, k] = found.analysis.arrival_s
    return heard, clocks


def find_places(
    job: Job, round_id: str, analyses: Analyses, speed_m_s: float
) -> tuple[dict[str, tuple[str, float]], str | None]:
    """From which place each channel sounds by its arrivals over the seats: (place, z), and why it was not looked for.

    Seats may have been measured on different clocks: each is brought into line by all channels together. A small z means
    that another place fits nearly as well; 0 stands for a channel with fewer than two arrivals.
    """
    seats = [seat for seat in job.system.seats if seat.position_m is not None]
    channels = [c for c in job.system.channels if c.position_m is not None and not c.is_sub]
    if len(seats) < 2 or len(channels) < 2:
        return {}, "swaps are not looked for: two seats and two channels with positions are needed"
    heard, clocks = _table(job, round_id, analyses, channels, seats)
    flights = np.array([[_flight_s(c, s, speed_m_s) for s in seats] for c in channels])
    heard = on_one_clock(heard, flights, clocks)
    if (np.isfinite(heard).sum(axis=1) >= 2).sum() < 2:
        return {}, "swaps are not looked for: arrivals at two seats or more are needed"
    found = assign_places(heard, flights, SURVEY_SIGMA_S)
    if found is None:
        return {}, "swaps are not looked for: too few arrivals"
    return {
        c.id: (channels[place].id, z) for c, place, z in zip(channels, found.place, found.confidence, strict=True)
    }, None


def _flight_s(channel: Channel, seat: Seat, speed_m_s: float) -> float:
    if channel.position_m is None or seat.position_m is None:
        return math.nan
    return distance_m(channel.position_m, seat.position_m) / speed_m_s


def seat_arrivals(
    job: Job, round_id: str, analyses: Analyses, settings: dict[Channel, float]
) -> tuple[SeatArrivals, ...]:
    """Spread of the main channels at each seat: as `settings` would give it, and as measured through the delays."""
    mains = [channel for channel in settings if not channel.is_sub]
    if len(mains) < 2:
        return ()
    processor, speed = job.system.processor, speed_of_sound_m_s(job.system.temperature_c)
    own = delays_of.assumed_speed_m_s(processor.delay.unit, processor.speed_of_sound_m_s, speed)
    applied = delays_of.applied_delays_s([settings[channel] for channel in mains], processor.delay, own)
    heard, clocks = _table(job, round_id, analyses, mains, job.system.seats)
    out = []
    for k, seat in enumerate(job.system.seats):
        times = np.array([_flight_s(channel, seat, speed) for channel in mains]) + applied
        through = all(
            (found := _on_clock(analyses.repeats(round_id, channel.id, seat.id), clocks[k])) is not None
            and found.passes_delays
            for channel in mains
        )
        measured = heard[:, k] if through else np.full(len(mains), np.nan)
        out.append(SeatArrivals(seat=seat.id, predicted_s=_spread_s(times), measured_s=_spread_s(measured)))
    return tuple(out)


def _spread_s(times: FloatArray) -> float | None:
    return float(np.ptp(times)) if np.isfinite(times).all() else None
