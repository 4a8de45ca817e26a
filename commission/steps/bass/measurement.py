"""The subwoofers of a round: responses on one clock, the usable frequencies, and reasons for missing data.

Responses that bypassed the processor's delays are shifted by the noted delays. A frequency is left out where the powers
of all subwoofers together are less than 10 dB above the noise at a seat, or where no subwoofer plays.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.analysis import BASS_HZ
from commission.dsp.bass_filters import filtered
from commission.dsp.bass_sum import SubResponses, log_points
from commission.dsp.biquads import filters_response
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import own_band
from commission.model import (
    AnalysedResponse,
    Analyses,
    Analysis,
    ComplexArray,
    Filter,
    FilterWidth,
    FloatArray,
    Job,
    Target,
)
from commission.model.units import listed
from commission.steps.seats import result as seat_cells
from commission.steps.seats.awaiting import awaiting_as_heard, awaiting_repair
from commission.steps.seats.faults import silent_channels
from commission.steps.shared.cache import cached
from commission.steps.shared.screening import usable
from commission.steps.shared.subwoofers import sub_outputs
from commission.steps.shared.survey import applied_delays_s

BAND_HZ = (20.0, 120.0)
"""Band in which subwoofers are compared: rooms are uneven below the usual crossovers (common practice, no source)."""
LEAST_OCTAVES = 1.0
LEAST_SNR_DB = 10.0
"""A level this far above the noise is known to 2 dB in the worst case (common practice, no source)."""
MOST_SUBS = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredBass:
    """Subwoofers of one round at the seats where all of them were heard."""

    round: str
    subs: tuple[str, ...]
    seats: tuple[str, ...]
    room: SubResponses
    """On the points of the band."""
    full: np.ndarray
    """All of BASS_HZ [shape=(subs, seats, n)]."""
    band_hz: tuple[float, float]
    clocks: tuple[str, ...]
    """Clock of each seat."""
    left_out: tuple[str, ...]
    """Unused subwoofers, seats and frequencies, one sentence each."""

    def only(self, subs: Sequence[str]) -> MeasuredBass:
        """The measurement of some of its subwoofers."""
        index = [self.subs.index(sub) for sub in subs]
        room = replace(self.room, values=self.room.values[index])
        return replace(self, subs=tuple(subs), full=self.full[index], room=room)

    def through(self, filters: Sequence[Sequence[Filter]], kind: FilterWidth) -> MeasuredBass:
        """The measurement with more filters in each subwoofer."""
        if not any(filters):
            return self
        turn = np.array([filters_response(each, kind, BASS_HZ) for each in filters])
        return replace(self, room=filtered(self.room, filters, kind), full=self.full * turn[:, None, :])


def _missing_delays_s(
    job: Job, round_id: str, subs: Sequence[str], rows: Mapping[str, Sequence[AnalysedResponse]]
) -> FloatArray | str:
    """The delay that each subwoofer's recordings bypassed [s], or the reason why it is unknown."""
    past = [not item.passes_delays for items in rows.values() for item in items]
    if not any(past):
        return np.zeros(len(subs))
    speed = speed_of_sound_m_s(job.system.temperature_c)
    noted = applied_delays_s(job, round_id, job.system.channels, speed)
    by_id = {c.id: d for c, d in zip(job.system.channels, noted, strict=True)}
    delays = np.array([by_id[sub] for sub in subs])
    if not all(past) or not np.all(np.isfinite(delays)):
        return "the responses were measured past the processor's delays, and these are not all entered"
    return delays


