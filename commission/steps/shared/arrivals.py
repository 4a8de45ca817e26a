"""Arrivals from the analysed responses: at the reference seat, and as a table of channels and seats."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from commission.dsp import delays as delays_of
from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.geometry import distance_m
from commission.dsp.matching import Explanation
from commission.model import Analyses, Channel, FloatArray, Job, Seat
from commission.model.units import listed
from commission.steps.shared.survey import common_clock, on_clock, round_matching, round_survey


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceArrival:
    """Arrival of a channel at a seat, on the clock that most channels there share."""

    arrival_s: float | None
    u_s: float = 0.0
    passes_delays: bool = True
    why: str | None = None
    """Reason why there is no arrival, or what makes it doubtful."""
    again: tuple[tuple[float, float], ...] = ()
    """Later sounds of a main channel: (delay after the arrival [s], level above it [dB])."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatArrivals:
    """Time between the first and the last arrival of the main channels at one seat."""

    seat: str
    predicted_s: float | None
    measured_s: float | None


def reference_arrival(job: Job, round_id: str, channel: Channel, analyses: Analyses) -> ReferenceArrival:
    """A channel at the reference seat: its newest response on the common clock."""
    seat = job.system.reference_seat
    repeats = analyses.repeats(round_id, channel.id, seat.id) if seat is not None else ()
    if seat is None or not repeats:
        spoilt = analyses.problems(round_id, channel.id, seat.id) if seat is not None else ()
        return ReferenceArrival(
            arrival_s=None, why=spoilt[-1] if spoilt else "no response was imported for the reference seat"
        )
    clock = common_clock(job, round_id, analyses, seat)
    found = on_clock(repeats, clock)
    if found is None:
        alone = all(each.clock is None for each in repeats)
        why = (
            "its response shares no clock with the others"
            if alone
            else "its response is on a different clock from most"
        )
        return ReferenceArrival(arrival_s=None, passes_delays=repeats[-1].passes_delays, why=why)
    analysis = found.analysis
    assert analysis is not None
    why_not = analysis.why.get("arrival")
    if analysis.arrival_s is None and why_not is None:
        why_not = "its response shows no arrival" if analysis.has_phase else "a response without phase has no arrival"
    return ReferenceArrival(
        arrival_s=analysis.arrival_s,
        u_s=analysis.arrival_u_s,
        passes_delays=found.passes_delays,
        why=why_not,
        again=analysis.reflections or (),
    )


def _table(
    job: Job, round_id: str, analyses: Analyses, channels: Sequence[Channel], seats: Sequence[Seat]
) -> tuple[FloatArray, list[str | None]]:
    """Arrivals [shape=(channels, seats)], NaN where missing, and the clock of each seat."""
    clocks = [common_clock(job, round_id, analyses, seat) for seat in seats]
    heard = np.full((len(channels), len(seats)), np.nan)
    for i, channel in enumerate(channels):
        for k, seat in enumerate(seats):
            found = on_clock(analyses.repeats(round_id, channel.id, seat.id), clocks[k])
            if found is not None and found.analysis is not None and found.analysis.arrival_s is not None:
                heard[i, k] = found.analysis.arrival_s
    return heard, clocks


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Place from which a main channel plays, by its arrivals."""

    place: str
    z: float
    """Root of the rise of the cost if that place is excluded."""
    rival: str
    """The place that fits next best."""
    undecided: str | None = None
    """Alternatives that the arrivals cannot distinguish from an exchange of loudspeakers, as a clause."""
    again: tuple[str, str] | None = None
    """Causes of wrong recordings that the arrivals cannot distinguish, as a clause, and the seat to measure again."""


def find_places(job: Job, round_id: str, analyses: Analyses) -> tuple[dict[str, Place], str | None]:
    """The position from which each main channel plays, or the reason why it was not determined.

    A channel counts as elsewhere only if its exchange with others is beyond doubt. A small z means that another place
    fits nearly as well; channels without an arrival are left out.
    """
    found = round_survey(job, round_id, analyses)
    if isinstance(found, str):
        return {}, f"whether loudspeakers are exchanged is not determined: {found}"
    matching = round_matching(job, round_id, analyses)
    assert matching is not None
    if matching.scattered:
        return {}, "whether loudspeakers are exchanged is not determined: the recordings share no clock"
    if matching.unexplained:
        return (
            {},
            "whether loudspeakers are exchanged is not determined: the arrivals fit neither the positions nor an exchange",
        )
    names = found.channels
    heard = {channel for channel, _ in found.recordings}
    if len({seat for _, seat in found.recordings}) < 2 and not matching.sure:
        return (
            {},
            "whether loudspeakers are exchanged is not determined from one seat: measure at a second one, to one side",
        )
    z = {i: each.z for each in matching.sure if each.kind == "loudspeakers" for i in each.channels}
    doubt: dict[int, str] = {}
    again: dict[int, tuple[str, str]] = {}
    for rivals in matching.undecided:
        clause = " or ".join(in_words(each, names, found.seats) for each in rivals[:3])
        doubt |= {i: clause for each in rivals if each.kind == "loudspeakers" for i in each.channels}
        if not any(each.kind == "loudspeakers" for each in rivals):
            files = [each for each in rivals if each.kind == "exchanged-at-seat"]
            again |= {i: (clause, found.seats[each.seats[0]]) for each in files for i in each.channels}
    return {
        names[i]: Place(
            place=names[place],
            z=z.get(i, weight),
            rival=names[matching.rivals[i]],
            undecided=doubt.get(i),
            again=again.get(i),
        )
        for i, (place, weight) in enumerate(matching.places)
        if names[i] in heard
    }, None


def in_words(found: Explanation, channels: Sequence[str], seats: Sequence[str]) -> str:
    """An explanation as a clause, such as "FL and FR exchanged"."""
    who = listed([channels[i] for i in found.channels])
    where = [seats[i] for i in found.seats]
    return {
        "loudspeakers": f"{who} connected to each other's outputs",
        "seats": f"the recordings of {listed(where)} exchanged",
        "not-moved": f"the recordings of {where[0] if where else ''} made at {where[-1] if where else ''}",
        "exchanged-at-seat": f"the files of {who} exchanged at {listed(where)}",
        "delay": f"a wrong delay of {who}",
        "clock": f"a different clock at {listed(where)}",
    }.get(found.kind, f"{who} of {where[0] if where else ''} made at {where[-1] if where else ''}")


def _flight_s(channel: Channel, seat: Seat, speed_m_s: float) -> float:
    if channel.position_m is None or seat.position_m is None:
        return math.nan
    return distance_m(channel.position_m, seat.position_m) / speed_m_s


def seat_arrivals(
    job: Job, round_id: str, analyses: Analyses, settings: dict[Channel, float]
) -> tuple[SeatArrivals, ...]:
    """Spread of the main channels at each seat: as predicted for `settings`, and as measured through the delays."""
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
            (found := on_clock(analyses.repeats(round_id, channel.id, seat.id), clocks[k])) is not None
            and found.passes_delays
            for channel in mains
        )
        measured = heard[:, k] if through else np.full(len(mains), np.nan)
        out.append(SeatArrivals(seat=seat.id, predicted_s=_spread_s(times), measured_s=_spread_s(measured)))
    return tuple(out)


def _spread_s(times: FloatArray) -> float | None:
    return float(np.ptp(times)) if np.isfinite(times).all() else None
