"""How the response differs from seat to seat in one round: each channel in each band, and the subwoofers together.

Two questions are kept apart: "heard" uses levels as measured; "tone" takes each seat's own broadband level off first, so
that a change of level is not taken for a change of evenness.

A channel that is low at every seat alike adds nothing to any variance. A seat that is low on every channel alike had
another gain (`dsp.across`): its levels are corrected, and the correction's uncertainty counts in what is heard.
"""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from commission.dsp import repeatability as repeats_of
from commission.dsp import variance
from commission.dsp.across import GAIN_DB
from commission.dsp.analysis import LEVEL_BAND_HZ, SUB_LEVEL_BAND_HZ, bass_level_db, sum_bass
from commission.dsp.repeatability import Repeatability
from commission.dsp.spectrum import GRID_HZ
from commission.model import AnalysedResponse, Analyses, Band, Budget, FloatArray, Job
from commission.model.units import listed
from commission.steps.shared import budgets as budget_for
from commission.steps.shared.cache import cached
from commission.steps.shared.screening import screen, usable
from commission.steps.shared.subwoofers import SUBS, sub_outputs, why_no_sum

HEARD, TONE = "heard", "tone"
KINDS = (HEARD, TONE)
UNKNOWN_DB = np.full(len(GRID_HZ), np.nan)
LEAST_POINTS = variance.INDEPENDENT_POINTS
"""A band is compared where the loudspeaker plays over a third octave of it or more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BandResult:
    """One channel in one band and round."""

    msv_db2: float
    sd_db: float
    u_sd_db: float
    u_msv_db2: float
    budget: Budget
    """What `u_msv_db2` is made of."""
    worst_seat: str
    worst_db: float
    """Its rms deviation from the seats' mean."""
    deviations_db: dict[str, float]
    """Mean deviation of each seat from the seats' mean."""
    heard_hz: tuple[float, float]
    """The part of the band in which the loudspeaker plays, and which was compared."""
    floored: bool = False
    """The seats differ by no more than the measurement scatters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatLevels:
    """One channel at all its seats in one round."""

    seats: list[str]
    levels: FloatArray
    how: str = ""
    """How the subwoofers were taken together."""


@cached
def one_round(job: Job, round_id: str, analyses: Analyses) -> dict[str, dict[str, dict[str, BandResult]]]:
    """Seat variance of a single round: channel → kind → band label → result. For the record of one round alone."""
    return _round_variance(job, round_id, analyses, KINDS)


@cached
def bass_of_round(job: Job, round_id: str, analyses: Analyses) -> dict[str, dict[str, BandResult]]:
    """The same of the subwoofers as heard: together where that is determined (`SUBS`), else each → band label → result."""
    wanted = {SUBS, *(channel.id for channel in job.system.channels if channel.is_sub)}
    found = _round_variance(job, round_id, analyses, (HEARD,), wanted)
    return {name: kinds[HEARD] for name, kinds in found.items()}


def _round_variance(
    job: Job, round_id: str, analyses: Analyses, kinds: Sequence[str], wanted: Container[str] | None = None
) -> dict[str, dict[str, dict[str, BandResult]]]:
    gains_u_db = seat_gains_u_db(job, round_id, analyses)
    analyses = usable(job, analyses, round_id)
    repeats, _ = repeatability(job, (round_id,), analyses)
    out: dict[str, dict[str, dict[str, BandResult]]] = {}
    for name, row in levels_by_seat(job, round_id, analyses)[0].items():
        if wanted is not None and name not in wanted:
            continue
        plays, own = variance.own_band(row.levels), of_channel(job, repeats, name, row.seats)
        out[name] = {kind: {} for kind in kinds}
        for kind in kinds:
            for band in job.system.bands:
                result = band_result(job, name, row.seats, row.levels, band, kind, own[band.label], plays, gains_u_db)
                if result is not None:
                    out[name][kind][band.label] = result
    return out


def summed_subs(job: Job, round_id: str, analyses: Analyses) -> tuple[list[str], FloatArray] | None:
    """(seats, third-octave levels [shape=(seats, n)]) of the subwoofers together; None where it cannot be determined."""
    row = levels_by_seat(job, round_id, usable(job, analyses, round_id))[0].get(SUBS)
    return None if row is None else (row.seats, row.levels)


def levels_by_seat(job: Job, round_id: str, analyses: Analyses) -> tuple[dict[str, SeatLevels], list[str]]:
    """Channels with their seats and third-octave levels, and what was left out; subwoofers also together."""
    found: dict[str, SeatLevels] = {}
    gaps: list[str] = []
    singles, group = sub_outputs(job)
    for channel in job.system.channels:
        own = [(s.id, a) for s in job.system.seats if (a := analyses.of(round_id, channel.id, s.id)) is not None]
        spoilt: dict[str, list[str]] = {}
        for seat in job.system.seats:
            if analyses.of(round_id, channel.id, seat.id) is None:
                for problem in analyses.problems(round_id, channel.id, seat.id)[-1:]:
                    spoilt.setdefault(problem, []).append(seat.id)
        gaps += [f"{channel.id} at {', '.join(at)}: {why}" for why, at in spoilt.items()]
        if len(own) >= 2:
            row = SeatLevels(seats=[seat for seat, _ in own], levels=np.array([a.third_octave_db for _, a in own]))
            found[channel.id] = row
        elif own:
            gaps.append(f"{channel.id}: fewer than two seats")
    together = found.pop(group, None) if group is not None else None
    if len(singles) > 1:
        summed, reasons = _summed(job, round_id, analyses, singles)
        if summed is not None:
            found[SUBS] = summed
        elif together is not None:
            found[SUBS] = SeatLevels(
                seats=together.seats, levels=together.levels, how=f"measured together as {group}"
            )
        if summed is not None or together is None:
            gaps += reasons
    return found, gaps


def _summed(job: Job, round_id: str, analyses: Analyses, subs: list[str]) -> tuple[SeatLevels | None, list[str]]:
    """The complex sum of the subwoofers at every seat where it can be determined."""
    seats, rows, reasons = [], [], []
    for seat in job.system.seats:
        newest = [items[-1] for sub in subs if (items := analyses.repeats(round_id, sub, seat.id))]
        if not newest:
            continue
        problems = [f"{sub}: {text[-1]}" for sub in subs if (text := analyses.problems(round_id, sub, seat.id))]
        row, why = _sum_db(newest, len(subs), problems)
        if row is None:
            reasons.append(f"{SUBS} at {seat.id}: {why}")
            continue
        seats.append(seat.id)
        rows.append(row)
    if len(seats) < 2:
        return None, reasons
    return SeatLevels(seats=seats, levels=np.array(rows), how="summed"), reasons


def _sum_db(items: list[AnalysedResponse], count: int, problems: list[str]) -> tuple[FloatArray | None, str]:
    """Third octaves of the complex sum of one response of each subwoofer at a seat, or why there is none."""
    why = why_no_sum(items, count, problems)
    total = sum_bass([item.analysis for item in items if item.analysis is not None]) if why is None else None
    return (None, why or "a response has no phase") if total is None else (bass_level_db(total), "")


def seat_gains_u_db(job: Job, round_id: str, analyses: Analyses) -> dict[str, float]:
    """Standard uncertainty of the correction of each seat whose gain changed."""
    return {seat: u for seat, (_, u) in screen(job, round_id, analyses).gains_db.items()}


def repeatability(job: Job, rounds: tuple[str, ...], analyses: Analyses) -> tuple[dict[str, Repeatability], str]:
    """(how well a third octave at one seat repeats, by band label, and where that comes from)."""
    noise_db = _noise_db(job, rounds, analyses)
    repeated, moved, still = _repeated(job, rounds, analyses, noise_db)
    gain_db = repeats_of.gain_u_db([_inside(each, variance.own_band(each.levels_db)) for each in repeated])
    linear = {b.label: _in_band(repeated, b.low_hz, min(b.high_hz, repeats_of.LINEAR_HZ)) for b in job.system.bands}
    out = {}
    for band in job.system.bands:
        # What the others show is the default of a band.
        others = [own for label, own in linear.items() if label != band.label]
        displaced_m, dof = repeats_of.displacement_m(others, gain_db)
        default = replace(repeats_of.default_repeatability(GRID_HZ, displaced_m), dof=min(dof, repeats_of.BAND_DOF))
        ratio = default.place_db / repeats_of.placement_u_db(GRID_HZ)
        scaled = [replace(each, place_db=each.place_db * ratio) for each in repeated]
        parts = _in_band(scaled, band.low_hz, band.high_hz)
        out[band.label] = repeats_of.repeatability_of(parts, GRID_HZ, gain_db, noise_db, default)
    apart = f" {moved} more with a different gain {'are' if moved > 1 else 'is'} not used." if moved else ""
    if still:
        apart += (
            f" The repeats at {listed(still)} agree as only those of a microphone that was not moved do, so they are not "
            "used: put it down again for each repeat."
        )
    default_cm, basis = (
        100 * repeats_of.DISPLACED_M,
        "determined by simulation (tests/references/repeated_placings.py)",
    )
    if not repeated:
        return out, (
            f"No position was repeated: the microphone is taken to be within {default_cm:.0f} cm of its earlier place, so "
            f"that U is an upper bound ({basis}). Two positions measured again in each round make it smaller.{apart}"
        )
    text = ", ".join(f"{u_db:.2f} dB at {label} Hz" for label, u_db in typical_db(job, out).items())
    number = sum(each.channel != SUBS for each in repeated)
    count = f"{number} repeated position{'s' if number != 1 else ''}"
    return (
        out,
        f"Repeatability u of a third octave at one seat, from {count} combined with that of a microphone within "
        f"{default_cm:.0f} cm ({basis}): {text}; larger where the level is low.{apart}",
    )


def _in_band(repeated: Sequence[repeats_of.Repeat], low_hz: float, high_hz: float) -> list[repeats_of.Repeat]:
    """What was measured again, where its loudspeaker plays in this band."""
    inside = (GRID_HZ >= low_hz) & (GRID_HZ <= high_hz)
    plays = [(each, inside & variance.own_band(each.levels_db)) for each in repeated]
    return [_inside(each, own) for each, own in plays if own.any()]


def _inside(each: repeats_of.Repeat, points: variance.BoolArray) -> repeats_of.Repeat:
    """The same at some points of the grid."""
    fields = ("levels_db", "place_db", "apart_db", "noise_db")
    return replace(each, **{name: getattr(each, name)[..., points] for name in fields})


def _noise_db(job: Job, rounds: tuple[str, ...], analyses: Analyses) -> FloatArray:
    """What noise brings to a third octave at 0 dB: median of the recordings, where most of them show it [shape=(n,)]."""
    noises = []
    for round_id, channel, seat in product(rounds, job.system.channels, job.system.seats):
        own = [item.analysis for item in analyses.repeats(round_id, channel.id, seat.id)]
        noises += [UNKNOWN_DB if a.noise_db is None else a.noise_db for a in own if a is not None]
    # Where a recording still decays at its end its noise is unknown, and what a few others show there may be sound.
    middle_db = np.median(np.nan_to_num(noises or [UNKNOWN_DB], nan=np.inf), axis=0)
    return repeats_of.measured_noise_db(np.where(np.isposinf(middle_db), np.nan, middle_db), GRID_HZ)


def of_channel(
    job: Job, repeats: Mapping[str, Repeatability], name: str, seats: Sequence[str]
) -> dict[str, Repeatability]:
    """By band label that of one channel at these seats. Each point scatters as its own band does, whichever band it is used
    for: a seat's own level, which evenness of tone takes off, is that of the middle frequencies.
    """
    own = {label: each.of_channel(name, seats) for label, each in repeats.items()}
    place = np.broadcast_to(repeats_of.placement_u_db(GRID_HZ), (len(seats), len(GRID_HZ))).copy()
    for band in job.system.bands:
        inside = (GRID_HZ >= band.low_hz) & (GRID_HZ <= band.high_hz)
        place[:, inside] = np.broadcast_to(own[band.label].place_db, place.shape)[:, inside]
    return {label: replace(each, place_db=place) for label, each in own.items()}


def typical_db(job: Job, repeats: Mapping[str, Repeatability]) -> dict[str, float]:
    """Standard uncertainty of a third octave at the seats' mean level, by band."""
    return {
        band.label: repeats[band.label].typical_db((GRID_HZ >= band.low_hz) & (GRID_HZ <= band.high_hz))
        for band in job.system.bands
    }