@cached
def measured_bass(job: Job, round_id: str, analyses: Analyses, every: bool = False) -> MeasuredBass | str:
    """The subwoofers of a round, or one clause with the reason why their bass cannot be predicted.

    Those that await a repair are left out; with `every` only silent ones.
    """
    screened = usable(job, analyses, round_id)
    chosen = _measured_subs(job, round_id, analyses, screened, every)
    if isinstance(chosen, str):
        return chosen
    subs, left_out = chosen
    found = {seat.id: _at_seat(job, round_id, screened, subs, seat.id) for seat in job.system.seats}
    rows = {seat: each for seat, each in found.items() if not isinstance(each, str)}
    reasons = {seat: each for seat, each in found.items() if isinstance(each, str)}
    if len(rows) < min(2, max(1, len(found))):
        why = next(iter(reasons.values()), "the job has no seat")
        needed = "at least two seats are needed" if len(found) > 1 else "a seat is needed"
        return f"{needed} at which all subwoofers can be summed, and {why}"
    for why in dict.fromkeys(reasons.values()):
        seats = [seat for seat, each in reasons.items() if each == why]
        left_out.append(f"{listed(seats)} {'is' if len(seats) == 1 else 'are'} left out: {why}.")
    delays = _missing_delays_s(job, round_id, subs, rows)
    if isinstance(delays, str):
        return delays
    full = np.array([[_bass(rows[seat][i]) for seat in rows] for i in range(len(subs))])
    full = full * np.exp(-2j * np.pi * delays[:, None, None] * BASS_HZ)
    weights = job.system.seat_weights(list(rows))
    counted = [seat for seat, weight in zip(rows, weights, strict=True) if weight > 0]
    usable_hz, gaps = _usable_hz({seat: rows[seat] for seat in counted})
    if not len(usable_hz) or np.log2(usable_hz[-1] / usable_hz[0]) < LEAST_OCTAVES:
        return f"less than an octave between {BAND_HZ[0]:.0f} and {BAND_HZ[1]:.0f} Hz is above the noise at all seats"
    room = _sub_responses(full, usable_hz, np.array(weights), job.system.target)
    return MeasuredBass(
        round=round_id,
        subs=tuple(subs),
        seats=tuple(rows),
        room=room,
        full=full,
        band_hz=(float(room.freq_hz[0]), float(room.freq_hz[-1])),
        clocks=tuple(items[0].clock or "" for items in rows.values()),
        left_out=(*left_out, *gaps),
    )


def _measured_subs(
    job: Job, round_id: str, analyses: Analyses, screened: Analyses, every: bool
) -> tuple[list[str], list[str]] | str:
    """Subwoofers to sum and sentences on those left out, or one clause with the reason why there are none."""
    singles, _ = sub_outputs(job)
    if not singles:
        return "the job has no subwoofer"
    waiting = (awaiting_as_heard if every else awaiting_repair)(job, round_id, analyses)
    if every and waiting:
        silent = silent_channels(seat_cells.heard(job, round_id, analyses))
        waiting = {sub: why for sub, why in waiting.items() if sub in silent}
    left_out = [f"{sub} is left out: {waiting[sub]}." for sub in singles if sub in waiting]
    healthy = [sub for sub in singles if sub not in waiting]
    seats = [seat.id for seat in job.system.seats]
    subs = [sub for sub in healthy if any(screened.repeats(round_id, sub, seat) for seat in seats)]
    if not subs:
        return "all subwoofers wait for a repair" if left_out else "no response of a subwoofer can be used"
    if len(subs) > MOST_SUBS:
        return f"there are {len(subs)} subwoofers, and at most {MOST_SUBS} can be searched together"
    if absent := [sub for sub in healthy if sub not in subs]:
        left_out.append(f"{listed(absent)} {'was' if len(absent) == 1 else 'were'} not measured and left out.")
    return subs, left_out


def _sub_responses(
    full: ComplexArray, usable_hz: FloatArray, weights: FloatArray, target: Target | None
) -> SubResponses:
    """Responses for the search: `full` [shape=(subs, seats, n)] at the usable frequencies, evenly over octaves."""
    index, share = log_points(BASS_HZ, float(usable_hz[0]), float(usable_hz[-1]))
    kept = np.isin(BASS_HZ[index], usable_hz)
    index, share = index[kept], share[kept]
    kept = np.all(np.any(np.abs(full[:, :, index]) > 0, axis=0), axis=0)
    index, share = index[kept], share[kept]
    levels = None if target is None else target_levels_db(target, BASS_HZ[index])
    return SubResponses(full[:, :, index], BASS_HZ[index], weights, share, levels)


def target_levels_db(target: Target, freq_hz: FloatArray) -> FloatArray:
    """The target at some frequencies [dB]: linear over octaves between its points, constant beyond them."""
    if not target.points:
        return np.asarray(target.slope_db_per_octave * np.log2(freq_hz / freq_hz[0]))
    hz, levels = zip(*target.points, strict=True)
    return np.asarray(np.interp(np.log2(freq_hz), np.log2(hz), levels))


