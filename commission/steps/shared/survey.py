"""Arrivals of the main channels over the seats, with positions, clocks and delays, and conclusions about the labels."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from commission.dsp import delays as delays_of
from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.geometry import distance_m, mirror_partner
from commission.dsp.likeness import unlike_places
from commission.dsp.matching import SPLITS, Matching, Survey, match
from commission.dsp.spectrum import GRID_HZ
from commission.model import AnalysedResponse, Analyses, Channel, FloatArray, Job, Position, Seat
from commission.steps.shared.cache import cached

LEAST_SWAP_S = 0.9e-3
"""An exchange of two loudspeakers is visible if their distances differ by this, as time, root sum square over the seats:
four standard uncertainties of one arrival, 0.23 ms: CELL_SIGMA_S, PLACE_SIGMA_S and DELAY_SIGMA_S of `dsp.matching`."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class NamedSurvey:
    """A survey with the names of its rows and columns, and the recordings behind it."""

    survey: Survey
    channels: tuple[str, ...]
    seats: tuple[str, ...]
    recordings: dict[tuple[str, str], AnalysedResponse]
    by_tape: bool
    """Without positions: distances by tape, from the reference seat only."""


def known_distance_m(job: Job, channel: Channel, round_id: str) -> tuple[float, str] | None:
    """(distance, origin) from the reference seat: the newest tape reading of this round or, without one, of an earlier
    round; else the job's tape distance; else the positions. Readings from another seat say nothing about this one.
    """
    reference = job.system.reference_seat
    seats = (None, reference.id if reference is not None else None)
    for each in reversed(job.rounds_until(round_id)):
        read = [r.body for r in job.readings_of(each, "distances", channel=channel.id) if r.body.seat in seats]
        if found := [body.value for body in read if body.quantity == "distance"]:
            return found[-1], "tape"
    if channel.distance_m is not None:
        return channel.distance_m, "tape"
    if (by_position := geometry_m(job, channel)) is not None:
        return by_position, "position"
    return None


def geometry_m(job: Job, channel: Channel) -> float | None:
    """Distance from the reference seat by the two positions, None if one is unknown."""
    reference = job.system.reference_seat
    if channel.position_m is None or reference is None or reference.position_m is None:
        return None
    return distance_m(channel.position_m, reference.position_m)


def common_clock(job: Job, round_id: str, analyses: Analyses, seat: Seat) -> str | None:
    """The clock of most channels' responses at a seat, the newest of equals; None without one."""
    votes: dict[str, int] = {}
    newest: dict[str, int] = {}
    for channel in job.system.channels:
        found = {r.clock: r.seq for r in analyses.repeats(round_id, channel.id, seat.id) if r.clock is not None}
        for clock, seq in found.items():
            votes[clock] = votes.get(clock, 0) + 1
            newest[clock] = max(newest.get(clock, 0), seq)
    return max(votes, key=lambda clock: (votes[clock], newest[clock]), default=None)


def on_clock(repeats: Sequence[AnalysedResponse], clock: str | None) -> AnalysedResponse | None:
    """The newest of repeats on a clock."""
    return next((each for each in reversed(repeats) if each.clock is not None and each.clock == clock), None)


def delay_slope_s(job: Job) -> float:
    """Delay for each unit of a delay setting [s]: negative if distances are entered."""
    processor = job.system.processor
    if processor.delay.unit == "ms":
        return 1e-3
    speed = speed_of_sound_m_s(job.system.temperature_c)
    own = delays_of.assumed_speed_m_s(processor.delay.unit, processor.speed_of_sound_m_s, speed)
    return -delays_of.unit_m(processor.delay.unit) / own


def applied_delays_s(job: Job, round_id: str, channels: Iterable[Channel], speed_m_s: float) -> FloatArray:
    """Delay of the processor for channels by the settings of a round [s], NaN if none is noted."""
    processor = job.system.processor
    own = delays_of.assumed_speed_m_s(processor.delay.unit, processor.speed_of_sound_m_s, speed_m_s)
    noted = [job.setting(round_id, channel.id).distance for channel in channels]
    held = np.array([math.nan if value is None else value for value in noted], dtype=float)
    applied = np.full(len(held), np.nan)
    good = np.isfinite(held)
    if good.any():
        applied[good] = delays_of.applied_delays_s(held[good], processor.delay, own)
    return applied


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Grid:
    """The loudspeakers and seats of a survey, with their distances."""

    channels: list[Channel]
    seats: list[Seat]
    flights_s: FloatArray
    """Travel times [shape=(channels, seats)]."""
    directions: FloatArray
    """Unit vectors from seat to loudspeaker [shape=(channels, seats, 3)]; zero by tape."""
    by_tape: bool


