"""Every channel under load: compression between two levels, harmonic distortion, rattles."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from commission.dsp.coherence import coherence
from commission.dsp.direct import DIRECT_RATE_HZ
from commission.dsp.load import THIRDS_HZ, total_percent
from commission.dsp.spectrum import exact_octave_hz
from commission.model import LOOPBACK, AnalysedResponse, Analyses, Analysis, Budget, Channel, Check, Job, LoadAnalysis
from commission.model.formatting import number
from commission.steps.shared.cache import cached
from commission.steps.shared.screening import screen
from commission.steps.wiring.budgets import RATTLE, compression_budget, distortion_budget

LEAST_STEP_DB = 3.0
"""Two recordings whose levels differ by less say little about compression (common practice, no source)."""
LEAST_SNR_DB = 20.0
"""Noise 20 dB below the softer response raises it by 0.04 dB (arithmetic)."""
OCTAVES_HZ = {"main": (63, 125, 250, 500, 1000, 2000, 4000, 8000), "sub": (31, 63)}
LEAST_CHANNELS = 3
"""With this number of channels measured at both levels, their common part is the step of the volume, not a
loudspeaker's."""
BASS_HZ = 125
"""Up to this octave, moving parts may reach the end of their travel (common practice, no source)."""
RISE_DB = 0.5
"""No loudspeaker rises by more than its drive: an octave that does shows a moved microphone or noise."""
SAME_PLACE = 0.9
"""Least coherence of the direct sounds of two recordings at one place from 1 to 4 kHz; noise at −20 dB leaves 0.98
(arithmetic), a microphone at another place less than 0.9 (`tests/steps/test_wiring_step.py`)."""
BANDS_HZ = {"bass": (25, 125), "mid": (200, 4000)}
"""Exciting frequencies by band: moving parts move far in the bass, which is allowed more distortion."""
BURST_DB = 6.0
"""Treble that rises so far above its neighbours over a twelfth of an octave is a burst (common practice, no source)."""
MOST_BURSTS = 0.3
"""Largest share of the range with bursts: beyond it, they have another cause (common practice, no source)."""
BOTH_WITHIN_OCTAVES = 1 / 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Compression:
    """Missing rise of a channel relative to its drive."""

    by_octave_db: Mapping[int, float] = field(default_factory=dict)
    """By octave, Hz; positive: compressed."""
    explained_db: Mapping[int, float] = field(default_factory=dict)
    """The part explained by the third harmonic: a curved characteristic causes both."""
    worst_hz: int | None = None
    """Octave with the largest unexplained part."""
    budget: Budget | None = None
    """Budget of that part; None without a value."""
    why_not: str | None = None

    @property
    def u_db(self) -> float:
        """Standard uncertainty of `unexplained_db`; 0 without a value."""
        return 0.0 if self.budget is None else self.budget.u

    @property
    def worst_db(self) -> float | None:
        """Measured compression in the octave with the largest unexplained part."""
        return None if self.worst_hz is None else self.by_octave_db[self.worst_hz]

    @property
    def unexplained_db(self) -> float | None:
        """Compression minus the part explained by the third harmonic: a limiter causes no harmonics."""
        return None if self.worst_hz is None else self.by_octave_db[self.worst_hz] - self.explained_db[self.worst_hz]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandDistortion:
    """The octave of a band with the most distortion, at one level."""

    band: str
    drive_db: float
    percent: float | None
    """Percent of the fundamental, orders 2 to 5; if none is found, the upper limit below the floor."""
    at_most: bool = False
    hidden_percent: float = 0.0
    """Upper limit of the orders below the floor."""
    worst_hz: int | None = None
    order: int | None = None
    """The strongest order there."""
    orders_percent: Mapping[int, float] = field(default_factory=dict)
    """Each order above the floor there, of the fundamental."""
    why_not: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rattle:
    """The highest burst common to two recordings, or the reason why they cannot be compared."""

    hz: float | None = None
    above_db: float | None = None
    recordings: int = 0
    alone: tuple[float, float] | None = None
    """(Hz, dB) of a burst in one recording only."""
    why_not: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelLoad:
    """One channel under load."""

    channel: str
    seat: str | None
    levels_db: tuple[float, ...]
    """Drive of its recordings re the reference level, lowest first."""
    compression: Compression
    distortion: tuple[BandDistortion, ...]
    rattle: Rattle
    checks: tuple[Check, ...] = ()
    budgets: tuple[Budget, ...] = ()

    @property
    def measured(self) -> bool:
        """Whether anything could be determined."""
        return any(check.why_not is None for check in self.checks)


