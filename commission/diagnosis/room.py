"""Rules about the room: construction, layout, noise."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FindingDetails, Found, Rule
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import own_band, without_one_db2
from commission.model import Check, Verdict
from commission.model.show import number
from commission.model.verdict import surely_above, surely_below
from commission.steps.compare import HEARD, SUBS, BandResult
from commission.steps.compare.result import seat_weights
from commission.steps.seats.result import BASS_HZ, THIRD_OCTAVE_U_DB, deepest

SPOILT = (
    "settings.sub-latency",
    "settings.polarity",
    "wiring.polarity",
    "wiring.pair-polarity",
    "settings.unit",
    "measurement.gain",
)
"""What makes a hole in the sum of the subwoofers, or in what was measured of it: mended before the room is judged."""


def _subs(e: Evidence) -> list[str]:
    return [c.id for c in e.job.system.channels if c.is_sub]


def _sum_is_spoilt(e: Evidence, found: Found) -> bool:
    ids = set(_subs(e))
    return any(f.id in SPOILT and (not f.channels or ids & set(f.channels)) for f in found)


def _null(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    if e.subs is not None and not _sum_is_spoilt(e, found):
        nulls = _summed_nulls(e)
    else:
        nulls = {
            seat: tuple(f"{c.channel}: {number(c.value, 0)} dB, {c.text}" for c in checks)
            for seat, checks in _missed_from_all(e).items()
        }
    for seat, evidence in nulls.items():
        yield FindingDetails(
            title=f"{seat} misses bass",
            channels=tuple(_subs(e)),
            seats=(seat,),
            evidence=evidence,
            alternatives=("the microphone stood in a corner, on a table or under a rail there",),
            confirm=f"Move the microphone by 30 cm at {seat}: a null moves with it.",
            remedy="Move the seat or a subwoofer; a filter cannot fill a null and only strains the amplifier.",
        )


def _summed_nulls(e: Evidence) -> dict[str, tuple[str, ...]]:
    assert e.subs is not None
    seats, levels = e.subs
    plays = (GRID_HZ >= BASS_HZ[0]) & (GRID_HZ <= BASS_HZ[1]) & own_band(levels)
    out: dict[str, tuple[str, ...]] = {}
    if len(seats) < 3 or not plays.any():
        return out
    limit = e.job.limit("seats.null").lower
    mean = np.average(levels, axis=0, weights=np.sign(seat_weights(e.job, seats)))
    for i, seat in enumerate(seats):
        depth, at_hz = deepest(levels[i], mean, plays, GRID_HZ)
        if surely_below(depth, limit, THIRD_OCTAVE_U_DB):
            where = f"in the third octave at {at_hz:.0f} Hz, limit {number(limit, 0)} dB"
            out[seat] = (f"all subwoofers together {number(depth, 0)} dB re the seats' mean {where}",)
    return out


def _missed_from_all(e: Evidence) -> dict[str, list[Check]]:
    """Seats that miss bass from every subwoofer: no alignment of them can bring it."""
    ids, out = _subs(e), {}
    for seat in [s.id for s in e.job.system.seats]:
        failed = [
            check
            for sub in ids
            for check in e.seats.cells[(sub, seat)].checks
            if check.id == "seats.bass" and check.verdict is Verdict.FAIL
        ]
        if ids and len(failed) == len(ids):
            out[seat] = failed
    return out


def _bass_differs(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    if _sum_is_spoilt(e, found):
        return
    names = [SUBS] if SUBS in e.variance else [c for c in _subs(e) if c in e.variance]
    results = {name: low for name in names if (low := _lowest_band(e.variance[name][HEARD])) is not None}
    missing = {seat for finding in found if finding.id == "room.null" for seat in finding.seats}
    uneven = {name: each for name, each in results.items() if _uneven(e, each[1], missing)}
    if not uneven or len(uneven) < len(results):
        return
    _, first = next(iter(uneven.values()))
    softest = min(first.deviations_db.items(), key=lambda item: item[1])
    yield FindingDetails(
        title="bass differs by seat" + (f", least at {softest[0]}" if softest[1] < -2 else ""),
        channels=tuple(_subs(e)),
        seats=(first.worst_seat,),
        evidence=tuple(text for name, (label, r) in uneven.items() for text in _spread(e, name, label, r)),
        alternatives=("gain, delay or polarity of the subwoofers do not suit the seats (bass)",),
        confirm="Measure each subwoofer alone: does every one of them miss the same seat?",
        remedy="Align the subwoofers for all seats; what remains is a matter of their number and places, or of the seats'.",
    )


def _uneven(e: Evidence, result: BandResult, missing: set[str]) -> bool:
    """Beyond the limit, also without its worst seat where that has a finding of its own already."""
    left_db2, seats = result.msv_db2, list(result.deviations_db)
    weights = dict(zip(seats, seat_weights(e.job, seats), strict=True))
    if result.worst_seat in missing and sum(weight > 0 for weight in weights.values()) > 2:
        share = weights[result.worst_seat] / sum(weights.values())
        left_db2 = without_one_db2(left_db2, share, result.worst_db)
    return surely_above(math.sqrt(left_db2), e.job.limit("room.uneven").upper, result.u_sd_db)


def _spread(e: Evidence, name: str, label: str, r: BandResult) -> tuple[str, str]:
    who = "all subwoofers together" if name == SUBS else name
    spread = f"{r.sd_db:.1f} ± {2 * r.u_sd_db:.1f} dB, limit {e.job.limit('room.uneven').upper:g} dB"
    return (
        f"{who}: root of the variance over seats {spread}, {label} Hz",
        f"{r.worst_seat} is {r.worst_db:.1f} dB off the seats' mean (rms)",
    )


def _lowest_band(bands: dict[str, BandResult]) -> tuple[str, BandResult] | None:
    """The band that lies deepest in the bass, where one does."""
    low = {label: r for label, r in bands.items() if r.heard_hz[0] < 80}
    return min(low.items(), key=lambda item: item[1].heard_hz[0], default=None)


RULES = (
    Rule(
        id="room.null",
        check="seats.bass",
        cause="room",
        step="seats",
        symptom="no bass at one seat",
        look=_null,
        place="seat",
        basis="10 dB below the seats' mean over a third octave; common practice",
    ),
    Rule(
        id="room.bass-differs",
        check="seats.bass",
        cause="room",
        step="seats",
        symptom="bass differs by seat",
        look=_bass_differs,
        basis="root of the variance over seats above 3 dB from 20 to 80 Hz; common practice",
    ),
)
