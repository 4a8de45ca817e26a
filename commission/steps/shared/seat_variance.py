"""How the response differs from seat to seat in one round: each channel in each band, and the subwoofers together.

Two questions are kept apart: "heard" uses levels as measured; "tone" first subtracts each seat's own broadband level, so
that a change of level is not taken for a change of evenness.

Where a channel was measured again at a seat with the microphone replaced, its level is the mean in dB of all readings.
If one differs from the newest by more than a misplaced microphone explains, it was repeated because it was wrong: only
the newest then counts, as it does where the microphone was not moved.

A channel that is low at every seat alike adds nothing to any variance. A seat that is low on every channel alike had
another gain (`dsp.across`): its levels are corrected, and the correction's uncertainty counts in what is heard.
"""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

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
"""A band is compared if the loudspeaker plays over at least a third octave of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BandResult:
    """One channel in one band and round."""

    msv_db2: float
    sd_db: float
    u_sd_db: float
    u_msv_db2: float
    budget: Budget
    """Budget of `u_msv_db2`."""
    worst_seat: str
    worst_db: float
    """Rms deviation of that seat from the seats' mean."""
    deviations_db: dict[str, float]
    """Mean deviation of each seat from the seats' mean."""
    heard_hz: tuple[float, float]
    """The part of the band in the loudspeaker's range, which was compared."""
    floored: bool = False
    """The seats differ by no more than the scatter of the measurement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatLevels:
    """One channel at all its seats in one round."""

    seats: list[str]
    levels: FloatArray
    """Means of the readings of each seat [shape=(seats, n)]."""
    times: NDArray[np.intp]
    """How many readings that is [shape=(seats,)]."""
    how: str = ""
    """How the subwoofers were combined."""

    @classmethod
    def of(cls, read: Mapping[str, FloatArray], how: str = "") -> SeatLevels:
        """From the third octaves of each reading [shape=(times, n)] by seat."""
        return cls(
            seats=list(read),
            levels=np.array([levels.mean(axis=0) for levels in read.values()]),
            times=np.array([len(levels) for levels in read.values()]),
            how=how,
        )

    def at(self, seats: list[str]) -> SeatLevels:
        """The same at some of the seats."""
        rows = [self.seats.index(seat) for seat in seats]
        return replace(self, seats=seats, levels=self.levels[rows], times=self.times[rows])


@cached
def variance_of_round(job: Job, round_id: str, analyses: Analyses) -> dict[str, dict[str, dict[str, BandResult]]]:
    """Seat variance of a single round: channel → kind → band label → result. For the record of one round alone."""
    return _round_variance(job, round_id, analyses, KINDS)


@cached
def bass_of_round(job: Job, round_id: str, analyses: Analyses) -> dict[str, dict[str, BandResult]]:
    """Seat variance of the subwoofers as heard: together if that is determined (`SUBS`), otherwise each → band label →
    result.
    """
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
        plays, own = variance.own_band(row.levels), of_channel(job, repeats, name, row.seats, row.times)
        out[name] = {kind: {} for kind in kinds}
        for kind in kinds:
            for band in job.system.bands:
                result = band_result(job, name, row.seats, row.levels, band, kind, own[band.label], plays, gains_u_db)
                if result is not None:
                    out[name][kind][band.label] = result
    return out


def summed_subs(job: Job, round_id: str, analyses: Analyses) -> tuple[list[str], FloatArray] | None:
    """(seats, third-octave levels [shape=(seats, n)]) of the subwoofers together; None if undetermined."""
    row = levels_by_seat(job, round_id, usable(job, analyses, round_id))[0].get(SUBS)
    return None if row is None else (row.seats, row.levels)


def levels_by_seat(job: Job, round_id: str, analyses: Analyses) -> tuple[dict[str, SeatLevels], list[str]]:
    """Channels with their seats and third-octave levels, and the parts left out; subwoofers also together."""
    found: dict[str, SeatLevels] = {}
    gaps: list[str] = []
    singles, group = sub_outputs(job)
    read = _readings(job, round_id, analyses).independent
    for channel in job.system.channels:
        own = read.get(channel.id, {})
        spoilt: dict[str, list[str]] = {}
        for seat in job.system.seats:
            if analyses.of(round_id, channel.id, seat.id) is None:
                for problem in analyses.problems(round_id, channel.id, seat.id)[-1:]:
                    spoilt.setdefault(problem, []).append(seat.id)
        gaps += [f"{channel.id} at {', '.join(at)}: {why}" for why, at in spoilt.items()]
        if len(own) >= 2:
            found[channel.id] = SeatLevels.of(own)
        elif own:
            gaps.append(f"{channel.id}: fewer than two seats")
    together = found.pop(group, None) if group is not None else None
    if len(singles) > 1:
        summed = read.get(SUBS, {})
        if len(summed) >= 2:
            found[SUBS] = SeatLevels.of(summed, how="summed")
        elif together is not None:
            found[SUBS] = replace(together, how=f"measured together as {group}")
        if len(summed) >= 2 or together is None:
            gaps += _why_not_summed(job, round_id, analyses, singles, summed)
    return found, gaps


def _why_not_summed(
    job: Job, round_id: str, analyses: Analyses, subs: list[str], summed: Container[str]
) -> list[str]:
    """Why the complex sum of the subwoofers is not determined, for each seat that is not among those `summed`."""
    reasons = []
    for seat in (each.id for each in job.system.seats if each.id not in summed):
        newest = [items[-1] for sub in subs if (items := analyses.repeats(round_id, sub, seat))]
        if newest:
            problems = [f"{sub}: {text[-1]}" for sub in subs if (text := analyses.problems(round_id, sub, seat))]
            reasons.append(f"{SUBS} at {seat}: {_sum_db(newest, len(subs), problems)[1]}")
    return reasons


def _sum_db(items: list[AnalysedResponse], count: int, problems: list[str]) -> tuple[FloatArray | None, str]:
    """Third octaves of the complex sum of one response of each subwoofer at a seat, or the reason why there is none."""
    why = why_no_sum(items, count, problems)
    total = sum_bass([item.analysis for item in items if item.analysis is not None]) if why is None else None
    return (None, why or "a response has no phase") if total is None else (bass_level_db(total), "")


def seat_gains_u_db(job: Job, round_id: str, analyses: Analyses) -> dict[str, float]:
    """Standard uncertainty of the correction of each seat whose gain changed."""
    return {seat: u for seat, (_, u) in screen(job, round_id, analyses).gains_db.items()}


def repeatability(job: Job, rounds: tuple[str, ...], analyses: Analyses) -> tuple[dict[str, Repeatability], str]:
    """(repeatability of a third octave at one seat, by band label, and its source)."""
    noise_db = _noise_db(job, rounds, analyses)
    repeated, moved, still = _repeated(job, rounds, analyses, noise_db)
    gain_db = repeats_of.gain_u_db([_at_points(each, variance.own_band(each.levels_db)) for each in repeated])
    linear = {b.label: _in_band(repeated, b.low_hz, min(b.high_hz, repeats_of.LINEAR_HZ)) for b in job.system.bands}
    out = {}
    for band in job.system.bands:
        # The evidence of the others is the default of a band.
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
        f"Repeatability u of one reading of a third octave at one seat, from {count} combined with that of a microphone "
        f"within {default_cm:.0f} cm ({basis}): {text}; larger where the level is low.{apart}",
    )


def _in_band(repeated: Sequence[repeats_of.Repeat], low_hz: float, high_hz: float) -> list[repeats_of.Repeat]:
    """Repeated measurements, where the loudspeaker plays in this band."""
    inside = (GRID_HZ >= low_hz) & (GRID_HZ <= high_hz)
    plays = [(each, inside & variance.own_band(each.levels_db)) for each in repeated]
    return [_at_points(each, own) for each, own in plays if own.any()]


def _at_points(each: repeats_of.Repeat, points: variance.BoolArray) -> repeats_of.Repeat:
    """A repeat at some points of the grid."""
    fields = ("levels_db", "place_db", "apart_db", "noise_db")
    return replace(each, **{name: getattr(each, name)[..., points] for name in fields})


def _noise_db(job: Job, rounds: tuple[str, ...], analyses: Analyses) -> FloatArray:
    """Noise part of a third octave at 0 dB: median of the recordings, if most of them show it [shape=(n,)]."""
    noises = []
    for round_id, channel, seat in product(rounds, job.system.channels, job.system.seats):
        own = [item.analysis for item in analyses.repeats(round_id, channel.id, seat.id)]
        noises += [UNKNOWN_DB if a.noise_db is None else a.noise_db for a in own if a is not None]
    # If a recording still decays at its end, its noise is unknown, and the ends of a few others may be sound.
    middle_db = np.median(np.nan_to_num(noises or [UNKNOWN_DB], nan=np.inf), axis=0)
    return repeats_of.measured_noise_db(np.where(np.isposinf(middle_db), np.nan, middle_db), GRID_HZ)


def of_channel(
    job: Job, repeats: Mapping[str, Repeatability], name: str, seats: Sequence[str], times: NDArray[np.intp]
) -> dict[str, Repeatability]:
    """By band label that of one channel at these seats, `times` readings each [shape=(seats,)]. Each point scatters as its
    own band does, whichever band it is used for: a seat's own level, which evenness of tone subtracts, is that of the
    middle frequencies.
    """
    own = {label: each.of_channel(name, seats) for label, each in repeats.items()}
    place = np.broadcast_to(repeats_of.placement_u_db(GRID_HZ), (len(seats), len(GRID_HZ))).copy()
    for band in job.system.bands:
        inside = (GRID_HZ >= band.low_hz) & (GRID_HZ <= band.high_hz)
        place[:, inside] = np.broadcast_to(own[band.label].place_db, place.shape)[:, inside]
    return {label: replace(each, place_db=place).of_means(times, GRID_HZ) for label, each in own.items()}


def typical_db(job: Job, repeats: Mapping[str, Repeatability]) -> dict[str, float]:
    """Standard uncertainty of a third octave at the seats' mean level, by band."""
    return {
        band.label: repeats[band.label].typical_db((GRID_HZ >= band.low_hz) & (GRID_HZ <= band.high_hz))
        for band in job.system.bands
    }