@dataclass(frozen=True, slots=True, kw_only=True)
class WiringResult:
    """All channels of a round; empty where no recording can be used."""

    channels: Mapping[str, ChannelLoad]
    step_error_db: float | None
    """Common part of all channels: rise minus the stated step; None if fewer than three are known."""
    step_db: float | None
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Pair:
    """A channel at one seat at two levels."""

    channel: Channel
    seat: str
    low: AnalysedResponse
    high: AnalysedResponse

    @property
    def step_db(self) -> float:
        return self.high.drive_db - self.low.drive_db


def drive_name(drive_db: float) -> str:
    """Text such as "+10 dB" or "reference level"."""
    return (
        f"{number(drive_db, 0 if drive_db == round(drive_db) else 1, signed=True)} dB"
        if drive_db
        else "reference level"
    )


@cached
def solve(job: Job, round_id: str, analyses: Analyses) -> WiringResult:
    """Every channel of a round under load."""
    usable = screen(job, round_id, analyses).usable
    driven = [each for each in analyses.driven if each.round == round_id]
    problems = tuple(
        f"{each.channel} at {each.seat}, {drive_name(each.drive_db)}: {each.problem}"
        for each in driven
        if each.analysis is None and each.problem
    )
    pairs = {c.id: _pair(c, job, round_id, usable, driven) for c in job.system.channels}
    rises = {c: _rises(pair) for c, pair in pairs.items() if pair is not None}
    common_db = _common_db(job, pairs, rises)
    steps = sorted({pair.step_db for pair in pairs.values() if pair is not None})
    channels = {}
    for channel in job.system.channels:
        pair = pairs[channel.id]
        recordings = _recordings(channel, job, round_id, usable, driven, None if pair is None else pair.seat)
        if pair is None and not any(each.drive_db or _load_of(each) for each in recordings):
            continue  # nothing can be determined from it
        seat = recordings[0].seat
        found = ChannelLoad(
            channel=channel.id,
            seat=seat,
            levels_db=tuple(sorted({each.drive_db for each in recordings})),
            compression=_compression(pair, rises.get(channel.id), common_db),
            distortion=tuple(_distortions(channel, recordings)),
            rattle=_rattle(recordings),
        )
        channels[channel.id] = _checked(job, found)
    return WiringResult(
        channels=channels,
        step_error_db=common_db,
        step_db=steps[0] if len(steps) == 1 else None,
        problems=problems,
    )


def _pair(
    channel: Channel, job: Job, round_id: str, usable: Analyses, driven: Iterable[AnalysedResponse]
) -> _Pair | None:
    """The two recordings of a channel at one seat with the largest difference of level, the newest of each."""
    found: list[_Pair] = []
    own = [each for each in driven if each.channel == channel.id and each.analysis is not None]
    for seat in dict.fromkeys(each.seat for each in own):
        all_levels = [*usable.repeats(round_id, channel.id, seat), *(each for each in own if each.seat == seat)]
        low, high = min(all_levels, key=_by_drive), max(all_levels, key=lambda a: (a.drive_db, a.seq))
        if high.drive_db - low.drive_db >= LEAST_STEP_DB:
            found.append(_Pair(channel, seat, low, high))
    reference = job.system.reference_seat
    return max(found, key=lambda p: (p.step_db, reference is not None and p.seat == reference.id), default=None)


def _load_of(item: AnalysedResponse) -> LoadAnalysis | None:
    return None if item.analysis is None else item.analysis.load


def _by_drive(item: AnalysedResponse) -> tuple[float, int]:
    return item.drive_db, -item.seq


def _recordings(
    channel: Channel, job: Job, round_id: str, usable: Analyses, driven: Iterable[AnalysedResponse], seat: str | None
) -> list[AnalysedResponse]:
    """Recordings of a channel at one seat, softest first: at a seat with two levels, otherwise the reference seat."""
    reference = job.system.reference_seat
    seat = seat or next((each.seat for each in driven if each.channel == channel.id), None)
    seat = seat or (reference.id if reference is not None else None)
    if seat is None:
        return []
    own = [each for each in driven if each.channel == channel.id and each.seat == seat and each.analysis is not None]
    return sorted((*usable.repeats(round_id, channel.id, seat), *own), key=lambda a: (a.drive_db, a.seq))