def _repeated(
    job: Job, rounds: tuple[str, ...], analyses: Analyses, noise_db: FloatArray
) -> tuple[list[repeats_of.Repeat], int, tuple[str, ...]]:
    """What was measured again, how many more had another gain, and the seats where the microphone was not moved."""
    found: dict[str, tuple[str, list[repeats_of.Repeat]]] = {}
    moved, default = 0, replace(repeats_of.default_repeatability(GRID_HZ), noise_db=noise_db)
    for round_id in rounds:
        rows, other_gain = _levels_again(job, round_id, analyses)
        moved += other_gain
        for name, by_seat in rows.items():
            level_db = np.array([levels.mean(axis=0) for levels in by_seat.values()])
            mean_db = repeats_of.power_mean_db(level_db)
            with np.errstate(invalid="ignore"):
                apart_db = np.nan_to_num(level_db - level_db.mean(axis=0))
            for (seat, levels), level, apart in zip(by_seat.items(), level_db, apart_db, strict=True):
                if len(levels) > 1:
                    placing = f"{round_id} {seat}"
                    repeat = repeats_of.Repeat(
                        levels_db=levels,
                        place_db=default.place_beside_db(level, mean_db),
                        apart_db=apart,
                        noise_db=default.noise_u_db(level),
                        channel=name,
                        seat=seat,
                        placing=placing,
                    )
                    found.setdefault(placing, (seat, []))[1].append(repeat)
    still = {placing: seat for placing, (seat, own) in found.items() if not repeats_of.was_moved(own, GRID_HZ)}
    used = [each for placing, (_, own) in found.items() if placing not in still for each in own]
    return used, moved, tuple(dict.fromkeys(still.values()))