def _repeated(
    job: Job, rounds: tuple[str, ...], analyses: Analyses, noise_db: FloatArray
) -> tuple[list[repeats_of.Repeat], int, tuple[str, ...]]:
    """Repeated measurements, the number of others with another gain, and the seats where the microphone was not moved."""
    noise = Repeatability(noise_db=noise_db)
    read = [_readings(job, each, analyses) for each in rounds]
    used = [
        replace(each, noise_db=noise.noise_u_db(each.levels_db.mean(axis=0))) for own in read for each in own.repeats
    ]
    still = dict.fromkeys(seat for own in read for seat in own.still)
    return used, sum(own.other_gain for own in read), tuple(still)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Readings:
    """What was measured in a round, once or more; by channel, or all subwoofers."""

    independent: dict[str, dict[str, FloatArray]]
    """Channel → seat → third octaves of each time that the microphone was put down again [shape=(times, n)]."""
    repeats: tuple[repeats_of.Repeat, ...]
    """What was measured again with a microphone that was moved, whether or not it was put back; without noise."""
    still: tuple[str, ...]
    """Seats where it was not moved: of their readings the newest counts."""
    other_gain: int
    """How many were measured again because the gain was wrong: they show no repeatability and only the newest counts."""


@cached
def _readings(job: Job, round_id: str, analyses: Analyses) -> _Readings:
    read, other_gain = _repeated_levels(job, round_id, analyses)
    default, placings = repeats_of.default_repeatability(GRID_HZ), dict[str, list[repeats_of.Repeat]]()
    for name, by_seat in read.items():
        level_db = np.array([levels.mean(axis=0) for levels in by_seat.values()])
        mean_db = repeats_of.power_mean_db(level_db)
        with np.errstate(invalid="ignore"):
            apart_db = np.nan_to_num(level_db - level_db.mean(axis=0))
        for (seat, levels), level, apart in zip(by_seat.items(), level_db, apart_db, strict=True):
            if len(levels) > 1:
                repeat = repeats_of.Repeat(
                    levels_db=levels,
                    place_db=default.place_beside_db(level, mean_db),
                    apart_db=apart,
                    noise_db=np.zeros(len(GRID_HZ)),
                    channel=name,
                    seat=seat,
                    placing=f"{round_id} {seat}",
                )
                placings.setdefault(seat, []).append(repeat)
    still = tuple(s for s, own in placings.items() if not repeats_of.was_moved(own, GRID_HZ, repeats_of.STILL_M))
    repeats = tuple(each for seat, own in placings.items() if seat not in still for each in own)
    independent = {name: {seat: levels[-1:] for seat, levels in own.items()} for name, own in read.items()}
    for each in repeats:
        independent[each.channel][each.seat] = _same_place_readings(each)
    return _Readings(independent=independent, repeats=repeats, still=still, other_gain=other_gain)


def _same_place_readings(repeat: repeats_of.Repeat) -> FloatArray:
    """The readings from the same place as the newest that cover all its frequencies [shape=(times, n)]."""
    plays, known = variance.own_band(repeat.levels_db), np.isfinite(repeat.levels_db)
    inside = _at_points(repeat, plays)

    def counts(k: int) -> bool:
        pair = replace(inside, levels_db=inside.levels_db[[k, -1]])
        return bool((known[k] >= known[-1]).all()) and not repeats_of.was_moved(
            [pair], GRID_HZ[plays], repeats_of.ELSEWHERE_M
        )

    earlier = [k for k in range(len(known) - 1) if counts(k)]
    return repeat.levels_db[[*earlier, -1]]


def _repeated_levels(job: Job, round_id: str, analyses: Analyses) -> tuple[dict[str, dict[str, FloatArray]], int]:
    """(channel, or all subwoofers → seat → third octaves of each repeat [shape=(times, n)], newest last; number of
    repeats made because of a wrong gain: they show no repeatability and only the newest is included).
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
    """One channel in one band of its range; None if that is too narrow, or with fewer than two seats."""
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