# --- compression ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Rises:
    """Excess rise of a channel over its step, by octave; or the reason why it is unknown."""

    excess_db: Mapping[int, float] = field(default_factory=dict)
    explained_db: Mapping[int, float | None] = field(default_factory=dict)
    """None where harmonics are unknown."""
    noise_u_db: float = 0.0
    why_not: str | None = None

    @property
    def middle_db(self) -> float:
        return float(np.median(list(self.excess_db.values())))


def _rises(pair: _Pair) -> _Rises:
    low, high = pair.low.analysis, pair.high.analysis
    assert low is not None and high is not None
    if high.clipped or low.clipped:
        return _Rises(why_not="the recording clips: less gain at the microphone, then both levels again")
    if low.reference != high.reference:
        return _Rises(why_not="the two recordings have different references of level")
    if not _same_place(low, high):
        return _Rises(why_not="the microphone was moved between the two levels: record both without touching it")
    excess, worst_snr_db = {}, math.inf
    for hz in OCTAVES_HZ["sub" if pair.channel.is_sub else "main"]:
        if hz not in low.octave_db or hz not in high.octave_db or not _in_band(low, hz):
            continue
        snr_db = _snr_db(low, hz)
        if snr_db is not None and snr_db < LEAST_SNR_DB:
            continue
        worst_snr_db = min(worst_snr_db, math.inf if snr_db is None else snr_db)
        excess[hz] = high.octave_db[hz] - low.octave_db[hz] - pair.step_db
    if not excess:
        return _Rises(why_not="noise hides the softer recording in every octave")
    noise_u_db = 4.34 * 10 ** (-worst_snr_db / 20) / 2  # a cross term of random phase, over many bins
    reach_hz = math.inf if low.high_hz is None else low.high_hz
    explained = {
        hz: explained_db(low.load, high.load, hz) if 3 * exact_octave_hz(hz) <= reach_hz else None for hz in excess
    }
    return _Rises(excess, explained_db=explained, noise_u_db=noise_u_db)


def explained_db(low: LoadAnalysis | None, high: LoadAnalysis | None, octave_hz: int) -> float | None:
    """Compression explained by the third harmonic in an octave; None if harmonics are unknown.

    A cubic characteristic takes three times the third harmonic from the fundamental: with r = third/fundamental, the
    fundamental keeps 1/(1 + 3·r) of its amplitude (trigonometric identity of sin³).
    """
    if low is None or high is None or "harmonics" in low.why or "harmonics" in high.why:
        return None
    exact = exact_octave_hz(octave_hz)

    def lost_db(load: LoadAnalysis) -> float:
        inside = [db for hz, db in load.harmonics_db.get(3, {}).items() if abs(math.log2(hz / exact)) <= 0.6]
        return 20 * math.log10(1 + 3 * 10 ** (max(inside, default=-math.inf) / 20))

    return max(0.0, lost_db(high) - lost_db(low))


def _in_band(analysis: Analysis, hz: int) -> bool:
    """Whether an octave is within the loudspeaker's range."""
    exact = exact_octave_hz(hz)
    low, high = analysis.low_hz or 0.0, analysis.high_hz or math.inf
    return exact >= low and exact <= high


def _snr_db(analysis: Analysis, hz: int) -> float | None:
    """Signal-to-noise ratio in an octave [dB]; None if the noise is unknown."""
    if analysis.noise_db is None:
        return None
    exact = exact_octave_hz(hz)
    inside = np.abs(np.log2(analysis.freq_hz / exact)) <= 0.5
    difference = analysis.third_octave_db[inside] - analysis.noise_db[inside]
    return float(np.median(difference[np.isfinite(difference)])) if np.isfinite(difference).any() else None


def _same_place(low: Analysis, high: Analysis) -> bool:
    """Whether the direct sounds of two recordings are alike in detail; True if there is nothing to compare."""
    if low.direct is None or high.direct is None:
        return True
    found = coherence(low.direct, high.direct, DIRECT_RATE_HZ, np.array([1414.0, 2828.0]), fraction=1)
    squared = found.squared[np.isfinite(found.squared)]
    return not len(squared) or float(squared.min()) >= SAME_PLACE


def _common_db(job: Job, pairs: Mapping[str, _Pair | None], rises: Mapping[str, _Rises]) -> float | None:
    """Common rise of the main channels beyond their step; two are enough if both rise by it."""
    known = [
        each.middle_db
        for c, each in rises.items()
        if each.why_not is None and (pair := pairs[c]) is not None and not pair.channel.is_sub
    ]
    as_driven = len(known) == 2 and max(map(abs, known)) <= RISE_DB
    return float(np.median(known)) if len(known) >= LEAST_CHANNELS or as_driven else None