def _levels_again(job: Job, round_id: str, analyses: Analyses) -> tuple[dict[str, dict[str, FloatArray]], int]:
    """(channel, or all subwoofers → seat → third octaves of each time that it was measured [shape=(times, n)], newest last;
    how many were measured again because the gain was wrong: they show no repeatability and only the newest is here).
    """
    out: dict[str, dict[str, list[FloatArray]]] = {}
    moved, subs = 0, sub_outputs(job)[0]
    kept: dict[str, dict[str, list[AnalysedResponse]]] = {}
    for channel in job.system.channels:
        for seat in job.system.seats:
            items = list(analyses.repeats(round_id, channel.id, seat.id))
            gains = [i.analysis.level_db for i in items if i.analysis is not None and i.analysis.level_db is not None]
            if gains and max(gains) - min(gains) > GAIN_DB:
                moved, items = moved + 1, items[-1:]
            if items:
                rows = [item.analysis.third_octave_db for item in items if item.analysis is not None]
                out.setdefault(channel.id, {})[seat.id] = rows
                if channel.id in subs:
                    kept.setdefault(seat.id, {})[channel.id] = items
    for seat_id, by_sub in kept.items() if len(subs) > 1 else ():
        times = zip(*(reversed(items) for items in by_sub.values()), strict=False)
        sums = [_sum_db(list(items), len(subs), [])[0] for items in times]
        if sums and sums[0] is not None:
            out.setdefault(SUBS, {})[seat_id] = [each for each in reversed(sums) if each is not None]
    return {name: {seat: np.array(rows) for seat, rows in own.items()} for name, own in out.items()}, moved