@cached
def round_survey(job: Job, round_id: str, analyses: Analyses) -> NamedSurvey | str:
    """The survey of a round's main channels, or one clause with the missing part."""
    grid = _grid(job, round_id)
    if isinstance(grid, str):
        return grid
    recordings: dict[tuple[str, str], AnalysedResponse] = {}
    for seat in grid.seats:
        clock = common_clock(job, round_id, analyses, seat)
        for channel in grid.channels:
            heard = on_clock(analyses.repeats(round_id, channel.id, seat.id), clock)
            if heard is not None and heard.analysis is not None and heard.analysis.arrival_s is not None:
                recordings[channel.id, seat.id] = heard
    if len({channel for channel, _ in recordings}) < 2:
        return "arrivals of two main channels on a common clock are needed"
    arrivals, clocks, applied = _measured(job, round_id, grid, recordings)
    names = [channel.id for channel in grid.channels]
    return NamedSurvey(
        survey=Survey(
            arrivals_s=arrivals,
            flights_s=grid.flights_s,
            directions=grid.directions,
            applied_s=applied,
            clocks=clocks,
            orders=_orders(names, recordings),
        ),
        channels=tuple(names),
        seats=tuple(seat.id for seat in grid.seats),
        recordings=recordings,
        by_tape=grid.by_tape,
    )


def _grid(job: Job, round_id: str) -> _Grid | str:
    """Grid from positions if known, otherwise by tape from the reference seat; or one clause with the missing part."""
    system = job.system
    speed = speed_of_sound_m_s(system.temperature_c)
    mains = [channel for channel in system.channels if not channel.is_sub]
    placed = [channel for channel in mains if channel.position_m is not None]
    seats = [seat for seat in system.seats if seat.position_m is not None]
    if (len(placed) < len(mains) or not seats) and (len(placed) < 2 or len(seats) < 2):
        reference = system.reference_seat
        taped = {
            channel: found[0] for channel in mains if (found := known_distance_m(job, channel, round_id)) is not None
        }
        if reference is None or len(taped) < 2:
            return "positions of two main channels and of the seats are needed"
        return _Grid(
            channels=list(taped),
            seats=[reference],
            flights_s=np.array([[distance] for distance in taped.values()]) / speed,
            directions=np.zeros((len(taped), 1, 3)),
            by_tape=True,
        )
    if len(placed) < 2:
        return "two main channels with positions are needed"
    apart = np.array([[_difference_m(c.position_m, s.position_m) for s in seats] for c in placed])
    far = np.linalg.norm(apart, axis=-1)
    return _Grid(
        channels=placed,
        seats=seats,
        flights_s=far / speed,
        directions=apart / np.maximum(far, 1e-6)[..., None],
        by_tape=False,
    )


def _measured(
    job: Job, round_id: str, grid: _Grid, recordings: dict[tuple[str, str], AnalysedResponse]
) -> tuple[FloatArray, np.ndarray, FloatArray]:
    """(arrivals [s], numbers of the clocks [shape=(channels, seats) each], applied delays [s, shape=(channels,)])."""
    numbers = {clock: i for i, clock in enumerate(dict.fromkeys(each.clock for each in recordings.values()))}
    arrivals = np.full(grid.flights_s.shape, np.nan)
    clocks = np.full(grid.flights_s.shape, -1)
    applied = applied_delays_s(job, round_id, grid.channels, speed_of_sound_m_s(job.system.temperature_c))
    for i, channel in enumerate(grid.channels):
        mine = {s.id: recordings[channel.id, s.id] for s in grid.seats if (channel.id, s.id) in recordings}
        past = [not each.passes_delays for each in mine.values()]
        if mine and all(past):
            applied[i] = 0.0
        for k, seat in enumerate(grid.seats):
            each = mine.get(seat.id)
            if each is None or each.analysis is None or each.analysis.arrival_s is None:
                continue
            if any(past) and not all(past) and not each.passes_delays:
                continue  # some of this channel's recordings bypass the delays: they are not comparable
            arrivals[i, k] = each.analysis.arrival_s
            clocks[i, k] = numbers[each.clock]
    return arrivals, clocks, applied