def _compression(pair: _Pair | None, rises: _Rises | None, common_db: float | None) -> Compression:
    if pair is None or rises is None:
        return Compression(why_not="it was recorded at one level only")
    if rises.why_not is not None:
        return Compression(why_not=rises.why_not)
    shared_db = common_db or 0.0
    low = pair.low.analysis
    assert low is not None
    if common_db is None and (low.reference == LOOPBACK or abs(rises.middle_db) > RISE_DB):
        found = number(pair.step_db + rises.middle_db, 1, signed=True)
        return Compression(
            why_not=f"it rises by {found} dB for a step of {number(pair.step_db, 0, signed=True)} dB, and whether the "
            f"volume or the gain did that is only known with {LEAST_CHANNELS} main channels at both levels, or two that "
            "rise as driven"
        )
    by_octave = {hz: -(each - shared_db) for hz, each in rises.excess_db.items()}
    least = min(by_octave.values())
    if least < -RISE_DB:
        hz = min(by_octave, key=lambda each: by_octave[each])
        return Compression(
            by_octave_db=by_octave,
            why_not=f"at {hz} Hz it rises by {number(-least, 1)} dB more than its drive, which no loudspeaker does: record "
            "both levels again without moving the microphone",
        )
    explained = {hz: each or 0.0 for hz, each in rises.explained_db.items()}
    budgets = {
        hz: compression_budget(
            (pair.channel.id, pair.seat),
            noise_db=rises.noise_u_db,
            explained_db=rises.explained_db[hz],
            unknown=hz <= BASS_HZ,
            rise_db=max(0.0, -least),
        )
        for hz in by_octave
    }
    worst = max(by_octave, key=lambda hz: by_octave[hz] - explained[hz] - budgets[hz].u)
    return Compression(by_octave_db=by_octave, explained_db=explained, worst_hz=worst, budget=budgets[worst])


# --- distortion -------------------------------------------------------------------------------------------------------


def _distortions(channel: Channel, recordings: list[AnalysedResponse]) -> Iterable[BandDistortion]:
    """Distortion of the newest recording at the softest and at the loudest level."""
    levels = sorted({each.drive_db for each in recordings})
    for drive_db in dict.fromkeys((levels[0], levels[-1])):
        item = [each for each in recordings if each.drive_db == drive_db][-1]
        assert item.analysis is not None
        for band in BANDS_HZ:
            if channel.is_sub and band == "mid":
                continue
            yield _band_distortion(band, drive_db, item.analysis)


def _band_distortion(band: str, drive_db: float, analysis: Analysis) -> BandDistortion:
    load = analysis.load
    why = None
    if load is None:
        why = "distortion needs a raw recording of a sweep"
    elif analysis.clipped:
        why = "the recording clips"
    elif "harmonics" in load.why:
        why = load.why["harmonics"]
    if load is None or why is not None:
        return BandDistortion(band=band, drive_db=drive_db, percent=None, why_not=why)
    low, high = BANDS_HZ[band]
    own_low, own_high = analysis.low_hz or 0.0, analysis.high_hz or math.inf
    inside = [hz for hz in THIRDS_HZ if low <= hz <= high and own_low <= hz <= own_high]
    found: list[tuple[float, float, int]] = []
    for k in range(len(inside) - 2):
        total = total_percent(load, tuple(inside[k : k + 3]))
        if total is not None:
            found.append((*total, inside[k + 1]))
    if not found:
        return BandDistortion(
            band=band, drive_db=drive_db, percent=None, why_not="it does not play an octave of this band"
        )
    percent, hidden, hz = max(found)
    if percent > 0.0:
        return BandDistortion(
            band=band,
            drive_db=drive_db,
            percent=percent,
            hidden_percent=hidden,
            worst_hz=hz,
            order=_strongest(load, hz),
            orders_percent={n: 100 * 10 ** (db[hz] / 20) for n, db in load.harmonics_db.items() if hz in db},
        )
    # Nothing is above the floor: the highest floor gives the upper limit.
    hidden = max(each[1] for each in found)
    return BandDistortion(band=band, drive_db=drive_db, percent=hidden, at_most=True, hidden_percent=hidden)


def _strongest(load: LoadAnalysis, hz: int) -> int | None:
    known = {order: levels[hz] for order, levels in load.harmonics_db.items() if hz in levels}
    return max(known, key=lambda order: known[order], default=None)