def level_band_hz(job: Job, name: str) -> tuple[float, float]:
    """The band in which the level of a channel is read, or that of the subwoofers."""
    channel = job.system.channel(name)
    return SUB_LEVEL_BAND_HZ if name == SUBS or (channel is not None and channel.is_sub) else LEVEL_BAND_HZ


def band_result(
    job: Job,
    name: str,
    seats: list[str],
    measured: FloatArray,
    band: Band,
    kind: str,
    repeats: Repeatability,
    plays: variance.BoolArray,
    gains_u_db: Mapping[str, float],
) -> BandResult | None:
    """One channel in one band, where it plays; None where that is too narrow, or at fewer than two seats."""
    inside = (GRID_HZ >= band.low_hz) & (GRID_HZ <= band.high_hz) & plays
    if inside.sum() < LEAST_POINTS or len(seats) < 2:
        return None
    low, high = level_band_hz(job, name)
    level_points = (GRID_HZ >= low) & (GRID_HZ <= high) if kind == TONE else None
    found = variance.band_variance(measured, inside, job.system.seat_weights(seats), repeats, level_points)
    if found is None:
        return None
    heard = GRID_HZ[inside]
    budget = budget_for.variance_budget(f"compare.{kind}.{band.label}", name, found.parts, repeats)
    u_msv, u_sd = found.u_msv_db2, found.u_sd_db
    if kind == HEARD and (corrected := set(seats) & set(gains_u_db)):
        weights = job.system.seat_weights(seats)
        for seat in sorted(corrected):
            share, off = weights[seats.index(seat)] / sum(weights), found.mean_deviation_db[seats.index(seat)]
            # JCGM 100 5.1.2: the first order, and the second for a seat near the mean.
            slope = share * math.hypot(2 * off, math.sqrt(2) * gains_u_db[seat])
            budget = budget_for.with_gain(budget, gains_u_db[seat], slope)
        u_msv = budget.u
        u_sd = u_msv / max(2 * found.sd_db, math.sqrt(u_msv))
    return BandResult(
        msv_db2=found.msv_db2,
        sd_db=found.sd_db,
        u_sd_db=u_sd,
        u_msv_db2=u_msv,
        budget=budget,
        worst_seat=seats[found.worst],
        worst_db=found.deviation_db[found.worst],
        deviations_db={s: v for s, v in zip(seats, found.mean_deviation_db, strict=True) if np.isfinite(v)},
        heard_hz=(float(heard[0]), float(heard[-1])),
        floored=found.floored,
    )