def newest_bass(job: Job, analyses: Analyses) -> MeasuredBass | str:
    """The newest round whose subwoofers can be summed, or the reason why none can."""
    why = "no response of a subwoofer was measured or imported"
    for round_id in reversed(job.rounds):
        if not any(job.responses_of(round_id, channel=sub) for sub in sub_outputs(job)[0]):
            continue
        found = measured_bass(job, round_id, analyses)
        if not isinstance(found, str):
            return found
        why = found
    return why


def _at_seat(
    job: Job, round_id: str, screened: Analyses, subs: Sequence[str], seat: str
) -> list[AnalysedResponse] | str:
    """The newest responses of all subwoofers at a seat on one clock, or the reason why they cannot be summed."""
    repeats = {sub: screened.repeats(round_id, sub, seat) for sub in subs}
    missing = [sub for sub, items in repeats.items() if not items]
    if missing:
        problems = screened.problems(round_id, missing[0], seat)
        return f"{missing[0]}: {problems[-1]}" if problems else f"{listed(missing)} was not measured there"
    for sub, items in repeats.items():
        if all(item.analysis is None or item.analysis.bass is None for item in items):
            return _why_no_bass(sub, items[-1])
    clocks = [{item.clock for item in items if item.clock is not None} for items in repeats.values()]
    common = set.intersection(*clocks)
    if not common:
        return "the responses of the subwoofers share no clock"
    newest = [[item for item in items if item.clock in common] for items in repeats.values()]
    clock = max(common, key=lambda each: max(i.seq for items in newest for i in items if i.clock == each))
    found = [next(item for item in reversed(items) if item.clock == clock) for items in newest]
    for sub, item in zip(subs, found, strict=True):
        if item.analysis is None or item.analysis.bass is None:
            return _why_no_bass(sub, item)
    return found


def _why_no_bass(sub: str, item: AnalysedResponse) -> str:
    """Reason why the bass of a response cannot be added to that of others: it has no phase, or a check rejected it."""
    why = {} if item.analysis is None else item.analysis.why
    if item.analysis is not None and item.analysis.has_phase and (reason := why.get("bands") or why.get("arrival")):
        return f"{sub}: {reason}"
    return f"the response of {sub} has no phase"


def _bass(item: AnalysedResponse) -> np.ndarray:
    assert item.analysis is not None and item.analysis.bass is not None
    return np.asarray(item.analysis.bass, dtype=complex)


def _usable_hz(rows: dict[str, list[AnalysedResponse]]) -> tuple[FloatArray, list[str]]:
    """The frequencies of BASS_HZ within the band where the subwoofers exceed the noise, and the part left out."""
    near = np.argmin(np.abs(np.log(GRID_HZ)[:, None] - np.log(BASS_HZ)), axis=0)
    powers, quiet = {}, {}
    for seat, items in rows.items():
        analyses = [item.analysis for item in items if item.analysis is not None]
        powers[seat] = sum(10 ** (np.nan_to_num(a.third_octave_db, nan=-300.0) / 10) for a in analyses)
        noise = sum(_noise(a) for a in analyses)
        quiet[seat] = powers[seat] < noise * 10 ** (LEAST_SNR_DB / 10)
    levels = np.array([10 * np.log10(np.maximum(power, 1e-30)) for power in powers.values()])
    inside = own_band(levels) & (GRID_HZ >= BAND_HZ[0] / 1.001) & (GRID_HZ <= BAND_HZ[1] * 1.001)
    noisy = np.any(np.array(list(quiet.values())), axis=0)
    left_out = []
    if (inside & noisy).any():
        at = [seat for seat, mask in quiet.items() if (mask & inside).any()]
        low, high = GRID_HZ[inside & noisy][[0, -1]]
        left_out.append(
            f"Frequencies between {low:.0f} and {high:.0f} Hz are left out where the bass is less than "
            f"{LEAST_SNR_DB:.0f} dB above the noise at {listed(at)}."
        )
    good = (inside & ~noisy)[near] & (BASS_HZ >= BAND_HZ[0]) & (BASS_HZ <= BAND_HZ[1])
    return BASS_HZ[good], left_out


def _noise(analysis: Analysis) -> FloatArray:
    """Noise power of a response by third octave; none if unknown, as in a computed response."""
    if analysis.noise_db is None:
        return np.zeros(len(GRID_HZ))
    return np.where(np.isfinite(analysis.noise_db), 10 ** (analysis.noise_db / 10), 0.0)