# --- rattles ----------------------------------------------------------------------------------------------------------


def _rattle(recordings: list[AnalysedResponse]) -> Rattle:
    loads = [each.analysis.load for each in recordings if each.analysis is not None and not each.analysis.clipped]
    known = [dict(load.bursts_db) for load in loads if load is not None and load.bursts_db]
    if not known:
        why = next((load.why["bursts"] for load in loads if load is not None and "bursts" in load.why), None)
        return Rattle(why_not=why or "rattles need raw recordings of a sweep")
    if len(known) < 2:
        alone = max(known[0].items(), key=lambda burst: burst[1])
        why = "one recording cannot tell a rattle from another sound: record it again, best 10 dB louder"
        return Rattle(recordings=1, why_not=why, alone=alone if alone[1] >= BURST_DB else None)
    if any(np.mean(np.array(list(each.values())) >= BURST_DB) > MOST_BURSTS for each in known):
        why = "other sounds were heard during a recording: record it again in silence"
        return Rattle(recordings=len(known), why_not=why)
    shared: list[tuple[float, float]] = []
    for first, second in combinations(known, 2):
        for hz, height_db in first.items():
            near = [db for f, db in second.items() if abs(math.log2(f / hz)) <= BOTH_WITHIN_OCTAVES]
            if near:
                shared.append((min(height_db, max(near)), hz))
    if not shared:
        return Rattle(recordings=len(known), why_not="its recordings have no exciting frequency in common")
    above_db, hz = max(shared)
    alone = max(((db, f) for each in known for f, db in each.items()))
    is_alone = above_db < BURST_DB <= alone[0]
    return Rattle(hz=hz, above_db=above_db, recordings=len(known), alone=(alone[1], alone[0]) if is_alone else None)


# --- checks -----------------------------------------------------------------------------------------------------------


def _checked(job: Job, found: ChannelLoad) -> ChannelLoad:
    """The channel with the check and the budget of each quantity."""
    place = found.channel, found.seat
    pairs = [
        (_compression_check(job, place, found.compression), found.compression.budget),
        *(_distortion_check(job, place, each) for each in found.distortion),
        (_rattle_check(job, place, found.rattle), None if found.rattle.above_db is None else RATTLE),
    ]
    return replace(
        found,
        checks=tuple(check for check, _ in pairs),
        budgets=tuple(budget for _, budget in pairs if budget is not None),
    )


_Place = tuple[str, str | None]


def _compression_check(job: Job, place: _Place, found: Compression) -> Check:
    return Check(
        id="wiring.compression",
        channel=place[0],
        seat=place[1],
        value=found.unexplained_db,
        unit="dB",
        uncertainty=found.u_db,
        limit=job.limit("wiring.compression"),
        why_not=found.why_not,
        text=(f"compression at {found.worst_hz} Hz" if found.worst_hz else "compression")
        + " without what distortion explains",
    )


def _distortion_check(job: Job, place: _Place, found: BandDistortion) -> tuple[Check, Budget | None]:
    quantity = f"wiring.distortion{'-loud' if found.drive_db > 0 else ''}.{found.band}"
    limit, why, budget = job.limit(quantity), found.why_not, None
    if found.percent is not None and not found.at_most:
        budget = distortion_budget(quantity, place, found.percent, found.hidden_percent)
    elif found.percent is not None and found.percent > limit.upper:
        why = f"noise hides distortion of less than {number(found.percent, 1)} %"
    check = Check(
        id=quantity,
        channel=place[0],
        seat=place[1],
        value=found.percent,
        unit="%",
        uncertainty=0.0 if budget is None else budget.u,
        limit=limit,
        why_not=why,
        words=f"below {number(found.percent, 2)} %" if found.at_most and why is None else "",
        text=f"distortion, {found.band}, {drive_name(found.drive_db)}"
        + (f", at {found.worst_hz} Hz" if found.worst_hz else ""),
    )
    return check, budget


def _rattle_check(job: Job, place: _Place, found: Rattle) -> Check:
    return Check(
        id="wiring.rattle",
        channel=place[0],
        seat=place[1],
        value=found.above_db,
        unit="dB",
        uncertainty=RATTLE.u,
        limit=job.limit("wiring.rattle"),
        why_not=found.why_not,
        text="burst of treble in two recordings" + (f" while {number(found.hz, 0)} Hz is played" if found.hz else ""),
    )