@cached
def round_matching(job: Job, round_id: str, analyses: Analyses) -> Matching | None:
    """Conclusions from the arrivals of a round about the labels of its recordings; None without a survey."""
    found = round_survey(job, round_id, analyses)
    if isinstance(found, str):
        return None
    matching = match(found.survey)
    if not any(each.kind in SPLITS for rivals in matching.undecided for each in rivals):
        return matching
    # If the microphone was moved too early or too late, it stood at one place for both: then the responses are alike.
    return match(replace(found.survey, unlike=_unlike(found)))


def _unlike(found: NamedSurvey) -> np.ndarray:
    """Which recordings of a channel at two seats are surely from two places [shape=(channels, seats, seats)]."""
    levels = np.full((len(found.channels), len(found.seats), len(GRID_HZ)), np.nan)
    for (channel, seat), item in found.recordings.items():
        if item.analysis is not None and len(item.analysis.view_db) == len(GRID_HZ):
            levels[found.channels.index(channel), found.seats.index(seat)] = item.analysis.view_db
    return np.array([unlike_places(each) for each in levels])


def indistinguishable_places(job: Job, round_id: str, analyses: Analyses) -> dict[str, frozenset[str]]:
    """Main channel → the others, except its partner, with which its arrivals do not exclude an exchange.

    Channels without a position are missing; without a common clock, all are.
    """
    found, matching = round_survey(job, round_id, analyses), round_matching(job, round_id, analyses)
    if isinstance(found, str) or matching is None or matching.scattered:
        return {}
    survey, names = found.survey, found.channels
    heard = np.isfinite(survey.arrivals_s)
    apart = np.where(heard[:, None] & heard[None], survey.flights_s[:, None] - survey.flights_s[None], 0.0)
    free = ~np.isfinite(survey.applied_s)
    centred = apart - apart.mean(axis=-1, keepdims=True)  # an unknown delay may be anything
    shown = np.linalg.norm(np.where((free[:, None] | free[None])[..., None], centred, apart), axis=-1) >= LEAST_SWAP_S
    return {
        one: frozenset(
            other for k, other in enumerate(names) if not shown[i, k] and other not in (one, mirror_partner(one))
        )
        for i, one in enumerate(names)
    }


def elsewhere(job: Job, round_id: str, analyses: Analyses) -> dict[str, str]:
    """Main channels that sound from another one's place by their arrivals, surely or perhaps → a clause about it.

    Their sound comes from another loudspeaker, perhaps of another model. A mirrored pair exchanged with each other is not
    included.
    """
    found, matching = round_survey(job, round_id, analyses), round_matching(job, round_id, analyses)
    if isinstance(found, str) or matching is None or matching.scattered:
        return {}
    names = found.channels
    sure = {i for each in matching.sure if each.kind == "loudspeakers" for i in each.channels}
    out = {names[i]: f"it plays from the position of {names[matching.places[i][0]]}" for i in sorted(sure)}
    for each in (each for rivals in matching.undecided for each in rivals if each.kind == "loudspeakers"):
        if not _is_pair([names[i] for i in each.channels]):
            out |= {names[i]: "it may play from the position of another loudspeaker" for i in each.channels}
    both = {c for c in out if _is_pair([c, names[matching.places[names.index(c)][0]]])}
    return {c: why for c, why in out.items() if c not in both}


def _is_pair(channels: Sequence[str]) -> bool:
    """Whether two channels are mirror partners: of one model, so that exchanging them changes nothing."""
    return len(channels) == 2 and mirror_partner(channels[0]) == channels[1]


def _difference_m(channel: Position | None, seat: Position | None) -> tuple[float, float, float]:
    assert channel is not None
    assert seat is not None
    return channel[0] - seat[0], channel[1] - seat[1], channel[2] - seat[2]


def _orders(channels: list[str], recordings: dict[tuple[str, str], AnalysedResponse]) -> tuple[np.ndarray, ...]:
    """Possible orders of measurement of the channels: as listed, and as most were stored."""
    stored = sorted(
        range(len(channels)),
        key=lambda i: min((each.seq for (c, _), each in recordings.items() if c == channels[i]), default=0),
    )
    listed = list(range(len(channels)))
    return (np.array(listed),) if stored == listed else (np.array(listed), np.array(stored))
